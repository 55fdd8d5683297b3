//! The coarse search: mean robust epipolar residual of the fastest joints over a grid of offsets.

use crate::sync::SyncError;
use crate::sync::curve::Knot;
use crate::sync::epipolar::Views;
use crate::sync::motion::{MIN_SPEED_SD_HZ, MotionSearch, median};

/// Step of the coarse grid, seconds: short against the motion, so that no minimum is missed.
pub(in crate::sync) const STEP_S: f64 = 0.004;
/// Observations used in the coarse scan; more say nothing new.
const SCANNED: usize = 1500;
/// Distance at which a second minimum counts as another one, seconds.
const APART_S: f64 = 0.02;
/// Least lead of the best minimum over the next, in log likelihood per independent observation's worth.
const MIN_LEAD: f64 = 6.0;
/// Median residual beyond which the rig does not belong to the views, pixels.
const MAX_RESIDUAL_PX: f64 = 20.0;
/// Tuning constant of Cauchy's weight: 95 % efficiency on Gaussian noise (Holland and Welsch 1977).
const CAUCHY: f64 = 2.385;
/// Most minima of the grid that are looked at closely.
const MOST_MINIMA: usize = 8;
/// Share of the most observations that a minimum must rest on.
const MIN_SHARE: f64 = 0.5;

/// How well an offset fits.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Trial {
    offset_s: f64,
    /// Mean over the observations that both views had.
    cost: f64,
    /// How many they were.
    met: usize,
}

/// The best offset, to half a millisecond; refuses when a distant one is about as good, when it lies at the edge, or
/// when the views do not fit the rig even there.
pub(in crate::sync) fn best_offset(views: &Views, search: &MotionSearch) -> Result<f64, SyncError> {
    let observations = fast_observations(views);
    let steps = (search.half_width_s / STEP_S).ceil() as i64;
    let grid: Vec<Trial> = (-steps..=steps)
        .map(|k| trial(views, &observations, search.centre_s + k as f64 * STEP_S))
        .collect();
    let most = grid.iter().map(|t| t.met).max().unwrap_or(0);
    if most < views.needed {
        return Err(SyncError::TooStill {
            samples: most,
            needed: views.needed,
        });
    }
    let minima = minima(views, &observations, &grid, (most as f64 * MIN_SHARE) as usize);
    let Some(best) = minima.first() else {
        return Err(SyncError::NoWitness);
    };
    if (best.offset_s - search.centre_s).abs() > search.half_width_s - STEP_S / 2.0 {
        return Err(at_the_edge(best.offset_s, search));
    }
    let misses = observations
        .iter()
        .filter_map(|(joint, knot)| views.residual(*joint, knot, best.offset_s));
    let residual_px = median(misses.map(|(_, px)| px.abs()));
    if residual_px > MAX_RESIDUAL_PX {
        return Err(SyncError::ViewsDisagree { residual_px });
    }
    let other = minima
        .iter()
        .find(|t| (t.offset_s - best.offset_s).abs() > APART_S);
    if let Some(other) = other {
        // Errors alike over some ten frames: a tenth of the observations count as independent. The scale of the
        // residual is free, so costs compare as ratios (log of the mean square).
        let independent = best.met as f64 / 10.0;
        let lead = independent * (other.cost.max(1e-12) / best.cost.max(1e-12)).ln();
        if lead < MIN_LEAD {
            return Err(SyncError::MotionAmbiguous {
                first_s: best.offset_s,
                second_s: other.offset_s,
            });
        }
    }
    Ok(best.offset_s)
}

/// The left view's fastest observations, at most [`SCANNED`].
fn fast_observations(views: &Views) -> Vec<(usize, Knot)> {
    let mut fast: Vec<(f64, usize, Knot)> = Vec::new();
    for joint in 0..views.joint_count() {
        for knot in views.left_knots(joint) {
            match views.left_speed(joint, knot) {
                Some(speed) if speed > MIN_SPEED_SD_HZ => fast.push((speed, joint, *knot)),
                _ => {}
            }
        }
    }
    fast.sort_by(|a, b| b.0.total_cmp(&a.0));
    fast.truncate(SCANNED);
    fast.into_iter().map(|(_, joint, knot)| (joint, knot)).collect()
}

fn trial(views: &Views, observations: &[(usize, Knot)], offset_s: f64) -> Trial {
    let (mut cost, mut met) = (0.0, 0_usize);
    for (joint, knot) in observations {
        if let Some((r, _)) = views.residual(*joint, knot, offset_s) {
            cost += (1.0 + (r / CAUCHY).powi(2)).ln();
            met += 1;
        }
    }
    Trial {
        offset_s,
        cost: cost / met.max(1) as f64,
        met,
    }
}

/// The grid's lowest minima that rest on enough observations, each refined to an eighth of a step, best first. A fast
/// hand crosses many deviations within a step: unrefined, two equal minima would look unequal.
fn minima(views: &Views, observations: &[(usize, Knot)], grid: &[Trial], enough: usize) -> Vec<Trial> {
    let cost = |k: Option<usize>| match k.and_then(|k| grid.get(k)) {
        Some(trial) if trial.met >= enough => trial.cost,
        _ => f64::INFINITY,
    };
    let mut found: Vec<Trial> = (0..grid.len())
        .filter(|&k| cost(Some(k)).is_finite())
        .filter(|&k| cost(Some(k)) <= cost(k.checked_sub(1)) && cost(Some(k)) <= cost(Some(k + 1)))
        .map(|k| grid[k])
        .collect();
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    found.truncate(MOST_MINIMA);
    for minimum in &mut found {
        let middle_s = minimum.offset_s;
        for k in -7..=7 {
            let near = trial(views, observations, middle_s + f64::from(k) * STEP_S / 8.0);
            if near.met >= enough && near.cost < minimum.cost {
                *minimum = near;
            }
        }
    }
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    found
}

pub(in crate::sync) fn at_the_edge(offset_s: f64, search: &MotionSearch) -> SyncError {
    SyncError::AtTheEdge {
        offset_s,
        from_s: search.centre_s - search.half_width_s,
        to_s: search.centre_s + search.half_width_s,
    }
}
