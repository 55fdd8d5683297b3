//! The same person in both views: of all pairs of people, one that fits the rig.
//!
//! Each phone's view names its likeliest athlete. Where the two are not one person (the lines of sight to their joints
//! pass each other), the likeliest pair that is one is taken. Phones of equal height cannot tell two people apart who stand
//! side by side along the line from phone to phone.

use crate::detect::PersonTrack;
use crate::geometry::{Shutter, StereoRig};
use crate::quality::{Warning, Warnings};
use crate::sync::{MotionSearch, MotionViews, views_apart_px};

/// The lines of sight to one person's joints miss each other by less than this share of his height in the picture. Of two
/// people a metre apart in depth, seen by phones of equal height 60 to 110 degrees apart, they miss by about twice that.
const SAME_PERSON_SHARE: f64 = 0.03;

/// Another pair must fit better by this factor than the likeliest one: a phone that was nudged spoils them alike.
const CLEARLY_BETTER: f64 = 0.5;

/// A person followed for less than this share of the longest track is not paired.
const LEAST_POSES: f64 = 0.1;

/// Which of each view's people to measure. Without an agreeing pair the likeliest of each: later stages judge them.
pub(crate) fn choose(
    people: [&[PersonTrack]; 2],
    rig: &StereoRig,
    shutters: &[Shutter; 2],
    search: impl FnOnce() -> MotionSearch,
    warnings: &mut Warnings,
) -> [usize; 2] {
    if people.iter().all(|p| p.len() < 2) {
        return [0, 0];
    }
    let search = search();
    let apart = |pair: [usize; 2]| {
        let [left, right] = [0, 1].map(|i| &people[i][pair[i]]);
        let views = MotionViews {
            left: &left.track,
            right: &right.track,
            rig,
            left_shutter: &shutters[0],
            right_shutter: &shutters[1],
        };
        let share = views_apart_px(&views, &search)? / left.height_px.max(1.0);
        tracing::info!(?pair, share, "the same person?");
        Some(share)
    };
    // Unknown is no reason to look further.
    let Some(likeliest) = apart([0, 0]).filter(|share| *share > SAME_PERSON_SHARE) else {
        return [0, 0];
    };
    let limit = SAME_PERSON_SHARE.min(CLEARLY_BETTER * likeliest);
    let fits = |pair: &[usize; 2]| apart(*pair).is_some_and(|share| share <= limit);
    match likely_pairs(people).into_iter().find(fits) {
        Some(pair) => {
            warnings.add(Warning::new(
                "athlete_by_both_views",
                "the likeliest athletes of the two videos were not the same person; the likeliest person seen by both phones was measured",
                "check in the key pictures that the right person was measured, and keep others out of the pictures",
            ));
            pair
        }
        None => [0, 0],
    }
}

/// All pairs but the first of people who stay for a while, likeliest first: by the sum of their ranks.
fn likely_pairs(people: [&[PersonTrack]; 2]) -> Vec<[usize; 2]> {
    let staying = people.map(|p| {
        let longest = p.iter().map(|t| t.track.poses.len()).max().unwrap_or(0) as f64;
        let stays = |i: &usize| p[*i].track.poses.len() as f64 >= LEAST_POSES * longest;
        (0..p.len()).filter(stays).collect::<Vec<_>>()
    });
    let mut pairs: Vec<[usize; 2]> = staying[0]
        .iter()
        .flat_map(|left| staying[1].iter().map(|right| [*left, *right]))
        .filter(|pair| *pair != [0, 0])
        .collect();
    pairs.sort_by_key(|[left, right]| (left + right, *left.max(right)));
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{
        Camera, CameraFromWorld, Phone, QuarterTurns, RightFromLeft, WorldFromLeft, WorldPoint,
    };
    use crate::skeleton::{Joint, PerJoint};
    use crate::track::{ImageJoint, Pose2d, PoseTrack};
    use crate::units::Seconds;
    use nalgebra::Vector3;

    fn rig() -> StereoRig {
        let camera = Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: 1000.0,
            fy_px: 1000.0,
            cx_px: 639.5,
            cy_px: 359.5,
            distortion: [0.0; 5],
        };
        let at = WorldPoint(Vector3::new(0.5, 1.0, 0.0));
        let pose = |x: f64| CameraFromWorld::looking_at(WorldPoint(Vector3::new(x, 1.3, 5.0)), at).unwrap();
        let (left, right) = (pose(-3.7), pose(4.7));
        StereoRig {
            left: camera,
            right: camera,
            right_from_left: RightFromLeft(right.0.after(&left.0.inverse())),
            world_from_left: Some(WorldFromLeft(left.0.inverse())),
        }
    }

    /// Somebody who sways at a place, seen by a phone for a second.
    fn person(rig: &StereoRig, phone: Phone, x_m: f64, z_m: f64) -> PersonTrack {
        let pose = rig.camera_from_world(phone);
        let poses = (0..60).map(|frame| {
            let t = f64::from(frame) / 60.0;
            let joints = PerJoint::from_fn(|joint| {
                let i = joint.index() as f64;
                let height_m = match joint {
                    Joint::HeadTop => 1.8,
                    Joint::LeftHip | Joint::RightHip => 0.95,
                    Joint::LeftKnee | Joint::RightKnee => 0.5,
                    _ => 0.1,
                };
                let place = Vector3::new(
                    x_m + 0.1 * (i + 3.0 * t).sin(),
                    height_m + 0.05 * (0.7 * i + 5.0 * t + x_m).sin(),
                    z_m + 0.1 * (i + 4.0 * t).cos(),
                );
                Some(ImageJoint {
                    at: rig.camera(phone).project(pose.apply(WorldPoint(place)))?,
                    sd_px: 2.0,
                    visible: 1.0,
                })
            });
            Pose2d {
                frame: frame as usize,
                pts: Seconds(t),
                joints,
            }
        });
        PersonTrack {
            track: PoseTrack {
                poses: poses.collect(),
            },
            height_px: 290.0,
            throw_heights_per_s: 0.0,
        }
    }

    #[test]
    fn the_likeliest_pair_that_is_one_person_is_chosen() {
        let rig = rig();
        let shutters = [Shutter::unknown(1280, 720, QuarterTurns::Zero); 2];
        let [a, b] = [(0.0, 0.0), (1.4, -1.2)];
        let seen = |phone, (x, z): (f64, f64)| person(&rig, phone, x, z);
        let chosen = |left: &[PersonTrack], right: &[PersonTrack]| {
            let mut warnings = Warnings::default();
            let pair = choose(
                [left, right],
                &rig,
                &shutters,
                MotionSearch::default,
                &mut warnings,
            );
            (pair, warnings.as_slice().len())
        };
        let left = [seen(Phone::Left, a), seen(Phone::Left, b)];
        let alike = [seen(Phone::Right, a), seen(Phone::Right, b)];
        assert_eq!(chosen(&left, &alike), ([0, 0], 0));
        let crossed = [seen(Phone::Right, b), seen(Phone::Right, a)];
        let (pair, warned) = chosen(&left, &crossed);
        assert!(pair == [0, 1] || pair == [1, 0], "{pair:?}");
        assert_eq!(warned, 1);
        // Nobody fits: later stages judge.
        assert_eq!(chosen(&left[..1], &crossed[..1]), ([0, 0], 0));
        assert_eq!(
            chosen(&left[..1], &[crossed[0].clone(), seen(Phone::Right, (-2.0, 2.0))]),
            ([0, 0], 0)
        );
    }
}
