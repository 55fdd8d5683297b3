//! Uniform cubic B-splines: positions, velocities, accelerations and jerk as sums over four knots.
//!
//! Source: de Boor, A Practical Guide to Splines; the uniform cubic case in closed form.

/// A grid of knots `step_s` apart; coefficient `k` has its peak at `origin_s + (k - 1) step_s`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grid {
    pub(crate) origin_s: f64,
    pub(crate) step_s: f64,
    /// How many coefficients.
    pub(crate) count: usize,
}

/// The four coefficients that matter at one instant, with their weights.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Basis {
    /// First of the four.
    pub(crate) first: usize,
    /// Of the position.
    pub(crate) position: [f64; 4],
    /// Of the velocity, 1/s.
    pub(crate) velocity: [f64; 4],
    /// Of the acceleration, 1/s2.
    pub(crate) acceleration: [f64; 4],
}

impl Grid {
    /// A grid that covers `[from_s, to_s]`.
    pub(crate) fn covering(from_s: f64, to_s: f64, step_s: f64) -> Self {
        let intervals = ((to_s - from_s) / step_s).ceil().max(1.0) as usize;
        Self {
            origin_s: from_s,
            step_s,
            count: intervals + 3,
        }
    }

    /// Basis at an instant; `None` outside the grid (a hair of rounding allowed).
    pub(crate) fn basis(&self, time_s: f64) -> Option<Basis> {
        let along = (time_s - self.origin_s) / self.step_s;
        let last = (self.count - 3) as f64;
        if !(-1e-9..=last + 1e-9).contains(&along) {
            return None;
        }
        let along = along.clamp(0.0, last);
        let first = (along.floor() as usize).min(self.count - 4);
        let u = along - first as f64;
        let v = 1.0 - u;
        let h = self.step_s;
        Some(Basis {
            first,
            position: [
                v * v * v / 6.0,
                (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
                (3.0 * v * v * v - 6.0 * v * v + 4.0) / 6.0,
                u * u * u / 6.0,
            ],
            velocity: [
                -v * v / (2.0 * h),
                (3.0 * u * u - 4.0 * u) / (2.0 * h),
                -(3.0 * v * v - 4.0 * v) / (2.0 * h),
                u * u / (2.0 * h),
            ],
            acceleration: [
                v / (h * h),
                (3.0 * u - 2.0) / (h * h),
                (3.0 * v - 2.0) / (h * h),
                u / (h * h),
            ],
        })
    }

    /// Weights of the jerk on any interval, 1/s3: it is constant there.
    pub(crate) fn jerk(&self) -> [f64; 4] {
        let c = self.step_s.powi(-3);
        [-c, 3.0 * c, -3.0 * c, c]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coefficients of the spline that equals a cubic polynomial (blossom at three neighbouring knots).
    fn blossom(k: usize, grid: &Grid) -> f64 {
        let t = |j: f64| grid.origin_s + j * grid.step_s;
        let (a, b, c) = (t(k as f64 - 2.0), t(k as f64 - 1.0), t(k as f64));
        // p(t) = 1 + 2 t - t2 + 4 t3
        1.0 + 2.0 * (a + b + c) / 3.0 - (a * b + b * c + c * a) / 3.0 + 4.0 * a * b * c
    }

    #[test]
    fn a_cubic_polynomial_is_exact_with_its_derivatives() {
        let grid = Grid::covering(0.3, 1.1, 0.05);
        let coefficients: Vec<_> = (0..grid.count).map(|k| blossom(k, &grid)).collect();
        for time in [0.3, 0.31, 0.55, 0.777, 1.1] {
            let basis = grid.basis(time).unwrap();
            let sum = |w: [f64; 4]| -> f64 { (0..4).map(|i| w[i] * coefficients[basis.first + i]).sum() };
            assert!(
                (sum(basis.position) - (1.0 + 2.0 * time - time * time + 4.0 * time.powi(3))).abs() < 1e-12
            );
            assert!((sum(basis.velocity) - (2.0 - 2.0 * time + 12.0 * time * time)).abs() < 1e-10);
            assert!((sum(basis.acceleration) - (-2.0 + 24.0 * time)).abs() < 1e-8);
            assert!((sum(grid.jerk()) - 24.0).abs() < 1e-6);
        }
        assert!(grid.basis(0.2).is_none() && grid.basis(1.2).is_none());
    }
}
