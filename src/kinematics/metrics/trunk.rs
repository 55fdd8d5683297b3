//! Rotations, separation and tilts of pelvis and trunk.

use crate::kinematics::angles::{
    pelvis_rotation_deg, pelvis_tilt_deg, separation_deg, shoulder_line_tilt_deg,
    trunk_contralateral_tilt_deg, trunk_forward_tilt_deg, trunk_lean_from_target_deg, trunk_rotation_deg,
    trunk_tilt_toward_target_deg,
};
use crate::kinematics::catalogue::{Compute, Definition, Unit};
use crate::kinematics::delivery::Delivery;
use crate::kinematics::events::EventName;
use crate::kinematics::motion::Motion;
use crate::kinematics::peaks::sample;
use crate::kinematics::reason::{Missing, Outcome, Reading};
use crate::kinematics::segments::{DRIVE, GLOVE, LEAD, THROWING};
use crate::skeleton::Joint;

/// Separation is largest at the earliest this long before contact, seconds.
const SEPARATION_BEFORE_CONTACT_S: f64 = 0.15;

const HIPS: &[Joint] = &[LEAD.hip, DRIVE.hip];
const SHOULDERS: &[Joint] = &[GLOVE.shoulder, THROWING.shoulder];
const HIPS_AND_SHOULDERS: &[Joint] = &[LEAD.hip, DRIVE.hip, GLOVE.shoulder, THROWING.shoulder];
const OPEN_ANGLE: &str = "0 side-on, 90 faces the target, - turned away";
const ROTATION_SOURCE: &str = "open-angle convention (Kageyama et al., J Sports Sci Med 2015;14:246-255)";
const TILT_SOURCE: &str = "lateral and forward tilt of the pitching laboratories, planes as said";

