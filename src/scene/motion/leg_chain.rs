//! One leg: from the hip and the foot to thigh and shank (inverse kinematics of two bones).

use nalgebra::{UnitQuaternion, Vector3};

use super::orient::{Frame, off, turn_between};
use crate::scene::rig::{Bone, Rig};

/// The share of its full length a leg may reach; beyond it the foot could not stay where it is.
pub(super) const LONGEST_REACH: f64 = 0.9995;

/// Hip to ankle of an average body, share of height.
const LEG_SHARE: f64 = 0.486;

/// One leg's bones, rest posture, and the lengths that matter.
#[derive(Clone, Copy, Debug)]
pub(super) struct LegBones {
    /// Hip joint.
    pub(super) thigh: Bone,
    /// Knee joint.
    pub(super) shank: Bone,
    /// Ankle joint.
    pub(super) foot: Bone,
    /// Ball of the foot.
    pub(super) toes: Bone,
}

impl LegBones {
    /// The athlete's right leg.
    pub(super) const RIGHT: Self = Self {
        thigh: Bone::RightThigh,
        shank: Bone::RightShank,
        foot: Bone::RightFoot,
        toes: Bone::RightToes,
    };
    /// The athlete's left leg.
    pub(super) const LEFT: Self = Self {
        thigh: Bone::LeftThigh,
        shank: Bone::LeftShank,
        foot: Bone::LeftFoot,
        toes: Bone::LeftToes,
    };

    fn thigh_rest(self, rig: &Rig) -> Vector3<f64> {
        rig.heads_m[self.shank as usize] - rig.heads_m[self.thigh as usize]
    }

    fn shank_rest(self, rig: &Rig) -> Vector3<f64> {
        rig.heads_m[self.foot as usize] - rig.heads_m[self.shank as usize]
    }

    /// Body height of an average body with this rig's legs, metres: what paths of hips and feet are scaled by, so that
    /// short legs take shorter strides.
    pub(super) fn scale_m(self, rig: &Rig) -> f64 {
        self.reach_m(rig, 0.0) / LEG_SHARE
    }

    /// Hip to ankle, metres, at a knee flexion (radians).
    pub(super) fn reach_m(self, rig: &Rig, knee_flexion: f64) -> f64 {
        let (a, b) = (self.thigh_rest(rig).norm(), self.shank_rest(rig).norm());
        (a * a + b * b + 2.0 * a * b * knee_flexion.cos()).sqrt()
    }

    /// World turns of thigh and shank that put the ankle at `ankle` with the knee pointing along `knee_toward`.
    pub(super) fn bend(
        self,
        rig: &Rig,
        hip: &Vector3<f64>,
        ankle: &Vector3<f64>,
        knee_toward: &Vector3<f64>,
    ) -> (UnitQuaternion<f64>, UnitQuaternion<f64>) {
        let (thigh, shank) = (self.thigh_rest(rig), self.shank_rest(rig));
        let (a, b) = (thigh.norm(), shank.norm());
        let span = ankle - hip;
        let reach = span.norm().min((a + b) * LONGEST_REACH);
        let down = span.normalize();
        let front = off(knee_toward, &down).normalize();
        // Law of cosines: how far the thigh is turned off the straight line.
        let cosine = ((a * a + reach * reach - b * b) / (2.0 * a * reach)).clamp(-1.0, 1.0);
        let thigh_now = (down * cosine + front * (1.0 - cosine * cosine).sqrt()) * a;
        let shank_now = hip + down * reach - (hip + thigh_now);
        let across = down.cross(&front);
        let right = Frame::BODY.across;
        let turn = |rest: &Vector3<f64>, now: &Vector3<f64>| {
            turn_between(
                &Frame::from_up_across(&-rest, &right),
                &Frame::from_up_across(&-now, &across),
            )
        };
        (turn(&thigh, &thigh_now), turn(&shank, &shank_now))
    }
}
