//! Unknowns and residuals of one delivery.

use nalgebra::{Matrix2x3, Matrix3, Vector2, Vector3};

use crate::geometry::{Camera, CameraFromWorld, StereoRig, WorldPoint};
use crate::reconstruct::body::{Bone, bones, hangs_on, jerk_density};
use crate::reconstruct::normal::Normal;
use crate::reconstruct::spline::{Basis, Grid};
use crate::reconstruct::{Clock, Delivery, PER_KNOT, PHONES, ReconstructError, Settings, View};
use crate::skeleton::{Joint, PerJoint};
use crate::track::PoseTrack;
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// Fewest frames that make a delivery.
const FEWEST_FRAMES: usize = 20;

/// Knots are never closer than this, seconds: more would only cost time.
const CLOSEST_KNOTS_S: f64 = 1.0 / 250.0;

/// Every joint is held to its start this loosely, metres: it only keeps unseen joints from floating away.
const LEASH_M: f64 = 1.0;

/// From this standard deviation on, as a share of the picture's height, a keypoint is a guess from the rest of the body
/// (a limb behind the trunk): it errs alike for as long as the limb stays hidden, so that many frames say no more than
/// one, and its doubt is widened with the square.
const GUESSED_SHARE: f64 = 1.0 / 144.0;

/// No start is taken as better than this, metres.
const LEAST_SD_M: f64 = 0.005;

/// Room before and after the delivery that is estimated along, seconds, so that its ends are not loose.
const ROOM_S: f64 = 0.05;

/// One keypoint.
#[derive(Clone)]
pub(crate) struct Observation {
    pub(crate) joint: Joint,
    /// Index into [`PHONES`].
    pub(crate) phone: usize,
    /// Its own row's instant on its own phone's clock, seconds.
    pub(crate) own_time_s: f64,
    pub(crate) at: Vector2<f64>,
    pub(crate) sd_px: f64,
    /// Whether it is but a guess from the rest of the body.
    pub(crate) guessed: bool,
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
#[derive(Clone)]
pub(crate) struct Problem {
    pub(crate) grid: Grid,
    /// Spline coefficients, `coefficients[joint][knot]`, metres.
    pub(crate) coefficients: PerJoint<Vec<Vector3<f64>>>,
    start_coefficients: PerJoint<Vec<Vector3<f64>>>,
    pub(crate) observations: Vec<Observation>,
    pub(crate) cameras: [(Camera, CameraFromWorld); 2],
    pub(crate) bones: Vec<Bone>,
    pub(crate) lengths_m: Vec<f64>,
    /// Standard deviation of each joint's start at `times_s`, metres: how well both phones saw it.
    seen_well: PerJoint<Vec<Option<f64>>>,
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
            seen_well: seen_well(start, &times_s),
            times_s,
            clock_prior: clock,
            offset_s: clock.offset_s,
            delivery: *delivery,
        };
        problem.lengths_m = problem.measure_lengths();
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

