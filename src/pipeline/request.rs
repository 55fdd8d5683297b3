//! What `measure` was asked to do.

use std::path::PathBuf;

use crate::detect::Device;
use crate::findings::Peers;
use crate::kinematics::Athlete;

/// What `measure` was asked to do.
#[derive(Clone, Debug)]
pub struct MeasureRequest {
    /// LEFT phone's video.
    pub left: PathBuf,
    /// RIGHT phone's video.
    pub right: PathBuf,
    /// `rig.json`.
    pub rig: PathBuf,
    /// Folder to write.
    pub out: PathBuf,
    /// Who throws.
    pub athlete: Athlete,
    /// Known sensor readout of left and right, seconds.
    pub readout_s: Option<[f64; 2]>,
    /// Known exposure of left and right, seconds.
    pub exposure_s: Option<[f64; 2]>,
    /// Known clock offset (left time = right time + offset), seconds.
    pub offset_s: Option<f64>,
    /// True rate of slow-motion clips, hertz.
    pub capture_fps: Option<f64>,
    /// Whether the pose between the phones is fitted to the recording.
    pub refine_rig: bool,
    /// Manifest of another keypoint network.
    pub model: Option<PathBuf>,
    /// What the networks run on.
    pub device: Device,
    /// Cut-off of a second opinion on the speeds, hertz.
    pub cutoff_hz: Option<f64>,
    /// Whom the athlete is compared with.
    pub peers: Peers,
}
