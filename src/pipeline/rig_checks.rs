//! The rig checked against the recording itself: did the phones stand still, keep their focus, and do the joints still fit?

use crate::calibrate::{
    Background, MAX_DRIFT_PX, Motion, PixelBox, SharedJoint, Steadiness, breathing_px, relative_pose,
    steadiness,
};
use crate::geometry::{Phone, Shutter, StereoRig};
use crate::ingest::Clip;
use crate::kinematics::DeliveryMeasures;
use crate::pipeline::{MeasureRequest, PipelineError, error};
use crate::quality::{Status, Warning, Warnings};
use crate::reconstruct::Reconstruction;
use crate::skeleton::Joint;
use crate::sync::{ClockOffset, TrackSampler};
use crate::track::PoseTrack;
use crate::units::Seconds;

/// Pictures of each phone that are compared.
const LOOKS: u64 = 24;
/// Room around the athlete's joints that is not background: a share of his extent, and pixels.
const ROOM: f64 = 0.2;
const ROOM_PX: f64 = 20.0;
/// Left frames whose joints are compared: every so many.
const EVERY: usize = 4;
/// Joints more doubtful than this say nothing of the rig, pixels.
const MAX_SD_PX: f64 = 8.0;
/// The rig is doubted when another explains the joints this much better: their median distance falls to this share, from
/// at least this many pixels (of a picture 1280 wide), by a turn of at least this many degrees.
const BETTER: f64 = 0.75;
const WORTH_PX: f64 = 1.5;
const WORTH_DEG: f64 = 0.15;
/// A rig is refined by no more than this.
const MAX_TURN_DEG: f64 = 2.0;
const MAX_SHIFT_M: f64 = 0.15;
/// A hand that moves farther than this during one exposure is a smear.
const MAX_SMEAR_M: f64 = 0.060;

/// Looks at each phone's background for motion and breathing.
pub(crate) fn phones_stand_still(
    clips: &[Clip; 2],
    tracks: &[PoseTrack; 2],
    warnings: &mut Warnings,
) -> Result<(), PipelineError> {
    for (phone, (clip, track)) in [Phone::Left, Phone::Right]
        .into_iter()
        .zip(clips.iter().zip(tracks))
    {
        let motions = motions(clip, track)?;
        tracing::info!(
            phone = error::name(phone),
            looks = motions.len(),
            ?motions,
            "background"
        );
        warnings.extend(stillness_words(&motions, clip.info.width_px, phone));
    }
    Ok(())
}

/// How pictures spread over a clip lie against its first one; none when the background has no structure.
fn motions(clip: &Clip, track: &PoseTrack) -> Result<Vec<(Seconds, Motion)>, PipelineError> {
    let every = (clip.info.frames_estimate / LOOKS).max(1) as usize;
    let mut background = None;
    let mut motions = Vec::new();
    for frame in clip.frames_where(|index, _| index % every == 0)? {
        let frame = frame?;
        let picture = &frame.picture.luma;
        match &background {
            None => match Background::new(picture, &athlete_at(track)) {
                Some(found) => background = Some(found),
                None => return Ok(motions),
            },
            Some(first) => {
                if let Some(motion) = first.motion(picture) {
                    motions.push((frame.pts, motion));
                }
            }
        }
    }
    Ok(motions)
}

/// The rectangle in which the athlete moves, with room about it.
fn athlete_at(track: &PoseTrack) -> Vec<PixelBox> {
    let mut around: Option<PixelBox> = None;
    for pose in &track.poses {
        for seen in Joint::ALL.into_iter().filter_map(|j| pose.joints[j]) {
            let (x, y) = (seen.at.x_px, seen.at.y_px);
            let b = around.get_or_insert([x, y, x, y]);
            *b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
        }
    }
    around
        .map(|[x0, y0, x1, y1]| {
            let (dx, dy) = (ROOM * (x1 - x0) + ROOM_PX, ROOM * (y1 - y0) + ROOM_PX);
            [x0 - dx, y0 - dy, x1 + dx, y1 + dy]
        })
        .into_iter()
        .collect()
}

