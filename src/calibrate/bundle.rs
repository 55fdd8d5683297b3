//! The reprojection problem of one or two phones: lenses, the pose between the phones and every board's pose.
//!
//! Unknowns in order: left lens (9), right lens (9), right from left (3 of rotation, 3 of translation); those not free are
//! left out. A lens is `fx fy cx cy k1 k2 p1 p2 k3`. Rotations move by a small turn on the left, `exp(w) R`. A board's pose
//! is in the left camera's frame unless only the right phone saw it; then it is in the right's.

use nalgebra::{DMatrix, DVector, Matrix2x3, Rotation3, SMatrix, Vector2, Vector3, Vector6};

use crate::calibrate::least_squares::{BlockProblem, Columns6, Linearised};
use crate::geometry::{Camera, CameraPoint, PixelPoint, Rigid};

/// How many numbers describe a lens.
pub(super) const LENS: usize = 9;
/// All shared unknowns: two lenses and a pose.
pub(super) const SHARED: usize = 2 * LENS + 6;

/// One corner of one picture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Observed {
    /// Board coordinates, metres.
    pub(super) board_m: Vector3<f64>,
    pub(super) pixel: Vector2<f64>,
    /// Weight of its squared distance; 0 leaves it out.
    pub(super) weight: f64,
}

/// One board pose and what the phones saw of it.
#[derive(Clone, Debug)]
pub(super) struct View {
    /// Camera (see the module) from board.
    pub(super) pose: Rigid,
    /// Left and right phone's corners; empty when that phone did not see it.
    pub(super) seen: [Vec<Observed>; 2],
}

/// The problem at its present estimate.
#[derive(Clone, Debug)]
pub(super) struct Bundle {
    pub(super) lenses: [Camera; 2],
    pub(super) right_from_left: Rigid,
    pub(super) views: Vec<View>,
    /// Which of the shared unknowns are free.
    pub(super) free: [bool; SHARED],
    /// Lenses known beforehand: values and standard deviations, by phone.
    pub(super) lens_priors: [Option<([f64; LENS], [f64; LENS])>; 2],
}

/// A lens as its nine numbers.
pub(super) fn lens_numbers(camera: &Camera) -> [f64; LENS] {
    let [k1, k2, p1, p2, k3] = camera.distortion;
    [
        camera.fx_px,
        camera.fy_px,
        camera.cx_px,
        camera.cy_px,
        k1,
        k2,
        p1,
        p2,
        k3,
    ]
}

/// A lens with other numbers.
pub(super) fn with_numbers(camera: &Camera, n: &[f64; LENS]) -> Camera {
    Camera {
        fx_px: n[0],
        fy_px: n[1],
        cx_px: n[2],
        cy_px: n[3],
        distortion: [n[4], n[5], n[6], n[7], n[8]],
        ..*camera
    }
}

/// Derivative of the pixel by the nine numbers of the lens, at normalised undistorted coordinates.
fn by_lens(camera: &Camera, n: Vector2<f64>) -> SMatrix<f64, 2, LENS> {
    let d = camera.distort(n);
    let (x, y, r2) = (n.x, n.y, n.norm_squared());
    let (fx, fy) = (camera.fx_px, camera.fy_px);
    let (r4, r6) = (r2 * r2, r2 * r2 * r2);
    #[rustfmt::skip]
    let derivative = SMatrix::<f64, 2, LENS>::from_row_slice(&[
        d.x, 0.0, 1.0, 0.0, fx * x * r2, fx * x * r4, fx * 2.0 * x * y,          fx * (r2 + 2.0 * x * x), fx * x * r6,
        0.0, d.y, 0.0, 1.0, fy * y * r2, fy * y * r4, fy * (r2 + 2.0 * y * y), fy * 2.0 * x * y,          fy * y * r6,
    ]);
    derivative
}

/// A small turn, then the old rotation, kept orthonormal.
fn turned(rigid: &Rigid, step: &Vector6<f64>) -> Rigid {
    let mut rotation = Rotation3::from_scaled_axis(Vector3::new(step[0], step[1], step[2])) * rigid.rotation;
    rotation.renormalize();
    Rigid::new(
        rotation,
        rigid.translation_m + Vector3::new(step[3], step[4], step[5]),
    )
}

impl Bundle {
    /// A problem of one phone.
    pub(super) fn of_one(lens: Camera, views: Vec<View>, free_lens: [bool; LENS]) -> Self {
        let mut free = [false; SHARED];
        free[..LENS].copy_from_slice(&free_lens);
        Self {
            lenses: [lens, lens],
            right_from_left: Rigid::new(Rotation3::identity(), Vector3::zeros()),
            views,
            free,
            lens_priors: [None, None],
        }
    }

