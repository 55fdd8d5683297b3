//! A body of average proportions without a mesh, for motions and tests that need no picture.

use nalgebra::Vector3;

use super::rig::{BONE_COUNT, Bone, Rig};
use crate::skeleton::{Joint, PerJoint};

/// Midline and left bone heads, shares of body height; body coordinates as in [`super::rig`].
const HEADS: [(Bone, [f64; 3]); 14] = [
    (Bone::Pelvis, [0.0, 0.525, -0.039]),
    (Bone::Lumbar, [0.0, 0.575, -0.015]),
    (Bone::Thorax, [0.0, 0.660, -0.005]),
    (Bone::Neck, [0.0, 0.849, 0.004]),
    (Bone::Head, [0.0, 0.910, 0.027]),
    (Bone::LeftClavicle, [0.014, 0.807, 0.015]),
    (Bone::LeftUpperArm, [0.103, 0.792, 0.012]),
    (Bone::LeftForearm, [0.210, 0.673, 0.013]),
    (Bone::LeftWristTwist, [0.2495, 0.633, 0.0665]),
    (Bone::LeftHand, [0.289, 0.593, 0.120]),
    (Bone::LeftThigh, [0.050, 0.524, 0.004]),
    (Bone::LeftShank, [0.073, 0.288, 0.024]),
    (Bone::LeftFoot, [0.097, 0.042, 0.009]),
    (Bone::LeftToes, [0.0955, 0.016, 0.091]),
];

/// Joints that are no bone's head, shares of body height.
const JOINTS: [(Joint, [f64; 3]); 8] = [
    (Joint::Nose, [0.0, 0.911, 0.098]),
    (Joint::HeadTop, [0.0, 1.0, 0.024]),
    (Joint::LeftKnuckle, [0.316, 0.563, 0.166]),
    (Joint::LeftHeel, [0.099, 0.013, -0.022]),
    (Joint::LeftBigToe, [0.085, 0.009, 0.121]),
    (Joint::LeftSmallToe, [0.123, 0.008, 0.098]),
    (Joint::LeftEye, [0.018, 0.934, 0.073]),
    (Joint::LeftEar, [0.052, 0.930, 0.020]),
];

impl Rig {
    /// A body of average adult proportions: hip spacing 0.10, upper arm 0.16, forearm 0.155 of body height (from
    /// memory), the rest from the middle of a large set of body shapes. Both sides are equal.
    #[must_use]
    pub fn proportioned(height_m: f64) -> Self {
        let point = |share: &[f64; 3]| Vector3::from(*share) * height_m;
        let mirrored = |p: Vector3<f64>| Vector3::new(-p.x, p.y, p.z);
        let mut heads_m = [Vector3::zeros(); BONE_COUNT];
        for (bone, share) in &HEADS {
            heads_m[*bone as usize] = point(share);
            heads_m[bone.mirrored() as usize] = mirrored(point(share));
        }
        let joints_m = PerJoint::from_fn(|joint| {
            let find = |wanted: Joint| {
                JOINTS
                    .iter()
                    .find(|(j, _)| *j == wanted)
                    .map(|(_, share)| point(share))
            };
            find(joint)
                .or_else(|| find(joint.mirrored()).map(mirrored))
                .unwrap_or(heads_m[Bone::carrying(joint) as usize])
        });
        Self {
            heads_m,
            joints_m,
            height_m,
        }
    }

    /// The same body seen in a mirror: x -> -x, left and right exchanged.
    #[must_use]
    pub fn mirrored(&self) -> Self {
        let flip = |p: Vector3<f64>| Vector3::new(-p.x, p.y, p.z);
        Self {
            heads_m: std::array::from_fn(|i| flip(self.heads_m[Bone::ALL[i].mirrored() as usize])),
            joints_m: PerJoint::from_fn(|joint| flip(self.joints_m[joint.mirrored()])),
            height_m: self.height_m,
        }
    }
}

impl Bone {
    /// The same bone of the other side; the midline bones are their own mirror.
    #[must_use]
    pub fn mirrored(self) -> Bone {
        let (left, right) = (Bone::LeftClavicle as usize, Bone::RightClavicle as usize);
        let index = self as usize;
        match index {
            i if i < left => self,
            i if i < right => Bone::ALL[i + (right - left)],
            i => Bone::ALL[i - (right - left)],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_of_height_are_as_stated_and_the_mirror_is_exact() {
        let rig = Rig::proportioned(2.0);
        let length = |a: Joint, b: Joint| (rig.joints_m[a] - rig.joints_m[b]).norm() / 2.0;
        assert!((length(Joint::LeftHip, Joint::RightHip) - 0.100).abs() < 0.002);
        assert!((length(Joint::LeftShoulder, Joint::LeftElbow) - 0.160).abs() < 0.002);
        assert!((length(Joint::LeftElbow, Joint::LeftWrist) - 0.155).abs() < 0.002);
        assert_eq!(rig.mirrored(), rig);
        assert!((rig.joints_m[Joint::HeadTop].y - 2.0).abs() < 1e-12);
    }
}
