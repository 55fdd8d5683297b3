//! Noisy versions of a trajectory, to see how a figure spreads.
//!
//! Noise of a smoothed path is coloured: neighbouring samples err alike. Each joint and axis gets a Gaussian process
//! with the Matern-5/2 covariance, run as the exact solution of its stochastic differential equation (Hartikainen J,
//! Sarkka S. IEEE MLSP 2010): it is twice differentiable, so position, velocity and acceleration get noise that agrees.
//! Its rate is chosen so that the area under its autocorrelation equals that of an exponential with the stated time
//! constant `T`: `lambda = 8 / (3 T)`. Errors all joints share (vertical, target line, clock) are drawn once a version.

use nalgebra::{Matrix3, Rotation3, Vector3};
use rand::Rng;
use rand_distr::StandardNormal;

use crate::skeleton::{Joint, PerJoint};
use crate::trajectory::{JointState, Trajectory};

/// What an error of the clock offset does to triangulated joints: the right phone sees them earlier or later.
///
/// The point stays on the left phone's line of sight and moves along it until the right phone's line passes; across
/// both lines it moves by half.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockDoubt {
    /// Standard deviation of the clock offset, seconds.
    pub sd_s: f64,
    /// The left phone's direction of view in the world.
    pub left_view: Vector3<f64>,
    /// The right phone's direction of view in the world.
    pub right_view: Vector3<f64>,
}

impl ClockDoubt {
    /// Displacement per second of offset error, as a linear map of a joint's velocity; zero for parallel views.
    fn displacement(&self) -> Matrix3<f64> {
        let across = self.left_view.cross(&self.right_view);
        let square = across.norm_squared();
        if square < 1e-12 {
            return Matrix3::zeros();
        }
        // Along the left view: s with (s left - v) parallel to right, seen across both.
        let along = self.left_view * self.right_view.cross(&across).transpose() / square;
        along + across * across.transpose() * (0.5 / square)
    }
}

/// Noise quicker than this is not told from white, seconds.
const LEAST_TIME_CONSTANT_S: f64 = 1e-3;

/// Rate of the Matern process for an exponential time constant, 1/s.
fn matern_rate_per_s(time_constant_s: f64) -> f64 {
    8.0 / (3.0 * time_constant_s.max(LEAST_TIME_CONSTANT_S))
}

/// Standard deviation of the noise's velocity over that of its position, 1/s.
pub(super) fn speed_noise_per_s(time_constant_s: f64) -> f64 {
    matern_rate_per_s(time_constant_s) / 3.0_f64.sqrt()
}

/// One step of the process in units of its own rate: transition, and the factor of the noise added.
#[derive(Clone, Copy)]
struct Step {
    transition: Matrix3<f64>,
    noise: Matrix3<f64>,
}

/// Stationary covariance of (value, velocity, acceleration) for unit rate and variance.
fn stationary() -> Matrix3<f64> {
    let third = 1.0 / 3.0;
    Matrix3::new(1.0, 0.0, -third, 0.0, third, 0.0, -third, 0.0, 1.0)
}

impl Step {
    /// Over `step` = rate x time.
    fn new(step: f64) -> Self {
        // exp(F s) with F's one eigenvalue -1: F + I is nilpotent.
        let nilpotent = Matrix3::new(1.0, 1.0, 0.0, 0.0, 1.0, 1.0, -1.0, -3.0, -2.0);
        let transition =
            (Matrix3::identity() + nilpotent * step + nilpotent * nilpotent * (0.5 * step * step))
                * (-step).exp();
        let noise = root(&(stationary() - transition * stationary() * transition.transpose()));
        Self { transition, noise }
    }
}

/// Lower triangular root of a covariance; directions without variance (by rounding, below it) count as zero.
fn root(covariance: &Matrix3<f64>) -> Matrix3<f64> {
    let mut l = Matrix3::zeros();
    for i in 0..3 {
        for j in 0..=i {
            let rest: f64 = covariance[(i, j)] - (0..j).map(|k| l[(i, k)] * l[(j, k)]).sum::<f64>();
            l[(i, j)] = if i == j {
                rest.max(0.0).sqrt()
            } else if l[(j, j)] > 0.0 {
                rest / l[(j, j)]
            } else {
                0.0
            };
        }
    }
    l
}

/// Draws noisy versions of one trajectory.
pub(super) struct Perturber<'a> {
    original: &'a Trajectory,
    time_constant_s: &'a PerJoint<f64>,
    /// Steps between samples for each distinct time constant.
    steps: Vec<(f64, Vec<Step>)>,
    tilt_sd_rad: f64,
    yaw_sd_rad: f64,
    clock: Option<ClockDoubt>,
}

