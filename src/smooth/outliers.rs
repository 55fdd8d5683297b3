//! Robustness: gross errors are left out, large residuals lose weight.
//!
//! A limb taken for another one in one view is 100-300 mm off for up to 90 ms. Such stretches are found as jumps, the
//! clearest first, and left out; the smoother bridges them with the doubt that this brings. What remains is weighted
//! after Huber (*Robust Statistics*, 1981).

use adskalman::Error as FilterError;

use crate::smooth::jumps;
use crate::smooth::motion_model::PathState;
use crate::smooth::passes::{Measured, smooth_path, start};

/// Limits of the treatment of gross errors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutlierLimits {
    /// How much better a gross error has to explain the measurements, in variances; 50 comes by chance once in 1e10
    /// (chi-square, 3 degrees of freedom), and some 1000 pairs of instants are tried.
    pub gate: f64,
    /// Smaller errors are never called gross, metres.
    pub least_jump_m: f64,
    /// Longest gross error that is looked for, seconds.
    pub longest_s: f64,
    /// Residuals beyond this many standard deviations lose weight.
    pub huber: f64,
}

impl Default for OutlierLimits {
    fn default() -> Self {
        Self {
            gate: 50.0,
            least_jump_m: 0.04,
            longest_s: 0.15,
            huber: 3.0,
        }
    }
}

/// Rounds of the search at most.
const MAX_ROUNDS: usize = 12;

/// Passes of reweighting.
const HUBER_PASSES: usize = 2;

/// A smoothed path and the measurements that it rests on.
pub(super) struct RobustPath {
    /// State at every instant.
    pub(super) states: Vec<PathState>,
    /// Whether each instant's measurement was used.
    pub(super) used: Vec<bool>,
}

/// Smooths a path without its gross errors.
pub(super) fn smooth_robustly(
    times_s: &[f64],
    measured: &[Option<Measured>],
    jerk_m2_s5: f64,
    limits: &OutlierLimits,
) -> Result<RobustPath, FilterError> {
    let mut kept = measured.to_vec();
    for _ in 0..MAX_ROUNDS {
        let errors = jumps::find(times_s, &kept, jerk_m2_s5, limits)?;
        if errors.is_empty() {
            break;
        }
        for error in errors {
            kept[error.first..error.end].fill(None);
        }
    }
    let first = start(times_s, &kept);
    let mut states = smooth_path(times_s, &kept, jerk_m2_s5, &first)?;
    for _ in 0..HUBER_PASSES {
        let mut weighted = kept.clone();
        let mut changed = false;
        for (m, state) in weighted.iter_mut().zip(&states) {
            let Some(m) = m else { continue };
            if let Some(sigmas) = sigmas(m, state).filter(|s| *s > limits.huber) {
                m.covariance_m2 *= sigmas / limits.huber;
                changed = true;
            }
        }
        if !changed {
            break;
        }
        states = smooth_path(times_s, &weighted, jerk_m2_s5, &first)?;
    }
    let used = kept.iter().map(Option::is_some).collect();
    Ok(RobustPath { states, used })
}

/// Length of a residual in the measurement's standard deviations.
fn sigmas(measured: &Measured, state: &PathState) -> Option<f64> {
    let residual = measured.position_m - state.position_m;
    Some(
        residual
            .dot(&measured.covariance_m2.cholesky()?.solve(&residual))
            .sqrt(),
    )
}
