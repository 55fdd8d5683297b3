//! Parts of the measurement given by the scene instead of measured.

use crate::accuracy::Variant;
use crate::demo::films::FilmedTruth;
use crate::demo::{Studio, right_offset_s};
use crate::geometry::{PixelPoint, RightFromLeft, StereoRig, WorldFromLeft, WorldPoint};
use crate::pipeline::Known;
use crate::scene::phone::FilmPhone;
use crate::skeleton::{Joint, PerJoint};
use crate::track::{ImageJoint, Pose2d, PoseTrack};
use crate::units::Seconds;

/// Standard deviation that exact keypoints state, pixels: none would leave nothing to weigh.
const EXACT_SD_PX: f64 = 0.3;
/// Rounds in which a joint's row and its instant find each other.
const ROW_ROUNDS: usize = 4;

/// What a variant takes as known; `seen` spares the network's second look.
pub(crate) fn known(
    variant: Variant,
    studio: &Studio,
    truth: &FilmedTruth,
    seen: Option<[PoseTrack; 2]>,
) -> Known {
    let as_seen = Known {
        tracks: seen,
        ..Known::default()
    };
    match variant {
        Variant::AsMeasured => Known::default(),
        Variant::PerfectKeypoints => Known {
            tracks: Some([0, 1].map(|i| exact_track(studio, &studio.phones[i]))),
            ..Known::default()
        },
        Variant::PerfectClock => Known {
            offset_s: Some(right_offset_s(studio, truth.release_s)),
            ..as_seen
        },
        Variant::PerfectRig => Known {
            rig: Some(exact_rig(studio)),
            ..as_seen
        },
        Variant::JointsAlone => Known {
            each_joint_alone: true,
            ..as_seen
        },
    }
}

fn exact_rig(studio: &Studio) -> StereoRig {
    let [left, right] = studio.phones.each_ref();
    StereoRig {
        left: left.camera,
        right: right.camera,
        right_from_left: RightFromLeft(right.pose.0.after(&left.pose.0.inverse())),
        world_from_left: Some(WorldFromLeft(left.pose.0.inverse())),
    }
}

/// Every joint in every frame of a phone, at its own row's true instant. A joint out of the picture is missing.
fn exact_track(studio: &Studio, phone: &FilmPhone) -> PoseTrack {
    let frames = (studio.duration_s() * phone.rate_hz) as usize;
    let (width, height) = (
        f64::from(phone.camera.width_px),
        f64::from(phone.camera.height_px),
    );
    let project = |joint: Joint, scene_s: f64| {
        let place = studio.delivery.joints_at(scene_s)[joint];
        phone.camera.project(phone.pose.apply(WorldPoint(place)))
    };
    let pose = |frame: usize| {
        let joints = PerJoint::from_fn(|joint| {
            let mut at = PixelPoint::new(width / 2.0, height / 2.0);
            for _ in 0..ROW_ROUNDS {
                at = project(joint, phone.pixel_time_s(frame, at, 0.5))?;
            }
            let inside = (0.0..width).contains(&at.x_px) && (0.0..height).contains(&at.y_px);
            inside.then_some(ImageJoint {
                at,
                sd_px: EXACT_SD_PX,
                visible: 1.0,
            })
        });
        Pose2d {
            frame,
            pts: Seconds(phone.frame_pts_s(frame)),
            joints,
        }
    };
    PoseTrack {
        poses: (0..frames).map(pose).collect(),
    }
}
