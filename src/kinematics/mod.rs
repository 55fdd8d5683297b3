//! Kinematics: a trajectory becomes events and metrics, each with its doubt.
//!
//! Input: joints in space over time, with velocities and doubts ([`crate::trajectory::Trajectory`]); method: segment
//! frames and angles with analytic rates, events by fixed rules, doubt from noisy repetitions; output:
//! [`DeliveryMeasures`]. Nothing here can fail as a whole: what cannot be measured says why.
//!
//! A left-hander is mirrored first, so that both hands give the same numbers; all files of this stage but this one
//! know right-handers only. Definitions live in the [`catalogue`].

use serde::Serialize;

use crate::ball::{BallFlight, Unseen};
use crate::quality::{Status, Warning, Warnings};
use crate::skeleton::{Handedness, PerJoint, Side};
use crate::trajectory::Trajectory;

/// What is known of the athlete.
mod athlete;

/// Joint angles and tilts.
mod angles;

/// Metrics, events and sequence with their doubt.
mod assemble;

/// The table of all metrics.
mod catalogue;

/// Warnings about the measurement.
mod cautions;

/// Figures over time.
mod curves;

/// One delivery with its events and shared peaks.
mod delivery;

/// Spread over noisy repetitions.
mod doubt;

/// Kinetic energy and centre of mass.
mod energy;

/// The four events.
mod events;

/// Body-segment parameters.
mod inertia;

/// Further instants for pages.
mod landmarks;

/// The metrics by part of the body.
mod metrics;

/// Left-handers become right-handers.
mod mirror;

/// The motion at any instant.
mod motion;

/// Vectors with their rates.
mod moving;

/// Peaks and level crossings.
mod peaks;

/// Noisy versions of a trajectory.
mod perturb;

/// Angular speeds.
mod rates;

/// Why a figure is missing or doubtful.
mod reason;

/// Body segments and their frames.
mod segments;

/// Figures over time of each segment.
mod segment_curves;

/// A low-pass filter without delay.
mod butterworth;

/// Speeds by a second route.
mod second_opinion;

/// The order of the segments' peaks.
mod sequence;

/// All that is given, as a right-hander's.
mod subject;

/// Deliveries within a recording.
mod deliveries;

/// Unwrapped angles.
mod turns;

pub use athlete::{Athlete, faster_hand};
pub use butterworth::zero_phase;
pub use catalogue::{Definition, Unit, catalogue, catalogue_markdown};
pub use curves::Curve;
pub use deliveries::{DeliverySpan, find_deliveries};
pub use events::{Event, EventName, PerEvent};
pub use inertia::{Row, SegmentKind, Sex, row as segment_row};
pub use landmarks::Landmark;
pub use perturb::ClockDoubt;
pub use reason::{Caution, Missing};
pub use second_opinion::{SecondFigure, SecondOpinion, SecondRoute};
pub use sequence::{Sequence, SequencePeak};

use delivery::{Delivery, Given, Thrown};
use subject::Subject;

/// How to measure.
#[derive(Clone, Debug)]
pub struct Options {
    /// Noisy repetitions behind every standard deviation; 0 computes none.
    pub draws: usize,
    /// Seed of the noise: the same seed, the same result.
    pub seed: u64,
    /// Time constant of the joints' noise, seconds.
    pub noise_time_s: PerJoint<f64>,
    /// Highest frequency the smoother let through for each joint, hertz; `None` where not known.
    pub bandwidth_hz: PerJoint<Option<f64>>,
    /// Versions of the trajectory under noise, from whoever estimated it: they replace the independent noise of the joints
    /// and the clock's doubt, and their number replaces `draws`.
    pub versions: Vec<Trajectory>,
    /// Standard deviation of the world's vertical about each horizontal axis, degrees.
    pub tilt_sd_deg: f64,
    /// Standard deviation of the target line about the vertical, degrees.
    pub yaw_sd_deg: f64,
    /// Doubt of the offset between the two clocks, where two phones made the trajectory.
    pub clock: Option<ClockDoubt>,
    /// The ball's flight, or why it is not known: release is where it meets the hand.
    pub ball: Result<BallFlight, Unseen>,
    /// The instant of release where it is known otherwise (a scene's truth).
    pub release: Option<Event>,
    /// All events, instead of finding them; one without a time stays missing.
    pub events: Option<PerEvent<Option<Event>>>,
    /// Speeds by a second route, beside the first.
    pub second_route: Option<SecondRoute>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            draws: 100,
            seed: 1,
            noise_time_s: PerJoint::from_fn(|_| 0.05),
            bandwidth_hz: PerJoint::from_fn(|_| None),
            versions: Vec::new(),
            tilt_sd_deg: 0.0,
            yaw_sd_deg: 0.0,
            clock: None,
            ball: Err(Unseen::NoPictures),
            release: None,
            events: None,
            second_route: None,
        }
    }
}

