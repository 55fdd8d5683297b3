//! Joints from anywhere: doubt for positions that come without one.

use adskalman::Error as FilterError;
use nalgebra::{Matrix3, Vector3};

use crate::smooth::passes::{Measured, smooth_path, start};

/// Smallest standard deviation that is believed, metres: rounding in files.
const LEAST_SD_M: f64 = 1e-4;

/// Passes of the estimate.
const PASSES: usize = 8;

/// At most this many samples from the middle of a path are used: enough for 3 % of the estimate.
const MOST_SAMPLES: usize = 600;

/// Standard deviation of each coordinate of a path's white noise, metres, from the smoother's residuals.
///
/// Expectation-maximisation (Shumway & Stoffer 1982): the noise's mean square is that of the residuals plus the variance
/// that the smoother leaves in the position. `None` with fewer than 12 positions.
///
/// # Errors
/// When the filter fails.
pub fn estimate_sd(
    times_s: &[f64],
    positions_m: &[Option<Vector3<f64>>],
    jerk_m2_s5: f64,
) -> Result<Option<f64>, FilterError> {
    let skip = times_s.len().saturating_sub(MOST_SAMPLES) / 2;
    let times_s: Vec<f64> = times_s.iter().skip(skip).take(MOST_SAMPLES).copied().collect();
    let positions_m: Vec<_> = positions_m
        .iter()
        .skip(skip)
        .take(MOST_SAMPLES)
        .copied()
        .collect();
    let Some(mut sd_m) = from_differences(&positions_m) else {
        return Ok(None);
    };
    for _ in 0..PASSES {
        let measured: Vec<Option<Measured>> = positions_m
            .iter()
            .map(|p| {
                p.map(|position_m| Measured {
                    position_m,
                    covariance_m2: Matrix3::identity() * sd_m.powi(2),
                })
            })
            .collect();
        let smoothed = smooth_path(&times_s, &measured, jerk_m2_s5, &start(&times_s, &measured))?;
        // The median resists gross errors: 2.366 is the median of chi-square with 3 degrees of freedom.
        let mut squares: Vec<f64> = positions_m
            .iter()
            .zip(&smoothed)
            .filter_map(|(p, s)| Some(((*p)? - s.position_m).norm_squared()))
            .collect();
        let mut left: Vec<f64> = smoothed
            .iter()
            .map(|s| s.position_covariance_m2().trace() / 3.0)
            .collect();
        squares.sort_by(f64::total_cmp);
        left.sort_by(f64::total_cmp);
        let next = (squares[squares.len() / 2] / 2.366 + left[left.len() / 2])
            .sqrt()
            .max(LEAST_SD_M);
        let settled = (next / sd_m - 1.0).abs() < 1e-3;
        sd_m = next;
        if settled {
            break;
        }
    }
    Ok(Some(sd_m))
}

/// A first estimate: fourth differences of a smooth path are almost all noise, with 70 times its variance.
fn from_differences(positions_m: &[Option<Vector3<f64>>]) -> Option<f64> {
    let mut squares: Vec<f64> = positions_m
        .windows(5)
        .filter_map(|w| Some((w[0]? - w[1]? * 4.0 + w[2]? * 6.0 - w[3]? * 4.0 + w[4]?).norm_squared()))
        .collect();
    if squares.len() < 8 {
        return None;
    }
    squares.sort_by(f64::total_cmp);
    Some((squares[squares.len() / 2] / 2.366 / 70.0).sqrt().max(LEAST_SD_M))
}
