//! What can stand in the way of the whole job, by stage, and whose problem it is.

use std::path::PathBuf;

use crate::calibrate::{CalibrateError, RigFileError};
use crate::detect::DetectError;
use crate::findings::FindingsError;
use crate::geometry::Phone;
use crate::ingest::IngestError;
use crate::pipeline::JointTableError;
use crate::reconstruct::ReconstructError;
use crate::report::ReportError;
use crate::session::SessionError;
use crate::smooth::SmoothError;
use crate::store::StoreError;
use crate::sync::SyncError;
use crate::triangulate::TriangulateError;

/// Whose problem an error is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Blame {
    /// The input or the set-up: the person at the keyboard can act.
    Input,
    /// The machine or the program.
    Machine,
}

/// Why the job could not be done.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// A video.
    #[error(transparent)]
    Ingest(#[from] IngestError),
    /// The athlete in one phone's video.
    #[error("in the {} phone's video: {source}", name(*phone))]
    InVideo {
        /// Which phone's.
        phone: Phone,
        /// What.
        source: DetectError,
    },
    /// The networks.
    #[error(transparent)]
    Detect(#[from] DetectError),
    /// No clock offset.
    #[error(
        "the two phones' clocks could not be brought together: by sound: {sound}; by motion: {motion}\nhint: clap twice near the mound while both phones run, film the whole delivery, or give --offset-s"
    )]
    NoClock {
        /// What the sound said.
        sound: String,
        /// What the motion said.
        motion: SyncError,
    },
    /// Clocks that contradict each other.
    #[error(transparent)]
    Sync(#[from] SyncError),
    /// The board.
    #[error(transparent)]
    Calibrate(#[from] CalibrateError),
    /// A rig or lens file that cannot be read.
    #[error("{source}\nhint: {hint}")]
    GivenFile {
        /// Which file, and why.
        source: StoreError,
        /// Where such a file comes from.
        hint: &'static str,
    },
    /// A rig or lens file that holds something else.
    #[error("{}: {source}\nhint: {hint}", path.display())]
    RigFile {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: RigFileError,
        /// Where such a file comes from.
        hint: &'static str,
    },
    /// A rig that must not be used.
    #[error("the rig file says that it must not be used: {reasons}\nhint: calibrate again")]
    RigRefused {
        /// Its reasons.
        reasons: String,
    },
    /// The recording was made in another video mode than the calibration.
    #[error(
        "the {} phone's video has {} x {} pixels, but the rig was calibrated at {} x {}\nhint: film board and pitching in the same video mode, or check that LEFT and RIGHT are not exchanged",
        name(*phone), seen.0, seen.1, calibrated.0, calibrated.1
    )]
    OtherPictureSize {
        /// Which phone.
        phone: Phone,
        /// Of the recording, pixels.
        seen: (u32, u32),
        /// Of the rig, pixels.
        calibrated: (u32, u32),
    },
    /// One video in place of two.
    #[error(
        "{} and {} are the same video\nhint: give the LEFT phone's recording first, then the RIGHT phone's",
        left.display(), right.display()
    )]
    SameVideo {
        /// Given as LEFT.
        left: PathBuf,
        /// Given as RIGHT.
        right: PathBuf,
    },
    /// Folders of pictures that do not fit together.
    #[error("{}: {what}\nhint: give two folders with pictures (PNG, JPEG) of the same names", folder.display())]
    Pictures {
        /// The folder.
        folder: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// A table of joints that is not what it should be.
    #[error(transparent)]
    Joints(#[from] JointTableError),
    /// Space.
    #[error(transparent)]
    Triangulate(#[from] TriangulateError),
    /// Paths.
    #[error(transparent)]
    Smooth(#[from] SmoothError),
    /// The estimate.
    #[error(transparent)]
    Reconstruct(#[from] ReconstructError),
    /// The two views do not show one body through this rig.
    #[error(
        "{percent:.0} % of the keypoints do not fit one body seen by both phones\nhint: check that LEFT and RIGHT are not exchanged and that no phone moved since the calibration; a phone that was only nudged: --refine-rig"
    )]
    ViewsDoNotFit {
        /// Share of keypoints that contradict the rest, percent.
        percent: f64,
    },
    /// A phone was moved too far for the rig to be fitted.
    #[error(
        "the recording fits only a rig {change}: too far for --refine-rig\nhint: calibrate again; check that LEFT and RIGHT are not exchanged and that the rig file is of this set-up"
    )]
    RigMovedFar {
        /// What would have to change.
        change: String,
    },
    /// Nobody threw.
    #[error(
        "no delivery was found: no hand was faster than a throw\nhint: both phones must see the throwing arm from wind-up to follow-through; look at `twinmound keypoints VIDEO --overlay FOLDER`"
    )]
    NothingThrown,
    /// A delivery's file that holds something else.
    #[error("{}: {source}\nhint: {hint}", path.display())]
    GivenDelivery {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: StoreError,
        /// Where such a file comes from.
        hint: &'static str,
    },
    /// No delivery where some were expected.
    #[error(
        "no delivery.json in {}\nhint: give delivery.json files, result folders of `twinmound measure`, or a folder with several of these",
        listed(paths)
    )]
    NoDeliveries {
        /// Where it was looked.
        paths: Vec<PathBuf>,
    },
    /// Deliveries that do not make a session.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// Files.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The board to print.
    #[error(transparent)]
    BoardSheet(#[from] crate::report::BoardUndrawable),
    /// Many pages in a format of one page.
    #[error("{}: SVG holds one page\nhint: with --tile write a PDF, e.g. -o board.pdf", file.display())]
    TiledSvg {
        /// The file asked for.
        file: PathBuf,
    },
    /// No place for the phones; a fault of the program.
    #[error("no place for the phones was found")]
    NoPlace,
    /// Findings; a fault of the program.
    #[error(transparent)]
    Findings(#[from] FindingsError),
    /// The page.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// The demo's own films.
    #[error(transparent)]
    Demo(#[from] crate::demo::DemoError),
}

fn listed(paths: &[PathBuf]) -> String {
    let names: Vec<String> = paths.iter().map(|p| p.display().to_string()).collect();
    names.join(", ")
}

/// `left` or `right`.
pub(crate) fn name(phone: Phone) -> &'static str {
    match phone {
        Phone::Left => "left",
        Phone::Right => "right",
    }
}

impl PipelineError {
    /// Whose problem it is.
    #[must_use]
    pub fn blame(&self) -> Blame {
        match self {
            Self::Detect(error) | Self::InVideo { source: error, .. } => detect_blame(error),
            Self::NoPlace
            | Self::Findings(_)
            | Self::Report(_)
            | Self::Reconstruct(ReconstructError::Unsolvable { .. }) => Blame::Machine,
            Self::Store(error) | Self::GivenFile { source: error, .. } if error.is_machine() => {
                Blame::Machine
            }
            Self::Demo(error) => error.blame(),
            _ => Blame::Input,
        }
    }
}

/// A video without an athlete is the person's; the networks and their runtime are the machine's.
fn detect_blame(error: &DetectError) -> Blame {
    match error {
        DetectError::NoPerson { .. }
        | DetectError::NoFrames
        | DetectError::Frames(_)
        | DetectError::CudaNotBuilt { .. }
        | DetectError::CudaUnusable { .. } => Blame::Input,
        _ => Blame::Machine,
    }
}
