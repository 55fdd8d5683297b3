//! Peak speeds and the delays between them.

use crate::kinematics::angles::{elbow_flexion_deg, external_rotation_deg};
use crate::kinematics::catalogue::{Compute, Definition, Unit};
use crate::kinematics::delivery::Delivery;
use crate::kinematics::events::EventName::{BallRelease, FootContact, MaxExternalRotation, PeakKneeLift};
use crate::kinematics::peaks::{Peak, sample, weighted_time_s};
use crate::kinematics::rates::{pelvis_rotation_speed_deg_s, trunk_rotation_speed_deg_s};
use crate::kinematics::reason::{Caution, Missing, Outcome, Reading};
use crate::kinematics::segments::{DRIVE, GLOVE, LEAD, THROWING, mid_hips};
use crate::skeleton::Joint;

/// Elbow and hand are looked at until this long after release, seconds.
const AFTER_RELEASE_S: f64 = 0.02;
/// Shoulder rotation is looked at until this long after release, seconds.
const ROTATION_AFTER_RELEASE_S: f64 = 0.01;
/// A second peak that comes within this share of the first makes its time doubtful.
const RIVAL_SHARE: f64 = 0.85;

const HIPS: &[Joint] = &[LEAD.hip, DRIVE.hip];
const TRUNK: &[Joint] = &[LEAD.hip, DRIVE.hip, GLOVE.shoulder, THROWING.shoulder];
const ARM: &[Joint] = &[
    LEAD.hip,
    DRIVE.hip,
    GLOVE.shoulder,
    THROWING.shoulder,
    THROWING.elbow,
    THROWING.wrist,
];
const GLOVE_ARM: &[Joint] = &[GLOVE.shoulder, GLOVE.elbow];
const LABORATORY: &str =
    "as the pitching laboratories; depends on rate and filter, so compare at equal bandwidth";
const OWN: &str = "own definition";

