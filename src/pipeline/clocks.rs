//! Sound, motion and dropped balls become one clock offset.

use nalgebra::Vector3;

use crate::ball::{DropClock, FallWatch, NoDrop, clock_from_drops};
use crate::geometry::{Shutter, StereoRig, WorldPoint};
use crate::ingest::Clip;
use crate::kinematics::DeliverySpan;
use crate::pipeline::{PipelineError, Recording};
use crate::quality::{Warning, Warnings};
use crate::sync::{
    ClockOffset, ClockSource, MotionOffset, MotionSearch, MotionViews, SoundOptions, SoundPaths, fuse,
    fuse_pictures, offset_from_motion, offset_from_sound, pool_deliveries,
};
use crate::track::PoseTrack;
use crate::units::Seconds;

/// An offset given by hand is believed to this, seconds.
const HAND_SD_S: f64 = 0.002;

/// Where people clap: near the mound, at chest height, give or take.
const CLAP_HEIGHT_M: f64 = 1.2;
const CLAP_SD_M: f64 = 1.5;

/// What the clocks are found from.
pub(crate) struct Seen<'a> {
    pub(crate) clips: &'a [Clip; 2],
    pub(crate) tracks: &'a [PoseTrack; 2],
    /// The watch for dropped balls; `None` when the videos were not read.
    pub(crate) watches: Option<&'a [FallWatch; 2]>,
    pub(crate) rig: &'a StereoRig,
    pub(crate) shutters: &'a [Shutter; 2],
}

/// What they are found to be.
pub(crate) struct Found {
    pub(crate) clock: ClockOffset,
    /// What dropped balls say, of the clocks and of which way is down.
    pub(crate) drop: Option<DropClock>,
}

/// The offset from whatever there is: sound first, motion and a dropped ball about it, all fused.
pub(crate) fn find(
    by_hand_s: Option<f64>,
    seen: &Seen<'_>,
    warnings: &mut Warnings,
) -> Result<Found, PipelineError> {
    if let Some(offset_s) = by_hand_s {
        return Ok(Found {
            clock: ClockOffset::by_hand(offset_s, HAND_SD_S),
            drop: None,
        });
    }
    let sound = from_sound(seen.clips, Some(seen.rig));
    let search = about(&sound);
    let views = MotionViews {
        left: &seen.tracks[0],
        right: &seen.tracks[1],
        rig: seen.rig,
        left_shutter: &seen.shutters[0],
        right_shutter: &seen.shutters[1],
    };
    let mut motion = offset_from_motion(&views, &search);
    let drop = from_drops(seen, &search, motion.as_ref().ok(), warnings);
    if let (Err(_), Some(drop)) = (&motion, &drop) {
        // Joints alone could not tell; near the ball's offset they may.
        motion = offset_from_motion(&views, &MotionSearch::about(&drop.found.clock));
    }
    tracing::info!(?motion, "clock from motion");
    let pictures = fuse_pictures(motion.as_ref().ok(), drop.as_ref().map(|d| &d.found));
    if let (None, Err(motion)) = (&pictures, motion) {
        match &sound {
            Ok(_) => warnings.add(Warning::new(
                "clock_from_sound_only",
                format!("the motion does not fix the clocks ({motion}); the offset comes from sound alone"),
                "film the whole delivery with both phones, or drop a ball twice where both see it bounce; sound alone is good to several frames only",
            )),
            Err(sound) => {
                return Err(PipelineError::NoClock {
                    sound: sound.clone(),
                    motion,
                });
            }
        }
    }
    let seen_clock = pictures.map(|(clock, said)| {
        warnings.extend(said);
        clock
    });
    let (clock, said) = fuse(sound.as_ref().ok(), seen_clock.as_ref())?;
    warnings.extend(said);
    tracing::info!(?clock, "clock");
    Ok(Found { clock, drop })
}

/// The offset from balls dropped in view of both phones; a ball that was dropped in vain is said so.
fn from_drops(
    seen: &Seen<'_>,
    search: &MotionSearch,
    motion: Option<&MotionOffset>,
    warnings: &mut Warnings,
) -> Option<DropClock> {
    let watches = seen.watches?;
    let from = |search: &MotionSearch| clock_from_drops(seen.clips, watches, seen.rig, seen.shutters, search);
    let found = match (from(search), motion) {
        // Two drops in a row fit two offsets when nothing else tells them apart: the delivery does.
        (Err(NoDrop::NotSeen), Some(motion)) => from(&MotionSearch::about(&motion.clock)),
        (found, _) => found,
    };
    match found {
        Ok(found) => {
            tracing::info!(?found, "clock from dropped balls");
            Some(found)
        }
        Err(NoDrop::NotSeen) => None,
        Err(why) => {
            warnings.add(Warning::new(
                "dropped_ball_unused",
                why.to_string(),
                "drop it from shoulder height on hard ground, a step away from people, where both phones see it fall and bounce",
            ));
            None
        }
    }
}

