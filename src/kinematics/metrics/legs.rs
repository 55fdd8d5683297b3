//! Stride, knees, drive hip and heel.

use nalgebra::Vector3;

use crate::kinematics::angles::{drive_hip_abduction_deg, drive_hip_rotation_deg, knee_flexion_deg};
use crate::kinematics::catalogue::{Compute, Definition, Unit};
use crate::kinematics::delivery::Delivery;
use crate::kinematics::events::EventName;
use crate::kinematics::peaks::{crossing, sample};
use crate::kinematics::reason::{Missing, Outcome};
use crate::kinematics::segments::{DRIVE, LEAD, Leg, THROWING};
use crate::skeleton::Joint;

/// A thigh's rotation shows from this much knee flexion on, degrees.
const LEAST_KNEE_FLEXION_DEG: f64 = 20.0;
/// The drive heel has left its place when it is this much higher, metres.
const HEEL_LIFT_M: f64 = 0.030;

const LEAD_KNEE: &[Joint] = &[LEAD.hip, LEAD.knee, LEAD.ankle];
const DRIVE_HIP: &[Joint] = &[LEAD.hip, DRIVE.hip, DRIVE.knee, DRIVE.ankle];
const LABORATORY: &str = "angle convention of the pitching laboratories of the 1990s-2000s";
const ISB_HIP: &str = "hip in the ISB sequence Z-X-Y: Wu et al., J Biomech 2002;35:543-548";
const OWN: &str = "own definition";

pub(in crate::kinematics) const TABLE: &[Definition] = &[
    Definition {
        id: "stride_length_pct_height",
        unit: Unit::Percent,
        event: Some(EventName::FootContact),
        sentence: "x of the lead ankle at foot contact less x of the drive ankle at peak knee lift, % of body height",
        zero_and_sign: "+ toward the target",
        needs_world: true,
        joints: &[LEAD.ankle, DRIVE.ankle],
        source: "ankle to ankle, body height: one of two published definitions of stride",
        compute: Compute::At(stride_length),
    },
    Definition {
        id: "stride_direction_deg",
        unit: Unit::Degrees,
        event: Some(EventName::FootContact),
        sentence: "horizontal direction of the line between the stride's two ankles",
        zero_and_sign: "0 toward the target, + to the throwing-arm side (closed)",
        needs_world: true,
        joints: &[LEAD.ankle, DRIVE.ankle],
        source: LABORATORY,
        compute: Compute::At(stride_direction),
    },
    Definition {
        id: "lead_foot_angle_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(EventName::FootContact),
        sentence: "horizontal direction from lead heel to lead big toe",
        zero_and_sign: "0 toward the target, + to the throwing-arm side (closed)",
        needs_world: true,
        joints: &[LEAD.heel, LEAD.big_toe],
        source: LABORATORY,
        compute: Compute::At(lead_foot_angle),
    },
    Definition {
        id: "lead_knee_flexion_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(EventName::FootContact),
        sentence: "180 less the angle between hip - knee and ankle - knee, lead leg",
        zero_and_sign: "0 straight, + bent",
        needs_world: false,
        joints: LEAD_KNEE,
        source: LABORATORY,
        compute: Compute::At(lead_knee_flexion),
    },
    Definition {
        id: "lead_knee_flexion_at_ball_release_deg",
        unit: Unit::Degrees,
        event: Some(EventName::BallRelease),
        sentence: "180 less the angle between hip - knee and ankle - knee, lead leg",
        zero_and_sign: "0 straight, + bent",
        needs_world: false,
        joints: LEAD_KNEE,
        source: LABORATORY,
        compute: Compute::At(lead_knee_flexion),
    },
    Definition {
        id: "lead_knee_extension_foot_contact_to_release_deg",
        unit: Unit::Degrees,
        event: None,
        sentence: "lead knee flexion at foot contact less that at release",
        zero_and_sign: "+ extends",
        needs_world: false,
        joints: LEAD_KNEE,
        source: "difference of flexions, as in Sports Biomech 2022, PMID 35297732",
        compute: Compute::Whole(lead_knee_extension),
    },
    Definition {
        id: "peak_lead_knee_extension_speed_deg_s",
        unit: Unit::DegreesPerSecond,
        event: None,
        sentence: "peak of -d(lead knee flexion)/dt, foot contact to release",
        zero_and_sign: "+ extends",
        needs_world: false,
        joints: LEAD_KNEE,
        source: LABORATORY,
        compute: Compute::Whole(peak_lead_knee_extension_speed),
    },
    Definition {
        id: "drive_knee_flexion_at_peak_knee_lift_deg",
        unit: Unit::Degrees,
        event: Some(EventName::PeakKneeLift),
        sentence: "180 less the angle between hip - knee and ankle - knee, drive leg",
        zero_and_sign: "0 straight, + bent",
        needs_world: false,
        joints: &[DRIVE.hip, DRIVE.knee, DRIVE.ankle],
        source: LABORATORY,
        compute: Compute::At(drive_knee_flexion),
    },
    Definition {
        id: "drive_hip_abduction_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(EventName::FootContact),
        sentence: "second angle of the drive femur in the pelvis, sign changed",
        zero_and_sign: "0 femur across the hip line, + abduction",
        needs_world: true,
        joints: DRIVE_HIP,
        source: ISB_HIP,
        compute: Compute::At(drive_hip_abduction),
    },
    Definition {
        id: "drive_hip_rotation_at_foot_contact_deg",
        unit: Unit::Degrees,
        event: Some(EventName::FootContact),
        sentence: "third angle of the drive femur in the pelvis, sign changed; not measurable at knee flexion under 20",
        zero_and_sign: "+ external",
        needs_world: true,
        joints: DRIVE_HIP,
        source: ISB_HIP,
        compute: Compute::At(drive_hip_rotation),
    },
    Definition {
        id: "drive_heel_lift_before_foot_contact_s",
        unit: Unit::Seconds,
        event: Some(EventName::FootContact),
        sentence: "foot contact less the last instant before it at which the drive heel is less than 30 mm above its \
                   height at peak knee lift",
        zero_and_sign: "0 not lifted before contact, + lifted earlier",
        needs_world: true,
        joints: &[DRIVE.heel],
        source: OWN,
        compute: Compute::At(drive_heel_lift),
    },
    Definition {
        id: "drive_knee_drop_to_arm_raise_delay_s",
        unit: Unit::Seconds,
        event: None,
        sentence: "instant at which the throwing knuckle is halfway up from its lowest (peak knee lift to contact) to \
                   its height at contact, less the instant at which the drive knee is halfway down from its height at \
                   peak knee lift to that at contact",
        zero_and_sign: "+ the arm rises after the knee drops",
        needs_world: true,
        joints: &[THROWING.knuckle, DRIVE.knee],
        source: OWN,
        compute: Compute::Whole(knee_drop_to_arm_raise),
    },
];

