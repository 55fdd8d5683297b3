//! Left and right put right over time.
//!
//! A network may confuse the two sides for some frames. For each set of limbs the most plausible history of "confused or
//! not" is found over the whole clip (Viterbi, two states): what moves from frame to frame costs its way, a change
//! between the states costs a fixed amount, and so does, a little, the time spent confused, because the network is right
//! more often than not. Only a confusion that makes the motion clearly more continuous is mended.

use crate::skeleton::{Joint, PerJoint};
use crate::track::{ImageJoint, Pose2d, PoseTrack};
use crate::units::Seconds;

/// Joints of the left side that are confused together with their partners of the right.
const SETS: [&[Joint]; 5] = [
    &[Joint::LeftElbow, Joint::LeftWrist, Joint::LeftKnuckle],
    &[
        Joint::LeftKnee,
        Joint::LeftAnkle,
        Joint::LeftHeel,
        Joint::LeftBigToe,
        Joint::LeftSmallToe,
    ],
    &[Joint::LeftShoulder],
    &[Joint::LeftHip],
    &[Joint::LeftEye, Joint::LeftEar],
];

/// Cost of each change between right and confused, in person heights of mean way per joint.
const CHANGE: f64 = 0.04;

/// Cost of a second spent confused, same unit.
const CONFUSED_PER_S: f64 = 0.1;

/// Poses further apart say nothing about each other.
const LONGEST_GAP: Seconds = Seconds(0.12);

/// A joint with a larger standard deviation, in person heights, says nothing.
const LARGEST_SD: f64 = 0.08;

/// The track with left and right put right, and in how many frames that was needed.
#[must_use]
pub fn mend_swaps(track: &PoseTrack) -> (PoseTrack, usize) {
    let mut mended = track.clone();
    let Some(size_px) = person_height(&track.poses) else {
        return (mended, 0);
    };
    let mut touched = vec![false; track.poses.len()];
    for set in SETS {
        for (i, confused) in history(&track.poses, set, size_px).into_iter().enumerate() {
            if confused {
                touched[i] = true;
                exchange(&mut mended.poses[i].joints, set);
            }
        }
    }
    let count = touched.iter().filter(|t| **t).count();
    (mended, count)
}

fn exchange(joints: &mut PerJoint<Option<ImageJoint>>, set: &[Joint]) {
    for &left in set {
        joints.0.swap(left.index(), left.mirrored().index());
    }
}

/// Whether the set is confused, for each pose.
fn history(poses: &[Pose2d], set: &[Joint], size_px: f64) -> Vec<bool> {
    if poses.is_empty() {
        return Vec::new();
    }
    // Cost of the best history that ends right, and of the one that ends confused; and which state came before each.
    let mut cost = [0.0, 0.0];
    let mut before: Vec<[usize; 2]> = Vec::with_capacity(poses.len());
    for pair in poses.windows(2) {
        let dt = pair[1].pts - pair[0].pts;
        let (kept, changed) = if dt <= LONGEST_GAP {
            ways(&pair[0], &pair[1], set, size_px)
        } else {
            (0.0, 0.0)
        };
        let step = |from: usize, to: usize| {
            let way = if from == to { kept } else { changed + CHANGE };
            let confused = if to == 1 {
                CONFUSED_PER_S * dt.min(LONGEST_GAP).0
            } else {
                0.0
            };
            cost[from] + way + confused
        };
        let choice = [0, 1].map(|to| usize::from(step(1, to) < step(0, to)));
        cost = [step(choice[0], 0), step(choice[1], 1)];
        before.push(choice);
    }
    let mut state = usize::from(cost[1] < cost[0]);
    let mut states = vec![state == 1];
    for choice in before.into_iter().rev() {
        state = choice[state];
        states.push(state == 1);
    }
    states.reverse();
    states
}

