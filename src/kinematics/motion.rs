//! The motion read at any instant: positions with velocities, as a right-hander's, and what is missing said by name.

use nalgebra::Vector3;

use crate::skeleton::{Handedness, Joint, PerJoint};
use crate::trajectory::{JointState, Trajectory};
use crate::units::Seconds;

use super::moving::MovingVector;
use super::reason::Missing;

/// A delivery's trajectory, already mirrored to a right-hander.
pub(super) struct Motion<'a> {
    /// The trajectory, as a right-hander's.
    pub(super) trajectory: &'a Trajectory,
    /// The athlete's own hand: names in messages are the athlete's own sides.
    pub(super) throws: Handedness,
    /// Standard deviation of a joint's speed per axis over that of its position, 1/s.
    pub(super) speed_noise_per_s: &'a PerJoint<f64>,
}

impl Motion<'_> {
    /// Full state of a joint.
    ///
    /// # Errors
    /// The joint is unknown then, or the recording does not reach there.
    pub(super) fn state(&self, joint: Joint, time_s: f64) -> Result<JointState, Missing> {
        self.trajectory.at(joint, Seconds(time_s)).ok_or_else(|| {
            let reached = self
                .trajectory
                .span()
                .is_some_and(|(first, last)| (first.0..=last.0).contains(&time_s));
            if reached {
                Missing::Joint {
                    joint: self.throws.joint_as_right_hander(joint),
                    time_s,
                }
            } else {
                Missing::OutsideRecording { time_s }
            }
        })
    }

    /// Position and velocity of a joint.
    pub(super) fn joint(&self, joint: Joint, time_s: f64) -> Result<MovingVector, Missing> {
        self.state(joint, time_s).map(|state| MovingVector {
            value: state.position_m,
            rate: state.velocity_m_s,
        })
    }

    /// Position of a joint, metres.
    pub(super) fn position_m(&self, joint: Joint, time_s: f64) -> Result<Vector3<f64>, Missing> {
        Ok(self.state(joint, time_s)?.position_m)
    }

    /// Height of a joint above the ground, metres.
    pub(super) fn height_m(&self, joint: Joint, time_s: f64) -> Result<f64, Missing> {
        Ok(self.position_m(joint, time_s)?.y)
    }

    /// Speed of a joint, metres per second.
    pub(super) fn speed_m_s(&self, joint: Joint, time_s: f64) -> Result<f64, Missing> {
        Ok(self.state(joint, time_s)?.velocity_m_s.norm())
    }

    /// The vector from one joint to another.
    pub(super) fn between(&self, from: Joint, to: Joint, time_s: f64) -> Result<MovingVector, Missing> {
        Ok(self.joint(to, time_s)? - self.joint(from, time_s)?)
    }

    /// The middle between two joints.
    pub(super) fn middle(&self, a: Joint, b: Joint, time_s: f64) -> Result<MovingVector, Missing> {
        Ok((self.joint(a, time_s)? + self.joint(b, time_s)?) * 0.5)
    }

    /// First and last instant, seconds.
    pub(super) fn span_s(&self) -> Result<(f64, f64), Missing> {
        self.trajectory
            .span()
            .map(|(first, last)| (first.0, last.0))
            .ok_or(Missing::EmptyWindow {
                from_s: 0.0,
                to_s: 0.0,
            })
    }
}