/// From drive ankle at peak knee lift to lead ankle at contact, metres.
fn stride_m(d: &Delivery<'_>, contact_s: f64) -> Result<Vector3<f64>, Missing> {
    let lift_s = d.at(EventName::PeakKneeLift)?;
    Ok(d.motion.position_m(LEAD.ankle, contact_s)? - d.motion.position_m(DRIVE.ankle, lift_s)?)
}

/// Horizontal direction of a vector, degrees from +x toward the throwing side.
fn horizontal_direction_deg(v: Vector3<f64>) -> f64 {
    v.z.atan2(v.x).to_degrees()
}

fn stride_length(d: &Delivery<'_>, contact_s: f64) -> Outcome {
    super::release::pct_height(d, stride_m(d, contact_s)?.x)
}

fn stride_direction(d: &Delivery<'_>, contact_s: f64) -> Outcome {
    Ok(horizontal_direction_deg(stride_m(d, contact_s)?).into())
}

fn lead_foot_angle(d: &Delivery<'_>, contact_s: f64) -> Outcome {
    let foot = d.motion.between(LEAD.heel, LEAD.big_toe, contact_s)?;
    Ok(horizontal_direction_deg(foot.value).into())
}

fn knee_deg(d: &Delivery<'_>, leg: &Leg, time_s: f64) -> Result<f64, Missing> {
    Ok(knee_flexion_deg(&d.motion, leg, time_s)?.value)
}

fn lead_knee_flexion(d: &Delivery<'_>, time_s: f64) -> Outcome {
    Ok(knee_deg(d, &LEAD, time_s)?.into())
}

