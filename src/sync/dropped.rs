//! Offset from a ball dropped in view of both phones.
//!
//! A ball is placed far better than a joint, and its height crosses the epipolar lines of two phones on tripods. That it
//! bounces matters: what the rig's own error adds to the residual stays the same while the ball's motion turns round, so
//! the two can be told apart; in free fall alone a residual of one pixel looks like a millisecond of clock.

use crate::geometry::{PixelPoint, Shutter, StereoRig};
use crate::sync::SyncError;
use crate::sync::curve::{Curve, Knot};
use crate::sync::epipolar::Views;
use crate::sync::motion::{MotionOffset, MotionSearch, solved};
use crate::units::Seconds;

/// Fewest sightings in motion for an answer: half of one fall from chest height at 120 frames a second.
const NEEDED: usize = 30;
/// Sightings farther apart than this belong to different throws, seconds.
const MAX_GAP_S: f64 = 0.03;

/// A small thing seen in one picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// The frame's time on its phone's clock.
    pub pts: Seconds,
    /// Its middle.
    pub at: PixelPoint,
    /// Standard deviation of each coordinate, pixels.
    pub sd_px: f64,
}

/// Both phones' sightings of one ball, in order of time, and what is known of the phones.
#[derive(Clone, Copy, Debug)]
pub struct DropViews<'a> {
    /// The left phone's sightings.
    pub left: &'a [Spot],
    /// The right phone's sightings.
    pub right: &'a [Spot],
    /// The calibrated pair.
    pub rig: &'a StereoRig,
    /// The left phone's shutter.
    pub left_shutter: &'a Shutter,
    /// The right phone's shutter.
    pub right_shutter: &'a Shutter,
}

/// Finds the offset at which both views of a dropped and bouncing ball fit the rig. Drop it twice: the falls must differ
/// in time, not in anything else.
///
/// # Errors
/// As [`crate::sync::offset_from_motion`].
pub fn offset_from_drop(views: &DropViews, search: &MotionSearch) -> Result<MotionOffset, SyncError> {
    let curve = |spots: &[Spot], shutter: &Shutter| {
        let knots = spots.iter().map(|spot| Knot {
            t: (spot.pts + shutter.delay(spot.at)).0,
            at: spot.at.vector(),
            sd: spot.sd_px,
            visible: 1.0,
        });
        Curve::new(knots, MAX_GAP_S)
    };
    let left = curve(views.left, views.left_shutter);
    let right = curve(views.right, views.right_shutter);
    let shutters = [views.left_shutter, views.right_shutter];
    solved(
        &Views::of_curves(&[[&left, &right]], views.rig, shutters, NEEDED),
        search,
    )
}
