//! Whether a phone stood still and kept its focus during a recording, from fixed points of the background.
//!
//! Points with structure in two directions are chosen in a first picture outside the athlete's reach, spread over the
//! picture, and followed into later pictures (translation of a small window by least squares, coarse to fine: Lucas and
//! Kanade, 1981; points by the smaller eigenvalue: Shi and Tomasi, 1994). A robust similarity - shift, turn, scale about the
//! picture's middle - says how the whole picture moved; what moves by itself is left out.

use nalgebra::{Matrix2, Matrix4, Vector2, Vector4};

use crate::calibrate::corners::median;
use crate::calibrate::saddle::halved;
use crate::picture::Grey;
use crate::units::Seconds;

/// Half the side of a followed window, pixels.
const HALF: i32 = 7;
/// Sizes of the picture: full, half, quarter.
const LEVELS: usize = 3;
/// Cells over the picture, and points in each.
const CELLS: (usize, usize) = (12, 8);
const PER_CELL: usize = 2;
/// Least mean square gradient in the weaker direction, grey levels squared.
const MIN_STRUCTURE: f64 = 9.0;
/// Fewest points that agree, for an answer.
const MIN_POINTS: usize = 12;
/// A followed window may differ from the first by this root mean square, grey levels.
const MAX_DIFFERENCE: f64 = 14.0;

/// Motion of the whole picture that is not noise, pixels.
pub const MAX_DRIFT_PX: f64 = 0.5;
/// Share of the motion's variance that one step explains when a phone was moved and stayed.
const STEP_SHARE: f64 = 0.8;

/// A rectangle of the picture: left, top, right, bottom, pixels.
pub type PixelBox = [f64; 4];

/// How a picture lies against the first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Shift of the picture's middle, pixels.
    pub shift_px: Vector2<f64>,
    /// Scale; 1 is the first picture's.
    pub scale: f64,
    /// Turn about the middle, degrees.
    pub turn_deg: f64,
    /// Points that agree.
    pub points: usize,
}

/// Fixed points of one phone's first picture.
pub struct Background {
    levels: Vec<Grey>,
    points: Vec<Vector2<f64>>,
}

impl Background {
    /// Chooses the points; `None` when the background has too little structure outside the `hidden` rectangles.
    #[must_use]
    pub fn new(first: &Grey, hidden: &[PixelBox]) -> Option<Self> {
        let points = chosen(first, hidden);
        (points.len() >= MIN_POINTS).then(|| Self {
            levels: levels(first),
            points,
        })
    }

    /// How a later picture lies against the first; `None` when too few points are found again or agree.
    #[must_use]
    pub fn motion(&self, picture: &Grey) -> Option<Motion> {
        let later = levels(picture);
        if (later[0].width, later[0].height) != (self.levels[0].width, self.levels[0].height) {
            return None;
        }
        let middle = Vector2::new(
            (picture.width as f64 - 1.0) / 2.0,
            (picture.height as f64 - 1.0) / 2.0,
        );
        let steps: Vec<_> = self
            .points
            .iter()
            .filter_map(|p| Some((p - middle, self.followed(*p, &later)?)))
            .collect();
        similarity(&steps)
    }

    /// Where a point went, as a step from its first place.
    fn followed(&self, at: Vector2<f64>, later: &[Grey]) -> Option<Vector2<f64>> {
        let mut step = Vector2::zeros();
        for level in (0..later.len()).rev() {
            let scale = (1_u32 << level) as f64;
            let here = (at + Vector2::repeat(0.5)) / scale - Vector2::repeat(0.5);
            let (first, next) = (&self.levels[level], &later[level]);
            // At coarse sizes a window may leave the picture: the finer one then starts from where it is.
            match aligned(first, next, here, step / scale) {
                Some((found, _)) if level > 0 => step = found * scale,
                Some((found, difference)) if difference <= MAX_DIFFERENCE => step = found,
                None if level > 0 => {}
                _ => return None,
            }
        }
        Some(step)
    }
}

