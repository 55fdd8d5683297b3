//! One joint alone: scale of the noise, stretches between gaps, smoothing, colour of the noise, doubt.

use adskalman::Error as FilterError;

use crate::smooth::motion_model::PathState;
use crate::smooth::noise::{self, Kernel};
use crate::smooth::outliers::{RobustPath, smooth_robustly};
use crate::smooth::passes::Measured;
use crate::smooth::samples::Sample;
use crate::smooth::{JointQuality, Settings};
use crate::trajectory::JointState;

/// States at every instant, and what was found out about the measurements.
pub(super) type SmoothedJoint = (Vec<Option<JointState>>, Option<JointQuality>);

/// Smooths one joint.
pub(super) fn smooth_joint(
    times_s: &[f64],
    path: &[Option<Sample>],
    jerk_m2_s5: f64,
    settings: &Settings,
) -> Result<SmoothedJoint, FilterError> {
    let misses: Vec<Option<f64>> = path.iter().map(|s| s.as_ref()?.miss_sigmas).collect();
    let misses = noise::without_gross(&misses);
    let understated = noise::understated(&misses);
    let measured: Vec<Option<Measured>> = path
        .iter()
        .map(|s| {
            s.map(|s| Measured {
                covariance_m2: s.measured.covariance_m2 * understated.powi(2),
                ..s.measured
            })
        })
        .collect();
    let mut states: Vec<Option<PathState>> = vec![None; times_s.len()];
    let mut used = vec![false; times_s.len()];
    for (first, last) in stretches(times_s, &measured, settings) {
        let RobustPath {
            states: smoothed,
            used: kept,
        } = smooth_robustly(
            &times_s[first..=last],
            &measured[first..=last],
            jerk_m2_s5,
            &settings.outliers,
        )?;
        // Gross errors leave gaps too: what hangs between or beyond the kept measurements for too long is unknown.
        let anchored: Vec<Option<Measured>> = measured[first..=last]
            .iter()
            .zip(&kept)
            .map(|(m, k)| m.filter(|_| *k))
            .collect();
        for (a, b) in stretches(&times_s[first..=last], &anchored, settings) {
            for i in a..=b {
                states[first + i] = Some(smoothed[i]);
                used[first + i] = kept[i];
            }
        }
    }
    let Some(kernel) = typical_kernel(times_s, &measured, jerk_m2_s5)? else {
        return Ok((vec![None; times_s.len()], None));
    };
    let colour = kernel.inflation(&colour_of(&misses, &measured, &states, &used));
    let quality = JointQuality {
        measured: measured.iter().flatten().count(),
        gross_errors: measured
            .iter()
            .zip(&states)
            .zip(&used)
            .filter(|((m, s), u)| m.is_some() && s.is_some() && !**u)
            .count(),
        understated,
        colour,
        bandwidth_hz: kernel.bandwidth_hz(),
        error_rate_per_s: error_rate_per_s(&states),
    };
    let finished: Vec<Option<JointState>> = states
        .iter()
        .map(|s| {
            let s = s.as_ref()?;
            let noise = s.position_covariance_m2().trace() / 3.0 * colour;
            let timing = s.velocity_m_s.norm_squared() * settings.timing_sd_s.powi(2) / 3.0;
            let sd_m = (noise + timing).sqrt();
            (sd_m <= settings.max_sd_m).then_some(JointState {
                position_m: s.position_m,
                velocity_m_s: s.velocity_m_s,
                acceleration_m_s2: s.acceleration_m_s2,
                sd_m: Some(sd_m),
            })
        })
        .collect();
    let known = finished.iter().any(Option::is_some);
    Ok((finished, known.then_some(quality)))
}

/// Median over the instants of the velocity's standard deviation over the position's: noise, and what of the motion
/// itself may be lost.
fn error_rate_per_s(states: &[Option<PathState>]) -> f64 {
    let mut rates: Vec<f64> = states
        .iter()
        .flatten()
        .map(|s| (s.velocity_covariance_m2_s2().trace() / s.position_covariance_m2().trace()).sqrt())
        .collect();
    rates.sort_by(f64::total_cmp);
    rates.get(rates.len() / 2).copied().unwrap_or_default()
}

/// First and last measurement of every stretch without a gap too long to bridge.
fn stretches(times_s: &[f64], measured: &[Option<Measured>], settings: &Settings) -> Vec<(usize, usize)> {
    let places: Vec<usize> = (0..measured.len()).filter(|i| measured[*i].is_some()).collect();
    places
        .chunk_by(|a, b| times_s[*b] - times_s[*a] <= settings.max_gap_s)
        .filter(|stretch| stretch.len() >= settings.least_samples)
        .filter_map(|stretch| Some((*stretch.first()?, *stretch.last()?)))
        .collect()
}

/// The smoother's weights for the median doubt and the median interval; `None` for fewer than two measurements.
fn typical_kernel(
    times_s: &[f64],
    measured: &[Option<Measured>],
    jerk_m2_s5: f64,
) -> Result<Option<Kernel>, FilterError> {
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let variance = median(
        measured
            .iter()
            .flatten()
            .map(|m| m.covariance_m2.trace() / 3.0)
            .collect(),
    );
    let step_s = median(times_s.windows(2).map(|w| w[1] - w[0]).collect());
    match (variance, step_s) {
        (Some(variance), Some(step_s)) => Kernel::new(step_s, variance.sqrt(), jerk_m2_s5).map(Some),
        _ => Ok(None),
    }
}

/// Correlation of the noise by lag: of the misses where there are any, else of the residuals of what was used.
fn colour_of(
    misses: &[Option<f64>],
    measured: &[Option<Measured>],
    states: &[Option<PathState>],
    used: &[bool],
) -> Vec<f64> {
    if misses.iter().any(Option::is_some) {
        return noise::correlation(&[misses.to_vec()]);
    }
    let residuals: Vec<Vec<Option<f64>>> = (0..3)
        .map(|axis| {
            measured
                .iter()
                .zip(states)
                .zip(used)
                .map(|((m, s), used)| {
                    let residual_m = m.as_ref()?.position_m[axis] - s.as_ref()?.position_m[axis];
                    used.then_some(residual_m)
                })
                .collect()
        })
        .collect();
    noise::correlation(&residuals)
}
