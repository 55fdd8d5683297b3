//! All curves of a right-hander together, and the posture they make.

use nalgebra::{UnitQuaternion, Vector3};

use super::arm::ArmCurves;
use super::arm_chain::ArmBase;
use super::leg_chain::LegBones;
use super::legs::{FootCurves, LegCurves};
use super::orient::Frame;
use super::phases::{CONTACT_TO_RELEASE_S, Phases};
use super::style::{Level, Nature, Style};
use super::trunk::{TrunkCurves, collar_bone};
use crate::scene::rig::{BONE_COUNT, Bone, Posture, Rig};

/// Seconds of standing before the first movement.
const STANDING_S: f64 = 0.3;
/// Seconds from knee lift to contact in the reference tempo: Kageyama et al., J Sports Sci Med 2015;14:246-255, print
/// 0.9 (0.3).
const STRIDE_S: f64 = 0.75;
/// Seconds of follow-through after release.
const FOLLOW_S: f64 = 0.75;
/// Youth take a little longer from contact to release.
const YOUTH_TEMPO: f64 = 1.05;

/// A right-hander's delivery.
#[derive(Clone, Debug)]
pub(super) struct Choreography {
    pub(super) rig: Rig,
    pub(super) phases: Phases,
    trunk: TrunkCurves,
    legs: LegCurves,
    throwing: ArmCurves,
    glove: ArmCurves,
}

impl Choreography {
    pub(super) fn new(style: &Style, rig: Rig) -> Self {
        let mut nature = Nature::of(style);
        let tempo = match style.level {
            Level::Adult => 1.0,
            Level::Youth => YOUTH_TEMPO,
        };
        let knee_lift_s = STANDING_S + style.windup_s.clamp(0.6, 2.5) * nature.factor(0.08);
        let contact_s = knee_lift_s + STRIDE_S * style.stride_time * nature.factor(0.08);
        let release_s = contact_s + CONTACT_TO_RELEASE_S * tempo * style.drive_time * nature.factor(0.08);
        let phases = Phases {
            start_s: STANDING_S,
            knee_lift_s,
            contact_s,
            release_s,
            end_s: release_s + FOLLOW_S,
        };
        let trunk = TrunkCurves::new(style, &phases, &mut nature);
        let legs = LegCurves::new(&rig, style, &phases, &trunk, &mut nature);
        let throwing = ArmCurves::throwing(style, &phases, &mut nature);
        let glove = ArmCurves::glove(style, &phases, &mut nature);
        Self {
            rig,
            phases,
            trunk,
            legs,
            throwing,
            glove,
        }
    }

    /// The posture at an instant.
    pub(super) fn posture(&self, t_s: f64) -> Posture {
        let rig = &self.rig;
        let head = |bone: Bone| rig.heads_m[bone as usize];
        let mut world = [UnitQuaternion::identity(); BONE_COUNT];
        let turns = self.trunk.turns(rig, t_s);
        world[Bone::Pelvis as usize] = turns.pelvis;
        world[Bone::Lumbar as usize] = turns.lumbar;
        world[Bone::Thorax as usize] = turns.thorax;
        world[Bone::Neck as usize] = turns.neck;
        world[Bone::Head as usize] = turns.head;

        let hips = self.legs.hips_m.at(t_s);
        let hips_rest = (head(Bone::LeftThigh) + head(Bone::RightThigh)) / 2.0;
        let pelvis_m = hips + turns.pelvis * (head(Bone::Pelvis) - hips_rest);

        let mut leg = |bones: LegBones, curves: &FootCurves| {
            let foot = curves.at(rig, bones, t_s);
            let hip = hips + turns.pelvis * (head(bones.thigh) - hips_rest);
            let (thigh, shank) = bones.bend(rig, &hip, &foot.ankle_m, &foot.knee_toward);
            world[bones.thigh as usize] = thigh;
            world[bones.shank as usize] = shank;
            world[bones.foot as usize] = foot.foot;
            world[bones.toes as usize] = foot.toes;
        };
        leg(LegBones::RIGHT, &self.legs.drive);
        leg(LegBones::LEFT, &self.legs.lead);

        let (right, left) = (self.throwing.at(t_s), self.glove.at(t_s));
        let collar_right = turns.thorax * collar_bone(true, right.shrug, right.protraction);
        let collar_left = turns.thorax * collar_bone(false, left.shrug, left.protraction);
        world[Bone::RightClavicle as usize] = collar_right;
        world[Bone::LeftClavicle as usize] = collar_left;
        // The trunk as the metrics see it: from the middle of the hips to that of the shoulder centres.
        let thorax_m = pelvis_m
            + turns.pelvis * (head(Bone::Lumbar) - head(Bone::Pelvis))
            + turns.lumbar * (head(Bone::Thorax) - head(Bone::Lumbar));
        let shoulder = |collar: Bone, arm: Bone, turn: UnitQuaternion<f64>| -> Vector3<f64> {
            thorax_m + turns.thorax * (head(collar) - head(Bone::Thorax)) + turn * (head(arm) - head(collar))
        };
        let shoulder_right = shoulder(Bone::RightClavicle, Bone::RightUpperArm, collar_right);
        let shoulder_left = shoulder(Bone::LeftClavicle, Bone::LeftUpperArm, collar_left);
        let trunk = Frame::from_up_across(
            &((shoulder_right + shoulder_left) / 2.0 - hips),
            &(shoulder_right - shoulder_left),
        );
        let throwing = ArmBase { trunk, right: true }.turns(rig, &right);
        world[Bone::RightUpperArm as usize] = throwing.upper_arm;
        world[Bone::RightForearm as usize] = throwing.forearm;
        world[Bone::RightWristTwist as usize] = throwing.wrist_twist;
        world[Bone::RightHand as usize] = throwing.hand;
        let glove = ArmBase { trunk, right: false }.turns(rig, &left);
        world[Bone::LeftUpperArm as usize] = glove.upper_arm;
        world[Bone::LeftForearm as usize] = glove.forearm;
        world[Bone::LeftWristTwist as usize] = glove.wrist_twist;
        world[Bone::LeftHand as usize] = glove.hand;

        let turns = std::array::from_fn(|i| match Bone::ALL[i].parent() {
            None => world[i],
            Some(parent) => world[parent as usize].inverse() * world[i],
        });
        Posture { pelvis_m, turns }
    }
}
