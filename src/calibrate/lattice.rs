//! Corners on a lattice: what the neighbours say of a cell, and which part of the lattice is the board.

use std::collections::HashMap;

use nalgebra::Vector2;

use crate::calibrate::corners::median;
use crate::calibrate::saddle::{Plane, Saddle};

/// A corner of a board has at least this share of the median corner's contrast.
const LEAST_CONTRAST: f64 = 0.4;
/// A lattice that is not the board is spoken of when this share of its cells has corners alike; else it is texture.
const CREDIBLE: f64 = 0.75;
/// Smaller lattices occur in any texture.
const LEAST_CELLS: usize = 15;
/// A line beside a window of the board's size belongs to the board, which is then another, when this share of it has
/// corners of at least `LIKE_CONTRAST`.
const LIKE_LINE: f64 = 0.8;
const LIKE_CONTRAST: f64 = 0.6;
/// Median bend of the lines, as a share of a side, beyond what misplaced corners make, pixels.
const MAX_BEND: f64 = 0.08;
const PLACED_PX: f64 = 0.5;
/// Least share of a border line that must be filled for the line to belong to the board.
const FILLED_LINE: f64 = 0.6;

/// Column and row, from anywhere.
pub(super) type Cell = (i32, i32);

/// A corner of a lattice: its place and how strong it is.
#[derive(Clone, Copy)]
pub(super) struct Spot {
    pub(super) at: Vector2<f64>,
    pub(super) contrast: f64,
}

impl From<&Saddle> for Spot {
    fn from(saddle: &Saddle) -> Self {
        Self {
            at: saddle.at,
            contrast: f64::from(saddle.response).sqrt(),
        }
    }
}

/// A lattice of corners found in one plane.
pub(super) struct Lattice {
    pub(super) width: usize,
    pub(super) height: usize,
    /// `width * height` places, row by row; `None` where no corner was seen.
    pub(super) at: Vec<Option<Vector2<f64>>>,
    /// Whether the next line on some side would lie outside the picture.
    pub(super) touches_border: bool,
}

impl Lattice {
    pub(super) fn filled(&self) -> usize {
        self.at.iter().flatten().count()
    }

    pub(super) fn complete(&self) -> bool {
        self.filled() == self.at.len()
    }
}

/// The corners found so far.
#[derive(Default)]
pub(super) struct Cells(pub(super) HashMap<Cell, Spot>);

impl Cells {
    /// Whether the lattice's lines run straight, as far as corners are placed so far: those of texture do not.
    pub(super) fn straight(&self) -> bool {
        let mut excess = Vec::new();
        for (&(i, j), spot) in &self.0 {
            for (di, dj) in [(1, 0), (0, 1)] {
                if let (Some(before), Some(after)) = (self.get((i - di, j - dj)), self.get((i + di, j + dj)))
                {
                    let bend = (before + after - spot.at * 2.0).norm();
                    let side = (after - before).norm() / 2.0;
                    excess.push(bend - MAX_BEND * side);
                }
            }
        }
        median(excess.into_iter()) <= PLACED_PX
    }

    pub(super) fn get(&self, cell: Cell) -> Option<Vector2<f64>> {
        self.0.get(&cell).map(|spot| spot.at)
    }

