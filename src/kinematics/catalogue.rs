//! The catalogue: every metric's id, definition, zero, sign, unit, needed joints and source, in one table that drives
//! the computation and the documentation.

use std::fmt::Write as _;

use crate::skeleton::Joint;

use super::delivery::Delivery;
use super::events::EventName;
use super::metrics::{arm, energies, legs, release, speeds, trunk};
use super::reason::{Caution, Outcome};

/// Unit of a metric.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Unit {
    /// Degrees.
    Degrees,
    /// Degrees per second.
    DegreesPerSecond,
    /// Metres.
    Metres,
    /// Metres per second.
    MetresPerSecond,
    /// Seconds.
    Seconds,
    /// Percent (of body height, or of energy: the id says which).
    Percent,
    /// Joules.
    Joules,
    /// Joules per kilogram of body mass.
    JoulesPerKilogram,
}

impl Unit {
    /// The symbol in files and pages.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Degrees => "deg",
            Self::DegreesPerSecond => "deg/s",
            Self::Metres => "m",
            Self::MetresPerSecond => "m/s",
            Self::Seconds => "s",
            Self::Percent => "%",
            Self::Joules => "J",
            Self::JoulesPerKilogram => "J/kg",
        }
    }

    /// Speeds carry the bandwidth of the smoothing behind them.
    #[must_use]
    pub fn is_speed(self) -> bool {
        matches!(self, Self::DegreesPerSecond | Self::MetresPerSecond)
    }

    /// Above this standard deviation a value is doubtful (a choice of ours: about half the spread between athletes;
    /// for speeds and energies a share of the value, but a slow speed known to be slow is no doubt).
    fn widest_sd(self, value: f64) -> f64 {
        let quarter = 0.25 * value.abs();
        match self {
            Self::Degrees => 12.0,
            Self::Seconds => 0.030,
            Self::Metres => 0.10,
            Self::Percent => 5.0,
            Self::DegreesPerSecond => quarter.max(50.0),
            Self::MetresPerSecond => quarter.max(0.2),
            Self::Joules | Self::JoulesPerKilogram => quarter,
        }
    }

    /// The caution for a value with this standard deviation, if one is due.
    pub(super) fn caution(self, value: f64, sd: f64) -> Option<Caution> {
        let bound = self.widest_sd(value);
        (sd > bound).then_some(Caution::Wide {
            sd,
            bound,
            unit: self.symbol(),
        })
    }
}

/// How a metric is computed.
#[derive(Clone, Copy)]
pub(super) enum Compute {
    /// At the instant of the definition's event.
    At(fn(&Delivery<'_>, f64) -> Outcome),
    /// From the whole delivery.
    Whole(fn(&Delivery<'_>) -> Outcome),
}

/// What a metric is.
#[derive(Clone, Copy)]
pub struct Definition {
    /// Identifier in files.
    pub id: &'static str,
    /// Unit of the value.
    pub unit: Unit,
    /// The event at which it is taken; `None` where it belongs to no single one.
    pub event: Option<EventName>,
    /// One sentence: what is measured.
    pub sentence: &'static str,
    /// What zero and the positive direction mean.
    pub zero_and_sign: &'static str,
    /// The definition needs the world's axes: up, or toward the target.
    pub needs_world: bool,
    /// Joints it needs, on a right-hander.
    pub joints: &'static [Joint],
    /// Where the definition comes from.
    pub source: &'static str,
    pub(super) compute: Compute,
}

/// All metrics, in the order of files and pages.
pub fn catalogue() -> impl Iterator<Item = &'static Definition> {
    [
        legs::TABLE,
        trunk::TABLE,
        arm::TABLE,
        speeds::TABLE,
        release::TABLE,
        energies::TABLE,
    ]
    .into_iter()
    .flatten()
}

/// The catalogue as a page of documentation (Markdown).
#[must_use]
pub fn catalogue_markdown() -> String {
    let mut page = String::from(
        "# Metrics\n\nAll for a right-hander; a left-hander is mirrored first. Angles in degrees, lengths in metres, \
         times in seconds.\n\n| id | unit | definition | zero and sign | world axes | joints | source |\n\
         |---|---|---|---|---|---|---|\n",
    );
    for d in catalogue() {
        let joints: Vec<&str> = d.joints.iter().map(|j| j.name()).collect();
        let joints = if joints.is_empty() {
            "-".to_owned()
        } else {
            joints.join(", ")
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            page,
            "| `{}` | {} | {} | {} | {} | {} | {} |",
            d.id,
            d.unit.symbol(),
            d.sentence,
            d.zero_and_sign,
            if d.needs_world { "needed" } else { "-" },
            joints,
            d.source,
        );
    }
    page
}
