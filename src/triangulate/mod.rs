//! Triangulate: two pose tracks become joints in space.
//!
//! Input: the athlete's joints in both phones' pictures, the rig, both rolling shutters, the clock offset.
//! Method: every joint's image point is brought to the middle instant of each LEFT frame by interpolation over its own
//! row's instants (two shutters never coincide, so there are no frame pairs); then a weighted linear start (Hartley &
//! Zisserman, *Multiple View Geometry*, 12.2) and the least weighted reprojection error by Gauss-Newton, with the
//! covariance that the pixel doubts imply; then gates.
//! Output: per LEFT frame and joint a point of the world with its covariance, or the reason why there is none.
//!
//! The doubt is that of the keypoints alone. Doubt of clock, shutter and rig is common to all frames and is added by the
//! stages that see whole deliveries.

/// What is refused, and why.
mod gate;

/// An image point at an instant between frames.
mod instants;

/// The linear start.
mod linear;

/// Least reprojection error.
mod refine;

use nalgebra::{Matrix3, Vector3};

use crate::geometry::{Camera, CameraFromWorld, Phone, PixelPoint, Shutter, StereoRig, WorldPoint};
use crate::skeleton::{Joint, PerJoint};
use crate::track::PoseTrack;
use crate::units::{Radians, Seconds};

pub use gate::{Gates, Missing};

use instants::JointPath;

/// Both phones' tracks with what is needed to know when each image point was exposed.
#[derive(Clone, Copy, Debug)]
pub struct TwoTracks<'a> {
    /// The athlete in the left phone's pictures.
    pub left: &'a PoseTrack,
    /// The athlete in the right phone's pictures.
    pub right: &'a PoseTrack,
    /// The left phone's rolling shutter.
    pub left_shutter: Shutter,
    /// The right phone's rolling shutter.
    pub right_shutter: Shutter,
    /// Left time = right time + offset, between PTS clocks.
    pub clock_offset: Seconds,
    /// PTS of LEFT's first frame: the zero of all times that come out.
    pub left_first_pts: Seconds,
}

/// One image point with the standard deviation of each of its coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sighting {
    /// Where it was seen.
    pub at: PixelPoint,
    /// Standard deviation of each coordinate, pixels.
    pub sd_px: f64,
}

/// A joint found in space at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpacePoint {
    /// Where it is.
    pub at: WorldPoint,
    /// Covariance of the position that the two image points' doubts imply, square metres.
    pub covariance_m2: Matrix3<f64>,
    /// How far the two image points miss each other, in standard deviations, with a sign that is continuous over time:
    /// standard normal when the pixel doubts are right. Motion does not enter it, so it shows the noise itself.
    pub miss_sigmas: f64,
    /// Angle between the two lines of sight.
    pub parallax: Radians,
}

impl SpacePoint {
    /// Root mean square of the standard deviations along the three axes, metres.
    #[must_use]
    pub fn sd_m(&self) -> f64 {
        (self.covariance_m2.trace() / 3.0).sqrt()
    }
}

/// Joints in space over time: what triangulation yields.
#[derive(Clone, Debug, PartialEq)]
pub struct Keypoints3d {
    /// Middle instants of LEFT's frames, on LEFT's clock counted from its first frame, increasing.
    pub times: Vec<Seconds>,
    /// `joints[j][i]` at `times[i]`.
    pub joints: PerJoint<Vec<Result<SpacePoint, Missing>>>,
    /// False when the rig has no world frame: then the frame is the left camera's, turned upright.
    pub world_known: bool,
}

/// Why nothing could be triangulated.
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum TriangulateError {
    /// One phone's track is empty.
    #[error("the athlete was found in no picture of the {} video; film with the whole body in view", name(*.0))]
    EmptyTrack(Phone),
    /// The two tracks do not overlap in time.
    #[error(
        "the two videos show the athlete at different times (left {left_s:?} s, right {right_s:?} s on the left clock); \
         check that both belong to one recording"
    )]
    NoOverlap {
        /// First and last instant in the left video, seconds on the left clock.
        left_s: (f64, f64),
        /// The same of the right video.
        right_s: (f64, f64),
    },
    /// The two cameras stand too close together to see depth.
    #[error(
        "the phones stand {baseline_m:.3} m apart in the rig; at least {least_m} m is needed: calibrate again"
    )]
    ShortBaseline {
        /// Distance between the centres of projection, metres.
        baseline_m: f64,
        /// What is needed, metres.
        least_m: f64,
    },
}

