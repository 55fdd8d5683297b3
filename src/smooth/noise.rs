//! The colour of the noise: how much the filter's covariance understates the doubt.
//!
//! Networks err alike in neighbouring pictures, so averaging over n pictures gains less than the square root of n, which
//! is what the filter assumes. The smoother is linear: its weights w are found by smoothing a unit impulse, the
//! correlation r of the noise is measured, and the true variance is `sum w_j w_k r(|j - k|)` where the filter believes
//! `sum w_j^2`. The correlation is taken from the miss of the two lines of sight, which motion does not enter; where there
//! is none (imported joints), from the smoother's residuals, which show only the part that was not followed.

use adskalman::Error as FilterError;
use nalgebra::{Matrix3, Vector3};

use crate::smooth::passes::{Measured, smooth_path, start};

/// Half width of the impulse response, samples; 0.33 s at 240 Hz.
const HALF_WIDTH: usize = 80;

/// Correlations are estimated from at least this many pairs.
const LEAST_PAIRS: usize = 30;

/// Median of a squared standard normal variable.
const CHI_SQUARE_1_MEDIAN: f64 = 0.4549;

/// Misses beyond this many standard deviations are gross errors, not noise.
const GROSS_SIGMAS: f64 = 5.0;

/// The smoother's weights around one instant, at even spacing.
pub(super) struct Kernel {
    weights: Vec<f64>,
    step_s: f64,
}

impl Kernel {
    /// Weights at spacing `step_s` for measurements of standard deviation `sd_m`.
    pub(super) fn new(step_s: f64, sd_m: f64, jerk_m2_s5: f64) -> Result<Self, FilterError> {
        let count = 2 * HALF_WIDTH + 1;
        let times_s: Vec<f64> = (0..count).map(|i| i as f64 * step_s).collect();
        let impulse: Vec<Option<Measured>> = (0..count)
            .map(|i| {
                let height = if i == HALF_WIDTH { 1.0 } else { 0.0 };
                Some(Measured {
                    position_m: Vector3::new(height, 0.0, 0.0),
                    covariance_m2: Matrix3::identity() * sd_m.powi(2),
                })
            })
            .collect();
        let mut first = start(&times_s, &impulse);
        first.position_m.fill(0.0);
        first.velocity_m_s.fill(0.0);
        first.acceleration_m_s2.fill(0.0);
        let answer = smooth_path(&times_s, &impulse, jerk_m2_s5, &first)?;
        Ok(Self {
            weights: answer.iter().map(|s| s.position_m.x).collect(),
            step_s,
        })
    }

    /// Variance under noise of this correlation (index: lag in samples) over the variance under white noise, at least 1.
    pub(super) fn inflation(&self, correlation: &[f64]) -> f64 {
        let at_lag = |lag: usize| {
            self.weights
                .iter()
                .zip(self.weights.iter().skip(lag))
                .map(|(a, b)| a * b)
                .sum::<f64>()
        };
        let white = at_lag(0);
        let coloured = white
            + correlation
                .iter()
                .enumerate()
                .skip(1)
                .map(|(lag, r)| 2.0 * r * at_lag(lag))
                .sum::<f64>();
        (coloured / white).max(1.0)
    }

    /// Frequency above which the smoother passes less than 71 % (-3 dB) of a motion; `None` when it passes everything
    /// that the spacing can carry.
    pub(super) fn bandwidth_hz(&self) -> Option<f64> {
        let passed = |frequency_hz: f64| {
            let turn = std::f64::consts::TAU * frequency_hz * self.step_s;
            self.weights
                .iter()
                .enumerate()
                .map(|(i, w)| w * (turn * (i as f64 - HALF_WIDTH as f64)).cos())
                .sum::<f64>()
        };
        let limit = std::f64::consts::FRAC_1_SQRT_2;
        let nyquist_hz = 0.5 / self.step_s;
        let count = 500;
        let grid = |i: usize| nyquist_hz * i as f64 / f64::from(count);
        (1..=count as usize).find(|i| passed(grid(*i)) < limit).map(|i| {
            let (above, below) = (passed(grid(i - 1)), passed(grid(i)));
            grid(i - 1) + (grid(i) - grid(i - 1)) * (above - limit) / (above - below)
        })
    }
}

