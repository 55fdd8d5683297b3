//! Trajectories: every joint's path through space, the meeting point of reconstruction, imports, film studio and kinematics.

use nalgebra::Vector3;

use crate::skeleton::{Joint, PerJoint};
use crate::units::Seconds;

/// State of one joint at one instant, in the world frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointState {
    /// Position, metres.
    pub position_m: Vector3<f64>,
    /// Velocity, metres per second.
    pub velocity_m_s: Vector3<f64>,
    /// Acceleration, metres per second squared.
    pub acceleration_m_s2: Vector3<f64>,
    /// Root mean square of the position's standard deviations along the three axes, metres; `None` when not known.
    pub sd_m: Option<f64>,
}

/// All joints over time.
///
/// `times` are strictly increasing, on LEFT's PTS clock counted from its first frame; each joint has one entry per
/// time, `None` where it is unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct Trajectory {
    /// Instants, one per LEFT frame at its middle instant.
    pub times: Vec<Seconds>,
    /// States, `joints[j][i]` at `times[i]`.
    pub joints: PerJoint<Vec<Option<JointState>>>,
    /// False when no world frame was measured: then tilts and directions mean nothing.
    pub world_known: bool,
}

impl Trajectory {
    /// State between samples: the quintic through position, velocity and acceleration of the two neighbours, so that
    /// position, velocity and acceleration are continuous. `None` outside the times, or where a neighbour is unknown.
    #[must_use]
    pub fn at(&self, joint: Joint, time: Seconds) -> Option<JointState> {
        let states = &self.joints[joint];
        let after = self.times.partition_point(|t| t.0 < time.0);
        if after < self.times.len() && self.times[after].0 == time.0 {
            return states[after];
        }
        if after == 0 || after == self.times.len() {
            return None;
        }
        let (a, b) = (states[after - 1]?, states[after]?);
        let step_s = self.times[after].0 - self.times[after - 1].0;
        Some(quintic(&a, &b, step_s, time.0 - self.times[after - 1].0))
    }

    /// First and last instant; `None` when empty.
    #[must_use]
    pub fn span(&self) -> Option<(Seconds, Seconds)> {
        Some((*self.times.first()?, *self.times.last()?))
    }
}

/// The quintic Hermite polynomial over `[0, step_s]` at `t_s`, with its derivatives.
fn quintic(a: &JointState, b: &JointState, step_s: f64, t_s: f64) -> JointState {
    let h = step_s;
    let (p0, v0, a0) = (a.position_m, a.velocity_m_s, a.acceleration_m_s2);
    // What a parabola from the left end misses at the right end.
    let dp = b.position_m - p0 - v0 * h - a0 * (h * h / 2.0);
    let dv = b.velocity_m_s - v0 - a0 * h;
    let da = b.acceleration_m_s2 - a0;
    let c3 = (dp * 10.0 - dv * (4.0 * h) + da * (h * h / 2.0)) / h.powi(3);
    let c4 = (dp * -15.0 + dv * (7.0 * h) - da * (h * h)) / h.powi(4);
    let c5 = (dp * 6.0 - dv * (3.0 * h) + da * (h * h / 2.0)) / h.powi(5);
    let t = t_s;
    let share = t / h;
    JointState {
        position_m: p0 + v0 * t + a0 * (t * t / 2.0) + c3 * t.powi(3) + c4 * t.powi(4) + c5 * t.powi(5),
        velocity_m_s: v0 + a0 * t + c3 * (3.0 * t * t) + c4 * (4.0 * t.powi(3)) + c5 * (5.0 * t.powi(4)),
        acceleration_m_s2: a0 + c3 * (6.0 * t) + c4 * (12.0 * t * t) + c5 * (20.0 * t.powi(3)),
        sd_m: a.sd_m.zip(b.sd_m).map(|(x, y)| x * (1.0 - share) + y * share),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quintic_motion_is_reproduced_between_samples() {
        let f = |t: f64| {
            let p = 1.0 + 2.0 * t - 3.0 * t.powi(2) + 0.5 * t.powi(3) - 1.5 * t.powi(4) + 2.5 * t.powi(5);
            let v = 2.0 - 6.0 * t + 1.5 * t.powi(2) - 6.0 * t.powi(3) + 12.5 * t.powi(4);
            let a = -6.0 + 3.0 * t - 18.0 * t.powi(2) + 50.0 * t.powi(3);
            JointState {
                position_m: Vector3::new(p, 2.0 * p, 0.0),
                velocity_m_s: Vector3::new(v, 2.0 * v, 0.0),
                acceleration_m_s2: Vector3::new(a, 2.0 * a, 0.0),
                sd_m: None,
            }
        };
        let times = vec![Seconds(0.1), Seconds(0.5)];
        let trajectory = Trajectory {
            joints: PerJoint::from_fn(|_| times.iter().map(|t| Some(f(t.0))).collect()),
            times,
            world_known: true,
        };
        let got = trajectory.at(Joint::Nose, Seconds(0.3)).unwrap();
        let want = f(0.3);
        assert!((got.position_m - want.position_m).norm() < 1e-12);
        assert!((got.velocity_m_s - want.velocity_m_s).norm() < 1e-11);
        assert!((got.acceleration_m_s2 - want.acceleration_m_s2).norm() < 1e-10);
        assert!(trajectory.at(Joint::Nose, Seconds(0.6)).is_none());
    }
}