impl<'a> Perturber<'a> {
    /// Prepares the steps; `tilt_sd_deg` is about each of the two horizontal axes.
    pub(super) fn new(
        original: &'a Trajectory,
        time_constant_s: &'a PerJoint<f64>,
        tilt_sd_deg: f64,
        yaw_sd_deg: f64,
        clock: Option<ClockDoubt>,
    ) -> Self {
        let mut steps: Vec<(f64, Vec<Step>)> = Vec::new();
        for (_, &constant) in time_constant_s.iter() {
            if steps.iter().all(|s| s.0 != constant) {
                let rate = matern_rate_per_s(constant);
                let each = original
                    .times
                    .windows(2)
                    .map(|w| Step::new(rate * (w[1].0 - w[0].0)));
                steps.push((constant, each.collect()));
            }
        }
        Self {
            original,
            time_constant_s,
            steps,
            tilt_sd_rad: tilt_sd_deg.to_radians(),
            yaw_sd_rad: yaw_sd_deg.to_radians(),
            clock,
        }
    }

    /// One noisy version, and the turn of the world in it.
    pub(super) fn draw(&self, rng: &mut impl Rng) -> (Trajectory, Rotation3<f64>) {
        let turn = self.turn(rng);
        let shift = self
            .clock
            .map(|clock| clock.displacement() * (clock.sd_s * rng.sample::<f64, _>(StandardNormal)));
        let mut drawn = self.original.clone();
        for joint in Joint::ALL {
            if let Some(shift) = shift {
                shift_by_clock(&mut drawn.joints[joint], self.original, &shift);
            }
            self.add_noise(joint, &mut drawn.joints[joint], rng);
        }
        turn_all(&mut drawn, &turn);
        (drawn, turn)
    }

    /// A version that is noisy already, with the doubt of vertical and target line added, and that turn.
    pub(super) fn turned(&self, version: &Trajectory, rng: &mut impl Rng) -> (Trajectory, Rotation3<f64>) {
        let turn = self.turn(rng);
        let mut drawn = version.clone();
        turn_all(&mut drawn, &turn);
        (drawn, turn)
    }

    fn turn(&self, rng: &mut impl Rng) -> Rotation3<f64> {
        let mut normal = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
        Rotation3::from_scaled_axis(Vector3::new(
            normal(self.tilt_sd_rad),
            normal(self.yaw_sd_rad),
            normal(self.tilt_sd_rad),
        ))
    }

    fn add_noise(&self, joint: Joint, states: &mut [Option<JointState>], rng: &mut impl Rng) {
        let sds: Vec<f64> = states
            .iter()
            .map(|s| s.and_then(|s| s.sd_m).unwrap_or(0.0))
            .collect();
        if sds.iter().all(|&sd| sd == 0.0) {
            return;
        }
        let constant = self.time_constant_s[joint];
        let rate = matern_rate_per_s(constant);
        let Some((_, steps)) = self.steps.iter().find(|s| s.0 == constant) else {
            return;
        };
        let times = &self.original.times;
        let start = root(&stationary());
        for axis in 0..3 {
            let mut three = || Vector3::from_fn(|_, _| rng.sample::<f64, _>(StandardNormal));
            let mut noise = start * three();
            for (i, state) in states.iter_mut().enumerate() {
                if i > 0 {
                    noise = steps[i - 1].transition * noise + steps[i - 1].noise * three();
                }
                let Some(state) = state else { continue };
                // The doubt itself changes along the path: the product's derivative.
                let (before, after) = (i.saturating_sub(1), (i + 1).min(sds.len() - 1));
                let span_s = times[after].0 - times[before].0;
                let sd_rate = if span_s > 0.0 {
                    (sds[after] - sds[before]) / span_s
                } else {
                    0.0
                };
                let (u, du, ddu) = (noise.x, rate * noise.y, rate * rate * noise.z);
                state.position_m[axis] += sds[i] * u;
                state.velocity_m_s[axis] += sds[i] * du + sd_rate * u;
                state.acceleration_m_s2[axis] += sds[i] * ddu + 2.0 * sd_rate * du;
            }
        }
    }
}

fn turn_all(trajectory: &mut Trajectory, turn: &Rotation3<f64>) {
    for state in trajectory.joints.0.iter_mut().flatten().flatten() {
        state.position_m = turn * state.position_m;
        state.velocity_m_s = turn * state.velocity_m_s;
        state.acceleration_m_s2 = turn * state.acceleration_m_s2;
    }
}

