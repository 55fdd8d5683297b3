//! Shoulder and elbow of the throwing arm.

use crate::kinematics::angles::{
    elbow_flexion_deg, shoulder_abduction_deg, shoulder_horizontal_abduction_deg,
};
use crate::kinematics::catalogue::{Compute, Definition, Unit};
use crate::kinematics::delivery::Delivery;
use crate::kinematics::events::EventName::{self, BallRelease, FootContact, MaxExternalRotation};
use crate::kinematics::reason::{Caution, Missing, Outcome, Reading};
use crate::kinematics::segments::{DRIVE, GLOVE, LEAD, THROWING};
use crate::skeleton::Joint;

/// Horizontal abduction has a meaning between these abductions, degrees.
const ABDUCTION_RANGE_DEG: (f64, f64) = (30.0, 150.0);
/// Shoulder rotation is doubtful at elbow flexion under this, degrees.
const LEAST_ELBOW_FLEXION_DEG: f64 = 30.0;

const ELBOW: &[Joint] = &[THROWING.shoulder, THROWING.elbow, THROWING.wrist];
const UPPER_ARM: &[Joint] = &[
    LEAD.hip,
    DRIVE.hip,
    GLOVE.shoulder,
    THROWING.shoulder,
    THROWING.elbow,
];
const WHOLE_ARM: &[Joint] = &[
    LEAD.hip,
    DRIVE.hip,
    GLOVE.shoulder,
    THROWING.shoulder,
    THROWING.elbow,
    THROWING.wrist,
];
const LABORATORY: &str = "angle convention of the pitching laboratories of the 1990s-2000s";
const FOREARM_ZERO: &str = "0 forearm forward, 90 up, 180 back";

/// A row for an angle of the arm at one event, which needs no world.
const fn angle(
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
        needs_world: false,
        joints,
        source: LABORATORY,
        compute: Compute::At(compute),
    }
}

const FLEXION: (&str, &str) = ("180 less the angle at the elbow", "0 straight, + bent");
const ABDUCTION: (&str, &str) = (
    "angle between upper arm and the trunk's downward axis",
    "0 arm down, + away from the trunk",
);

pub(in crate::kinematics) const TABLE: &[Definition] = &[
    angle(
        "elbow_flexion_at_foot_contact_deg",
        FootContact,
        FLEXION,
        ELBOW,
        elbow_flexion,
    ),
    angle(
        "elbow_flexion_at_max_external_rotation_deg",
        MaxExternalRotation,
        FLEXION,
        ELBOW,
        elbow_flexion,
    ),
    angle(
        "elbow_flexion_at_ball_release_deg",
        BallRelease,
        FLEXION,
        ELBOW,
        elbow_flexion,
    ),
    angle(
        "shoulder_abduction_at_foot_contact_deg",
        FootContact,
        ABDUCTION,
        UPPER_ARM,
        abduction,
    ),
    angle(
        "shoulder_abduction_at_ball_release_deg",
        BallRelease,
        ABDUCTION,
        UPPER_ARM,
        abduction,
    ),
    angle(
        "shoulder_horizontal_abduction_at_foot_contact_deg",
        FootContact,
        (
            "direction of the upper arm across the trunk's long axis; not measurable at abduction under 30 or over 150",
            "0 in line with the shoulders, + elbow behind",
        ),
        UPPER_ARM,
        horizontal_abduction,
    ),
    angle(
        "shoulder_external_rotation_at_foot_contact_deg",
        FootContact,
        (
            "turn of the forearm about the upper arm against the trunk's long axis; doubtful at elbow flexion under 30",
            FOREARM_ZERO,
        ),
        WHOLE_ARM,
        external_rotation,
    ),
    angle(
        "max_shoulder_external_rotation_deg",
        MaxExternalRotation,
        (
            "the same at layback: humerus against trunk, not the clinical passive range",
            FOREARM_ZERO,
        ),
        WHOLE_ARM,
        external_rotation,
    ),
    Definition {
        id: "arm_slot_at_ball_release_deg",
        unit: Unit::Degrees,
        event: Some(BallRelease),
        sentence: "shoulder to knuckle above the horizontal as seen from the target",
        zero_and_sign: "0 sideways to the throwing side, 90 straight up",
        needs_world: true,
        joints: &[THROWING.shoulder, THROWING.knuckle],
        source: "common practice, no source",
        compute: Compute::At(arm_slot),
    },
];

fn flexion_deg(d: &Delivery<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(elbow_flexion_deg(&d.motion, &THROWING, time_s)?.value)
}

fn elbow_flexion(d: &Delivery<'_>, time_s: f64) -> Outcome {
    Ok(flexion_deg(d, time_s)?.into())
}

fn abduction(d: &Delivery<'_>, time_s: f64) -> Outcome {
    Ok(shoulder_abduction_deg(&d.motion, &THROWING, time_s)?.into())
}

fn horizontal_abduction(d: &Delivery<'_>, time_s: f64) -> Outcome {
    let abduction_deg = shoulder_abduction_deg(&d.motion, &THROWING, time_s)?;
    let (least_deg, most_deg) = ABDUCTION_RANGE_DEG;
    if !(least_deg..=most_deg).contains(&abduction_deg) {
        return Err(Missing::ArmAlongTrunk {
            abduction_deg,
            least_deg,
            most_deg,
        });
    }
    Ok(shoulder_horizontal_abduction_deg(&d.motion, &THROWING, time_s)?.into())
}

fn external_rotation(d: &Delivery<'_>, time_s: f64) -> Outcome {
    let bent_deg = flexion_deg(d, time_s)?;
    let caution = (bent_deg < LEAST_ELBOW_FLEXION_DEG).then_some(Caution::StraightElbow {
        bent_deg,
        least_deg: LEAST_ELBOW_FLEXION_DEG,
    });
    Ok(Reading::from(d.shoulder_rotation_deg(time_s)?).doubted(caution))
}

fn arm_slot(d: &Delivery<'_>, time_s: f64) -> Outcome {
    let arm = d
        .motion
        .between(THROWING.shoulder, THROWING.knuckle, time_s)?
        .value;
    Ok(arm.y.atan2(arm.z).to_degrees().into())
}
