//! Levenberg-Marquardt for bundle problems: some shared unknowns and many small blocks of six that meet only through them.
//!
//! The blocks are eliminated (Schur complement), so that the cost grows with the number of views, not its cube.

use nalgebra::{DMatrix, DVector, Matrix6, OMatrix, Vector6};
use rayon::prelude::*;

/// Six columns.
pub(super) type Columns6 = OMatrix<f64, nalgebra::Dyn, nalgebra::U6>;

const MAX_ITERATIONS: usize = 100;
/// Blocks from which on all cores are used.
const MIN_PARALLEL: usize = 8;

/// One block's residuals, already weighted, and their derivatives.
pub(super) struct Linearised {
    pub(super) residual: DVector<f64>,
    pub(super) by_shared: DMatrix<f64>,
    pub(super) by_own: Columns6,
}

/// A least squares problem at its present estimate.
pub(super) trait BlockProblem: Sized + Sync {
    /// How many shared unknowns.
    fn shared_len(&self) -> usize;
    /// How many blocks.
    fn block_count(&self) -> usize;
    /// Residuals and derivatives of one block.
    fn linearised(&self, block: usize) -> Linearised;
    /// Sum of squared weighted residuals, prior included; `None` where the model is not defined (a point behind a camera).
    fn cost(&self) -> Option<f64>;
    /// What is known of the shared unknowns beforehand: information matrix and the deviation (prior minus estimate).
    fn prior(&self) -> Option<(DMatrix<f64>, DVector<f64>)>;
    /// The estimate moved by a step.
    fn moved(&self, shared: &DVector<f64>, own: &[Vector6<f64>]) -> Self;
}

/// The minimum found.
pub(super) struct Solution<P> {
    pub(super) problem: P,
    /// Sum of squared weighted residuals.
    pub(super) cost: f64,
    /// Covariance of the shared unknowns for residuals of unit variance; `None` when the data do not determine them.
    pub(super) shared_covariance: Option<DMatrix<f64>>,
    /// The same of each block's own unknowns.
    pub(super) own_covariances: Vec<Option<Matrix6<f64>>>,
}

struct Normal {
    shared: DMatrix<f64>,
    shared_gradient: DVector<f64>,
    own: Vec<Matrix6<f64>>,
    own_gradient: Vec<Vector6<f64>>,
    /// Rows: shared; columns: own.
    cross: Vec<Columns6>,
}

fn normal_equations<P: BlockProblem>(problem: &P) -> Normal {
    let n = problem.shared_len();
    let mut normal = Normal {
        shared: DMatrix::zeros(n, n),
        shared_gradient: DVector::zeros(n),
        own: Vec::new(),
        own_gradient: Vec::new(),
        cross: Vec::new(),
    };
    let part = |block: usize| {
        let l = problem.linearised(block);
        (
            l.by_shared.tr_mul(&l.by_shared),
            l.by_shared.tr_mul(&l.residual),
            l.by_own.tr_mul(&l.by_own),
            l.by_own.tr_mul(&l.residual),
            l.by_shared.tr_mul(&l.by_own),
        )
    };
    let count = problem.block_count();
    // Each block alone is work enough for a core only when there are several; the sums keep their order.
    let parts: Vec<_> = if count >= MIN_PARALLEL {
        (0..count).into_par_iter().with_min_len(4).map(part).collect()
    } else {
        (0..count).map(part).collect()
    };
    for (shared, shared_gradient, own, own_gradient, cross) in parts {
        normal.shared += shared;
        normal.shared_gradient += shared_gradient;
        normal.own.push(own);
        normal.own_gradient.push(own_gradient);
        normal.cross.push(cross);
    }
    if let Some((information, deviation)) = problem.prior() {
        normal.shared_gradient += &information * deviation;
        normal.shared += information;
    }
    normal
}

