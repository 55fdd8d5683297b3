//! A z-buffer rasteriser that accumulates samples: each sample has its own instant and its own place in the pixel.
//!
//! The mean over the samples is at once the pixel's area (anti-aliasing) and its exposure (motion blur). Sample patterns
//! have zero mean in time and place, and next to no correlation between them, so that no edge is displaced.

use nalgebra::Vector3;

use crate::scene::material::{Colour, Material, whole};
use crate::scene::moving::BoundsPx;

/// One sample of the exposure and of the pixel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sample {
    /// Share of the exposure, 0..1.
    pub(crate) exposure_share: f32,
    /// Place in the pixel from its centre, pixels.
    pub(crate) x_px: f32,
    /// Place in the pixel from its centre, pixels.
    pub(crate) y_px: f32,
}

/// How many samples a pixel gets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Pattern {
    /// Four: nothing moves.
    Still,
    /// Eight: a moving person.
    Moving,
    /// Thirty-two: small and fast, a ball.
    Fine,
}

/// Columns and rows of eight samples, in the order of time: found by search for the least
/// correlation with time (under 0.005) and wide spacing.
const EIGHT: ([u8; 8], [u8; 8]) = ([5, 0, 6, 3, 2, 7, 4, 1], [5, 1, 2, 7, 3, 4, 0, 6]);
/// The same for four samples (a small correlation remains, of no account where nothing moves).
const FOUR: ([u8; 4], [u8; 4]) = ([0, 3, 1, 2], [1, 2, 3, 0]);
/// Steps and starts of a lattice of 32 samples, found alike; its correlations are below 0.02.
const LATTICE: [(usize, usize); 2] = [(13, 18), (21, 12)];

/// The samples of a frame.
pub(crate) fn samples(pattern: Pattern) -> Vec<Sample> {
    let (columns, rows): (Vec<u8>, Vec<u8>) = match pattern {
        Pattern::Still => (FOUR.0.to_vec(), FOUR.1.to_vec()),
        Pattern::Moving => (EIGHT.0.to_vec(), EIGHT.1.to_vec()),
        Pattern::Fine => {
            let [columns, rows] =
                LATTICE.map(|(step, start)| (0..32).map(|i| ((i * step + start) % 32) as u8).collect());
            (columns, rows)
        }
    };
    let n = columns.len() as f32;
    let centre = |i: f32| (i + 0.5) / n;
    columns
        .iter()
        .zip(&rows)
        .enumerate()
        .map(|(i, (&x, &y))| Sample {
            exposure_share: centre(i as f32),
            x_px: aperture_px(centre(f32::from(x))),
            y_px: aperture_px(centre(f32::from(y))),
        })
        .collect()
}

/// Place in a pixel of an even share 0..1: a triangle two pixels wide, which is the sensor's pixel under a lens that is
/// as sharp as a pixel.
pub(crate) fn aperture_px(share: f32) -> f32 {
    let off = share - 0.5;
    off.signum() * (1.0 - (1.0 - 2.0 * off.abs()).sqrt())
}

/// A vertex in the picture.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct ScreenVertex {
    /// Pixels.
    pub(crate) x_px: f32,
    /// Pixels.
    pub(crate) y_px: f32,
    /// One over the depth, per metre; 0 marks a vertex that is not in front of the camera.
    pub(crate) inverse_depth: f32,
}

/// What a mesh looks like apart from where it is.
pub(crate) struct Look<'a> {
    /// Vertex indices.
    pub(crate) triangles: &'a [[u32; 3]],
    /// Palette index of each triangle.
    pub(crate) materials: &'a [u8],
    /// The materials.
    pub(crate) palette: &'a [Material],
    /// Rest place of each vertex, for patterns.
    pub(crate) rest_m: &'a [Vector3<f32>],
    /// Light that falls on each vertex.
    pub(crate) light: &'a [Colour],
}

/// A rectangle of pixels that belongs to a picture, with sums over samples.
pub(crate) struct Tile {
    /// Which pixels of the picture.
    pub(crate) bounds: BoundsPx,
    width: usize,
    height: usize,
    /// Sum of colour and coverage over finished samples.
    sums: Vec<[f32; 4]>,
    depth: Vec<f32>,
    colour: Vec<Colour>,
}

impl Tile {
    /// An empty tile.
    pub(crate) fn new(bounds: BoundsPx) -> Self {
        let width = (bounds.right - bounds.left).max(0) as usize;
        let height = (bounds.bottom - bounds.top).max(0) as usize;
        Self {
            bounds,
            width,
            height,
            sums: vec![[0.0; 4]; width * height],
            depth: vec![0.0; width * height],
            colour: vec![[0.0; 3]; width * height],
        }
    }

