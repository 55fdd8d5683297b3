//! Joints from a file of any kind we read, by its ending.

use std::path::Path;

use crate::store::{JointsTable, StoreError, read_bytes, read_c3d, read_joints};

/// Reads a table of joints: `.c3d` or `.csv`, in upper or lower case.
///
/// # Errors
/// Another ending, or a file that cannot be read or is refused.
pub fn read_joints_file(path: &Path) -> Result<JointsTable, StoreError> {
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    match ending.as_str() {
        "csv" => read_joints(&read_bytes(path)?),
        "c3d" => read_c3d(&read_bytes(path)?),
        _ => Err(StoreError::Ending {
            path: path.to_owned(),
            known: ".csv or .c3d",
        }),
    }
}
