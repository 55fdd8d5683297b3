//! What can go wrong while joints are found.

use std::path::PathBuf;

use super::manifest::ManifestError;

/// Why no joints were found.
#[derive(Debug, thiserror::Error)]
pub enum DetectError {
    /// The machine: the runtime's library is nowhere.
    #[error(
        "the ONNX runtime library was not found; looked for {}. Run `python3 models/fetch_runtime.py` in the project's \
         folder, or set ORT_DYLIB_PATH to a libonnxruntime.so of version 1.24 or later",
        list(.looked)
    )]
    RuntimeMissing {
        /// The places looked at.
        looked: Vec<PathBuf>,
    },
    /// The machine: the library does not load.
    #[error(
        "the ONNX runtime library {} does not load: {reason}. Delete it and run `python3 models/fetch_runtime.py` again",
        .path.display()
    )]
    RuntimeBroken {
        /// Which file.
        path: PathBuf,
        /// What the loader says.
        reason: String,
    },
    /// The machine: the shipped networks are nowhere.
    #[error("the folder of the shipped networks was not found; looked for {}. Is the installation whole?", list(.looked))]
    NoModelsFolder {
        /// The places looked at.
        looked: Vec<PathBuf>,
    },
    /// A network's file or manifest cannot be read.
    #[error("the network file {} cannot be read: {source}", .path.display())]
    ModelFile {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A manifest is wrong.
    #[error("{}: {source}", .path.display())]
    Manifest {
        /// Which manifest.
        path: PathBuf,
        /// What is wrong.
        source: ManifestError,
    },
    /// A network file is not the one its manifest speaks of.
    #[error(
        "the network file {} was changed: its SHA-256 is {found}, its manifest says {expected}. Restore the file, or \
         correct the manifest if the change is meant",
        .path.display()
    )]
    ModelHash {
        /// Which file.
        path: PathBuf,
        /// The manifest's hash.
        expected: String,
        /// The file's hash.
        found: String,
    },
    /// The runtime does not take the network.
    #[error("the network file {} cannot be used: {reason}", .path.display())]
    ModelRefused {
        /// Which file.
        path: PathBuf,
        /// Why.
        reason: String,
    },
    /// A network fails at work.
    #[error("the network '{network}' failed: {reason}")]
    Network {
        /// Its name.
        network: String,
        /// Why.
        reason: String,
    },
    /// An output does not fit the manifest.
    #[error(
        "the network's output '{output}' has the sizes {found:?}, which does not fit {keypoints} keypoints or channels"
    )]
    OutputShape {
        /// Which output.
        output: String,
        /// Its sizes.
        found: Vec<usize>,
        /// Keypoints (or channels) by the manifest.
        keypoints: usize,
    },
    /// The video's frames ended in an error.
    #[error("the frames cannot be read: {0}")]
    Frames(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// The video has no frames.
    #[error("there are no frames to look at; is the video empty?")]
    NoFrames,
    /// Nobody was found.
    #[error(
        "no person was found in {frames} frames; the athlete should be whole in the picture and at least a fifth of its \
         height, in enough light"
    )]
    NoPerson {
        /// How many frames were looked at.
        frames: usize,
    },
}

fn list(paths: &[PathBuf]) -> String {
    paths
        .iter()
        .map(|p| p.display().to_string())
        .collect::<Vec<_>>()
        .join(", ")
}
