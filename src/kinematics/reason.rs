//! Why a figure is missing, and why one that exists should be doubted.

use crate::ball::Unseen;
use crate::skeleton::Joint;

use super::events::EventName;

/// Why an event or a metric could not be measured.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Missing {
    /// A needed joint was not seen.
    #[error("{joint} is unknown at {time_s:.3} s")]
    Joint {
        /// The joint, on the athlete's own side.
        joint: Joint,
        /// When it was needed, seconds.
        time_s: f64,
    },
    /// The instant lies before or after the recording.
    #[error("the recording does not reach {time_s:.3} s")]
    OutsideRecording {
        /// The needed instant, seconds.
        time_s: f64,
    },
    /// An event it depends on is missing.
    #[error("{event} was not found: {why}")]
    Event {
        /// The event.
        event: EventName,
        /// Why it is missing.
        why: Box<Missing>,
    },
    /// The caller gave the events, without this one.
    #[error("the given events leave it out")]
    NotGiven,
    /// Tilts and directions need the world.
    #[error("no world frame was measured: show the board upright on the rubber, facing the target")]
    World,
    /// Joules need the mass of the body.
    #[error("mass unknown")]
    Mass,
    /// Shares of height need a height.
    #[error("body height unknown, and too few joints are known to estimate it")]
    Height,
    /// The ball was not followed.
    #[error("{0}")]
    Ball(Unseen),
    /// A straight knee hides the rotation of the thigh.
    #[error(
        "the knee is bent {bent_deg:.0} degrees, under {least_deg:.0}: the thigh's rotation cannot be seen"
    )]
    StraightKnee {
        /// Knee flexion, degrees.
        bent_deg: f64,
        /// Least flexion, degrees.
        least_deg: f64,
    },
    /// An upper arm near the trunk's long axis has no direction across it.
    #[error(
        "the arm is abducted {abduction_deg:.0} degrees, outside {least_deg:.0} to {most_deg:.0}: \
         its direction across the trunk cannot be told"
    )]
    ArmAlongTrunk {
        /// Shoulder abduction, degrees.
        abduction_deg: f64,
        /// Least abduction, degrees.
        least_deg: f64,
        /// Largest abduction, degrees.
        most_deg: f64,
    },
    /// Points that should be apart coincide.
    #[error("the points of the {segment} lie on each other or in one line at {time_s:.3} s")]
    Degenerate {
        /// The segment.
        segment: &'static str,
        /// When, seconds.
        time_s: f64,
    },
    /// The window in which to look is empty.
    #[error("there is nothing to look through between {from_s:.3} s and {to_s:.3} s")]
    EmptyWindow {
        /// Start, seconds.
        from_s: f64,
        /// End, seconds.
        to_s: f64,
    },
    /// A largest value at the end of its window is no peak.
    #[error(
        "{what} has no peak between {from_s:.3} s and {to_s:.3} s: its largest value lies at an end or beside a gap"
    )]
    NoPeak {
        /// The quantity.
        what: &'static str,
        /// Start of the window, seconds.
        from_s: f64,
        /// End of the window, seconds.
        to_s: f64,
    },
    /// A level was never crossed.
    #[error("{what} between {from_s:.3} s and {to_s:.3} s")]
    NoCrossing {
        /// What did not happen, as a clause.
        what: &'static str,
        /// Start of the window, seconds.
        from_s: f64,
        /// End of the window, seconds.
        to_s: f64,
    },
}