/// Moves a joint as an error of the clock offset would: the displacement follows its velocity.
fn shift_by_clock(states: &mut [Option<JointState>], original: &Trajectory, shift: &Matrix3<f64>) {
    let before: Vec<Option<JointState>> = states.to_vec();
    for (i, state) in states.iter_mut().enumerate() {
        let Some(state) = state else { continue };
        let (a, b) = (i.saturating_sub(1), (i + 1).min(before.len() - 1));
        let span_s = original.times[b].0 - original.times[a].0;
        let jerk = match (before[a], before[b]) {
            (Some(from), Some(to)) if span_s > 0.0 => {
                (to.acceleration_m_s2 - from.acceleration_m_s2) / span_s
            }
            _ => Vector3::zeros(),
        };
        state.position_m += shift * state.velocity_m_s;
        state.velocity_m_s += shift * state.acceleration_m_s2;
        state.acceleration_m_s2 += shift * jerk;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Seconds;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    fn resting(count: usize, step_s: f64, sd_m: f64) -> Trajectory {
        let state = JointState {
            position_m: Vector3::zeros(),
            velocity_m_s: Vector3::zeros(),
            acceleration_m_s2: Vector3::zeros(),
            sd_m: Some(sd_m),
        };
        Trajectory {
            times: (0..count).map(|i| Seconds(step_s * i as f64)).collect(),
            joints: PerJoint::from_fn(|_| vec![Some(state); count]),
            world_known: true,
        }
    }

    #[test]
    fn noise_has_the_stated_spread_colour_and_agreeing_derivatives() {
        let (step_s, sd_m) = (1.0 / 240.0, 0.01);
        let trajectory = resting(2000, step_s, sd_m);
        let constants = PerJoint::from_fn(|_| 0.05);
        let perturber = Perturber::new(&trajectory, &constants, 0.0, 0.0, None);
        let (drawn, _) = perturber.draw(&mut ChaCha8Rng::seed_from_u64(1));
        let (mut p2, mut v2, mut count, mut off2) = (0.0, 0.0, 0.0, 0.0);
        let mut lagged = vec![0.0; 80];
        for (_, states) in drawn.joints.iter() {
            let states: Vec<JointState> = states.iter().map(|s| s.unwrap()).collect();
            for (i, s) in states.iter().enumerate().take(states.len() - 80).skip(1) {
                p2 += s.position_m.norm_squared() / 3.0;
                v2 += s.velocity_m_s.norm_squared() / 3.0;
                count += 1.0;
                for (lag, sum) in lagged.iter_mut().enumerate() {
                    *sum += s.position_m.dot(&states[i + lag].position_m) / 3.0;
                }
                let slope = (states[i + 1].position_m - states[i - 1].position_m) / (2.0 * step_s);
                off2 += (slope - s.velocity_m_s).norm_squared() / 3.0;
            }
        }
        assert!(
            ((p2 / count).sqrt() / sd_m - 1.0).abs() < 0.03,
            "{}",
            (p2 / count).sqrt()
        );
        let speed_sd = speed_noise_per_s(0.05) * sd_m;
        assert!(((v2 / count).sqrt() / speed_sd - 1.0).abs() < 0.03);
        // The Matern-5/2 correlation (Rasmussen & Williams 2006, eq. 4.17), whose area is 8 / (3 rate) = 0.05 s.
        for (lag, sum) in lagged.iter().enumerate().step_by(4) {
            let x = matern_rate_per_s(0.05) * step_s * lag as f64;
            let expected = (1.0 + x + x * x / 3.0) * (-x).exp();
            assert!(
                (sum / lagged[0] - expected).abs() < 0.05,
                "lag {lag}: {}",
                sum / lagged[0]
            );
        }
        // Differences over two frames follow the velocity; unrelated noise would be off by 1.4 of its spread.
        assert!(
            (off2 / count).sqrt() < 0.1 * speed_sd,
            "{}",
            (off2 / count).sqrt() / speed_sd
        );
    }

    #[test]
    fn a_clock_error_keeps_the_left_sight_and_moves_the_right() {
        let clock = ClockDoubt {
            sd_s: 0.001,
            left_view: Vector3::new(0.3, -0.1, -1.0),
            right_view: Vector3::new(-0.9, -0.1, -0.4),
        };
        let velocity = Vector3::new(20.0, 3.0, -7.0);
        let moved = clock.displacement() * velocity;
        let across = clock.left_view.cross(&clock.right_view).normalize();
        let in_plane = |v: Vector3<f64>| v - across * v.dot(&across);
        assert!(in_plane(moved).cross(&clock.left_view).norm() < 1e-9);
        assert!(in_plane(moved - velocity).cross(&clock.right_view).norm() < 1e-9);
        assert!((moved.dot(&across) - 0.5 * velocity.dot(&across)).abs() < 1e-9);
    }

    #[test]
    fn a_tilt_turns_everything_together() {
        let mut trajectory = resting(3, 0.01, 0.0);
        for state in trajectory.joints[Joint::Nose].iter_mut().flatten() {
            state.position_m = Vector3::new(1.0, 2.0, 3.0);
        }
        let constants = PerJoint::from_fn(|_| 0.05);
        let perturber = Perturber::new(&trajectory, &constants, 2.0, 2.0, None);
        let (drawn, _) = perturber.draw(&mut ChaCha8Rng::seed_from_u64(4));
        let moved = drawn.joints[Joint::Nose][1].unwrap().position_m;
        assert!((moved.norm() - 14.0_f64.sqrt()).abs() < 1e-12);
        assert!((moved - Vector3::new(1.0, 2.0, 3.0)).norm() > 1e-3);
    }
}
