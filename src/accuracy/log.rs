//! The log: one line of JSON for each delivery measured, so that a run can be broken off and go on.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::accuracy::{Scenario, Variant};
use crate::demo::Comparison;
use crate::quality::Status;
use crate::skeleton::Joint;
use crate::store::{StoreError, read_text};

/// Name of the log in its folder.
const FILE: &str = "deliveries.jsonl";

/// One delivery, measured and compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// What program and network measured it; only lines of the same maker go on one page.
    pub maker: String,
    /// What was taken as known.
    pub variant: Variant,
    /// What was filmed.
    pub scenario: Scenario,
    /// What came out; `None` when the program refused.
    pub outcome: Option<Outcome>,
    /// Why it refused.
    pub refusal: Option<String>,
    /// How long it took to measure, seconds.
    pub took_s: f64,
}

/// A measured delivery against its truth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Whether the throwing hand, which the program was not told, was found right.
    pub hand_found: bool,
    /// Distances of the joints from their true places, peak knee lift to release.
    pub joints: JointErrors,
    /// Mean distance of each joint, millimetres.
    pub per_joint_mm: BTreeMap<String, f64>,
    /// Events found, by name.
    pub events: BTreeMap<String, EventError>,
    /// Error of the clock offset between middle instants, seconds.
    pub clock_error_s: f64,
    /// Its stated standard deviation, seconds.
    pub clock_sd_s: Option<f64>,
    /// Every metric.
    pub metrics: Vec<MetricError>,
}

/// Distances of joints, millimetres, and what was stated of them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JointErrors {
    /// As measured, mean.
    pub mean_mm: f64,
    /// As measured, median.
    pub median_mm: f64,
    /// After the best rigid alignment, mean.
    pub aligned_mean_mm: f64,
    /// After the best rigid alignment, median.
    pub aligned_median_mm: f64,
    /// Share not measured.
    pub missing_share: f64,
    /// Share of coordinates within their 90 % interval.
    pub within_90_share: f64,
    /// Median stated deviation over root mean square error.
    pub sd_over_rms: f64,
}

/// Error of one event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EventError {
    /// Found less true, seconds; `None` when not found.
    pub error_s: Option<f64>,
    /// Stated standard deviation, seconds.
    pub sd_s: Option<f64>,
    /// Why it was not found.
    pub reason: Option<String>,
}

/// Error of one metric.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MetricError {
    /// Identifier.
    pub id: String,
    /// Unit.
    pub unit: String,
    /// True value.
    pub truth: Option<f64>,
    /// Measured, at the events found.
    pub measured: Option<f64>,
    /// Measured at the true events.
    pub with_true_events: Option<f64>,
    /// Stated standard deviation.
    pub sd: Option<f64>,
    /// Status.
    pub status: Status,
    /// Why it was not measured, or is doubtful.
    pub reason: Option<String>,
}

impl From<&Comparison> for Outcome {
    fn from(c: &Comparison) -> Self {
        Self {
            hand_found: c.hand_found,
            joints: JointErrors {
                mean_mm: c.joint_mean_mm,
                median_mm: c.joint_median_mm,
                aligned_mean_mm: c.aligned_mean_mm,
                aligned_median_mm: c.aligned_median_mm,
                missing_share: c.missing_share,
                within_90_share: c.within_90_share,
                sd_over_rms: c.sd_over_rms,
            },
            per_joint_mm: Joint::ALL
                .into_iter()
                .filter_map(|j| Some((j.name().to_owned(), c.per_joint_mm[j]?)))
                .collect(),
            events: c
                .event_errors_s
                .iter()
                .map(|(name, error_s)| {
                    let event = EventError {
                        error_s: *error_s,
                        sd_s: c.event_sds_s[name],
                        reason: c.event_reasons[name].clone(),
                    };
                    (name.id().to_owned(), event)
                })
                .collect(),
            clock_error_s: c.clock_error_s,
            clock_sd_s: c.clock_sd_s,
            metrics: c
                .metrics
                .iter()
                .map(|m| MetricError {
                    id: m.id.clone(),
                    unit: m.unit.clone(),
                    truth: m.truth,
                    measured: m.measured,
                    with_true_events: m.with_true_events,
                    sd: m.sd,
                    status: m.status,
                    reason: m.reason.clone(),
                })
                .collect(),
        }
    }
}

fn file(folder: &Path) -> PathBuf {
    folder.join(FILE)
}

/// All whole lines of a folder's log; none when there is no log yet. A line that was broken off is left out: its delivery
/// is measured again.
///
/// # Errors
/// When the file is there but cannot be read.
pub fn read_log(folder: &Path) -> Result<Vec<Trial>, StoreError> {
    let path = file(folder);
    if !path.exists() {
        return Ok(Vec::new());
    }
    let text = read_text(&path)?;
    Ok(text
        .lines()
        .filter_map(|line| serde_json::from_str(line).ok())
        .collect())
}

/// Adds one line.
pub(crate) fn append(folder: &Path, trial: &Trial) -> Result<(), StoreError> {
    let path = file(folder);
    let failed = |source| StoreError::Io {
        action: "add a line to",
        path: path.clone(),
        source,
    };
    let mut line = serde_json::to_string(trial).map_err(|source| StoreError::Json {
        what: "the line of a delivery",
        source,
    })?;
    // A line that was broken off must not swallow this one.
    line.insert(0, '\n');
    line.push('\n');
    let mut log = std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(&path)
        .map_err(failed)?;
    log.write_all(line.as_bytes()).map_err(failed)
}
