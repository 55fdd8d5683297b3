//! Kinetic energies.

use crate::kinematics::athlete::mass_for_ball_kg;
use crate::kinematics::catalogue::{Compute, Definition, Unit};
use crate::kinematics::delivery::Delivery;
use crate::kinematics::events::EventName::{FootContact, PeakKneeLift};
use crate::kinematics::peaks::Peak;
use crate::kinematics::reason::{Caution, Missing, Outcome, Reading};
use crate::kinematics::segments::{DRIVE, GLOVE, LEAD, THROWING};
use crate::skeleton::Joint;

use super::speeds::any_peak;

const LEGS: &[Joint] = &[
    LEAD.hip,
    DRIVE.hip,
    LEAD.knee,
    DRIVE.knee,
    LEAD.ankle,
    DRIVE.ankle,
    LEAD.heel,
    DRIVE.heel,
    LEAD.big_toe,
    DRIVE.big_toe,
];
const TRUNK: &[Joint] = &[
    LEAD.hip,
    DRIVE.hip,
    GLOVE.shoulder,
    THROWING.shoulder,
    Joint::HeadTop,
    Joint::Neck,
];
const ARM: &[Joint] = &[
    THROWING.shoulder,
    THROWING.elbow,
    THROWING.wrist,
    THROWING.knuckle,
];
const BODY: &[Joint] = &[
    Joint::HeadTop,
    Joint::Neck,
    GLOVE.shoulder,
    GLOVE.elbow,
    GLOVE.wrist,
    GLOVE.knuckle,
    THROWING.shoulder,
    THROWING.elbow,
    THROWING.wrist,
    THROWING.knuckle,
    LEAD.hip,
    LEAD.knee,
    LEAD.ankle,
    LEAD.heel,
    LEAD.big_toe,
    DRIVE.hip,
    DRIVE.knee,
    DRIVE.ankle,
    DRIVE.heel,
    DRIVE.big_toe,
];
const SOURCE: &str = "segment parameters of de Leva, J Biomech 1996;29:1223-1230";
const LEGS_TEXT: &str =
    "peak kinetic energy, translation and rotation, of thighs, shanks and feet up to release";
const TRUNK_TEXT: &str = "peak kinetic energy, translation and rotation, of trunk and head up to release";
const ARM_TEXT: &str =
    "peak kinetic energy of upper arm, forearm, hand and a ball of 0.145 kg at knuckle speed up to release";

/// A row of this file: none needs the world's axes.
const fn row(
    id: &'static str,
    unit: Unit,
    sentence: &'static str,
    joints: &'static [Joint],
    compute: Compute,
) -> Definition {
    Definition {
        id,
        unit,
        event: match compute {
            Compute::At(_) => Some(FootContact),
            Compute::Whole(_) => None,
        },
        sentence,
        zero_and_sign: if matches!(unit, Unit::Seconds) {
            "+ arm after trunk"
        } else {
            "0 at rest"
        },
        needs_world: false,
        joints,
        source: SOURCE,
        compute,
    }
}

use Unit::{Joules, JoulesPerKilogram, Percent, Seconds};

pub(in crate::kinematics) const TABLE: &[Definition] = &[
    row(
        "peak_lower_body_kinetic_energy_j",
        Joules,
        LEGS_TEXT,
        LEGS,
        Compute::Whole(|d| joules(d, legs(d))),
    ),
    row(
        "peak_lower_body_kinetic_energy_j_kg",
        JoulesPerKilogram,
        LEGS_TEXT,
        LEGS,
        Compute::Whole(legs),
    ),
    row(
        "peak_trunk_kinetic_energy_j",
        Joules,
        TRUNK_TEXT,
        TRUNK,
        Compute::Whole(|d| joules(d, trunk(d))),
    ),
    row(
        "peak_trunk_kinetic_energy_j_kg",
        JoulesPerKilogram,
        TRUNK_TEXT,
        TRUNK,
        Compute::Whole(trunk),
    ),
    row(
        "peak_throwing_arm_kinetic_energy_j",
        Joules,
        ARM_TEXT,
        ARM,
        Compute::Whole(|d| joules(d, arm(d))),
    ),
    row(
        "peak_throwing_arm_kinetic_energy_j_kg",
        JoulesPerKilogram,
        ARM_TEXT,
        ARM,
        Compute::Whole(arm),
    ),
    row(
        "trunk_to_arm_energy_peak_delay_s",
        Seconds,
        "time of the throwing arm's peak energy less time of the trunk's",
        TRUNK,
        Compute::Whole(trunk_to_arm_delay),
    ),
    row(
        "linear_share_of_kinetic_energy_at_foot_contact_pct",
        Percent,
        "energy of the whole body's mass at the speed of its centre over the sum of all segments' energies",
        BODY,
        Compute::At(linear_share),
    ),
];

/// Per kilogram to joules.
fn joules(d: &Delivery<'_>, per_kg: Outcome) -> Outcome {
    let mass_kg = d.figures.mass_kg.ok_or(Missing::Mass)?;
    let mut reading = per_kg?;
    reading.value *= mass_kg;
    Ok(reading)
}

fn legs(d: &Delivery<'_>) -> Outcome {
    // Joints without doubt (a rendered scene's truth) have no noise to add.
    let noisy = d
        .at(PeakKneeLift)
        .or_else(|_| d.at(FootContact))
        .and_then(|t| d.motion.state(LEAD.hip, t))
        .is_ok_and(|state| state.sd_m.is_some());
    Ok(any_peak(d.legs_energy_peak()?)
        .doubted(noisy.then_some(Caution::LegEnergy))
        .doubted(d.figures.height.young()))
}

fn trunk(d: &Delivery<'_>) -> Outcome {
    Ok(any_peak(d.trunk_energy_peak()?).doubted(d.figures.height.young()))
}

fn linear_share(d: &Delivery<'_>, time_s: f64) -> Outcome {
    let share = Reading::from(100.0 * d.inertia.linear_share(&d.motion, time_s)?);
    Ok(share.doubted(d.figures.height.young()))
}

fn arm(d: &Delivery<'_>) -> Outcome {
    Ok(any_peak(d.arm_energy_peak()?)
        .doubted(mass_caution(d))
        .doubted(d.figures.height.young()))
}

/// The doubt of a ball weighed against an assumed body.
fn mass_caution(d: &Delivery<'_>) -> Option<Caution> {
    mass_for_ball_kg(d.figures.mass_kg, d.figures.height)
        .ok()
        .and_then(|m| m.1)
}

fn trunk_to_arm_delay(d: &Delivery<'_>) -> Outcome {
    let (trunk, arm): (Peak, Peak) = (d.trunk_energy_peak()?, d.arm_energy_peak()?);
    Ok(Reading::from(arm.time_s - trunk.time_s)
        .doubted(trunk.gaps)
        .doubted(arm.gaps))
}
