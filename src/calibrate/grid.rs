//! Grows saddle points into a lattice: from one corner and its edges' directions to a first square, then outward, each
//! next corner predicted from its neighbours.

use std::collections::{BTreeSet, HashMap};

use nalgebra::Vector2;

use crate::calibrate::lattice::{Cell, Cells, Lattice, Spot};
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
/// A corner joins a lattice with at least this share of the first square's contrast.
const JOIN_CONTRAST: f64 = 0.25;
/// Corners after which a growing lattice is first looked at as a whole.
const FIRST_CHECK: usize = 16;

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
            if let Some(found) = growth.cells.window(size) {
                return Some(found);
            }
        }
        let Some(lattice) = growth.cells.trimmed(plane) else {
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
            cells: Cells::default(),
            members: Vec::new(),
        };
        for (cell, i) in [
            ((0, 0), seed),
            ((1, 0), right),
            ((0, 1), down),
            ((1, 1), diagonal),
        ] {
            growth.cells.0.insert(cell, Spot::from(&index.saddles[i]));
            growth.members.push(i);
        }
        let total: f64 = growth.cells.0.values().map(|spot| spot.contrast).sum();
        growth.least_contrast = JOIN_CONTRAST * total / growth.cells.0.len() as f64;
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
    cells: Cells,
    members: Vec<usize>,
}

impl Growth<'_> {
    /// Adds corners outward until none fits or there are more than `most`.
    fn grow(&mut self, most: usize) {
        let around = |(i, j): Cell| [(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)];
        let mut open: BTreeSet<Cell> = self.cells.0.keys().flat_map(|cell| around(*cell)).collect();
        let mut checked = false;
        while !open.is_empty() && self.cells.0.len() <= most {
            let mut next = BTreeSet::new();
            for cell in open {
                if self.cells.0.contains_key(&cell) {
                    continue;
                }
                if let Some(spot) = self.seek(cell) {
                    self.cells.0.insert(cell, spot);
                    // A neighbour that failed before may fit now that more is known around it.
                    next.extend(around(cell));
                }
            }
            open = next;
            if !checked && self.cells.0.len() >= FIRST_CHECK {
                checked = true;
                if !self.cells.straight() {
                    return;
                }
            }
        }
    }

    /// Finds the corner of an empty cell where its neighbours say it is.
    fn seek(&mut self, cell: Cell) -> Option<Spot> {
        let (at, u, v) = self.cells.predict(cell)?;
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
}
