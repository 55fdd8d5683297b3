//! Ball, release point and the pelvis before its rotation.

use nalgebra::Vector3;

use crate::kinematics::catalogue::{Compute, Definition, Unit};
use crate::kinematics::delivery::Delivery;
use crate::kinematics::events::EventName::{BallRelease, FootContact, PeakKneeLift};
use crate::kinematics::reason::{Missing, Outcome, Reading};
use crate::kinematics::segments::{DRIVE, LEAD, THROWING, mid_hips};
use crate::skeleton::Joint;

const HIPS: &[Joint] = &[LEAD.hip, DRIVE.hip];
const OWN: &str = "own definition";

/// A row of this file: all need the world but the ball's speed.
const fn row(
    id: &'static str,
    unit: Unit,
    texts: (&'static str, &'static str),
    joints: &'static [Joint],
    compute: Compute,
) -> Definition {
    Definition {
        id,
        unit,
        event: match compute {
            Compute::At(_) => Some(BallRelease),
            Compute::Whole(_) => None,
        },
        sentence: texts.0,
        zero_and_sign: texts.1,
        needs_world: !matches!(unit, Unit::MetresPerSecond),
        joints,
        source: OWN,
        compute,
    }
}

pub(in crate::kinematics) const TABLE: &[Definition] = &[
    row(
        "pelvis_rotation_onset_before_foot_contact_s",
        Unit::Seconds,
        (
            "foot contact less the last instant before its peak at which pelvis rotation speed is under 30 % of it",
            "+ the pelvis starts before contact",
        ),
        HIPS,
        Compute::Whole(onset_before_contact),
    ),
    row(
        "pelvis_travel_before_rotation_pct_height",
        Unit::Percent,
        (
            "x travel of the middle of the hips from peak knee lift to the onset of pelvis rotation, % of body height",
            "+ toward the target",
        ),
        HIPS,
        Compute::Whole(|d| pct_height(d, before_rotation_m(d)?.x)),
    ),
    row(
        "pelvis_drop_before_rotation_pct_height",
        Unit::Percent,
        (
            "fall of the middle of the hips from peak knee lift to the onset of pelvis rotation, % of body height",
            "+ falls",
        ),
        HIPS,
        Compute::Whole(|d| pct_height(d, -before_rotation_m(d)?.y)),
    ),
    row(
        "pelvis_travel_by_foot_contact_pct_height",
        Unit::Percent,
        (
            "x travel of the middle of the hips from peak knee lift to foot contact, % of body height",
            "+ toward the target",
        ),
        HIPS,
        Compute::Whole(|d| pct_height(d, by_contact_m(d)?.x)),
    ),
    row(
        "ball_speed_m_s",
        Unit::MetresPerSecond,
        (
            "speed of the ball at release from its path in both views; not measurable when seen in fewer than 3 frames",
            "without sign",
        ),
        &[],
        Compute::At(|d, t| {
            let ball = d.ball.as_ref().map_err(|why| Missing::Ball(why.clone()))?;
            Ok(ball.speed_m_s(t).into())
        }),
    ),
    row(
        "release_height_pct_height",
        Unit::Percent,
        (
            "height of the ball (else of the throwing knuckle) above the ground at release, % of body height",
            "+ up",
        ),
        &[THROWING.knuckle],
        Compute::At(|d, t| pct_height(d, release_point_m(d, t)?.y)),
    ),
    row(
        "release_extension_pct_height",
        Unit::Percent,
        (
            "x of the ball (else of the throwing knuckle) at release, from the front of the rubber, % of body height",
            "+ toward the target",
        ),
        &[THROWING.knuckle],
        Compute::At(|d, t| pct_height(d, release_point_m(d, t)?.x)),
    ),
    row(
        "release_side_m",
        Unit::Metres,
        (
            "z of the ball (else of the throwing knuckle) at release, from the middle of the rubber",
            "+ to the throwing side",
        ),
        &[THROWING.knuckle],
        Compute::At(|d, t| Ok(release_point_m(d, t)?.z.into())),
    ),
];

/// A length as a share of body height.
pub(super) fn pct_height(d: &Delivery<'_>, length_m: f64) -> Outcome {
    let (height_m, caution) = d.height_m()?;
    Ok(Reading::from(100.0 * length_m / height_m).doubted(caution))
}

fn release_point_m(d: &Delivery<'_>, time_s: f64) -> Result<Vector3<f64>, Missing> {
    match &d.ball {
        Ok(ball) => Ok(ball.position_m(time_s)),
        Err(_) => d.motion.position_m(THROWING.knuckle, time_s),
    }
}

/// Way of the middle of the hips from peak knee lift to the onset of rotation, metres.
fn before_rotation_m(d: &Delivery<'_>) -> Result<Vector3<f64>, Missing> {
    let onset = mid_hips(&d.motion, d.pelvis_onset_s()?)?.value;
    Ok(onset - mid_hips(&d.motion, d.at(PeakKneeLift)?)?.value)
}

/// Way of the middle of the hips from peak knee lift to contact, metres.
fn by_contact_m(d: &Delivery<'_>) -> Result<Vector3<f64>, Missing> {
    let contact = mid_hips(&d.motion, d.at(FootContact)?)?.value;
    Ok(contact - mid_hips(&d.motion, d.at(PeakKneeLift)?)?.value)
}

fn onset_before_contact(d: &Delivery<'_>) -> Outcome {
    let onset_s = d.pelvis_onset_s()?;
    Ok(Reading::from(d.at(FootContact)? - onset_s).doubted(d.pelvis_peak()?.caution()))
}
