//! Offset from the motion of the joints: the one at which both views fit the rig.
//!
//! Coarse: the mean robust epipolar residual of fast joints over a grid of offsets. Fine: the root of the weighted sum
//! of residuals, `sum q r(offset) = 0`. The weights q come from the *smoothed* velocity, so that the noise of the
//! interpolated point cannot pull the offset toward half a frame (where interpolation averages most noise away, and a
//! plain least-squares fit is therefore cheapest), and they allow for noise that is alike from frame to frame.

use crate::geometry::{Shutter, StereoRig};
use crate::sync::coloured::Colour;
use crate::sync::curve::Knot;
use crate::sync::epipolar::{Fit, Views};
use crate::sync::{ClockOffset, ClockSource, SyncError};
use crate::track::PoseTrack;
use crate::units::Seconds;

/// Step of the coarse grid, seconds: short against the motion, so that no minimum is missed.
const STEP_S: f64 = 0.004;
/// Observations used in the coarse scan; more say nothing new.
const SCANNED: usize = 3000;
/// Fewest fast observations for an answer.
const NEEDED: usize = 60;
/// Speed below which an observation is noise and not motion, standard deviations per second. Smoothed over 50 ms, a
/// still joint's own error moves it at about 25.
const MIN_SPEED_SD_HZ: f64 = 100.0;
/// Tuning constant of Cauchy's weight: 95 % efficiency on Gaussian noise (Holland and Welsch 1977).
const CAUCHY: f64 = 2.385;
/// Distance at which a second minimum counts as another one, seconds.
const APART_S: f64 = 0.02;
/// Least lead of the best minimum over the next, in log likelihood per independent observation's worth.
const MIN_LEAD: f64 = 6.0;
/// Median residual beyond which the rig does not belong to the views, pixels.
const MAX_RESIDUAL_PX: f64 = 20.0;
/// Smallest noise scale believed, of the stated one: perfect input stays solvable.
const MIN_SCALE: f64 = 0.02;

/// Two views of one athlete and what is known of the phones.
#[derive(Clone, Copy, Debug)]
pub struct MotionViews<'a> {
    /// The left phone's track.
    pub left: &'a PoseTrack,
    /// The right phone's track.
    pub right: &'a PoseTrack,
    /// The calibrated pair.
    pub rig: &'a StereoRig,
    /// The left phone's shutter.
    pub left_shutter: &'a Shutter,
    /// The right phone's shutter.
    pub right_shutter: &'a Shutter,
}

/// Where to search, and how exact the answer must be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionSearch {
    /// Middle of the search, seconds.
    pub centre_s: f64,
    /// Half its width, seconds.
    pub half_width_s: f64,
    /// Largest standard deviation that is still an answer, seconds.
    pub max_sd_s: f64,
}

impl Default for MotionSearch {
    /// Half a second about zero; one 240 Hz frame of doubt at most.
    fn default() -> Self {
        Self {
            centre_s: 0.0,
            half_width_s: 0.5,
            max_sd_s: 1.0 / 240.0,
        }
    }
}

impl MotionSearch {
    /// Three standard deviations about a first offset, at least 20 ms.
    #[must_use]
    pub fn about(prior: &ClockOffset) -> Self {
        Self {
            centre_s: prior.offset_s,
            half_width_s: (3.0 * prior.sd_s).max(0.02),
            ..Self::default()
        }
    }
}

/// An offset found from motion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionOffset {
    /// The offset, at the instant where the motion fixes it best.
    pub clock: ClockOffset,
    /// Fast observations that decided.
    pub samples: usize,
    /// Median epipolar residual of them, pixels.
    pub residual_px: f64,
    /// Residual over the doubt that the tracks state: 1 when they are honest.
    pub residual_scale: f64,
    /// Share of the residual's variance that lasts over frames.
    pub colour_share: f64,
    /// How long it lasts, seconds.
    pub colour_tau_s: f64,
}

