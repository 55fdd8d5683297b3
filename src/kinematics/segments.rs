//! Body segments of the (mirrored) right-hander and their frames: X forward, Y up, Z to the body's right, as the ISB
//! orders them, as far as joint centres allow.
//!
//! - **Pelvis**: Z along the hips; Y is the world's up less its part along Z. Its fore-aft tilt cannot be seen from
//!   two hip centres and is not assumed.
//! - **Trunk**: Y from the middle of the hips to the middle of the shoulders; X across it and the shoulder line.
//! - **Upper arm**: Y from elbow to shoulder; Z across the plane of upper arm and forearm. A straight elbow has none.
//! - **Thigh**: Y from knee to hip; Z across the plane of thigh and shank. A straight knee has no such plane.
//!
//! Rotation of a limb about its own long axis cannot be seen from joint centres and counts as zero.

use nalgebra::{Matrix3, Vector3};

use crate::skeleton::Joint;

use super::motion::Motion;
use super::moving::MovingVector;
use super::reason::Missing;

/// Joints of a leg.
pub(super) struct Leg {
    pub(super) hip: Joint,
    pub(super) knee: Joint,
    pub(super) ankle: Joint,
    pub(super) heel: Joint,
    pub(super) big_toe: Joint,
    pub(super) small_toe: Joint,
}

/// Joints of an arm.
pub(super) struct Arm {
    pub(super) shoulder: Joint,
    pub(super) elbow: Joint,
    pub(super) wrist: Joint,
    pub(super) knuckle: Joint,
}

/// The leg that strides: a right-hander's left.
pub(super) const LEAD: Leg = Leg {
    hip: Joint::LeftHip,
    knee: Joint::LeftKnee,
    ankle: Joint::LeftAnkle,
    heel: Joint::LeftHeel,
    big_toe: Joint::LeftBigToe,
    small_toe: Joint::LeftSmallToe,
};

/// The leg that pushes from the rubber: a right-hander's right.
pub(super) const DRIVE: Leg = Leg {
    hip: Joint::RightHip,
    knee: Joint::RightKnee,
    ankle: Joint::RightAnkle,
    heel: Joint::RightHeel,
    big_toe: Joint::RightBigToe,
    small_toe: Joint::RightSmallToe,
};

/// The throwing arm: a right-hander's right.
pub(super) const THROWING: Arm = Arm {
    shoulder: Joint::RightShoulder,
    elbow: Joint::RightElbow,
    wrist: Joint::RightWrist,
    knuckle: Joint::RightKnuckle,
};

/// The arm with the glove: a right-hander's left.
pub(super) const GLOVE: Arm = Arm {
    shoulder: Joint::LeftShoulder,
    elbow: Joint::LeftElbow,
    wrist: Joint::LeftWrist,
    knuckle: Joint::LeftKnuckle,
};

/// Axes of a segment with their rates, orthonormal and right-handed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub(super) x: MovingVector,
    pub(super) y: MovingVector,
    pub(super) z: MovingVector,
}

impl Frame {
    /// Angular velocity along the frame's own axes, radians per second.
    ///
    /// A turning axis moves as `omega x axis`, so the part about y is the speed of z along x, and so on round.
    pub(super) fn angular_velocity_rad_s(&self) -> Vector3<f64> {
        Vector3::new(
            self.y.rate.dot(&self.z.value),
            self.z.rate.dot(&self.x.value),
            self.x.rate.dot(&self.y.value),
        )
    }

    /// Axes as columns: takes coordinates in the segment to the world.
    pub(super) fn rotation(&self) -> Matrix3<f64> {
        Matrix3::from_columns(&[self.x.value, self.y.value, self.z.value])
    }
}

/// The world's up.
pub(super) fn up() -> MovingVector {
    MovingVector::fixed(Vector3::y())
}

/// From the lead hip to the drive hip.
pub(super) fn hip_line(motion: &Motion<'_>, time_s: f64) -> Result<MovingVector, Missing> {
    motion.between(LEAD.hip, DRIVE.hip, time_s)
}

