//! Files that other commands of ours wrote, read with a word of where they come from.

use std::path::Path;

use crate::calibrate::{RigFile, RigFileError, Verdict};
use crate::geometry::StereoRig;
use crate::pipeline::PipelineError;
use crate::store;

/// Where a rig comes from.
const RIG_HINT: &str =
    "--rig takes the file that `twinmound calibrate` wrote for these two phones; run it first";

/// Reads a file that a command of ours wrote; `hint` says which.
pub(crate) fn given<T>(
    path: &Path,
    hint: &'static str,
    parse: impl FnOnce(&str) -> Result<T, RigFileError>,
) -> Result<T, PipelineError> {
    let text = store::read_text(path).map_err(|source| PipelineError::GivenFile { source, hint })?;
    parse(&text).map_err(|source| PipelineError::RigFile {
        path: path.to_owned(),
        source,
        hint,
    })
}

/// Reads `rig.json` and refuses a rig that must not be used.
pub(crate) fn read_rig(path: &Path) -> Result<(RigFile, StereoRig), PipelineError> {
    let (file, rig) = given(path, RIG_HINT, |text| {
        let file = RigFile::from_json(text)?;
        let rig = file.rig()?;
        Ok((file, rig))
    })?;
    if file.verdict == Verdict::Refused {
        let reasons: Vec<_> = file
            .reasons
            .iter()
            .map(|r| format!("{} ({})", r.text, r.hint))
            .collect();
        return Err(PipelineError::RigRefused {
            reasons: reasons.join("; "),
        });
    }
    Ok((file, rig))
}
