//! Grows saddle points into a lattice: from one corner and its edges' directions to a first square, then outward, each
//! next corner predicted from its neighbours.

use std::collections::{BTreeSet, HashMap};

use nalgebra::Vector2;

use crate::calibrate::corners::median;
use crate::calibrate::saddle::{Plane, Saddle};

/// How far, of the smallest step nearby, a corner may be from its predicted place.
const REACH: f64 = 0.3;
/// Half-angle of the cone in which the first neighbours are sought: tangent.
const CONE: f64 = 0.5;
/// Seeds tried before a picture is given up.
const MAX_SEEDS: usize = 100;
/// Half-sides of the squares in which the first neighbours are sought, pixels: the first, doubled at once, and the last.
const FIRST_REACH_PX: f64 = 12.0;
const LAST_REACH_PX: f64 = 200.0;
/// Side of a bucket of the spatial index, pixels.
const BUCKET_PX: f64 = 16.0;
/// A lattice with this many times the wanted corners is texture.
const MAX_GROWTH: usize = 8;
/// How far a saddle's edges may stray from the lattice's ([`Saddle::polarity`]): at the start, and where the lattice already
/// predicts the place. Narrow rhombi seen at a slant need the wider one.
const SEED_TOLERANCE: f64 = 0.9;
const GROWTH_TOLERANCE: f64 = 1.6;
/// A corner of a board has at least this share of the median corner's contrast.
const LEAST_CONTRAST: f64 = 0.4;
/// A corner joins a lattice with at least this share of the first square's contrast.
const JOIN_CONTRAST: f64 = 0.25;
/// A lattice that is not the board is spoken of when this share of its cells has corners alike; else it is texture.
const CREDIBLE: f64 = 0.75;
/// Smaller lattices occur in any texture.
const LEAST_CELLS: usize = 15;
/// A line beside a window of the board's size belongs to the board, which is then another, when this share of it has
/// corners of at least `LIKE_CONTRAST`.
const LIKE_LINE: f64 = 0.8;
const LIKE_CONTRAST: f64 = 0.6;
/// Corners after which a growing lattice is first looked at as a whole.
const FIRST_CHECK: usize = 16;
/// Median bend of the lines, as a share of a side, beyond what misplaced corners make, pixels.
const MAX_BEND: f64 = 0.08;
const PLACED_PX: f64 = 0.5;
/// Least share of a border line that must be filled for the line to belong to the board.
const FILLED_LINE: f64 = 0.6;

type Cell = (i32, i32);

/// A corner of a lattice: its place and how strong it is.
#[derive(Clone, Copy)]
struct Spot {
    at: Vector2<f64>,
    contrast: f64,
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

/// Saddles by place.
struct Index<'a> {
    saddles: &'a [Saddle],
    buckets: HashMap<(i32, i32), Vec<usize>>,
}

impl<'a> Index<'a> {
    fn new(saddles: &'a [Saddle]) -> Self {
        let mut buckets: HashMap<(i32, i32), Vec<usize>> = HashMap::new();
        for (i, saddle) in saddles.iter().enumerate() {
            buckets.entry(bucket(saddle.at)).or_default().push(i);
        }
        Self { saddles, buckets }
    }

    /// The nearest saddle within `reach` of `at` that `fits`.
    fn nearest(&self, at: Vector2<f64>, reach: f64, fits: impl Fn(&Saddle) -> bool) -> Option<usize> {
        let (x0, y0) = bucket(at - Vector2::repeat(reach));
        let (x1, y1) = bucket(at + Vector2::repeat(reach));
        let mut best: Option<(f64, usize)> = None;
        for y in y0..=y1 {
            for x in x0..=x1 {
                for &i in self.buckets.get(&(x, y)).into_iter().flatten() {
                    let distance = (self.saddles[i].at - at).norm();
                    if distance <= reach && best.is_none_or(|(d, _)| distance < d) && fits(&self.saddles[i]) {
                        best = Some((distance, i));
                    }
                }
            }
        }
        best.map(|(_, i)| i)
    }