/// What to say of one phone's background.
fn stillness_words(motions: &[(Seconds, Motion)], width_px: u32, phone: Phone) -> Vec<Warning> {
    let whose = error::name(phone);
    let mut said = Vec::new();
    match steadiness(motions, width_px) {
        Steadiness::Still { .. } => {}
        Steadiness::Moved { by_px, at } => said.push(Warning::new(
            "phone_moved",
            format!(
                "the {whose} phone was moved {:.1} s into its recording: the background shifts by {by_px:.1} px and stays ({MAX_DRIFT_PX} px are harmless)",
                at.0
            ),
            "calibrate again, and do not touch the tripods between board and pitching; --refine-rig helps when it was little",
        )),
        Steadiness::Wanders { by_px } => said.push(Warning::new(
            "picture_wanders",
            format!(
                "the {whose} phone's picture wanders over the background by up to {by_px:.1} px ({MAX_DRIFT_PX} px are harmless): video stabilisation was on, or the tripod shook"
            ),
            "switch video stabilisation off on both phones, for the board too; weigh the tripods down in wind",
        )),
    }
    if let Some(edge_px) = breathing_px(motions, width_px) {
        said.push(Warning::new(
            "focus_breathes",
            format!(
                "the {whose} phone's picture grows and shrinks by {edge_px:.1} px at its edge: its focus was not locked"
            ),
            "lock focus and exposure on both phones before the board is shown",
        ));
    }
    said
}

/// The rig after a look at the joints, and the clock with it: as calibrated, with a warning when another rig fits much
/// better; when the request says so, the one that fits.
pub(crate) fn joints_fit(
    request: &MeasureRequest,
    rig: StereoRig,
    tracks: &[PoseTrack; 2],
    shutters: &[Shutter; 2],
    find_clock: impl Fn(&StereoRig, &mut Warnings) -> Result<ClockOffset, PipelineError>,
    warnings: &mut Warnings,
) -> Result<(StereoRig, ClockOffset), PipelineError> {
    let clock = find_clock(&rig, warnings)?;
    let joints = shared_joints(tracks, shutters, &clock);
    let Some(found) = relative_pose(&rig, &joints) else {
        return Ok((rig, clock));
    };
    tracing::info!(?found, joints = joints.len(), "rig against joints");
    let worth_px = WORTH_PX * f64::from(rig.left.width_px) / 1280.0;
    let off =
        found.before_px > worth_px && found.after_px < BETTER * found.before_px && found.turn_deg > WORTH_DEG;
    let change = format!(
        "turned by {:.2} degrees and shifted by {:.0} mm",
        found.turn_deg,
        1000.0 * found.shift_m
    );
    if request.refine_rig {
        if found.turn_deg > MAX_TURN_DEG || found.shift_m > MAX_SHIFT_M {
            return Err(PipelineError::RigMovedFar { change });
        }
        warnings.add(Warning::new(
            "rig_refined",
            format!(
                "the rig was fitted to this recording: one phone against the other {change}; joints then miss by {:.1} px instead of {:.1}",
                found.after_px, found.before_px
            ),
            "tilts and directions still come from the calibration: if LEFT was moved they are off by as much; calibrate again",
        ));
        let refined = StereoRig {
            right_from_left: found.right_from_left,
            ..rig
        };
        // What there was to say of the clock has been said.
        let clock = find_clock(&refined, &mut Warnings::default())?;
        return Ok((refined, clock));
    }
    if off {
        warnings.add(Warning::new(
            "rig_does_not_fit",
            format!(
                "the joints of the two views miss each other by {:.1} px; a rig {change} fits to {:.1} px: a phone was moved since the calibration",
                found.before_px, found.after_px
            ),
            "calibrate again, or measure with --refine-rig",
        ));
    }
    Ok((rig, clock))
}

/// Joints of both phones at common instants.
fn shared_joints(tracks: &[PoseTrack; 2], shutters: &[Shutter; 2], clock: &ClockOffset) -> Vec<SharedJoint> {
    let right = TrackSampler::new(&tracks[1], &shutters[1]);
    let mut shared = Vec::new();
    for pose in tracks[0].poses.iter().step_by(EVERY) {
        for joint in Joint::ALL {
            let Some(seen) = pose.joints[joint].filter(|s| s.sd_px <= MAX_SD_PX) else {
                continue;
            };
            let instant = pose.pts + shutters[0].delay(seen.at);
            let other = right.at(joint, clock.right_from_left(instant));
            if let Some(other) = other.filter(|s| s.sd_px <= MAX_SD_PX) {
                shared.push(SharedJoint {
                    left: seen.at,
                    right: other.at,
                    sd_px: [seen.sd_px, other.sd_px],
                });
            }
        }
    }
    shared
}