fn lead_knee_extension(d: &Delivery<'_>) -> Outcome {
    let (contact_s, release_s) = d.contact_to_release_s()?;
    Ok((knee_deg(d, &LEAD, contact_s)? - knee_deg(d, &LEAD, release_s)?).into())
}

fn peak_lead_knee_extension_speed(d: &Delivery<'_>) -> Outcome {
    let (contact_s, release_s) = d.contact_to_release_s()?;
    let peak = sample(contact_s, release_s, |t| {
        Ok(-knee_flexion_deg(&d.motion, &LEAD, t)?.rate)
    })?
    .highest()?;
    Ok(crate::kinematics::reason::Reading {
        value: peak.value,
        caution: peak.gaps,
    })
}

fn drive_knee_flexion(d: &Delivery<'_>, time_s: f64) -> Outcome {
    Ok(knee_deg(d, &DRIVE, time_s)?.into())
}

fn drive_hip_abduction(d: &Delivery<'_>, time_s: f64) -> Outcome {
    Ok(drive_hip_abduction_deg(&d.motion, time_s)?.into())
}

fn drive_hip_rotation(d: &Delivery<'_>, time_s: f64) -> Outcome {
    let bent_deg = knee_deg(d, &DRIVE, time_s)?;
    if bent_deg < LEAST_KNEE_FLEXION_DEG {
        return Err(Missing::StraightKnee {
            bent_deg,
            least_deg: LEAST_KNEE_FLEXION_DEG,
        });
    }
    Ok(drive_hip_rotation_deg(&d.motion, time_s)?.into())
}

fn drive_heel_lift(d: &Delivery<'_>, contact_s: f64) -> Outcome {
    Ok((contact_s - heel_lift_s(d, contact_s)?).into())
}

/// The last instant before contact at which the drive heel is less than 30 mm above its height at peak knee lift;
/// contact itself when it still is then.
pub(in crate::kinematics) fn heel_lift_s(d: &Delivery<'_>, contact_s: f64) -> Result<f64, Missing> {
    let lift_s = d.at(EventName::PeakKneeLift)?;
    let height = |t: f64| d.motion.height_m(DRIVE.heel, t);
    let level_m = height(lift_s)? + HEEL_LIFT_M;
    if height(contact_s)? < level_m {
        return Ok(contact_s);
    }
    let never = Missing::NoCrossing {
        what: "the drive heel was never seen low",
        from_s: lift_s,
        to_s: contact_s,
    };
    let bracket = sample(lift_s, contact_s, height)?
        .last_below(level_m)
        .ok_or(never)?;
    crossing(bracket, level_m, height)
}

fn knee_drop_to_arm_raise(d: &Delivery<'_>) -> Outcome {
    let (lift_s, contact_s) = (d.at(EventName::PeakKneeLift)?, d.at(EventName::FootContact)?);
    let hand = |t: f64| d.motion.height_m(THROWING.knuckle, t);
    let lowest = sample(lift_s, contact_s, |t| Ok(-hand(t)?))?.highest()?;
    let raised_s = first_rise(
        d,
        "the throwing hand does not rise before contact",
        lowest.time_s,
        |t| Ok(hand(t)? - 0.5 * (hand(contact_s)? - lowest.value)),
    )?;
    let knee = |t: f64| d.motion.height_m(DRIVE.knee, t);
    let dropped_s = first_rise(d, "the drive knee does not drop before contact", lift_s, |t| {
        Ok(0.5 * (knee(lift_s)? + knee(contact_s)?) - knee(t)?)
    })?;
    Ok((raised_s - dropped_s).into())
}

/// The first instant from `from_s` to contact at which a quantity that starts negative reaches zero.
fn first_rise(
    d: &Delivery<'_>,
    never: &'static str,
    from_s: f64,
    quantity: impl Fn(f64) -> Result<f64, Missing>,
) -> Result<f64, Missing> {
    let contact_s = d.at(EventName::FootContact)?;
    let missing = Missing::NoCrossing {
        what: never,
        from_s,
        to_s: contact_s,
    };
    if quantity(from_s)? >= 0.0 {
        return Err(missing);
    }
    let bracket = sample(from_s, contact_s, &quantity)?
        .first_at_or_above(0.0)
        .ok_or(missing)?;
    crossing(bracket, 0.0, quantity)
}
