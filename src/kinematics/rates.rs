//! Angular speeds of segments, degrees per second, from the state's own velocities.

use nalgebra::Vector3;

use crate::skeleton::Joint;

use super::motion::Motion;
use super::reason::Missing;
use super::segments::{Arm, GLOVE, pelvis, trunk, upper_arm};

/// Angular velocity of the pelvis along its Y, degrees per second: + turns toward the target.
pub(super) fn pelvis_rotation_speed_deg_s(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(pelvis(motion, time_s)?.angular_velocity_rad_s().y.to_degrees())
}

/// Angular velocity of the trunk along its Y, degrees per second: + turns toward the target.
pub(super) fn trunk_rotation_speed_deg_s(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(trunk(motion, time_s)?.angular_velocity_rad_s().y.to_degrees())
}

/// Overall angular speed of the pelvis frame, degrees per second.
pub(super) fn pelvis_angular_speed_deg_s(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(pelvis(motion, time_s)?
        .angular_velocity_rad_s()
        .norm()
        .to_degrees())
}

/// Overall angular speed of the trunk, degrees per second.
pub(super) fn trunk_angular_speed_deg_s(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(trunk(motion, time_s)?
        .angular_velocity_rad_s()
        .norm()
        .to_degrees())
}

/// Angular velocity of the direction from one joint to another, radians per second: without the unseen spin about it.
pub(super) fn direction_velocity_rad_s(
    motion: &Motion<'_>,
    from: Joint,
    to: Joint,
    time_s: f64,
) -> Result<Vector3<f64>, Missing> {
    let direction = motion
        .between(from, to, time_s)?
        .unit()
        .ok_or(Missing::Degenerate {
            segment: "limb",
            time_s,
        })?;
    Ok(direction.value.cross(&direction.rate))
}

/// Angular speed of the direction from one joint to another, degrees per second.
pub(super) fn direction_speed_deg_s(
    motion: &Motion<'_>,
    from: Joint,
    to: Joint,
    time_s: f64,
) -> Result<f64, Missing> {
    Ok(direction_velocity_rad_s(motion, from, to, time_s)?
        .norm()
        .to_degrees())
}

/// Angular velocity of an upper arm about its own long axis, degrees per second: + turns inward (internal rotation),
/// against the world and not against the trunk. Seen from the plane of the bent elbow.
pub(super) fn upper_arm_rotation_speed_deg_s(
    motion: &Motion<'_>,
    arm: &Arm,
    time_s: f64,
) -> Result<f64, Missing> {
    let about_y = upper_arm(motion, arm, time_s)?
        .angular_velocity_rad_s()
        .y
        .to_degrees();
    // A left arm turns inward the other way round.
    Ok(if arm.shoulder == GLOVE.shoulder {
        -about_y
    } else {
        about_y
    })
}

/// Overall angular speed of an upper arm, its turn about the long axis with it, degrees per second.
pub(super) fn upper_arm_angular_speed_deg_s(
    motion: &Motion<'_>,
    arm: &Arm,
    time_s: f64,
) -> Result<f64, Missing> {
    Ok(upper_arm(motion, arm, time_s)?
        .angular_velocity_rad_s()
        .norm()
        .to_degrees())
}
