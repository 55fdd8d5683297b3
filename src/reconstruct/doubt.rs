//! Doubt: what coloured noise of the keypoints, an unsure clock, an unsure rig and unsure limb lengths do to the estimate.
//!
//! Draws of all four go through the linearised estimate (one more right-hand side each for the factor at hand). The
//! covariance of the filter or of the normal equations is not used: it takes neighbouring frames' errors as independent,
//! and held 47-52 % of the truth where it should have held 90 %.

use faer::Mat;
use nalgebra::{Vector2, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::geometry::Phone;
use crate::reconstruct::normal::Factor;
use crate::reconstruct::problem::Problem;
use crate::reconstruct::{PER_KNOT, PHONES, RigDoubt, Settings};
use crate::skeleton::{JOINT_COUNT, Joint, PerJoint};
use crate::trajectory::{JointState, Trajectory};

/// Error of a keypoint over the network's own doubt, measured on rendered recordings (median 1.3 to 1.5).
const UNDERSTATED: f64 = 1.4;

/// How that error splits into a bias that lasts over the clip, noise that lasts for [`COLOUR_S`], and white noise (shares
/// of the deviation; their squares add to 1). Measured on rendered recordings: autocorrelation .85 / .68 / .41 / .22 at
/// 4 / 17 / 50 / 100 ms, and biases of half the error.
const BIAS: f64 = 0.62;
const COLOURED: f64 = 0.70;
const WHITE: f64 = 0.354;
const COLOUR_S: f64 = 0.05;

/// Standard deviation of an estimated limb length, as a share of it: where a network puts a joint centre within a limb
/// differs between bodies by so much (rendered people).
const LENGTH_SD_SHARE: f64 = 0.03;

/// Seed of the draws: the same recording gives the same doubt.
const SEED: u64 = 20_240;

/// Deviations of the spline coefficients, one column a draw.
pub(crate) struct Deviations {
    coefficients: Mat<f64>,
    /// What each draw added to the clock offset, seconds.
    late_s: Vec<f64>,
}

/// Draws deviations of the solved estimate. `border` couples the clock to the unknowns; `clock_sd_s` is its doubt.
pub(crate) fn draw(
    problem: &Problem,
    factor: &Factor,
    border: &[f64],
    clock_sd_s: f64,
    settings: &Settings,
) -> Deviations {
    let mut right = Mat::<f64>::zeros(border.len(), settings.draws);
    let mut drawn_late_s = Vec::with_capacity(settings.draws);
    let by_rig = rig_borders(problem, settings);
    let turn_sd = settings.rig_doubt.turn_sd_deg.to_radians();
    let rig_sd = [turn_sd, turn_sd, turn_sd].into_iter();
    let rig_sd: Vec<f64> = rig_sd.chain([settings.rig_doubt.shift_sd_m; 3]).collect();
    for column in 0..settings.draws {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        random.set_stream(column as u64);
        let late_s = clock_sd_s * random.sample::<f64, _>(StandardNormal);
        drawn_late_s.push(late_s);
        for (row, coupling) in border.iter().enumerate() {
            right[(row, column)] -= coupling * late_s;
        }
        keypoint_noise(problem, settings, &mut random, &mut |row, push| {
            right[(row, column)] += push
        });
        let lengths: Vec<f64> = problem
            .lengths_m
            .iter()
            .map(|l| l * LENGTH_SD_SHARE * random.sample::<f64, _>(StandardNormal))
            .collect();
        problem.push_lengths(&lengths, &mut |row, push| right[(row, column)] += push);
        for (border, sd) in by_rig.iter().zip(&rig_sd) {
            let off = sd * random.sample::<f64, _>(StandardNormal);
            for (row, coupling) in border.iter().enumerate() {
                right[(row, column)] -= coupling * off;
            }
        }
    }
    Deviations {
        coefficients: factor.solve(&right),
        late_s: drawn_late_s,
    }
}

/// What couples the pose between the phones to the unknowns: three rotations (radians, RIGHT's camera axes) and three
/// shifts (metres) of the world as RIGHT sees it. Empty when the pose is taken as exact.
fn rig_borders(problem: &Problem, settings: &Settings) -> Vec<Vec<f64>> {
    if settings.rig_doubt == RigDoubt::default() {
        return Vec::new();
    }
    let right = PHONES.iter().position(|phone| *phone == Phone::Right);
    let mut borders = vec![vec![0.0; problem.grid.count * PER_KNOT]; 6];
    let seen_by_right = problem
        .observations
        .iter()
        .filter(|seen| Some(seen.phone) == right);
    for seen in seen_by_right {
        let Some(residual) = problem.residual(seen) else {
            continue;
        };
        let weight = settings.weight(residual.miss.norm());
        let (_, pose) = &problem.cameras[seen.phone];
        let turned = pose.0.rotation.matrix().transpose();
        let from_left = problem.left_eye_to(&residual.basis, seen.joint);
        let back = residual.slope.transpose() * residual.slope * weight;
        for axis in 0..3 {
            let unit = turned * Vector3::ith(axis, 1.0);
            // RIGHT's own rotation about LEFT's eye, and its shift, as motions of the point in the world.
            for (border, motion) in [(axis, unit.cross(&from_left)), (3 + axis, unit)] {
                let pull = back * motion;
                for (i, share) in residual.basis.position.iter().enumerate() {
                    let at = (residual.basis.first + i) * PER_KNOT + 3 * seen.joint.index();
                    (0..3).for_each(|k| borders[border][at + k] += pull[k] * share);
                }
            }
        }
    }
    borders
}

/// Noise of one joint in one phone's pictures so far.
#[derive(Clone, Copy)]
struct Colour {
    bias: Vector2<f64>,
    state: Vector2<f64>,
    time_s: f64,
}

/// Adds one draw of the keypoints' noise, as pushes on the unknowns.
fn keypoint_noise(
    problem: &Problem,
    settings: &Settings,
    random: &mut ChaCha8Rng,
    push: &mut impl FnMut(usize, f64),
) {
    let mut colours: Vec<Option<Colour>> = vec![None; 2 * JOINT_COUNT];
    for seen in &problem.observations {
        let mut two = || Vector2::from_fn(|_, _| random.sample::<f64, _>(StandardNormal));
        let slot = &mut colours[seen.phone * JOINT_COUNT + seen.joint.index()];
        let colour = match slot {
            Some(before) => {
                let keep = (-(seen.own_time_s - before.time_s).abs() / COLOUR_S).exp();
                before.state = before.state * keep + two() * (1.0 - keep * keep).sqrt();
                before.time_s = seen.own_time_s;
                *before
            }
            None => *slot.insert(Colour {
                bias: two(),
                state: two(),
                time_s: seen.own_time_s,
            }),
        };
        let noise = (colour.bias * BIAS + colour.state * COLOURED + two() * WHITE) * UNDERSTATED;
        let Some(residual) = problem.residual(seen) else {
            continue;
        };
        let weight = settings.weight(residual.miss.norm());
        let pull = residual.slope.transpose() * noise * weight;
        for (i, share) in residual.basis.position.iter().enumerate() {
            let at = (residual.basis.first + i) * PER_KNOT + 3 * seen.joint.index();
            (0..3).for_each(|axis| push(at + axis, pull[axis] * share));
        }
    }
}

impl Deviations {
    /// What each draw added to the clock offset, seconds.
    pub(crate) fn late_s(&self) -> Vec<f64> {
        self.late_s.clone()
    }

    /// The estimate's versions: what it could have been, as trajectories.
    pub(crate) fn versions(&self, problem: &Problem, estimate: &Trajectory) -> Vec<Trajectory> {
        (0..self.coefficients.ncols())
            .map(|column| self.version(problem, estimate, column))
            .collect()
    }

    fn version(&self, problem: &Problem, estimate: &Trajectory, column: usize) -> Trajectory {
        let mut version = estimate.clone();
        for (i, time) in estimate.times.iter().enumerate() {
            let Some(basis) = problem.grid.basis(time.0) else {
                continue;
            };
            for joint in Joint::ALL {
                let Some(state) = version.joints[joint][i].as_mut() else {
                    continue;
                };
                for k in 0..4 {
                    let at = (basis.first + k) * PER_KNOT + 3 * joint.index();
                    for axis in 0..3 {
                        let off = self.coefficients[(at + axis, column)];
                        state.position_m[axis] += basis.position[k] * off;
                        state.velocity_m_s[axis] += basis.velocity[k] * off;
                        state.acceleration_m_s2[axis] += basis.acceleration[k] * off;
                    }
                }
            }
        }
        version
    }
}

/// Fills in each state's standard deviation from the versions.
pub(crate) fn fill_in_doubt(estimate: &mut Trajectory, versions: &[Trajectory]) {
    for joint in Joint::ALL {
        for (i, state) in estimate.joints[joint].iter_mut().enumerate() {
            if let Some(state) = state {
                state.sd_m = rms(versions, joint, i, |v| v.position_m - state.position_m);
            }
        }
    }
}

/// How quickly each joint's error changes: deviation of the velocity over that of the position, 1/s.
pub(crate) fn error_rates_per_s(estimate: &Trajectory, versions: &[Trajectory]) -> PerJoint<Option<f64>> {
    PerJoint::from_fn(|joint| {
        let (mut speeds, mut places) = (0.0, 0.0);
        for (i, state) in estimate.joints[joint].iter().enumerate() {
            let Some(state) = state else { continue };
            speeds += rms(versions, joint, i, |v| v.velocity_m_s - state.velocity_m_s)?.powi(2);
            places += rms(versions, joint, i, |v| v.position_m - state.position_m)?.powi(2);
        }
        (places > 0.0).then(|| (speeds / places).sqrt())
    })
}

/// Root mean square, over versions and axes, of a difference.
fn rms(
    versions: &[Trajectory],
    joint: Joint,
    i: usize,
    difference: impl Fn(&JointState) -> nalgebra::Vector3<f64>,
) -> Option<f64> {
    let squares: Vec<f64> = versions
        .iter()
        .filter_map(|v| {
            v.joints[joint]
                .get(i)?
                .as_ref()
                .map(|s| difference(s).norm_squared())
        })
        .collect();
    (!squares.is_empty()).then(|| (squares.iter().sum::<f64>() / (3.0 * squares.len() as f64)).sqrt())
}