fn levels(picture: &Grey) -> Vec<Grey> {
    let mut all = vec![picture.clone()];
    for level in 1..LEVELS {
        let next = halved(&all[level - 1]);
        if next.width < 64 || next.height < 64 {
            break;
        }
        all.push(next);
    }
    all
}

fn sample(picture: &Grey, x: f64, y: f64) -> Option<f64> {
    let (x0, y0) = (x.floor(), y.floor());
    if x0 < 0.0 || y0 < 0.0 || x0 + 1.0 >= picture.width as f64 || y0 + 1.0 >= picture.height as f64 {
        return None;
    }
    let (fx, fy) = (x - x0, y - y0);
    let row = y0 as usize * picture.width + x0 as usize;
    let at = |offset: usize| f64::from(picture.data[row + offset]);
    let upper = at(0) * (1.0 - fx) + at(1) * fx;
    let lower = at(picture.width) * (1.0 - fx) + at(picture.width + 1) * fx;
    Some(upper * (1.0 - fy) + lower * fy)
}

/// Gradient by central differences.
fn gradient(picture: &Grey, x: f64, y: f64) -> Option<Vector2<f64>> {
    Some(Vector2::new(
        (sample(picture, x + 1.0, y)? - sample(picture, x - 1.0, y)?) / 2.0,
        (sample(picture, x, y + 1.0)? - sample(picture, x, y - 1.0)?) / 2.0,
    ))
}

/// The step that aligns the window around `at`, and the root mean square difference left, mean brightness apart.
fn aligned(first: &Grey, next: &Grey, at: Vector2<f64>, start: Vector2<f64>) -> Option<(Vector2<f64>, f64)> {
    let mut window = Vec::with_capacity(((2 * HALF + 1) * (2 * HALF + 1)) as usize);
    for j in -HALF..=HALF {
        for i in -HALF..=HALF {
            let p = at + Vector2::new(f64::from(i), f64::from(j));
            window.push((p, sample(first, p.x, p.y)?, gradient(first, p.x, p.y)?));
        }
    }
    let count = window.len() as f64;
    let mean_slope = window.iter().map(|w| w.2).sum::<Vector2<f64>>() / count;
    let mean = window.iter().map(|w| w.1).sum::<f64>() / count;
    // Brightness may change: slopes and values are taken from their means.
    let normal: Matrix2<f64> = window
        .iter()
        .map(|w| (w.2 - mean_slope) * (w.2 - mean_slope).transpose())
        .sum();
    let inverse = normal.try_inverse()?;
    let mut step = start;
    let mut difference = f64::INFINITY;
    for _ in 0..20 {
        let mut values = Vec::with_capacity(window.len());
        for (p, _, _) in &window {
            let q = p + step;
            values.push(sample(next, q.x, q.y)?);
        }
        let mean_next = values.iter().sum::<f64>() / count;
        let (mut pull, mut squares) = (Vector2::zeros(), 0.0);
        for ((_, value, slope), now) in window.iter().zip(&values) {
            let miss = (now - mean_next) - (value - mean);
            pull += (slope - mean_slope) * miss;
            squares += miss * miss;
        }
        difference = (squares / count).sqrt();
        let change: Vector2<f64> = inverse * pull;
        step -= change;
        if (step - start).norm() > f64::from(HALF) {
            return None;
        }
        if change.norm() < 2e-3 {
            break;
        }
    }
    Some((step, difference))
}

