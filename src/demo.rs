//! The demo: films a delivery with two virtual phones, runs the whole job on the films, compares with the truth.

/// The two phones, the people, the clocks.
pub(crate) mod studio;

/// Films and truth become files.
pub(crate) mod films;

/// Measured against true.
mod compare;

use std::path::{Path, PathBuf};

pub use compare::Comparison;
pub(crate) use compare::{HALF_OF_90, right_offset_s};
pub use studio::{Bystander, Cast, Studio};

use crate::calibrate::{Board, Verdict};
use crate::detect::{Device, Runtime};
use crate::findings::Peers;
use crate::kinematics::Athlete;
use crate::pipeline::{
    Blame, BoardRequest, MeasureRequest, MeasuredRecording, PipelineError, calibrate_recording,
    measure_recording,
};
use crate::quality::{Progress, Warning};
use crate::scene::body::BodyError;
use crate::scene::encode::FilmError;
use crate::scene::motion::UnknownStyle;
use crate::skeleton::Side;

/// What `demo` was asked to do.
#[derive(Clone, Debug)]
pub struct DemoRequest {
    /// Folder to write.
    pub out: PathBuf,
    /// The kind of delivery.
    pub style: String,
    /// Seed of all that is random.
    pub seed: u64,
    /// The throwing hand.
    pub throws: Side,
    /// Whom the pitcher is compared with; with no one when nothing is given.
    pub peers: Peers,
}

/// Everything the demo found out.
#[derive(Clone, Debug)]
pub struct DemoResult {
    /// The recording, measured.
    pub recording: MeasuredRecording,
    /// Against the truth.
    pub comparison: Comparison,
    /// What calibration had to say.
    pub calibration_warnings: Vec<Warning>,
}

/// What can go wrong with the films.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// No such style.
    #[error(transparent)]
    Style(#[from] UnknownStyle),
    /// The bodies.
    #[error("{source}\nhint: run `make setup` in the project's folder, or name the file in TWINMOUND_BODIES")]
    Bodies {
        /// What.
        #[from]
        source: BodyError,
    },
    /// The films.
    #[error(transparent)]
    Film(#[from] FilmError),
    /// The scene lacks what the demo needs: a fault of the program.
    #[error(
        "the demo's own scene has no {what}: a fault of the program, please report it with the style and the seed"
    )]
    NoTruth {
        /// What is missing.
        what: &'static str,
    },
}

impl DemoError {
    /// Whose problem it is.
    #[must_use]
    pub fn blame(&self) -> Blame {
        match self {
            Self::Style(_) => Blame::Input,
            _ => Blame::Machine,
        }
    }
}

/// Films the scenario into `request.out`, calibrates, measures with the networks on a device, compares.
///
/// # Errors
/// See [`PipelineError`].
pub fn demo(
    request: &DemoRequest,
    device: Device,
    progress: &dyn Progress,
) -> Result<DemoResult, PipelineError> {
    // Said before minutes of filming.
    Runtime::load()?.on(device)?;
    let studio = Studio::new(request)?;
    let out = |name: &str| request.out.join(name);
    films::write_all(&studio, &request.out, progress)?;
    let truth = films::write_truth(&studio, &request.out)?;
    let (calibration, calibration_warnings) = calibrate_recording(
        &BoardRequest {
            stereo: None,
            phones_apart_m: None,
            board_at_m: None,
            board_levelled: false,
            ground: Vec::new(),
            left: out("board-left.mp4"),
            right: out("board-right.mp4"),
            board: Board::default(),
            lenses: [None, None],
            offset_s: None,
            out: out("rig.json"),
        },
        progress,
    )?;
    if calibration.judgement.verdict == Verdict::Refused {
        let reasons: Vec<_> = calibration
            .judgement
            .reasons
            .iter()
            .map(|r| r.text.clone())
            .collect();
        return Err(PipelineError::RigRefused {
            reasons: reasons.join("; "),
        });
    }
    let measuring = MeasureRequest {
        peers: request.peers,
        device,
        ..measure_request(&studio, &request.out, &out("rig.json"))
    };
    let recording = measure_recording(&measuring, progress)?;
    let comparison = Comparison::new(&studio, &truth, &recording)?;
    Ok(DemoResult {
        recording,
        comparison,
        calibration_warnings,
    })
}

/// The demo's recording, measured as a coach would: he knows height and mass, not the phones' shutters.
pub(crate) fn measure_request(studio: &Studio, out: &Path, rig: &Path) -> MeasureRequest {
    MeasureRequest {
        left: out.join("left.mp4"),
        right: out.join("right.mp4"),
        rig: rig.to_owned(),
        out: out.join("result"),
        athlete: Athlete {
            throws: None,
            ..studio.athlete()
        },
        readout_s: None,
        exposure_s: None,
        offset_s: None,
        capture_fps: None,
        refine_rig: false,
        model: None,
        device: Device::Cpu,
        cutoff_hz: None,
        peers: Peers::default(),
    }
}
