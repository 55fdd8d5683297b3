//! What the estimate knows of bodies: which lengths stay, what hangs on what, and how hard each joint may jerk.

use crate::reconstruct::{Delivery, Settings};
use crate::skeleton::{Joint, Side};

/// A pair of joints whose distance is (nearly) constant.
#[derive(Clone)]
pub(crate) struct Bone {
    pub(crate) ends: (Joint, Joint),
    /// How constant, metres.
    pub(crate) sd_m: f64,
}

/// Every length that is held.
pub(crate) fn bones(settings: &Settings) -> Vec<Bone> {
    let firm = settings.limb_sd_m;
    let soft = settings.girdle_sd_m;
    let mut all = vec![
        Bone {
            ends: (Joint::LeftHip, Joint::RightHip),
            sd_m: firm,
        },
        Bone {
            ends: (Joint::LeftShoulder, Joint::RightShoulder),
            sd_m: soft,
        },
        Bone {
            ends: (Joint::Neck, Joint::HeadTop),
            sd_m: soft,
        },
        Bone {
            ends: (Joint::Neck, Joint::Nose),
            sd_m: soft,
        },
    ];
    for (a, b, sd_m) in [
        (Joint::RightShoulder, Joint::RightElbow, firm),
        (Joint::RightElbow, Joint::RightWrist, firm),
        (Joint::RightWrist, Joint::RightKnuckle, firm),
        (Joint::RightHip, Joint::RightKnee, firm),
        (Joint::RightKnee, Joint::RightAnkle, firm),
        (Joint::RightAnkle, Joint::RightHeel, firm),
        (Joint::RightAnkle, Joint::RightBigToe, soft),
        (Joint::RightAnkle, Joint::RightSmallToe, soft),
        (Joint::RightBigToe, Joint::RightSmallToe, firm),
        (Joint::Neck, Joint::RightShoulder, soft),
        (Joint::Nose, Joint::RightEye, firm),
        (Joint::Nose, Joint::RightEar, firm),
    ] {
        all.push(Bone { ends: (a, b), sd_m });
        all.push(Bone {
            ends: (a.mirrored(), b.mirrored()),
            sd_m,
        });
    }
    all
}

/// The joint whose motion this one's jerk is judged against; `None`: the ground.
pub(crate) fn hangs_on(joint: Joint) -> Option<Joint> {
    match joint {
        Joint::LeftHip | Joint::RightHip | Joint::Neck => None,
        Joint::Nose | Joint::HeadTop | Joint::LeftShoulder | Joint::RightShoulder => Some(Joint::Neck),
        Joint::LeftEye | Joint::RightEye | Joint::LeftEar | Joint::RightEar => Some(Joint::Nose),
        Joint::LeftElbow => Some(Joint::LeftShoulder),
        Joint::RightElbow => Some(Joint::RightShoulder),
        Joint::LeftWrist => Some(Joint::LeftElbow),
        Joint::RightWrist => Some(Joint::RightElbow),
        Joint::LeftKnuckle => Some(Joint::LeftWrist),
        Joint::RightKnuckle => Some(Joint::RightWrist),
        Joint::LeftKnee => Some(Joint::LeftHip),
        Joint::RightKnee => Some(Joint::RightHip),
        Joint::LeftAnkle => Some(Joint::LeftKnee),
        Joint::RightAnkle => Some(Joint::RightKnee),
        Joint::LeftHeel | Joint::LeftBigToe | Joint::LeftSmallToe => Some(Joint::LeftAnkle),
        Joint::RightHeel | Joint::RightBigToe | Joint::RightSmallToe => Some(Joint::RightAnkle),
    }
}

/// Density of a joint's jerk relative to what it hangs on, m2/s5, at a time after the hand's fastest instant.
///
/// Measured on simulated deliveries: hips 3e4, shoulders 1e5, elbow 1e6, wrist 1e7, knuckle 4e7 around release; one
/// value over time fails, because the hand that whips then is calm before.
pub(crate) fn jerk_density(joint: Joint, after_fastest_s: f64, delivery: &Delivery) -> f64 {
    let throwing = |right: Joint, left: Joint| match delivery.throws {
        Side::Right => joint == right,
        Side::Left => joint == left,
    };
    // 1 from just before layback to the end of the arm's acceleration, fading over 60 ms on either side.
    let whip = fade(after_fastest_s, -0.14, 0.06, 0.06);
    // From before foot contact on, everything moves faster than in the wind-up.
    let drive = fade(after_fastest_s, -0.35, 0.25, 0.15);
    let between = |calm: f64, fast: f64, share: f64| calm * (fast / calm).powf(share);
    if throwing(Joint::RightElbow, Joint::LeftElbow) {
        return between(3e4, 1e6, whip);
    }
    if throwing(Joint::RightWrist, Joint::LeftWrist) {
        return between(6e4, 1e7, whip);
    }
    if throwing(Joint::RightKnuckle, Joint::LeftKnuckle) {
        return between(6e4, 4e7, whip);
    }
    match joint {
        Joint::LeftHip | Joint::RightHip => between(5e3, 3e4, drive),
        Joint::Neck => between(5e3, 5e4, drive),
        Joint::LeftShoulder | Joint::RightShoulder => between(1e4, 1e5, drive),
        Joint::LeftElbow | Joint::RightElbow | Joint::LeftWrist | Joint::RightWrist => {
            between(3e4, 3e5, drive)
        }
        Joint::LeftKnuckle | Joint::RightKnuckle => between(3e4, 2e5, drive),
        Joint::LeftKnee | Joint::RightKnee => between(3e4, 2e5, drive),
        Joint::LeftAnkle | Joint::RightAnkle => between(3e4, 4e5, drive),
        Joint::LeftHeel
        | Joint::RightHeel
        | Joint::LeftBigToe
        | Joint::RightBigToe
        | Joint::LeftSmallToe
        | Joint::RightSmallToe => between(2e4, 2e5, drive),
        Joint::Nose | Joint::HeadTop => 2e4,
        Joint::LeftEye | Joint::RightEye | Joint::LeftEar | Joint::RightEar => 1e4,
    }
}

/// 1 within `[from, to]`, falling smoothly to 0 over `edge` outside.
fn fade(x: f64, from: f64, to: f64, edge: f64) -> f64 {
    let outside = if x < from {
        (from - x) / edge
    } else {
        ((x - to) / edge).max(0.0)
    };
    let inside = (1.0 - outside).clamp(0.0, 1.0);
    inside * inside * (3.0 - 2.0 * inside)
}
