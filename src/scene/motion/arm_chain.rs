//! One arm: from joint angles to the turns of its bones.

use nalgebra::{Unit, UnitQuaternion, Vector3};

use super::orient::{Frame, off, turn_between};
use crate::scene::rig::{Bone, Rig};

/// One arm's joint angles, radians; see [`super::arm::ArmCurves`].
#[derive(Clone, Copy, Debug)]
pub(super) struct ArmAngles {
    pub(super) abduction: f64,
    pub(super) adduction: f64,
    pub(super) external_rotation: f64,
    pub(super) elbow_flexion: f64,
    pub(super) pronation: f64,
    pub(super) wrist_flexion: f64,
    pub(super) shrug: f64,
    pub(super) protraction: f64,
}

/// World turns of an arm's bones.
#[derive(Clone, Copy, Debug)]
pub(super) struct ArmTurns {
    pub(super) upper_arm: UnitQuaternion<f64>,
    pub(super) forearm: UnitQuaternion<f64>,
    pub(super) wrist_twist: UnitQuaternion<f64>,
    pub(super) hand: UnitQuaternion<f64>,
}

/// Share of the forearm's twist that its lower half takes.
const TWIST_SHARE: f64 = 0.6;

/// The trunk as the arm's angles see it (shoulder centres and hip centres, not bones).
#[derive(Clone, Copy, Debug)]
pub(super) struct ArmBase {
    /// The trunk's frame.
    pub(super) trunk: Frame,
    /// Is it the right arm?
    pub(super) right: bool,
}

impl ArmBase {
    fn bones(&self) -> [Bone; 4] {
        if self.right {
            [
                Bone::RightUpperArm,
                Bone::RightForearm,
                Bone::RightWristTwist,
                Bone::RightHand,
            ]
        } else {
            [
                Bone::LeftUpperArm,
                Bone::LeftForearm,
                Bone::LeftWristTwist,
                Bone::LeftHand,
            ]
        }
    }

    /// Directions of upper arm and of the forearm's part perpendicular to it, world.
    fn directions(&self, angles: &ArmAngles) -> (Vector3<f64>, Vector3<f64>) {
        let outward = if self.right {
            self.trunk.across
        } else {
            -self.trunk.across
        };
        let level = outward * angles.adduction.cos() + self.trunk.forward * angles.adduction.sin();
        let arm = level * angles.abduction.sin() - self.trunk.up * angles.abduction.cos();
        let up = off(&self.trunk.up, &arm).normalize();
        // For the left arm everything is mirrored, and a mirrored cross product changes its sign.
        let ahead = if self.right {
            up.cross(&arm)
        } else {
            arm.cross(&up)
        };
        let bent = ahead * angles.external_rotation.cos() + up * angles.external_rotation.sin();
        (arm, bent)
    }

    /// World turns of the arm's bones; `palm` is the rest palm's normal, body coordinates.
    pub(super) fn turns(&self, rig: &Rig, angles: &ArmAngles) -> ArmTurns {
        let [upper, fore, _, hand] = self.bones();
        let head = |bone: Bone| rig.heads_m[bone as usize];
        let knuckle = rig.joints_m[if self.right {
            crate::skeleton::Joint::RightKnuckle
        } else {
            crate::skeleton::Joint::LeftKnuckle
        }];
        let side = if self.right { 1.0 } else { -1.0 };
        let (arm_rest, fore_rest, hand_rest) = (
            head(fore) - head(upper),
            head(hand) - head(fore),
            knuckle - head(hand),
        );
        let hinge_rest = arm_rest.cross(&fore_rest);
        // Arms hang 45 degrees off the trunk at rest: the palm faces inward and down.
        let palm_rest = Vector3::new(0.75 * side, -0.66, 0.0);

        let (arm, bent) = self.directions(angles);
        let forearm = arm * angles.elbow_flexion.cos() + bent * angles.elbow_flexion.sin();
        let hinge = arm.cross(&bent);
        let turn = |a: &Vector3<f64>, b: &Vector3<f64>, c: &Vector3<f64>, d: &Vector3<f64>| {
            turn_between(&Frame::from_up_across(a, b), &Frame::from_up_across(c, d))
        };
        let forearm_turn = turn(&fore_rest, &hinge_rest, &forearm, &hinge);
        let palm = hinge * (-side * angles.pronation.cos()) - hinge.cross(&forearm) * angles.pronation.sin();
        let palm_carried = off(&(forearm_turn * palm_rest), &forearm).normalize();
        let twist = palm_carried
            .cross(&palm)
            .dot(&forearm)
            .atan2(palm_carried.dot(&palm));
        let twist_turn = UnitQuaternion::from_axis_angle(&Unit::new_normalize(forearm), TWIST_SHARE * twist);
        let (sine, cosine) = angles.wrist_flexion.sin_cos();
        let (hand_now, palm_now) = (forearm * cosine + palm * sine, palm * cosine - forearm * sine);
        ArmTurns {
            upper_arm: turn(&arm_rest, &hinge_rest, &arm, &hinge),
            forearm: forearm_turn,
            wrist_twist: twist_turn * forearm_turn,
            hand: turn(&hand_rest, &palm_rest, &hand_now, &palm_now),
        }
    }
}
