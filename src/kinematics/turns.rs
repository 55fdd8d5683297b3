//! Angles over time without jumps: unwrapped both ways from an anchor.

use super::angles::wrap_deg;

/// Unwraps a series in place: the value at `anchor` is brought into `[low_deg, low_deg + 360)`, then each next value
/// to within half a turn of the one before it, forward and backward. Unknown values are stepped over.
pub(super) fn unwrap_from(values_deg: &mut [Option<f64>], anchor: usize, low_deg: f64) {
    let Some(start) = nearest_known(values_deg, anchor) else {
        return;
    };
    let Some(first) = values_deg[start].map(|v| low_deg + (v - low_deg).rem_euclid(360.0)) else {
        return;
    };
    values_deg[start] = Some(first);
    let mut last = first;
    for value in values_deg[start + 1..].iter_mut().flatten() {
        last += wrap_deg(*value - last);
        *value = last;
    }
    last = first;
    for value in values_deg[..start].iter_mut().rev().flatten() {
        last += wrap_deg(*value - last);
        *value = last;
    }
}

/// Index of the known value nearest to `anchor`.
fn nearest_known(values: &[Option<f64>], anchor: usize) -> Option<usize> {
    (0..values.len())
        .filter(|&i| values[i].is_some())
        .min_by_key(|&i| i.abs_diff(anchor))
}

/// A grid of unwrapped angles, to tell which turn an angle between its points belongs to.
#[derive(Clone, Debug)]
pub(super) struct Turns {
    from_s: f64,
    step_s: f64,
    values_deg: Vec<Option<f64>>,
}

impl Turns {
    /// Samples an angle every `step_s` over the window and unwraps it from `anchor_s`.
    pub(super) fn new(
        window_s: (f64, f64),
        step_s: f64,
        anchor_s: f64,
        low_deg: f64,
        angle_deg: impl Fn(f64) -> Option<f64>,
    ) -> Self {
        let count = ((window_s.1 - window_s.0) / step_s).ceil().clamp(0.0, 1e5) as usize;
        let mut values_deg: Vec<Option<f64>> = (0..=count)
            .map(|i| angle_deg(window_s.0 + step_s * i as f64))
            .collect();
        let anchor = ((anchor_s - window_s.0) / step_s)
            .round()
            .clamp(0.0, count as f64) as usize;
        unwrap_from(&mut values_deg, anchor, low_deg);
        Self {
            from_s: window_s.0,
            step_s,
            values_deg,
        }
    }

    /// The angle, known but for whole turns, brought to within half a turn of the nearest known point of the grid.
    pub(super) fn place(&self, time_s: f64, angle_deg: f64) -> f64 {
        let last = self.values_deg.len().saturating_sub(1) as f64;
        let index = ((time_s - self.from_s) / self.step_s).round().clamp(0.0, last) as usize;
        let near = nearest_known(&self.values_deg, index).and_then(|i| self.values_deg[i]);
        near.map_or(angle_deg, |near| near + wrap_deg(angle_deg - near))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turning_angle_keeps_its_turns_both_ways_from_the_anchor() {
        let truth = |t: f64| 80.0 + 900.0 * (t - 0.5);
        let turns = Turns::new((0.0, 1.0), 0.01, 0.5, -90.0, |t| {
            (!(0.2..0.25).contains(&t)).then(|| wrap_deg(truth(t)))
        });
        for t in [0.0, 0.1, 0.22, 0.496, 0.77, 1.0] {
            assert!(
                (turns.place(t, wrap_deg(truth(t))) - truth(t)).abs() < 1e-9,
                "{t}"
            );
        }
    }

    #[test]
    fn the_anchor_decides_the_turn() {
        let mut values = vec![Some(-170.0), None, Some(-160.0)];
        unwrap_from(&mut values, 0, -90.0);
        assert_eq!(values, vec![Some(190.0), None, Some(200.0)]);
    }
}
