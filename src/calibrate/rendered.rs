//! Rendered boards with known corners, for tests: supersampled in the pixels that edges cross, blurred in linear light,
//! with a tone curve and sensor noise.

use std::sync::{Arc, Mutex};

use nalgebra::{Rotation3, Vector2, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use crate::calibrate::board::Board;
use crate::geometry::{Camera, CameraPoint, PixelPoint, Rigid};
use crate::picture::Grey;

const SUPERSAMPLES: usize = 8;

/// What to render.
#[derive(Clone)]
pub(super) struct Shot {
    pub(super) board: Board,
    pub(super) blur_px: f64,
    /// Motion during the exposure, pixels.
    pub(super) motion_px: f64,
    pub(super) noise: f64,
    /// Brightness around the board, 0 to 1, linear; textured when `texture`.
    pub(super) surround: f64,
    pub(super) texture: bool,
    /// Strength of a bright spot over part of the board, 0 to 1.
    pub(super) glare: f64,
    pub(super) seed: u64,
}

impl Shot {
    pub(super) fn of(board: Board) -> Self {
        Self {
            board,
            blur_px: 0.7,
            motion_px: 0.0,
            noise: 2.0,
            surround: 0.25,
            texture: false,
            glare: 0.0,
            seed: 1,
        }
    }

    /// Reflectance at board coordinates.
    fn reflectance(&self, x: f64, y: f64, texture: &[f64]) -> f64 {
        let s = self.board.square_m;
        let (i, j) = ((x / s).floor() + 1.0, (y / s).floor() + 1.0);
        let (w, h) = ((self.board.cols + 1) as f64, (self.board.rows + 1) as f64);
        if i >= 0.0 && j >= 0.0 && i < w && j < h {
            // The square beside corner 0, away from the rest, is dark.
            return if (i + j) as i64 % 2 == 0 { 0.04 } else { 0.8 };
        }
        if i >= -0.3 && j >= -0.3 && i < w + 0.3 && j < h + 1.0 {
            return 0.8;
        }
        if self.texture {
            let cell = ((x / s * 1.7).floor() as i64 * 31 + (y / s * 1.3).floor() as i64 * 17).rem_euclid(97)
                as usize;
            return texture[cell];
        }
        self.surround
    }

    pub(super) fn render(&self, camera: &Camera, pose: &Rigid) -> Grey {
        let (w, h) = (camera.width_px as usize, camera.height_px as usize);
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let texture: Vec<f64> = (0..97).map(|_| rng.random_range(0.05..0.8)).collect();
        let rays = rays(camera);
        let inverse = pose.inverse();
        let (origin, turn) = (inverse.translation_m, inverse.rotation);
        let value = |ray: Vector2<f64>| {
            let d = turn * Vector3::new(ray.x, ray.y, 1.0);
            let depth = -origin.z / d.z;
            let (x, y) = (origin.x + depth * d.x, origin.y + depth * d.y);
            if depth > 0.0 {
                self.reflectance(x, y, &texture)
            } else {
                self.surround
            }
        };
        let mut linear = vec![0.0; w * h];
        for y in 0..h {
            for x in 0..w {
                let corner = |dx: usize, dy: usize| rays[(y + dy) * (w + 1) + x + dx];
                let (a, b, c, d) = (corner(0, 0), corner(1, 0), corner(0, 1), corner(1, 1));
                let v = [value(a), value(b), value(c), value(d)];
                linear[y * w + x] = if v.iter().all(|q| *q == v[0]) {
                    v[0]
                } else {
                    let n = SUPERSAMPLES as f64;
                    let mut sum = 0.0;
                    for j in 0..SUPERSAMPLES {
                        for i in 0..SUPERSAMPLES {
                            // Each sample in a row and a column of its own, so that edges along the axes are not stepped.
                            let (i, j) = (i as f64, j as f64);
                            let (s, t) = ((i + (j + 0.5) / n) / n, (j + (i + 0.5) / n) / n);
                            sum += value(a.lerp(&b, s).lerp(&c.lerp(&d, s), t));
                        }
                    }
                    sum / (n * n)
                };
            }
        }
        let blurred = blur(&linear, w, h, self.blur_px, self.motion_px);
        let spot = camera
            .project(CameraPoint(pose.apply(&self.board.centre_m())))
            .unwrap();
        let noise = Normal::new(0.0, self.noise.max(1e-9)).unwrap();
        let data = blurred
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let (x, y) = ((i % w) as f64 - spot.x_px - 20.0, (i / w) as f64 - spot.y_px);
                let lit = v + self.glare * (-(x * x + y * y) / (2.0 * 40.0_f64.powi(2))).exp();
                (255.0 * lit.clamp(0.0, 1.0).powf(1.0 / 2.2) + noise.sample(&mut rng))
                    .round()
                    .clamp(0.0, 255.0) as u8
            })
            .collect();
        Grey {
            width: w,
            height: h,
            data,
        }
    }
}

