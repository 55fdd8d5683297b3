//! Process noise: how much each joint's acceleration wanders.

use crate::skeleton::{Joint, PerJoint, Side};

/// Jerk density of every joint, m2/s5.
///
/// One value for all joints fails: a throwing hand wants a thousand times the hips'. The values were found on simulated
/// deliveries; common practice, no source.
#[derive(Clone, Debug, PartialEq)]
pub struct JerkDensity(pub PerJoint<f64>);

impl JerkDensity {
    /// For a thrower of known or unknown hand; unknown gives both arms the throwing arm's freedom.
    #[must_use]
    pub fn for_thrower(throwing: Option<Side>) -> Self {
        Self(PerJoint::from_fn(|joint| {
            let glove_arm = throwing.is_some_and(|side| joint.name().starts_with(side.other().name()));
            let throwing_arm = |high: f64, low: f64| if glove_arm { low } else { high };
            match joint {
                Joint::LeftHip | Joint::RightHip => 3e4,
                Joint::Nose
                | Joint::HeadTop
                | Joint::LeftEye
                | Joint::RightEye
                | Joint::LeftEar
                | Joint::RightEar => 3e4,
                Joint::Neck => 5e4,
                Joint::LeftShoulder | Joint::RightShoulder => 1e5,
                Joint::LeftElbow | Joint::RightElbow => throwing_arm(1e6, 5e5),
                Joint::LeftWrist | Joint::RightWrist => throwing_arm(1e7, 2e6),
                Joint::LeftKnuckle | Joint::RightKnuckle => throwing_arm(4e7, 4e6),
                Joint::LeftKnee | Joint::RightKnee => 2e5,
                Joint::LeftAnkle | Joint::RightAnkle => 5e5,
                Joint::LeftHeel
                | Joint::RightHeel
                | Joint::LeftBigToe
                | Joint::RightBigToe
                | Joint::LeftSmallToe
                | Joint::RightSmallToe => 1e6,
            }
        }))
    }
}
