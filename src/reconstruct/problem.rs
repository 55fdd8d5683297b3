//! Unknowns and residuals of one delivery.

use nalgebra::{Matrix2x3, Matrix3, Vector2, Vector3};

use crate::geometry::{Camera, CameraFromWorld, StereoRig, WorldPoint};
use crate::reconstruct::body::{Bone, bones, hangs_on, jerk_density};
use crate::reconstruct::normal::Normal;
use crate::reconstruct::spline::{Basis, Grid};
use crate::reconstruct::{Clock, Delivery, PHONES, ReconstructError, Settings, View};
use crate::skeleton::{Joint, PerJoint};
use crate::track::PoseTrack;
use crate::trajectory::Trajectory;

/// Fewest frames that make a delivery.
const FEWEST_FRAMES: usize = 20;

/// Knots are never closer than this, seconds: more would only cost time.
const CLOSEST_KNOTS_S: f64 = 1.0 / 250.0;

/// Every joint is held to its start this loosely, metres: it only keeps unseen joints from floating away.
const LEASH_M: f64 = 1.0;

/// Room before and after the delivery that is estimated along, seconds, so that its ends are not loose.
const ROOM_S: f64 = 0.05;

/// One keypoint.
pub(crate) struct Observation {
    pub(crate) joint: Joint,
    /// Index into [`PHONES`].
    pub(crate) phone: usize,
    /// Its own row's instant on its own phone's clock, seconds.
    pub(crate) own_time_s: f64,
    pub(crate) at: Vector2<f64>,
    pub(crate) sd_px: f64,
}

/// Where a keypoint stands against the estimate.
pub(crate) struct Residual {
    pub(crate) basis: Basis,
    /// In standard deviations.
    pub(crate) miss: Vector2<f64>,
    /// Derivative of `miss` with respect to the joint's position, 1/m.
    pub(crate) slope: Matrix2x3<f64>,
    /// Derivative of `miss` with respect to the clock offset, 1/s.
    pub(crate) by_clock: Vector2<f64>,
}

/// Everything the solver needs.
pub(crate) struct Problem {
    pub(crate) grid: Grid,
    /// Spline coefficients, `coefficients[joint][knot]`, metres.
    pub(crate) coefficients: PerJoint<Vec<Vector3<f64>>>,
    start_coefficients: PerJoint<Vec<Vector3<f64>>>,
    pub(crate) observations: Vec<Observation>,
    cameras: [(Camera, CameraFromWorld); 2],
    bones: Vec<Bone>,
    pub(crate) lengths_m: Vec<f64>,
    /// LEFT's instants within the delivery and its room.
    pub(crate) times_s: Vec<f64>,
    pub(crate) clock_prior: Clock,
    pub(crate) offset_s: f64,
    pub(crate) delivery: Delivery,
}

impl Problem {
    pub(crate) fn new(
        left: View<'_>,
        right: View<'_>,
        rig: &StereoRig,
        clock: Clock,
        start: &Trajectory,
        delivery: &Delivery,
        settings: &Settings,
    ) -> Result<Self, ReconstructError> {
        let (from_s, to_s) = (delivery.from.0 - ROOM_S, delivery.to.0 + ROOM_S);
        let times_s: Vec<f64> = start
            .times
            .iter()
            .map(|t| t.0)
            .filter(|t| (from_s..=to_s).contains(t))
            .collect();
        if times_s.len() < FEWEST_FRAMES {
            return Err(ReconstructError::TooFewFrames {
                frames: times_s.len(),
                needed: FEWEST_FRAMES,
                from_s: delivery.from.0,
                to_s: delivery.to.0,
            });
        }
        let (first, last) = (times_s[0], times_s[times_s.len() - 1]);
        let step_s = ((last - first) / (times_s.len() - 1) as f64).max(CLOSEST_KNOTS_S);
        let grid = Grid::covering(first - step_s, last + step_s, step_s);
        let coefficients = PerJoint::from_fn(|joint| {
            (0..grid.count)
                .map(|k| start_at(start, joint, &grid, k))
                .collect()
        });
        let mut observations = Vec::new();
        for (phone, view) in [left, right].into_iter().enumerate() {
            let shift_s = if phone == 0 { 0.0 } else { clock.offset_s };
            collect(
                view.track,
                phone,
                &view,
                (first - shift_s, last - shift_s),
                &mut observations,
            );
        }
        let cameras = PHONES.map(|phone| (*rig.camera(phone), rig.camera_from_world(phone)));
        let mut problem = Self {
            grid,
            start_coefficients: coefficients.clone(),
            coefficients,
            observations,
            cameras,
            bones: bones(settings),
            lengths_m: Vec::new(),
            times_s,
            clock_prior: clock,
            offset_s: clock.offset_s,
            delivery: *delivery,
        };
        problem.lengths_m = problem.median_lengths();
        Ok(problem)
    }