/// The points with most structure in each cell, outside the hidden rectangles.
fn chosen(picture: &Grey, hidden: &[PixelBox]) -> Vec<Vector2<f64>> {
    const STRIDE: usize = 4;
    let edge = (HALF as usize + 3) * 2;
    let mut found: Vec<Vec<(f64, Vector2<f64>)>> = vec![Vec::new(); CELLS.0 * CELLS.1];
    if picture.width <= 2 * edge || picture.height <= 2 * edge {
        return Vec::new();
    }
    for y in (edge..picture.height - edge).step_by(STRIDE) {
        for x in (edge..picture.width - edge).step_by(STRIDE) {
            let (px, py) = (x as f64, y as f64);
            let covered = |b: &PixelBox| px >= b[0] && py >= b[1] && px <= b[2] && py <= b[3];
            if hidden.iter().any(covered) {
                continue;
            }
            let structure = structure(picture, x, y);
            if structure >= MIN_STRUCTURE {
                let cell = (y * CELLS.1 / picture.height) * CELLS.0 + x * CELLS.0 / picture.width;
                found[cell].push((structure, Vector2::new(px, py)));
            }
        }
    }
    let mut points = Vec::new();
    for mut cell in found {
        cell.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut taken: Vec<Vector2<f64>> = Vec::new();
        for (_, at) in cell {
            if taken.len() == PER_CELL {
                break;
            }
            if taken.iter().all(|t| (t - at).norm() > 2.0 * f64::from(HALF)) {
                taken.push(at);
            }
        }
        points.extend(taken);
    }
    points
}

/// Smaller eigenvalue of the mean product of gradients around a pixel, grey levels squared.
fn structure(picture: &Grey, x: usize, y: usize) -> f64 {
    let (mut xx, mut yy, mut xy, mut count) = (0.0, 0.0, 0.0, 0.0);
    for j in (y - 6..=y + 6).step_by(2) {
        for i in (x - 6..=x + 6).step_by(2) {
            let at = |x: usize, y: usize| f64::from(picture.data[y * picture.width + x]);
            let gx = (at(i + 1, j) - at(i - 1, j)) / 2.0;
            let gy = (at(i, j + 1) - at(i, j - 1)) / 2.0;
            xx += gx * gx;
            yy += gy * gy;
            xy += gx * gy;
            count += 1.0;
        }
    }
    let (half, apart) = ((xx + yy) / 2.0, ((xx - yy) / 2.0_f64).hypot(xy));
    (half - apart) / count
}

/// The similarity that most points agree on (iterated, Tukey's weight).
fn similarity(steps: &[(Vector2<f64>, Vector2<f64>)]) -> Option<Motion> {
    if steps.len() < MIN_POINTS {
        return None;
    }
    let middle = |axis: usize| median(steps.iter().map(|s| s.1[axis]));
    // Shift x, shift y, growth, turn.
    let mut p = Vector4::new(middle(0), middle(1), 0.0, 0.0);
    let mut points = 0;
    for _ in 0..12 {
        let miss = |at: &Vector2<f64>, step: &Vector2<f64>| {
            step - Vector2::new(p[0] + p[2] * at.x - p[3] * at.y, p[1] + p[2] * at.y + p[3] * at.x)
        };
        let scale = (1.48 * median(steps.iter().map(|(at, step)| miss(at, step).norm()))).max(0.02);
        let (mut normal, mut pull) = (Matrix4::zeros(), Vector4::zeros());
        points = 0;
        for (at, step) in steps {
            let left = miss(at, step);
            let x = left.norm() / (4.0 * scale);
            if x >= 1.0 {
                continue;
            }
            points += 1;
            let weight = (1.0 - x * x).powi(2);
            for (row, value) in [
                (Vector4::new(1.0, 0.0, at.x, -at.y), left.x),
                (Vector4::new(0.0, 1.0, at.y, at.x), left.y),
            ] {
                normal += row * row.transpose() * weight;
                pull += row * (weight * value);
            }
        }
        p += normal.try_inverse()? * pull;
    }
    // Half of the points on one motion: else there is no common one.
    (points >= MIN_POINTS && 2 * points >= steps.len()).then(|| Motion {
        shift_px: Vector2::new(p[0], p[1]),
        scale: 1.0 + p[2],
        turn_deg: p[3].to_degrees(),
        points,
    })
}

/// What the motions of one phone's pictures say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Steadiness {
    /// It stood still; the largest motion seen.
    Still {
        /// Pixels.
        worst_px: f64,
    },
    /// It was moved at some time, and stayed.
    Moved {
        /// How far the picture's middle moved, pixels.
        by_px: f64,
        /// When.
        at: Seconds,
    },
    /// The picture wanders to and fro: stabilisation, or a shaking stand.
    Wanders {
        /// Largest distance from the first picture, pixels.
        by_px: f64,
    },
}