/// Says so when many keypoints contradict the rest.
pub(crate) fn fit_warning(estimate: &Reconstruction) -> Option<Warning> {
    (estimate.rejected_share > 0.1).then(|| {
        Warning::new(
            "keypoints_contradict",
            format!("{:.0} % of the keypoints do not fit one body seen by both phones", 100.0 * estimate.rejected_share),
            "check that LEFT and RIGHT are not exchanged, that no phone moved since the calibration and that nobody stands in front of the athlete",
        )
    })
}

/// Hand speed and release are doubtful when the hand smears.
pub(crate) fn hand_smear(shutters: &[Shutter; 2], measures: &mut DeliveryMeasures) -> Option<Warning> {
    let speed_m_s = measures
        .metrics
        .iter()
        .find(|m| m.id == "peak_hand_speed_m_s")?
        .value?;
    let (phone, shutter) = [Phone::Left, Phone::Right]
        .into_iter()
        .zip(shutters)
        .max_by(|a, b| a.1.exposure_s.total_cmp(&b.1.exposure_s))?;
    let reason = smear_words(speed_m_s, shutter.exposure_s)?;
    let touched =
        |id: &str| id == "peak_hand_speed_m_s" || id.starts_with("release_") || id == "ball_speed_m_s";
    for metric in measures.metrics.iter_mut().filter(|m| touched(m.id)) {
        if metric.status == Status::Measured {
            metric.status = Status::Doubtful;
            metric.reason = Some(reason.clone());
        }
    }
    Some(Warning::new(
        "hand_smeared",
        format!(
            "{reason} in the {} phone: hand speed and the instant of release are doubtful",
            error::name(phone)
        ),
        "film in more light, with a shutter of 1/1000 s or shorter",
    ))
}

/// How far a hand smears, when that is too far.
fn smear_words(speed_m_s: f64, exposure_s: f64) -> Option<String> {
    let smear_m = speed_m_s * exposure_s;
    (smear_m > MAX_SMEAR_M).then(|| {
        format!(
            "the hand smears over {:.0} mm during an exposure of {:.1} ms",
            1000.0 * smear_m,
            1000.0 * exposure_s
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector2;

    #[test]
    fn what_the_background_tells_is_said_with_the_phone_and_the_remedy() {
        let said = |shift: &dyn Fn(usize) -> f64, scale: &dyn Fn(usize) -> f64, phone| {
            let motions: Vec<_> = (0..20)
                .map(|k| {
                    let motion = Motion {
                        shift_px: Vector2::new(shift(k), 0.0),
                        scale: scale(k),
                        turn_deg: 0.0,
                        points: 80,
                    };
                    (Seconds(k as f64 * 0.1), motion)
                })
                .collect();
            stillness_words(&motions, 1280, phone)
        };
        assert!(said(&|_| 0.2, &|_| 1.0, Phone::Left).is_empty());
        let moved = said(&|k| if k < 7 { 0.0 } else { 3.0 }, &|_| 1.0, Phone::Right);
        assert_eq!(moved[0].code, "phone_moved");
        assert!(
            moved[0].text.contains("right phone") && moved[0].text.contains("3.0 px"),
            "{moved:?}"
        );
        assert!(moved[0].hint.contains("calibrate again"));
        let wanders = said(&|k| 2.0 * (k as f64).sin(), &|_| 1.0, Phone::Left);
        assert_eq!(wanders[0].code, "picture_wanders");
        assert!(wanders[0].text.contains("left phone") && wanders[0].text.contains("stabilisation"));
        let breathes = said(&|_| 0.0, &|k| 1.0 + 0.004 * (k % 2) as f64, Phone::Left);
        assert_eq!(breathes[0].code, "focus_breathes");
        assert!(breathes[0].hint.contains("lock focus"));
    }

    #[test]
    fn a_smear_of_more_than_six_centimetres_is_said() {
        assert!(smear_words(30.0, 0.0019).is_none());
        let words = smear_words(30.0, 0.0025).unwrap();
        assert!(words.contains("75 mm") && words.contains("2.5 ms"), "{words}");
    }
}