    /// Pairs of joints that meet in a term.
    pub(crate) fn pairs(&self) -> Vec<(Joint, Joint)> {
        let bones = self.bones.iter().map(|b| b.ends);
        let hangings = Joint::ALL.into_iter().filter_map(|j| Some((j, hangs_on(j)?)));
        bones.chain(hangings).collect()
    }

    /// A weighted sum of one joint's coefficients.
    pub(crate) fn sum(&self, joint: Joint, first: usize, weights: &[f64; 4]) -> Vector3<f64> {
        (0..4)
            .map(|i| self.coefficients[joint][first + i] * weights[i])
            .sum()
    }

    /// One keypoint against the current estimate; `None` off the grid or behind the camera.
    pub(crate) fn residual(&self, seen: &Observation) -> Option<Residual> {
        let shift_s = if seen.phone == 0 { 0.0 } else { self.offset_s };
        let basis = self.grid.basis(seen.own_time_s + shift_s)?;
        let (camera, pose) = &self.cameras[seen.phone];
        let local = pose.apply(WorldPoint(self.sum(seen.joint, basis.first, &basis.position)));
        let pixel = camera.project(local)?;
        let slope = camera.project_jacobian(local)? * pose.0.rotation.matrix() / seen.sd_px;
        let by_clock = if seen.phone == 0 {
            Vector2::zeros()
        } else {
            slope * self.sum(seen.joint, basis.first, &basis.velocity)
        };
        Some(Residual {
            miss: (pixel.vector() - seen.at) / seen.sd_px,
            slope,
            by_clock,
            basis,
        })
    }

    /// Adds the terms that hold without any picture: lengths, jerk, the leash.
    pub(crate) fn add_prior_terms(&self, normal: &mut Normal) {
        self.add_bones(normal);
        self.add_jerk(normal);
        let leash = LEASH_M.powi(-2);
        for joint in Joint::ALL {
            for k in 0..self.grid.count {
                normal.add((k, joint), (k, joint), &(Matrix3::identity() * leash));
                let off = self.coefficients[joint][k] - self.start_coefficients[joint][k];
                normal.add_gradient((k, joint), &(off * leash));
            }
        }
    }

    fn add_bones(&self, normal: &mut Normal) {
        for &time_s in &self.times_s {
            let Some(basis) = self.grid.basis(time_s) else {
                continue;
            };
            for (bone, &length_m) in self.bones.iter().zip(&self.lengths_m) {
                let (a, b) = bone.ends;
                let apart =
                    self.sum(a, basis.first, &basis.position) - self.sum(b, basis.first, &basis.position);
                let distance_m = apart.norm();
                if distance_m < 1e-6 {
                    continue;
                }
                let along = apart / (distance_m * bone.sd_m);
                let miss = (distance_m - length_m) / bone.sd_m;
                let block = along * along.transpose();
                add_difference(
                    normal,
                    &basis.position,
                    basis.first,
                    a,
                    Some(b),
                    &block,
                    &(along * miss),
                );
            }
        }
    }

    fn add_jerk(&self, normal: &mut Normal) {
        let weights = self.grid.jerk();
        for first in 0..self.grid.count - 3 {
            let middle_s = self.grid.origin_s + (first as f64 + 0.5) * self.grid.step_s;
            let after_s = middle_s - self.delivery.fastest.0;
            for joint in Joint::ALL {
                let base = hangs_on(joint);
                let mut jerk = self.sum(joint, first, &weights);
                if let Some(base) = base {
                    jerk -= self.sum(base, first, &weights);
                }
                let weight = self.grid.step_s / jerk_density(joint, after_s, &self.delivery);
                let block = Matrix3::identity() * weight;
                add_difference(normal, &weights, first, joint, base, &block, &(jerk * weight));
            }
        }
    }