    /// The nearest saddle along `direction` from saddle `from` whose edges run the same way and whose wedge has the other
    /// colour.
    fn neighbour(
        &self,
        from: usize,
        direction: Vector2<f64>,
        edges: [Vector2<f64>; 2],
        wedge: f64,
    ) -> Option<usize> {
        let origin = self.saddles[from].at;
        let mut best: Option<(f64, usize)> = None;
        // Ever wider squares: most neighbours are near. What one square misses lies farther than it reaches.
        let mut reach = FIRST_REACH_PX;
        while best.is_none_or(|(d, _)| d > reach) && reach <= LAST_REACH_PX {
            reach *= 2.0;
            let (x0, y0) = bucket(origin - Vector2::repeat(reach));
            let (x1, y1) = bucket(origin + Vector2::repeat(reach));
            for key in (y0..=y1).flat_map(|y| (x0..=x1).map(move |x| (x, y))) {
                for &i in self.buckets.get(&key).into_iter().flatten() {
                    let saddle = &self.saddles[i];
                    let offset = saddle.at - origin;
                    let along = offset.dot(&direction);
                    if along < 3.0 || best.is_some_and(|(d, _)| along >= d) {
                        continue;
                    }
                    let across = (offset - direction * along).norm();
                    if across < CONE * along
                        && saddle.polarity(edges[0], edges[1], SEED_TOLERANCE) == Some(-wedge)
                    {
                        best = Some((along, i));
                    }
                }
            }
        }
        best.map(|(_, i)| i)
    }
}

fn bucket(at: Vector2<f64>) -> (i32, i32) {
    (
        (at.x / BUCKET_PX).floor() as i32,
        (at.y / BUCKET_PX).floor() as i32,
    )
}

/// The lattice with the most corners; stops early at one of `wanted` size (either way round).
pub(super) fn largest_lattice(plane: &Plane, saddles: &[Saddle], wanted: (usize, usize)) -> Option<Lattice> {
    let index = Index::new(saddles);
    let mut used = vec![false; saddles.len()];
    let mut best: Option<Lattice> = None;
    let mut tried = 0;
    for seed in 0..saddles.len() {
        if used[seed] {
            continue;
        }
        tried += 1;
        if tried > MAX_SEEDS {
            break;
        }
        let Some(mut growth) = first_square(plane, &index, seed) else {
            continue;
        };
        growth.grow(MAX_GROWTH * wanted.0 * wanted.1);
        for &i in &growth.members {
            used[i] = true;
        }
        for size in [wanted, (wanted.1, wanted.0)] {
            if let Some(found) = growth.window(size) {
                return Some(found);
            }
        }
        let Some(lattice) = growth.trimmed() else {
            continue;
        };
        if best.as_ref().is_none_or(|b| lattice.filled() > b.filled()) {
            best = Some(lattice);
        }
    }
    best
}

fn first_square<'a>(plane: &'a Plane, index: &'a Index<'a>, seed: usize) -> Option<Growth<'a>> {
    let saddle = &index.saddles[seed];
    let [e1, e2] = saddle.edges()?;
    let wedge = saddle.polarity(e1, e2, SEED_TOLERANCE)?;
    for (su, sv) in [(1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)] {
        let (u, v) = (e1 * su, e2 * sv);
        let here = wedge * su * sv;
        let Some(right) = index.neighbour(seed, u, [u, v], here) else {
            continue;
        };
        let Some(down) = index.neighbour(seed, v, [u, v], here) else {
            continue;
        };
        let (a, b, c) = (saddle.at, index.saddles[right].at, index.saddles[down].at);
        let reach = REACH * (b - a).norm().min((c - a).norm());
        let (nu, nv) = ((b - a).normalize(), (c - a).normalize());
        let Some(diagonal) = index.nearest(b + c - a, reach, |s| {
            s.polarity(nu, nv, GROWTH_TOLERANCE) == Some(here)
        }) else {
            continue;
        };
        let mut growth = Growth {
            plane,
            index,
            wedge: here,
            least_contrast: 0.0,
            at: HashMap::new(),
            members: Vec::new(),
        };
        for (cell, i) in [
            ((0, 0), seed),
            ((1, 0), right),
            ((0, 1), down),
            ((1, 1), diagonal),
        ] {
            growth.at.insert(cell, Spot::from(&index.saddles[i]));
            growth.members.push(i);
        }
        let total: f64 = growth.at.values().map(|spot| spot.contrast).sum();
        growth.least_contrast = JOIN_CONTRAST * total / growth.at.len() as f64;
        return Some(growth);
    }
    None
}

