//! Smooth: joints in space become a trajectory.
//!
//! Input: joints with covariances at irregular times, some missing, some wrong ([`JointSamples`]: from triangulation or
//! an import).
//! Method: for each joint alone a Kalman filter forward and a Rauch-Tung-Striebel smoother backward (`adskalman`), with
//! constant acceleration disturbed by white jerk whose density differs by joint ([`JerkDensity`]); gross errors found
//! from both ends of time; doubt widened by the measured colour of the noise.
//! Output: position, velocity, acceleration and doubt at every instant ([`Smoothed`]).
//!
//! Known weakness: joints know nothing of each other, so bones stretch, and a gross error that begins slower than the
//! joint itself can move is followed.

/// Doubt for joints that come without one.
mod imports;

/// Joints that were measured elsewhere, smoothed.
mod imported;

/// Constant acceleration disturbed by white jerk.
mod motion_model;

/// Colour of the noise.
mod noise;

/// Where a path jumps.
mod jumps;

/// Gross errors.
mod outliers;

/// Forward and backward pass.
mod passes;

/// Jerk densities by joint.
mod process_noise;

/// Joints as they were measured.
mod samples;

/// One joint alone.
mod joint_path;

use adskalman::Error as FilterError;
use rayon::prelude::*;

use crate::quality::Warning;
use crate::skeleton::{Joint, PerJoint};
use crate::trajectory::Trajectory;

pub use imported::{ImportedNoise, SmoothedImport, smooth_imported};
pub use imports::estimate_sd;
pub use motion_model::PathState;
pub use outliers::OutlierLimits;
pub use passes::{Measured, smooth_path};
pub use process_noise::JerkDensity;
pub use samples::{ImportedPosition, JointSamples, Sample};

use joint_path::smooth_joint;
use samples::{check_doubts, check_length, check_times};

/// How the smoother works.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Freedom of every joint.
    pub jerk: JerkDensity,
    /// Treatment of gross errors.
    pub outliers: OutlierLimits,
    /// Longest gap that is bridged, seconds; a longer one leaves the joint unknown.
    pub max_gap_s: f64,
    /// A bridged position more doubtful than this is unknown, metres.
    pub max_sd_m: f64,
    /// Fewer measurements than this in a stretch between gaps make no path.
    pub least_samples: usize,
    /// Standard deviation of the instants themselves (clock offset, readout, exposure): a position is doubtful by how
    /// far the joint moves in that time, seconds.
    pub timing_sd_s: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            jerk: JerkDensity::for_thrower(None),
            outliers: OutlierLimits::default(),
            max_gap_s: 0.12,
            max_sd_m: 0.15,
            least_samples: 12,
            timing_sd_s: 0.0,
        }
    }
}

/// What the smoother found out about one joint's measurements.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointQuality {
    /// Instants with a measurement.
    pub measured: usize,
    /// Of these, left out as gross errors.
    pub gross_errors: usize,
    /// Factor by which the stated standard deviations were too small, at least 1.
    pub understated: f64,
    /// Factor on the variance because neighbouring measurements err alike, at least 1.
    pub colour: f64,
    /// Frequency above which less than 71 % of a motion is left; `None` when the frame rate is the limit.
    pub bandwidth_hz: Option<f64>,
    /// Standard deviation of the smoothed velocity over that of the smoothed position, 1/s.
    pub error_rate_per_s: f64,
}

/// What smoothing yields.
#[derive(Clone, Debug, PartialEq)]
pub struct Smoothed {
    /// Position, velocity, acceleration and doubt.
    pub trajectory: Trajectory,
    /// How each joint's measurements were; `None` for a joint without a path.
    pub quality: PerJoint<Option<JointQuality>>,
}

/// Why nothing could be smoothed.
#[derive(Debug, thiserror::Error)]
pub enum SmoothError {
    /// Times are not increasing.
    #[error(
        "time {later_s} s follows {earlier_s} s; times have to increase: sort the rows and remove doubles"
    )]
    TimesNotIncreasing {
        /// The earlier row's time, seconds.
        earlier_s: f64,
        /// The later row's time, seconds.
        later_s: f64,
    },
    /// A joint has another number of samples than there are times.
    #[error("{joint} has {samples} samples for {times} times")]
    LengthMismatch {
        /// The joint.
        joint: Joint,
        /// Its samples.
        samples: usize,
        /// The times.
        times: usize,
    },
    /// A standard deviation is zero, negative or no number.
    #[error(
        "{joint} at {time_s:.4} s has no usable standard deviation; give positive metres or leave the cell empty"
    )]
    BadDoubt {
        /// The joint.
        joint: Joint,
        /// When, seconds.
        time_s: f64,
    },
    /// The filter's numbers failed.
    #[error("the filter failed on {joint}: {source}")]
    Filter {
        /// The joint.
        joint: Joint,
        /// What failed.
        source: FilterError,
    },
}

/// Smooths every joint's path.
///
/// # Errors
/// Times that do not increase, lengths that do not agree, unusable doubts, or a failing filter.
pub fn smooth(samples: &JointSamples, settings: &Settings) -> Result<Smoothed, SmoothError> {
    check_times(&samples.times)?;
    let times_s: Vec<f64> = samples.times.iter().map(|t| t.0).collect();
    let paths = Joint::ALL
        .into_par_iter()
        .map(|joint| {
            let path = &samples.joints[joint];
            check_length(joint, path.len(), times_s.len())?;
            check_doubts(joint, path, &times_s)?;
            smooth_joint(&times_s, path, settings.jerk.0[joint], settings)
                .map_err(|source| SmoothError::Filter { joint, source })
        })
        .collect::<Result<Vec<_>, _>>()?;
    let mut paths = paths.into_iter();
    let mut quality = PerJoint::from_fn(|_| None);
    let joints = PerJoint::from_fn(|joint| {
        let (states, found) = paths.next().unwrap_or_default();
        quality[joint] = found;
        states
    });
    Ok(Smoothed {
        trajectory: Trajectory {
            times: samples.times.clone(),
            joints,
            world_known: samples.world_known,
        },
        quality,
    })
}

impl Smoothed {
    /// What the reader of the result should know about the measurements of the joints.
    #[must_use]
    pub fn warnings(&self) -> Vec<Warning> {
        let listed = |f: &dyn Fn(&JointQuality) -> bool| {
            let joints: Vec<String> = self
                .quality
                .iter()
                .filter(|(_, q)| q.as_ref().is_some_and(f))
                .map(|(joint, _)| joint.name().replace('_', " "))
                .collect();
            (!joints.is_empty()).then(|| joints.join(", "))
        };
        let gross = listed(&|q| q.gross_errors * 20 > q.measured).map(|joints| {
            Warning::new(
                "gross_errors",
                format!("more than 5 % of the points of these joints were plainly wrong and were left out: {joints}"),
                "look at the pictures of these limbs; film against a plain background, without other people in view",
            )
        });
        let understated = listed(&|q| q.understated > 2.0).map(|joints| {
            Warning::new(
                "lines_of_sight_disagree",
                format!("the two phones' views of these joints do not meet, by more than twice the stated doubt: {joints}"),
                "one or two joints: they were hidden or misread in one view; many: a phone was moved after the calibration, calibrate again",
            )
        });
        gross.into_iter().chain(understated).collect()
    }
}
