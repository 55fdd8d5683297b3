//! Two phones and the world they look at: what calibration yields and every later stage uses.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::geometry::{Camera, CameraFromWorld, RightFromLeft, Rigid, WorldFromLeft};

/// Which of the two phones.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Phone {
    /// The phone whose clock is ours.
    Left,
    /// The other one.
    Right,
}

/// A calibrated stereo pair.
#[derive(Clone, Debug, PartialEq)]
pub struct StereoRig {
    /// The left phone's lens.
    pub left: Camera,
    /// The right phone's lens.
    pub right: Camera,
    /// Right camera from left camera.
    pub right_from_left: RightFromLeft,
    /// World from left camera; `None` when no upright board was seen.
    pub world_from_left: Option<WorldFromLeft>,
}

impl StereoRig {
    /// The world pose in use: the measured one, or a stand-in (the left camera turned so that its "up" is +y), which is
    /// good for distances and joint angles but not for tilts and directions.
    #[must_use]
    pub fn world_or_stand_in(&self) -> WorldFromLeft {
        self.world_from_left.unwrap_or_else(|| {
            // Camera x right, y down, z forward -> x right, y up, z backward.
            let flip = Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
            WorldFromLeft(Rigid::new(
                Rotation3::from_matrix_unchecked(flip),
                Vector3::zeros(),
            ))
        })
    }

    /// Pose of one phone's camera in the world in use.
    #[must_use]
    pub fn camera_from_world(&self, phone: Phone) -> CameraFromWorld {
        let left = self.world_or_stand_in().left_from_world();
        match phone {
            Phone::Left => left,
            Phone::Right => CameraFromWorld(self.right_from_left.0.after(&left.0)),
        }
    }

    /// The lens of one phone.
    #[must_use]
    pub fn camera(&self, phone: Phone) -> &Camera {
        match phone {
            Phone::Left => &self.left,
            Phone::Right => &self.right,
        }
    }
}