    /// Half the sum of squares of the terms that hold without any picture.
    pub(crate) fn prior_cost(&self) -> f64 {
        let mut cost = 0.0;
        for basis in self.times_s.iter().filter_map(|t| self.grid.basis(*t)) {
            for (bone, length_m) in self.bones.iter().zip(&self.lengths_m) {
                let end = |joint| self.sum(joint, basis.first, &basis.position);
                let distance_m = (end(bone.ends.0) - end(bone.ends.1)).norm();
                cost += 0.5 * ((distance_m - length_m) / bone.sd_m).powi(2);
            }
        }
        let weights = self.grid.jerk();
        for first in 0..self.grid.count - 3 {
            let middle_s = self.grid.origin_s + (first as f64 + 0.5) * self.grid.step_s;
            for joint in Joint::ALL {
                let base = hangs_on(joint).map_or_else(Vector3::zeros, |b| self.sum(b, first, &weights));
                let jerk = self.sum(joint, first, &weights) - base;
                let density = jerk_density(joint, middle_s - self.delivery.fastest.0, &self.delivery);
                cost += 0.5 * self.grid.step_s / density * jerk.norm_squared();
            }
        }
        cost
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
                if distance_m < 1e-6 || length_m <= 0.0 {
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

    /// What a change of the lengths (metres, one a bone) would do, as pushes on the unknowns.
    pub(crate) fn push_lengths(&self, changes_m: &[f64], push: &mut impl FnMut(usize, f64)) {
        for &time_s in &self.times_s {
            let Some(basis) = self.grid.basis(time_s) else {
                continue;
            };
            for (bone, change_m) in self.bones.iter().zip(changes_m) {
                let (a, b) = bone.ends;
                let apart =
                    self.sum(a, basis.first, &basis.position) - self.sum(b, basis.first, &basis.position);
                let distance_m = apart.norm();
                if distance_m < 1e-6 {
                    continue;
                }
                let pull = apart * (change_m / (distance_m * bone.sd_m * bone.sd_m));
                for (i, share) in basis.position.iter().enumerate() {
                    let knot = (basis.first + i) * PER_KNOT;
                    for axis in 0..3 {
                        push(knot + 3 * a.index() + axis, pull[axis] * share);
                        push(knot + 3 * b.index() + axis, -pull[axis] * share);
                    }
                }
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

    /// The lengths of the current estimate: each bone's mean over the delivery, instants weighted by how well both ends
    /// are seen, and left and right limbs taken as alike.
    pub(crate) fn measure_lengths(&self) -> Vec<f64> {
        let sums: Vec<(f64, f64)> = self.bones.iter().map(|bone| self.weighted_length(bone)).collect();
        let alike = |bone: &Bone| {
            let twin = (bone.ends.0.mirrored(), bone.ends.1.mirrored());
            self.bones.iter().position(|b| b.ends == twin)
        };
        self.bones
            .iter()
            .zip(&sums)
            .map(|(bone, own)| {
                let twin = alike(bone).map_or((0.0, 0.0), |i| sums[i]);
                let weight = own.1 + twin.1;
                if weight > 0.0 {
                    (own.0 + twin.0) / weight
                } else {
                    0.0
                }
            })
            .collect()
    }

    /// Sum of weighted lengths of one bone, and of the weights.
    fn weighted_length(&self, bone: &Bone) -> (f64, f64) {
        let mut sum = (0.0, 0.0);
        for (i, time_s) in self.times_s.iter().enumerate() {
            let (Some(basis), Some(a), Some(b)) = (
                self.grid.basis(*time_s),
                self.seen_well[bone.ends.0][i],
                self.seen_well[bone.ends.1][i],
            ) else {
                continue;
            };
            let end = |joint| self.sum(joint, basis.first, &basis.position);
            let weight = (a * a + b * b).recip();
            sum.0 += weight * (end(bone.ends.0) - end(bone.ends.1)).norm();
            sum.1 += weight;
        }
        sum
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

/// Standard deviations of the start, metres; a start without doubt counts as good.
fn seen_well(start: &Trajectory, times_s: &[f64]) -> PerJoint<Vec<Option<f64>>> {
    PerJoint::from_fn(|joint| {
        times_s
            .iter()
            .map(|t| {
                Some(
                    start
                        .at(joint, Seconds(*t))?
                        .sd_m
                        .unwrap_or(LEAST_SD_M)
                        .max(LEAST_SD_M),
                )
            })
            .collect()
    })
}

/// A start for one coefficient: the start trajectory at the knot, gaps bridged from the nearest known instants; a joint
/// that is known nowhere starts where the one it hangs on is.
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
        (None, None) => hangs_on(joint).map_or_else(Vector3::zeros, |base| start_at(start, base, grid, knot)),
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
    let guessed_px = GUESSED_SHARE * f64::from(view.shutter.height_px);
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
                    guessed: seen.sd_px > guessed_px,
                    sd_px: seen.sd_px * (1.0 + (seen.sd_px / guessed_px).powi(2)),
                });
            }
        }
    }
}
