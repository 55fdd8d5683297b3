//! Peaks, level crossings and weighted times of a quantity that can be read at any instant.
//!
//! A quantity is sampled every millisecond through the trajectory's own interpolation; a parabola through the largest
//! sample and its neighbours, or bisection, then takes the instant below the sampling step.

use super::reason::{Caution, Missing};

/// Sampling step, seconds.
pub(super) const STEP_S: f64 = 0.001;

/// Largest share of a window that may be unknown before a peak in it means nothing.
const MOST_UNKNOWN: f64 = 0.2;

/// A second peak counts when the quantity falls between the two by this share of the first.
const DIP_BETWEEN_PEAKS: f64 = 0.02;

/// A quantity over a window.
pub(super) struct Samples {
    from_s: f64,
    step_s: f64,
    values: Vec<Option<f64>>,
    first_gap: Option<Missing>,
}

/// The largest value in a window.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Peak {
    /// When, seconds.
    pub(super) time_s: f64,
    /// How large.
    pub(super) value: f64,
    /// It lies at an end of the window, or beside a gap.
    pub(super) at_edge: bool,
    /// Why its window is not fully known, if so.
    pub(super) gaps: Option<Caution>,
    /// The second largest separate peak: time and value.
    pub(super) second: Option<(f64, f64)>,
}

impl Peak {
    /// A reason to doubt when and how large the peak is, where the end of a window is no natural end.
    pub(super) fn caution(&self) -> Option<Caution> {
        self.gaps.clone().or_else(|| {
            self.at_edge
                .then_some(Caution::PeakAtEdge { time_s: self.time_s })
        })
    }
}

/// Samples a quantity evenly from `from_s` to `to_s`, both included, about every [`STEP_S`].
pub(super) fn sample(
    from_s: f64,
    to_s: f64,
    quantity: impl Fn(f64) -> Result<f64, Missing>,
) -> Result<Samples, Missing> {
    // Written so that a window that is not a number is empty too; no delivery lasts a minute.
    if !(from_s < to_s && to_s - from_s < 60.0) {
        return Err(Missing::EmptyWindow { from_s, to_s });
    }
    let intervals = ((to_s - from_s) / STEP_S).ceil().max(2.0);
    let step_s = (to_s - from_s) / intervals;
    let mut first_gap = None;
    let values: Vec<Option<f64>> = (0..=intervals as usize)
        .map(|i| {
            quantity((from_s + step_s * i as f64).min(to_s))
                .map_err(|why| first_gap.get_or_insert(why).clone())
                .ok()
        })
        .collect();
    Ok(Samples {
        from_s,
        step_s,
        values,
        first_gap,
    })
}

impl Samples {
    fn time_s(&self, index: usize) -> f64 {
        self.from_s + self.step_s * index as f64
    }

    /// The largest value and when, refined by a parabola through its neighbours.
    ///
    /// # Errors
    /// More than a fifth of the window is unknown.
    pub(super) fn highest(self) -> Result<Peak, Missing> {
        if self.unknown_share() > MOST_UNKNOWN {
            return Err(self.first_gap.clone().unwrap_or(self.empty()));
        }
        self.highest_of_known()
    }

    fn unknown_share(&self) -> f64 {
        self.values.iter().filter(|v| v.is_none()).count() as f64 / self.values.len() as f64
    }

    fn empty(&self) -> Missing {
        Missing::EmptyWindow {
            from_s: self.from_s,
            to_s: self.time_s(self.values.len() - 1),
        }
    }

