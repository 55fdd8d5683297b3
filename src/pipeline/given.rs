//! What is given to the commands: files read, checked, refused; a phone's shutter.

use std::path::Path;

use crate::calibrate::{RigFile, RigFileError, Verdict};
use crate::geometry::{Shutter, StereoRig};
use crate::ingest::Clip;
use crate::pipeline::{MeasureRequest, PipelineError};
use crate::store;

/// One phone's video given twice, under one name or two.
pub(crate) fn refuse_same_video(left: &Path, right: &Path) -> Result<(), PipelineError> {
    if store::sha256_hex(left)? == store::sha256_hex(right)? {
        return Err(PipelineError::SameVideo {
            left: left.to_owned(),
            right: right.to_owned(),
        });
    }
    Ok(())
}

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

/// One phone's shutter: what was given, the rest unknown.
pub(crate) fn shutter(clip: &Clip, phone: usize, request: &MeasureRequest) -> Shutter {
    let info = &clip.info;
    let mut shutter = Shutter::unknown(info.width_px, info.height_px, info.turns);
    if let Some(both) = request.readout_s {
        (shutter.readout_s, shutter.readout_sd_s) = (both[phone], 0.0);
    }
    if let Some(both) = request.exposure_s {
        (shutter.exposure_s, shutter.exposure_sd_s) = (both[phone], 0.0);
    }
    shutter
}
