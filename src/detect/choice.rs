//! Who of the people followed is the athlete.

use super::RubberHint;
use super::boxes::contains;
use super::follower::Follower;
use crate::skeleton::Joint;
use crate::track::{ImageJoint, Pose2d, PoseTrack};
use crate::units::Seconds;

/// A wrist that moves faster against the hips than this many body heights a second throws. A pitcher's hand moves at more
/// than eight, seen aslant still six; a walker's wrist stays below two, but small people's joints jump by more (common
/// practice, no source).
const THROW_HEIGHTS_PER_S: f64 = 5.5;

/// The wrist's speed is its way over at least this time, so that noise does not make it.
const THROW_SPAN: Seconds = Seconds(0.02);

/// One followed person.
#[derive(Clone, Debug, PartialEq)]
pub struct PersonTrack {
    /// His joints.
    pub track: PoseTrack,
    /// Median height of the box round his joints, pixels.
    pub height_px: f64,
    /// Fastest motion of a wrist against the hips, box heights per second, the few fastest readings left out.
    pub throw_heights_per_s: f64,
}

/// Who stands on the rubber, when that is known; else who throws; else the largest person, at similar sizes the one
/// nearest the middle of a picture `width_px` wide.
pub(super) fn choose(
    people: &[PersonTrack],
    rubber: Option<&RubberHint>,
    width_px: f64,
) -> Option<PersonTrack> {
    if let Some(rubber) = rubber
        && let Some(person) = best(people, |p| share_on_rubber(&p.track, rubber), 0.05)
    {
        return Some(person);
    }
    if let Some(person) = best(people, |p| p.throw_heights_per_s, THROW_HEIGHTS_PER_S) {
        return Some(person);
    }
    let longest = people.iter().map(|p| p.track.poses.len()).max()? as f64;
    let half_width = (width_px / 2.0).max(1.0);
    let size = |p: &PersonTrack| {
        let off_middle = (mean_x(&p.track).unwrap_or(half_width) - half_width).abs() / half_width;
        let shown = (p.track.poses.len() as f64 / longest).sqrt();
        p.height_px * (1.0 - 0.3 * off_middle) * shown
    };
    best(people, size, 0.0)
}

fn best(people: &[PersonTrack], score: impl Fn(&PersonTrack) -> f64, least: f64) -> Option<PersonTrack> {
    let scored = people.iter().map(|p| (score(p), p)).filter(|(s, _)| *s >= least);
    scored.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, p)| p.clone())
}

pub(super) fn person_track(follower: &Follower) -> Option<PersonTrack> {
    let mut heights: Vec<f64> = follower.boxes().iter().map(|b| b.height_px).collect();
    heights.sort_by(f64::total_cmp);
    let height_px = *heights.get(heights.len() / 2)?;
    Some(PersonTrack {
        track: follower.track().clone(),
        height_px,
        throw_heights_per_s: throw_speed(&follower.track().poses, height_px),
    })
}

fn share_on_rubber(track: &PoseTrack, rubber: &RubberHint) -> f64 {
    let on_it = track.poses.iter().filter(|pose| {
        let ankles = [Joint::LeftAnkle, Joint::RightAnkle];
        ankles
            .iter()
            .any(|j| pose.joints[*j].is_some_and(|found| contains(&rubber.region, found.at)))
    });
    on_it.count() as f64 / track.poses.len().max(1) as f64
}

fn mean_x(track: &PoseTrack) -> Option<f64> {
    let (mut total, mut count) = (0.0, 0.0);
    for pose in &track.poses {
        if let Some((x, _)) = hips(pose) {
            total += x;
            count += 1.0;
        }
    }
    (count > 0.0).then(|| total / count)
}

fn hips(pose: &Pose2d) -> Option<(f64, f64)> {
    let (left, right) = (pose.joints[Joint::LeftHip]?, pose.joints[Joint::RightHip]?);
    Some((
        (left.at.x_px + right.at.x_px) / 2.0,
        (left.at.y_px + right.at.y_px) / 2.0,
    ))
}

/// The wrists' highest speed against the hips, box heights per second, the few fastest readings left out.
fn throw_speed(poses: &[Pose2d], height_px: f64) -> f64 {
    let mut speeds = Vec::new();
    let mut before = 0;
    for pose in poses {
        while before + 1 < poses.len() && pose.pts - poses[before + 1].pts >= THROW_SPAN {
            before += 1;
        }
        let earlier = &poses[before];
        let dt = (pose.pts - earlier.pts).0;
        if !(THROW_SPAN.0..=5.0 * THROW_SPAN.0).contains(&dt) {
            continue;
        }
        for joint in [Joint::LeftWrist, Joint::RightWrist] {
            if let (Some(now), Some(then), Some(hips_now), Some(hips_then)) = (
                certain(pose, joint),
                certain(earlier, joint),
                hips(pose),
                hips(earlier),
            ) {
                let dx = (now.at.x_px - hips_now.0) - (then.at.x_px - hips_then.0);
                let dy = (now.at.y_px - hips_now.1) - (then.at.y_px - hips_then.1);
                speeds.push(dx.hypot(dy) / dt / height_px.max(1.0));
            }
        }
    }
    speeds.sort_by(f64::total_cmp);
    // Jumps of a doubtful wrist; few, because the fast part of a throw lasts only some ten frames at 240 Hz.
    let dropped = (speeds.len() / 40).min(5);
    speeds.len().checked_sub(1 + dropped).map_or(0.0, |i| speeds[i])
}

fn certain(pose: &Pose2d, joint: Joint) -> Option<ImageJoint> {
    pose.joints[joint].filter(|j| j.visible > 0.3)
}
