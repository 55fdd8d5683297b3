//! What can go wrong while joints are found.

use std::path::PathBuf;

use super::manifest::NetworkKind;
use crate::skeleton::Joint;

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
    /// CUDA was asked for, and the runtime's library has none.
    #[error(
        "the networks cannot run on CUDA: the ONNX runtime library {} was built without it\nhint: set ORT_DYLIB_PATH to the \
         libonnxruntime.so of a CUDA build (PyPI's wheel onnxruntime-gpu holds one, with its providers beside it), or leave \
         out --device cuda",
        .library.display()
    )]
    CudaNotBuilt {
        /// Which file.
        library: PathBuf,
    },
    /// CUDA was asked for, and the machine has no GPU or lacks CUDA's own libraries.
    #[error(
        "the networks cannot run on CUDA: {reason}\nhint: the ONNX runtime of ORT_DYLIB_PATH ({}) needs an NVIDIA GPU with \
         its driver, and the CUDA and cuDNN libraries that it was built for in LD_LIBRARY_PATH; or leave out --device cuda",
        .library.display()
    )]
    CudaUnusable {
        /// Which runtime library.
        library: PathBuf,
        /// What it says.
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

/// Why a manifest is refused.
#[derive(Debug, thiserror::Error)]
pub enum ManifestError {
    /// Not TOML, or a key is missing or of the wrong type.
    #[error("the manifest cannot be read: {0}")]
    Syntax(#[from] toml::de::Error),
    /// A network for something else.
    #[error(
        "the manifest describes a network of another kind ({found:?}); a {expected:?} network is needed here"
    )]
    Kind {
        /// What it is for.
        found: NetworkKind,
        /// What is needed.
        expected: NetworkKind,
    },
    /// A number outside its bounds.
    #[error("the manifest's {key} is {found}; it must be {bounds}")]
    Bounds {
        /// Which key.
        key: &'static str,
        /// Its value.
        found: f64,
        /// What would be right.
        bounds: &'static str,
    },
    /// The decoding needs something that is not named.
    #[error("the manifest's decoding needs {needed}, which is not given")]
    NotGiven {
        /// The missing key.
        needed: &'static str,
    },
    /// The table of names speaks of a keypoint that the network does not have.
    #[error("the manifest's map names the keypoint '{name}', which is not among its keypoints")]
    UnknownKeypoint {
        /// The name.
        name: String,
    },
    /// The table of names speaks of a joint that we do not have.
    #[error(
        "the manifest maps '{keypoint}' to '{joint}', which is not a joint; known are nose, left_shoulder, ..."
    )]
    UnknownJoint {
        /// The network's keypoint.
        keypoint: String,
        /// What it is mapped to.
        joint: String,
    },
    /// Two keypoints for one joint.
    #[error("the manifest gives the joint '{joint}' twice")]
    JointTwice {
        /// The joint.
        joint: Joint,
    },
    /// None of the network's keypoints is one of our joints.
    #[error(
        "none of the manifest's keypoints is one of our joints; a [keypoints.map] from its names to ours is needed"
    )]
    NoJoint,
}

fn list(paths: &[PathBuf]) -> String {
    paths
        .iter()
        .map(|p| p.display().to_string())
        .collect::<Vec<_>>()
        .join(", ")
}