    /// Place of a cell and the steps along columns and rows there, the mean over what its neighbours say.
    pub(super) fn predict(&self, (i, j): Cell) -> Option<(Vector2<f64>, Vector2<f64>, Vector2<f64>)> {
        let (mut sum, mut count) = (Vector2::zeros(), 0.0);
        let mut steps = [(Vector2::zeros(), 0.0), (Vector2::zeros(), 0.0)];
        for (axis, di, dj) in [(0, 1, 0), (0, -1, 0), (1, 0, 1), (1, 0, -1)] {
            let Some(a) = self.get((i - di, j - dj)) else {
                continue;
            };
            let sign = f64::from(di + dj);
            if let Some(b) = self.get((i - 2 * di, j - 2 * dj)) {
                // Half of the change of step is carried on: perspective, without trusting one noisy corner.
                let bend = self
                    .get((i - 3 * di, j - 3 * dj))
                    .map_or(Vector2::zeros(), |c| (a - b * 2.0 + c) * 0.5);
                sum += a * 2.0 - b + bend;
                count += 1.0;
                steps[axis].0 += (a - b) * sign;
                steps[axis].1 += 1.0;
            }
            for side in [1, -1] {
                let (ei, ej) = (dj * side, di * side);
                let Some(g) = self.get((i - di + ei, j - dj + ej)) else {
                    continue;
                };
                let cross_sign = f64::from(ei + ej);
                steps[1 - axis].0 += (g - a) * cross_sign;
                steps[1 - axis].1 += 1.0;
                if let Some(f) = self.get((i + ei, j + ej)) {
                    sum += a + f - g;
                    count += 1.0;
                    steps[axis].0 += (f - g) * sign;
                    steps[axis].1 += 1.0;
                }
            }
        }
        if count == 0.0 || steps[0].1 == 0.0 || steps[1].1 == 0.0 {
            return None;
        }
        Some((sum / count, steps[0].0 / steps[0].1, steps[1].0 / steps[1].1))
    }

    /// The part of the lattice of exactly `size` whose corners are all there and alike, with nothing alike beside it; of
    /// several the most even one.
    pub(super) fn window(&self, (width, height): (usize, usize)) -> Option<Lattice> {
        if self.0.len() < width * height {
            return None;
        }
        let field = Field::of(&self.0)?;
        let (w, h) = (width as i32, height as i32);
        let mut best: Option<(f64, Cell)> = None;
        for j in 0..=field.height - h {
            for i in 0..=field.width - w {
                if field.holes(i, j, w, h) > 0 {
                    continue;
                }
                let contrasts = field.contrasts(i, j, w, h);
                let least = contrasts.iter().copied().fold(f64::INFINITY, f64::min);
                let typical = median(contrasts.into_iter());
                let sides = [
                    (i - 1, j, 1, h),
                    (i + w, j, 1, h),
                    (i, j - 1, w, 1),
                    (i, j + h, w, 1),
                ];
                let larger = sides.into_iter().any(|(i, j, w, h)| {
                    let line = field.contrasts(i, j, w, h);
                    let alike = line.iter().filter(|c| **c >= LIKE_CONTRAST * typical).count();
                    alike as f64 >= LIKE_LINE * line.len() as f64
                });
                let evenness = least / typical;
                if evenness >= LEAST_CONTRAST && !larger && best.is_none_or(|(e, _)| evenness > e) {
                    best = Some((evenness, (i, j)));
                }
            }
        }
        let (_, (i0, j0)) = best?;
        let (i0, j0) = (i0 + field.first.0, j0 + field.first.1);
        let at = (j0..j0 + h)
            .flat_map(|j| (i0..i0 + w).map(move |i| (i, j)))
            .map(|cell| self.get(cell))
            .collect();
        Some(Lattice {
            width,
            height,
            at,
            touches_border: false,
        })
    }

