//! Errors that all recordings by two phones share, from `shared_errors.toml`: measured on rendered recordings.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::findings::FindingsError;
use crate::kinematics::catalogue;

const FILE: &str = "shared_errors.toml";
const TEXT: &str = include_str!("shared_errors.toml");

/// One figure's.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SharedError {
    pub(super) metric: String,
    /// In the figure's own unit.
    pub(super) sd: f64,
    /// The errors it was made of.
    pub(super) seen: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    error: Vec<SharedError>,
}

/// All of them, by metric id.
pub(super) fn shared_errors() -> Result<&'static BTreeMap<String, SharedError>, FindingsError> {
    static ERRORS: LazyLock<Result<BTreeMap<String, SharedError>, FindingsError>> = LazyLock::new(|| {
        let broken = |why: String| FindingsError::Table { file: FILE, why };
        let table: Table = toml::from_str(TEXT).map_err(|e| broken(e.to_string()))?;
        for error in &table.error {
            if !catalogue().any(|d| d.id == error.metric) {
                return Err(broken(format!("{} is not a metric", error.metric)));
            }
        }
        Ok(table.error.into_iter().map(|e| (e.metric.clone(), e)).collect())
    });
    ERRORS.as_ref().map_err(Clone::clone)
}

/// The standard deviation of a figure's shared error; 0 where none was seen.
pub(super) fn shared_sd(metric: &str) -> Result<f64, FindingsError> {
    Ok(shared_errors()?.get(metric).map_or(0.0, |e| e.sd))
}
