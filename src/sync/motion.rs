//! Offset from the motion of the joints: the one at which both views fit the rig.
//!
//! Coarse: the mean robust epipolar residual of fast joints over a grid of offsets. Fine: the root of the weighted sum
//! of residuals, `sum q r(offset) = 0`. The weights q come from the *smoothed* velocity, so that the noise of the
//! interpolated point cannot pull the offset toward half a frame (where interpolation averages most noise away, and a
//! plain least-squares fit is therefore cheapest), and they allow for noise that is alike from frame to frame. Last, the
//! phones' unknown readouts are estimated along with the offset, as far as motion through the rows tells them.

use crate::geometry::{Shutter, StereoRig};
use crate::sync::coloured::Colour;
use crate::sync::curve::Knot;
use crate::sync::epipolar::{Fit, Views};
use crate::sync::readout;
use crate::sync::scan::{self, STEP_S, at_the_edge};
use crate::sync::{ClockOffset, ClockSource, SyncError};
use crate::track::PoseTrack;
use crate::units::Seconds;

/// Fewest fast observations for an answer.
pub(in crate::sync) const NEEDED: usize = 60;
/// Speed below which an observation is noise and not motion, standard deviations per second. Smoothed over 50 ms, a
/// still joint's own error moves it at about 25.
pub(in crate::sync) const MIN_SPEED_SD_HZ: f64 = 100.0;
/// Tuning constant of Tukey's weight, likewise 95 % (Beaton and Tukey 1974).
const TUKEY: f64 = 4.685;
/// Smallest noise scale believed, of the stated one: perfect input stays solvable.
const MIN_SCALE: f64 = 0.02;
/// Scale and colour of the noise are themselves read from few independent residuals: over 240 synthetic recordings the
/// error was 1.04 (white) to 1.10 (coloured) times the formula's deviation.
const NOISE_DOUBT: f64 = 1.07;

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
    /// The part of the doubt that comes from the phones' unknown readouts: alike in all deliveries of one recording.
    pub readout_sd_s: f64,
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
    solved(&Views::new(views), search)
}

/// The offset at which both views of whatever moves fit the rig.
pub(in crate::sync) fn solved(both: &Views, search: &MotionSearch) -> Result<MotionOffset, SyncError> {
    let start_s = scan::best_offset(both, search)?;
    let fine = Fine::solve(both, start_s)?;
    let reach_s = search.half_width_s + STEP_S;
    if (fine.offset_s - search.centre_s).abs() > reach_s {
        return Err(at_the_edge(fine.offset_s, search));
    }
    let sd_s = fine.noise_sd_s.hypot(fine.readout_sd_s);
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
        readout_sd_s: fine.readout_sd_s,
        samples: fine.samples,
        residual_px: fine.residual_px,
        residual_scale: fine.scale,
        colour_share: fine.colour.share,
        colour_tau_s: fine.colour.tau_s,
    })
}

/// The fine solution.
struct Fine {
    offset_s: f64,
    /// From the noise of the tracks alone.
    noise_sd_s: f64,
    /// From the unknown readouts.
    readout_sd_s: f64,
    at_s: f64,
    samples: usize,
    residual_px: f64,
    scale: f64,
    colour: Colour,
}

/// One joint's observations at an offset.
pub(in crate::sync) struct Series {
    pub(in crate::sync) knots: Vec<Knot>,
    pub(in crate::sync) fits: Vec<Fit>,
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
            if samples < views.needed {
                return Err(SyncError::TooStill {
                    samples,
                    needed: views.needed,
                });
            }
            let scale = scale(&series);
            // The colour is read once the offset is near, then kept so that the iteration settles.
            if (3..8).contains(&round) {
                colour = Colour::of(&standardised(&series, scale));
            }
            let sums = Sums::of(&series, scale, colour);
            // Fast motion within a frame keeps a full step from overshooting by more than this.
            let step = (-sums.pull / sums.information).clamp(-STEP_S, STEP_S);
            if sums.information <= 0.0 || !step.is_finite() {
                return Err(SyncError::TooStill {
                    samples,
                    needed: views.needed,
                });
            }
            offset_s += step;
            if (round >= 8 && step.abs() < 1e-8) || round == 39 {
                let series = all_series(views, &deciding, offset_s);
                let with = readout::joint(views, &series, scale, colour)
                    .filter(|w| w.step_s.abs() < STEP_S)
                    .ok_or(SyncError::NoWitness)?;
                return Ok(Self {
                    offset_s: offset_s + with.step_s,
                    noise_sd_s: NOISE_DOUBT * with.noise_sd_s,
                    readout_sd_s: with.readout_sd_s,
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

pub(in crate::sync) fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

/// Tukey's biweight: what lies beyond has no say, since a limb taken for another stays wrong for many frames together.
pub(in crate::sync) fn trust(residual: f64, scale: f64) -> f64 {
    let x = residual / (TUKEY * scale);
    if x.abs() < 1.0 { (1.0 - x * x).powi(2) } else { 0.0 }
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
    instant: f64,
}

impl Sums {
    fn of(series: &[Series], scale: f64, colour: Colour) -> Self {
        let mut sums = Self::default();
        for one in series {
            let instants: Vec<f64> = one.knots.iter().map(|knot| knot.t).collect();
            let trusts: Vec<f64> = one.fits.iter().map(|f| trust(f.residual, scale)).collect();
            let slopes: Vec<f64> = one.fits.iter().map(|f| f.smooth_slope).collect();
            let weights = colour.weights(&instants, scale * scale, &trusts, &slopes);
            for ((knot, fit), q) in one.knots.iter().zip(&one.fits).zip(weights) {
                let gain = q * fit.slope;
                sums.pull += q * fit.residual;
                sums.information += gain;
                sums.instant += gain * knot.t;
            }
        }
        sums
    }
}
