//! A Butterworth low-pass filter run forward and backward, as motion laboratories smooth positions.
//!
//! Second order each way: fourth order together, without delay. Each way's corner lies higher by `(sqrt 2 - 1)^(-1/4)` so
//! that the two together pass 71 % (-3 dB) at the stated cut-off (Winter, *Biomechanics and Motor Control of Human
//! Movement*, section on double passes). Ends are extended by point reflection, and each pass starts at rest on its
//! first value, as SciPy's `filtfilt` does.

use std::f64::consts::PI;

/// Values mirrored at each end: three times the filter's length.
const PADDING: usize = 9;

/// A second-order section.
struct Section {
    /// Weights of the input now, one and two samples before.
    b: [f64; 3],
    /// Weights of the output one and two samples before.
    a: [f64; 2],
}

impl Section {
    /// By the bilinear transform, with the corner's frequency bent to fall in its place.
    fn low_pass(rate_hz: f64, cutoff_hz: f64) -> Self {
        let corner = (PI * cutoff_hz / rate_hz).tan() * (2f64.sqrt() - 1.0).powf(-0.25);
        let square = corner * corner;
        let norm = 1.0 + 2f64.sqrt() * corner + square;
        let b0 = square / norm;
        Self {
            b: [b0, 2.0 * b0, b0],
            a: [
                2.0 * (square - 1.0) / norm,
                (1.0 - 2f64.sqrt() * corner + square) / norm,
            ],
        }
    }

    /// One pass, starting as if the first value had stood for ever.
    fn pass(&self, values: &mut [f64]) {
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        let first = values.first().copied().unwrap_or_default();
        // The steady state of the transposed direct form under a constant input.
        let mut z1 = (1.0 - b0) * first;
        let mut z2 = (b2 - a2) * first;
        for value in values {
            let input = *value;
            let output = b0 * input + z1;
            z1 = b1 * input - a1 * output + z2;
            z2 = b2 * input - a2 * output;
            *value = output;
        }
    }
}

/// Filters evenly spaced values forward and backward; `None` for fewer than ten values, or a cut-off at or above half
/// the rate.
#[must_use]
pub fn zero_phase(values: &[f64], rate_hz: f64, cutoff_hz: f64) -> Option<Vec<f64>> {
    if values.len() <= PADDING || !(cutoff_hz > 0.0 && cutoff_hz < 0.5 * rate_hz) {
        return None;
    }
    let (first, last) = (values[0], values[values.len() - 1]);
    let mut padded: Vec<f64> = Vec::with_capacity(values.len() + 2 * PADDING);
    padded.extend((1..=PADDING).rev().map(|i| 2.0 * first - values[i]));
    padded.extend(values);
    padded.extend((1..=PADDING).map(|i| 2.0 * last - values[values.len() - 1 - i]));
    let section = Section::low_pass(rate_hz, cutoff_hz);
    section.pass(&mut padded);
    padded.reverse();
    section.pass(&mut padded);
    padded.reverse();
    Some(padded[PADDING..PADDING + values.len()].to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SciPy's `filtfilt(*butter(2, corner, fs=rate), x)`; recipe in `fixtures/kinematics/butterworth.py`.
    #[test]
    fn it_filters_as_scipy_does() {
        let text = include_str!("../../fixtures/kinematics/butterworth.csv");
        let mut cases: Vec<(f64, f64, Vec<f64>, Vec<f64>)> = Vec::new();
        for line in text.lines().skip(1) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            if cases.last().is_none_or(|c| (c.0, c.1) != (v[0], v[1])) {
                cases.push((v[0], v[1], Vec::new(), Vec::new()));
            }
            let case = cases.last_mut().unwrap();
            case.2.push(v[2]);
            case.3.push(v[3]);
        }
        assert!(cases.len() >= 3);
        for (rate_hz, cutoff_hz, raw, expected) in cases {
            let ours = zero_phase(&raw, rate_hz, cutoff_hz).unwrap();
            for (a, b) in ours.iter().zip(&expected) {
                assert!((a - b).abs() < 1e-10, "{rate_hz} {cutoff_hz}: {a} {b}");
            }
        }
    }

    #[test]
    fn the_cut_off_is_where_71_percent_pass_and_nothing_is_delayed() {
        let (rate_hz, cutoff_hz) = (240.0, 12.0);
        let wave: Vec<f64> = (0..2400)
            .map(|i| (2.0 * PI * cutoff_hz * f64::from(i) / rate_hz).cos())
            .collect();
        let passed = zero_phase(&wave, rate_hz, cutoff_hz).unwrap();
        // A whole number of turns in the middle: what passes in step, and a quarter turn off.
        let (mut cosine, mut sine) = (0.0, 0.0);
        for (i, value) in passed.iter().enumerate().skip(600).take(1200) {
            let turn = 2.0 * PI * cutoff_hz * i as f64 / rate_hz;
            cosine += value * turn.cos() / 600.0;
            sine += value * turn.sin() / 600.0;
        }
        assert!((cosine - 0.5f64.sqrt()).abs() < 1e-6, "{cosine}");
        assert!(sine.abs() < 1e-6);
        assert!(zero_phase(&wave[..9], rate_hz, cutoff_hz).is_none());
        assert!(zero_phase(&wave, rate_hz, 120.0).is_none());
    }
}
