//! Which sightings enter the fit: sharp, still, and as different from each other as the recording offers.

use crate::calibrate::Pairing;
use crate::calibrate::corners::{BoardView, Corner};
use crate::calibrate::film::{Film, Sighting};
use crate::geometry::PixelPoint;

/// Most views of one phone alone, and most pairs.
const MAX_VIEWS: usize = 30;
/// Motion that halves a view's quality, pixels per second: 0.1 px within 4 ms of exposure.
const CALM_PX_S: f64 = 25.0;
/// Blur that halves a view's quality, pixels.
const SHARP_PX: f64 = 1.8;
/// Views closer than this to a chosen one (share of the board's size) add nothing.
const MIN_DIFFERENCE: f64 = 0.02;
/// Right sightings at most this far apart may be interpolated between, seconds.
const MAX_BRIDGE_S: f64 = 0.35;
/// Loose pictures of one instant may differ by this, seconds.
const MAX_MISS_S: f64 = 0.006;
/// Most motion between the two phones' instants that the clock's doubt may hide, pixels.
const MAX_CLOCK_MOTION_PX: f64 = 1.0;

/// The board seen by both phones at one instant.
#[derive(Clone, Debug)]
pub(super) struct Pair {
    pub(super) left: BoardView,
    pub(super) right: BoardView,
    quality: f64,
}

/// How good one sighting is, 0 to 1.
fn quality(view: &BoardView, speed_px_s: Option<f64>) -> f64 {
    let calm = 1.0 / (1.0 + (speed_px_s.unwrap_or(0.0) / CALM_PX_S).powi(2));
    let sharp = 1.0 / (1.0 + (view.blur_px / SHARP_PX).powi(2));
    calm * sharp
}

/// Root mean square motion of the board's four outer corners between two views, as a share of its size.
fn difference(a: &BoardView, b: &BoardView, cols: usize) -> f64 {
    let outer = |v: &BoardView| {
        let last = v.corners.len() - 1;
        [0, cols - 1, last + 1 - cols, last].map(|i| v.corners[i].at)
    };
    let (p, q) = (outer(a), outer(b));
    let moved = p
        .iter()
        .zip(&q)
        .map(|(p, q)| p.distance_px(*q).powi(2))
        .sum::<f64>()
        / 4.0;
    let size = p[0].distance_px(p[3]) + q[0].distance_px(q[3]);
    moved.sqrt() / size.max(1.0) * 2.0
}

/// Indices of at most `count` items, the best first, then always the one with the largest quality times difference from
/// those chosen.
fn varied(count: usize, qualities: &[f64], difference: impl Fn(usize, usize) -> f64) -> Vec<usize> {
    let Some(best) = (0..qualities.len()).max_by(|&a, &b| qualities[a].total_cmp(&qualities[b])) else {
        return Vec::new();
    };
    let mut chosen = vec![best];
    let mut nearest: Vec<f64> = (0..qualities.len()).map(|i| difference(i, best)).collect();
    while chosen.len() < count {
        // Differences beyond half the board's size count alike: then quality decides.
        let gain = |i: usize| nearest[i].min(0.5) * qualities[i];
        let Some(next) = (0..qualities.len()).max_by(|&a, &b| gain(a).total_cmp(&gain(b))) else {
            break;
        };
        if nearest[next] < MIN_DIFFERENCE {
            break;
        }
        chosen.push(next);
        for (i, n) in nearest.iter_mut().enumerate() {
            *n = n.min(difference(i, next));
        }
    }
    chosen.sort_unstable();
    chosen
}

/// The views from which one phone's lens is made.
pub(super) fn lens_views(film: &Film, cols: usize) -> Vec<&BoardView> {
    if film.sightings.iter().all(|s| s.time.is_none()) {
        return film.sightings.iter().map(|s| &s.view).collect();
    }
    let speeds = film.speeds_px_s();
    let qualities: Vec<f64> = film
        .sightings
        .iter()
        .zip(&speeds)
        .map(|(s, speed)| quality(&s.view, *speed))
        .collect();
    let view = |i: usize| &film.sightings[i].view;
    varied(MAX_VIEWS, &qualities, |a, b| difference(view(a), view(b), cols))
        .into_iter()
        .map(view)
        .collect()
}

