//! The normal equations: 3 x 3 blocks between joints at neighbouring knots, and their sparse Cholesky factor.

use std::collections::BTreeSet;

use faer::linalg::solvers::Solve;
use faer::sparse::linalg::solvers::{Llt, SymbolicLlt};
use faer::sparse::{SparseColMat, SymbolicSparseColMat};
use faer::{Mat, Side};
use nalgebra::{Matrix3, Vector3};

use crate::reconstruct::PER_KNOT;
use crate::skeleton::{JOINT_COUNT, Joint};

/// Knots that meet in one term: a cubic spline's four.
const REACH: usize = 4;

/// A block's place within a column of blocks: how many knots further down, and which joint.
type Row = (usize, usize);

/// The lower triangle of `J^T W J`, and `J^T W r`, summed up term by term.
pub(crate) struct Normal {
    knots: usize,
    /// For each joint as a column, the blocks below (and on) the diagonal, sorted.
    rows: Vec<Vec<Row>>,
    /// `place[d][a][b]`: index of block (knot k + d, joint a) x (knot k, joint b) among the blocks of knot k.
    place: Vec<Option<usize>>,
    per_knot: usize,
    blocks: Vec<Matrix3<f64>>,
    /// The gradient, three per joint and knot.
    pub(crate) gradient: Vec<f64>,
    pattern: SymbolicSparseColMat<usize>,
    symbolic: Option<SymbolicLlt<usize>>,
}

/// A solved factor.
pub(crate) struct Factor(Llt<usize, f64>);

impl Factor {
    /// Solves for any number of right-hand sides.
    pub(crate) fn solve(&self, right: &Mat<f64>) -> Mat<f64> {
        self.0.solve(right)
    }
}

fn place_index(d: usize, a: usize, b: usize) -> usize {
    (d * JOINT_COUNT + a) * JOINT_COUNT + b
}

impl Normal {
    /// Empty equations over `knots` knots in which the given pairs of joints meet (and each joint itself).
    pub(crate) fn new(knots: usize, pairs: &[(Joint, Joint)]) -> Self {
        let mut meets: Vec<BTreeSet<usize>> = (0..JOINT_COUNT).map(|j| BTreeSet::from([j])).collect();
        for (a, b) in pairs {
            meets[a.index()].insert(b.index());
            meets[b.index()].insert(a.index());
        }
        let mut place = vec![None; REACH * JOINT_COUNT * JOINT_COUNT];
        let mut rows = Vec::new();
        let mut per_knot = 0;
        for (b, others) in meets.iter().enumerate() {
            let mut column = Vec::new();
            for d in 0..REACH {
                for &a in others.iter().filter(|a| d > 0 || **a >= b) {
                    column.push((d, a));
                    place[place_index(d, a, b)] = Some(per_knot);
                    per_knot += 1;
                }
            }
            rows.push(column);
        }
        let pattern = pattern(knots, &rows);
        Self {
            knots,
            rows,
            place,
            per_knot,
            blocks: vec![Matrix3::zeros(); knots * per_knot],
            gradient: vec![0.0; knots * PER_KNOT],
            pattern,
            symbolic: None,
        }
    }

    /// Forgets all terms.
    pub(crate) fn clear(&mut self) {
        self.blocks.fill(Matrix3::zeros());
        self.gradient.fill(0.0);
    }

    /// Adds `block` at (knot `ka`, joint `a`) x (knot `kb`, joint `b`); the mirrored place is the same number. Call it
    /// once for each unordered pair of places, and once for a place with itself.
    pub(crate) fn add(&mut self, (ka, a): (usize, Joint), (kb, b): (usize, Joint), block: &Matrix3<f64>) {
        let lower = (ka, a.index()) >= (kb, b.index());
        let ((kr, r), (kc, c)) = if lower {
            ((ka, a.index()), (kb, b.index()))
        } else {
            ((kb, b.index()), (ka, a.index()))
        };
        if let Some(at) = self.place.get(place_index(kr - kc, r, c)).copied().flatten() {
            let slot = &mut self.blocks[kc * self.per_knot + at];
            if lower {
                *slot += block;
            } else {
                *slot += block.transpose();
            }
        }
    }

