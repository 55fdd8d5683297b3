//! The linear start: each image coordinate of each view is one linear equation in the point.
//!
//! Hartley & Zisserman, *Multiple View Geometry*, 2nd ed., section 12.2, in the inhomogeneous form (points are metres
//! away, never at infinity), each equation weighted by its image point's doubt.

use nalgebra::{Matrix4x3, Vector3, Vector4};

use crate::geometry::{Camera, CameraFromWorld, Phone};
use crate::triangulate::{Missing, Sighting};

/// A first position in the world, metres, good to a few millimetres.
pub(super) fn start(
    cameras: &[Camera; 2],
    poses: &[CameraFromWorld; 2],
    sightings: &[Sighting; 2],
) -> Result<Vector3<f64>, Missing> {
    let mut left_side = Matrix4x3::zeros();
    let mut right_side = Vector4::zeros();
    for (view, phone) in [Phone::Left, Phone::Right].into_iter().enumerate() {
        let camera = &cameras[view];
        let seen = camera
            .undistort(sightings[view].at)
            .ok_or(Missing::OutsideLens(phone))?;
        let rotation = poses[view].0.rotation.matrix();
        let shift = poses[view].0.translation_m;
        for axis in 0..2 {
            let focal_px = [camera.fx_px, camera.fy_px][axis];
            let weight = focal_px / sightings[view].sd_px;
            let equation = (rotation.row(2) * seen[axis] - rotation.row(axis)) * weight;
            left_side.set_row(2 * view + axis, &equation);
            right_side[2 * view + axis] = (shift[axis] - seen[axis] * shift.z) * weight;
        }
    }
    // Parallel lines of sight leave the matrix without full rank: the point lies nowhere.
    left_side
        .svd(true, true)
        .solve(&right_side, 1e-12)
        .ok()
        .filter(|p| p.iter().all(|x| x.is_finite()))
        .ok_or(Missing::SmallParallax { parallax_deg: 0.0 })
}
