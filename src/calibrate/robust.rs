//! A bundle fitted so that a few wrong corners do no harm, with its covariance in real units.

use nalgebra::{DMatrix, Matrix6};

use crate::calibrate::bundle::Bundle;
use crate::calibrate::corners::median;
use crate::calibrate::least_squares::{Solution, minimise};

/// Corners farther than this many robust standard deviations are wrong and left out.
const OUTLIER_SDS: f64 = 6.0;
/// Distance, in standard deviations, from which a corner's pull grows no more (Huber) until the wrong ones are known.
const HUBER_SDS: f64 = 1.5;
const HUBER_ROUNDS: usize = 6;
/// Median of the length of a 2D vector whose coordinates have unit variance (Rayleigh): sqrt(2 ln 2).
const RAYLEIGH_MEDIAN: f64 = 1.177_410_022_515_474_7;
/// Residuals under this are arithmetic, pixels.
const FLOOR_PX: f64 = 1e-6;

/// A fitted bundle.
pub(super) struct Fit {
    pub(super) bundle: Bundle,
    /// Standard deviation of one coordinate of a corner, pixels.
    pub(super) sigma_px: f64,
    /// Covariance of the free shared unknowns; `None` when the views do not determine them.
    pub(super) shared: Option<DMatrix<f64>>,
    /// Covariance of each view's turn and translation.
    pub(super) poses: Vec<Option<Matrix6<f64>>>,
    /// Root mean square distance of the corners used, pixels, all and by phone.
    pub(super) rms_px: f64,
    pub(super) phone_rms_px: [f64; 2],
    /// Share of corners left out as wrong.
    pub(super) rejected_share: f64,
}

impl Fit {
    /// Standard deviation of the shared unknown at a place; 0 when it is not free, `None` when it is not determined.
    pub(super) fn sd(&self, place: usize) -> Option<f64> {
        if !self.bundle.free[place] {
            return Some(0.0);
        }
        let index = self.bundle.free_places().iter().position(|&p| p == place)?;
        let variance = self.shared.as_ref()?[(index, index)];
        (variance >= 0.0).then(|| variance.sqrt())
    }
}

/// Robust standard deviation of one coordinate.
fn spread_px(bundle: &Bundle) -> f64 {
    let mut distances = Vec::new();
    bundle.for_each_distance(|_, _, _, d| distances.push(d));
    (median(distances.into_iter()) / RAYLEIGH_MEDIAN).max(FLOOR_PX)
}

/// Sets every corner's weight from its distance.
fn reweigh(bundle: &mut Bundle, weight: impl Fn(f64) -> f64) -> usize {
    let mut weights = Vec::new();
    let before = bundle.clone();
    before.for_each_distance(|_, _, _, d| weights.push(weight(d)));
    let mut changed = 0;
    let mut next = weights.into_iter();
    for view in 0..before.views.len() {
        for phone in 0..2 {
            for k in 0..before.views[view].seen[phone].len() {
                let old = &before.views[view].seen[phone][k];
                // A corner behind its camera has no distance and no say.
                let new = match before.residual(&before.views[view], phone, old) {
                    Some(_) => next.next().unwrap_or(0.0),
                    None => 0.0,
                };
                changed += usize::from((old.weight > 0.0) != (new > 0.0));
                bundle.views[view].seen[phone][k].weight = new;
            }
        }
    }
    changed
}

/// Fits; `None` when the start is not valid.
pub(super) fn fit(start: Bundle) -> Option<Fit> {
    let mut solution = minimise(start)?;
    let mut sigma = spread_px(&solution.problem);
    let mut worst = 0.0_f64;
    solution
        .problem
        .for_each_distance(|_, _, _, d| worst = worst.max(d));
    if worst > OUTLIER_SDS * sigma {
        for _ in 0..HUBER_ROUNDS {
            let knee = HUBER_SDS * sigma;
            reweigh(&mut solution.problem, |d| if d <= knee { 1.0 } else { knee / d });
            solution = minimise(solution.problem)?;
            sigma = spread_px(&solution.problem);
        }
        for _ in 0..HUBER_ROUNDS {
            let changed = reweigh(&mut solution.problem, |d| {
                f64::from(u8::from(d <= OUTLIER_SDS * sigma))
            });
            solution = minimise(solution.problem)?;
            sigma = spread_px(&solution.problem);
            if changed == 0 {
                break;
            }
        }
    }
    Some(summarised(solution))
}

fn summarised(solution: Solution<Bundle>) -> Fit {
    let bundle = solution.problem;
    let (mut sums, mut counts, mut all) = ([0.0_f64; 2], [0.0_f64; 2], 0.0);
    bundle.for_each_distance(|phone, _, seen, d| {
        all += 1.0;
        if seen.weight > 0.0 {
            sums[phone] += d * d;
            counts[phone] += 1.0;
        }
    });
    let used = counts[0] + counts[1];
    let rms = |sum: f64, count: f64| if count > 0.0 { (sum / count).sqrt() } else { 0.0 };
    let variance = (solution.cost / bundle.freedom().max(1.0)).max(FLOOR_PX * FLOOR_PX);
    Fit {
        sigma_px: variance.sqrt(),
        shared: solution.shared_covariance.map(|c| c * variance),
        poses: solution
            .own_covariances
            .into_iter()
            .map(|c| c.map(|c| c * variance))
            .collect(),
        rms_px: rms(sums[0] + sums[1], used),
        phone_rms_px: [rms(sums[0], counts[0]), rms(sums[1], counts[1])],
        rejected_share: 1.0 - used / f64::max(all, 1.0),
        bundle,
    }
}
