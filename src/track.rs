//! Tracks: the athlete's joints in one phone's pictures over time, as the detector gives them.

use crate::geometry::PixelPoint;
use crate::skeleton::PerJoint;
use crate::units::Seconds;

/// One joint in one picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImageJoint {
    /// Where it is.
    pub at: PixelPoint,
    /// Standard deviation of each of the two coordinates, pixels of the full picture.
    pub sd_px: f64,
    /// Probability that the point is seen and not hidden, 0 to 1.
    pub visible: f64,
}

/// The athlete in one picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Pose2d {
    /// Index of the frame in its clip, from 0.
    pub frame: usize,
    /// Presentation time of the frame on its own phone's clock.
    pub pts: Seconds,
    /// The joints; `None` where the network gave nothing usable.
    pub joints: PerJoint<Option<ImageJoint>>,
}

/// The athlete through one clip, in order of time; frames in which he was lost are left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PoseTrack {
    /// One entry per frame in which the athlete was found.
    pub poses: Vec<Pose2d>,
}
