//! `session.json`: several deliveries of one athlete, summed up.

use serde::{Deserialize, Serialize};

use crate::findings::Findings;
use crate::quality::{Status, Warning};
use crate::store::{AthleteRecord, ReferenceRecord, SourceRecord, StoreError};

/// The schema that is written and read.
pub const SESSION_SCHEMA: &str = "twinmound.session/1";

/// A session: what `session.json` holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionRecord {
    /// [`SESSION_SCHEMA`].
    pub schema: String,
    /// Whom.
    #[serde(default)]
    pub athlete: AthleteRecord,
    /// What it was made from, in order of time.
    pub deliveries: Vec<SessionDeliveryRecord>,
    /// What was taken for granted.
    pub assumptions: AssumptionsRecord,
    /// The figures over all deliveries.
    pub metrics: Vec<SessionMetricRecord>,
    /// Deliveries unlike the others.
    pub outliers: Vec<OutlierRecord>,
    /// What the means say of the delivery.
    #[serde(default)]
    pub findings: Option<Findings>,
    /// What the reader should know.
    #[serde(default)]
    pub warnings: Vec<Warning>,
}

/// One delivery of a session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionDeliveryRecord {
    /// From 1, in order of time.
    pub number: usize,
    /// What people call it: the folders that lead to it.
    pub name: String,
    /// SHA-256 of its `delivery.json`, hexadecimal.
    pub sha256: String,
    /// What it was measured from.
    pub source: SourceRecord,
    /// Figures measured.
    pub measured: usize,
    /// Figures doubtful.
    pub doubtful: usize,
    /// Figures not measurable.
    pub not_measurable: usize,
}

/// What the numbers of a session rest on besides the deliveries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AssumptionsRecord {
    /// Share of a delivery's variance of measurement that all deliveries have in common and no mean takes away.
    pub common_share: f64,
    /// Where that number comes from.
    pub common_share_source: String,
    /// Probability that a smallest change is not chance.
    pub confidence: f64,
    /// Smallest change = this x standard deviation.
    pub change_factor: f64,
    /// Where that comes from.
    pub change_source: String,
    /// With fewer values no smallest change is given.
    pub fewest_for_change: usize,
    /// With fewer values no outlier is named.
    pub fewest_for_outliers: usize,
    /// In how many figures outliers were looked for.
    pub figures_judged: usize,
    /// Outliers that chance alone would name in so many figures, if all deliveries were alike and figures independent.
    pub outliers_by_chance: f64,
    /// The rule that names them.
    pub outlier_source: String,
}

/// One figure over all deliveries; null only where it cannot be told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionMetricRecord {
    /// Identifier of the contract.
    pub id: String,
    /// Unit of all its numbers.
    pub unit: String,
    /// How far it may be trusted.
    pub status: Status,
    /// Why it is doubtful or null.
    #[serde(default)]
    pub reason: Option<String>,
    /// Values that the numbers come from.
    pub n: usize,
    /// Deliveries in which it is measured.
    pub measured: usize,
    /// Deliveries in which it is doubtful.
    pub doubtful: usize,
    /// Deliveries in which it is not measurable.
    pub not_measurable: usize,
    /// Mean.
    pub mean: Option<f64>,
    /// Its standard deviation, with what all deliveries have in common.
    pub mean_sd: Option<f64>,
    /// Standard deviation between the deliveries.
    pub sd: Option<f64>,
    /// Root mean square of the deliveries' own standard deviations.
    pub measurement_sd: Option<f64>,
    /// What of the spread is the athlete's at least.
    pub athlete_sd_at_least: Option<f64>,
    /// Middle value.
    pub median: Option<f64>,
    /// Least value.
    pub min: Option<f64>,
    /// Greatest value.
    pub max: Option<f64>,
    /// Smallest change worth believing between two single deliveries.
    pub change_of_deliveries: Option<f64>,
    /// Smallest change worth believing between the means of two sessions of as many deliveries.
    pub change_of_sessions: Option<f64>,
    /// For speeds: the least that the smoothing of a delivery lets through, hertz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bandwidth_hz: Option<f64>,
    /// Published values to compare the mean with.
    #[serde(default)]
    pub reference: Option<ReferenceRecord>,
    /// Every delivery's value, in order.
    pub values: Vec<SessionValueRecord>,
}

/// One delivery's value of a figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionValueRecord {
    /// Number of the delivery.
    pub delivery: usize,
    /// The value; null where it is not measurable.
    pub value: Option<f64>,
    /// Its standard deviation.
    pub sd: Option<f64>,
    /// How far it may be trusted.
    pub status: Status,
    /// Whether the figure's numbers come from it too.
    pub used: bool,
}

/// A delivery unlike the others in one figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutlierRecord {
    /// Number of the delivery.
    pub delivery: usize,
    /// Identifier of the metric.
    pub metric: String,
    /// Its value there.
    pub value: f64,
    /// The median of all.
    pub median: f64,
    /// Unit of both.
    pub unit: String,
    /// Modified z-score, with the sign of the difference.
    pub modified_z: f64,
}

impl SessionRecord {
    /// The metric with this id.
    #[must_use]
    pub fn metric(&self, id: &str) -> Option<&SessionMetricRecord> {
        self.metrics.iter().find(|m| m.id == id)
    }

    /// As the bytes of `session.json`.
    ///
    /// # Errors
    /// When a rule of the format is broken: a number that is not finite, a mean that is null without a reason, or has
    /// no standard deviation and says nothing of it.
    pub fn to_json(&self) -> Result<Vec<u8>, StoreError> {
        for metric in &self.metrics {
            let broken = |rule| {
                Err(StoreError::Rule {
                    id: metric.id.clone(),
                    rule,
                })
            };
            if metric.reason.is_none() && (metric.mean.is_none() || metric.mean_sd.is_none()) {
                return broken("a mean without its doubt needs a reason");
            }
            if metric.numbers().iter().flatten().any(|x| !x.is_finite()) {
                return broken("a number has to be finite");
            }
        }
        let mut bytes = serde_json::to_vec_pretty(self).map_err(|source| StoreError::Json {
            what: "session.json",
            source,
        })?;
        bytes.push(b'\n');
        Ok(bytes)
    }
}

impl SessionMetricRecord {
    fn numbers(&self) -> Vec<Option<f64>> {
        let values = self.values.iter().flat_map(|v| [v.value, v.sd]);
        [
            self.mean,
            self.mean_sd,
            self.sd,
            self.measurement_sd,
            self.athlete_sd_at_least,
            self.median,
            self.min,
            self.max,
            self.change_of_deliveries,
            self.change_of_sessions,
            self.bandwidth_hz,
        ]
        .into_iter()
        .chain(values)
        .collect()
    }
}

/// Reads the bytes of a `session.json`; keys that are not known are ignored.
///
/// # Errors
/// Not JSON of this form, or another schema.
pub fn read_session(bytes: &[u8]) -> Result<SessionRecord, StoreError> {
    let what = "session.json";
    let value: serde_json::Value =
        serde_json::from_slice(bytes).map_err(|source| StoreError::Json { what, source })?;
    let found = value.get("schema").and_then(|s| s.as_str()).unwrap_or("none");
    if found != SESSION_SCHEMA {
        return Err(StoreError::Schema {
            found: found.to_owned(),
            expected: SESSION_SCHEMA,
        });
    }
    serde_json::from_value(value).map_err(|source| StoreError::Json { what, source })
}