/// The offset at each delivery. In a recording long enough that the clocks drift apart, every delivery's own motion (and a
/// dropped ball) gives an offset at its time, and all together the drift; else it is the recording's everywhere.
pub(crate) fn by_delivery(recording: &Recording, spans: &[DeliverySpan]) -> Vec<ClockOffset> {
    let everywhere = vec![recording.clock; spans.len()];
    if spans.len() < 2 || recording.clock.source == ClockSource::Hand {
        return everywhere;
    }
    let within = |track: &PoseTrack, span: &DeliverySpan, shift_s: f64| PoseTrack {
        poses: track
            .poses
            .iter()
            .filter(|pose| (span.from.0..=span.to.0).contains(&(pose.pts.0 + shift_s)))
            .cloned()
            .collect(),
    };
    let search = MotionSearch::about(&recording.clock);
    let mut seen: Vec<MotionOffset> = spans
        .iter()
        .filter_map(|span| {
            let [left, right] = [
                within(&recording.tracks[0], span, 0.0),
                within(&recording.tracks[1], span, recording.clock.offset_s),
            ];
            let views = MotionViews {
                left: &left,
                right: &right,
                rig: &recording.rig,
                left_shutter: &recording.shutters[0],
                right_shutter: &recording.shutters[1],
            };
            offset_from_motion(&views, &search).ok()
        })
        .collect();
    seen.extend(recording.drop.map(|drop| drop.found));
    seen.sort_by(|a, b| a.clock.at.0.total_cmp(&b.clock.at.0));
    let at: Vec<Seconds> = spans.iter().map(|span| span.fastest).collect();
    drifting(&seen, &at).unwrap_or(everywhere)
}

/// Offsets at instants of clocks that drift, from those seen at others; `None` when those do not span long enough to tell.
fn drifting(seen: &[MotionOffset], at: &[Seconds]) -> Option<Vec<ClockOffset>> {
    let pooled = pool_deliveries(seen).ok()?;
    let drift = pooled.drift?;
    let spread_s = (seen
        .iter()
        .map(|o| (o.clock.at - pooled.at).0.powi(2))
        .sum::<f64>()
        / seen.len() as f64)
        .sqrt();
    tracing::info!(drift, deliveries = seen.len(), "clocks drift");
    Some(
        at.iter()
            .map(|at| ClockOffset {
                offset_s: pooled.offset_at(*at).0,
                // The drift's own doubt counts the more the farther from the middle.
                sd_s: pooled.sd_s * 1.0_f64.hypot((*at - pooled.at).0 / spread_s.max(1e-3)),
                at: *at,
                drift: None,
                ..pooled
            })
            .collect(),
    )
}

/// Where to look for the offset before the athlete is known.
pub(crate) fn search(by_hand_s: Option<f64>, clips: &[Clip; 2], rig: &StereoRig) -> MotionSearch {
    match by_hand_s {
        Some(offset_s) => MotionSearch::about(&ClockOffset::by_hand(offset_s, HAND_SD_S)),
        None => about(&from_sound(clips, Some(rig))),
    }
}

fn about(sound: &Result<ClockOffset, String>) -> MotionSearch {
    sound
        .as_ref()
        .map_or_else(|_| MotionSearch::default(), MotionSearch::about)
}

/// The offset from sound, or why there is none.
pub(crate) fn from_sound(clips: &[Clip; 2], rig: Option<&StereoRig>) -> Result<ClockOffset, String> {
    let read = |clip: &Clip| match clip.sound() {
        Ok(Some(sound)) => Ok(sound),
        Ok(None) => Err(format!("{} has no sound", clip.info.path.display())),
        Err(error) => Err(error.to_string()),
    };
    let (left, right) = (read(&clips[0])?, read(&clips[1])?);
    let near_the_mound = WorldPoint(Vector3::new(0.0, CLAP_HEIGHT_M, 0.0));
    let options = SoundOptions {
        paths: rig
            .filter(|r| r.world_from_left.is_some())
            .map(|r| SoundPaths::from_rig(r, near_the_mound, CLAP_SD_M)),
        baseline_m: rig.map(|r| r.right_from_left.baseline_m()),
        ..SoundOptions::default()
    };
    let found = offset_from_sound(&left, &right, &options).map_err(|e| e.to_string())?;
    tracing::info!(?found, "clock from sound");
    Ok(found.clock)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deliveries_half_a_minute_apart_tell_the_drift_and_each_gets_its_own_offset() {
        let seen = |at_s: f64| MotionOffset {
            clock: ClockOffset {
                offset_s: 0.2 + 30e-6 * at_s,
                sd_s: 3e-4,
                at: Seconds(at_s),
                drift: None,
                source: ClockSource::Motion,
            },
            readout_sd_s: 1e-4,
            samples: 300,
            residual_px: 1.0,
            residual_scale: 1.0,
            colour_share: 0.5,
            colour_tau_s: 0.05,
        };
        let all: Vec<_> = [10.0, 40.0, 70.0].map(seen).to_vec();
        let at = [Seconds(10.0), Seconds(70.0)];
        let found = drifting(&all, &at).unwrap();
        for (clock, at) in found.iter().zip(at) {
            assert!((clock.offset_s - 0.2 - 30e-6 * at.0).abs() < 1e-9, "{clock:?}");
            assert!(clock.sd_s > 2e-4 && clock.sd_s < 5e-4, "{clock:?}");
        }
        // Two pitches in a row say nothing of a drift.
        assert!(drifting(&all[..1], &at).is_none());
        assert!(drifting(&[seen(10.0), seen(14.0)], &at).is_none());
    }
}
