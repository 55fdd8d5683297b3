//! Figures over time of each segment of the body: velocity of its centre, its energies.
//!
//! Velocities are along the world's axes of the (mirrored) right-hander: x toward the target, y up, z to the throwing side.

use super::curves::Row;
use super::segments::mid_hips;

/// One segment's rows; the number is its place in [`super::energy::BODY`].
macro_rules! centres {
    ($($index:literal $name:literal),* $(,)?) => {
        &[
            ("pelvis_velocity_x_m_s", "m/s", |d, t| Ok(mid_hips(&d.motion, t)?.rate.x)),
            ("pelvis_velocity_y_m_s", "m/s", |d, t| Ok(mid_hips(&d.motion, t)?.rate.y)),
            ("pelvis_velocity_z_m_s", "m/s", |d, t| Ok(mid_hips(&d.motion, t)?.rate.z)),
            $(
                (concat!($name, "_velocity_x_m_s"), "m/s", |d, t| {
                    Ok(d.inertia.segment_centre(&d.motion, $index, t)?.rate.x)
                }),
                (concat!($name, "_velocity_y_m_s"), "m/s", |d, t| {
                    Ok(d.inertia.segment_centre(&d.motion, $index, t)?.rate.y)
                }),
                (concat!($name, "_velocity_z_m_s"), "m/s", |d, t| {
                    Ok(d.inertia.segment_centre(&d.motion, $index, t)?.rate.z)
                }),
            )*
        ]
    };
}

/// One segment's rows of energy.
macro_rules! energies {
    ($($index:literal $name:literal),* $(,)?) => {
        &[$(
            (concat!($name, "_linear_energy_j_kg"), "J/kg", |d, t| {
                Ok(d.inertia.parts(&d.motion, $index..$index + 1, t)?.linear)
            }),
            (concat!($name, "_rotational_energy_j_kg"), "J/kg", |d, t| {
                Ok(d.inertia.parts(&d.motion, $index..$index + 1, t)?.rotational)
            }),
        )*]
    };
}

/// Velocities of the middle of the hips and of all segments' centres of mass.
pub(super) const CENTRES: &[Row] = centres![
    0 "head", 1 "trunk", 2 "throwing_upper_arm", 3 "throwing_forearm", 4 "throwing_hand", 5 "glove_upper_arm",
    6 "glove_forearm", 7 "glove_hand", 8 "lead_thigh", 9 "drive_thigh", 10 "lead_shank", 11 "drive_shank", 12 "lead_foot",
    13 "drive_foot",
];

/// Energies of all segments, J per kg of body mass.
pub(super) const ENERGIES: &[Row] = energies![
    0 "head", 1 "trunk", 2 "throwing_upper_arm", 3 "throwing_forearm", 4 "throwing_hand", 5 "glove_upper_arm",
    6 "glove_forearm", 7 "glove_hand", 8 "lead_thigh", 9 "drive_thigh", 10 "lead_shank", 11 "drive_shank", 12 "lead_foot",
    13 "drive_foot",
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kinematics::energy::{BODY, SEGMENT_COUNT};
    use crate::kinematics::inertia::SegmentKind;

    /// The names stand in the body's order.
    #[test]
    fn every_segment_has_its_rows_under_its_own_name() {
        assert_eq!(CENTRES.len(), 3 * (1 + SEGMENT_COUNT));
        assert_eq!(ENERGIES.len(), 2 * SEGMENT_COUNT);
        for (i, segment) in BODY.iter().enumerate() {
            let word = match segment.kind {
                SegmentKind::Head => "head",
                SegmentKind::Trunk => "trunk",
                SegmentKind::UpperArm => "upper_arm",
                SegmentKind::Forearm => "forearm",
                SegmentKind::Hand => "hand",
                SegmentKind::Thigh => "thigh",
                SegmentKind::Shank => "shank",
                SegmentKind::Foot => "foot",
            };
            assert!(CENTRES[3 * (i + 1)].0.contains(word), "{i} {word}");
            assert!(ENERGIES[2 * i].0.contains(word), "{i} {word}");
        }
    }
}
