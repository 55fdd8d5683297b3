//! Offset from a ball dropped in view of both phones.
//!
//! A ball is placed far better than a joint, and its height crosses the epipolar lines of two phones on tripods. That it
//! bounces matters: what the rig's own error adds to the residual stays the same while the ball's motion turns round, so
//! the two can be told apart; in free fall alone a residual of one pixel looks like a millisecond of clock.
//!
//! First as for joints ([`solved`]); then by one weighted regression that knows this: residual = what the offset does at the
//! ball's speed + what the readouts do at its rows + for each drop a smooth function of where in the picture the ball is (the
//! rig's error, the ball's background). Its doubt allows for misses that last over frames (Newey and West, Econometrica
//! 55(3), 1987).

use nalgebra::{DMatrix, DVector};

use crate::geometry::{PixelPoint, Shutter, StereoRig};
use crate::sync::curve::{Curve, Knot};
use crate::sync::epipolar::Views;
use crate::sync::motion::{MotionOffset, MotionSearch, median, solved, trust};
use crate::sync::{ClockOffset, SyncError};
use crate::units::Seconds;

/// Fewest sightings in motion for an answer: half of one fall from chest height at 120 frames a second.
const NEEDED: usize = 30;
/// Sightings farther apart than this belong to different throws, seconds.
const MAX_GAP_S: f64 = 0.03;
/// What the place in the picture adds to the residual of a drop: a polynomial of so many terms.
const PLACE_TERMS: usize = 3;
/// Columns of the regression that all drops share: the offset and the two readouts.
const SHARED: usize = 3;
/// Near a bounce the speed turns within a frame and interpolation fails: sightings whose smoothed speed is off by more than
/// this share of the largest are left out.
const TURNING: f64 = 0.12;
/// Misses are taken to be alike over so long, seconds.
const ALIKE_S: f64 = 0.06;
/// What misses that last longer add: over a dozen rendered recordings the error was 1.19 times the formula's deviation.
const NOISE_DOUBT: f64 = 1.2;
/// Rounds of the regression.
const ROUNDS: usize = 8;
/// Smallest scale of the misses that is believed, of the stated one.
const MIN_SCALE: f64 = 0.02;
/// A readout better known than this is known, seconds.
const KNOWN_S: f64 = 1e-7;

/// A small thing seen in one picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// The frame's time on its phone's clock.
    pub pts: Seconds,
    /// Its middle.
    pub at: PixelPoint,
    /// Standard deviation of each coordinate, pixels.
    pub sd_px: f64,
}

/// Both phones' sightings of one ball, in order of time, and what is known of the phones.
#[derive(Clone, Copy, Debug)]
pub struct DropViews<'a> {
    /// The left phone's sightings.
    pub left: &'a [Spot],
    /// The right phone's sightings.
    pub right: &'a [Spot],
    /// The calibrated pair.
    pub rig: &'a StereoRig,
    /// The left phone's shutter.
    pub left_shutter: &'a Shutter,
    /// The right phone's shutter.
    pub right_shutter: &'a Shutter,
}

/// Finds the offset at which both views of a dropped and bouncing ball fit the rig. Drop it twice: the falls must differ
/// in time, not in anything else.
///
/// # Errors
/// As [`crate::sync::offset_from_motion`].
pub fn offset_from_drop(views: &DropViews, search: &MotionSearch) -> Result<MotionOffset, SyncError> {
    let curve = |spots: &[Spot], shutter: &Shutter| {
        let knots = spots.iter().map(|spot| Knot {
            t: (spot.pts + shutter.delay(spot.at)).0,
            at: spot.at.vector(),
            sd: spot.sd_px,
            visible: 1.0,
        });
        Curve::new(knots, MAX_GAP_S)
    };
    let left = curve(views.left, views.left_shutter);
    let right = curve(views.right, views.right_shutter);
    let shutters = [views.left_shutter, views.right_shutter];
    let both = Views::of_curves(&[[&left, &right]], views.rig, shutters, NEEDED);
    let first = solved(&both, search)?;
    let refined = refined(&both, &first).filter(|r| r.clock.sd_s <= search.max_sd_s);
    Ok(refined.unwrap_or(first))
}

/// One sighting's part in the regression.
struct Row {
    t: f64,
    /// Which drop it belongs to.
    drop: usize,
    residual: f64,
    slope: f64,
    smooth_slope: f64,
    residual_px: f64,
    /// Height in the left picture, normalised.
    y: f64,
    /// Shares of the readout from the middle, left and right.
    rows: (f64, f64),
}

