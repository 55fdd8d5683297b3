//! The figures of `delivery.json`: each with its doubt, published values beside it, the order of the fastest turns, and a second
//! opinion on speeds.

use serde::{Deserialize, Serialize};

use crate::findings::Level;
use crate::quality::Status;

/// One measured figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MetricRecord {
    /// Identifier of the contract.
    pub id: String,
    /// The value; null only with a reason.
    pub value: Option<f64>,
    /// Its standard deviation.
    #[serde(default)]
    pub sd: Option<f64>,
    /// Unit of both.
    pub unit: String,
    /// The event at which it is taken, if any.
    #[serde(default)]
    pub event: Option<String>,
    /// How far it may be trusted.
    pub status: Status,
    /// Why it is doubtful or null.
    #[serde(default)]
    pub reason: Option<String>,
    /// Published values to compare with.
    #[serde(default)]
    pub reference: Option<ReferenceRecord>,
    /// For speeds: what the smoother passes, hertz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bandwidth_hz: Option<f64>,
}

/// Published values of comparable athletes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReferenceRecord {
    /// Lower end: two standard deviations below the published mean.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Where it is published, and of whom.
    pub source: String,
    /// Published mean.
    #[serde(default)]
    pub mean: Option<f64>,
    /// Published standard deviation between athletes.
    #[serde(default)]
    pub sd: Option<f64>,
    /// Level of play of those athletes.
    #[serde(default)]
    pub level: Option<Level>,
    /// `SEEN` read at the source, `DERIVED` arithmetic on such numbers, `MEM-H`, `MEM-M`, `MEM-L` from memory.
    #[serde(default)]
    pub provenance: Option<String>,
    /// Why not to lean on it, where there is a reason.
    #[serde(default)]
    pub caveat: Option<String>,
    /// Where the figure lies: `within`, `below`, `above`, `cannot_tell`, `not_judged`.
    #[serde(default)]
    pub place: Option<String>,
}

/// The order of the segments' fastest turns: described, never judged.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SequenceRecord {
    /// Earliest first.
    #[serde(default)]
    pub peaks: Vec<SequencePeakRecord>,
    /// Probability of this order given the doubts, 0 to 1; null in truth files.
    #[serde(default)]
    pub order_probability: Option<f64>,
}

/// One segment's fastest turn.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SequencePeakRecord {
    /// `pelvis`, `trunk` (about their long axes), `upper_arm`, `forearm`, `hand` (of their direction).
    pub segment: String,
    /// When, seconds.
    pub time_s: f64,
    /// Standard deviation, seconds.
    #[serde(default)]
    pub sd_s: Option<f64>,
    /// How fast, degrees per second.
    pub speed_deg_s: f64,
}

/// Speeds by a second route.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SecondOpinionRecord {
    /// What was done to the positions.
    pub filter: String,
    /// What passes with 71 % (-3 dB), hertz.
    pub cutoff_hz: f64,
    /// The speeds.
    pub metrics: Vec<SecondFigureRecord>,
}

/// One speed by the second route.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SecondFigureRecord {
    /// Identifier of the metric.
    pub id: String,
    /// The value; null only with a reason.
    pub value: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Why it is null.
    #[serde(default)]
    pub reason: Option<String>,
}
