//! Sound and motion become one clock offset.

use nalgebra::Vector3;

use crate::geometry::{Shutter, StereoRig, WorldPoint};
use crate::ingest::Clip;
use crate::pipeline::PipelineError;
use crate::quality::{Warning, Warnings};
use crate::sync::{
    ClockOffset, MotionSearch, MotionViews, SoundOptions, SoundPaths, fuse, offset_from_motion,
    offset_from_sound,
};
use crate::track::PoseTrack;

/// An offset given by hand is believed to this, seconds.
const HAND_SD_S: f64 = 0.002;

/// Where people clap: near the mound, at chest height, give or take.
const CLAP_HEIGHT_M: f64 = 1.2;
const CLAP_SD_M: f64 = 1.5;

/// The offset from whatever there is: sound first, motion about it, both fused.
pub(crate) fn find(
    by_hand_s: Option<f64>,
    clips: &[Clip; 2],
    tracks: &[PoseTrack; 2],
    rig: &StereoRig,
    shutters: &[Shutter; 2],
    warnings: &mut Warnings,
) -> Result<ClockOffset, PipelineError> {
    if let Some(offset_s) = by_hand_s {
        return Ok(ClockOffset::by_hand(offset_s, HAND_SD_S));
    }
    let sound = from_sound(clips, Some(rig));
    let search = about(&sound);
    let views = MotionViews {
        left: &tracks[0],
        right: &tracks[1],
        rig,
        left_shutter: &shutters[0],
        right_shutter: &shutters[1],
    };
    let motion = match offset_from_motion(&views, &search) {
        Ok(found) => {
            tracing::info!(?found, "clock from motion");
            Some(found.clock)
        }
        Err(motion) => {
            match &sound {
                Ok(_) => {
                    warnings.add(Warning::new(
                    "clock_from_sound_only",
                    format!("the motion does not fix the clocks ({motion}); the offset comes from sound alone"),
                    "film the whole delivery with both phones; sound alone is good to several frames only",
                ));
                    None
                }
                Err(sound) => {
                    return Err(PipelineError::NoClock {
                        sound: sound.clone(),
                        motion,
                    });
                }
            }
        }
    };
    let (clock, said) = fuse(sound.as_ref().ok(), motion.as_ref())?;
    warnings.extend(said);
    tracing::info!(?clock, "clock");
    Ok(clock)
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
