//! Curves over time built from smooth moves.
//!
//! A curve is a start value plus moves. Each move changes the value by a fixed amount between two instants, with a
//! bell-shaped speed proportional to `x^rise (1 - x)^fall`; with both exponents 3 or more, the sum is smooth to its third
//! derivative everywhere. That human movement is well described by overlapping bell-shaped submovements is common
//! knowledge of motor control (no source quoted). A symmetric move (3, 3) has its peak speed in the middle:
//! `35/16 x change / duration`.

use nalgebra::{DMatrix, DVector, Vector3};

/// Exponents of the bell: how late it rises and how slowly it falls.
pub(super) type Bell = (u32, u32);

/// The symmetric bell.
pub(super) const EVEN: Bell = (3, 3);

/// A bell that gathers speed slowly and stops sharply, as a landing foot does.
pub(super) const LATE: Bell = (9, 3);

/// One change of value.
#[derive(Clone, Debug, PartialEq)]
struct Move {
    from_s: f64,
    to_s: f64,
    change: f64,
    bell: Bell,
}

/// A value over time, smooth to the third derivative.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Curve {
    start: f64,
    moves: Vec<Move>,
}

impl Curve {
    /// Constant until moves are added.
    pub(super) fn from(start: f64) -> Self {
        Self {
            start,
            moves: Vec::new(),
        }
    }

    /// Adds a move from `from_s` to `to_s` after which, with all earlier moves done, the curve stands at `value`.
    pub(super) fn to(self, from_s: f64, to_s: f64, value: f64) -> Self {
        self.shaped(from_s, to_s, value, EVEN)
    }

    /// As [`Curve::to`] with a bell of its own.
    pub(super) fn shaped(mut self, from_s: f64, to_s: f64, value: f64, bell: Bell) -> Self {
        let change = value - self.end();
        self.moves.push(Move {
            from_s,
            to_s,
            change,
            bell,
        });
        self
    }

    /// The curve through `(time, value)` keys, in order of time, at rest before the first and after the last. Moves
    /// reach `overlap` (0 to 0.5) of the shorter interval into their neighbours', so that the value does not halt at
    /// inner keys; their sizes are solved so that every key is met exactly. The last move has the bell `last`.
    pub(super) fn through(keys: &[(f64, f64)], overlap: f64, last: Bell) -> Self {
        let Some(&(_, start)) = keys.first() else {
            return Self::from(0.0);
        };
        let n = keys.len() - 1;
        if n == 0 {
            return Self::from(start);
        }
        let length = |j: usize| keys[j + 1].0 - keys[j].0;
        let mut moves: Vec<Move> = (0..n)
            .map(|j| Move {
                from_s: if j == 0 {
                    keys[0].0
                } else {
                    keys[j].0 - overlap * length(j).min(length(j - 1))
                },
                to_s: if j + 1 == n {
                    keys[n].0
                } else {
                    keys[j + 1].0 + overlap * length(j).min(length(j + 1))
                },
                change: 1.0,
                bell: if j + 1 == n { last } else { EVEN },
            })
            .collect();
        let share = DMatrix::from_fn(n, n, |i, j| moves[j].at(keys[i + 1].0));
        let wanted = DVector::from_fn(n, |i, _| keys[i + 1].1 - start);
        let changes = share.lu().solve(&wanted).unwrap_or(wanted);
        for (a_move, change) in moves.iter_mut().zip(changes.iter()) {
            a_move.change = *change;
        }
        Self { start, moves }
    }

    /// Value at an instant.
    pub(super) fn at(&self, t_s: f64) -> f64 {
        self.start + self.moves.iter().map(|m| m.at(t_s)).sum::<f64>()
    }

    /// Value when all moves are done.
    fn end(&self) -> f64 {
        self.start + self.moves.iter().map(|m| m.change).sum::<f64>()
    }
}

impl Move {
    fn at(&self, t_s: f64) -> f64 {
        self.change * step((t_s - self.from_s) / (self.to_s - self.from_s), self.bell)
    }
}

/// The integral of the bell, 0 to 1: the regularised incomplete beta function of whole exponents.
fn step(x: f64, (rise, fall): Bell) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let n = rise + fall + 1;
    let mut choose = 1.0;
    let mut sum = 0.0;
    // Terms C(n, j) x^j (1 - x)^(n - j) from j = n down to rise + 1.
    for j in ((rise + 1)..=n).rev() {
        sum += choose * x.powi(j as i32) * (1.0 - x).powi((n - j) as i32);
        choose *= f64::from(j) / f64::from(n - j + 1);
    }
    sum
}

/// A point's path.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Path {
    /// One curve per axis, metres.
    pub(super) axes: [Curve; 3],
}

impl Path {
    /// Through `(time, point)` keys; see [`Curve::through`]. The last move's bells are given per axis.
    pub(super) fn through(keys: &[(f64, Vector3<f64>)], overlap: f64, last: [Bell; 3]) -> Self {
        let axis = |i: usize| {
            let keys: Vec<(f64, f64)> = keys.iter().map(|(t, p)| (*t, p[i])).collect();
            Curve::through(&keys, overlap, last[i])
        };
        Self {
            axes: [axis(0), axis(1), axis(2)],
        }
    }

    /// A point that does not move.
    pub(super) fn fixed(point: Vector3<f64>) -> Self {
        Self {
            axes: [Curve::from(point.x), Curve::from(point.y), Curve::from(point.z)],
        }
    }

    /// Position at an instant, metres.
    pub(super) fn at(&self, t_s: f64) -> Vector3<f64> {
        Vector3::new(self.axes[0].at(t_s), self.axes[1].at(t_s), self.axes[2].at(t_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_symmetric_step_is_the_septic_smoothstep() {
        // Second route: the polynomial written out, -20 x^7 + 70 x^6 - 84 x^5 + 35 x^4.
        for i in 0..=20 {
            let x = f64::from(i) / 20.0;
            let septic = 35.0 * x.powi(4) - 84.0 * x.powi(5) + 70.0 * x.powi(6) - 20.0 * x.powi(7);
            assert!((step(x, EVEN) - septic).abs() < 1e-14);
        }
    }

    #[test]
    fn the_late_steps_slope_is_its_bell() {
        // Second route: the beta density, C x^9 (1 - x)^3 with C = 13! / (9! 3!).
        let scale = 13.0 * 12.0 * 11.0 * 10.0 / 6.0;
        for i in 1..20 {
            let x = f64::from(i) / 20.0;
            let slope = (step(x + 1e-5, LATE) - step(x - 1e-5, LATE)) / 2e-5;
            assert!((slope - scale * x.powi(9) * (1.0 - x).powi(3)).abs() < 1e-6);
        }
    }

    #[test]
    fn a_curve_through_keys_meets_them_and_rests_outside() {
        let keys = [(0.0, 1.0), (0.5, 3.0), (0.7, 2.0), (1.5, 4.0)];
        let curve = Curve::through(&keys, 0.4, LATE);
        for (t, v) in keys {
            assert!((curve.at(t) - v).abs() < 1e-12);
        }
        assert!((curve.at(-1.0) - 1.0).abs() < 1e-15);
        assert!((curve.at(9.0) - 4.0).abs() < 1e-12);
    }
}
