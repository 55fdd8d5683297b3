//! How badly two views of a joint fit the rig when read at instants that a clock offset calls common.
//!
//! The residual is the algebraic epipolar error `x_right' E x_left` over its own standard deviation to first order
//! (Sampson's form; Hartley and Zisserman, *Multiple View Geometry*, 2nd ed., 11.4.3), with x in undistorted normalised
//! coordinates and `E = [t]x R`.

use nalgebra::{Matrix3, Vector2, Vector3};

use crate::geometry::{Camera, CameraPoint, Shutter, StereoRig};
use crate::skeleton::Joint;
use crate::sync::curve::{Curve, Knot, OnCurve};
use crate::sync::motion::{MotionViews, NEEDED};
use crate::sync::pairing::TrackSampler;

/// Smallest standard deviation of a keypoint that is believed, pixels.
const MIN_SD_PX: f64 = 0.05;

/// Half the window over which a joint's velocity is smoothed, seconds: long against a frame, short against an arm's
/// acceleration.
const SLOPE_HALF_S: f64 = 0.025;

/// Departure from smooth motion beyond which a keypoint has jumped to something else: deviations of one sample, and
/// the acceleration of a hand (2500 m/s2, three times a fastball's) seen from five metres, per second squared.
const JUMP_SDS: f64 = 8.0;
const JUMP_ACCELERATION: f64 = 500.0;

/// Both views of all joints in normalised coordinates.
pub(in crate::sync) struct Views {
    essential: Matrix3<f64>,
    left: Lens,
    right: Lens,
    joints: Vec<(Curve, Curve)>,
    /// Fewest fast observations for an answer.
    pub(in crate::sync) needed: usize,
}

/// A camera and its shutter.
struct Lens {
    camera: Camera,
    shutter: Shutter,
}

/// One left observation against the right view.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::sync) struct Fit {
    /// Residual over its standard deviation.
    pub(in crate::sync) residual: f64,
    /// Derivative of the residual with respect to the offset, per second, from the local cubic.
    pub(in crate::sync) slope: f64,
    /// The same from the smoothed velocity: its noise has nothing to do with that of the residual.
    pub(in crate::sync) smooth_slope: f64,
    /// Residual in pixels of the left picture.
    pub(in crate::sync) residual_px: f64,
    /// The right view's place, normalised.
    right_at: Vector2<f64>,
}

impl Views {
    pub(in crate::sync) fn new(views: &MotionViews) -> Self {
        let left_track = TrackSampler::new(views.left, views.left_shutter);
        let right_track = TrackSampler::new(views.right, views.right_shutter);
        let curves = Joint::ALL.map(|joint| [left_track.curve(joint), right_track.curve(joint)]);
        Self::of_curves(
            &curves,
            views.rig,
            [views.left_shutter, views.right_shutter],
            NEEDED,
        )
    }

    /// Both views of things in pixels, left and right.
    pub(in crate::sync) fn of_curves(
        curves: &[[&Curve; 2]],
        rig: &StereoRig,
        shutters: [&Shutter; 2],
        needed: usize,
    ) -> Self {
        let left = Lens {
            camera: rig.left,
            shutter: *shutters[0],
        };
        let right = Lens {
            camera: rig.right,
            shutter: *shutters[1],
        };
        let joints = curves
            .iter()
            .map(|[l, r]| (left.normalised(l), right.normalised(r)))
            .collect();
        let pose = &rig.right_from_left.0;
        Self {
            essential: pose.translation_m.cross_matrix() * pose.rotation.matrix(),
            left,
            right,
            joints,
            needed,
        }
    }

    /// Standard deviations of the two readouts, seconds.
    pub(in crate::sync) fn readout_sds_s(&self) -> (f64, f64) {
        (self.left.shutter.readout_sd_s, self.right.shutter.readout_sd_s)
    }

    pub(in crate::sync) fn joint_count(&self) -> usize {
        self.joints.len()
    }

    /// The left observations of a joint.
    pub(in crate::sync) fn left_knots(&self, joint: usize) -> &[Knot] {
        self.joints[joint].0.knots()
    }

    /// Speed of a joint in the left view at one of its observations, in standard deviations per second.
    pub(in crate::sync) fn left_speed(&self, joint: usize, knot: &Knot) -> Option<f64> {
        let slope = self.joints[joint].0.slope(knot.t, SLOPE_HALF_S)?;
        Some(slope.norm() / knot.sd)
    }

    /// Residual alone at an offset, for scanning: over its deviation, and in pixels; `None` where the right view has
    /// nothing.
    pub(in crate::sync) fn residual(&self, joint: usize, knot: &Knot, offset_s: f64) -> Option<(f64, f64)> {
        let on = self.joints[joint].1.at(knot.t - offset_s)?;
        let (error, deviation, _, unit_deviation) = self.error(knot, &on);
        Some((error / deviation, error / unit_deviation * self.left.focal_px()))
    }

    /// Residual with its derivatives at an offset.
    pub(in crate::sync) fn fit(&self, joint: usize, knot: &Knot, offset_s: f64) -> Option<Fit> {
        let curve = &self.joints[joint].1;
        let instant = knot.t - offset_s;
        let on = curve.at(instant)?;
        let smooth = curve.slope(instant, SLOPE_HALF_S)?;
        let (error, deviation, line, unit_deviation) = self.error(knot, &on);
        Some(Fit {
            residual: error / deviation,
            // A larger offset reads the right view earlier.
            slope: -line.dot(&on.velocity) / deviation,
            smooth_slope: -line.dot(&smooth) / deviation,
            residual_px: error / unit_deviation * self.left.focal_px(),
            right_at: on.at,
        })
    }

    /// Shares of the readout, less one half, at which both views of a fit were exposed.
    pub(in crate::sync) fn row_shares(&self, knot: &Knot, fit: &Fit) -> (f64, f64) {
        (
            self.left.row_share(knot.at) - 0.5,
            self.right.row_share(fit.right_at) - 0.5,
        )
    }

    /// Epipolar error, its standard deviation, its derivative by the right point, and its deviation for unit noise.
    fn error(&self, left: &Knot, right: &OnCurve) -> (f64, f64, Vector2<f64>, f64) {
        let left_at = Vector3::new(left.at.x, left.at.y, 1.0);
        let right_at = Vector3::new(right.at.x, right.at.y, 1.0);
        let line = self.essential * left_at;
        let back = self.essential.tr_mul(&right_at);
        let by_right = line.xy().norm_squared();
        let by_left = back.xy().norm_squared();
        let deviation = (by_right * right.sd.powi(2) + by_left * left.sd.powi(2)).sqrt();
        (
            right_at.dot(&line),
            deviation.max(f64::MIN_POSITIVE),
            line.xy(),
            (by_right + by_left).sqrt().max(f64::MIN_POSITIVE),
        )
    }
}

impl Lens {
    fn focal_px(&self) -> f64 {
        (self.camera.fx_px * self.camera.fy_px).sqrt()
    }

    fn normalised(&self, pixels: &Curve) -> Curve {
        pixels
            .mapped(|knot| {
                Some(Knot {
                    at: self.camera.undistort(knot.at.into())?,
                    sd: knot.sd.max(MIN_SD_PX) / self.focal_px(),
                    ..*knot
                })
            })
            .with_jumps_noted(JUMP_SDS, JUMP_ACCELERATION)
    }

    fn row_share(&self, at: Vector2<f64>) -> f64 {
        self.camera
            .project(CameraPoint(Vector3::new(at.x, at.y, 1.0)))
            .map_or(0.5, |pixel| self.shutter.row_share(pixel))
    }
}
