//! The ball of one delivery: the few frames about release are read again.

use crate::ball::{BallFlight, Hand, Look, RigDoubt, Settings, Sight, Unseen, follow, look};
use crate::calibrate::RigFile;
use crate::geometry::Phone;
use crate::kinematics::DeliverySpan;
use crate::pipeline::Recording;
use crate::reconstruct::Reconstruction;

/// The ball's flight, or why it is not known.
pub(crate) fn flight(
    recording: &Recording,
    span: &DeliverySpan,
    estimate: &Reconstruction,
) -> Result<BallFlight, Unseen> {
    let hand = Hand::about_release(&estimate.trajectory, span.throws, span.fastest)?;
    let one = |phone: Phone| -> Result<Look, Unseen> {
        let clip = &recording.clips[phone as usize];
        let sight = Sight {
            camera: *recording.rig.camera(phone),
            pose: recording.rig.camera_from_world(phone),
            shutter: recording.shutters[phone as usize],
            shift_s: match phone {
                Phone::Left => 0.0,
                Phone::Right => estimate.clock.offset_s,
            },
            zero: recording.clips[0].info.start,
            rate_hz: clip.info.rate_hz,
        };
        let (from, to) = hand.span(&sight);
        let frames = clip.frames_between(from, to).map_err(|error| Unseen::Video {
            why: error.to_string(),
        })?;
        look(frames, &hand, &sight)
    };
    let looks = std::thread::scope(|threads| {
        let left = threads.spawn(|| one(Phone::Left));
        let right = one(Phone::Right);
        let left = left
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        Ok::<_, Unseen>([left?, right?])
    })?;
    follow(
        &looks,
        &hand,
        &doubt(&recording.rig_file),
        &estimate.late_s,
        &Settings::default(),
    )
}

/// What the rig file says of its own doubt; what it does not know is left out here, and its verdict says so.
fn doubt(file: &RigFile) -> RigDoubt {
    let focal = |phone: usize| file.phones[phone].sd.map_or(0.0, |sd| sd.fx_px.max(sd.fy_px));
    RigDoubt {
        turn_sd_deg: file.right_from_left.sd_deg.unwrap_or(0.0),
        place_sd_m: file.right_from_left.sd_m.unwrap_or(0.0),
        focal_sd_px: [focal(0), focal(1)],
    }
}