/// Judges the motions in order of time. Turns count as what they do a quarter of the width away from the middle.
#[must_use]
pub fn steadiness(motions: &[(Seconds, Motion)], width_px: u32) -> Steadiness {
    let arm = f64::from(width_px) / 4.0;
    let far = |m: &Motion| m.shift_px.norm().max(m.turn_deg.to_radians().abs() * arm);
    let worst_px = motions.iter().map(|m| far(&m.1)).fold(0.0, f64::max);
    if worst_px <= MAX_DRIFT_PX {
        return Steadiness::Still { worst_px };
    }
    let place =
        |m: &Motion| nalgebra::Vector3::new(m.shift_px.x, m.shift_px.y, m.turn_deg.to_radians() * arm);
    let spread = |part: &[(Seconds, Motion)]| {
        let mean =
            part.iter().map(|m| place(&m.1)).sum::<nalgebra::Vector3<f64>>() / part.len().max(1) as f64;
        let squares = part
            .iter()
            .map(|m| (place(&m.1) - mean).norm_squared())
            .sum::<f64>();
        (mean, squares)
    };
    let total = spread(motions).1;
    let best = (1..motions.len())
        .map(|k| {
            let (before, after) = (spread(&motions[..k]), spread(&motions[k..]));
            (k, before.1 + after.1, (after.0 - before.0).norm())
        })
        .min_by(|a, b| a.1.total_cmp(&b.1));
    match best {
        Some((k, rest, by_px)) if rest <= (1.0 - STEP_SHARE) * total => Steadiness::Moved {
            by_px,
            at: motions[k].0,
        },
        _ => Steadiness::Wanders { by_px: worst_px },
    }
}