/// Correlation by lag of series that are zero on average, 1 at lag 0; `None` stands for a missing value. It ends where
/// it is first lost in its own doubt, so that noise is not added up.
pub(super) fn correlation(series: &[Vec<Option<f64>>]) -> Vec<f64> {
    let mean_product = |lag: usize| {
        let products: Vec<f64> = series
            .iter()
            .flat_map(|s| s.iter().zip(s.iter().skip(lag)))
            .filter_map(|(a, b)| Some((*a)? * (*b)?))
            .collect();
        (products.len() >= LEAST_PAIRS).then(|| {
            (
                products.iter().sum::<f64>() / products.len() as f64,
                products.len(),
            )
        })
    };
    let Some((square, _)) = mean_product(0).filter(|(s, _)| *s > 0.0) else {
        return vec![1.0];
    };
    let mut by_lag = vec![1.0];
    for lag in 1..2 * HALF_WIDTH {
        match mean_product(lag) {
            Some((product, pairs)) if product / square > 2.0 / (pairs as f64).sqrt() => {
                by_lag.push(product / square);
            }
            _ => break,
        }
    }
    by_lag
}

/// Misses without their gross errors.
pub(super) fn without_gross(misses: &[Option<f64>]) -> Vec<Option<f64>> {
    misses
        .iter()
        .map(|m| m.filter(|m| m.abs() < GROSS_SIGMAS))
        .collect()
}

/// By how much the stated doubts are too small, judged by misses that should be standard normal: a factor on the
/// standard deviation, at least 1.
pub(super) fn understated(misses: &[Option<f64>]) -> f64 {
    let mut squares: Vec<f64> = misses.iter().flatten().map(|m| m * m).collect();
    if squares.len() < LEAST_PAIRS {
        return 1.0;
    }
    squares.sort_by(f64::total_cmp);
    (squares[squares.len() / 2] / CHI_SQUARE_1_MEDIAN).sqrt().max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_add_up_to_one_and_pass_slow_motion() {
        let kernel = Kernel::new(1.0 / 240.0, 0.005, 1e6).unwrap();
        assert!((kernel.weights.iter().sum::<f64>() - 1.0).abs() < 1e-3);
    }

    #[test]
    fn the_bandwidth_is_that_of_the_optimal_smoother() {
        // White jerk of density q under measurements of density R = sd^2 dt: the smoother passes 1 / (1 + w^6 R / q).
        let (step_s, sd_m, q) = (1.0 / 240.0, 0.005_f64, 1e5_f64);
        let expected_hz =
            ((2f64.sqrt() - 1.0) * q / (sd_m * sd_m * step_s)).powf(1.0 / 6.0) / std::f64::consts::TAU;
        let found_hz = Kernel::new(step_s, sd_m, q).unwrap().bandwidth_hz().unwrap();
        assert!(
            (found_hz / expected_hz - 1.0).abs() < 0.02,
            "{found_hz} {expected_hz}"
        );
    }

    #[test]
    fn white_noise_is_not_inflated_and_constant_noise_fully() {
        let kernel = Kernel::new(1.0 / 240.0, 0.005, 1e5).unwrap();
        assert!((kernel.inflation(&[1.0]) - 1.0).abs() < 1e-12);
        let white: f64 = kernel.weights.iter().map(|w| w * w).sum();
        let constant = kernel.inflation(&vec![1.0; 2 * HALF_WIDTH + 1]);
        assert!(
            (constant * white - 1.0).abs() < 1e-3,
            "nothing is averaged away: {constant}"
        );
    }

    #[test]
    fn the_correlation_of_a_known_process_is_found() {
        // First-order process with correlation 0.9^lag.
        let mut x = 0.0;
        let mut seed = 1_u64;
        let series: Vec<Option<f64>> = (0..20_000)
            .map(|_| {
                // Sum of four uniform numbers: near enough to a normal one.
                let step: f64 = (0..4)
                    .map(|_| {
                        seed = seed
                            .wrapping_mul(6_364_136_223_846_793_005)
                            .wrapping_add(1_442_695_040_888_963_407);
                        (seed >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
                    })
                    .sum();
                x = 0.9 * x + step;
                Some(x)
            })
            .collect();
        let found = correlation(&[series]);
        assert!(
            (found[1] - 0.9).abs() < 0.02 && (found[10] - 0.9_f64.powi(10)).abs() < 0.05,
            "{found:?}"
        );
    }
}
