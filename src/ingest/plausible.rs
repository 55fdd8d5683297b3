//! Whether a clip, or two together, can be what a measurement needs.

use crate::ingest::{ClipInfo, IngestError};
use crate::quality::Warning;
use crate::units::Seconds;

/// Slowest rate at which a delivery can be followed, hertz (common practice, no source: at 60 Hz the hand travels half
/// a metre between two frames).
const SLOW_HZ: f64 = 100.0;

/// Ratio and difference of lengths beyond which two clips are refused.
const REFUSED: (f64, Seconds) = (4.0, Seconds(20.0));
/// Ratio and difference of lengths beyond which two clips are suspicious.
const SUSPICIOUS: (f64, Seconds) = (2.0, Seconds(10.0));

/// What to say about one clip by itself.
pub(in crate::ingest) fn of_one(info: &ClipInfo) -> Option<Warning> {
    (info.rate_hz < SLOW_HZ).then(|| {
        Warning::new(
            "low_frame_rate",
            format!(
                "{}: {:.0} pictures a second are too few to follow a delivery.",
                info.path.display(),
                info.rate_hz
            ),
            "Film at 240 Hz; if this is slow motion of such a film, give --capture-fps 240.",
        )
    })
}

/// Whether two clips can be of the same event: warns when their lengths differ much, refuses when wildly.
///
/// # Errors
/// [`IngestError::LengthsDiffer`].
pub fn check_pair(left: &ClipInfo, right: &ClipInfo) -> Result<Vec<Warning>, IngestError> {
    let (long, short) = (
        left.duration.max(right.duration),
        left.duration.min(right.duration),
    );
    let beyond = |(ratio, gap): (f64, Seconds)| long.0 > ratio * short.0 && long - short > gap;
    // The two rates of a slow-motion file and an ordinary one of the same film.
    let stretched =
        long.0 > 3.0 * short.0 && (left.rate_hz / right.rate_hz).max(right.rate_hz / left.rate_hz) > 3.0;
    if beyond(REFUSED) || stretched {
        return Err(IngestError::LengthsDiffer {
            left_s: left.duration.0,
            right_s: right.duration.0,
        });
    }
    let mut warnings = Vec::new();
    if beyond(SUSPICIOUS) {
        warnings.push(Warning::new(
            "lengths_differ",
            format!(
                "The left video lasts {:.1} s, the right {:.1} s.",
                left.duration.0, right.duration.0
            ),
            "Check that both are of the same recording; only what both saw is measured.",
        ));
    }
    Ok(warnings)
}
