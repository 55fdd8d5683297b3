//! Spots: what is in one picture and neither a little earlier nor a little later.
//!
//! The smaller of a pixel's differences from the frames before and after keeps what moved on in between and drops what
//! stands still, and what was there before or will be after. Neighbouring pixels that differ alike make a spot; its centre
//! is weighted by the difference.

use nalgebra::{Matrix2, Vector2};

use crate::ball::glimpses::{Glimpse, Whiteness};
use crate::geometry::PixelPoint;

/// Frames between a picture and those that it is compared with: far enough that a slow or smeared ball is off its place.
pub(crate) const GAP: usize = 2;
/// Most spots of one picture that are looked at, the heaviest first.
pub(crate) const MOST: usize = 40;
/// Threshold of a clear spot, in deviations of the pictures' own noise, and at least in steps of brightness.
pub(crate) const CLEAR: Threshold = Threshold {
    deviations: 4.5,
    least: 8.0,
};
/// Threshold where the ball is expected.
pub(crate) const FAINT: Threshold = Threshold {
    deviations: 3.0,
    least: 5.0,
};
/// A pixel of every so many is looked at for the noise.
const NOISE_STRIDE: usize = 7;
/// Of normal noise half lies within this many deviations.
const MEDIAN_DEVIATIONS: f64 = 0.6745;
/// Width of a spot over the ball's diameter, least and most; length may have a frame's way more.
const WIDTH_SHARE: (f64, f64) = (0.35, 1.8);
/// Longest spot over the ball's diameter: exposed for a whole frame, a fast ball is smeared over three diameters.
const LENGTH_SHARE: f64 = 4.5;
/// Extent of an even disc over the deviation of its points.
const DISC: f64 = 4.0;

/// When a difference counts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Threshold {
    pub(crate) deviations: f64,
    pub(crate) least: f64,
}

/// A spot.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spot {
    /// Its centre.
    pub(crate) at: PixelPoint,
    /// Sum of its differences.
    pub(crate) mass: f64,
    /// Extent along its longest direction, as a disc of the same spread has it, pixels.
    pub(crate) long_px: f64,
    /// Extent across it, pixels.
    pub(crate) wide_px: f64,
    /// Whether it touches the edge of what was looked at: then its centre is not the ball's.
    pub(crate) cut: bool,
}

impl Spot {
    /// Whether it is as wide as a ball of this diameter and no longer than one smeared by a long exposure.
    pub(crate) fn is_ball_sized(&self, ball_px: f64) -> bool {
        // A tiny spot has at least a pixel's extent.
        let wide = self.wide_px.max(1.0) / ball_px;
        (WIDTH_SHARE.0..=WIDTH_SHARE.1).contains(&wide) && self.long_px <= LENGTH_SHARE * ball_px && !self.cut
    }
}

/// A part of the picture: first column and row, past the last.
#[derive(Clone, Copy)]
struct Bounds {
    x: (usize, usize),
    y: (usize, usize),
}

impl Bounds {
    fn whole(part: &Whiteness) -> Self {
        Self {
            x: (0, part.width),
            y: (0, part.height),
        }
    }
}

/// Spots of one glimpse, everywhere or within a circle; none when there is no earlier or later glimpse to compare with.
pub(crate) fn moved(
    glimpses: &[Glimpse],
    frame: usize,
    within: Option<(PixelPoint, f64)>,
    threshold: Threshold,
) -> Vec<Spot> {
    let now = &glimpses[frame].part;
    let (Some(before), Some(after)) = (
        frame.checked_sub(GAP).map(|i| &glimpses[i].part),
        glimpses.get(frame + GAP).map(|g| &g.part),
    ) else {
        return Vec::new();
    };
    let bounds = match within {
        None => Bounds::whole(now),
        Some((centre, radius_px)) => {
            let range = |middle: f64, start: usize, size: usize| {
                let edge = |v: f64| (v - start as f64).clamp(0.0, size as f64) as usize;
                (edge(middle - radius_px), edge(middle + radius_px + 1.0))
            };
            Bounds {
                x: range(centre.x_px, now.left, now.width),
                y: range(centre.y_px, now.top, now.height),
            }
        }
    };
    moved_between([before, now, after], bounds, threshold)
}

/// Spots of the middle one of three pictures, in all of it.
pub(crate) fn moved_anywhere(three: [&Whiteness; 3], threshold: Threshold) -> Vec<Spot> {
    moved_between(three, Bounds::whole(three[1]), threshold)
}