/// Why a value exists but should not be acted on.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Caution {
    /// The figure is a share of an estimated height.
    #[error("body height unknown: estimated as {height_m:.2} m from the joints")]
    HeightEstimated {
        /// The estimate, metres.
        height_m: f64,
    },
    /// The ball's share per kilogram of body mass needs the mass.
    #[error("mass unknown: the ball's share is counted for an assumed {mass_kg:.0} kg")]
    MassAssumed {
        /// The assumption, kilograms.
        mass_kg: f64,
    },
    /// Shoulder rotation is read from a forearm nearly in line with the upper arm.
    #[error(
        "the elbow is bent {bent_deg:.0} degrees, under {least_deg:.0}: the forearm is too nearly in line \
         with the upper arm to show well how far the shoulder is turned"
    )]
    StraightElbow {
        /// Elbow flexion, degrees.
        bent_deg: f64,
        /// Least flexion, degrees.
        least_deg: f64,
    },
    /// Two peaks nearly as high: their times differ more than their heights.
    #[error(
        "two peaks: the largest at {first_s:.3} s, another at {second_s:.3} s with {share_pct:.0} % of it"
    )]
    SecondPeak {
        /// When the largest comes, seconds.
        first_s: f64,
        /// When the other comes, seconds.
        second_s: f64,
        /// Its height, percent of the first.
        share_pct: f64,
    },
    /// The largest value lies at the end of the window.
    #[error("the largest value lies at an end of its window or beside a gap, at {time_s:.3} s")]
    PeakAtEdge {
        /// When, seconds.
        time_s: f64,
    },
    /// Part of the window was not seen.
    #[error("{missing_pct:.0} % of the window is unknown ({why})")]
    Gaps {
        /// Unknown share, percent.
        missing_pct: f64,
        /// Why the first of them is unknown.
        why: Box<Missing>,
    },
    /// The parameters of body segments are adults'.
    #[error("a body of {height_m:.2} m is a growing one: the segments' masses are those of adults, scaled")]
    YoungBody {
        /// Body height, metres.
        height_m: f64,
    },
    /// Small noise of the legs' speeds enters squared, over heavy segments.
    #[error("the energy of the legs is small, and small errors of the joints can add as much")]
    LegEnergy,
    /// Many noisy versions of the motion give no value.
    #[error(
        "it hangs by a thread: with the joints moved within their doubt, {failed_pct:.0} % of the trials do not find it"
    )]
    Fragile {
        /// Share, percent.
        failed_pct: f64,
    },
    /// Noise moves the value one way: a peak that hardly rises above the noise reads too high.
    #[error(
        "small errors of the joints push it one way, by {} {unit}: more than its doubt of {} {unit}",
        short(*shift),
        short(*sd)
    )]
    Shifted {
        /// Mean shift, in the metric's unit.
        shift: f64,
        /// Standard deviation, in the metric's unit.
        sd: f64,
        /// Symbol of the unit.
        unit: &'static str,
    },
    /// The standard deviation is too large for the value to be of use.
    #[error(
        "its doubt of {} {unit} is too wide to act on: {} {unit} at most",
        short(*sd),
        short(*bound)
    )]
    Wide {
        /// Standard deviation, in the metric's unit.
        sd: f64,
        /// Bound, in the metric's unit.
        bound: f64,
        /// Symbol of the unit.
        unit: &'static str,
    },
}

/// The size of a number to three significant digits: a reason needs no more.
fn short(value: f64) -> String {
    let size = value.abs();
    if size < 1e-9 || !size.is_finite() {
        return format!("{size:.0}");
    }
    let decimals = 2 - size.log10().floor() as i32;
    let step = 10.0_f64.powi(-decimals);
    format!("{:.*}", decimals.max(0) as usize, (size / step).round() * step)
}

/// A value of one metric, before its doubt is known.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Reading {
    /// The value, in the metric's unit.
    pub(super) value: f64,
    /// Why it should be doubted, if so.
    pub(super) caution: Option<Caution>,
}

impl From<f64> for Reading {
    fn from(value: f64) -> Self {
        Self { value, caution: None }
    }
}

impl Reading {
    /// The same value with a reason for doubt added, unless it already has one.
    pub(super) fn doubted(mut self, caution: Option<Caution>) -> Self {
        self.caution = self.caution.or(caution);
        self
    }
}

/// What computing a metric gives.
pub(super) type Outcome = Result<Reading, Missing>;
