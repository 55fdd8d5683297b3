//! Jumps: stretches in which all measurements are off by the same gross amount, as when one limb is taken for another.
//!
//! The generalised likelihood ratio of Willsky & Jones (*IEEE Transactions on Automatic Control*, 1976): the filter is
//! linear, so an error of size b from instant s to e adds a known response times b to its innovations; least squares over
//! the innovations gives the most likely b and how much better it explains them (chi-square, 3 degrees of freedom).

use adskalman::{Error as FilterError, TransitionModelLinearNoControl};
use nalgebra::{Matrix3, SMatrix, Vector3};

use crate::smooth::motion_model::Interval;
use crate::smooth::outliers::OutlierLimits;
use crate::smooth::passes::{Forward, Measured, Update, forward, start};

/// How long after an error's end the filter still shows it, seconds.
const ECHO_S: f64 = 0.12;

/// A place where something might begin or end: a squared innovation beyond this.
const CANDIDATE_SURPRISE: f64 = 12.0;

/// At most this many such places are tried at once: the most surprising.
const MOST_CANDIDATES: usize = 40;

/// Median of chi-square with 3 degrees of freedom.
const CHI_SQUARE_3_MEDIAN: f64 = 2.366;

/// A stretch of gross error: `first..end`.
#[derive(Clone, Copy, Debug)]
pub(super) struct GrossError {
    /// First wrong instant.
    pub(super) first: usize,
    /// First right instant after it.
    pub(super) end: usize,
    /// How much better the innovations are explained with it.
    gain: f64,
}

/// The clearest gross errors of a path, apart from each other so that none explains another's echo.
pub(super) fn find(
    times_s: &[f64],
    measured: &[Option<Measured>],
    jerk_m2_s5: f64,
    limits: &OutlierLimits,
) -> Result<Vec<GrossError>, FilterError> {
    let passed = forward(times_s, measured, jerk_m2_s5, &start(times_s, measured))?;
    let places = candidates(times_s, measured, jerk_m2_s5, &passed)?;
    // When all stated doubts are too small everything surprises; the median tells, and the gate widens alike.
    let mut surprises: Vec<f64> = passed.updates.iter().flatten().map(Update::surprise).collect();
    surprises.sort_by(f64::total_cmp);
    let median = surprises.get(surprises.len() / 2).copied().unwrap_or(0.0);
    let gate = limits.gate * (median / CHI_SQUARE_3_MEDIAN).max(1.0);
    let reach_s = limits.longest_s + ECHO_S;
    let responses: Vec<Vec<Matrix3<f64>>> = places
        .iter()
        .map(|place| response(times_s, &passed, jerk_m2_s5, *place, reach_s))
        .collect();
    let mut found: Vec<GrossError> = Vec::new();
    for (i, &first) in places.iter().enumerate() {
        for (k, &end) in places.iter().enumerate().skip(i + 1) {
            if times_s[end - 1] - times_s[first] > limits.longest_s {
                break;
            }
            if let Some((gain, size_m)) = explained(&passed, first, end, &responses[i], &responses[k])
                && gain > gate
                && size_m > limits.least_jump_m
            {
                found.push(GrossError { first, end, gain });
            }
        }
    }
    found.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    let mut kept: Vec<GrossError> = Vec::new();
    for error in found {
        let apart = |other: &GrossError| {
            times_s[error.first] > times_s[other.end - 1] + reach_s
                || times_s[other.first] > times_s[error.end - 1] + reach_s
        };
        if kept.iter().all(apart) {
            kept.push(error);
        }
    }
    Ok(kept)
}

/// Instants at which an error may begin or end: those that surprise a filter running forward or backward, and the two
/// ends of the path (`len` stands for "never ends").
fn candidates(
    times_s: &[f64],
    measured: &[Option<Measured>],
    jerk_m2_s5: f64,
    passed: &Forward,
) -> Result<Vec<usize>, FilterError> {
    let count = times_s.len();
    let reversed_times: Vec<f64> = times_s.iter().rev().map(|t| -t).collect();
    let reversed: Vec<Option<Measured>> = measured.iter().rev().copied().collect();
    let backward = forward(
        &reversed_times,
        &reversed,
        jerk_m2_s5,
        &start(&reversed_times, &reversed),
    )?;
    let surprise = |update: &Option<Update>| update.as_ref().map_or(0.0, Update::surprise);
    let mut places: Vec<(f64, usize)> = (1..count)
        .map(|i| {
            // A filter that runs backward is surprised at the last instant before the jump.
            let before = surprise(&backward.updates[count - i]);
            (surprise(&passed.updates[i]).max(before), i)
        })
        .filter(|(s, _)| *s > CANDIDATE_SURPRISE)
        .collect();
    places.sort_by(|a, b| b.0.total_cmp(&a.0));
    places.truncate(MOST_CANDIDATES);
    let mut places: Vec<usize> = places.into_iter().map(|(_, i)| i).chain([0, count]).collect();
    places.sort_unstable();
    Ok(places)
}

/// What a unit error from `first` on adds to the innovations (column: its axis), from `first` as far as `reach_s`.
fn response(
    times_s: &[f64],
    passed: &Forward,
    jerk_m2_s5: f64,
    first: usize,
    reach_s: f64,
) -> Vec<Matrix3<f64>> {
    let mut state = SMatrix::<f64, 9, 3>::zeros();
    let mut answers = Vec::new();
    for i in first..times_s.len() {
        if times_s[i] - times_s[first] > reach_s {
            break;
        }
        if i > first {
            state = Interval::new(times_s[i] - times_s[i - 1], jerk_m2_s5).F() * state;
        }
        answers.push(match &passed.updates[i] {
            Some(update) => {
                let answer = Matrix3::identity() - state.fixed_view::<3, 3>(0, 0);
                state += update.gain * answer;
                answer
            }
            None => Matrix3::zeros(),
        });
    }
    answers
}

/// How much better the innovations are explained by the most likely error from `first` to `end`, and its size in metres.
fn explained(
    passed: &Forward,
    first: usize,
    end: usize,
    from_first: &[Matrix3<f64>],
    from_end: &[Matrix3<f64>],
) -> Option<(f64, f64)> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (i, begun) in from_first.iter().enumerate() {
        let Some(update) = &passed.updates[first + i] else {
            continue;
        };
        let ended = (first + i).checked_sub(end).and_then(|k| from_end.get(k));
        let answer = ended.map_or(*begun, |e| begun - e);
        let weighted = answer.transpose() * update.precision;
        normal += weighted * answer;
        right += weighted * update.innovation_m;
    }
    let size_m = normal.cholesky()?.solve(&right);
    Some((size_m.dot(&right), size_m.norm()))
}