    /// Adds to the gradient of one joint at one knot.
    pub(crate) fn add_gradient(&mut self, (knot, joint): (usize, Joint), g: &Vector3<f64>) {
        let at = knot * PER_KNOT + 3 * joint.index();
        for axis in 0..3 {
            self.gradient[at + axis] += g[axis];
        }
    }

    /// Factorises; `None` when the equations are not positive definite.
    pub(crate) fn factor(&mut self) -> Option<Factor> {
        let mut values = Vec::with_capacity(self.pattern.row_idx().len());
        for knot in 0..self.knots {
            let mut first = 0;
            for (b, column) in self.rows.iter().enumerate() {
                for y in 0..3 {
                    for (i, &(d, a)) in column.iter().enumerate() {
                        if knot + d >= self.knots {
                            continue;
                        }
                        let block = &self.blocks[knot * self.per_knot + first + i];
                        let from = if d == 0 && a == b { y } else { 0 };
                        values.extend((from..3).map(|x| block[(x, y)]));
                    }
                }
                first += column.len();
            }
        }
        let matrix = SparseColMat::new(self.pattern.clone(), values);
        if self.symbolic.is_none() {
            self.symbolic = SymbolicLlt::try_new(self.pattern.as_ref(), Side::Lower).ok();
        }
        let symbolic = self.symbolic.clone()?;
        Llt::try_new_with_symbolic(symbolic, matrix.as_ref(), Side::Lower)
            .ok()
            .map(Factor)
    }
}

/// The sparsity pattern of the lower triangle, in compressed columns.
fn pattern(knots: usize, rows: &[Vec<Row>]) -> SymbolicSparseColMat<usize> {
    let size = knots * PER_KNOT;
    let mut starts = vec![0];
    let mut indices = Vec::new();
    for knot in 0..knots {
        for (b, column) in rows.iter().enumerate() {
            for y in 0..3 {
                for &(d, a) in column {
                    if knot + d < knots {
                        let base = (knot + d) * PER_KNOT + 3 * a;
                        let from = if d == 0 && a == b { y } else { 0 };
                        indices.extend((from..3).map(|x| base + x));
                    }
                }
                starts.push(indices.len());
            }
        }
    }
    SymbolicSparseColMat::new_checked(size, size, starts, None, indices)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sparse_solution_is_the_dense_one() {
        let pairs = [(Joint::Nose, Joint::HeadTop), (Joint::HeadTop, Joint::Neck)];
        let knots = 6;
        let mut normal = Normal::new(knots, &pairs);
        let size = knots * PER_KNOT;
        let mut dense = nalgebra::DMatrix::<f64>::identity(size, size) * 4.0;
        for k in 0..knots {
            for joint in Joint::ALL {
                normal.add((k, joint), (k, joint), &(Matrix3::identity() * 4.0));
            }
        }
        let mut put = |p: (usize, Joint), q: (usize, Joint), m: Matrix3<f64>| {
            normal.add(p, q, &m);
            let (r, c) = (p.0 * PER_KNOT + 3 * p.1.index(), q.0 * PER_KNOT + 3 * q.1.index());
            for x in 0..3 {
                for y in 0..3 {
                    dense[(r + x, c + y)] += m[(x, y)];
                    dense[(c + y, r + x)] += m[(x, y)];
                }
            }
        };
        let m = Matrix3::new(0.3, 0.1, -0.2, 0.0, 0.4, 0.1, 0.2, -0.1, 0.3);
        put((1, Joint::Nose), (0, Joint::HeadTop), m);
        put((2, Joint::HeadTop), (5, Joint::Neck), m * 0.5);
        put((3, Joint::Neck), (3, Joint::HeadTop), m * 0.7);
        put((4, Joint::LeftKnee), (2, Joint::LeftKnee), m * 0.2);
        let right = Mat::from_fn(size, 2, |i, j| ((i * 7 + j) % 11) as f64);
        let got = normal.factor().unwrap().solve(&right);
        let want = dense
            .cholesky()
            .unwrap()
            .solve(&nalgebra::DMatrix::from_fn(size, 2, |i, j| right[(i, j)]));
        for i in 0..size {
            for j in 0..2 {
                assert!((got[(i, j)] - want[(i, j)]).abs() < 1e-10, "{i} {j}");
            }
        }
    }
}
