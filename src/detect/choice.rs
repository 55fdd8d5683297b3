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

/// The same for an arm that winds up or follows through, if it is twice as fast as anybody else's.
const PART_OF_THROW_HEIGHTS_PER_S: f64 = 2.5;

/// Share of his poses with a foot on the ground round the rubber that makes a person the one who stands there.
const LEAST_ON_RUBBER: f64 = 0.05;

/// The wrist's speed is its way over at least this time, so that noise does not make it, before an instant and after it.
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

/// The likeliest athlete first: who stands on the rubber, when that is known; else who throws; else the largest person, at
/// similar sizes the one nearest the middle of a picture `width_px` wide.
pub(super) fn ranked(
    mut people: Vec<PersonTrack>,
    rubber: Option<&RubberHint>,
    width_px: f64,
) -> Vec<PersonTrack> {
    let mut ranked = Vec::with_capacity(people.len());
    while let Some(next) = choose(&people, rubber, width_px) {
        ranked.push(people.remove(next));
    }
    ranked
}

fn choose(people: &[PersonTrack], rubber: Option<&RubberHint>, width_px: f64) -> Option<usize> {
    if let Some(rubber) = rubber {
        let on_it = |p: &PersonTrack| share_on_rubber(&p.track, rubber);
        let throws = |p: &PersonTrack| {
            if on_it(p) >= LEAST_ON_RUBBER {
                p.throw_heights_per_s
            } else {
                0.0
            }
        };
        // Somebody may stand by the rubber for longer than the pitcher, who leaves it.
        let thrower = best(people, throws, THROW_HEIGHTS_PER_S);
        if let Some(person) = thrower.or_else(|| best(people, on_it, LEAST_ON_RUBBER)) {
            return Some(person);
        }
    }
    if let Some(person) = best(people, |p| p.throw_heights_per_s, THROW_HEIGHTS_PER_S) {
        return Some(person);
    }
    // Where the throw itself was hidden: an arm that moves as nobody else's does.
    if let Some(person) = best(people, |p| p.throw_heights_per_s, PART_OF_THROW_HEIGHTS_PER_S) {
        let others = people.iter().enumerate().filter(|(i, _)| *i != person);
        let next = others.map(|(_, p)| p.throw_heights_per_s).fold(0.0, f64::max);
        if people[person].throw_heights_per_s >= 2.0 * next {
            return Some(person);
        }
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

fn best(people: &[PersonTrack], score: impl Fn(&PersonTrack) -> f64, least: f64) -> Option<usize> {
    let scored = people.iter().map(score).enumerate().filter(|(_, s)| *s >= least);
    scored.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(i, _)| i)
}

/// The pieces of one person's track, in order of time, as one.
pub(super) fn person_track(pieces: &[&Follower]) -> Option<PersonTrack> {
    let mut heights: Vec<f64> = pieces
        .iter()
        .flat_map(|f| f.boxes())
        .map(|b| b.height_px)
        .collect();
    heights.sort_by(f64::total_cmp);
    let height_px = *heights.get(heights.len() / 2)?;
    let tracks = pieces.iter().map(|f| f.track());
    Some(PersonTrack {
        track: PoseTrack {
            poses: tracks.clone().flat_map(|t| t.poses.iter().cloned()).collect(),
        },
        height_px,
        // Within a piece: what joins two pieces is no motion of a hand.
        throw_heights_per_s: tracks
            .map(|t| throw_speed(&t.poses, height_px))
            .fold(0.0, f64::max),
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

/// The wrists' highest speed against the hips, box heights per second, the few fastest readings left out. A throwing hand
/// is fast before an instant and after it; one that jumps to somebody else's is fast once.
fn throw_speed(poses: &[Pose2d], height_px: f64) -> f64 {
    let mut speeds = Vec::new();
    let (mut before, mut after) = (0, 0);
    for (i, pose) in poses.iter().enumerate() {
        while before + 1 < i && pose.pts - poses[before + 1].pts >= THROW_SPAN {
            before += 1;
        }
        while after + 1 < poses.len() && poses[after].pts - pose.pts < THROW_SPAN {
            after += 1;
        }
        for joint in [Joint::LeftWrist, Joint::RightWrist] {
            if let (Some(to), Some(on)) = (
                wrist_speed(&poses[before], pose, joint),
                wrist_speed(pose, &poses[after], joint),
            ) {
                speeds.push(to.min(on) / height_px.max(1.0));
            }
        }
    }
    speeds.sort_by(f64::total_cmp);
    // Doubtful wrists; very few, because a throw is fast on both sides of only some five frames at 240 Hz.
    let dropped = (speeds.len() / 100).min(2);
    speeds.len().checked_sub(1 + dropped).map_or(0.0, |i| speeds[i])
}

/// A wrist's speed against the hips from one pose to another, pixels per second; `None` where they are too near in time or
/// too far.
fn wrist_speed(earlier: &Pose2d, later: &Pose2d, joint: Joint) -> Option<f64> {
    let dt = (later.pts - earlier.pts).0;
    if !(THROW_SPAN.0..=5.0 * THROW_SPAN.0).contains(&dt) {
        return None;
    }
    let (now, then) = (certain(later, joint)?.at, certain(earlier, joint)?.at);
    let (hips_now, hips_then) = (hips(later)?, hips(earlier)?);
    let dx = (now.x_px - hips_now.0) - (then.x_px - hips_then.0);
    let dy = (now.y_px - hips_now.1) - (then.y_px - hips_then.1);
    Some(dx.hypot(dy) / dt)
}

fn certain(pose: &Pose2d, joint: Joint) -> Option<ImageJoint> {
    pose.joints[joint].filter(|j| j.visible > 0.3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::PixelPoint;
    use crate::skeleton::PerJoint;

    /// Poses of a person of 300 px at 240 Hz whose right wrist is so far from the hips at a time, pixels.
    fn wrist(way_px: fn(f64) -> f64) -> Vec<Pose2d> {
        let pose = |frame: usize| {
            let t = frame as f64 / 240.0;
            let joints = PerJoint::from_fn(|joint| {
                let x = match joint {
                    Joint::LeftHip | Joint::RightHip => 400.0,
                    Joint::RightWrist => 400.0 + way_px(t),
                    _ => return None,
                };
                Some(ImageJoint {
                    at: PixelPoint::new(x, 300.0),
                    sd_px: 1.0,
                    visible: 1.0,
                })
            });
            Pose2d {
                frame,
                pts: Seconds(t),
                joints,
            }
        };
        (0..240).map(pose).collect()
    }

    /// Ten heights a second for 60 ms is a throw; one jump of half a height, to another's wrist and back, is none.
    #[test]
    fn a_throw_is_fast_for_a_while_and_a_jump_is_not() {
        let throw = wrist(|t| 3000.0 * (t - 0.5).clamp(0.0, 0.06));
        let speed = throw_speed(&throw, 300.0);
        assert!((speed - 10.0).abs() < 0.1, "{speed}");
        let jump = wrist(|t| if (0.5..0.7).contains(&t) { 150.0 } else { 0.0 });
        let speed = throw_speed(&jump, 300.0);
        assert!(speed < THROW_HEIGHTS_PER_S / 2.0, "{speed}");
    }
}
