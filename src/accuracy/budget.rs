//! The error budget: what each source of error costs, by taking it away.

use std::fmt::Write as _;

use crate::accuracy::figures::{figures, mean, rms};
use crate::accuracy::log::{Outcome, Trial};
use crate::accuracy::page::{event_errors, number};
use crate::accuracy::trial::Variant;
use crate::kinematics::EventName;

/// Speeds that the table shows.
const SPEEDS: [&str; 5] = [
    "peak_hand_speed_m_s",
    "peak_pelvis_rotation_speed_deg_s",
    "peak_trunk_rotation_speed_deg_s",
    "peak_elbow_extension_speed_deg_s",
    "peak_shoulder_internal_rotation_speed_deg_s",
];

fn name(variant: Variant) -> &'static str {
    match variant {
        Variant::AsMeasured => "as measured",
        Variant::PerfectKeypoints => "perfect keypoints",
        Variant::PerfectClock => "perfect clock",
        Variant::PerfectRig => "perfect rig",
        Variant::JointsAlone => "each joint smoothed alone",
    }
}

/// The table over the deliveries that were measured in every variant; empty without any.
pub(crate) fn budget(trials: &[Trial]) -> String {
    let of = |number: usize, variant: Variant| -> Option<&Outcome> {
        trials
            .iter()
            .find(|t| t.scenario.number == number && t.variant == variant)?
            .outcome
            .as_ref()
    };
    let mut numbers: Vec<usize> = trials.iter().map(|t| t.scenario.number).collect();
    numbers.sort_unstable();
    numbers.dedup();
    numbers.retain(|n| Variant::ALL.iter().all(|v| of(*n, *v).is_some()));
    if numbers.is_empty() {
        return String::new();
    }
    let mut out = format!(
        "## Where the errors come from\n\n{} of these deliveries, measured again with one source of error taken away at a time \
         (and, in the last row, without what the body knows of itself). Root mean square errors; angles: mean over all \
         angles' root mean square errors at true events.\n\n\
         | | joints mean / median, mm | contact, ms | layback, ms | release, ms | angles | hand, % | pelvis, % | trunk, % | \
         elbow, % | shoulder, % |\n|---|---|---|---|---|---|---|---|---|---|---|\n",
        numbers.len()
    );
    for variant in Variant::ALL {
        let outcomes: Vec<&Outcome> = numbers.iter().filter_map(|n| of(*n, variant)).collect();
        let joints = |f: &dyn Fn(&Outcome) -> f64| mean(&outcomes.iter().map(|o| f(o)).collect::<Vec<_>>());
        let event = |name: EventName| number(rms(&event_errors(&outcomes, name)).map(|s| 1e3 * s), 1);
        let figures = figures(&outcomes);
        let angles: Vec<f64> = figures
            .iter()
            .filter(|f| f.unit == "deg")
            .filter_map(|f| rms(&f.at_truth))
            .collect();
        let _ = write!(
            out,
            "| {} | {} / {} | {} | {} | {} | {} |",
            name(variant),
            number(joints(&|o| o.joints.mean_mm), 1),
            number(joints(&|o| o.joints.median_mm), 1),
            event(EventName::FootContact),
            event(EventName::MaxExternalRotation),
            event(EventName::BallRelease),
            number(mean(&angles), 2),
        );
        for id in SPEEDS {
            let error = figures.iter().find(|f| f.id == id).and_then(|f| rms(&f.found));
            let _ = write!(out, " {} |", number(error, 1));
        }
        out.push('\n');
    }
    out.push('\n');
    out
}