/// A row for a figure of the whole delivery.
const fn whole(
    id: &'static str,
    unit: Unit,
    needs_world: bool,
    texts: (&'static str, &'static str, &'static str),
    joints: &'static [Joint],
    compute: fn(&Delivery<'_>) -> Outcome,
) -> Definition {
    Definition {
        id,
        unit,
        event: None,
        sentence: texts.0,
        zero_and_sign: texts.1,
        needs_world,
        joints,
        source: texts.2,
        compute: Compute::Whole(compute),
    }
}

pub(in crate::kinematics) const TABLE: &[Definition] = &[
    whole(
        "peak_pelvis_rotation_speed_deg_s",
        Unit::DegreesPerSecond,
        true,
        (
            "peak angular velocity of the pelvis along its Y, contact - 0.4 s to release + 0.05 s",
            "+ toward the target",
            LABORATORY,
        ),
        HIPS,
        |d| Ok(edge_matters(d.pelvis_peak()?)),
    ),
    whole(
        "peak_trunk_rotation_speed_deg_s",
        Unit::DegreesPerSecond,
        false,
        (
            "peak angular velocity of the trunk along its Y, contact - 0.4 s to release + 0.05 s",
            "+ toward the target",
            LABORATORY,
        ),
        TRUNK,
        |d| Ok(edge_matters(d.trunk_peak()?)),
    ),
    whole(
        "peak_glove_arm_rotation_speed_deg_s",
        Unit::DegreesPerSecond,
        false,
        (
            "peak angular speed of the glove upper arm's direction, contact - 0.2 s to layback",
            "without sign",
            OWN,
        ),
        GLOVE_ARM,
        |d| Ok(edge_matters(d.glove_peak()?).doubted(second_peak(&d.glove_peak()?))),
    ),
    whole(
        "peak_elbow_extension_speed_deg_s",
        Unit::DegreesPerSecond,
        false,
        (
            "peak of -d(elbow flexion)/dt, contact to release + 0.02 s",
            "+ extends",
            LABORATORY,
        ),
        &[THROWING.shoulder, THROWING.elbow, THROWING.wrist],
        elbow_extension,
    ),
    whole(
        "peak_shoulder_internal_rotation_speed_deg_s",
        Unit::DegreesPerSecond,
        false,
        (
            "peak of -d(shoulder external rotation)/dt, layback to release + 0.01 s",
            "+ internal",
            LABORATORY,
        ),
        ARM,
        internal_rotation,
    ),
    whole(
        "peak_pelvis_forward_speed_m_s",
        Unit::MetresPerSecond,
        true,
        (
            "peak velocity of the middle of the hips along x, peak knee lift to release",
            "+ toward the target",
            OWN,
        ),
        HIPS,
        pelvis_forward,
    ),
    whole(
        "peak_hand_speed_m_s",
        Unit::MetresPerSecond,
        false,
        (
            "peak speed of the throwing knuckle, contact to release + 0.02 s",
            "without sign",
            OWN,
        ),
        &[THROWING.knuckle],
        hand_speed,
    ),
    whole(
        "pelvis_to_trunk_peak_delay_s",
        Unit::Seconds,
        true,
        (
            "trunk less pelvis: speed-weighted mean time of the stretch around each rotation peak above half of it",
            "+ trunk after pelvis",
            OWN,
        ),
        TRUNK,
        pelvis_to_trunk,
    ),
    whole(
        "glove_arm_peak_to_foot_contact_s",
        Unit::Seconds,
        false,
        (
            "time of the glove arm's peak less foot contact",
            "- before contact",
            OWN,
        ),
        GLOVE_ARM,
        glove_time,
    ),
    whole(
        "foot_contact_to_ball_release_s",
        Unit::Seconds,
        false,
        (
            "ball release less foot contact",
            "+ release after contact",
            LABORATORY,
        ),
        &[LEAD.heel, LEAD.big_toe, LEAD.small_toe, THROWING.knuckle],
        |d| {
            let (contact_s, release_s) = d.contact_to_release_s()?;
            Ok((release_s - contact_s).into())
        },
    ),
];

/// A peak whose window has no natural end: a largest value at the end is doubtful.
fn edge_matters(peak: Peak) -> Reading {
    Reading {
        value: peak.value,
        caution: peak.caution(),
    }
}

/// A peak that may lie at the end of its window.
pub(super) fn any_peak(peak: Peak) -> Reading {
    Reading {
        value: peak.value,
        caution: peak.gaps,
    }
}

/// The doubt a second peak brings.
fn second_peak(peak: &Peak) -> Option<Caution> {
    let (second_s, value) = peak.second?;
    (value >= RIVAL_SHARE * peak.value).then(|| Caution::SecondPeak {
        first_s: peak.time_s,
        second_s,
        share_pct: 100.0 * value / peak.value,
    })
}

/// Peak of a quantity from contact to some time after release.
fn peak_after_contact(
    d: &Delivery<'_>,
    after_release_s: f64,
    quantity: impl Fn(f64) -> Result<f64, Missing>,
) -> Outcome {
    let (contact_s, release_s) = d.contact_to_release_s()?;
    Ok(any_peak(
        sample(contact_s, release_s + after_release_s, quantity)?.highest()?,
    ))
}

fn elbow_extension(d: &Delivery<'_>) -> Outcome {
    peak_after_contact(d, AFTER_RELEASE_S, |t| {
        Ok(-elbow_flexion_deg(&d.motion, &THROWING, t)?.rate)
    })
}

fn hand_speed(d: &Delivery<'_>) -> Outcome {
    peak_after_contact(d, AFTER_RELEASE_S, |t| d.motion.speed_m_s(THROWING.knuckle, t))
}

fn internal_rotation(d: &Delivery<'_>) -> Outcome {
    let from_s = d.at(MaxExternalRotation)?;
    let to_s = d.at(BallRelease)? + ROTATION_AFTER_RELEASE_S;
    let speed = |t: f64| Ok(-external_rotation_deg(&d.motion, &THROWING, t)?.rate);
    Ok(any_peak(sample(from_s, to_s, speed)?.highest()?))
}

fn pelvis_forward(d: &Delivery<'_>) -> Outcome {
    let speed = |t: f64| Ok(mid_hips(&d.motion, t)?.rate.x);
    let peak = sample(d.at(PeakKneeLift)?, d.at(BallRelease)?, speed)?.highest()?;
    Ok(any_peak(peak))
}

fn pelvis_to_trunk(d: &Delivery<'_>) -> Outcome {
    let span_s = d.motion.span_s()?;
    let (pelvis, trunk) = (d.pelvis_peak()?, d.trunk_peak()?);
    let pelvis_s = weighted_time_s(&pelvis, span_s, |t| pelvis_rotation_speed_deg_s(&d.motion, t))?;
    let trunk_s = weighted_time_s(&trunk, span_s, |t| trunk_rotation_speed_deg_s(&d.motion, t))?;
    Ok(Reading::from(trunk_s - pelvis_s)
        .doubted(pelvis.caution())
        .doubted(trunk.caution()))
}

fn glove_time(d: &Delivery<'_>) -> Outcome {
    let peak = d.glove_peak()?;
    let time_s = peak.time_s - d.at(FootContact)?;
    Ok(Reading::from(time_s)
        .doubted(peak.caution())
        .doubted(second_peak(&peak)))
}