/// From the lead shoulder to the throwing shoulder (S).
pub(super) fn shoulder_line(motion: &Motion<'_>, time_s: f64) -> Result<MovingVector, Missing> {
    motion.between(GLOVE.shoulder, THROWING.shoulder, time_s)
}

/// Middle of the hips.
pub(super) fn mid_hips(motion: &Motion<'_>, time_s: f64) -> Result<MovingVector, Missing> {
    motion.middle(LEAD.hip, DRIVE.hip, time_s)
}

/// Unit vector along the spine, from the middle of the hips to the middle of the shoulders (U).
pub(super) fn spine(motion: &Motion<'_>, time_s: f64) -> Result<MovingVector, Missing> {
    let mid_shoulders = motion.middle(GLOVE.shoulder, THROWING.shoulder, time_s)?;
    (mid_shoulders - mid_hips(motion, time_s)?)
        .unit()
        .ok_or(Missing::Degenerate {
            segment: "trunk",
            time_s,
        })
}

/// The pelvis frame.
pub(super) fn pelvis(motion: &Motion<'_>, time_s: f64) -> Result<Frame, Missing> {
    let degenerate = Missing::Degenerate {
        segment: "pelvis",
        time_s,
    };
    let z = hip_line(motion, time_s)?.unit().ok_or(degenerate.clone())?;
    let y = up().across(z).unit().ok_or(degenerate)?;
    Ok(Frame { x: y.cross(z), y, z })
}

/// The trunk frame.
pub(super) fn trunk(motion: &Motion<'_>, time_s: f64) -> Result<Frame, Missing> {
    let y = spine(motion, time_s)?;
    let x = y
        .cross(shoulder_line(motion, time_s)?)
        .unit()
        .ok_or(Missing::Degenerate {
            segment: "trunk",
            time_s,
        })?;
    Ok(Frame { x, y, z: x.cross(y) })
}

/// The long axis of a thigh, from knee to hip.
pub(super) fn thigh_axis(motion: &Motion<'_>, leg: &Leg, time_s: f64) -> Result<MovingVector, Missing> {
    motion
        .between(leg.knee, leg.hip, time_s)?
        .unit()
        .ok_or(Missing::Degenerate {
            segment: "thigh",
            time_s,
        })
}

/// The thigh frame of either leg; undefined for a straight knee.
pub(super) fn thigh(motion: &Motion<'_>, leg: &Leg, time_s: f64) -> Result<Frame, Missing> {
    let y = thigh_axis(motion, leg, time_s)?;
    let shank = motion.between(leg.knee, leg.ankle, time_s)?;
    let femur = motion.between(leg.hip, leg.knee, time_s)?;
    let z = shank.cross(femur).unit().ok_or(Missing::Degenerate {
        segment: "thigh",
        time_s,
    })?;
    Ok(Frame { x: y.cross(z), y, z })
}

/// Under this elbow flexion the plane of the arm is too unsure to turn with, radians.
const LEAST_BEND_RAD: f64 = 0.35;

/// The upper-arm frame of either arm: Y from elbow to shoulder, Z across the plane of upper arm and forearm, to the body's
/// right with the arm hanging and the forearm forward. A straight elbow has no such plane.
pub(super) fn upper_arm(motion: &Motion<'_>, arm: &Arm, time_s: f64) -> Result<Frame, Missing> {
    let degenerate = Missing::Degenerate {
        segment: "upper arm",
        time_s,
    };
    let humerus = motion.between(arm.shoulder, arm.elbow, time_s)?;
    let forearm = motion.between(arm.elbow, arm.wrist, time_s)?;
    if humerus.angle_to(forearm).value < LEAST_BEND_RAD {
        return Err(degenerate);
    }
    let y = (humerus * -1.0).unit().ok_or(degenerate.clone())?;
    let z = humerus.cross(forearm).unit().ok_or(degenerate)?;
    Ok(Frame { x: y.cross(z), y, z })
}

/// Horizontal direction across the chest to the throwing side (G), from the trunk frame.
pub(super) fn across_chest(trunk: &Frame, time_s: f64) -> Result<MovingVector, Missing> {
    trunk.z.across(up()).unit().ok_or(Missing::Degenerate {
        segment: "trunk",
        time_s,
    })
}
