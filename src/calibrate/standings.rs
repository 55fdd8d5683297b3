//! Several standings of one board become one world frame with its doubt.
//!
//! What is unknown: how much this hand lets the board lean. Before anything is seen it is taken as
//! [`CalibrateSettings::board_lean_sd_deg`], with the weight of [`PRIOR_WEIGHT`] observations; the scatter of the standings
//! about their mean adds theirs (the usual update of a variance). Ground that is not level and a print that is not cut square
//! lean every standing alike: [`COMMON_SD_DEG`].

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::calibrate::CalibrateSettings;
use crate::calibrate::world::WorldFrame;
use crate::geometry::{Rigid, WorldFromLeft};

/// How many observations the hand's usual steadiness counts for (common practice, no source).
const PRIOR_WEIGHT: f64 = 6.0;
/// Standard deviation of what all standings share, degrees (common practice, no source).
const COMMON_SD_DEG: f64 = 0.3;

/// Bounds within which a board stood at the same place: height of the ground, way along it, and turn.
const SAME_HEIGHT_M: f64 = 0.06;
const SAME_PLACE_M: f64 = 0.3;
const SAME_TURN_DEG: f64 = 10.0;

/// A board that moved less than this was not set down anew.
const SAME_STANDING_DEG: f64 = 0.1;
const SAME_STANDING_M: f64 = 0.004;

/// The world as one standing of the board tells it.
#[derive(Clone, Debug)]
pub(super) struct Standing {
    pub(super) world_from_left: Rigid,
    /// Of a small turn about the world's axes, from the corners' doubt alone, radians squared.
    pub(super) turn_covariance: Matrix3<f64>,
    pub(super) phones: usize,
}

impl Standing {
    /// Turn (a rotation vector, radians) and shift of the world by another standing against this one's.
    fn step(&self, other: &Self) -> (Vector3<f64>, Vector3<f64>) {
        let step = other.world_from_left.after(&self.world_from_left.inverse());
        (step.rotation.scaled_axis(), step.translation_m)
    }

    /// Whether another board stood where this one did.
    pub(super) fn same_place(&self, other: &Self) -> bool {
        let (turn, shift) = self.step(other);
        turn.norm().to_degrees() <= SAME_TURN_DEG
            && shift.y.abs() <= SAME_HEIGHT_M
            && shift.xz().norm() <= SAME_PLACE_M
    }

    /// Whether the board was not even touched between the two.
    pub(super) fn same_standing(&self, other: &Self) -> bool {
        let (turn, shift) = self.step(other);
        turn.norm().to_degrees() <= SAME_STANDING_DEG && shift.norm() <= SAME_STANDING_M
    }
}

/// The mean of the standings; there is at least one, the first stood last.
pub(super) fn mean_world(standings: &[Standing], settings: &CalibrateSettings) -> WorldFrame {
    let first = &standings[0];
    let count = standings.len() as f64;
    let steps: Vec<_> = standings.iter().map(|s| first.step(s)).collect();
    let turn = steps.iter().map(|s| s.0).sum::<Vector3<f64>>() / count;
    let shift = steps.iter().map(|s| s.1).sum::<Vector3<f64>>() / count;
    let mean = Rigid::new(Rotation3::from_scaled_axis(turn), shift).after(&first.world_from_left);
    let seen = standings.iter().map(|s| s.turn_covariance).sum::<Matrix3<f64>>() / (count * count);
    let scatter = |axis: usize| {
        steps
            .iter()
            .map(|s| (s.0[axis] - turn[axis]).powi(2))
            .sum::<f64>()
    };
    // Lean is alike about both horizontal axes: twice the observations.
    let steadiness = |usual_deg: f64, squares: f64, free: f64| {
        let usual = usual_deg.to_radians().powi(2);
        (PRIOR_WEIGHT * usual + squares) / (PRIOR_WEIGHT + free)
    };
    let lean = steadiness(
        settings.board_lean_sd_deg,
        scatter(0) + scatter(2),
        2.0 * (count - 1.0),
    );
    let yaw = steadiness(settings.board_turn_sd_deg, scatter(1), count - 1.0);
    let combined = |of_corners: f64, of_hand: f64| {
        let common = COMMON_SD_DEG.to_radians().powi(2);
        (of_corners.max(0.0) + of_hand / count + common)
            .sqrt()
            .to_degrees()
    };
    WorldFrame {
        world_from_left: WorldFromLeft(moved(mean, settings)),
        sd_tilt_deg: combined((seen[(0, 0)] + seen[(2, 2)]) / 2.0, lean),
        sd_yaw_deg: combined(seen[(1, 1)], yaw),
        phones: first.phones,
        standings: standings.len(),
        marks: 0,
    }
}

/// The world with its origin at the rubber when the board stood elsewhere.
fn moved(mut world_from_left: Rigid, settings: &CalibrateSettings) -> Rigid {
    let [toward_m, right_m] = settings.board_at_m;
    world_from_left.translation_m += Vector3::new(toward_m, 0.0, right_m);
    world_from_left
}
