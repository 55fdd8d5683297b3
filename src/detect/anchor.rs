//! Where the next crop goes: with the person's last place, moved on by his speed.

use super::KeypointDetector;
use super::boxes::{crop_height, middle};
use crate::picture::Region;
use crate::units::Seconds;

/// The crop is moved on by its speed over at most this time.
const LONGEST_PREDICTION: Seconds = Seconds(0.15);

/// The detector's wishes about crops.
#[derive(Clone, Copy, Debug)]
pub(super) struct CropShape {
    /// Width over height.
    pub(super) aspect: f64,
    /// Share of the crop that a person should fill.
    pub(super) share: f64,
}

impl CropShape {
    pub(super) fn of(detector: &dyn KeypointDetector) -> Self {
        Self {
            aspect: detector.aspect(),
            share: detector.person_share(),
        }
    }
}

/// A crop's middle and height at an instant, and how it moves.
#[derive(Clone, Copy, Debug)]
pub(super) struct Anchor {
    /// Middle, pixels.
    pub(super) middle: (f64, f64),
    /// Height, pixels.
    pub(super) height_px: f64,
    /// When.
    pub(super) at: Seconds,
    /// Pixels per second.
    pub(super) speed: (f64, f64),
}

impl Anchor {
    /// The crop that suits a located box.
    pub(super) fn on_box(person: &Region, at: Seconds, shape: CropShape) -> Self {
        Self {
            middle: middle(person),
            height_px: crop_height(person, shape.aspect, shape.share.max(0.85)),
            at,
            speed: (0.0, 0.0),
        }
    }

    /// The middle at an instant to come.
    pub(super) fn middle_at(&self, at: Seconds) -> (f64, f64) {
        let ahead = (at - self.at).min(LONGEST_PREDICTION).max(Seconds(0.0)).0;
        (
            self.middle.0 + self.speed.0 * ahead,
            self.middle.1 + self.speed.1 * ahead,
        )
    }
}
