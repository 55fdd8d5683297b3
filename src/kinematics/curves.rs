//! Figures over time, for pages and `curves.csv`: one value per sample of the trajectory.

use std::borrow::Cow;

use crate::trajectory::Trajectory;
use crate::units::Seconds;

use super::angles::{
    elbow_flexion_deg, external_rotation_deg, knee_flexion_deg, pelvis_rotation_deg, separation_deg,
    shoulder_abduction_deg, trunk_contralateral_tilt_deg, trunk_forward_tilt_deg, trunk_rotation_deg,
};
use super::delivery::Delivery;
use super::energy::{LOWER_BODY, SEGMENT_COUNT, THROWING_ARM, TRUNK_AND_HEAD};
use super::events::EventName;
use super::rates::{
    direction_speed_deg_s, pelvis_angular_speed_deg_s, pelvis_rotation_speed_deg_s,
    trunk_angular_speed_deg_s, trunk_rotation_speed_deg_s, upper_arm_angular_speed_deg_s,
    upper_arm_rotation_speed_deg_s,
};
use super::reason::Missing;
use super::segment_curves::{CENTRES, ENERGIES};
use super::segments::{DRIVE, GLOVE, LEAD, THROWING, mid_hips};
use super::turns::unwrap_from;

/// One figure over time.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Curve {
    /// Identifier, with the unit at its end.
    pub id: Cow<'static, str>,
    /// Unit.
    pub unit: &'static str,
    /// One value per sample of the trajectory; `None` where a needed joint is unknown.
    pub values: Vec<Option<f64>>,
}

