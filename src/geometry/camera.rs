//! One phone's lens as a pinhole with Brown-Conrady distortion.
//!
//! The model and the order of its coefficients are those of OpenCV's `projectPoints`:
//! `x' = x (1 + k1 r2 + k2 r4 + k3 r6) + 2 p1 x y + p2 (r2 + 2 x2)`, `y'` alike, `u = fx x' + cx`.

use nalgebra::{Matrix2, Matrix2x3, Vector2};
use serde::{Deserialize, Serialize};

use crate::geometry::{CameraPoint, PixelPoint};

/// Nearest depth that projects, metres: closer points are taken as behind the camera.
const MIN_DEPTH_M: f64 = 1e-6;

/// Intrinsics of one phone in one video mode, of the picture as displayed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Camera {
    /// Picture width, pixels.
    pub width_px: u32,
    /// Picture height, pixels.
    pub height_px: u32,
    /// Focal length along x, pixels.
    pub fx_px: f64,
    /// Focal length along y, pixels.
    pub fy_px: f64,
    /// Principal point, x, pixels.
    pub cx_px: f64,
    /// Principal point, y, pixels.
    pub cy_px: f64,
    /// `[k1, k2, p1, p2, k3]`, of normalised coordinates, no unit.
    pub distortion: [f64; 5],
}

impl Camera {
    /// Distorts normalised coordinates (x/z, y/z).
    #[must_use]
    pub fn distort(&self, n: Vector2<f64>) -> Vector2<f64> {
        let [k1, k2, p1, p2, k3] = self.distortion;
        let r2 = n.norm_squared();
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        Vector2::new(
            n.x * radial + 2.0 * p1 * n.x * n.y + p2 * (r2 + 2.0 * n.x * n.x),
            n.y * radial + p1 * (r2 + 2.0 * n.y * n.y) + 2.0 * p2 * n.x * n.y,
        )
    }

    /// Derivative of [`Camera::distort`] with respect to its argument.
    #[must_use]
    pub fn distort_jacobian(&self, n: Vector2<f64>) -> Matrix2<f64> {
        let [k1, k2, p1, p2, k3] = self.distortion;
        let (x, y, r2) = (n.x, n.y, n.norm_squared());
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        let slope = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3)); // d radial / d r2, times 2
        let cross = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y;
        Matrix2::new(
            radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x,
            cross,
            cross,
            radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x,
        )
    }

    /// Projects a point of this camera's frame; `None` when it is not in front of the camera.
    #[must_use]
    pub fn project(&self, p: CameraPoint) -> Option<PixelPoint> {
        if p.0.z <= MIN_DEPTH_M {
            return None;
        }
        let d = self.distort(Vector2::new(p.0.x / p.0.z, p.0.y / p.0.z));
        Some(PixelPoint::new(
            self.fx_px * d.x + self.cx_px,
            self.fy_px * d.y + self.cy_px,
        ))
    }

    /// Derivative of the pixel (2) with respect to the camera point (3), pixels per metre; `None` behind the camera.
    #[must_use]
    pub fn project_jacobian(&self, p: CameraPoint) -> Option<Matrix2x3<f64>> {
        let z = p.0.z;
        if z <= MIN_DEPTH_M {
            return None;
        }
        let n = Vector2::new(p.0.x / z, p.0.y / z);
        let pixel_from_normal = Matrix2::new(self.fx_px, 0.0, 0.0, self.fy_px) * self.distort_jacobian(n);
        let normal_from_point = Matrix2x3::new(1.0 / z, 0.0, -n.x / z, 0.0, 1.0 / z, -n.y / z);
        Some(pixel_from_normal * normal_from_point)
    }

    /// Normalised, undistorted coordinates (x/z, y/z) of a pixel, by Newton's method; `None` where the distortion has
    /// no inverse (far outside the picture of a strongly distorting lens).
    #[must_use]
    pub fn undistort(&self, pixel: PixelPoint) -> Option<Vector2<f64>> {
        let target = Vector2::new(
            (pixel.x_px - self.cx_px) / self.fx_px,
            (pixel.y_px - self.cy_px) / self.fy_px,
        );
        let mut n = target;
        for _ in 0..30 {
            let miss = self.distort(n) - target;
            if miss.norm() < 1e-13 {
                return Some(n);
            }
            n -= self.distort_jacobian(n).try_inverse()? * miss;
            if !n.x.is_finite() || !n.y.is_finite() || n.norm() > 10.0 {
                return None;
            }
        }
        ((self.distort(n) - target).norm() < 1e-10).then_some(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;

    fn phone() -> Camera {
        Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: 1010.0,
            fy_px: 1007.0,
            cx_px: 644.0,
            cy_px: 355.0,
            distortion: [0.11, -0.23, 0.0008, -0.0006, 0.09],
        }
    }

    #[test]
    fn undistort_undoes_project() {
        let camera = phone();
        for (x, y) in [(0.0, 0.0), (0.5, 0.3), (-0.6, -0.33), (0.2, -0.34)] {
            let pixel = camera
                .project(CameraPoint(Vector3::new(x * 7.0, y * 7.0, 7.0)))
                .unwrap();
            let back = camera.undistort(pixel).unwrap();
            assert!((back - Vector2::new(x, y)).norm() < 1e-10, "{back}");
        }
    }

    #[test]
    fn the_jacobian_agrees_with_differences() {
        let camera = phone();
        let p = Vector3::new(0.9, -1.1, 5.2);
        let jacobian = camera.project_jacobian(CameraPoint(p)).unwrap();
        for axis in 0..3 {
            let mut step = Vector3::zeros();
            step[axis] = 1e-6;
            let ahead = camera.project(CameraPoint(p + step)).unwrap().vector();
            let behind = camera.project(CameraPoint(p - step)).unwrap().vector();
            let slope = (ahead - behind) / 2e-6;
            assert!(
                (slope - jacobian.column(axis)).norm() < 1e-5,
                "axis {axis}: {slope} {jacobian}"
            );
        }
    }

    #[test]
    fn points_behind_the_camera_do_not_project() {
        assert!(
            phone()
                .project(CameraPoint(Vector3::new(0.0, 0.0, -1.0)))
                .is_none()
        );
    }
}