impl Normal {
    /// The step for a damping, `None` when the equations are singular.
    fn step(&self, damping: f64) -> Option<(DVector<f64>, Vec<Vector6<f64>>)> {
        let mut reduced = self.shared.clone();
        for i in 0..reduced.nrows() {
            reduced[(i, i)] += damping * reduced[(i, i)].max(1e-12);
        }
        let mut gradient = self.shared_gradient.clone();
        let mut factors = Vec::with_capacity(self.own.len());
        for ((own, own_gradient), cross) in self.own.iter().zip(&self.own_gradient).zip(&self.cross) {
            let mut damped = *own;
            for i in 0..6 {
                damped[(i, i)] += damping * damped[(i, i)].max(1e-12);
            }
            let factor = damped.cholesky()?;
            reduced -= cross * factor.solve(&cross.transpose());
            gradient -= cross * factor.solve(own_gradient);
            factors.push(factor);
        }
        let shared = solve_scaled(&reduced, &gradient)?;
        let own = factors
            .iter()
            .zip(&self.own_gradient)
            .zip(&self.cross)
            .map(|((factor, own_gradient), cross)| {
                let pulled: Vector6<f64> = own_gradient - cross.tr_mul(&shared);
                factor.solve(&pulled)
            })
            .collect();
        Some((shared, own))
    }

    fn covariances(&self) -> (Option<DMatrix<f64>>, Vec<Option<Matrix6<f64>>>) {
        let mut reduced = self.shared.clone();
        let inverses: Vec<Option<Matrix6<f64>>> = self.own.iter().map(|own| own.try_inverse()).collect();
        for (inverse, cross) in inverses.iter().zip(&self.cross) {
            if let Some(inverse) = inverse {
                reduced -= cross * (inverse * cross.transpose());
            }
        }
        let shared = inverse_scaled(&reduced);
        let own = inverses
            .iter()
            .zip(&self.cross)
            .map(|(inverse, cross)| {
                let (inverse, shared) = ((*inverse)?, shared.as_ref()?);
                let pull = inverse * cross.transpose();
                let carried: Matrix6<f64> = &pull * shared * pull.transpose();
                Some(inverse + carried)
            })
            .collect();
        (shared, own)
    }
}

/// Scales to a unit diagonal first: focal lengths and distortion differ by many powers of ten.
fn scales(matrix: &DMatrix<f64>) -> DVector<f64> {
    DVector::from_iterator(
        matrix.nrows(),
        matrix.diagonal().iter().map(|d| 1.0 / d.max(1e-30).sqrt()),
    )
}

fn scaled(matrix: &DMatrix<f64>, s: &DVector<f64>) -> DMatrix<f64> {
    DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |i, j| {
        matrix[(i, j)] * s[i] * s[j]
    })
}

fn solve_scaled(matrix: &DMatrix<f64>, right: &DVector<f64>) -> Option<DVector<f64>> {
    let s = scales(matrix);
    let solved = scaled(matrix, &s).cholesky()?.solve(&right.component_mul(&s));
    Some(solved.component_mul(&s))
}

fn inverse_scaled(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let s = scales(matrix);
    let inverse = scaled(matrix, &s).cholesky()?.inverse();
    Some(scaled(&inverse, &s))
}

/// Minimises from the problem's present estimate; `None` when that is not a valid start.
pub(super) fn minimise<P: BlockProblem>(start: P) -> Option<Solution<P>> {
    let mut cost = start.cost()?;
    let mut problem = start;
    let mut damping = 1e-3;
    'outer: for _ in 0..MAX_ITERATIONS {
        let normal = normal_equations(&problem);
        loop {
            if let Some((shared, own)) = normal.step(damping) {
                let next = problem.moved(&shared, &own);
                if let Some(next_cost) = next.cost()
                    && next_cost <= cost
                {
                    let gain = cost - next_cost;
                    (problem, cost) = (next, next_cost);
                    damping = (damping * 0.1).max(1e-12);
                    if gain <= 1e-13 * cost || cost < 1e-22 {
                        break 'outer;
                    }
                    break;
                }
            }
            damping *= 10.0;
            if damping > 1e10 {
                break 'outer;
            }
        }
    }
    let (shared_covariance, own_covariances) = normal_equations(&problem).covariances();
    Some(Solution {
        problem,
        cost,
        shared_covariance,
        own_covariances,
    })
}