    fn place(&self, x: usize, y: usize) -> Option<usize> {
        let (x, y) = (x as i32, y as i32);
        let b = &self.bounds;
        let inside = x >= b.left && y >= b.top && x < b.right && y < b.bottom;
        inside.then(|| (y - b.top) as usize * self.width + (x - b.left) as usize)
    }

    /// Whether anything was drawn into a pixel of the picture.
    pub(crate) fn covers(&self, x: usize, y: usize) -> bool {
        self.place(x, y).is_some_and(|at| self.sums[at][3] > 0.0)
    }

    /// Share of a pixel of the picture that is covered, of `count` samples.
    pub(crate) fn cover(&self, x: usize, y: usize, count: f32) -> f32 {
        self.place(x, y).map_or(0.0, |at| self.sums[at][3] / count)
    }

    /// This tile's mean over `count` samples laid over the light of a picture's pixel.
    pub(crate) fn over(&self, behind: Colour, x: usize, y: usize, count: f32) -> Colour {
        let Some(at) = self.place(x, y) else {
            return behind;
        };
        let sum = self.sums[at];
        let open = 1.0 - sum[3] / count;
        std::array::from_fn(|c| behind[c] * open + sum[c] / count)
    }

    /// Draws triangles that face the camera into the sample being made.
    pub(crate) fn draw(&mut self, vertices: &[ScreenVertex], look: &Look, sample: Sample) {
        let (dx, dy) = (
            self.bounds.left as f32 + sample.x_px,
            self.bounds.top as f32 + sample.y_px,
        );
        for (triangle, &material) in look.triangles.iter().zip(look.materials) {
            let corners = triangle.map(|i| vertices[i as usize]);
            let Some(setup) = Setup::new(corners, dx, dy, self.width, self.height) else {
                continue;
            };
            let material = &look.palette[usize::from(material)];
            let light = triangle.map(|i| look.light[i as usize]);
            let rest = triangle.map(|i| look.rest_m[i as usize]);
            let flat = material.is_plain().then(|| material.colour(rest[0]));
            setup.for_each_pixel(|x, y, share| {
                let at = y * self.width + x;
                let near = share[0] * corners[0].inverse_depth
                    + share[1] * corners[1].inverse_depth
                    + share[2] * corners[2].inverse_depth;
                if near <= self.depth[at] {
                    return;
                }
                self.depth[at] = near;
                let paint = flat.unwrap_or_else(|| {
                    material.colour(rest[0] * share[0] + rest[1] * share[1] + rest[2] * share[2])
                });
                self.colour[at] = std::array::from_fn(|c| {
                    paint[c] * (share[0] * light[0][c] + share[1] * light[1][c] + share[2] * light[2][c])
                });
            });
        }
    }

    /// Adds the finished sample to the sums and clears it.
    pub(crate) fn finish_sample(&mut self) {
        for ((sum, depth), colour) in self.sums.iter_mut().zip(&mut self.depth).zip(&self.colour) {
            if *depth > 0.0 {
                for c in 0..3 {
                    sum[c] += colour[c];
                }
                sum[3] += 1.0;
                *depth = 0.0;
            }
        }
    }
}

/// A grid of depths seen from the sun, or a mask of a silhouette: any grid that keeps the nearest surface.
pub(crate) struct DepthGrid {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Nearest surface as the largest value; 0 where there is none.
    pub(crate) near: Vec<f32>,
}

impl DepthGrid {
    /// Nothing in it.
    pub(crate) fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            near: vec![0.0; width * height],
        }
    }

    /// Draws triangles whichever way they face.
    pub(crate) fn draw(&mut self, vertices: &[ScreenVertex], triangles: &[[u32; 3]], dx: f32, dy: f32) {
        for triangle in triangles {
            let mut corners = triangle.map(|i| vertices[i as usize]);
            if area2(&corners) > 0.0 {
                corners.swap(1, 2);
            }
            let Some(setup) = Setup::new(corners, dx, dy, self.width, self.height) else {
                continue;
            };
            setup.for_each_pixel(|x, y, share| {
                let near = share[0] * corners[0].inverse_depth
                    + share[1] * corners[1].inverse_depth
                    + share[2] * corners[2].inverse_depth;
                let kept = &mut self.near[y * self.width + x];
                *kept = kept.max(near);
            });
        }
    }
}

