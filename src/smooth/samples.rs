//! What the smoother takes: joints over time, from triangulation or an import.

use nalgebra::{Matrix3, Vector3};

use crate::skeleton::{Joint, PerJoint};
use crate::smooth::{JerkDensity, Measured, SmoothError, estimate_sd};
use crate::triangulate::Keypoints3d;
use crate::units::Seconds;

/// One joint at one instant as it was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Position in the world with its covariance.
    pub measured: Measured,
    /// Miss of the two lines of sight in standard deviations, where there are any.
    pub miss_sigmas: Option<f64>,
}

/// Joints over time, from triangulation or an import: what the smoother takes.
#[derive(Clone, Debug, PartialEq)]
pub struct JointSamples {
    /// Increasing instants on LEFT's clock, counted from its first frame.
    pub times: Vec<Seconds>,
    /// `joints[j][i]` at `times[i]`.
    pub joints: PerJoint<Vec<Option<Sample>>>,
    /// Whether the frame is the world's.
    pub world_known: bool,
}

impl From<&Keypoints3d> for JointSamples {
    fn from(keypoints: &Keypoints3d) -> Self {
        Self {
            times: keypoints.times.clone(),
            joints: PerJoint::from_fn(|joint| {
                keypoints.joints[joint]
                    .iter()
                    .map(|point| {
                        point.ok().map(|p| Sample {
                            measured: Measured {
                                position_m: p.at.0,
                                covariance_m2: p.covariance_m2,
                            },
                            miss_sigmas: Some(p.miss_sigmas),
                        })
                    })
                    .collect()
            }),
            world_known: keypoints.world_known,
        }
    }
}

/// An imported position, with its standard deviation where the import has one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImportedPosition {
    /// Position in the world, metres.
    pub position_m: Vector3<f64>,
    /// Standard deviation of each coordinate, metres.
    pub sd_m: Option<f64>,
}

impl JointSamples {
    /// From positions that were measured elsewhere; a joint's missing doubts are estimated from the smoother's residuals
    /// ([`estimate_sd`]). A joint without doubts that is too rare to estimate them stays unknown.
    ///
    /// # Errors
    /// Lengths that do not agree, times that do not increase, or a failing filter.
    pub fn from_positions(
        times: Vec<Seconds>,
        positions: &PerJoint<Vec<Option<ImportedPosition>>>,
        jerk: &JerkDensity,
    ) -> Result<Self, SmoothError> {
        check_times(&times)?;
        let times_s: Vec<f64> = times.iter().map(|t| t.0).collect();
        let mut joints = PerJoint::from_fn(|_| Vec::new());
        for (joint, path) in positions.iter() {
            check_length(joint, path.len(), times.len())?;
            let estimated = if path.iter().flatten().any(|p| p.sd_m.is_none()) {
                let bare: Vec<_> = path.iter().map(|p| p.map(|p| p.position_m)).collect();
                estimate_sd(&times_s, &bare, jerk.0[joint])
                    .map_err(|source| SmoothError::Filter { joint, source })?
            } else {
                None
            };
            joints[joint] = path
                .iter()
                .map(|p| {
                    let sd_m = p.as_ref()?.sd_m.or(estimated)?;
                    Some(Sample {
                        measured: Measured {
                            position_m: p.as_ref()?.position_m,
                            covariance_m2: Matrix3::identity() * sd_m.powi(2),
                        },
                        miss_sigmas: None,
                    })
                })
                .collect();
        }
        Ok(Self {
            times,
            joints,
            world_known: true,
        })
    }
}

/// Refuses times that do not increase.
pub(super) fn check_times(times: &[Seconds]) -> Result<(), SmoothError> {
    match times
        .windows(2)
        .find(|w| w[0].0.is_nan() || w[1].0.is_nan() || w[1].0 <= w[0].0)
    {
        Some(w) => Err(SmoothError::TimesNotIncreasing {
            earlier_s: w[0].0,
            later_s: w[1].0,
        }),
        None => Ok(()),
    }
}

/// Refuses a joint with another number of samples than there are times.
pub(super) fn check_length(joint: Joint, samples: usize, times: usize) -> Result<(), SmoothError> {
    if samples == times {
        Ok(())
    } else {
        Err(SmoothError::LengthMismatch {
            joint,
            samples,
            times,
        })
    }
}

/// Refuses doubts and positions that are no numbers or not positive.
pub(super) fn check_doubts(
    joint: Joint,
    path: &[Option<Sample>],
    times_s: &[f64],
) -> Result<(), SmoothError> {
    for (sample, time_s) in path.iter().zip(times_s) {
        if let Some(s) = sample
            && (s.measured.covariance_m2.cholesky().is_none()
                || !s.measured.position_m.iter().all(|x| x.is_finite()))
        {
            return Err(SmoothError::BadDoubt {
                joint,
                time_s: *time_s,
            });
        }
    }
    Ok(())
}
