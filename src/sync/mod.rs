//! Sync: two phones' clocks become one.
//!
//! Each phone stamps its pictures by its own clock. Three witnesses tell how the clocks relate:
//!
//! | witness | file | good to |
//! |---|---|---|
//! | sound: the same claps in both tracks | `sound` | frames: a phone's delay between sound and picture is unknown |
//! | motion: the two views of moving joints must fit the rig at common instants | `motion` | tenths of a millisecond |
//! | a ball dropped in view of both: the same with a point that is placed better and turns round sharply | `dropped` | a tenth of a millisecond |
//! | the coach, by hand | [`ClockOffset::by_hand`] | what he says |
//!
//! Sound comes before the athlete is found and is a prior; motion comes after and decides, with the dropped ball where there
//! is one ([`fuse_pictures`]); [`fuse`] joins it with sound. Both warn when their witnesses disagree. The offset relates PTS clocks, `left time = right time + offset`; its doubt is that of the
//! frames' middle instants, because a row-0 clock cannot be told apart from the readout.

/// Values between samples of one joint.
mod curve;

/// Joints at any instant: a pose track read between its frames.
mod pairing;

/// Weights against noise that is alike from frame to frame.
mod coloured;

/// How badly two views of a joint fit the rig.
mod epipolar;

/// Whether two tracks may be one person's.
mod same_person;

/// The coarse search over offsets.
mod scan;

/// Offset from the motion of the joints.
mod motion;

/// The phones' readouts along with the offset.
mod readout;

/// Offset from a dropped ball.
mod dropped;

/// Onsets of sounds.
mod onset;

/// Offset from two sound tracks.
mod sound;

/// Several offsets into one.
mod fuse;

use crate::units::Seconds;

pub use dropped::{DropViews, Spot, offset_from_drop};
pub use fuse::{fuse, fuse_pictures, pool, pool_deliveries};
pub use motion::{MotionOffset, MotionSearch, MotionViews, offset_from_motion};
pub use pairing::{SampledJoint, TrackSampler};
pub use same_person::views_apart_px;
pub use sound::{AudioDelay, SoundOffset, SoundOptions, SoundPaths, offset_from_sound};

/// What an offset was found from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockSource {
    /// Two sound tracks.
    Sound,
    /// The motion of the joints.
    Motion,
    /// Both, in agreement.
    SoundAndMotion,
    /// A dropped ball.
    Drop,
    /// A dropped ball and the motion of the joints, in agreement.
    DropAndMotion,
    /// Given by the user.
    Hand,
}

/// How the two phones' clocks relate: `left time = right time + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockOffset {
    /// Left time minus right time of one event at [`ClockOffset::at`], seconds.
    pub offset_s: f64,
    /// Standard deviation of the offset between the frames' middle instants, seconds.
    pub sd_s: f64,
    /// Instant at which `offset_s` holds, on the left clock.
    pub at: Seconds,
    /// Growth of the offset, seconds per second of left time; `None`: taken as zero.
    pub drift: Option<f64>,
    /// Where it comes from.
    pub source: ClockSource,
}

impl ClockOffset {
    /// An offset that the user gives.
    #[must_use]
    pub fn by_hand(offset_s: f64, sd_s: f64) -> Self {
        Self {
            offset_s,
            sd_s,
            at: Seconds(0.0),
            drift: None,
            source: ClockSource::Hand,
        }
    }

    /// The offset at an instant of the left clock, seconds.
    #[must_use]
    pub fn offset_at(&self, left: Seconds) -> Seconds {
        Seconds(self.offset_s + self.drift.unwrap_or(0.0) * (left - self.at).0)
    }

    /// An instant of the left clock on the right clock.
    #[must_use]
    pub fn right_from_left(&self, left: Seconds) -> Seconds {
        left - self.offset_at(left)
    }

    /// An instant of the right clock on the left clock.
    #[must_use]
    pub fn left_from_right(&self, right: Seconds) -> Seconds {
        // left = right + offset + drift (left - at), solved for left.
        let drift = self.drift.unwrap_or(0.0);
        Seconds((right.0 + self.offset_s - drift * self.at.0) / (1.0 - drift))
    }
}

/// Why no offset could be found.
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
pub enum SyncError {
    /// A sound track that is too short or silent.
    #[error(
        "the {side} sound track cannot be used ({seconds:.1} s, loudest sample {peak:.4}); \
         clap twice in front of both phones, or go on without sound"
    )]
    NoUsableSound {
        /// Which phone's.
        side: &'static str,
        /// Its length, seconds.
        seconds: f64,
        /// Its loudest sample, 0 to 1.
        peak: f32,
    },
    /// The two tracks do not share clear sounds.
    #[error(
        "the two sound tracks share no clear sound (the best match stands {score:.1} times above chance, \
         {needed:.1} are needed); clap twice in front of both phones, or go on without sound"
    )]
    SoundsUnlike {
        /// Best match over the spread of chance matches.
        score: f64,
        /// What is needed.
        needed: f64,
    },
    /// Two offsets explain the sounds about equally well.
    #[error(
        "the sounds fit offsets of {first_s:.3} s and {second_s:.3} s about equally well; \
         clap at uneven intervals, or give --offset-s"
    )]
    SoundAmbiguous {
        /// The best offset, seconds.
        first_s: f64,
        /// The next, seconds.
        second_s: f64,
    },
    /// Too few joints move fast enough in both views.
    #[error(
        "the motion does not fix the clocks: {samples} joint positions move clearly in both views, {needed} are needed; \
         film a whole delivery, or something dropped, in view of both phones"
    )]
    TooStill {
        /// How many moved.
        samples: usize,
        /// How many are needed.
        needed: usize,
    },
    /// The motion leaves the offset too uncertain.
    #[error(
        "the motion fixes the clocks only to {sd_s:.4} s, {bound_s:.4} s are needed; \
         film a whole delivery, or something dropped, in view of both phones"
    )]
    Unconstrained {
        /// Standard deviation reached, seconds.
        sd_s: f64,
        /// Standard deviation needed, seconds.
        bound_s: f64,
    },
    /// Two offsets explain the motion about equally well.
    #[error(
        "the motion fits offsets of {first_s:.3} s and {second_s:.3} s about equally well; \
         clap before the delivery, or give --offset-s"
    )]
    MotionAmbiguous {
        /// The best offset, seconds.
        first_s: f64,
        /// The next, seconds.
        second_s: f64,
    },
    /// The best offset lies at the edge of what was searched.
    #[error(
        "the best offset {offset_s:.3} s lies at the edge of the search ({from_s:.3} to {to_s:.3} s); \
         are both videos of the same delivery? If so, give --offset-s"
    )]
    AtTheEdge {
        /// The best offset, seconds.
        offset_s: f64,
        /// The search's lower end, seconds.
        from_s: f64,
        /// The search's upper end, seconds.
        to_s: f64,
    },
    /// No offset makes the two views fit the rig.
    #[error(
        "at the best offset the two views still miss each other by {residual_px:.0} px; \
         check that both videos are of the same delivery, that the rig file belongs to this set-up \
         and that no phone was moved"
    )]
    ViewsDisagree {
        /// Median epipolar residual, pixels.
        residual_px: f64,
    },
    /// Nothing to go by.
    #[error("neither sound nor motion tells how the clocks relate; give --offset-s")]
    NoWitness,
}