/// Twice the signed area in the picture (y down): negative for triangles that face the camera.
fn area2(c: &[ScreenVertex; 3]) -> f32 {
    (c[1].x_px - c[0].x_px) * (c[2].y_px - c[0].y_px) - (c[1].y_px - c[0].y_px) * (c[2].x_px - c[0].x_px)
}

/// A triangle ready to be filled.
struct Setup {
    columns: (i32, i32),
    rows: (i32, i32),
    /// Share of corner k at tile pixel (x, y): `at[k] + x * per_x[k] + y * per_y[k]`.
    at: [f32; 3],
    per_x: [f32; 3],
    per_y: [f32; 3],
}

impl Setup {
    /// `None` for triangles that face away, are not in front of the camera, or cover no pixel centre.
    fn new(corners: [ScreenVertex; 3], dx: f32, dy: f32, width: usize, height: usize) -> Option<Self> {
        let area = area2(&corners);
        if area >= 0.0 || corners.iter().any(|c| c.inverse_depth <= 0.0) {
            return None;
        }
        let x = corners.map(|c| c.x_px - dx);
        let y = corners.map(|c| c.y_px - dy);
        let low = |v: [f32; 3]| (-whole(-v[0].min(v[1]).min(v[2]))).max(0);
        let high = |v: [f32; 3], size: usize| whole(v[0].max(v[1]).max(v[2])).min(size as i32 - 1);
        let columns = (low(x), high(x, width));
        let rows = (low(y), high(y, height));
        if columns.0 > columns.1 || rows.0 > rows.1 {
            return None;
        }
        let mut setup = Self {
            columns,
            rows,
            at: [0.0; 3],
            per_x: [0.0; 3],
            per_y: [0.0; 3],
        };
        for k in 0..3 {
            let (i, j) = ((k + 1) % 3, (k + 2) % 3);
            setup.per_x[k] = (y[i] - y[j]) / area;
            setup.per_y[k] = (x[j] - x[i]) / area;
            // Relative to a corner near by: keeps the sums small.
            setup.at[k] = -(x[i] * setup.per_x[k] + y[i] * setup.per_y[k]);
        }
        Some(setup)
    }

    fn for_each_pixel(&self, mut visit: impl FnMut(usize, usize, [f32; 3])) {
        const EDGE: f32 = -1e-4; // neighbours share their edge: no gaps
        for y in self.rows.0..=self.rows.1 {
            for x in self.columns.0..=self.columns.1 {
                let share: [f32; 3] =
                    std::array::from_fn(|k| self.at[k] + x as f32 * self.per_x[k] + y as f32 * self.per_y[k]);
                if share[0] >= EDGE && share[1] >= EDGE && share[2] >= EDGE {
                    visit(x as usize, y as usize, share);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_have_no_mean_and_no_correlation_with_time() {
        for pattern in [Pattern::Moving, Pattern::Fine] {
            let all = samples(pattern);
            let n = all.len() as f32;
            let mean = |f: &dyn Fn(&Sample) -> f32| all.iter().map(f).sum::<f32>() / n;
            assert!((mean(&|s| s.exposure_share) - 0.5).abs() < 1e-6);
            assert!(mean(&|s| s.x_px).abs() < 1e-6 && mean(&|s| s.y_px).abs() < 1e-6);
            // Full correlation would be about 0.12: spread of the exposure times spread of the aperture.
            assert!(mean(&|s| (s.exposure_share - 0.5) * s.x_px).abs() < 0.003);
            assert!(mean(&|s| (s.exposure_share - 0.5) * s.y_px).abs() < 0.003);
        }
    }

    #[test]
    fn a_triangle_covers_its_area() {
        let v = |x: f32, y: f32| ScreenVertex {
            x_px: x,
            y_px: y,
            inverse_depth: 0.2,
        };
        let vertices = [v(10.2, 10.1), v(15.7, 61.3), v(58.4, 22.9)];
        let exact = f64::from(area2(&vertices).abs()) / 2.0;
        let look = Look {
            triangles: &[[0, 1, 2]],
            materials: &[0],
            palette: &[Material::Plain([1.0; 3])],
            rest_m: &[Vector3::zeros(); 3],
            light: &[[1.0; 3]; 3],
        };
        let mut tile = Tile::new(BoundsPx {
            left: 0,
            top: 0,
            right: 70,
            bottom: 70,
        });
        for sample in samples(Pattern::Moving) {
            tile.draw(&vertices, &look, sample);
            tile.finish_sample();
        }
        let covered: f64 = tile.sums.iter().map(|s| f64::from(s[3]) / 8.0).sum();
        assert!((covered - exact).abs() < 0.005 * exact, "{covered} {exact}");
    }
}
