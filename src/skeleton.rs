//! The skeleton: the joints we track, their names in every file, and the mirror between left and right.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A side of the athlete's own body.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The athlete's left.
    Left,
    /// The athlete's right.
    Right,
}

impl Side {
    /// The opposite side.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::Left => Self::Right,
            Self::Right => Self::Left,
        }
    }

    /// `left` or `right`, as files and options write it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
        }
    }
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

macro_rules! joints {
    ($($joint:ident, $name:literal, $mirror:ident, $doc:literal;)*) => {
        /// A point of the body that we track. The order is the order of the network's keypoints and of the columns of
        /// `joints.csv`; limb joints are joint centres, not points on the skin.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        #[repr(u8)]
        pub enum Joint {
            $(#[doc = $doc] $joint,)*
        }

        impl Joint {
            /// Every joint, in the order of its index.
            pub const ALL: [Joint; JOINT_COUNT] = [$(Joint::$joint,)*];

            /// The name used in every file.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self {
                    $(Joint::$joint => $name,)*
                }
            }

            /// The same joint of the other side; the midline joints are their own mirror.
            #[must_use]
            pub fn mirrored(self) -> Joint {
                match self {
                    $(Joint::$joint => Joint::$mirror,)*
                }
            }
        }
    };
}

/// How many joints we track.
pub const JOINT_COUNT: usize = 27;

joints! {
    Nose, "nose", Nose, "Tip of the nose.";
    HeadTop, "head_top", HeadTop, "Top of the head (vertex).";
    Neck, "neck", Neck, "Base of the neck at C7.";
    LeftShoulder, "left_shoulder", RightShoulder, "Left shoulder joint centre.";
    RightShoulder, "right_shoulder", LeftShoulder, "Right shoulder joint centre.";
    LeftElbow, "left_elbow", RightElbow, "Left elbow joint centre.";
    RightElbow, "right_elbow", LeftElbow, "Right elbow joint centre.";
    LeftWrist, "left_wrist", RightWrist, "Left wrist joint centre.";
    RightWrist, "right_wrist", LeftWrist, "Right wrist joint centre.";
    LeftKnuckle, "left_knuckle", RightKnuckle, "Head of the left third metacarpal.";
    RightKnuckle, "right_knuckle", LeftKnuckle, "Head of the right third metacarpal.";
    LeftHip, "left_hip", RightHip, "Left hip joint centre.";
    RightHip, "right_hip", LeftHip, "Right hip joint centre.";
    LeftKnee, "left_knee", RightKnee, "Left knee joint centre.";
    RightKnee, "right_knee", LeftKnee, "Right knee joint centre.";
    LeftAnkle, "left_ankle", RightAnkle, "Left ankle joint centre.";
    RightAnkle, "right_ankle", LeftAnkle, "Right ankle joint centre.";
    LeftHeel, "left_heel", RightHeel, "Back of the left heel.";
    RightHeel, "right_heel", LeftHeel, "Back of the right heel.";
    LeftBigToe, "left_big_toe", RightBigToe, "Left big toe.";
    RightBigToe, "right_big_toe", LeftBigToe, "Right big toe.";
    LeftSmallToe, "left_small_toe", RightSmallToe, "Left small toe.";
    RightSmallToe, "right_small_toe", LeftSmallToe, "Right small toe.";
    LeftEye, "left_eye", RightEye, "Left eye.";
    RightEye, "right_eye", LeftEye, "Right eye.";
    LeftEar, "left_ear", RightEar, "Left ear.";
    RightEar, "right_ear", LeftEar, "Right ear.";
}

impl Joint {
    /// Position in arrays over all joints, 0..[`JOINT_COUNT`].
    #[must_use]
    pub fn index(self) -> usize {
        self as usize
    }
}

impl fmt::Display for Joint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A joint name that is not ours.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("'{0}' is not a joint name; known names are nose, head_top, neck, left_shoulder, ...")]
pub struct UnknownJoint(pub String);

impl FromStr for Joint {
    type Err = UnknownJoint;

    fn from_str(name: &str) -> Result<Self, Self::Err> {
        Joint::ALL
            .into_iter()
            .find(|j| j.name() == name)
            .ok_or_else(|| UnknownJoint(name.to_owned()))
    }
}

/// One value for each joint.
#[derive(Clone, Debug, PartialEq)]
pub struct PerJoint<T>(pub [T; JOINT_COUNT]);

impl<T> PerJoint<T> {
    /// Fills every joint's place.
    pub fn from_fn(mut value: impl FnMut(Joint) -> T) -> Self {
        Self(std::array::from_fn(|i| value(Joint::ALL[i])))
    }

    /// Joints with their values, in order.
    pub fn iter(&self) -> impl Iterator<Item = (Joint, &T)> {
        Joint::ALL.into_iter().zip(self.0.iter())
    }
}

impl<T> std::ops::Index<Joint> for PerJoint<T> {
    type Output = T;
    fn index(&self, joint: Joint) -> &T {
        &self.0[joint.index()]
    }
}

impl<T> std::ops::IndexMut<Joint> for PerJoint<T> {
    fn index_mut(&mut self, joint: Joint) -> &mut T {
        &mut self.0[joint.index()]
    }
}

/// The joints of a body as the thrower's sides: `throwing` and `lead` instead of right and left.
///
/// All definitions are written for a right-hander; a left-hander is read through this, and mirrored in space.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Handedness(pub Side);

impl Handedness {
    /// The joint of a right-hander that plays the same part in this thrower.
    #[must_use]
    pub fn joint_as_right_hander(self, right_handers_joint: Joint) -> Joint {
        match self.0 {
            Side::Right => right_handers_joint,
            Side::Left => right_handers_joint.mirrored(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn index_name_and_order_agree() {
        for (i, joint) in Joint::ALL.into_iter().enumerate() {
            assert_eq!(joint.index(), i);
            assert_eq!(joint.name().parse::<Joint>(), Ok(joint));
        }
    }

    #[test]
    fn mirroring_twice_changes_nothing_and_swaps_the_side_in_the_name() {
        for joint in Joint::ALL {
            assert_eq!(joint.mirrored().mirrored(), joint);
            let swapped = match joint.name().split_once('_') {
                Some(("left", rest)) => format!("right_{rest}"),
                Some(("right", rest)) => format!("left_{rest}"),
                _ => joint.name().to_owned(),
            };
            assert_eq!(joint.mirrored().name(), swapped);
        }
    }

    #[test]
    fn an_unknown_name_is_refused() {
        assert!("left_thumb".parse::<Joint>().is_err());
    }
}