/// A row for a tilt at one event.
const fn tilt(
    id: &'static str,
    event: EventName,
    texts: (&'static str, &'static str),
    joints: &'static [Joint],
    compute: fn(&Delivery<'_>, f64) -> Outcome,
) -> Definition {
    Definition {
        id,
        unit: Unit::Degrees,
        event: Some(event),
        sentence: texts.0,
        zero_and_sign: texts.1,
        needs_world: true,
        joints,
        source: TILT_SOURCE,
        compute: Compute::At(compute),
    }
}

const PELVIS_TILT: (&str, &str) = (
    "rise of the hip line above the horizontal",
    "+ throwing-side hip higher",
);
const SIDE_TILT: (&str, &str) = (
    "lean of the spine line (mid-hips to mid-shoulders) in the plane across the chest",
    "+ to the glove side",
);
const SHOULDER_TILT: (&str, &str) = (
    "rise of the shoulder line above the horizontal",
    "+ throwing shoulder higher",
);
const FORWARD_TILT: (&str, &str) = ("lean of the spine line to where the chest faces", "+ forward");
const LEAN: (&str, &str) = (
    "lean of the spine line as a catcher sees it",
    "+ to the glove side",
);
const TOWARD_TARGET: (&str, &str) = (
    "lean of the spine line in the plane through the target line (the laboratories' forward tilt)",
    "+ toward the target",
);

use EventName::{BallRelease, FootContact, MaxExternalRotation};

pub(in crate::kinematics) const TABLE: &[Definition] = &[
    Definition {
        id: "pelvis_rotation_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(FootContact),
        sentence: "turn of the hip line about the vertical",
        zero_and_sign: OPEN_ANGLE,
        needs_world: true,
        joints: HIPS,
        source: ROTATION_SOURCE,
        compute: Compute::At(|d, t| plain(d, t, pelvis_rotation_deg)),
    },
    Definition {
        id: "trunk_rotation_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(FootContact),
        sentence: "turn of the shoulder line about the vertical",
        zero_and_sign: OPEN_ANGLE,
        needs_world: true,
        joints: SHOULDERS,
        source: ROTATION_SOURCE,
        compute: Compute::At(|d, t| plain(d, t, trunk_rotation_deg)),
    },
    Definition {
        id: "hip_shoulder_separation_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(FootContact),
        sentence: "pelvis rotation less trunk rotation",
        zero_and_sign: "0 parallel, + pelvis ahead",
        needs_world: true,
        joints: HIPS_AND_SHOULDERS,
        source: ROTATION_SOURCE,
        compute: Compute::At(|d, t| plain(d, t, separation_deg)),
    },
    Definition {
        id: "max_hip_shoulder_separation_deg",
        unit: Unit::Degrees,
        event: None,
        sentence: "largest separation, contact - 0.15 s to layback",
        zero_and_sign: "0 parallel, + pelvis ahead",
        needs_world: true,
        joints: HIPS_AND_SHOULDERS,
        source: ROTATION_SOURCE,
        compute: Compute::Whole(max_separation),
    },
    tilt(
        "pelvis_contralateral_tilt_at_foot_contact_deg",
        FootContact,
        PELVIS_TILT,
        HIPS,
        pelvis_tilt,
    ),
    tilt(
        "pelvis_contralateral_tilt_at_max_external_rotation_deg",
        MaxExternalRotation,
        PELVIS_TILT,
        HIPS,
        pelvis_tilt,
    ),
    tilt(
        "pelvis_contralateral_tilt_at_ball_release_deg",
        BallRelease,
        PELVIS_TILT,
        HIPS,
        pelvis_tilt,
    ),
    tilt(
        "trunk_contralateral_tilt_at_foot_contact_deg",
        FootContact,
        SIDE_TILT,
        HIPS_AND_SHOULDERS,
        side_tilt,
    ),
    tilt(
        "trunk_contralateral_tilt_at_max_external_rotation_deg",
        MaxExternalRotation,
        SIDE_TILT,
        HIPS_AND_SHOULDERS,
        side_tilt,
    ),
    tilt(
        "trunk_contralateral_tilt_at_ball_release_deg",
        BallRelease,
        SIDE_TILT,
        HIPS_AND_SHOULDERS,
        side_tilt,
    ),
    tilt(
        "shoulder_line_tilt_at_foot_contact_deg",
        FootContact,
        SHOULDER_TILT,
        SHOULDERS,
        shoulder_tilt,
    ),
    tilt(
        "shoulder_line_tilt_at_max_external_rotation_deg",
        MaxExternalRotation,
        SHOULDER_TILT,
        SHOULDERS,
        shoulder_tilt,
    ),
    tilt(
        "shoulder_line_tilt_at_ball_release_deg",
        BallRelease,
        SHOULDER_TILT,
        SHOULDERS,
        shoulder_tilt,
    ),
    tilt(
        "trunk_forward_tilt_at_foot_contact_deg",
        FootContact,
        FORWARD_TILT,
        HIPS_AND_SHOULDERS,
        forward_tilt,
    ),
    tilt(
        "trunk_forward_tilt_at_max_external_rotation_deg",
        MaxExternalRotation,
        FORWARD_TILT,
        HIPS_AND_SHOULDERS,
        forward_tilt,
    ),
    tilt(
        "trunk_forward_tilt_at_ball_release_deg",
        BallRelease,
        FORWARD_TILT,
        HIPS_AND_SHOULDERS,
        forward_tilt,
    ),
    tilt(
        "trunk_lean_seen_from_target_at_max_external_rotation_deg",
        MaxExternalRotation,
        LEAN,
        HIPS_AND_SHOULDERS,
        lean_from_target,
    ),
    tilt(
        "trunk_lean_seen_from_target_at_ball_release_deg",
        BallRelease,
        LEAN,
        HIPS_AND_SHOULDERS,
        lean_from_target,
    ),
    tilt(
        "trunk_tilt_toward_target_at_max_external_rotation_deg",
        MaxExternalRotation,
        TOWARD_TARGET,
        HIPS_AND_SHOULDERS,
        tilt_toward_target,
    ),
    tilt(
        "trunk_tilt_toward_target_at_ball_release_deg",
        BallRelease,
        TOWARD_TARGET,
        HIPS_AND_SHOULDERS,
        tilt_toward_target,
    ),
];

/// An angle of the motion at an instant, as a reading.
fn plain(d: &Delivery<'_>, time_s: f64, angle: fn(&Motion<'_>, f64) -> Result<f64, Missing>) -> Outcome {
    Ok(angle(&d.motion, time_s)?.into())
}

fn pelvis_tilt(d: &Delivery<'_>, time_s: f64) -> Outcome {
    plain(d, time_s, pelvis_tilt_deg)
}

fn side_tilt(d: &Delivery<'_>, time_s: f64) -> Outcome {
    plain(d, time_s, trunk_contralateral_tilt_deg)
}

fn shoulder_tilt(d: &Delivery<'_>, time_s: f64) -> Outcome {
    plain(d, time_s, shoulder_line_tilt_deg)
}

fn forward_tilt(d: &Delivery<'_>, time_s: f64) -> Outcome {
    plain(d, time_s, trunk_forward_tilt_deg)
}

fn lean_from_target(d: &Delivery<'_>, time_s: f64) -> Outcome {
    plain(d, time_s, trunk_lean_from_target_deg)
}

fn tilt_toward_target(d: &Delivery<'_>, time_s: f64) -> Outcome {
    plain(d, time_s, trunk_tilt_toward_target_deg)
}

fn max_separation(d: &Delivery<'_>) -> Outcome {
    let from_s = d.at(FootContact)? - SEPARATION_BEFORE_CONTACT_S;
    let peak = sample(from_s, d.at(MaxExternalRotation)?, |t| {
        separation_deg(&d.motion, t)
    })?
    .highest()?;
    Ok(Reading {
        value: peak.value,
        caution: peak.gaps,
    })
}