type Rays = Arc<Vec<Vector2<f64>>>;

/// Rays of the pixels' corners, row by row; inside a pixel they are interpolated. Kept from picture to picture.
fn rays(camera: &Camera) -> Rays {
    static KEPT: Mutex<Vec<(Camera, Rays)>> = Mutex::new(Vec::new());
    if let Some((_, rays)) = KEPT.lock().unwrap().iter().find(|(c, _)| c == camera) {
        return rays.clone();
    }
    let rays: Rays = Arc::new(
        (0..=camera.height_px)
            .flat_map(|y| {
                (0..=camera.width_px).map(move |x| PixelPoint::new(f64::from(x) - 0.5, f64::from(y) - 0.5))
            })
            .map(|corner| camera.undistort(corner).unwrap_or(Vector2::repeat(9.0)))
            .collect(),
    );
    KEPT.lock().unwrap().push((*camera, rays.clone()));
    rays
}

/// Gaussian of `sd` both ways, then a box of `motion` pixels along the rows.
fn blur(source: &[f64], w: usize, h: usize, sd: f64, motion: f64) -> Vec<f64> {
    let reach = (3.5 * sd).ceil() as isize;
    let gauss = |k: isize| (-0.5 * (k as f64 / sd.max(1e-3)).powi(2)).exp();
    // The ends of the box count in part.
    let boxed =
        |k: isize| ((k as f64 + 0.5).min(motion / 2.0) - (k as f64 - 0.5).max(-motion / 2.0)).max(0.0);
    let once = pass(&pass(source, w, h, reach, gauss, false), w, h, reach, gauss, true);
    if motion > 0.0 {
        pass(&once, w, h, motion.ceil() as isize, boxed, true)
    } else {
        once
    }
}

fn pass(
    data: &[f64],
    w: usize,
    h: usize,
    reach: isize,
    kernel: impl Fn(isize) -> f64,
    along_rows: bool,
) -> Vec<f64> {
    let total: f64 = (-reach..=reach).map(&kernel).sum();
    let mut out = vec![0.0; w * h];
    for k in -reach..=reach {
        let weight = kernel(k) / total;
        for y in 0..h {
            let from = if along_rows {
                y
            } else {
                (y as isize + k).clamp(0, h as isize - 1) as usize
            };
            let source = &data[from * w..][..w];
            let target = &mut out[y * w..][..w];
            if along_rows {
                for x in 0..w {
                    target[x] += weight * source[(x as isize + k).clamp(0, w as isize - 1) as usize];
                }
            } else {
                for (t, s) in target.iter_mut().zip(source) {
                    *t += weight * s;
                }
            }
        }
    }
    out
}

/// A phone at 720p.
pub(super) fn phone() -> Camera {
    Camera {
        width_px: 1280,
        height_px: 720,
        fx_px: 1005.0,
        fy_px: 1003.0,
        cx_px: 645.0,
        cy_px: 352.0,
        distortion: [0.09, -0.19, 0.0006, -0.0004, 0.07],
    }
}

/// A board whose middle is at `at_m` of the camera, turned about the picture's axes (degrees).
pub(super) fn pose_at(board: &Board, at_m: Vector3<f64>, turn_deg: [f64; 3]) -> Rigid {
    let [x, y, z] = turn_deg.map(f64::to_radians);
    let rotation = Rotation3::from_axis_angle(&Vector3::z_axis(), z)
        * Rotation3::from_axis_angle(&Vector3::y_axis(), y)
        * Rotation3::from_axis_angle(&Vector3::x_axis(), x);
    Rigid::new(rotation, at_m - rotation * board.centre_m())
}

/// Where a camera sees the corners.
pub(super) fn true_corners(camera: &Camera, board: &Board, pose: &Rigid) -> Vec<PixelPoint> {
    board
        .corners_m()
        .iter()
        .map(|p| camera.project(CameraPoint(pose.apply(p))).unwrap())
        .collect()
}
