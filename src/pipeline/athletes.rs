//! Two videos become two pose tracks, both phones at the same time.

use nalgebra::Vector3;

use crate::ball::FallWatch;
use crate::detect::{DetectSettings, Followed, Models, RubberHint, follow_people};
use crate::geometry::{Phone, Shutter, StereoRig, WorldPoint};
use crate::ingest::Clip;
use crate::picture::Region;
use crate::pipeline::{PipelineError, clocks, same_person};
use crate::quality::{Progress, Warnings};
use crate::track::PoseTrack;
use crate::units::Seconds;

/// Half the ground round the rubber on which a pitcher stands before the delivery, metres.
const RUBBER_REACH_M: f64 = 0.8;

/// Follows the athlete in both clips, the same person in both; times count from LEFT's first frame. Each picture is also shown
/// to a watch for dropped balls, so that the videos are read once.
pub(crate) fn follow_both(
    clips: &[Clip; 2],
    models: [Models; 2],
    rig: &StereoRig,
    shutters: &[Shutter; 2],
    offset_s: Option<f64>,
    progress: &dyn Progress,
    warnings: &mut Warnings,
) -> Result<([PoseTrack; 2], [FallWatch; 2]), PipelineError> {
    let frames: u64 = clips.iter().map(|c| c.info.frames_estimate).sum();
    progress.start("find the athlete in both videos", Some(frames));
    let [mut left_models, mut right_models] = models;
    let one = |phone: Phone, models: &mut Models| {
        let clip = &clips[phone as usize];
        let settings = DetectSettings {
            rubber: rubber_in_picture(rig, phone),
            ..DetectSettings::default()
        };
        let mut watch = FallWatch::new(clip.info.rate_hz);
        let mut frames = clip.frames()?;
        let watched = frames.by_ref().inspect(|frame| {
            if let Ok(frame) = frame {
                watch.look(frame.pts, &frame.picture);
            }
        });
        let people = follow_people(watched, models, &settings, &Steps(progress))
            .map_err(|source| PipelineError::InVideo { phone, source })?;
        Ok::<_, PipelineError>((people, frames.warnings().to_vec(), watch))
    };
    let (left, right) = std::thread::scope(|threads| {
        let left = threads.spawn(|| one(Phone::Left, &mut left_models));
        let right = one(Phone::Right, &mut right_models);
        (left.join(), right)
    });
    progress.finish();
    let left = left.unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
    let right = right?;
    let both = [&left.0.people[..], &right.0.people[..]];
    let search = || clocks::search(offset_s, clips, rig);
    let chosen = same_person::choose(both, rig, shutters, search, warnings);
    let zero = clips[0].info.start;
    let watches = [left.2, right.2];
    let mut tracks = [(left.0, left.1), (right.0, right.1)]
        .into_iter()
        .zip(chosen)
        .map(|((people, decoding), which)| {
            let followed = people.athlete(which);
            warnings.extend(decoding);
            warnings.extend(followed.warnings.clone());
            counted_from(followed, zero)
        });
    let mut next = || tracks.next().unwrap_or_default();
    Ok(([next(), next()], watches))
}

fn counted_from(followed: Followed, zero: Seconds) -> PoseTrack {
    let mut track = followed.track;
    for pose in &mut track.poses {
        pose.pts = pose.pts - zero;
    }
    track
}

/// Where the rubber is in a phone's picture; `None` without a world frame.
fn rubber_in_picture(rig: &StereoRig, phone: Phone) -> Option<RubberHint> {
    rig.world_from_left?;
    let pose = rig.camera_from_world(phone);
    let mut corners = Vec::new();
    for x in [-RUBBER_REACH_M, RUBBER_REACH_M] {
        for z in [-RUBBER_REACH_M, RUBBER_REACH_M] {
            corners.push(
                rig.camera(phone)
                    .project(pose.apply(WorldPoint(Vector3::new(x, 0.0, z))))?,
            );
        }
    }
    let least =
        |f: fn(&crate::geometry::PixelPoint) -> f64| corners.iter().map(f).fold(f64::INFINITY, f64::min);
    let most =
        |f: fn(&crate::geometry::PixelPoint) -> f64| corners.iter().map(f).fold(f64::NEG_INFINITY, f64::max);
    let (left_px, top_px) = (least(|p| p.x_px), least(|p| p.y_px));
    Some(RubberHint {
        region: Region {
            left_px,
            top_px,
            width_px: most(|p| p.x_px) - left_px,
            height_px: most(|p| p.y_px) - top_px,
        },
    })
}

/// Passes on steps only: the two phones share one bar.
struct Steps<'a>(&'a dyn Progress);

impl Progress for Steps<'_> {
    fn start(&self, _stage: &str, _total: Option<u64>) {}
    fn advance(&self, items: u64) {
        self.0.advance(items);
    }
    fn finish(&self) {}
}
