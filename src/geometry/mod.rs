//! Geometry: coordinate frames, cameras and the instants of image points.
//!
//! # Conventions
//!
//! The one place where they are fixed; every other file refers here.
//!
//! - **World**: metres; +x toward the target (home plate), +y up, +z to the right of a person who faces the target;
//!   right-handed (x cross y = z); origin on the ground at the front of the pitching rubber, under the middle of the
//!   upright board. The axes follow the ISB (X forward, Y up, Z right).
//! - **Camera**: metres; x right, y down, z forward, origin in the centre of projection.
//! - **Pixel**: (0, 0) is the *centre* of the top left pixel, x right, y down, of the picture as displayed (after the
//!   video's rotation).
//! - **Pose names** are output first: `RightFromLeft` takes a point of the left camera's frame to the right's:
//!   `x_right = R x_left + t`.
//! - **Distortion**: `[k1, k2, p1, p2, k3]`, Brown-Conrady, as OpenCV orders them.
//! - **Time**: a clip's clock is its container's presentation time (PTS) in seconds, the first frame's PTS taken as
//!   written. `time_s` in files is on LEFT's clock and counts from LEFT's first frame. An image point's instant is
//!   `PTS + readout x (sensor row / rows) + exposure / 2` ([`Shutter`]). `clock_offset_s`: left time = right time +
//!   offset.
//! - **Sides** are the athlete's own. Angles are radians in code, degrees in files.

/// Points in pictures, cameras and the world.
mod point;

/// Rigid motions between named frames.
mod pose;

/// One phone's lens: projection, distortion, and the way back.
mod camera;

/// When a row of the picture was exposed.
mod shutter;

/// Two phones and the world they look at.
mod rig;

pub use camera::Camera;
pub use point::{CameraPoint, PixelPoint, WorldPoint};
pub use pose::{CameraFromWorld, RightFromLeft, Rigid, WorldFromLeft};
pub use rig::{Phone, StereoRig};
pub use shutter::{QuarterTurns, Shutter};