    /// Camera from board for one phone.
    pub(super) fn pose_of(&self, view: &View, phone: usize) -> Rigid {
        if phone == 1 && !view.seen[0].is_empty() {
            self.right_from_left.after(&view.pose)
        } else {
            view.pose
        }
    }

    /// Observed minus projected, pixels; `None` behind the camera.
    pub(super) fn residual(&self, view: &View, phone: usize, seen: &Observed) -> Option<Vector2<f64>> {
        let at = CameraPoint(self.pose_of(view, phone).apply(&seen.board_m));
        Some(seen.pixel - self.lenses[phone].project(at)?.vector())
    }

    /// Calls `f` with every corner's (phone, view number, corner, distance in pixels).
    pub(super) fn for_each_distance(&self, mut f: impl FnMut(usize, usize, &Observed, f64)) {
        for (number, view) in self.views.iter().enumerate() {
            for phone in 0..2 {
                for seen in &view.seen[phone] {
                    if let Some(residual) = self.residual(view, phone, seen) {
                        f(phone, number, seen, residual.norm());
                    }
                }
            }
        }
    }

    /// Places of the free unknowns among the shared ones.
    pub(super) fn free_places(&self) -> Vec<usize> {
        (0..SHARED).filter(|&i| self.free[i]).collect()
    }

    /// How many more residuals than unknowns there are, corners of weight 0 left out.
    pub(super) fn freedom(&self) -> f64 {
        let mut used = 0.0;
        self.for_each_distance(|_, _, seen, _| used += if seen.weight > 0.0 { 2.0 } else { 0.0 });
        used - 6.0 * self.views.len() as f64 - self.free_places().len() as f64
    }
}

impl BlockProblem for Bundle {
    fn shared_len(&self) -> usize {
        self.free.iter().filter(|f| **f).count()
    }

    fn block_count(&self) -> usize {
        self.views.len()
    }

    fn linearised(&self, block: usize) -> Linearised {
        let view = &self.views[block];
        let places = self.free_places();
        let rows = 2 * (view.seen[0].len() + view.seen[1].len());
        let mut l = Linearised {
            residual: DVector::zeros(rows),
            by_shared: DMatrix::zeros(rows, places.len()),
            by_own: Columns6::zeros(rows),
        };
        let mut row = 0;
        for phone in 0..2 {
            let through_left = phone == 1 && !view.seen[0].is_empty();
            let lens = &self.lenses[phone];
            for seen in &view.seen[phone] {
                let turned_board = view.pose.rotation * seen.board_m;
                let base = turned_board + view.pose.translation_m;
                let turned_base = self.right_from_left.rotation * base;
                let at = if through_left {
                    turned_base + self.right_from_left.translation_m
                } else {
                    base
                };
                let (Some(pixel), Some(by_point)) = (
                    lens.project(CameraPoint(at)),
                    lens.project_jacobian(CameraPoint(at)),
                ) else {
                    row += 2;
                    continue;
                };
                let w = seen.weight.sqrt();
                let by_base: Matrix2x3<f64> = if through_left {
                    by_point * self.right_from_left.rotation.matrix()
                } else {
                    by_point
                };
                let by_turn = by_base * -turned_board.cross_matrix();
                let mut all = SMatrix::<f64, 2, SHARED>::zeros();
                all.fixed_view_mut::<2, LENS>(0, phone * LENS)
                    .copy_from(&by_lens(lens, Vector2::new(at.x / at.z, at.y / at.z)));
                if through_left {
                    let by_stereo_turn: Matrix2x3<f64> = by_point * -turned_base.cross_matrix();
                    all.fixed_view_mut::<2, 3>(0, 2 * LENS).copy_from(&by_stereo_turn);
                    all.fixed_view_mut::<2, 3>(0, 2 * LENS + 3).copy_from(&by_point);
                }
                let residual = seen.pixel - pixel.vector();
                for axis in 0..2 {
                    l.residual[row] = residual[axis] * w;
                    for (column, &place) in places.iter().enumerate() {
                        l.by_shared[(row, column)] = all[(axis, place)] * w;
                    }
                    for k in 0..3 {
                        l.by_own[(row, k)] = by_turn[(axis, k)] * w;
                        l.by_own[(row, k + 3)] = by_base[(axis, k)] * w;
                    }
                    row += 1;
                }
            }
        }
        l
    }

    fn cost(&self) -> Option<f64> {
        let mut sum = 0.0;
        for view in &self.views {
            for phone in 0..2 {
                for seen in &view.seen[phone] {
                    if seen.weight > 0.0 {
                        sum += seen.weight * self.residual(view, phone, seen)?.norm_squared();
                    }
                }
            }
        }
        if let Some((information, deviation)) = self.prior() {
            sum += (&information * &deviation).dot(&deviation);
        }
        sum.is_finite().then_some(sum)
    }