    /// The lattice without ragged border lines; `None` when less than 3 x 3 remain or it looks like texture.
    pub(super) fn trimmed(&self, plane: &Plane) -> Option<Lattice> {
        let mut i0 = self.0.keys().map(|c| c.0).min()?;
        let mut i1 = self.0.keys().map(|c| c.0).max()?;
        let mut j0 = self.0.keys().map(|c| c.1).min()?;
        let mut j1 = self.0.keys().map(|c| c.1).max()?;
        let share = |cells: Vec<Cell>| {
            cells.iter().filter(|cell| self.0.contains_key(cell)).count() as f64 / cells.len().max(1) as f64
        };
        loop {
            if i1 - i0 < 2 || j1 - j0 < 2 {
                return None;
            }
            let column = |i: i32| share((j0..=j1).map(|j| (i, j)).collect());
            let row = |j: i32| share((i0..=i1).map(|i| (i, j)).collect());
            let lines = [column(i0), column(i1), row(j0), row(j1)];
            let (worst, least) = (0..4).map(|k| (k, lines[k])).min_by(|a, b| a.1.total_cmp(&b.1))?;
            if least >= FILLED_LINE {
                break;
            }
            match worst {
                0 => i0 += 1,
                1 => i1 -= 1,
                2 => j0 += 1,
                _ => j1 -= 1,
            }
        }
        let (width, height) = ((i1 - i0 + 1) as usize, (j1 - j0 + 1) as usize);
        if !self.straight() {
            return None;
        }
        let cells: Vec<Cell> = (j0..=j1).flat_map(|j| (i0..=i1).map(move |i| (i, j))).collect();
        let at = cells.iter().map(|cell| self.get(*cell)).collect();
        let contrasts: Vec<f64> = cells
            .iter()
            .filter_map(|cell| self.0.get(cell))
            .map(|spot| spot.contrast)
            .collect();
        let typical = median(contrasts.iter().copied());
        let alike = contrasts
            .iter()
            .filter(|c| **c >= LEAST_CONTRAST * typical)
            .count();
        if cells.len() < LEAST_CELLS || (alike as f64) < CREDIBLE * cells.len() as f64 {
            return None;
        }
        let outside = |p: Vector2<f64>| {
            p.x < 6.0 || p.y < 6.0 || p.x > plane.width as f64 - 7.0 || p.y > plane.height as f64 - 7.0
        };
        let beyond = (j0..=j1)
            .flat_map(|j| [(i0 - 1, j), (i1 + 1, j)])
            .chain((i0..=i1).flat_map(|i| [(i, j0 - 1), (i, j1 + 1)]));
        let touches_border = beyond
            .filter_map(|cell| self.predict(cell))
            .any(|(at, _, _)| outside(at));
        Some(Lattice {
            width,
            height,
            at,
            touches_border,
        })
    }
}

/// The contrasts of a lattice as a full rectangle, 0 where there is no corner.
struct Field {
    first: Cell,
    width: i32,
    height: i32,
    contrast: Vec<f64>,
    /// Corners missing above and to the left, one row and column more than the field.
    missing: Vec<i32>,
}

impl Field {
    fn of(at: &HashMap<Cell, Spot>) -> Option<Self> {
        let first = (at.keys().map(|c| c.0).min()?, at.keys().map(|c| c.1).min()?);
        let last = (at.keys().map(|c| c.0).max()?, at.keys().map(|c| c.1).max()?);
        let (width, height) = (last.0 - first.0 + 1, last.1 - first.1 + 1);
        let mut contrast = vec![0.0; (width * height) as usize];
        for (cell, spot) in at {
            contrast[((cell.1 - first.1) * width + cell.0 - first.0) as usize] = spot.contrast;
        }
        let row = (width + 1) as usize;
        let mut missing = vec![0; row * (height + 1) as usize];
        for (k, c) in contrast.iter().enumerate() {
            let place = (k / width as usize + 1) * row + k % width as usize + 1;
            missing[place] =
                missing[place - 1] + missing[place - row] - missing[place - row - 1] + i32::from(*c <= 0.0);
        }
        Some(Self {
            first,
            width,
            height,
            contrast,
            missing,
        })
    }

    /// How many corners are missing in a window inside the field.
    fn holes(&self, i: i32, j: i32, w: i32, h: i32) -> i32 {
        let count = |i: i32, j: i32| self.missing[(j * (self.width + 1) + i) as usize];
        count(i + w, j + h) - count(i, j + h) - count(i + w, j) + count(i, j)
    }

    /// Contrasts of a window, 0 outside the field.
    fn contrasts(&self, i: i32, j: i32, w: i32, h: i32) -> Vec<f64> {
        let inside = |i: i32, j: i32| i >= 0 && j >= 0 && i < self.width && j < self.height;
        (j..j + h)
            .flat_map(|j| (i..i + w).map(move |i| (i, j)))
            .map(|(i, j)| {
                if inside(i, j) {
                    self.contrast[(j * self.width + i) as usize]
                } else {
                    0.0
                }
            })
            .collect()
    }
}
