//! Two people in one place: whether their poses are one, and what the nearer one hides.

use super::Detection;
use super::boxes::around_points;
use crate::geometry::PixelPoint;
use crate::skeleton::Joint;

/// Poses whose joints lie nearer to each other than this (median, person heights) are one person's, seen twice.
pub(super) const SAME_POSE: f64 = 0.07;

/// Poses further apart than this are two people's.
pub(super) const TWO_PEOPLE: f64 = 0.13;

/// Fewer joints in common say nothing.
const LEAST_SHARED: usize = 5;

/// Half the widths of trunk, limbs, feet and head, person heights, clothes included (common practice, no source).
const TRUNK: f64 = 0.055;
const LIMB: f64 = 0.04;
const FOOT: f64 = 0.03;
const HEAD: f64 = 0.065;

/// Bones that make up a body in the picture.
const BONES: [(Joint, Joint, f64); 21] = [
    (Joint::LeftShoulder, Joint::RightShoulder, TRUNK),
    (Joint::LeftHip, Joint::RightHip, TRUNK),
    (Joint::LeftShoulder, Joint::LeftHip, TRUNK),
    (Joint::RightShoulder, Joint::RightHip, TRUNK),
    (Joint::LeftShoulder, Joint::RightHip, TRUNK),
    (Joint::RightShoulder, Joint::LeftHip, TRUNK),
    (Joint::LeftShoulder, Joint::LeftElbow, LIMB),
    (Joint::RightShoulder, Joint::RightElbow, LIMB),
    (Joint::LeftElbow, Joint::LeftWrist, LIMB),
    (Joint::RightElbow, Joint::RightWrist, LIMB),
    (Joint::LeftWrist, Joint::LeftKnuckle, LIMB),
    (Joint::RightWrist, Joint::RightKnuckle, LIMB),
    (Joint::LeftHip, Joint::LeftKnee, LIMB),
    (Joint::RightHip, Joint::RightKnee, LIMB),
    (Joint::LeftKnee, Joint::LeftAnkle, LIMB),
    (Joint::RightKnee, Joint::RightAnkle, LIMB),
    (Joint::LeftHeel, Joint::LeftBigToe, FOOT),
    (Joint::RightHeel, Joint::RightBigToe, FOOT),
    (Joint::Neck, Joint::HeadTop, HEAD),
    (Joint::Nose, Joint::HeadTop, HEAD),
    (Joint::LeftEar, Joint::RightEar, HEAD),
];

/// Median distance of the joints of which the network is sure in both, in units of `size_px`.
pub(super) fn apart(a: &Detection, b: &Detection, size_px: f64) -> Option<f64> {
    let both = Joint::ALL.into_iter().filter(|j| a.sure[*j] && b.sure[*j]);
    let ways = both.filter_map(|j| Some(a.joints[j]?.at.distance_px(b.joints[j]?.at) / size_px));
    median_of(ways.collect())
}

/// The middle one of at least [`LEAST_SHARED`] values.
pub(super) fn median_of(mut values: Vec<f64>) -> Option<f64> {
    if values.len() < LEAST_SHARED {
        return None;
    }
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// The place that a body takes in the picture.
pub(super) struct Silhouette {
    bones: Vec<(PixelPoint, PixelPoint, f64)>,
}

impl Silhouette {
    /// Round the bones between joints of which the network is sure.
    pub(super) fn of(found: &Detection, size_px: f64) -> Self {
        let at = |joint: Joint| found.joints[joint].filter(|_| found.sure[joint]).map(|j| j.at);
        let bones = BONES
            .into_iter()
            .filter_map(|(from, to, share)| Some((at(from)?, at(to)?, share * size_px)));
        Self {
            bones: bones.collect(),
        }
    }

    /// Whether a point lies in it.
    pub(super) fn hides(&self, p: PixelPoint) -> bool {
        self.bones.iter().any(|(from, to, radius_px)| {
            let (dx, dy) = (to.x_px - from.x_px, to.y_px - from.y_px);
            let length = dx * dx + dy * dy;
            let along = if length > 0.0 {
                (((p.x_px - from.x_px) * dx + (p.y_px - from.y_px) * dy) / length).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let foot = PixelPoint::new(from.x_px + along * dx, from.y_px + along * dy);
            foot.distance_px(p) <= *radius_px
        })
    }

    /// The detection without the joints that lie in it, and how many of the sure ones these were.
    pub(super) fn uncovered(&self, mut found: Detection) -> (Detection, usize) {
        let given = found.sure.0.iter().filter(|s| **s).count();
        let mut hidden = 0;
        for joint in Joint::ALL {
            if found.joints[joint].is_some_and(|j| self.hides(j.at)) {
                hidden += usize::from(found.sure[joint]);
                found.joints.0[joint.index()] = None;
                found.sure.0[joint.index()] = false;
            }
        }
        if given > 0 {
            found.sureness *= (given - hidden) as f64 / given as f64;
        }
        (found, hidden)
    }
}

/// Lowest sure point of a pose in the picture: on level ground the nearer of two people stands lower.
pub(super) fn bottom_px(found: &Detection) -> Option<f64> {
    let sure = Joint::ALL.into_iter().filter(|j| found.sure[*j]);
    let region = around_points(sure.filter_map(|j| found.joints[j]).map(|j| j.at))?;
    Some(region.top_px + region.height_px)
}