    fn prior(&self) -> Option<(DMatrix<f64>, DVector<f64>)> {
        if self.lens_priors.iter().all(Option::is_none) {
            return None;
        }
        let places = self.free_places();
        let mut information = DMatrix::zeros(places.len(), places.len());
        let mut deviation = DVector::zeros(places.len());
        for (i, &place) in places.iter().enumerate() {
            let (phone, number) = (place / LENS, place % LENS);
            if phone > 1 {
                continue;
            }
            if let Some((value, sd)) = &self.lens_priors[phone]
                && sd[number] > 0.0
            {
                information[(i, i)] = 1.0 / (sd[number] * sd[number]);
                deviation[i] = value[number] - lens_numbers(&self.lenses[phone])[number];
            }
        }
        Some((information, deviation))
    }

    fn moved(&self, shared: &DVector<f64>, own: &[Vector6<f64>]) -> Self {
        let mut all = [0.0; SHARED];
        for (place, step) in self.free_places().into_iter().zip(shared.iter()) {
            all[place] = *step;
        }
        let mut next = self.clone();
        for (phone, lens) in next.lenses.iter_mut().enumerate() {
            let mut numbers = lens_numbers(lens);
            for (number, step) in numbers.iter_mut().zip(&all[phone * LENS..]) {
                *number += step;
            }
            *lens = with_numbers(lens, &numbers);
        }
        next.right_from_left = turned(
            &self.right_from_left,
            &Vector6::from_column_slice(&all[2 * LENS..]),
        );
        for (view, step) in next.views.iter_mut().zip(own) {
            view.pose = turned(&view.pose, step);
        }
        next
    }
}

/// Normalised undistorted coordinates of some pixels; those without an inverse are left out with their board points.
pub(super) fn normalised(lens: &Camera, seen: &[Observed]) -> (Vec<Vector3<f64>>, Vec<Vector2<f64>>) {
    seen.iter()
        .filter_map(|o| Some((o.board_m, lens.undistort(PixelPoint::from(o.pixel))?)))
        .unzip()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Bundle {
        let lens = Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: 1000.0,
            fy_px: 990.0,
            cx_px: 640.0,
            cy_px: 350.0,
            distortion: [0.1, -0.2, 0.001, -0.002, 0.05],
        };
        let board: Vec<_> = (0..6)
            .map(|i| Observed {
                board_m: Vector3::new(f64::from(i % 3) * 0.3, f64::from(i / 3) * 0.4, 0.0),
                pixel: Vector2::new(600.0 + 20.0 * f64::from(i), 300.0),
                weight: 0.5 + f64::from(i),
            })
            .collect();
        let pose = Rigid::new(
            Rotation3::from_euler_angles(0.3, -0.5, 0.2),
            Vector3::new(-0.3, 0.1, 2.5),
        );
        let view = |left: bool, right: bool| View {
            pose,
            seen: [
                if left { board.clone() } else { vec![] },
                if right { board.clone() } else { vec![] },
            ],
        };
        Bundle {
            lenses: [
                lens,
                Camera {
                    fx_px: 1100.0,
                    ..lens
                },
            ],
            right_from_left: Rigid::new(
                Rotation3::from_euler_angles(0.1, 0.6, 0.05),
                Vector3::new(-0.8, 0.1, 0.4),
            ),
            views: vec![view(true, true), view(true, false), view(false, true)],
            free: [true; SHARED],
            lens_priors: [None, None],
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let bundle = example();
        let step = 1e-6;
        for block in 0..3 {
            let here = bundle.linearised(block);
            for unknown in 0..SHARED + 6 {
                let move_by = |size: f64| {
                    let mut shared = DVector::zeros(SHARED);
                    let mut own = vec![Vector6::zeros(); 3];
                    if unknown < SHARED {
                        shared[unknown] = size;
                    } else {
                        own[block][unknown - SHARED] = size;
                    }
                    bundle.moved(&shared, &own).linearised(block).residual
                };
                // Residual is observed minus projected, hence the sign.
                let slope = (move_by(-step) - move_by(step)) / (2.0 * step);
                let stated = if unknown < SHARED {
                    here.by_shared.column(unknown).into_owned()
                } else {
                    here.by_own.column(unknown - SHARED).into_owned()
                };
                let size = 1.0 + stated.norm();
                assert!(
                    (slope - stated).norm() < 1e-5 * size,
                    "block {block}, unknown {unknown}"
                );
            }
        }
    }
}
