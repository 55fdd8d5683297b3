//! Ingest: a phone's video file becomes frames with exact times, and sound.
//!
//! ```text
//! left.mp4 -> open_clip -> Clip { info, warnings }
//!                            |- frames()        pictures one after the other, memory stays flat
//!                            |- frames_where()  decodes all, converts only the wanted ones
//!                            |- frames_between()  a stretch, without decoding all before it
//!                            `- sound()         mono samples on the same clock
//! ```
//!
//! Times are those of the container after its edit list, rational until they become [`Seconds`]; pictures and sound
//! stand on one clock. Variable frame rates keep every frame's own time. Pictures come as displayed: the rotation that
//! the phone wrote beside the video is applied, and [`ClipInfo::turns`] remembers it for the rolling shutter.
//! Damaged files give what is readable, with a [`Warning`].

/// What can be wrong with a file.
mod error;

/// What the container says.
mod probe;

/// Frames in order of presentation.
mod decode;

/// Decoder's planes into pictures, turned as displayed.
mod planes;

/// The sound track.
mod sound;

/// Whether two clips can belong together, and signs of slow motion.
mod plausible;

use std::path::{Path, PathBuf};

use crate::geometry::QuarterTurns;
use crate::picture::Picture;
use crate::quality::Warning;
use crate::units::Seconds;

pub use decode::Frames;
pub use error::IngestError;
pub use plausible::check_pair;
pub use sound::SoundTrack;

/// Bounds beyond which a file is refused instead of filling the machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Most pixels in a picture.
    pub max_pixels: u64,
    /// Longest video, seconds.
    pub max_duration_s: f64,
    /// Longest stretch of sound that is read, seconds; the rest is left out with a warning.
    pub max_sound_s: f64,
}

impl Default for Limits {
    /// 8K pictures, four hours of video, half an hour of sound (350 MB of samples).
    fn default() -> Self {
        Self {
            max_pixels: 8192 * 4320,
            max_duration_s: 4.0 * 3600.0,
            max_sound_s: 1800.0,
        }
    }
}

/// How to open a clip.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct IngestOptions {
    /// The rate at which the pictures were really taken, hertz, for slow-motion files tagged with a lower one.
    pub capture_fps: Option<f64>,
    /// Bounds.
    pub limits: Limits,
}

/// Unit of the container's time stamps: `num / den` seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimeBase {
    /// Numerator.
    pub num: i32,
    /// Denominator.
    pub den: i32,
}

impl TimeBase {
    /// A time stamp in seconds, rounded once.
    #[must_use]
    pub fn seconds(self, ticks: i64) -> Seconds {
        let product = i128::from(ticks) * i128::from(self.num);
        Seconds(product as f64 / f64::from(self.den))
    }
}

/// What is known of a clip before its pictures are read. Times and rates are already those of the real world
/// (slow motion undone).
#[derive(Clone, Debug, PartialEq)]
pub struct ClipInfo {
    /// The file.
    pub path: PathBuf,
    /// Picture width as displayed, pixels.
    pub width_px: u32,
    /// Picture height as displayed, pixels.
    pub height_px: u32,
    /// How far the sensor's picture is turned to be displayed.
    pub turns: QuarterTurns,
    /// Mean rate of the pictures, hertz.
    pub rate_hz: f64,
    /// The rate that the file claims, hertz; differs from `rate_hz` for slow motion only.
    pub tagged_rate_hz: f64,
    /// Unit of the container's time stamps.
    pub time_base: TimeBase,
    /// Name of the video codec.
    pub codec: String,
    /// Presentation time of the first frame.
    pub start: Seconds,
    /// Length of the video.
    pub duration: Seconds,
    /// How many frames to expect; an estimate.
    pub frames_estimate: u64,
    /// Whether there is a sound track.
    pub has_sound: bool,
    /// How many times slower the file plays than the world moved; 1 for ordinary files.
    pub slow_motion_factor: f64,
}

/// One frame of a clip.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Index in the clip, from 0, counting every frame in order of presentation.
    pub index: usize,
    /// Presentation time on the clip's own clock.
    pub pts: Seconds,
    /// The picture as displayed.
    pub picture: Picture,
}

/// A phone's video file that has been looked into; holds no open file.
#[derive(Clone, Debug)]
pub struct Clip {
    /// What is known of it.
    pub info: ClipInfo,
    /// What its reader should know.
    pub warnings: Vec<Warning>,
    /// Bounds it was opened with.
    limits: Limits,
}

/// Looks into a video file: container, codec, size, rotation, rate, and whether a first frame can be decoded.
///
/// # Errors
/// See [`IngestError`]; each says what to do.
pub fn open_clip(path: &Path, options: &IngestOptions) -> Result<Clip, IngestError> {
    let (mut info, mut warnings) = probe::look_into(path, options)?;
    let mut first = Frames::open(&info, options.limits, Some(Box::new(|_, _| false)))?;
    info.start = first.first_time()?;
    warnings.extend(plausible::of_one(&info));
    Ok(Clip {
        info,
        warnings,
        limits: options.limits,
    })
}

impl Clip {
    /// All frames in order of presentation, decoded as they are asked for.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn frames(&self) -> Result<Frames<'_>, IngestError> {
        Frames::open(&self.info, self.limits, None)
    }

    /// The frames for which `wanted(index, pts)` holds; the others are decoded but not converted, which is what costs
    /// memory traffic and turning.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn frames_where<'a>(
        &self,
        wanted: impl FnMut(usize, Seconds) -> bool + 'a,
    ) -> Result<Frames<'a>, IngestError> {
        Frames::open(&self.info, self.limits, Some(Box::new(wanted)))
    }

    /// The frames from one presentation time to another, both included, without decoding the clip up to there. Their
    /// indices count from where reading began.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn frames_between(&self, from: Seconds, to: Seconds) -> Result<Frames<'_>, IngestError> {
        Ok(Frames::open(&self.info, self.limits, None)?.between(from, to))
    }

    /// The sound track, or `None` when there is none that can be read.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn sound(&self) -> Result<Option<SoundTrack>, IngestError> {
        sound::read(&self.info, self.limits)
    }
}
