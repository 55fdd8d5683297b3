//! Shadows: of people on themselves and on each other, and of their silhouettes on the ground.

use nalgebra::Vector3;

use crate::scene::moving::{BoundsPx, Moving};
use crate::scene::phone::Projector;
use crate::scene::raster::{DepthGrid, ScreenVertex};
use crate::scene::set::Stage;

/// Edge of a cell of the sun's view, metres.
const CELL_M: f32 = 0.014;
/// A surface this close behind the nearest one is still lit, metres.
const BIAS_M: f32 = 0.025;
/// Cells of the sun's view at most in each direction.
const GRID_LIMIT: usize = 1024;

/// What the sun sees: the nearest surface in each cell of a plane across its rays.
pub(crate) struct SunMap {
    right: Vector3<f32>,
    up: Vector3<f32>,
    toward: Vector3<f32>,
    origin: Vector3<f32>,
    grid: DepthGrid,
}

impl SunMap {
    /// Of all moving things.
    pub(crate) fn of(stage: &Stage, moving: &[Moving<'_>]) -> Self {
        let toward = stage.sun;
        let right = toward.cross(&Vector3::y()).normalize();
        let up = right.cross(&toward);
        let (mut low, mut high) = (Vector3::repeat(f32::MAX), Vector3::repeat(f32::MIN));
        for p in moving.iter().flat_map(|m| &m.world_m) {
            let q = Vector3::new(right.dot(p), up.dot(p), toward.dot(p));
            low = low.inf(&q);
            high = high.sup(&q);
        }
        let cells = |extent: f32| {
            if extent > 0.0 {
                ((extent / CELL_M) as usize + 3).min(GRID_LIMIT)
            } else {
                1
            }
        };
        let extent = high - low;
        let mut map = Self {
            right,
            up,
            toward,
            origin: low - Vector3::new(CELL_M, CELL_M, 1.0),
            grid: DepthGrid::new(cells(extent.x), cells(extent.y)),
        };
        for thing in moving {
            let vertices: Vec<_> = thing.world_m.iter().map(|p| map.place(*p)).collect();
            map.grid.draw(&vertices, thing.triangles, 0.0, 0.0);
        }
        map
    }

    fn place(&self, p: Vector3<f32>) -> ScreenVertex {
        ScreenVertex {
            x_px: (self.right.dot(&p) - self.origin.x) / CELL_M,
            y_px: (self.up.dot(&p) - self.origin.y) / CELL_M,
            inverse_depth: self.toward.dot(&p) - self.origin.z,
        }
    }

    /// Share of the sun that reaches a point, 0..=1.
    pub(crate) fn at(&self, p: Vector3<f32>) -> f32 {
        let v = self.place(p);
        let (x0, y0) = (v.x_px.floor(), v.y_px.floor());
        let open = |x: f32, y: f32| {
            if x < 0.0 || y < 0.0 || x as usize >= self.grid.width || y as usize >= self.grid.height {
                return 1.0;
            }
            let near = self.grid.near[y as usize * self.grid.width + x as usize];
            if v.inverse_depth + BIAS_M >= near {
                1.0
            } else {
                0.0
            }
        };
        let (fx, fy) = (v.x_px - x0, v.y_px - y0);
        let top = open(x0, y0) * (1.0 - fx) + open(x0 + 1.0, y0) * fx;
        let bottom = open(x0, y0 + 1.0) * (1.0 - fx) + open(x0 + 1.0, y0 + 1.0) * fx;
        top * (1.0 - fy) + bottom * fy
    }
}

/// Shadows on the ground, as a mask over part of a picture.
pub(crate) struct GroundShadow {
    /// The part.
    pub(crate) bounds: BoundsPx,
    cover: Vec<f32>,
}

impl GroundShadow {
    /// The shadow of all moving things. Taken at one instant: a shadow's edge is soft and nothing is measured on it.
    pub(crate) fn of(
        stage: &Stage,
        projector: &Projector,
        moving: &[Moving<'_>],
        picture: (usize, usize),
    ) -> Self {
        const PLACES: [(f32, f32); 2] = [(-0.25, 0.25), (0.25, -0.25)];
        let silhouettes: Vec<Vec<ScreenVertex>> = moving
            .iter()
            .map(|thing| {
                thing
                    .world_m
                    .iter()
                    .map(|p| projector.project(stage.shadow_of(*p)))
                    .collect()
            })
            .collect();
        let bounds = BoundsPx::around(silhouettes.iter().flatten(), picture.0, picture.1);
        if bounds.is_empty() {
            return Self {
                bounds,
                cover: Vec::new(),
            };
        }
        let (w, h) = (
            (bounds.right - bounds.left) as usize,
            (bounds.bottom - bounds.top) as usize,
        );
        let mut cover = vec![0.0; w * h];
        for (dx, dy) in PLACES {
            let mut grid = DepthGrid::new(w, h);
            for (vertices, thing) in silhouettes.iter().zip(moving) {
                grid.draw(
                    vertices,
                    thing.triangles,
                    bounds.left as f32 + dx,
                    bounds.top as f32 + dy,
                );
            }
            for (c, near) in cover.iter_mut().zip(&grid.near) {
                if *near > 0.0 {
                    *c += 1.0 / PLACES.len() as f32;
                }
            }
        }
        Self {
            bounds,
            cover: softened(&cover, w, h),
        }
    }

    /// Share of the sun that is hidden from the ground in a pixel of the picture.
    pub(crate) fn at(&self, x: usize, y: usize) -> f32 {
        let (x, y) = (x as i32, y as i32);
        let b = &self.bounds;
        if x < b.left || y < b.top || x >= b.right || y >= b.bottom {
            return 0.0;
        }
        let width = (b.right - b.left) as usize;
        self.cover[(y - b.top) as usize * width + (x - b.left) as usize]
    }
}

/// A mask under a 3 x 3 mean: the sun is no point.
fn softened(mask: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut out = vec![0.0; mask.len()];
    for y in 0..height {
        for x in 0..width {
            let (mut sum, mut count) = (0.0, 0.0);
            for yy in y.saturating_sub(1)..=(y + 1).min(height - 1) {
                for xx in x.saturating_sub(1)..=(x + 1).min(width - 1) {
                    sum += mask[yy * width + xx];
                    count += 1.0;
                }
            }
            out[y * width + x] = sum / count;
        }
    }
    out
}