struct Growth<'a> {
    plane: &'a Plane,
    index: &'a Index<'a>,
    /// Colour of the wedge between +columns and +rows at cell (0, 0).
    wedge: f64,
    /// Weaker corners do not join.
    least_contrast: f64,
    at: HashMap<Cell, Spot>,
    members: Vec<usize>,
}

impl Growth<'_> {
    /// Adds corners outward until none fits or there are more than `most`.
    fn grow(&mut self, most: usize) {
        let around = |(i, j): Cell| [(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)];
        let mut open: BTreeSet<Cell> = self.at.keys().flat_map(|cell| around(*cell)).collect();
        let mut checked = false;
        while !open.is_empty() && self.at.len() <= most {
            let mut next = BTreeSet::new();
            for cell in open {
                if self.at.contains_key(&cell) {
                    continue;
                }
                if let Some(spot) = self.seek(cell) {
                    self.at.insert(cell, spot);
                    // A neighbour that failed before may fit now that more is known around it.
                    next.extend(around(cell));
                }
            }
            open = next;
            if !checked && self.at.len() >= FIRST_CHECK {
                checked = true;
                if !self.straight() {
                    return;
                }
            }
        }
    }

    /// Whether the lattice's lines run straight, as far as corners are placed so far: those of texture do not.
    fn straight(&self) -> bool {
        let mut excess = Vec::new();
        for (&(i, j), spot) in &self.at {
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

    /// Finds the corner of an empty cell where its neighbours say it is.
    fn seek(&mut self, cell: Cell) -> Option<Spot> {
        let (at, u, v) = self.predict(cell)?;
        let (lu, lv) = (u.norm(), v.norm());
        if lu < 2.0 || lv < 2.0 {
            return None;
        }
        let (nu, nv) = (u / lu, v / lv);
        let wedge = if (cell.0 + cell.1).rem_euclid(2) == 0 {
            self.wedge
        } else {
            -self.wedge
        };
        let reach = REACH * lu.min(lv);
        let least = self.least_contrast;
        let fits = |s: &Saddle| {
            Spot::from(s).contrast >= least && s.polarity(nu, nv, GROWTH_TOLERANCE) == Some(wedge)
        };
        if let Some(i) = self.index.nearest(at, reach, fits) {
            self.members.push(i);
            return Some(Spot::from(&self.index.saddles[i]));
        }
        let weak = self.plane.saddle_near(at, reach)?;
        (fits(&weak) && (weak.at - at).norm() <= reach).then_some(Spot::from(&weak))
    }

    fn get(&self, cell: Cell) -> Option<Vector2<f64>> {
        self.at.get(&cell).map(|spot| spot.at)
    }

    /// Place of a cell and the steps along columns and rows there, the mean over what its neighbours say.
    fn predict(&self, (i, j): Cell) -> Option<(Vector2<f64>, Vector2<f64>, Vector2<f64>)> {
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
    fn window(&self, (width, height): (usize, usize)) -> Option<Lattice> {
        if self.at.len() < width * height {
            return None;
        }
        let field = Field::of(&self.at)?;
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
    fn trimmed(&self) -> Option<Lattice> {
        let mut i0 = self.at.keys().map(|c| c.0).min()?;
        let mut i1 = self.at.keys().map(|c| c.0).max()?;
        let mut j0 = self.at.keys().map(|c| c.1).min()?;
        let mut j1 = self.at.keys().map(|c| c.1).max()?;
        let share = |cells: Vec<Cell>| {
            cells.iter().filter(|cell| self.at.contains_key(cell)).count() as f64 / cells.len().max(1) as f64
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
            .filter_map(|cell| self.at.get(cell))
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
            p.x < 6.0
                || p.y < 6.0
                || p.x > self.plane.width as f64 - 7.0
                || p.y > self.plane.height as f64 - 7.0
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
