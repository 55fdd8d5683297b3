//! Values between samples: a local cubic through the nearest four, with gap limits.

use nalgebra::Vector2;

/// One sample of a joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::sync) struct Knot {
    /// Its instant, seconds.
    pub(in crate::sync) t: f64,
    /// Where the joint was, in pixels or normalised coordinates.
    pub(in crate::sync) at: Vector2<f64>,
    /// Standard deviation of each coordinate, same unit.
    pub(in crate::sync) sd: f64,
    /// Probability that it was seen.
    pub(in crate::sync) visible: f64,
}

/// The curve at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::sync) struct OnCurve {
    pub(in crate::sync) at: Vector2<f64>,
    /// Per second.
    pub(in crate::sync) velocity: Vector2<f64>,
    pub(in crate::sync) sd: f64,
    pub(in crate::sync) visible: f64,
    /// Time between the two neighbouring samples, seconds.
    pub(in crate::sync) gap_s: f64,
}

/// One joint over time.
#[derive(Clone, Debug, Default, PartialEq)]
pub(in crate::sync) struct Curve {
    knots: Vec<Knot>,
    max_gap_s: f64,
    /// Instants in the middle of two samples between which the joint jumped, rising.
    jumps: Vec<f64>,
}

impl Curve {
    /// A curve through samples; one whose instant does not advance is left out.
    pub(in crate::sync) fn new(samples: impl IntoIterator<Item = Knot>, max_gap_s: f64) -> Self {
        let mut knots: Vec<Knot> = Vec::new();
        for knot in samples {
            if knots.last().is_none_or(|last| knot.t > last.t) {
                knots.push(knot);
            }
        }
        Self {
            knots,
            max_gap_s,
            jumps: Vec::new(),
        }
    }

    pub(in crate::sync) fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// The curve with every sample moved to other coordinates; those without an image are left out.
    pub(in crate::sync) fn mapped(&self, f: impl Fn(&Knot) -> Option<Knot>) -> Self {
        Self::new(self.knots.iter().filter_map(f), self.max_gap_s)
    }

    /// The curve with its jumps noted: places where a sample leaves the straight line through its neighbours by more
    /// than `sds` deviations and than the acceleration `limit` (per second squared) explains. Velocity is not told near
    /// them.
    pub(in crate::sync) fn with_jumps_noted(mut self, sds: f64, limit: f64) -> Self {
        for w in self.knots.windows(3) {
            let share = (w[1].t - w[0].t) / (w[2].t - w[0].t);
            let off = (w[1].at - w[0].at.lerp(&w[2].at, share)).norm();
            // x(t) with constant acceleration leaves its chord by a (t - t0)(t2 - t) / 2.
            let bend = limit * (w[1].t - w[0].t) * (w[2].t - w[1].t) / 2.0;
            if off > sds * w[1].sd + bend {
                // Before or after the middle sample: where the longer way lies.
                let before = (w[1].at - w[0].at).norm() > (w[2].at - w[1].at).norm();
                let (a, b) = if before {
                    (w[0].t, w[1].t)
                } else {
                    (w[1].t, w[2].t)
                };
                self.jumps.push((a + b) / 2.0);
            }
        }
        self.jumps.sort_by(f64::total_cmp);
        self
    }

    fn jumps_within(&self, from: f64, to: f64) -> bool {
        let next = self.jumps.partition_point(|&jump| jump < from);
        self.jumps.get(next).is_some_and(|&jump| jump <= to)
    }

    /// Place and velocity at an instant; `None` outside the samples and in gaps longer than the limit.
    pub(in crate::sync) fn at(&self, t: f64) -> Option<OnCurve> {
        let k = self.knots.partition_point(|knot| knot.t <= t);
        // Exactly on the last sample counts as inside.
        let right = if k == self.knots.len() && self.knots.last()?.t == t {
            k - 1
        } else {
            k
        };
        let left = right.checked_sub(1)?;
        let (a, b) = (self.knots.get(left)?, self.knots.get(right)?);
        let gap_s = b.t - a.t;
        if gap_s > self.max_gap_s {
            return None;
        }
        let first = match left.checked_sub(1) {
            Some(before) if a.t - self.knots[before].t <= self.max_gap_s => before,
            _ => left,
        };
        let last = match self.knots.get(right + 1) {
            Some(after) if after.t - b.t <= self.max_gap_s => right + 1,
            _ => right,
        };
        let (at, velocity) = lagrange(&self.knots[first..=last], t);
        let share = (t - a.t) / gap_s;
        Some(OnCurve {
            at,
            velocity,
            // Neighbouring errors are nearly the same error: blending them does not average it away.
            sd: a.sd + (b.sd - a.sd) * share,
            visible: a.visible.min(b.visible),
            gap_s,
        })
    }

