//! What is known instead of measured: of the shutters, and, for finding out where errors come from, of anything else.

use crate::geometry::{Shutter, StereoRig};
use crate::ingest::Clip;
use crate::kinematics::DeliverySpan;
use crate::pipeline::{MeasureRequest, Recording};
use crate::reconstruct::{Clock, Reconstruction};
use crate::skeleton::PerJoint;
use crate::track::PoseTrack;
use crate::trajectory::Trajectory;

/// Parts of the job that are given; nothing, for a coach.
#[derive(Clone, Debug, Default)]
pub(crate) struct Known {
    /// The joints in both phones' pictures, times counted from LEFT's first frame.
    pub(crate) tracks: Option<[PoseTrack; 2]>,
    /// The clock offset, without doubt, seconds.
    pub(crate) offset_s: Option<f64>,
    /// Lenses and places.
    pub(crate) rig: Option<StereoRig>,
    /// Each joint is smoothed alone, without what the body knows of itself.
    pub(crate) each_joint_alone: bool,
}

/// One delivery of the smoother's, in the form of the body's estimate.
pub(crate) fn joints_alone(recording: &Recording, span: &DeliverySpan) -> Reconstruction {
    let whole = &recording.smoothed.trajectory;
    let inside: Vec<usize> = (0..whole.times.len())
        .filter(|&i| (span.from.0..=span.to.0).contains(&whole.times[i].0))
        .collect();
    Reconstruction {
        trajectory: Trajectory {
            times: inside.iter().map(|&i| whole.times[i]).collect(),
            joints: PerJoint::from_fn(|joint| inside.iter().map(|&i| whole.joints[joint][i]).collect()),
            world_known: whole.world_known,
        },
        versions: Vec::new(),
        late_s: Vec::new(),
        error_rate_per_s: PerJoint::from_fn(|_| None),
        clock: Clock {
            offset_s: recording.clock.offset_s,
            sd_s: recording.clock.sd_s,
        },
        residual_scale: 1.0,
        rejected_share: 0.0,
    }
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