/// Finds the offset at which the joints' two views fit the rig at common instants.
///
/// # Errors
/// When the motion is too slow, too short or repeats itself, when the answer is too uncertain or at the search's edge,
/// or when the views do not fit the rig at any offset.
pub fn offset_from_motion(views: &MotionViews, search: &MotionSearch) -> Result<MotionOffset, SyncError> {
    let both = Views::new(views);
    let scanned = fast_observations(&both);
    if scanned.len() < NEEDED {
        return Err(SyncError::TooStill {
            samples: scanned.len(),
            needed: NEEDED,
        });
    }
    let start_s = scan(&both, &scanned, search)?;
    let fine = Fine::solve(&both, start_s)?;
    let reach_s = search.half_width_s + STEP_S;
    if (fine.offset_s - search.centre_s).abs() > reach_s {
        return Err(at_the_edge(fine.offset_s, search));
    }
    if fine.residual_px > MAX_RESIDUAL_PX {
        return Err(SyncError::ViewsDisagree {
            residual_px: fine.residual_px,
        });
    }
    let sd_s = fine.sd_s(views);
    if sd_s > search.max_sd_s {
        return Err(SyncError::Unconstrained {
            sd_s,
            bound_s: search.max_sd_s,
        });
    }
    Ok(MotionOffset {
        clock: ClockOffset {
            offset_s: fine.offset_s,
            sd_s,
            at: Seconds(fine.at_s),
            drift: None,
            source: ClockSource::Motion,
        },
        samples: fine.samples,
        residual_px: fine.residual_px,
        residual_scale: fine.scale,
        colour_share: fine.colour.share,
        colour_tau_s: fine.colour.tau_s,
    })
}

fn at_the_edge(offset_s: f64, search: &MotionSearch) -> SyncError {
    SyncError::AtTheEdge {
        offset_s,
        from_s: search.centre_s - search.half_width_s,
        to_s: search.centre_s + search.half_width_s,
    }
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

/// The best offset of the grid; refuses when a distant one is about as good.
fn scan(views: &Views, observations: &[(usize, Knot)], search: &MotionSearch) -> Result<f64, SyncError> {
    let steps = (search.half_width_s / STEP_S).ceil() as i64;
    // Cost and number of observations that both views had.
    let costs: Vec<(f64, f64, usize)> = (-steps..=steps)
        .map(|k| {
            let offset_s = search.centre_s + k as f64 * STEP_S;
            let (mut cost, mut met) = (0.0, 0);
            for (joint, knot) in observations {
                if let Some(r) = views.residual(*joint, knot, offset_s) {
                    cost += (1.0 + (r / CAUCHY).powi(2)).ln();
                    met += 1;
                }
            }
            (offset_s, cost / f64::from(met.max(1)), met as usize)
        })
        .collect();
    let most = costs.iter().map(|c| c.2).max().unwrap_or(0);
    if most < NEEDED {
        return Err(SyncError::TooStill {
            samples: most,
            needed: NEEDED,
        });
    }
    let enough = |c: &&(f64, f64, usize)| 2 * c.2 >= most;
    let Some(best) = costs.iter().filter(enough).min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return Err(SyncError::NoWitness);
    };
    // Minima elsewhere: lower than both neighbours, away from the best.
    let other = costs
        .windows(3)
        .filter(|w| w[1].1 <= w[0].1 && w[1].1 <= w[2].1)
        .map(|w| &w[1])
        .filter(enough)
        .filter(|c| (c.0 - best.0).abs() > APART_S)
        .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some(other) = other {
        // Errors alike over some ten frames: a tenth of the observations count as independent. The scale of the
        // residual is free, so costs compare as ratios (log of the mean square).
        let independent = best.2 as f64 / 10.0;
        let lead = independent * (other.1.max(1e-12) / best.1.max(1e-12)).ln();
        if lead < MIN_LEAD {
            return Err(SyncError::MotionAmbiguous {
                first_s: best.0,
                second_s: other.0,
            });
        }
    }
    let edge = (best.0 - search.centre_s).abs() > search.half_width_s - 0.5 * STEP_S;
    if edge && search.half_width_s > STEP_S {
        return Err(at_the_edge(best.0, search));
    }
    Ok(best.0)
}

/// The fine solution.
struct Fine {
    offset_s: f64,
    /// From the noise of the tracks alone.
    noise_sd_s: f64,
    /// Mean displacement of the deciding rows from the middle, as shares of the readout: left, right.
    rows: (f64, f64),
    at_s: f64,
    samples: usize,
    residual_px: f64,
    scale: f64,
    colour: Colour,
}

/// One joint's observations at an offset.
struct Series {
    knots: Vec<Knot>,
    fits: Vec<Fit>,
}