/// Mean way per joint between two poses, in person heights: with the sides as given, and with one pose's exchanged.
fn ways(earlier: &Pose2d, later: &Pose2d, set: &[Joint], size_px: f64) -> (f64, f64) {
    let (mut kept, mut changed, mut count) = (0.0, 0.0, 0.0);
    for &left in set {
        let at = |pose: &Pose2d, joint: Joint| {
            pose.joints[joint]
                .filter(|found| found.sd_px <= LARGEST_SD * size_px)
                .map(|found| found.at)
        };
        let right = left.mirrored();
        if let (Some(l0), Some(r0), Some(l1), Some(r1)) = (
            at(earlier, left),
            at(earlier, right),
            at(later, left),
            at(later, right),
        ) {
            kept += l0.distance_px(l1) + r0.distance_px(r1);
            changed += l0.distance_px(r1) + r0.distance_px(l1);
            count += 2.0;
        }
    }
    if count > 0.0 {
        (kept / count / size_px, changed / count / size_px)
    } else {
        (0.0, 0.0)
    }
}

/// Median height of the box round the joints, pixels.
fn person_height(poses: &[Pose2d]) -> Option<f64> {
    let mut heights: Vec<f64> = poses
        .iter()
        .filter_map(|pose| {
            let found = pose.joints.0.iter().flatten().map(|j| j.at);
            super::boxes::around_points(found).map(|b| b.height_px)
        })
        .collect();
    heights.sort_by(f64::total_cmp);
    heights.get(heights.len() / 2).copied().filter(|h| *h > 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::PixelPoint;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A walker of 300 pixels seen from the side at a rate, legs and arms crossing every half second, 2 px of noise.
    fn walker(rate_hz: f64, seconds: f64) -> PoseTrack {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let poses = (0..(rate_hz * seconds) as usize).map(|frame| {
            let t = frame as f64 / rate_hz;
            let swing = (t * std::f64::consts::TAU).sin();
            let joints = PerJoint::from_fn(|joint| {
                let side = if joint.name().starts_with("left") {
                    1.0
                } else {
                    -1.0
                };
                let (dx, y) = match joint {
                    Joint::LeftKnee | Joint::RightKnee => (25.0 * swing, 220.0),
                    Joint::LeftAnkle | Joint::RightAnkle => (60.0 * swing, 300.0),
                    Joint::LeftHeel | Joint::RightHeel => (60.0 * swing - 6.0, 305.0),
                    Joint::LeftWrist | Joint::RightWrist => (-45.0 * swing, 150.0),
                    Joint::LeftElbow | Joint::RightElbow => (-20.0 * swing, 110.0),
                    Joint::LeftHip | Joint::RightHip => (4.0, 150.0),
                    Joint::LeftShoulder | Joint::RightShoulder => (5.0, 60.0),
                    Joint::HeadTop => (0.0, 0.0),
                    _ => return None,
                };
                let mut noise = || random.random_range(-3.0..3.0);
                let at = PixelPoint::new(100.0 + 200.0 * t + side * dx + noise(), y + noise());
                Some(ImageJoint {
                    at,
                    sd_px: 2.0,
                    visible: 1.0,
                })
            });
            Pose2d {
                frame,
                pts: Seconds(t),
                joints,
            }
        });
        PoseTrack {
            poses: poses.collect(),
        }
    }

    #[test]
    fn crossing_limbs_are_left_alone() {
        for rate_hz in [30.0, 60.0, 240.0] {
            let track = walker(rate_hz, 3.0);
            assert_eq!(mend_swaps(&track), (track, 0), "{rate_hz}");
        }
    }

    #[test]
    fn confused_legs_and_arms_are_put_right() {
        let truth = walker(240.0, 3.0);
        let mut confused = truth.clone();
        // Legs apart at 0.25 s and 0.75 s; the first pose of all confused too.
        for pose in &mut confused.poses {
            if (50..70).contains(&pose.frame) || pose.frame == 180 {
                exchange(&mut pose.joints, SETS[1]);
            }
            if (300..311).contains(&pose.frame) {
                exchange(&mut pose.joints, SETS[0]);
            }
        }
        let (mended, count) = mend_swaps(&confused);
        assert_eq!(mended, truth);
        assert_eq!(count, 20 + 1 + 11);
    }

    #[test]
    fn a_clip_that_begins_confused_is_put_right() {
        let truth = walker(240.0, 2.0);
        let mut confused = truth.clone();
        for pose in &mut confused.poses[..60] {
            exchange(&mut pose.joints, SETS[1]);
        }
        assert_eq!(mend_swaps(&confused), (truth, 60));
    }

    #[test]
    fn nothing_is_no_trouble() {
        assert_eq!(mend_swaps(&PoseTrack::default()).1, 0);
    }
}
