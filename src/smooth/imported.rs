//! Joints that were measured elsewhere: smoothed only as far as their own noise asks for.
//!
//! A stated standard deviation says how far off a position may be, not how much of that changes from sample to sample.
//! Joints that were smoothed before, or that come without noise, must not lose speed by being smoothed again. So the
//! white part of the error is estimated from the smoother's residuals ([`estimate_sd`]) whatever is stated; it alone
//! decides how strongly a path is smoothed, and the rest of the stated variance is added to the result's doubt.

use nalgebra::{Matrix3, Vector3};

use crate::skeleton::{Joint, PerJoint};
use crate::smooth::samples::{check_length, check_times};
use crate::smooth::{
    ImportedPosition, JointSamples, Measured, Sample, Settings, SmoothError, Smoothed, estimate_sd, smooth,
};
use crate::units::Seconds;

/// Errors that the smoother cannot see change this slowly: velocity over position, 1/s (those of a process whose
/// correlation lasts 0.05 s; own choice).
const SLOW_RATE_PER_S: f64 = 31.0;

/// What was found out about the noise of one joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImportedNoise {
    /// Standard deviation of the part that changes from sample to sample, per axis, metres.
    pub white_sd_m: f64,
    /// Whether the file stated a standard deviation for every position.
    pub stated: bool,
    /// Standard deviation of the result's velocity over that of its position, 1/s.
    pub error_rate_per_s: f64,
}

/// Imported joints, smoothed.
#[derive(Clone, Debug, PartialEq)]
pub struct SmoothedImport {
    /// The paths.
    pub smoothed: Smoothed,
    /// The noise that was found; `None` for a joint without a path.
    pub noise: PerJoint<Option<ImportedNoise>>,
}

/// The noise of one joint before it is smoothed.
#[derive(Clone, Copy)]
struct Split {
    /// White part of the stated standard deviation, 0 to 1.
    white_share: f64,
    white_sd_m: f64,
    /// Stands in where a position has no stated standard deviation, metres.
    typical_sd_m: f64,
    stated: bool,
}

impl Split {
    /// Standard deviation as stated, or what stands in for it, metres.
    fn sd_m(&self, position: Option<&ImportedPosition>) -> f64 {
        position.and_then(|p| p.sd_m).unwrap_or(self.typical_sd_m)
    }

    /// Variance that smoothing cannot take away, square metres.
    fn slow_variance_m2(&self, position: Option<&ImportedPosition>) -> f64 {
        (1.0 - self.white_share.powi(2)) * self.sd_m(position).powi(2)
    }
}

/// Smooths joints that were measured elsewhere; each joint's positions stand at `times`.
///
/// A joint without stated doubts that is too rare to estimate them (fewer than 12 positions) stays unknown.
///
/// # Errors
/// Lengths that do not agree, times that do not increase, unusable doubts, or a failing filter.
pub fn smooth_imported(
    times: &[Seconds],
    positions: &PerJoint<Vec<Option<ImportedPosition>>>,
    settings: &Settings,
) -> Result<SmoothedImport, SmoothError> {
    check_times(times)?;
    let times_s: Vec<f64> = times.iter().map(|t| t.0).collect();
    let mut splits = PerJoint::from_fn(|_| None);
    for (joint, path) in positions.iter() {
        check_length(joint, path.len(), times.len())?;
        splits[joint] = split(joint, &times_s, path, settings.jerk.0[joint])?;
    }
    let joints = PerJoint::from_fn(|joint| {
        let path = &positions[joint];
        path.iter()
            .map(|p| {
                let (p, split) = (p.as_ref()?, splits[joint]?);
                Some(Sample {
                    measured: Measured {
                        position_m: p.position_m,
                        covariance_m2: Matrix3::identity()
                            * (split.white_share * split.sd_m(Some(p))).powi(2),
                    },
                    miss_sigmas: None,
                })
            })
            .collect()
    });
    let samples = JointSamples {
        times: times.to_vec(),
        joints,
        world_known: true,
    };
    let mut smoothed = smooth(&samples, settings)?;
    let mut noise = PerJoint::from_fn(|_| None);
    for joint in Joint::ALL {
        let (Some(split), Some(quality)) = (splits[joint], smoothed.quality[joint]) else {
            continue;
        };
        let (mut white, mut slow) = (0.0, 0.0);
        for (state, position) in smoothed.trajectory.joints[joint]
            .iter_mut()
            .zip(&positions[joint])
        {
            let Some(state) = state else { continue };
            let added = split.slow_variance_m2(position.as_ref());
            let left = state.sd_m.unwrap_or_default().powi(2);
            white += left;
            slow += added;
            state.sd_m = Some((left + added).sqrt());
        }
        let squares = white * quality.error_rate_per_s.powi(2) + slow * SLOW_RATE_PER_S.powi(2);
        noise[joint] = Some(ImportedNoise {
            white_sd_m: split.white_sd_m,
            stated: split.stated,
            error_rate_per_s: (squares / (white + slow)).sqrt(),
        });
    }
    Ok(SmoothedImport { smoothed, noise })
}

/// How much of a joint's doubt is white.
fn split(
    joint: Joint,
    times_s: &[f64],
    path: &[Option<ImportedPosition>],
    jerk_m2_s5: f64,
) -> Result<Option<Split>, SmoothError> {
    let bare: Vec<Option<Vector3<f64>>> = path.iter().map(|p| p.map(|p| p.position_m)).collect();
    let estimated =
        estimate_sd(times_s, &bare, jerk_m2_s5).map_err(|source| SmoothError::Filter { joint, source })?;
    let known: Vec<f64> = path.iter().flatten().filter_map(|p| p.sd_m).collect();
    let stated = !known.is_empty() && path.iter().flatten().all(|p| p.sd_m.is_some());
    if known.is_empty() {
        return Ok(estimated.map(|sd_m| Split {
            white_share: 1.0,
            white_sd_m: sd_m,
            typical_sd_m: sd_m,
            stated,
        }));
    }
    let typical_sd_m = (known.iter().map(|sd| sd * sd).sum::<f64>() / known.len() as f64).sqrt();
    let white_sd_m = estimated.map_or(typical_sd_m, |sd| sd.min(typical_sd_m));
    Ok(Some(Split {
        white_share: white_sd_m / typical_sd_m,
        white_sd_m,
        typical_sd_m,
        stated,
    }))
}
