//! One delivery filmed, measured, compared; its films deleted.

use std::path::{Path, PathBuf};
use std::time::Instant;

use serde::{Deserialize, Serialize};

use crate::accuracy::log::{self, Outcome, Trial};
use crate::accuracy::perfect;
use crate::accuracy::scenario::{Scenario, board_studio};
use crate::calibrate::Board;
use crate::demo::films::{write_boards, write_delivery, write_truth};
use crate::demo::{Comparison, DemoError, measure_request};
use crate::pipeline::{Blame, BoardRequest, PipelineError, calibrate_recording, measure_knowing};
use crate::quality::Progress;
use crate::scene::encode::FilmError;
use crate::track::PoseTrack;

/// What is taken as known instead of measured: one source of error at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Variant {
    /// Nothing: as a coach measures.
    AsMeasured,
    /// The joints in the pictures, exactly.
    PerfectKeypoints,
    /// The clock offset.
    PerfectClock,
    /// Lenses and places of the phones, and the world's axes.
    PerfectRig,
    /// Each joint is smoothed alone instead of the whole body at once.
    JointsAlone,
}

impl Variant {
    /// All, the measurement as it is first.
    pub const ALL: [Self; 5] = [
        Self::AsMeasured,
        Self::PerfectKeypoints,
        Self::PerfectClock,
        Self::PerfectRig,
        Self::JointsAlone,
    ];
}

/// Films, measures and logs a delivery by its number, in each of these variants; the films are deleted whatever happens.
///
/// A recording that the program refuses is logged with the refusal: that is a result too.
///
/// # Errors
/// For faults of the machine: no bodies, no room on the disk, a network that cannot be loaded.
pub fn add(
    folder: &Path,
    number: usize,
    variants: &[Variant],
    maker: &str,
    progress: &dyn Progress,
) -> Result<Vec<Trial>, PipelineError> {
    let scenario = Scenario::numbered(number);
    let rig = rig_file(folder, scenario.rig, progress)?;
    let films = tempfile::tempdir_in(folder).map_err(|source| disk(folder, source))?;
    let studio = scenario.studio()?;
    write_delivery(&studio, films.path(), progress)?;
    let truth = write_truth(&studio, films.path())?;
    let request = measure_request(&studio, films.path(), &rig);
    // The network looks once; what it saw serves all variants.
    let mut seen: Option<[PoseTrack; 2]> = None;
    let mut trials = Vec::new();
    for &variant in variants {
        let start = Instant::now();
        let known = perfect::known(variant, &studio, &truth, seen.clone());
        let measured = measure_knowing(&request, &known, progress).and_then(|(recording, tracks)| {
            if variant != Variant::PerfectKeypoints {
                seen = Some(tracks);
            }
            Ok(Comparison::new(&studio, &truth, &recording)?)
        });
        let (outcome, refusal) = match measured {
            Ok(comparison) => (Some(Outcome::from(&comparison)), None),
            Err(error) if error.blame() == Blame::Input => (None, Some(error.to_string())),
            Err(error) => return Err(error),
        };
        let trial = Trial {
            maker: maker.to_owned(),
            variant,
            scenario: scenario.clone(),
            outcome,
            refusal,
            took_s: start.elapsed().as_secs_f64(),
        };
        log::append(folder, &trial)?;
        trials.push(trial);
    }
    Ok(trials)
}

fn disk(path: &Path, source: std::io::Error) -> DemoError {
    DemoError::from(FilmError::Disk {
        path: path.to_owned(),
        source,
    })
}

/// The rig's file: calibrated on filmed boards when it is first asked for.
fn rig_file(folder: &Path, rig: usize, progress: &dyn Progress) -> Result<PathBuf, PipelineError> {
    let rigs = folder.join("rigs");
    let path = rigs.join(format!("rig-{rig:02}.json"));
    if path.exists() {
        return Ok(path);
    }
    std::fs::create_dir_all(&rigs).map_err(|source| disk(&rigs, source))?;
    let films = tempfile::tempdir_in(folder).map_err(|source| disk(folder, source))?;
    write_boards(&board_studio(rig)?, films.path(), progress)?;
    calibrate_recording(
        &BoardRequest {
            left: films.path().join("board-left.mp4"),
            right: films.path().join("board-right.mp4"),
            board: Board::default(),
            lenses: [None, None],
            stereo: None,
            phones_apart_m: None,
            board_at_m: None,
            board_levelled: false,
            ground: Vec::new(),
            offset_s: None,
            out: path.clone(),
        },
        progress,
    )?;
    Ok(path)
}
