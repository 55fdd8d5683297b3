//! Whether two tracks may be one person's: how far the two views miss each other at the offset that suits them best.
//!
//! A joint seen in one picture lies on a line of the other. Two people who stand a metre apart miss those lines by a
//! metre's pixels whatever the clocks say, unless they stand in one plane with both phones: then nothing tells them apart.

use crate::skeleton::Joint;
use crate::sync::epipolar::Views;
use crate::sync::motion::{MotionSearch, MotionViews, median};

/// Step of the search, seconds: people walk 3 cm in it.
const STEP_S: f64 = 0.02;
/// Observations of each joint that are looked at.
const LOOKS: usize = 40;
/// Fewest observations that say something.
const NEEDED: usize = 40;
/// Joints that are there in every posture, well above or below the phones' own height: at that height a point fits the other
/// view's line wherever it stands.
const JOINTS: [Joint; 9] = [
    Joint::HeadTop,
    Joint::LeftHip,
    Joint::RightHip,
    Joint::LeftKnee,
    Joint::RightKnee,
    Joint::LeftAnkle,
    Joint::RightAnkle,
    Joint::LeftHeel,
    Joint::RightHeel,
];

/// Median distance of the left view's joints from the lines on which the right view puts them, at the best offset of the
/// search, pixels of the left picture. `None` when the two tracks have too little in common in time.
#[must_use]
pub fn views_apart_px(views: &MotionViews, search: &MotionSearch) -> Option<f64> {
    let both = Views::new(views);
    let steps = (search.half_width_s / STEP_S).ceil() as i64;
    (-steps..=steps)
        .filter_map(|k| at_offset(&both, search.centre_s + k as f64 * STEP_S))
        .min_by(f64::total_cmp)
}

fn at_offset(both: &Views, offset_s: f64) -> Option<f64> {
    let mut misses = Vec::new();
    for joint in JOINTS.map(Joint::index) {
        let knots = both.left_knots(joint);
        let every = (knots.len() / LOOKS).max(1);
        let seen = knots.iter().step_by(every);
        misses.extend(seen.filter_map(|knot| Some(both.residual(joint, knot, offset_s)?.1.abs())));
    }
    (misses.len() >= NEEDED).then(|| median(misses.into_iter()))
}