/// The phone's name in messages.
pub(crate) fn name(phone: Phone) -> &'static str {
    match phone {
        Phone::Left => "left",
        Phone::Right => "right",
    }
}

/// Two cameras in the world, ready to locate points.
#[derive(Clone, Debug)]
pub struct Triangulator {
    cameras: [Camera; 2],
    poses: [CameraFromWorld; 2],
    gates: Gates,
}

impl Triangulator {
    /// From a rig, in the world frame in use ([`StereoRig::camera_from_world`]).
    ///
    /// # Errors
    /// When the two centres of projection nearly coincide.
    pub fn new(rig: &StereoRig, gates: Gates) -> Result<Self, TriangulateError> {
        let baseline_m = rig.right_from_left.baseline_m();
        if baseline_m < gates.min_baseline_m {
            return Err(TriangulateError::ShortBaseline {
                baseline_m,
                least_m: gates.min_baseline_m,
            });
        }
        Ok(Self {
            cameras: [rig.left, rig.right],
            poses: [
                rig.camera_from_world(Phone::Left),
                rig.camera_from_world(Phone::Right),
            ],
            gates,
        })
    }

    /// The point of the world seen as `left` and `right` at one instant.
    ///
    /// # Errors
    /// The gate that refused it.
    pub fn locate(&self, left: Sighting, right: Sighting) -> Result<SpacePoint, Missing> {
        let sightings = [left, right];
        let start = linear::start(&self.cameras, &self.poses, &sightings)?;
        let found =
            refine::refine(start, &self.cameras, &self.poses, &sightings).ok_or(Missing::BehindCamera)?;
        let point = SpacePoint {
            at: WorldPoint(found.point_m),
            covariance_m2: found.covariance_m2,
            miss_sigmas: found.miss_sigmas,
            parallax: self.parallax(&found.point_m),
        };
        self.gates.check(&point)?;
        Ok(point)
    }

    /// Angle between the two lines of sight to a point.
    fn parallax(&self, point_m: &Vector3<f64>) -> Radians {
        let [a, b] = self.poses.map(|pose| point_m - pose.centre().0);
        Radians(a.angle(&b))
    }
}

/// All joints of a recording in space, at the middle instants of LEFT's frames.
///
/// # Errors
/// When a track is empty, the two do not overlap in time, or the rig cannot see depth.
pub fn triangulate(
    rig: &StereoRig,
    tracks: &TwoTracks<'_>,
    gates: &Gates,
) -> Result<Keypoints3d, TriangulateError> {
    let triangulator = Triangulator::new(rig, *gates)?;
    let instants = common_instants(tracks)?;
    let joints = PerJoint::from_fn(|joint| {
        let left = JointPath::new(tracks.left, joint, &tracks.left_shutter, Phone::Left, gates);
        let right = JointPath::new(tracks.right, joint, &tracks.right_shutter, Phone::Right, gates);
        instants
            .iter()
            .map(|&instant| {
                let seen_left = left.at(instant)?;
                let seen_right = right.at(instant - tracks.clock_offset)?;
                triangulator.locate(seen_left, seen_right)
            })
            .collect::<Vec<_>>()
    });
    let found = joints[Joint::RightHip].iter().filter(|p| p.is_ok()).count();
    tracing::debug!(frames = instants.len(), right_hip = found, "triangulated");
    Ok(Keypoints3d {
        times: instants.iter().map(|&t| t - tracks.left_first_pts).collect(),
        joints,
        world_known: rig.world_from_left.is_some(),
    })
}

/// Middle instants of LEFT's frames on LEFT's PTS clock; refused when RIGHT saw nothing within their span.
fn common_instants(tracks: &TwoTracks<'_>) -> Result<Vec<Seconds>, TriangulateError> {
    let middles = |track: &PoseTrack, shutter: &Shutter, shift: Seconds, phone| {
        let instants: Vec<Seconds> = track
            .poses
            .iter()
            .map(|pose| pose.pts + shutter.middle_delay() + shift)
            .collect();
        match (instants.first(), instants.last()) {
            (Some(first), Some(last)) => Ok(((first.0, last.0), instants)),
            _ => Err(TriangulateError::EmptyTrack(phone)),
        }
    };
    let (left_s, instants) = middles(tracks.left, &tracks.left_shutter, Seconds(0.0), Phone::Left)?;
    let (right_s, _) = middles(
        tracks.right,
        &tracks.right_shutter,
        tracks.clock_offset,
        Phone::Right,
    )?;
    if left_s.0 > right_s.1 || right_s.0 > left_s.1 {
        return Err(TriangulateError::NoOverlap { left_s, right_s });
    }
    Ok(instants)
}
