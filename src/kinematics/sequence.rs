//! The order in which segments reach their fastest turn, with how sure that order is.
//!
//! Many orders occur in good pitchers (Front Sports Act Living 2021, doi 10.3389/fspor.2021.699251): it is described,
//! never passed or failed.

use super::delivery::Delivery;
use super::peaks::{Peak, sample};
use super::rates::direction_speed_deg_s;
use super::reason::Missing;
use super::segments::THROWING;

/// Segments of the sequence, from the ground outward.
pub(super) const SEGMENTS: [&str; 5] = ["pelvis", "trunk", "upper_arm", "forearm", "hand"];

/// A segment's fastest turn.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SequencePeak {
    /// `pelvis`, `trunk` (about their long axes), `upper_arm`, `forearm`, `hand` (of their direction).
    pub segment: &'static str,
    /// When, seconds.
    pub time_s: f64,
    /// Standard deviation of the time, seconds; `None` when no doubt was computed.
    pub sd_s: Option<f64>,
    /// How fast, degrees per second.
    pub speed_deg_s: f64,
}

/// The peaks in order of time.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct Sequence {
    /// Peaks that could be found, earliest first.
    pub peaks: Vec<SequencePeak>,
    /// Share of the noisy repetitions that give the same order; `None` when no doubt was computed.
    pub order_probability: Option<f64>,
}

/// Peaks of the five segments.
pub(super) fn peaks(d: &Delivery<'_>) -> [Result<Peak, Missing>; SEGMENTS.len()] {
    let arm = [
        (THROWING.shoulder, THROWING.elbow),
        (THROWING.elbow, THROWING.wrist),
        (THROWING.wrist, THROWING.knuckle),
    ];
    let arm = arm.map(|(from, to)| {
        let (contact_s, release_s) = d.contact_to_release_s()?;
        let speed = |t: f64| direction_speed_deg_s(&d.motion, from, to, t);
        sample(contact_s, release_s + 0.05, speed)?.highest()
    });
    let [upper_arm, forearm, hand] = arm;
    let pelvis = if d.motion.trajectory.world_known {
        d.pelvis_peak()
    } else {
        Err(Missing::World)
    };
    [pelvis, d.trunk_peak(), upper_arm, forearm, hand]
}

/// Times of the five peaks, seconds.
pub(super) fn peak_times(d: &Delivery<'_>) -> [Result<f64, Missing>; SEGMENTS.len()] {
    peaks(d).map(|peak| peak.map(|p| p.time_s))
}

/// Indices of the known times, earliest first.
pub(super) fn order(times_s: &[Option<f64>]) -> Vec<usize> {
    let mut known: Vec<(usize, f64)> = times_s
        .iter()
        .enumerate()
        .filter_map(|(i, t)| t.map(|t| (i, t)))
        .collect();
    known.sort_by(|a, b| a.1.total_cmp(&b.1));
    known.into_iter().map(|k| k.0).collect()
}
