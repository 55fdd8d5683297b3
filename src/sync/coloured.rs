//! Weights against noise that is alike from frame to frame.
//!
//! A network's keypoint errors are not white: what it gets wrong in one frame it gets wrong in the next. They are
//! modelled as a share `a` of an Ornstein-Uhlenbeck process (correlation `exp(-lag / tau)`) plus a white rest. With
//! covariance `C = S + D` (S the process, D diagonal) the best linear estimator weighs residuals by `C^-1 j`, j the
//! sensitivities; S has a tridiagonal inverse, so `C^-1 j = D^-1 (j - x)` with `(S^-1 + D^-1) x = D^-1 j` costs one
//! tridiagonal solve (matrix inversion lemma).

/// The noise of one joint over time, as shares of its variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::sync) struct Colour {
    /// Share of the variance that is correlated, 0 to below 1.
    pub(in crate::sync) share: f64,
    /// Correlation time, seconds.
    pub(in crate::sync) tau_s: f64,
}

/// Lags at which the correlation is read, seconds: between two frames, and where white noise is long forgotten.
const NEAR_LAG_S: (f64, f64) = (0.0, 0.012);
const FAR_LAG_S: (f64, f64) = (0.04, 0.06);

impl Colour {
    /// Colour that reproduces the correlations of residual series `(instants, residuals)` of unit scale.
    pub(in crate::sync) fn of(series: &[(Vec<f64>, Vec<f64>)]) -> Self {
        let near = correlation(series, NEAR_LAG_S);
        let far = correlation(series, FAR_LAG_S);
        let (Some((near_lag, near)), Some((far_lag, far))) = (near, far) else {
            // Too short to tell: take the middle of what networks showed on rendered film.
            return Self {
                share: 0.9,
                tau_s: 0.06,
            };
        };
        if near < 0.05 {
            return Self {
                share: 0.0,
                tau_s: 0.02,
            };
        }
        let tau_s = if far > 0.02 && far < near {
            ((far_lag - near_lag) / (near / far).ln()).clamp(0.008, 0.5)
        } else if far >= near {
            0.5
        } else {
            0.012
        };
        Self {
            share: (near * (near_lag / tau_s).exp()).clamp(0.0, 0.98),
            tau_s,
        }
    }

    /// `C^-1 j` for samples at rising `instants` of variance `variance` each; `trust` (0 to 1) discounts outliers by
    /// raising their white variance.
    pub(in crate::sync) fn weights(
        &self,
        instants: &[f64],
        variance: f64,
        trust: &[f64],
        j: &[f64],
    ) -> Vec<f64> {
        let n = instants.len();
        // 1/d: inverse of the white variance. A whole-coloured model would be singular.
        let inv_d: Vec<f64> = trust
            .iter()
            .map(|&w| {
                let spread = variance * (1.0 / w.max(1e-6) - 1.0);
                1.0 / (variance * (1.0 - self.share).max(0.01) + spread)
            })
            .collect();
        if self.share <= 0.0 {
            return (0..n).map(|k| inv_d[k] * j[k]).collect();
        }
        let s = variance * self.share;
        let rho: Vec<f64> = instants
            .windows(2)
            .map(|w| (-(w[1] - w[0]) / self.tau_s).exp())
            .collect();
        let mut diagonal: Vec<f64> = inv_d.iter().map(|inverse| inverse + 1.0 / s).collect();
        let mut beside = vec![0.0; n.saturating_sub(1)];
        for (k, r) in rho.iter().enumerate() {
            let lost = (1.0 - r * r).max(1e-9);
            // Each link adds rho^2 / (1 - rho^2) to both of its ends.
            diagonal[k] += r * r / lost / s;
            diagonal[k + 1] += r * r / lost / s;
            beside[k] = -r / lost / s;
        }
        let right: Vec<f64> = (0..n).map(|k| inv_d[k] * j[k]).collect();
        let x = solve_tridiagonal(diagonal, &beside, right);
        (0..n).map(|k| inv_d[k] * (j[k] - x[k])).collect()
    }
}

/// Mean lag and mean correlation over pairs of one series whose lag lies within bounds; `None` with under 30 pairs.
fn correlation(series: &[(Vec<f64>, Vec<f64>)], (from, to): (f64, f64)) -> Option<(f64, f64)> {
    let (mut pairs, mut lags, mut products, mut squares) = (0_usize, 0.0, 0.0, 0.0);
    for (instants, residuals) in series {
        for i in 0..instants.len() {
            for k in i + 1..instants.len() {
                let lag = instants[k] - instants[i];
                if lag > to {
                    break;
                }
                if lag > from {
                    pairs += 1;
                    lags += lag;
                    products += residuals[i] * residuals[k];
                    squares += (residuals[i].powi(2) + residuals[k].powi(2)) / 2.0;
                }
            }
        }
    }
    (pairs >= 30 && squares > 0.0).then(|| (lags / pairs as f64, products / squares))
}

/// Symmetric, diagonally dominant tridiagonal system (Thomas's algorithm).
fn solve_tridiagonal(mut diagonal: Vec<f64>, beside: &[f64], mut right: Vec<f64>) -> Vec<f64> {
    for k in 1..diagonal.len() {
        let m = beside[k - 1] / diagonal[k - 1];
        diagonal[k] -= m * beside[k - 1];
        right[k] -= m * right[k - 1];
    }
    for k in (0..diagonal.len()).rev() {
        if k + 1 < diagonal.len() {
            right[k] -= beside[k] * right[k + 1];
        }
        right[k] /= diagonal[k];
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    #[test]
    fn the_weights_are_those_of_the_dense_inverse() {
        let instants = [0.0, 0.004, 0.009, 0.03, 0.034, 0.1];
        let j = [1.0, -2.0, 0.5, 3.0, 1.0, -1.0];
        let trust = [1.0, 1.0, 0.3, 1.0, 0.8, 1.0];
        let colour = Colour {
            share: 0.85,
            tau_s: 0.03,
        };
        let c = DMatrix::from_fn(6, 6, |a, b| {
            let lag: f64 = instants[a] - instants[b];
            let white = if a == b {
                0.15 + (1.0 / trust[a] - 1.0)
            } else {
                0.0
            };
            2.0 * (0.85 * (-lag.abs() / 0.03).exp() + white)
        });
        let dense = c.try_inverse().unwrap() * DVector::from_row_slice(&j);
        let ours = colour.weights(&instants, 2.0, &trust, &j);
        for k in 0..6 {
            assert!((ours[k] - dense[k]).abs() < 1e-9, "{ours:?} {dense}");
        }
    }
}