    /// As [`Self::highest`], however little of the window is known.
    pub(super) fn highest_of_known(self) -> Result<Peak, Missing> {
        let unknown_share = self.unknown_share();
        let (top, _) = self
            .values
            .iter()
            .enumerate()
            .filter_map(|(i, v)| v.map(|v| (i, v)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .ok_or_else(|| self.first_gap.clone().unwrap_or(self.empty()))?;
        let (time_s, value) = self.vertex(top);
        Ok(Peak {
            time_s,
            value,
            at_edge: self.neighbours(top).is_none(),
            second: self.second_peak(top),
            gaps: self.first_gap.map(|why| Caution::Gaps {
                missing_pct: 100.0 * unknown_share,
                why: Box::new(why),
            }),
        })
    }

    /// The parabola's vertex over three samples; the sample itself where a neighbour is missing.
    fn vertex(&self, top: usize) -> (f64, f64) {
        let here = self.values[top].unwrap_or_default();
        match self.neighbours(top) {
            Some((before, after)) if before - 2.0 * here + after < 0.0 => {
                let bend = before - 2.0 * here + after;
                let shift = 0.5 * (before - after) / bend;
                (
                    self.time_s(top) + shift * self.step_s,
                    here - 0.25 * (before - after) * shift,
                )
            }
            _ => (self.time_s(top), here),
        }
    }

    /// The values before and after a sample; `None` at an end or beside a gap.
    fn neighbours(&self, index: usize) -> Option<(f64, f64)> {
        let at = |i: usize| self.values.get(i).copied().flatten();
        index.checked_sub(1).and_then(at).zip(at(index + 1))
    }

    /// The largest other local maximum that a dip parts from the top.
    fn second_peak(&self, top: usize) -> Option<(f64, f64)> {
        let highest = self.values[top]?;
        let known: Vec<(usize, f64)> = self
            .values
            .iter()
            .enumerate()
            .filter_map(|(i, v)| v.map(|v| (i, v)))
            .collect();
        let start = known.iter().position(|k| k.0 == top)?;
        let locally_highest = |i: usize, value: f64| {
            self.neighbours(i)
                .is_some_and(|(before, after)| before <= value && after <= value)
        };
        let rival = |walk: &mut dyn Iterator<Item = &(usize, f64)>| {
            let (mut lowest, mut best) = (highest, None::<(usize, f64)>);
            for &(i, value) in walk {
                lowest = lowest.min(value);
                let parted = value.min(highest) - lowest >= DIP_BETWEEN_PEAKS * highest;
                if parted && best.is_none_or(|b| value > b.1) && locally_highest(i, value) {
                    best = Some((i, value));
                }
            }
            best
        };
        let before = rival(&mut known[..start].iter().rev());
        let after = rival(&mut known[start + 1..].iter());
        before
            .into_iter()
            .chain(after)
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(i, value)| (self.time_s(i), value))
    }

    /// The bracket in which the quantity last rises to `level` or above (walking back from the end, the last sample
    /// below `level` and the one after it); `None` when no sample lies below.
    pub(super) fn last_below(&self, level: f64) -> Option<(f64, f64)> {
        self.last_where(|v| v < level)
    }

    /// The bracket after which the quantity stays below `level`: the last sample at or above it and the one after it.
    pub(super) fn last_at_or_above(&self, level: f64) -> Option<(f64, f64)> {
        self.last_where(|v| v >= level)
    }

    /// The last sample for which a test holds, and the sample after it (the same, at the end).
    fn last_where(&self, test: impl Fn(f64) -> bool) -> Option<(f64, f64)> {
        let last = self.values.iter().rposition(|v| v.is_some_and(&test))?;
        let next = (last + 1).min(self.values.len() - 1);
        Some((self.time_s(last), self.time_s(next)))
    }

    /// The bracket in which the quantity first comes to `level` or above.
    pub(super) fn first_at_or_above(&self, level: f64) -> Option<(f64, f64)> {
        let first = self.values.iter().position(|v| v.is_some_and(|v| v >= level))?;
        Some((self.time_s(first.saturating_sub(1)), self.time_s(first)))
    }
}

/// The instant inside a bracket at which the quantity equals `level`, by bisection to well under a microsecond.
pub(super) fn crossing(
    bracket_s: (f64, f64),
    level: f64,
    quantity: impl Fn(f64) -> Result<f64, Missing>,
) -> Result<f64, Missing> {
    let (mut low, mut high) = bracket_s;
    let starts_below = quantity(low)? < level;
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if (quantity(middle)? < level) == starts_below {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(0.5 * (low + high))
}

/// Mean time, weighted by the quantity, of the stretch around a peak in which it exceeds half of the peak.
pub(super) fn weighted_time_s(
    peak: &Peak,
    span_s: (f64, f64),
    quantity: impl Fn(f64) -> Result<f64, Missing>,
) -> Result<f64, Missing> {
    let half = 0.5 * peak.value;
    let end = |direction: f64| -> Result<f64, Missing> {
        let mut inside = peak.time_s;
        loop {
            let next = inside + direction * STEP_S;
            if next < span_s.0 || next > span_s.1 {
                return Ok(inside);
            }
            if quantity(next)? < half {
                return crossing((inside, next), half, &quantity);
            }
            inside = next;
        }
    };
    let (from_s, to_s) = (end(-1.0)?, end(1.0)?);
    if from_s >= to_s {
        return Ok(peak.time_s);
    }
    // Simpson's rule.
    let intervals = 2 * ((to_s - from_s) / (2.0 * STEP_S)).ceil().max(1.0) as usize;
    let step_s = (to_s - from_s) / intervals as f64;
    let (mut weight, mut moment) = (0.0, 0.0);
    for i in 0..=intervals {
        let time_s = from_s + step_s * i as f64;
        let factor = match i {
            0 => 1.0,
            i if i == intervals => 1.0,
            i if i % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let value = quantity(time_s.clamp(span_s.0, span_s.1))? * factor;
        weight += value;
        moment += value * (time_s - peak.time_s);
    }
    Ok(peak.time_s + moment / weight)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peak_between_samples_is_found() {
        let peak = sample(0.1, 0.6, |t| Ok((7.0 * (t - 0.321_4)).cos()))
            .unwrap()
            .highest()
            .unwrap();
        assert!((peak.time_s - 0.321_4).abs() < 1e-7 && (peak.value - 1.0).abs() < 1e-9);
        assert!(!peak.at_edge && peak.second.is_none());
    }

    #[test]
    fn two_humps_are_two_peaks_and_a_shoulder_is_none() {
        let hump = |t: f64, at: f64| (-0.5 * ((t - at) / 0.05).powi(2)).exp();
        let two = sample(0.0, 1.0, |t| Ok(hump(t, 0.3) + 0.9 * hump(t, 0.7))).unwrap();
        let (time_s, value) = two.highest().unwrap().second.unwrap();
        assert!((time_s - 0.7).abs() < 1e-3 && (value - 0.9).abs() < 1e-3);
        let one = sample(0.0, 1.0, |t| Ok(hump(t, 0.5))).unwrap();
        assert_eq!(one.highest().unwrap().second, None);
        // A rise to the end of the window is no peak.
        let rise = sample(0.0, 1.0, |t| Ok(hump(t, 0.3) + 0.9 * hump(t, 1.1))).unwrap();
        assert_eq!(rise.highest().unwrap().second, None);
    }

    #[test]
    fn the_weighted_time_of_a_symmetric_hump_is_its_middle_and_of_a_triangle_its_centroid() {
        let hump = |t: f64| Ok((-0.5 * ((t - 0.4) / 0.05).powi(2)).exp());
        let peak = sample(0.0, 1.0, hump).unwrap().highest().unwrap();
        assert!((weighted_time_s(&peak, (0.0, 1.0), hump).unwrap() - 0.4).abs() < 1e-6);
        // Up from 0 at 0 s to 1 at 0.5 s, down to 0 at 0.75 s: above half from 0.25 s to 0.625 s, mean time 4/9 s.
        let triangle = |t: f64| Ok((2.0 * t).min(1.0 - 4.0 * (t - 0.5)).max(0.0));
        let peak = sample(0.0, 1.0, triangle).unwrap().highest().unwrap();
        assert!((weighted_time_s(&peak, (0.0, 1.0), triangle).unwrap() - 4.0 / 9.0).abs() < 1e-3);
    }

    #[test]
    fn a_window_with_too_many_gaps_says_what_is_missing() {
        let gap = Missing::World;
        let result = sample(0.0, 1.0, |t| if t < 0.3 { Err(gap.clone()) } else { Ok(t) });
        assert_eq!(result.unwrap().highest(), Err(gap));
        assert!(sample(1.0, 0.5, Ok).is_err());
        assert!(sample(f64::NAN, 0.5, Ok).is_err());
    }
}