/// Time constant of noise whose velocity deviates by `rate_per_s` times its position: for
/// [`Options::noise_time_s`].
#[must_use]
pub fn noise_time_s(rate_per_s: f64) -> f64 {
    perturb::speed_noise_per_s(1.0) / rate_per_s
}

impl Options {
    /// No noisy repetitions: values without standard deviations, as for exact truth.
    #[must_use]
    pub fn without_doubt() -> Self {
        Self {
            draws: 0,
            ..Self::default()
        }
    }
}

/// One measured figure, as `delivery.json` lists it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Metric {
    /// Identifier.
    pub id: &'static str,
    /// The value; `None` only with a reason.
    pub value: Option<f64>,
    /// Standard deviation; `None` when the value is, or when no doubt was computed.
    pub sd: Option<f64>,
    /// Symbol of the unit of value and standard deviation.
    pub unit: &'static str,
    /// The event at which it is taken.
    pub event: Option<EventName>,
    /// How far to trust it.
    pub status: Status,
    /// Why it is doubtful or missing.
    pub reason: Option<String>,
    /// For speeds: least bandwidth of the joints behind it, hertz, where known.
    pub bandwidth_hz: Option<f64>,
}

/// Everything measured of one delivery.
#[derive(Clone, Debug, PartialEq)]
pub struct DeliveryMeasures {
    /// The throwing hand, given or guessed.
    pub throws: Side,
    /// Body height used for shares of height, metres, given or estimated.
    pub height_m: Option<f64>,
    /// The four events, or why one is missing.
    pub events: PerEvent<Result<Event, Missing>>,
    /// All metrics, in the catalogue's order.
    pub metrics: Vec<Metric>,
    /// Figures over the trajectory's own times, as a right-hander's.
    pub curves: Vec<Curve>,
    /// Further instants, for pages.
    pub landmarks: Vec<Landmark>,
    /// The order of the segments' fastest turns.
    pub sequence: Sequence,
    /// Speeds by a second route, where one was asked for.
    pub second_opinion: Option<SecondOpinion>,
    /// What the reader should know.
    pub warnings: Vec<Warning>,
}

impl DeliveryMeasures {
    /// A metric by its id.
    #[must_use]
    pub fn metric(&self, id: &str) -> Option<&Metric> {
        self.metrics.iter().find(|m| m.id == id)
    }
}

/// Measures a delivery.
#[must_use]
pub fn measure(trajectory: &Trajectory, athlete: &Athlete, options: &Options) -> DeliveryMeasures {
    let mut warnings = Warnings::default();
    let throws = Handedness(
        athlete
            .throws
            .unwrap_or_else(|| cautions::guess_hand(trajectory, &mut warnings)),
    );
    cautions::doubt_hand(trajectory, throws.0, &mut warnings);
    let subject = Subject::new(trajectory, athlete, throws, options);
    let delivery = delivery_of(&subject);
    cautions::warn(&subject, &delivery, &mut warnings);
    let draws = doubt::draws(&subject, options.draws, options.seed);
    let mut curves = curves::curves(&delivery);
    let second_opinion = options.second_route.as_ref().and_then(|route| {
        let second = second_opinion::second_opinion(&subject, &delivery, route, &mut warnings)?;
        curves.extend(second.curves);
        Some(second.opinion)
    });
    DeliveryMeasures {
        throws: throws.0,
        height_m: subject.figures.height.metres().ok().map(|h| h.0),
        events: assemble::events(&subject, &delivery, &draws),
        metrics: catalogue()
            .enumerate()
            .map(|(index, definition)| assemble::metric(definition, index, &subject, &delivery, &draws))
            .collect(),
        curves,
        landmarks: assemble::landmarks(&delivery, &draws),
        sequence: assemble::sequence(&delivery, &draws),
        second_opinion,
        warnings: warnings.into_vec(),
    }
}

/// The delivery as measured, without noise added.
fn delivery_of(subject: &Subject) -> Delivery<'_> {
    let given = Given {
        events: subject
            .events
            .map(|events| PerEvent(events.0.map(|event| event.map(|e| e.time_s.0)))),
        release_s: subject.release.map(|event| event.time_s.0),
        release_shift_s: 0.0,
    };
    let ball = subject.ball.as_ref().map_err(Clone::clone).map(|flight| Thrown {
        epoch_s: flight.epoch.0,
        state: flight.state,
        held_off: 0.0,
        usual_off_s: 0.0,
    });
    let motion = subject.motion(&subject.trajectory);
    Delivery::new(motion, subject.inertia(), subject.figures, ball, &given)
}