impl Fine {
    fn solve(views: &Views, start_s: f64) -> Result<Self, SyncError> {
        // Which observations decide is settled once, so that the iteration does not chase its own choice.
        let deciding = moving_knots(views, start_s);
        let mut offset_s = start_s;
        let mut colour = Colour {
            share: 0.0,
            tau_s: 0.02,
        };
        for round in 0..40 {
            let series = all_series(views, &deciding, offset_s);
            let samples: usize = series.iter().map(|s| s.fits.len()).sum();
            if samples < NEEDED {
                return Err(SyncError::TooStill {
                    samples,
                    needed: NEEDED,
                });
            }
            let scale = scale(&series);
            // The colour is read once the offset is near, then kept so that the iteration settles.
            if (3..8).contains(&round) {
                colour = Colour::of(&standardised(&series, scale));
            }
            let sums = Sums::of(views, &series, scale, colour);
            // Fast motion within a frame keeps a full step from overshooting by more than this.
            let step = (-sums.pull / sums.information).clamp(-STEP_S, STEP_S);
            if sums.information <= 0.0 || !step.is_finite() {
                return Err(SyncError::TooStill {
                    samples,
                    needed: NEEDED,
                });
            }
            offset_s += step;
            if (round >= 8 && step.abs() < 1e-8) || round == 39 {
                return Ok(Self {
                    offset_s,
                    noise_sd_s: sums.variance.sqrt() / sums.information,
                    rows: (sums.rows.0 / sums.information, sums.rows.1 / sums.information),
                    at_s: sums.instant / sums.information,
                    samples,
                    residual_px: median(series.iter().flat_map(|s| &s.fits).map(|f| f.residual_px.abs())),
                    scale,
                    colour,
                });
            }
        }
        Err(SyncError::NoWitness)
    }

    /// Noise of the tracks, and what unknown readouts do when the deciding joints stand away from the middle rows.
    fn sd_s(&self, views: &MotionViews) -> f64 {
        let left = self.rows.0 * views.left_shutter.readout_sd_s;
        let right = self.rows.1 * views.right_shutter.readout_sd_s;
        (self.noise_sd_s.powi(2) + left.powi(2) + right.powi(2)).sqrt()
    }
}

/// Each joint's left observations at which both views move enough to tell the offset.
fn moving_knots(views: &Views, offset_s: f64) -> Vec<Vec<Knot>> {
    let moves = |joint: usize, knot: &Knot| {
        views
            .fit(joint, knot, offset_s)
            .is_some_and(|fit| fit.smooth_slope.abs() > MIN_SPEED_SD_HZ)
    };
    (0..views.joint_count())
        .map(|joint| {
            let knots = views.left_knots(joint).iter();
            knots.filter(|knot| moves(joint, knot)).copied().collect()
        })
        .collect()
}

fn all_series(views: &Views, deciding: &[Vec<Knot>], offset_s: f64) -> Vec<Series> {
    deciding
        .iter()
        .enumerate()
        .map(|(joint, knots)| {
            let (knots, fits) = knots
                .iter()
                .filter_map(|knot| Some((*knot, views.fit(joint, knot, offset_s)?)))
                .unzip();
            Series { knots, fits }
        })
        .filter(|series: &Series| !series.fits.is_empty())
        .collect()
}

/// Robust standard deviation of the residuals: the median's, for a normal distribution about zero.
fn scale(series: &[Series]) -> f64 {
    let median = median(series.iter().flat_map(|s| &s.fits).map(|f| f.residual.abs()));
    (median * 1.4826).max(MIN_SCALE)
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

fn trust(residual: f64, scale: f64) -> f64 {
    1.0 / (1.0 + (residual / (CAUCHY * scale)).powi(2))
}

/// Instants and residuals at unit scale, outliers pulled in.
fn standardised(series: &[Series], scale: f64) -> Vec<(Vec<f64>, Vec<f64>)> {
    series
        .iter()
        .map(|s| {
            let instants = s.knots.iter().map(|knot| knot.t).collect();
            let residuals = s
                .fits
                .iter()
                .map(|f| (f.residual / scale).clamp(-3.0, 3.0))
                .collect();
            (instants, residuals)
        })
        .collect()
}

/// Weighted sums over all observations.
#[derive(Default)]
struct Sums {
    /// `sum q r`.
    pull: f64,
    /// `sum q dr/doffset`.
    information: f64,
    /// Variance of `pull`.
    variance: f64,
    rows: (f64, f64),
    instant: f64,
}

impl Sums {
    fn of(views: &Views, series: &[Series], scale: f64, colour: Colour) -> Self {
        let mut sums = Self::default();
        for one in series {
            let instants: Vec<f64> = one.knots.iter().map(|knot| knot.t).collect();
            let trusts: Vec<f64> = one.fits.iter().map(|f| trust(f.residual, scale)).collect();
            let slopes: Vec<f64> = one.fits.iter().map(|f| f.smooth_slope).collect();
            let weights = colour.weights(&instants, scale * scale, &trusts, &slopes);
            for ((knot, fit), q) in one.knots.iter().zip(&one.fits).zip(weights) {
                let gain = q * fit.slope;
                let (left, right) = views.row_shares(knot, fit);
                sums.pull += q * fit.residual;
                sums.information += gain;
                sums.variance += q * fit.smooth_slope;
                sums.rows.0 += gain * left;
                sums.rows.1 += gain * right;
                sums.instant += gain * knot.t;
            }
        }
        sums
    }
}
