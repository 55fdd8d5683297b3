//! Joint limits: how far a shoulder would have to turn beyond what shoulders do.
//!
//! Used where the pictures cannot decide: the two places of an elbow that one phone alone sees differ by a shoulder turned
//! half round, and one of them no shoulder reaches.

use nalgebra::Vector3;

use crate::reconstruct::problem::Problem;
use crate::skeleton::{Joint, Side};

/// Rotation of the upper arm about its own axis, degrees, as the metrics count it: 0 forearm forward, 90 up, 180 back.
/// The usual range of motion is 70 internal to 90 external (from memory), a little more in throwers; beyond these bounds lies
/// a miss of the estimate.
const INWARD_DEG: f64 = -100.0;
const OUTWARD_DEG: f64 = 110.0;

/// What the throwing arm reaches as it is whipped back, trunk and shoulder blade included, degrees (published
/// layback: 160 to 185).
const LAID_BACK_DEG: f64 = 205.0;

/// When it is laid back, seconds before and after the hand's fastest instant.
const LAID_BACK_S: (f64, f64) = (0.11, 0.03);

/// Softness of the bounds, degrees.
const SOFT_DEG: f64 = 15.0;

/// Neighbouring instants err alike: so many count as one.
const ALIKE: f64 = 4.0;

/// Below this sine of the angle between the upper arm and the trunk's axis, or of the elbow's bend, the rotation is not
/// defined well enough to judge.
const LEAST_SINE: f64 = 0.35;

/// Half the sum of squares of what both shoulders turn beyond their bounds, in units of the bounds' softness.
pub(crate) fn cost(problem: &Problem) -> f64 {
    let mut cost = 0.0;
    for time_s in &problem.times_s {
        for side in [Side::Left, Side::Right] {
            if let Some(turn_deg) = rotation_deg(problem, side, *time_s) {
                let after_s = time_s - problem.delivery.fastest.0;
                let whipped =
                    side == problem.delivery.throws && (-LAID_BACK_S.0..=LAID_BACK_S.1).contains(&after_s);
                let outward_deg = if whipped { LAID_BACK_DEG } else { OUTWARD_DEG };
                let beyond_deg = (turn_deg - outward_deg).max(INWARD_DEG - turn_deg).max(0.0);
                cost += 0.5 * (beyond_deg / SOFT_DEG).powi(2) / ALIKE;
            }
        }
    }
    cost
}

/// Rotation of one upper arm about its own axis, degrees in (-150, 210], outward positive; `None` where the arm lies along
/// the trunk or is straight.
fn rotation_deg(problem: &Problem, side: Side, time_s: f64) -> Option<f64> {
    let basis = problem.grid.basis(time_s)?;
    // A left arm is a right arm in the mirror.
    let at = |right_handers: Joint| {
        let joint = match side {
            Side::Right => right_handers,
            Side::Left => right_handers.mirrored(),
        };
        let mut point = problem.sum(joint, basis.first, &basis.position);
        if side == Side::Left {
            point.z = -point.z;
        }
        point
    };
    let (own, other) = (at(Joint::RightShoulder), at(Joint::LeftShoulder));
    let hips = (at(Joint::RightHip) + at(Joint::LeftHip)) / 2.0;
    let unit = |v: Vector3<f64>| v.try_normalize(1e-9);
    let up = unit((own + other) / 2.0 - hips)?;
    let elbow = at(Joint::RightElbow);
    let arm = unit(elbow - own)?;
    let forearm = at(Joint::RightWrist) - elbow;
    let raised = up - arm * up.dot(&arm);
    let across = forearm - arm * forearm.dot(&arm);
    if raised.norm() < LEAST_SINE || across.norm() < LEAST_SINE * forearm.norm() {
        return None;
    }
    let upward = unit(raised)?;
    let forward = upward.cross(&arm);
    let turn_deg = across.dot(&upward).atan2(across.dot(&forward)).to_degrees();
    Some(if turn_deg <= -150.0 {
        turn_deg + 360.0
    } else {
        turn_deg
    })
}
