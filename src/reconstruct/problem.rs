//! Unknowns and residuals of one delivery.

use nalgebra::{Matrix2x3, Vector2, Vector3};

use crate::geometry::{Camera, CameraFromWorld, StereoRig, WorldPoint};
use crate::reconstruct::body::{Bone, bones, hangs_on};
use crate::reconstruct::normal::Normal;
use crate::reconstruct::priors::add_difference;
use crate::reconstruct::spline::{Basis, Grid};
use crate::reconstruct::{Clock, Delivery, PHONES, ReconstructError, Settings, View};
use crate::skeleton::{Joint, PerJoint};
use crate::track::PoseTrack;
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// Fewest frames that make a delivery.
const FEWEST_FRAMES: usize = 20;

/// Knots are never closer than this, seconds: more would only cost time.
const CLOSEST_KNOTS_S: f64 = 1.0 / 250.0;

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
    pub(crate) start_coefficients: PerJoint<Vec<Vector3<f64>>>,
    pub(crate) observations: Vec<Observation>,
    pub(crate) cameras: [(Camera, CameraFromWorld); 2],
    pub(crate) bones: Vec<Bone>,
    pub(crate) lengths_m: Vec<f64>,
    /// Standard deviation of each joint's start at `times_s`, metres: how well both phones saw it.
    pub(crate) seen_well: PerJoint<Vec<Option<f64>>>,
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

    /// From LEFT's eye to a joint, metres in the world.
    pub(crate) fn left_eye_to(&self, basis: &Basis, joint: Joint) -> Vector3<f64> {
        self.sum(joint, basis.first, &basis.position) - self.cameras[0].1.centre().0
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
