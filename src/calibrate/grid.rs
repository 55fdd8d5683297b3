//! Grows saddle points into a lattice: from one corner and its edges' directions to a first square, then outward, each
//! next corner predicted from its neighbours.

use std::collections::HashMap;

use nalgebra::Vector2;

use crate::calibrate::saddle::{Plane, Saddle};

/// How far, of the smallest step nearby, a corner may be from its predicted place.
const REACH: f64 = 0.3;
/// Half-angle of the cone in which the first neighbours are sought: tangent.
const CONE: f64 = 0.3;
/// Seeds tried before a picture is given up.
const MAX_SEEDS: usize = 100;
/// Side of a bucket of the spatial index, pixels.
const BUCKET_PX: f64 = 16.0;
/// A lattice larger than this is no checkerboard of ours.
const MAX_CELLS: usize = 2000;
/// Least share of a border line that must be filled for the line to belong to the board.
const FILLED_LINE: f64 = 0.6;

type Cell = (i32, i32);

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
        for (i, saddle) in self.saddles.iter().enumerate() {
            let offset = saddle.at - origin;
            let along = offset.dot(&direction);
            if along < 3.0 || best.is_some_and(|(d, _)| along >= d) {
                continue;
            }
            let across = (offset - direction * along).norm();
            if across < CONE * along && saddle.polarity(edges[0], edges[1]) == Some(-wedge) {
                best = Some((along, i));
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
        growth.grow();
        for &i in &growth.members {
            used[i] = true;
        }
        let Some(lattice) = growth.trimmed() else {
            continue;
        };
        let size = (lattice.width, lattice.height);
        let fits = size == wanted || size == (wanted.1, wanted.0);
        if fits && lattice.complete() {
            return Some(lattice);
        }
        if best.as_ref().is_none_or(|b| lattice.filled() > b.filled()) {
            best = Some(lattice);
        }
    }
    best
}

fn first_square<'a>(plane: &'a Plane, index: &'a Index<'a>, seed: usize) -> Option<Growth<'a>> {
    let saddle = &index.saddles[seed];
    let [e1, e2] = saddle.edges()?;
    let wedge = saddle.polarity(e1, e2)?;
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
        let Some(diagonal) = index.nearest(b + c - a, reach, |s| s.polarity(nu, nv) == Some(here)) else {
            continue;
        };
        let mut growth = Growth {
            plane,
            index,
            wedge: here,
            at: HashMap::new(),
            members: Vec::new(),
        };
        for (cell, i) in [
            ((0, 0), seed),
            ((1, 0), right),
            ((0, 1), down),
            ((1, 1), diagonal),
        ] {
            growth.at.insert(cell, index.saddles[i].at);
            growth.members.push(i);
        }
        return Some(growth);
    }
    None
}

struct Growth<'a> {
    plane: &'a Plane,
    index: &'a Index<'a>,
    /// Colour of the wedge between +columns and +rows at cell (0, 0).
    wedge: f64,
    at: HashMap<Cell, Vector2<f64>>,
    members: Vec<usize>,
}

impl Growth<'_> {
    fn grow(&mut self) {
        loop {
            let mut edge: Vec<Cell> = self
                .at
                .keys()
                .flat_map(|&(i, j)| [(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)])
                .filter(|cell| !self.at.contains_key(cell))
                .collect();
            edge.sort_unstable();
            edge.dedup();
            let mut grown = false;
            for cell in edge {
                if let Some(at) = self.seek(cell) {
                    self.at.insert(cell, at);
                    grown = true;
                }
            }
            if !grown || self.at.len() > MAX_CELLS {
                return;
            }
        }
    }

    /// Finds the corner of an empty cell where its neighbours say it is.
    fn seek(&mut self, cell: Cell) -> Option<Vector2<f64>> {
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
        let fits = |s: &Saddle| s.polarity(nu, nv) == Some(wedge);
        if let Some(i) = self.index.nearest(at, reach, fits) {
            self.members.push(i);
            return Some(self.index.saddles[i].at);
        }
        let weak = self.plane.saddle_near(at, reach)?;
        (fits(&weak) && (weak.at - at).norm() <= reach).then_some(weak.at)
    }

    fn get(&self, cell: Cell) -> Option<Vector2<f64>> {
        self.at.get(&cell).copied()
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

    /// The lattice without ragged border lines; `None` when less than 3 x 3 remain.
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
        let at = (j0..=j1)
            .flat_map(|j| (i0..=i1).map(move |i| (i, j)))
            .map(|cell| self.get(cell))
            .collect();
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
