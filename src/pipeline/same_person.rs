//! The same person in both views: of all pairs of people, one that fits the rig.
//!
//! Each phone's view names its likeliest athlete. Where the two are not one person (the lines of sight to their joints
//! pass each other), the likeliest pair that is one is taken.

use crate::detect::People;
use crate::geometry::{Shutter, StereoRig};
use crate::quality::{Warning, Warnings};
use crate::sync::{MotionSearch, MotionViews, views_apart_px};

/// The lines of sight to one person's joints miss each other by less than this share of his height in the picture: a
/// hand's breadth; a phone that was nudged makes some more. Two people stand at least a step apart.
const SAME_PERSON_SHARE: f64 = 0.08;

/// A person followed for less than this share of the longest track is not paired.
const LEAST_POSES: f64 = 0.1;

/// Which of each view's people to measure. Without an agreeing pair the likeliest of each: later stages judge them.
pub(crate) fn choose(
    people: [&People; 2],
    rig: &StereoRig,
    shutters: &[Shutter; 2],
    search: impl FnOnce() -> MotionSearch,
    warnings: &mut Warnings,
) -> [usize; 2] {
    if people.iter().all(|p| p.people.len() < 2) {
        return [0, 0];
    }
    let search = search();
    let same = |pair: [usize; 2]| {
        let [left, right] = [0, 1].map(|i| &people[i].people[pair[i]]);
        let views = MotionViews {
            left: &left.track,
            right: &right.track,
            rig,
            left_shutter: &shutters[0],
            right_shutter: &shutters[1],
        };
        let apart_px = views_apart_px(&views, &search)?;
        tracing::info!(?pair, apart_px, height_px = left.height_px, "the same person?");
        Some(apart_px <= SAME_PERSON_SHARE * left.height_px)
    };
    // Unknown is no reason to look further.
    if same([0, 0]).unwrap_or(true) {
        return [0, 0];
    }
    match likely_pairs(people)
        .into_iter()
        .find(|pair| same(*pair) == Some(true))
    {
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
fn likely_pairs(people: [&People; 2]) -> Vec<[usize; 2]> {
    let staying = people.map(|p| {
        let longest = p.people.iter().map(|t| t.track.poses.len()).max().unwrap_or(0) as f64;
        let stays = |i: &usize| p.people[*i].track.poses.len() as f64 >= LEAST_POSES * longest;
        (0..p.people.len()).filter(stays).collect::<Vec<_>>()
    });
    let mut pairs: Vec<[usize; 2]> = staying[0]
        .iter()
        .flat_map(|left| staying[1].iter().map(|right| [*left, *right]))
        .filter(|pair| *pair != [0, 0])
        .collect();
    pairs.sort_by_key(|[left, right]| (left + right, *left.max(right)));
    pairs
}