    /// Velocity of the straight line fitted to the samples within `half_s` of an instant, weighted down toward the
    /// ends; `None` with fewer than four samples, all on one side, or a jump among them.
    pub(in crate::sync) fn slope(&self, t: f64, half_s: f64) -> Option<Vector2<f64>> {
        let from = self.knots.partition_point(|knot| knot.t <= t - half_s);
        let to = self.knots.partition_point(|knot| knot.t < t + half_s);
        let near = self.knots.get(from..to)?;
        if self.jumps_within(t - half_s, t + half_s) {
            return None;
        }
        if near.len() < 4 || near[0].t > t || near[near.len() - 1].t < t {
            return None;
        }
        let weight = |knot: &Knot| (1.0 - ((knot.t - t) / half_s).powi(2)).max(0.0);
        let (mut w, mut wt, mut wx) = (0.0, 0.0, Vector2::zeros());
        for knot in near {
            w += weight(knot);
            wt += weight(knot) * (knot.t - t);
            wx += weight(knot) * knot.at;
        }
        let (mean_t, mean_x) = (wt / w, wx / w);
        let (mut tt, mut tx) = (0.0, Vector2::zeros());
        for knot in near {
            let dt = knot.t - t - mean_t;
            tt += weight(knot) * dt * dt;
            tx += weight(knot) * dt * (knot.at - mean_x);
        }
        (tt > 0.0).then(|| tx / tt)
    }
}

/// Polynomial through two to four samples at uneven times: value and derivative (Lagrange's form).
fn lagrange(knots: &[Knot], t: f64) -> (Vector2<f64>, Vector2<f64>) {
    let mut value = Vector2::zeros();
    let mut slope = Vector2::zeros();
    for (i, knot) in knots.iter().enumerate() {
        // Product over the other samples of (t - t_j) / (t_i - t_j), and its derivative, factor by factor.
        let (mut weight, mut rise) = (1.0, 0.0);
        for (j, other) in knots.iter().enumerate() {
            if j != i {
                let inverse = 1.0 / (knot.t - other.t);
                rise = (rise * (t - other.t) + weight) * inverse;
                weight *= (t - other.t) * inverse;
            }
        }
        value += knot.at * weight;
        slope += knot.at * rise;
    }
    (value, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cubic(t: f64) -> Vector2<f64> {
        Vector2::new(1.0 + t * (2.0 + t * (-30.0 + 400.0 * t)), 5.0 - 7.0 * t)
    }

    fn knots(times: &[f64]) -> Vec<Knot> {
        let knot = |&t: &f64| Knot {
            t,
            at: cubic(t),
            sd: 1.0,
            visible: 1.0,
        };
        times.iter().map(knot).collect()
    }

    #[test]
    fn a_cubic_is_met_exactly_between_uneven_samples() {
        let curve = Curve::new(knots(&[0.0, 0.011, 0.019, 0.03, 0.043]), 0.02);
        for i in 11..30 {
            let t = f64::from(i) / 1000.0;
            let on = curve.at(t).unwrap();
            assert!((on.at - cubic(t)).norm() < 1e-12);
            let slope = Vector2::new(2.0 - 60.0 * t + 1200.0 * t * t, -7.0);
            assert!((on.velocity - slope).norm() < 1e-9);
        }
    }

    #[test]
    fn gaps_and_ends_are_respected() {
        let curve = Curve::new(knots(&[0.0, 0.01, 0.02, 0.08, 0.09]), 0.02);
        assert!(curve.at(0.05).is_none() && curve.at(-0.001).is_none() && curve.at(0.0901).is_none());
        assert!(curve.at(0.0).is_some() && curve.at(0.09).is_some());
        // Beside a gap only the samples on this side serve.
        assert!((curve.at(0.085).unwrap().velocity.y + 7.0).abs() < 1e-9);
        assert!(Curve::default().at(0.0).is_none());
        assert!(Curve::new(knots(&[0.1]), 1.0).at(0.1).is_none());
    }

    #[test]
    fn a_jump_hides_the_velocity_around_it_and_fast_motion_does_not() {
        let place = |t: f64, jump: f64| if t > 0.1 { 2.0 * t * t + jump } else { 2.0 * t * t };
        let curve = |jump: f64| {
            let knot = |t: f64| Knot {
                t,
                at: Vector2::new(place(t, jump), 0.0),
                sd: 0.001,
                visible: 1.0,
            };
            Curve::new((0..60).map(|i| knot(f64::from(i) / 240.0)), 0.02).with_jumps_noted(8.0, 500.0)
        };
        assert!(curve(0.0).slope(0.1, 0.025).is_some());
        assert!(curve(0.05).slope(0.09, 0.025).is_none());
        assert!(curve(0.05).slope(0.06, 0.025).is_some());
    }

    #[test]
    fn the_slope_of_a_straight_line_is_its_slope() {
        let line = |t: f64| Knot {
            t,
            at: Vector2::new(3.0 * t, 1.0 - t),
            sd: 1.0,
            visible: 1.0,
        };
        let curve = Curve::new((0..40).map(|i| line(f64::from(i) / 240.0)), 0.02);
        let slope = curve.slope(0.0713, 0.025).unwrap();
        assert!((slope - Vector2::new(3.0, -1.0)).norm() < 1e-9);
        assert!(curve.slope(0.3, 0.025).is_none());
    }
}
