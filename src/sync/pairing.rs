//! Joints at any instant: a pose track read between its frames.
//!
//! Two rolling shutters never expose a joint at the same instant. A sampler knows the true instant of each of its
//! joints (frame time plus the delay of the row the joint stands on) and gives place and velocity in between.

use nalgebra::Vector2;

use crate::geometry::{PixelPoint, Shutter};
use crate::skeleton::{Joint, PerJoint};
use crate::sync::curve::{Curve, Knot};
use crate::track::PoseTrack;
use crate::units::Seconds;

/// Longest gap that is bridged, in median frame intervals.
const MAX_GAP_FRAMES: f64 = 3.5;

/// Gap limit of a track too short to have an interval, seconds.
const FALLBACK_GAP_S: f64 = 0.02;

/// One joint at one instant, between the frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SampledJoint {
    /// Where it is in the picture.
    pub at: PixelPoint,
    /// How fast it moves in the picture, pixels per second.
    pub velocity_px_s: Vector2<f64>,
    /// Standard deviation of each coordinate, pixels; not reduced by interpolation, since errors of neighbouring frames
    /// are nearly the same error.
    pub sd_px: f64,
    /// Probability that it is seen: the smaller of its two neighbours.
    pub visible: f64,
    /// Time between the two frames that it stands between.
    pub gap: Seconds,
}

/// Reads one phone's pose track at any instant of that phone's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct TrackSampler {
    curves: PerJoint<Curve>,
}

impl TrackSampler {
    /// A sampler that bridges gaps of up to three lost frames.
    #[must_use]
    pub fn new(track: &PoseTrack, shutter: &Shutter) -> Self {
        let mut intervals: Vec<f64> = track.poses.windows(2).map(|w| (w[1].pts - w[0].pts).0).collect();
        intervals.sort_by(f64::total_cmp);
        let max_gap_s = intervals
            .get(intervals.len() / 2)
            .map_or(FALLBACK_GAP_S, |median| median * MAX_GAP_FRAMES);
        Self::with_max_gap(track, shutter, Seconds(max_gap_s))
    }

    /// A sampler with a gap limit of one's own.
    #[must_use]
    pub fn with_max_gap(track: &PoseTrack, shutter: &Shutter, max_gap: Seconds) -> Self {
        let curve = |joint: Joint| {
            let samples = track.poses.iter().filter_map(|pose| {
                let seen = pose.joints[joint]?;
                Some(Knot {
                    t: (pose.pts + shutter.delay(seen.at)).0,
                    at: seen.at.vector(),
                    sd: seen.sd_px,
                    visible: seen.visible,
                })
            });
            Curve::new(samples, max_gap.0)
        };
        Self {
            curves: PerJoint::from_fn(curve),
        }
    }

    /// A joint at an instant of this phone's clock; `None` before its first and after its last sample and within gaps.
    #[must_use]
    pub fn at(&self, joint: Joint, instant: Seconds) -> Option<SampledJoint> {
        let on = self.curves[joint].at(instant.0)?;
        Some(SampledJoint {
            at: on.at.into(),
            velocity_px_s: on.velocity,
            sd_px: on.sd,
            visible: on.visible,
            gap: Seconds(on.gap_s),
        })
    }

    /// First and last instant of a joint; `None` when it was never seen.
    #[must_use]
    pub fn span(&self, joint: Joint) -> Option<(Seconds, Seconds)> {
        let knots = self.curves[joint].knots();
        Some((Seconds(knots.first()?.t), Seconds(knots.last()?.t)))
    }

    /// The true instants at which a joint was seen, in order.
    pub fn instants(&self, joint: Joint) -> impl Iterator<Item = Seconds> + '_ {
        self.curves[joint].knots().iter().map(|knot| Seconds(knot.t))
    }

    /// The curve of one joint, in pixels.
    pub(in crate::sync) fn curve(&self, joint: Joint) -> &Curve {
        &self.curves[joint]
    }
}