    /// Adds one keypoint's term with its robust weight.
    pub(crate) fn add_keypoint(&self, normal: &mut Normal, joint: Joint, residual: &Residual, weight: f64) {
        let block = residual.slope.transpose() * residual.slope * weight;
        let gradient = residual.slope.transpose() * residual.miss * weight;
        add_difference(
            normal,
            &residual.basis.position,
            residual.basis.first,
            joint,
            None,
            &block,
            &gradient,
        );
    }

    /// The mean lengths of the current estimate, over the delivery.
    pub(crate) fn mean_lengths(&self) -> Vec<f64> {
        self.lengths(|all| all.iter().sum::<f64>() / all.len().max(1) as f64)
    }

    fn median_lengths(&self) -> Vec<f64> {
        self.lengths(|all| {
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or(0.0)
        })
    }

    fn lengths(&self, centre: impl Fn(&mut Vec<f64>) -> f64) -> Vec<f64> {
        let measure = |bone: &Bone| {
            let mut all: Vec<f64> = self
                .times_s
                .iter()
                .filter_map(|t| self.grid.basis(*t))
                .map(|b| {
                    let end = |joint| self.sum(joint, b.first, &b.position);
                    (end(bone.ends.0) - end(bone.ends.1)).norm()
                })
                .collect();
            centre(&mut all)
        };
        self.bones.iter().map(measure).collect()
    }
}

/// Adds a term in `sum_i w_i (x_a,i - x_b,i)`: its 3 x 3 weight and its gradient.
fn add_difference(
    normal: &mut Normal,
    weights: &[f64; 4],
    first: usize,
    a: Joint,
    b: Option<Joint>,
    block: &Matrix3<f64>,
    gradient: &Vector3<f64>,
) {
    for i in 0..4 {
        let here = first + i;
        normal.add_gradient((here, a), &(gradient * weights[i]));
        if let Some(b) = b {
            normal.add_gradient((here, b), &(gradient * -weights[i]));
        }
        for j in 0..4 {
            let there = first + j;
            let part = block * (weights[i] * weights[j]);
            if j <= i {
                normal.add((here, a), (there, a), &part);
                if let Some(b) = b {
                    normal.add((here, b), (there, b), &part);
                }
            }
            if let Some(b) = b {
                normal.add((here, a), (there, b), &-part);
            }
        }
    }
}

/// A start for one coefficient: the start trajectory at the knot, gaps bridged from the nearest known instants.
fn start_at(start: &Trajectory, joint: Joint, grid: &Grid, knot: usize) -> Vector3<f64> {
    let time_s = grid.origin_s + (knot as f64 - 1.0) * grid.step_s;
    let states = &start.joints[joint];
    let after = start.times.partition_point(|t| t.0 < time_s);
    let known = |i: &usize| states[*i].is_some();
    let next = (after..start.times.len()).find(known);
    let previous = (0..after).rev().find(known);
    let at = |i: usize| states[i].map_or_else(Vector3::zeros, |s| s.position_m);
    match (previous, next) {
        (Some(p), Some(n)) => {
            let (tp, tn) = (start.times[p].0, start.times[n].0);
            at(p).lerp(&at(n), (time_s - tp) / (tn - tp))
        }
        (Some(i), None) | (None, Some(i)) => at(i),
        (None, None) => Vector3::zeros(),
    }
}

/// A view's keypoints within `[from_s, to_s]` of its own clock.
fn collect(
    track: &PoseTrack,
    phone: usize,
    view: &View<'_>,
    span_s: (f64, f64),
    into: &mut Vec<Observation>,
) {
    for pose in &track.poses {
        if pose.pts.0 < span_s.0 - ROOM_S || pose.pts.0 > span_s.1 + ROOM_S {
            continue;
        }
        for (joint, seen) in pose.joints.iter() {
            if let Some(seen) = seen.filter(|s| s.sd_px.is_finite() && s.sd_px > 0.0) {
                into.push(Observation {
                    joint,
                    phone,
                    own_time_s: (pose.pts + view.shutter.delay(seen.at)).0,
                    at: seen.at.vector(),
                    sd_px: seen.sd_px,
                });
            }
        }
    }
}