/// Largest change of scale, as what it moves at the picture's edge, pixels, when that exceeds the bound: focus breathing.
#[must_use]
pub fn breathing_px(motions: &[(Seconds, Motion)], width_px: u32) -> Option<f64> {
    let half = f64::from(width_px) / 2.0;
    let worst = motions
        .iter()
        .map(|m| (m.1.scale - 1.0).abs() * half)
        .fold(0.0, f64::max);
    // A scale is known less well than a shift: three points in four lie within half of the half width.
    (worst > 2.0 * MAX_DRIFT_PX).then_some(worst)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A wall of soft spots, its picture's middle shifted, scaled and turned, with noise.
    fn wall(motion: &Motion, seed: u64) -> Grey {
        let (w, h) = (640, 360);
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let spots: Vec<[f64; 4]> = (0..260)
            .map(|_| {
                [
                    rng.random_range(-340.0..340.0),
                    rng.random_range(-200.0..200.0),
                    rng.random_range(3.0..7.0),
                    rng.random_range(-70.0..70.0),
                ]
            })
            .collect();
        let mut light = vec![120.0_f64; w * h];
        let (sin, cos) = motion.turn_deg.to_radians().sin_cos();
        for [x, y, size, bright] in spots {
            let at = Vector2::new(x * cos - y * sin, x * sin + y * cos) * motion.scale
                + motion.shift_px
                + Vector2::new(319.5, 179.5);
            let reach = (4.0 * size) as i64;
            for j in (at.y as i64 - reach).max(0)..(at.y as i64 + reach).min(h as i64) {
                for i in (at.x as i64 - reach).max(0)..(at.x as i64 + reach).min(w as i64) {
                    let d = Vector2::new(i as f64, j as f64) - at;
                    light[j as usize * w + i as usize] +=
                        bright * (-d.norm_squared() / (2.0 * size * size)).exp();
                }
            }
        }
        let mut noise = ChaCha8Rng::seed_from_u64(seed);
        let data = light
            .iter()
            .map(|v| (v + noise.random_range(-4.0..4.0)).round().clamp(0.0, 255.0) as u8)
            .collect();
        Grey {
            width: w,
            height: h,
            data,
        }
    }

    fn motion(x: f64, y: f64, scale: f64, turn_deg: f64) -> Motion {
        Motion {
            shift_px: Vector2::new(x, y),
            scale,
            turn_deg,
            points: 0,
        }
    }

    const STILL: fn() -> Motion = || motion(0.0, 0.0, 1.0, 0.0);

    #[test]
    fn a_pictures_motion_is_measured_to_a_twentieth_of_a_pixel() {
        let background = Background::new(&wall(&STILL(), 1), &[]).unwrap();
        let all = [
            STILL(),
            motion(0.3, -0.6, 1.0, 0.0),
            motion(-4.2, 2.7, 1.0, 0.0),
            motion(0.2, 0.1, 1.004, 0.0),
            motion(1.0, 0.0, 0.998, 0.15),
        ];
        for (seed, truth) in (2..).zip(all) {
            let found = background.motion(&wall(&truth, seed)).unwrap();
            println!("{truth:?} {found:?}");
            assert!((found.shift_px - truth.shift_px).norm() < 0.05, "{found:?}");
            assert!((found.scale - truth.scale).abs() * 320.0 < 0.1, "{found:?}");
            assert!((found.turn_deg - truth.turn_deg).abs() < 0.02, "{found:?}");
        }
    }

    #[test]
    fn what_moves_by_itself_does_not_move_the_background() {
        let first = wall(&STILL(), 1);
        let background = Background::new(&first, &[]).unwrap();
        let mut next = wall(&STILL(), 2);
        let moved = wall(&motion(5.0, 3.0, 1.0, 0.0), 3);
        // Somebody walks through a quarter of the picture.
        for y in 60..330 {
            for x in 240..420 {
                next.data[y * 640 + x] = moved.data[y * 640 + x];
            }
        }
        let found = background.motion(&next).unwrap();
        assert!(found.shift_px.norm() < 0.05, "{found:?}");
        let hidden = Background::new(&first, &[[0.0, 0.0, 639.0, 359.0]]);
        assert!(hidden.is_none());
        assert!(Background::new(&Grey::filled(640, 360, 90), &[]).is_none());
    }

    #[test]
    fn a_moved_phone_is_told_from_stabilisation_and_from_breathing() {
        let at = |k: usize, m: Motion| (Seconds(k as f64 * 0.1), m);
        let judged = |of: &dyn Fn(usize) -> Motion| {
            let motions: Vec<_> = (0..24).map(|k| at(k, of(k))).collect();
            (steadiness(&motions, 1280), breathing_px(&motions, 1280))
        };
        let jitter = |k: usize| 0.1 * (k as f64 * 2.3).sin();
        let (still, none) = judged(&|k| motion(jitter(k), 0.0, 1.0002, 0.0));
        assert!(matches!(still, Steadiness::Still { worst_px } if worst_px < 0.2) && none.is_none());
        let (moved, _) = judged(&|k| {
            motion(
                if k < 9 { 0.0 } else { 2.0 } + jitter(k),
                0.5 * jitter(k),
                1.0,
                0.0,
            )
        });
        assert!(
            matches!(moved, Steadiness::Moved { by_px, at } if (by_px - 2.0).abs() < 0.2 && (at.0 - 0.9).abs() < 1e-9),
            "{moved:?}"
        );
        let (wanders, _) =
            judged(&|k| motion(2.0 * (k as f64 * 0.9).sin(), (k as f64 * 0.7).cos(), 1.0, 0.0));
        assert!(matches!(wanders, Steadiness::Wanders { .. }), "{wanders:?}");
        let (turned, _) = judged(&|k| motion(0.0, 0.0, 1.0, if k < 12 { 0.0 } else { 0.3 }));
        assert!(matches!(turned, Steadiness::Moved { .. }), "{turned:?}");
        let (_, breathing) = judged(&|k| motion(0.0, 0.0, 1.0 + 0.003 * (k as f64 / 8.0).sin(), 0.0));
        assert!(
            breathing.is_some_and(|px| (px - 1.9).abs() < 0.2),
            "{breathing:?}"
        );
    }
}
