//! The rig: 23 bones, their joints in rest pose, and forward kinematics.
//!
//! Body coordinates: metres, +y up, +z where the body faces, +x the body's left; feet at y = 0. In rest pose every bone's
//! orientation is the identity and the arms hang about 45 degrees off the trunk. A bone's joint is its head. Keypoints
//! ride rigidly on a bone, so segment lengths never change.

use nalgebra::{UnitQuaternion, Vector3};

use crate::skeleton::{Joint, PerJoint};

/// How many bones the rig has.
pub const BONE_COUNT: usize = 23;

/// A bone of the rig; `Left` and `Right` are the body's own sides. The order is the order of the packed body file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
#[expect(missing_docs, reason = "the names say it")]
pub enum Bone {
    Pelvis,
    Lumbar,
    Thorax,
    Neck,
    Head,
    LeftClavicle,
    LeftUpperArm,
    LeftForearm,
    LeftWristTwist,
    LeftHand,
    LeftThigh,
    LeftShank,
    LeftFoot,
    LeftToes,
    RightClavicle,
    RightUpperArm,
    RightForearm,
    RightWristTwist,
    RightHand,
    RightThigh,
    RightShank,
    RightFoot,
    RightToes,
}

impl Bone {
    /// Every bone in order; parents come before their children.
    pub const ALL: [Bone; BONE_COUNT] = [
        Bone::Pelvis,
        Bone::Lumbar,
        Bone::Thorax,
        Bone::Neck,
        Bone::Head,
        Bone::LeftClavicle,
        Bone::LeftUpperArm,
        Bone::LeftForearm,
        Bone::LeftWristTwist,
        Bone::LeftHand,
        Bone::LeftThigh,
        Bone::LeftShank,
        Bone::LeftFoot,
        Bone::LeftToes,
        Bone::RightClavicle,
        Bone::RightUpperArm,
        Bone::RightForearm,
        Bone::RightWristTwist,
        Bone::RightHand,
        Bone::RightThigh,
        Bone::RightShank,
        Bone::RightFoot,
        Bone::RightToes,
    ];

    /// The bone this one hangs on; `None` for the pelvis.
    #[must_use]
    pub fn parent(self) -> Option<Bone> {
        match self {
            Bone::Pelvis => None,
            Bone::Lumbar | Bone::LeftThigh | Bone::RightThigh => Some(Bone::Pelvis),
            Bone::Thorax => Some(Bone::Lumbar),
            Bone::Neck | Bone::LeftClavicle | Bone::RightClavicle => Some(Bone::Thorax),
            Bone::Head => Some(Bone::Neck),
            Bone::LeftUpperArm => Some(Bone::LeftClavicle),
            Bone::LeftForearm => Some(Bone::LeftUpperArm),
            Bone::LeftWristTwist => Some(Bone::LeftForearm),
            Bone::LeftHand => Some(Bone::LeftWristTwist),
            Bone::LeftShank => Some(Bone::LeftThigh),
            Bone::LeftFoot => Some(Bone::LeftShank),
            Bone::LeftToes => Some(Bone::LeftFoot),
            Bone::RightUpperArm => Some(Bone::RightClavicle),
            Bone::RightForearm => Some(Bone::RightUpperArm),
            Bone::RightWristTwist => Some(Bone::RightForearm),
            Bone::RightHand => Some(Bone::RightWristTwist),
            Bone::RightShank => Some(Bone::RightThigh),
            Bone::RightFoot => Some(Bone::RightShank),
            Bone::RightToes => Some(Bone::RightFoot),
        }
    }

    /// The bone a tracked joint rides on: a limb joint is the head of its bone, and so moves with the parent; we attach
    /// it to the bone whose head it is.
    #[must_use]
    pub fn carrying(joint: Joint) -> Bone {
        match joint {
            Joint::Nose
            | Joint::HeadTop
            | Joint::LeftEye
            | Joint::RightEye
            | Joint::LeftEar
            | Joint::RightEar => Bone::Head,
            Joint::Neck => Bone::Neck,
            Joint::LeftShoulder => Bone::LeftUpperArm,
            Joint::RightShoulder => Bone::RightUpperArm,
            Joint::LeftElbow => Bone::LeftForearm,
            Joint::RightElbow => Bone::RightForearm,
            Joint::LeftWrist | Joint::LeftKnuckle => Bone::LeftHand,
            Joint::RightWrist | Joint::RightKnuckle => Bone::RightHand,
            Joint::LeftHip => Bone::LeftThigh,
            Joint::RightHip => Bone::RightThigh,
            Joint::LeftKnee => Bone::LeftShank,
            Joint::RightKnee => Bone::RightShank,
            Joint::LeftAnkle | Joint::LeftHeel => Bone::LeftFoot,
            Joint::RightAnkle | Joint::RightHeel => Bone::RightFoot,
            Joint::LeftBigToe | Joint::LeftSmallToe => Bone::LeftToes,
            Joint::RightBigToe | Joint::RightSmallToe => Bone::RightToes,
        }
    }
}

/// One body's rig in rest pose, body coordinates.
#[derive(Clone, Debug, PartialEq)]
pub struct Rig {
    /// Where each bone's joint is, metres, by [`Bone`] order.
    pub heads_m: [Vector3<f64>; BONE_COUNT],
    /// Where each tracked joint is, metres.
    pub joints_m: PerJoint<Vector3<f64>>,
    /// Body height, metres.
    pub height_m: f64,
}

/// A posture: where the pelvis is, and how each bone is turned.
#[derive(Clone, Debug, PartialEq)]
pub struct Posture {
    /// Position of the pelvis bone's head in the world, metres.
    pub pelvis_m: Vector3<f64>,
    /// Orientation of each bone relative to its parent, by [`Bone`] order; the pelvis' is world from body coordinates.
    pub turns: [UnitQuaternion<f64>; BONE_COUNT],
}

/// A posed rig: each bone's orientation and head in the world.
#[derive(Clone, Debug, PartialEq)]
pub struct PosedRig {
    /// World orientation of each bone (identity turn = body coordinates).
    pub orientations: [UnitQuaternion<f64>; BONE_COUNT],
    /// World position of each bone's head, metres.
    pub heads_m: [Vector3<f64>; BONE_COUNT],
}

impl Rig {
    /// Forward kinematics.
    #[must_use]
    pub fn pose(&self, posture: &Posture) -> PosedRig {
        let mut orientations = [UnitQuaternion::identity(); BONE_COUNT];
        let mut heads_m = [Vector3::zeros(); BONE_COUNT];
        for bone in Bone::ALL {
            let i = bone as usize;
            match bone.parent() {
                None => {
                    orientations[i] = posture.turns[i];
                    heads_m[i] = posture.pelvis_m;
                }
                Some(parent) => {
                    let p = parent as usize;
                    orientations[i] = orientations[p] * posture.turns[i];
                    heads_m[i] = heads_m[p] + orientations[p] * (self.heads_m[i] - self.heads_m[p]);
                }
            }
        }
        PosedRig {
            orientations,
            heads_m,
        }
    }

    /// World positions of the tracked joints of a posed rig, metres.
    #[must_use]
    pub fn joints(&self, posed: &PosedRig) -> PerJoint<Vector3<f64>> {
        PerJoint::from_fn(|joint| {
            let bone = Bone::carrying(joint) as usize;
            posed.heads_m[bone] + posed.orientations[bone] * (self.joints_m[joint] - self.heads_m[bone])
        })
    }
}
