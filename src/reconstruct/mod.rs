//! Reconstruct: everything seen of one delivery becomes one constrained estimate.
//!
//! Input: the athlete's joints in both phones' pictures, each at its own row's instant; the rig; the clock offset with
//! its doubt; the smoother's trajectory as a start. Output: one trajectory at LEFT's instants.
//!
//! Method: every joint's path is a uniform cubic B-spline with one knot a LEFT frame. The estimate minimises, by
//! Gauss-Newton with robust weights,
//! - the distance of each joint from each picture's keypoint in units of its predicted standard deviation (a joint seen
//!   by one phone only still counts),
//! - the change of each limb's length (its mean is estimated along the way),
//! - the jerk of each joint relative to the one it hangs on, as white noise of a density that depends on the joint and on
//!   the phase of the delivery.
//!
//! The clock offset is estimated along, held by its prior. The normal equations are sparse and banded in time.

mod body;
mod doubt;
mod flips;
mod limits;
mod normal;
mod priors;
mod problem;
mod solve;
mod spline;

use crate::geometry::{Phone, Shutter, StereoRig};
use crate::skeleton::{JOINT_COUNT, PerJoint, Side};
use crate::track::PoseTrack;
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// One phone's part: what it saw, and when its rows were exposed.
#[derive(Clone, Copy, Debug)]
pub struct View<'a> {
    /// The athlete in its pictures.
    pub track: &'a PoseTrack,
    /// Its rolling shutter.
    pub shutter: Shutter,
}

/// Settings, with their reasons.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// Rounds of Gauss-Newton; the weights settle within six.
    pub rounds: usize,
    /// Degrees of freedom of the keypoints' errors as Student's t: networks err with a narrow core and long tails.
    pub tail_freedom: f64,
    /// Constancy of a limb's length, metres: joint centres move a little in the bone.
    pub limb_sd_m: f64,
    /// Constancy of the shoulder girdle's lengths, metres: the collarbones do move.
    pub girdle_sd_m: f64,
    /// Draws behind every standard deviation; 0 computes none.
    pub draws: usize,
    /// A joint that neither phone saw for longer than this is missing, seconds.
    pub longest_gap_s: f64,
    /// How well the pose between the phones is known.
    pub rig_doubt: RigDoubt,
}

/// Standard deviations of the pose between the phones, each axis.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RigDoubt {
    /// Of the rotation, degrees.
    pub turn_sd_deg: f64,
    /// Of the translation, metres.
    pub shift_sd_m: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            rounds: 8,
            tail_freedom: 3.0,
            limb_sd_m: 0.003,
            girdle_sd_m: 0.012,
            draws: 100,
            longest_gap_s: 0.06,
            rig_doubt: RigDoubt::default(),
        }
    }
}

impl Settings {
    /// Weight of a keypoint that misses by `size` standard deviations (two coordinates of one Student's t): 1 up to the
    /// usual size, falling with its square beyond.
    fn weight(&self, size: f64) -> f64 {
        ((self.tail_freedom + 2.0) / (self.tail_freedom + size * size)).min(1.0)
    }

    /// Loss of a keypoint that misses by `size` standard deviations: the integral of weight times size.
    fn loss(&self, size: f64) -> f64 {
        let (free, square) = (self.tail_freedom, size * size);
        if square <= 2.0 {
            square / 2.0
        } else {
            1.0 + (free + 2.0) / 2.0 * ((free + square) / (free + 2.0)).ln()
        }
    }
}

/// The delivery to reconstruct.
#[derive(Clone, Copy, Debug)]
pub struct Delivery {
    /// First instant, on LEFT's clock.
    pub from: Seconds,
    /// Last instant.
    pub to: Seconds,
    /// When the throwing hand is fastest: the arms may jerk most around it.
    pub fastest: Seconds,
    /// The throwing hand.
    pub throws: Side,
}

/// Clock offset (left time = right time + offset) with its standard deviation.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    /// Offset, seconds.
    pub offset_s: f64,
    /// Standard deviation, seconds.
    pub sd_s: f64,
}

/// The estimate and how well it fits.
#[derive(Clone, Debug)]
pub struct Reconstruction {
    /// Joints at LEFT's middle instants.
    pub trajectory: Trajectory,
    /// What the trajectory could have been: versions under draws of the keypoints' coloured noise, the clock, the
    /// pose between the phones and the limb lengths. The states' `sd_m` is their spread.
    pub versions: Vec<Trajectory>,
    /// What each version adds to the clock offset, seconds: whatever else hangs on the clock moves with it.
    pub late_s: Vec<f64>,
    /// How quickly each joint's error changes (deviation of its velocity over that of its position), 1/s.
    pub error_rate_per_s: PerJoint<Option<f64>>,
    /// The clock offset after seeing everything, with the doubt it came with.
    pub clock: Clock,
    /// Usual size of the keypoints' misses over what their doubts promise: 1 when the network's doubt is honest.
    pub residual_scale: f64,
    /// Share of keypoints that lost more than half their weight: gross errors.
    pub rejected_share: f64,
}

/// Why a delivery could not be reconstructed.
#[derive(Debug, thiserror::Error)]
pub enum ReconstructError {
    /// Too little was seen.
    #[error(
        "only {frames} frames of the delivery between {from_s:.2} and {to_s:.2} s have a body in space, at least {needed} are needed\nhint: both phones must see the whole delivery"
    )]
    TooFewFrames {
        /// Frames with a usable start.
        frames: usize,
        /// How many it takes.
        needed: usize,
        /// First instant, seconds.
        from_s: f64,
        /// Last instant, seconds.
        to_s: f64,
    },
    /// The normal equations could not be solved.
    #[error("the reconstruction's equations have no solution at round {round}: a fault of the program")]
    Unsolvable {
        /// The round it happened in.
        round: usize,
    },
}

/// Reconstructs one delivery.
///
/// `start` must cover `delivery` (its times give LEFT's instants); joints may be missing in it.
///
/// # Errors
/// When the start holds too few frames, or the equations are singular.
pub fn reconstruct(
    left: View<'_>,
    right: View<'_>,
    rig: &StereoRig,
    clock: Clock,
    start: &Trajectory,
    delivery: &Delivery,
    settings: &Settings,
) -> Result<Reconstruction, ReconstructError> {
    let problem = problem::Problem::new(left, right, rig, clock, start, delivery, settings)?;
    solve::solve(problem, start, settings)
}

/// Which phone a column of observations belongs to.
const PHONES: [Phone; 2] = [Phone::Left, Phone::Right];

/// Unknown coordinates per knot.
const PER_KNOT: usize = 3 * JOINT_COUNT;
