//! What the reader should know about how a delivery was measured.

use crate::quality::{Warning, Warnings};
use crate::skeleton::Side;
use crate::trajectory::Trajectory;

use super::athlete::{Height, faster_hand};
use super::delivery::Delivery;
use super::events::{EventName, RELEASE_FROM_HAND_SD_S, contact_joints};
use super::segments::THROWING;
use super::subject::Subject;

/// The hand that throws, from its speed; said in a warning.
pub(super) fn guess_hand(trajectory: &Trajectory, warnings: &mut Warnings) -> Side {
    let guess = faster_hand(trajectory);
    let text = match guess {
        Some(side) => {
            format!("the throwing hand was not given: the faster hand, the {side} one, is taken for it")
        }
        None => "the throwing hand was not given and no hand is known: taken for right-handed".to_owned(),
    };
    warnings.add(Warning::new(
        "throwing_hand_guessed",
        text,
        "say --throws left or --throws right",
    ));
    guess.unwrap_or(Side::Right)
}

/// Says so when the other hand than the given one is the faster.
pub(super) fn doubt_hand(trajectory: &Trajectory, given: Side, warnings: &mut Warnings) {
    if let Some(faster) = faster_hand(trajectory).filter(|faster| *faster != given) {
        warnings.add(Warning::new(
            "other_hand_faster",
            format!("the throwing hand was given as {given}, but the {faster} hand is the faster one"),
            format!("if the athlete throws {faster}-handed, say --throws {faster}: all figures hang on it"),
        ));
    }
}

/// Warnings about height, release, contact and the direction of the throw.
pub(super) fn warn(subject: &Subject, delivery: &Delivery<'_>, warnings: &mut Warnings) {
    if let Height::Estimated(height_m) = subject.figures.height {
        warnings.add(Warning::new(
            "height_estimated",
            format!("body height was not given: {height_m:.2} m is estimated from the joints"),
            "say --height-m with the athlete's height",
        ));
    }
    let noisy = subject.trajectory.joints[THROWING.knuckle]
        .iter()
        .flatten()
        .any(|state| state.sd_m.is_some());
    if noisy && subject.bandwidth_hz[THROWING.knuckle].is_none() {
        warnings.add(Warning::new(
            "bandwidth_unknown",
            "how much of fast motion the smoothing let through is not known: peak speeds may be too low",
            "compare speeds only with others from the same source",
        ));
    }
    let Ok(release_s) = delivery.events[EventName::BallRelease].clone() else {
        return;
    };
    if let (None, None, Err(why)) = (subject.events, subject.release, &subject.ball) {
        warnings.add(Warning::new(
            "release_from_hand_speed",
            format!(
                "{why}: release is estimated as 3 ms after the throwing hand is fastest, to within some {:.0} ms at best",
                1000.0 * RELEASE_FROM_HAND_SD_S
            ),
            "figures at release have that doubt in them; 240 frames a second and a short shutter keep it small",
        ));
    }
    if subject.events.is_none()
        && let Ok(joints) = contact_joints(&delivery.motion, release_s)
        && joints.len() < 3
    {
        let names: Vec<&str> = joints
            .iter()
            .map(|j| subject.throws.joint_as_right_hander(*j).name())
            .collect();
        warnings.add(Warning::new(
            "foot_contact_from_fewer_points",
            format!("foot contact is found from {} alone", names.join(" and ")),
            "heel, big toe and small toe of the lead foot should be known all through the stride",
        ));
    }
    if subject.trajectory.world_known
        && let Some(off_deg) = hand_off_target_deg(delivery, release_s)
        && off_deg.abs() > MOST_OFF_TARGET_DEG
    {
        let side = if off_deg > 0.0 { "throwing-arm" } else { "glove" };
        warnings.add(Warning::new(
            "throw_not_toward_target",
            format!(
                "before release the throwing hand moves {:.0} degrees to the {side} side of the line to the target",
                off_deg.abs()
            ),
            "check the board's direction on the rubber, --throws, and that the delivery is a throw to the plate",
        ));
    }
}

/// The hand's path is looked at over this long before release: on average it then moves as the ball will, seconds.
const HAND_PATH_S: f64 = 0.02;
/// A hand that moves further off the target line than this throws elsewhere, degrees (own choice: far beyond the
/// spread among pitches).
const MOST_OFF_TARGET_DEG: f64 = 30.0;

/// Horizontal direction of the hand's path before release, degrees from the target line, + to the throwing side.
fn hand_off_target_deg(delivery: &Delivery<'_>, release_s: f64) -> Option<f64> {
    let at = |t: f64| delivery.motion.position_m(THROWING.knuckle, t).ok();
    let path = at(release_s)? - at(release_s - HAND_PATH_S)?;
    Some(path.z.atan2(path.x).to_degrees())
}