/// The pairs from which the pose between the phones is made.
pub(super) fn chosen_pairs(left: &Film, right: &Film, pairing: Pairing, cols: usize) -> Vec<Pair> {
    let all = match pairing {
        Pairing::ByNumber => by_number(left, right),
        Pairing::ByClock { offset, offset_sd } => by_clock(left, right, offset.0, offset_sd.0),
    };
    if matches!(pairing, Pairing::ByNumber) {
        return all;
    }
    let qualities: Vec<f64> = all.iter().map(|p| p.quality).collect();
    let chosen = varied(MAX_VIEWS, &qualities, |a, b| {
        difference(&all[a].left, &all[b].left, cols).max(difference(&all[a].right, &all[b].right, cols))
    });
    chosen.into_iter().map(|i| all[i].clone()).collect()
}

fn by_number(left: &Film, right: &Film) -> Vec<Pair> {
    left.sightings
        .iter()
        .filter_map(|l| {
            let r = right.sightings.iter().find(|r| r.picture == l.picture)?;
            Some(Pair {
                left: l.view.clone(),
                right: r.view.clone(),
                quality: 1.0,
            })
        })
        .collect()
}

fn by_clock(left: &Film, right: &Film, offset_s: f64, offset_sd_s: f64) -> Vec<Pair> {
    let (left_speeds, right_speeds) = (left.speeds_px_s(), right.speeds_px_s());
    let mut pairs = Vec::new();
    for (l, left_speed) in left.sightings.iter().zip(&left_speeds) {
        let Some(time) = l.time else {
            continue;
        };
        let Some((view, right_speed)) = at_instant(right, &right_speeds, time.0 - offset_s) else {
            continue;
        };
        let speed = left_speed.unwrap_or(0.0).max(right_speed);
        if speed * offset_sd_s > MAX_CLOCK_MOTION_PX {
            continue;
        }
        let quality = quality(&l.view, Some(speed)).min(quality(&view, Some(speed)));
        pairs.push(Pair {
            left: l.view.clone(),
            right: view,
            quality,
        });
    }
    pairs
}

/// The right phone's board at an instant of its clock, between two sightings, or at one that is close enough.
fn at_instant(film: &Film, speeds: &[Option<f64>], time_s: f64) -> Option<(BoardView, f64)> {
    let time = |s: &Sighting| s.time.map(|t| t.0);
    let after = film
        .sightings
        .partition_point(|s| time(s).is_some_and(|t| t < time_s));
    let b = film.sightings.get(after);
    let a = after.checked_sub(1).and_then(|i| film.sightings.get(i));
    let near = [a, b]
        .into_iter()
        .flatten()
        .filter(|s| time(s).is_some_and(|t| (t - time_s).abs() <= MAX_MISS_S));
    if let (Some(a), Some(b)) = (a, b)
        && let (Some(ta), Some(tb)) = (time(a), time(b))
        && tb - ta <= MAX_BRIDGE_S
    {
        let share = (time_s - ta) / (tb - ta);
        let speed = speeds[after - 1].unwrap_or(0.0).max(speeds[after].unwrap_or(0.0));
        return Some((between(&a.view, &b.view, share), speed));
    }
    let closest = near.min_by(|p, q| {
        let miss = |s: &Sighting| time(s).map_or(f64::INFINITY, |t| (t - time_s).abs());
        miss(p).total_cmp(&miss(q))
    })?;
    Some((closest.view.clone(), 0.0))
}

/// Corners between two views; 0 is `a`, 1 is `b`.
fn between(a: &BoardView, b: &BoardView, share: f64) -> BoardView {
    let corners = a
        .corners
        .iter()
        .zip(&b.corners)
        .map(|(p, q)| Corner {
            at: PixelPoint::from(p.at.vector().lerp(&q.at.vector(), share)),
            sd_px: p.sd_px.max(q.sd_px),
        })
        .collect();
    BoardView {
        corners,
        blur_px: a.blur_px.max(b.blur_px),
        ..a.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chosen_are_spread_and_good() {
        // Places on a line; the one at 5 is bad, the two at 0 are the same.
        let place: [f64; 6] = [0.0, 0.0, 1.0, 2.0, 5.0, 5.1];
        let quality = [1.0, 0.9, 0.9, 0.9, 0.01, 0.8];
        let chosen = varied(3, &quality, |a, b| (place[a] - place[b]).abs() * 0.2);
        assert_eq!(chosen, vec![0, 3, 5]);
        let all = varied(10, &quality, |a, b| (place[a] - place[b]).abs() * 0.2);
        assert!(!all.contains(&1), "a copy adds nothing: {all:?}");
    }
}