/// A figure at an instant.
pub(super) type Figure = fn(&Delivery<'_>, f64) -> Result<f64, Missing>;

/// A figure's id, unit and formula.
pub(super) type Row = (&'static str, &'static str, Figure);

/// Figures that need the world's axes.
const IN_THE_WORLD: &[Row] = &[
    ("pelvis_rotation_deg", "deg", |d, t| {
        pelvis_rotation_deg(&d.motion, t)
    }),
    ("trunk_rotation_deg", "deg", |d, t| {
        trunk_rotation_deg(&d.motion, t)
    }),
    ("hip_shoulder_separation_deg", "deg", |d, t| {
        separation_deg(&d.motion, t)
    }),
    ("trunk_forward_tilt_deg", "deg", |d, t| {
        trunk_forward_tilt_deg(&d.motion, t)
    }),
    ("trunk_contralateral_tilt_deg", "deg", |d, t| {
        trunk_contralateral_tilt_deg(&d.motion, t)
    }),
    ("pelvis_rotation_speed_deg_s", "deg/s", |d, t| {
        pelvis_rotation_speed_deg_s(&d.motion, t)
    }),
    ("pelvis_angular_speed_deg_s", "deg/s", |d, t| {
        pelvis_angular_speed_deg_s(&d.motion, t)
    }),
    ("pelvis_forward_speed_m_s", "m/s", |d, t| {
        Ok(mid_hips(&d.motion, t)?.rate.x)
    }),
    ("centre_of_mass_forward_speed_m_s", "m/s", |d, t| {
        centre_speed(d, t, 0)
    }),
    ("centre_of_mass_upward_speed_m_s", "m/s", |d, t| {
        centre_speed(d, t, 1)
    }),
    ("centre_of_mass_sideways_speed_m_s", "m/s", |d, t| {
        centre_speed(d, t, 2)
    }),
];

/// Figures that the joints alone give.
const OF_THE_BODY: &[Row] = &[
    ("trunk_rotation_speed_deg_s", "deg/s", |d, t| {
        trunk_rotation_speed_deg_s(&d.motion, t)
    }),
    ("trunk_angular_speed_deg_s", "deg/s", |d, t| {
        trunk_angular_speed_deg_s(&d.motion, t)
    }),
    ("throwing_upper_arm_speed_deg_s", "deg/s", |d, t| {
        direction_speed_deg_s(&d.motion, THROWING.shoulder, THROWING.elbow, t)
    }),
    ("throwing_upper_arm_rotation_speed_deg_s", "deg/s", |d, t| {
        upper_arm_rotation_speed_deg_s(&d.motion, &THROWING, t)
    }),
    ("throwing_upper_arm_angular_speed_deg_s", "deg/s", |d, t| {
        upper_arm_angular_speed_deg_s(&d.motion, &THROWING, t)
    }),
    ("glove_upper_arm_rotation_speed_deg_s", "deg/s", |d, t| {
        upper_arm_rotation_speed_deg_s(&d.motion, &GLOVE, t)
    }),
    ("glove_upper_arm_angular_speed_deg_s", "deg/s", |d, t| {
        upper_arm_angular_speed_deg_s(&d.motion, &GLOVE, t)
    }),
    ("throwing_forearm_speed_deg_s", "deg/s", |d, t| {
        direction_speed_deg_s(&d.motion, THROWING.elbow, THROWING.wrist, t)
    }),
    ("throwing_hand_turn_speed_deg_s", "deg/s", |d, t| {
        direction_speed_deg_s(&d.motion, THROWING.wrist, THROWING.knuckle, t)
    }),
    ("glove_upper_arm_speed_deg_s", "deg/s", |d, t| {
        direction_speed_deg_s(&d.motion, GLOVE.shoulder, GLOVE.elbow, t)
    }),
    ("elbow_flexion_deg", "deg", |d, t| {
        Ok(elbow_flexion_deg(&d.motion, &THROWING, t)?.value)
    }),
    ("elbow_extension_speed_deg_s", "deg/s", |d, t| {
        Ok(-elbow_flexion_deg(&d.motion, &THROWING, t)?.rate)
    }),
    ("shoulder_abduction_deg", "deg", |d, t| {
        shoulder_abduction_deg(&d.motion, &THROWING, t)
    }),
    ("shoulder_external_rotation_deg", "deg", |d, t| {
        Ok(external_rotation_deg(&d.motion, &THROWING, t)?.value)
    }),
    ("shoulder_internal_rotation_speed_deg_s", "deg/s", |d, t| {
        Ok(-external_rotation_deg(&d.motion, &THROWING, t)?.rate)
    }),
    ("lead_knee_flexion_deg", "deg", |d, t| {
        Ok(knee_flexion_deg(&d.motion, &LEAD, t)?.value)
    }),
    ("drive_knee_flexion_deg", "deg", |d, t| {
        Ok(knee_flexion_deg(&d.motion, &DRIVE, t)?.value)
    }),
    ("hand_speed_m_s", "m/s", |d, t| {
        d.motion.speed_m_s(THROWING.knuckle, t)
    }),
    ("lower_body_kinetic_energy_j_kg", "J/kg", |d, t| {
        d.inertia.energy_j_kg(&d.motion, LOWER_BODY, t)
    }),
    ("trunk_kinetic_energy_j_kg", "J/kg", |d, t| {
        d.inertia.energy_j_kg(&d.motion, TRUNK_AND_HEAD, t)
    }),
    ("throwing_arm_kinetic_energy_j_kg", "J/kg", |d, t| {
        d.arm_energy_j_kg(t)
    }),
    ("lower_body_linear_energy_j_kg", "J/kg", |d, t| {
        Ok(d.inertia.parts(&d.motion, LOWER_BODY, t)?.linear)
    }),
    ("lower_body_rotational_energy_j_kg", "J/kg", |d, t| {
        Ok(d.inertia.parts(&d.motion, LOWER_BODY, t)?.rotational)
    }),
    ("trunk_and_head_linear_energy_j_kg", "J/kg", |d, t| {
        Ok(d.inertia.parts(&d.motion, TRUNK_AND_HEAD, t)?.linear)
    }),
    ("trunk_and_head_rotational_energy_j_kg", "J/kg", |d, t| {
        Ok(d.inertia.parts(&d.motion, TRUNK_AND_HEAD, t)?.rotational)
    }),
    ("throwing_arm_linear_energy_j_kg", "J/kg", |d, t| {
        Ok(d.inertia.parts(&d.motion, THROWING_ARM, t)?.linear)
    }),
    ("throwing_arm_rotational_energy_j_kg", "J/kg", |d, t| {
        Ok(d.inertia.parts(&d.motion, THROWING_ARM, t)?.rotational)
    }),
    ("whole_body_kinetic_energy_j_kg", "J/kg", |d, t| {
        d.inertia.energy_j_kg(&d.motion, 0..SEGMENT_COUNT, t)
    }),
    ("linear_share_of_kinetic_energy_pct", "%", |d, t| {
        Ok(100.0 * d.inertia.linear_share(&d.motion, t)?)
    }),
];

/// Angles over time that may pass half a turn: the turn in which their value at contact lies starts here, degrees.
const UNWRAPPED: &[(&str, f64)] = &[
    ("pelvis_rotation_deg", -180.0),
    ("trunk_rotation_deg", -180.0),
    ("hip_shoulder_separation_deg", -180.0),
    ("shoulder_external_rotation_deg", -90.0),
];

fn centre_speed(d: &Delivery<'_>, time_s: f64, axis: usize) -> Result<f64, Missing> {
    Ok(d.inertia.centre_of_mass(&d.motion, time_s)?.rate[axis])
}

/// All curves of a delivery; those of the world's axes only where these are known.
pub(super) fn curves(d: &Delivery<'_>) -> Vec<Curve> {
    let trajectory: &Trajectory = d.motion.trajectory;
    let contact_s = d.at(EventName::FootContact).unwrap_or_default();
    let anchor = trajectory.times.partition_point(|t| *t < Seconds(contact_s));
    let at_all = |figure: Figure| -> Vec<Option<f64>> {
        trajectory.times.iter().map(|t| figure(d, t.0).ok()).collect()
    };
    rows(trajectory.world_known)
        .map(|&(id, unit, figure)| {
            let mut values = at_all(figure);
            if let Some((_, low_deg)) = UNWRAPPED.iter().find(|u| u.0 == id) {
                unwrap_from(&mut values, anchor, *low_deg);
            }
            Curve {
                id: Cow::Borrowed(id),
                unit,
                values,
            }
        })
        .collect()
}

/// All figures that can be known.
pub(super) fn rows(world_known: bool) -> impl Iterator<Item = &'static Row> {
    let (world, centres): (&[Row], &[Row]) = if world_known {
        (IN_THE_WORLD, CENTRES)
    } else {
        (&[], &[])
    };
    world.iter().chain(OF_THE_BODY).chain(centres).chain(ENERGIES)
}