/// The offset by regression, from a first one; `None` when it is not determined.
fn refined(views: &Views, first: &MotionOffset) -> Option<MotionOffset> {
    let (left_sd_s, right_sd_s) = views.readout_sds_s();
    let mut offset_s = first.clock.offset_s;
    let mut last = None;
    let mut weights: Vec<f64> = Vec::new();
    let mut scale = 1.0;
    for _ in 0..ROUNDS {
        let rows = rows(views, offset_s);
        if rows.len() < NEEDED {
            return None;
        }
        weights.resize(rows.len(), 1.0);
        let drops = rows.last()?.drop + 1;
        let width = SHARED + PLACE_TERMS * drops;
        let mut prior = DMatrix::zeros(width, width);
        for (k, sd_s) in [(1, left_sd_s), (2, right_sd_s)] {
            prior[(k, k)] = 1.0 / sd_s.max(KNOWN_S).powi(2);
        }
        // The smoothed speed picks what is summed, the exact one says what it does: their noise is not the same.
        let by = DMatrix::from_fn(rows.len(), width, |i, k| {
            column(&rows[i], k, rows[i].slope, drops)
        });
        let picked = DMatrix::from_fn(rows.len(), width, |i, k| {
            weights[i] / (scale * scale) * column(&rows[i], k, rows[i].smooth_slope, drops)
        });
        let residuals = DVector::from_iterator(rows.len(), rows.iter().map(|r| r.residual));
        let inverse = (picked.tr_mul(&by) + &prior).try_inverse()?;
        let found = -(&inverse * picked.tr_mul(&residuals));
        let misses = residuals + &by * &found;
        scale = (1.4826 * median(misses.iter().map(|m| m.abs()))).max(MIN_SCALE);
        weights = misses.iter().map(|m| trust(*m, scale)).collect();
        offset_s += found[0];
        let by_noise = &inverse * scores(&rows, &picked, &misses) * inverse.transpose();
        let by_readouts = &inverse * &prior * inverse.transpose();
        last = Some((rows, by_noise[(0, 0)], by_readouts[(0, 0)], scale));
    }
    let (rows, noise, readouts, scale) = last?;
    let gain = |r: &Row| r.smooth_slope * r.smooth_slope;
    let at_s = rows.iter().map(|r| gain(r) * r.t).sum::<f64>() / rows.iter().map(gain).sum::<f64>();
    let readout_sd_s = readouts.max(0.0).sqrt();
    let sd_s = (NOISE_DOUBT * noise.max(0.0).sqrt()).hypot(readout_sd_s);
    (sd_s.is_finite() && (offset_s - first.clock.offset_s).abs() < 5.0 * first.clock.sd_s.max(1e-3)).then(
        || MotionOffset {
            clock: ClockOffset {
                offset_s,
                sd_s,
                at: Seconds(at_s),
                ..first.clock
            },
            readout_sd_s,
            samples: rows.len(),
            residual_px: median(rows.iter().map(|r| r.residual_px.abs())),
            residual_scale: scale,
            ..*first
        },
    )
}

/// All sightings that both views have, those next to a bounce left out.
fn rows(views: &Views, offset_s: f64) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    let mut drop = 0;
    for knot in views.left_knots(0) {
        let Some(fit) = views.fit(0, knot, offset_s) else {
            continue;
        };
        if rows
            .last()
            .is_some_and(|before| knot.t - before.t > 3.0 * MAX_GAP_S)
        {
            drop += 1;
        }
        rows.push(Row {
            t: knot.t,
            drop,
            residual: fit.residual,
            slope: fit.slope,
            smooth_slope: fit.smooth_slope,
            residual_px: fit.residual_px,
            y: knot.at.y,
            rows: views.row_shares(knot, &fit),
        });
    }
    let fastest = rows.iter().map(|r| r.smooth_slope.abs()).fold(0.0, f64::max);
    rows.retain(|r| (r.slope - r.smooth_slope).abs() <= TURNING * fastest);
    // A drop of which nothing is left leaves no gap in the numbers.
    let mut kept: Vec<usize> = rows.iter().map(|r| r.drop).collect();
    kept.dedup();
    for row in &mut rows {
        row.drop = kept.iter().position(|d| *d == row.drop).unwrap_or(0);
    }
    rows
}

/// What the unknown `k` adds to a residual, at a speed given as slope.
fn column(row: &Row, k: usize, slope: f64, drops: usize) -> f64 {
    match k {
        0 => slope,
        1 => -slope * row.rows.0,
        2 => slope * row.rows.1,
        _ => {
            let (drop, power) = ((k - SHARED) % drops, (k - SHARED) / drops);
            if drop == row.drop {
                row.y.powi(power as i32)
            } else {
                0.0
            }
        }
    }
}

/// Sum over all pairs of sightings of one drop near in time of their pulls' products: what their noise does, alike over
/// frames as it may be.
fn scores(rows: &[Row], picked: &DMatrix<f64>, misses: &DVector<f64>) -> DMatrix<f64> {
    let width = picked.ncols();
    let mut sum = DMatrix::zeros(width, width);
    for (i, row) in rows.iter().enumerate() {
        let pull = picked.row(i).transpose() * misses[i];
        sum += &pull * pull.transpose();
        for (j, later) in rows.iter().enumerate().skip(i + 1) {
            let apart_s = later.t - row.t;
            if apart_s >= ALIKE_S || later.drop != row.drop {
                break;
            }
            let other = picked.row(j).transpose() * (misses[j] * (1.0 - apart_s / ALIKE_S));
            sum += &pull * other.transpose() + &other * pull.transpose();
        }
    }
    // The unknowns have taken their share of the misses.
    sum * (rows.len() as f64 / (rows.len().saturating_sub(width)).max(1) as f64)
}