fn moved_between([before, now, after]: [&Whiteness; 3], bounds: Bounds, threshold: Threshold) -> Vec<Spot> {
    if [before, after].iter().any(|p| p.values.len() != now.values.len()) {
        return Vec::new();
    }
    let level = threshold
        .least
        .max(threshold.deviations * noise(&now.values, &before.values, &after.values));
    let change = |x: usize, y: usize| {
        let i = y * now.width + x;
        let a = f64::from(now.values[i]) - f64::from(before.values[i]);
        let b = f64::from(now.values[i]) - f64::from(after.values[i]);
        if a * b <= 0.0 {
            0.0
        } else {
            a.signum() * a.abs().min(b.abs())
        }
    };
    regions(bounds, level, change)
        .iter()
        .map(|region| {
            let mut spot = measured(region);
            // A picture's own edge and the search's edge cut alike.
            spot.cut = region.iter().any(|(x, y, _)| {
                *x == bounds.x.0 || *y == bounds.y.0 || *x + 1 == bounds.x.1 || *y + 1 == bounds.y.1
            });
            spot.at.x_px += now.left as f64;
            spot.at.y_px += now.top as f64;
            spot
        })
        .collect()
}

/// Deviation of a still pixel's difference between two frames.
fn noise(now: &[i16], before: &[i16], after: &[i16]) -> f64 {
    let mut sizes: Vec<i16> = (0..now.len())
        .step_by(NOISE_STRIDE)
        .map(|i| (now[i] - before[i]).abs().min((now[i] - after[i]).abs()))
        .collect();
    if sizes.is_empty() {
        return 0.0;
    }
    let middle = sizes.len() / 2;
    f64::from(*sizes.select_nth_unstable(middle).1) / MEDIAN_DEVIATIONS
}

/// A pixel's column, row and weight.
type Pixel = (usize, usize, f64);

/// Pixels whose change is beyond `level`, those that touch and change alike together.
fn regions(bounds: Bounds, level: f64, change: impl Fn(usize, usize) -> f64) -> Vec<Vec<Pixel>> {
    let (width, height) = (
        bounds.x.1.saturating_sub(bounds.x.0),
        bounds.y.1.saturating_sub(bounds.y.0),
    );
    let changes: Vec<f64> = (0..width * height)
        .map(|i| change(bounds.x.0 + i % width, bounds.y.0 + i / width))
        .collect();
    let mut taken = vec![false; changes.len()];
    let mut all = Vec::new();
    let mut open = Vec::new();
    for seed in 0..changes.len() {
        if taken[seed] || changes[seed].abs() < level {
            continue;
        }
        let sign = changes[seed].signum();
        taken[seed] = true;
        open.push(seed);
        let mut region = Vec::new();
        while let Some(i) = open.pop() {
            let (x, y) = (i % width, i / width);
            region.push((bounds.x.0 + x, bounds.y.0 + y, changes[i].abs()));
            for ny in y.saturating_sub(1)..(y + 2).min(height) {
                for nx in x.saturating_sub(1)..(x + 2).min(width) {
                    let n = ny * width + nx;
                    if !taken[n] && changes[n] * sign >= level {
                        taken[n] = true;
                        open.push(n);
                    }
                }
            }
        }
        all.push(region);
    }
    all
}

/// Centre and extent, by first and second moments.
fn measured(region: &[Pixel]) -> Spot {
    let mass: f64 = region.iter().map(|p| p.2).sum();
    let centre: Vector2<f64> = region
        .iter()
        .map(|(x, y, w)| Vector2::new(*x as f64, *y as f64) * *w)
        .sum::<Vector2<f64>>()
        / mass;
    let spread: Matrix2<f64> = region
        .iter()
        .map(|(x, y, w)| {
            let d = Vector2::new(*x as f64, *y as f64) - centre;
            d * d.transpose() * *w
        })
        .sum::<Matrix2<f64>>()
        / mass;
    let (middle, apart) = (
        spread.trace() / 2.0,
        ((spread[(0, 0)] - spread[(1, 1)]) / 2.0).hypot(spread[(0, 1)]),
    );
    Spot {
        at: PixelPoint::from(centre),
        mass,
        long_px: DISC * (middle + apart).sqrt(),
        wide_px: DISC * (middle - apart).max(0.0).sqrt(),
        cut: false,
    }
}
