//! Moving surfaces as one frame sees them: each vertex at the instant at which its own sensor row is exposed.
//!
//! A surface is placed at a few instants that span the readout of its rows and the exposure; between them a vertex's
//! pixel follows a cubic. For a hand at full speed the cubic is off by less than 0.01 px.

use nalgebra::Vector3;

use crate::geometry::PixelPoint;
use crate::scene::material::{Colour, Material};
use crate::scene::phone::FilmPhone;
use crate::scene::raster::{Look, Sample, ScreenVertex};

/// How many instants a surface is placed at.
pub(crate) const NODES: usize = 4;

/// The instants of one frame at which a surface is placed, scene time, evenly spaced.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Nodes {
    first_s: f64,
    span_s: f64,
}

impl Nodes {
    /// The instants that rows between two shares of the readout need.
    pub(crate) fn of(phone: &FilmPhone, frame: usize, shares: (f64, f64)) -> Self {
        let pts = phone.frame_pts_s(frame);
        let first_s = phone.clock.scene_time_s(pts + phone.readout_s * shares.0);
        let last_s = phone
            .clock
            .scene_time_s(pts + phone.readout_s * shares.1 + phone.exposure_s);
        Self {
            first_s,
            span_s: (last_s - first_s).max(1e-7),
        }
    }

    /// Scene time of a node, seconds.
    pub(crate) fn at_s(self, node: usize) -> f64 {
        self.first_s + self.span_s * node as f64 / (NODES - 1) as f64
    }
}

/// Something that moves, as one frame sees it.
pub(crate) struct Moving<'a> {
    /// When the nodes are.
    pub(crate) nodes: Nodes,
    /// Vertices in the picture at each node.
    pub(crate) pixels: [Vec<ScreenVertex>; NODES],
    /// Vertices in the world at a node near the middle, metres.
    pub(crate) world_m: Vec<Vector3<f32>>,
    /// Their normals.
    pub(crate) normals: Vec<Vector3<f32>>,
    /// Vertex indices.
    pub(crate) triangles: &'a [[u32; 3]],
    /// Palette index of each triangle.
    pub(crate) materials: &'a [u8],
    /// Materials.
    pub(crate) palette: &'a [Material],
    /// Rest place of each vertex, for patterns.
    pub(crate) rest_m: &'a [Vector3<f32>],
    /// Light on each vertex; filled once all things are known, as they shade each other.
    pub(crate) light: Vec<Colour>,
}

impl Moving<'_> {
    /// Appearance for the rasteriser.
    pub(crate) fn look(&self) -> Look<'_> {
        Look {
            triangles: self.triangles,
            materials: self.materials,
            palette: self.palette,
            rest_m: self.rest_m,
            light: &self.light,
        }
    }

    /// Largest way of any vertex during one exposure, pixels.
    pub(crate) fn blur_px(&self, phone: &FilmPhone) -> f32 {
        let way = self.pixels[0]
            .iter()
            .zip(&self.pixels[NODES - 1])
            .map(|(a, b)| (a.x_px - b.x_px).hypot(a.y_px - b.y_px))
            .fold(0.0, f32::max);
        way * (phone.exposure_s / self.nodes.span_s) as f32
    }

    /// The vertices of one sample, each at the instant at which its own sensor row is at the sample's share of its
    /// exposure. The row depends on where the vertex then is: a fixed point, reached in a few steps because things move
    /// far slower than the readout.
    pub(crate) fn at_sample(&self, phone: &FilmPhone, frame: usize, sample: Sample) -> Vec<ScreenVertex> {
        const STEPS: usize = 3;
        let shutter = phone.shutter();
        let share_at = |x: f64, y: f64| shutter.row_share(PixelPoint::new(x, y));
        let share_0 = share_at(0.0, 0.0);
        let per_x = (share_at(1.0, 0.0) - share_0) as f32;
        let per_y = (share_at(0.0, 1.0) - share_0) as f32;
        let exposed = f64::from(sample.exposure_share) * phone.exposure_s;
        let start_s = phone
            .clock
            .scene_time_s(phone.frame_pts_s(frame) + phone.readout_s * share_0 + exposed);
        let u_start = ((start_s - self.nodes.first_s) / self.nodes.span_s) as f32;
        let u_per_share = (phone.readout_s / self.nodes.span_s) as f32;
        let place = |i: usize, u: f32| {
            let w = cubic_shares(u);
            let mut v = ScreenVertex::default();
            for (node, w) in self.pixels.iter().zip(w) {
                let p = &node[i];
                v.x_px += w * p.x_px;
                v.y_px += w * p.y_px;
                v.inverse_depth += w * p.inverse_depth;
            }
            v
        };
        (0..self.world_m.len())
            .map(|i| {
                if self.pixels.iter().any(|node| node[i].inverse_depth <= 0.0) {
                    return ScreenVertex::default();
                }
                let mut v = self.pixels[1][i];
                for _ in 0..STEPS {
                    v = place(i, u_start + u_per_share * (v.x_px * per_x + v.y_px * per_y));
                }
                v
            })
            .collect()
    }
}

/// Lagrange's weights of four even nodes on 0..1.
fn cubic_shares(u: f32) -> [f32; NODES] {
    let (a, b, c) = (u - 1.0 / 3.0, u - 2.0 / 3.0, u - 1.0);
    [
        -4.5 * a * b * c,
        13.5 * u * b * c,
        -13.5 * u * a * c,
        4.5 * u * a * b,
    ]
}

/// A rectangle in the picture, whole pixels, right and bottom not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct BoundsPx {
    /// First column.
    pub(crate) left: i32,
    /// First row.
    pub(crate) top: i32,
    /// Column after the last.
    pub(crate) right: i32,
    /// Row after the last.
    pub(crate) bottom: i32,
}

impl BoundsPx {
    /// Around vertices that are in front of the camera, cut to a picture.
    pub(crate) fn around<'v>(
        vertices: impl Iterator<Item = &'v ScreenVertex>,
        width: usize,
        height: usize,
    ) -> Self {
        let (mut low, mut high) = ([f32::MAX; 2], [f32::MIN; 2]);
        for v in vertices.filter(|v| v.inverse_depth > 0.0) {
            for (k, value) in [v.x_px, v.y_px].into_iter().enumerate() {
                low[k] = low[k].min(value);
                high[k] = high[k].max(value);
            }
        }
        let cut = |v: f32, limit: usize| v.clamp(0.0, limit as f32) as i32;
        Self {
            left: cut(low[0] - 2.0, width),
            top: cut(low[1] - 2.0, height),
            right: cut(high[0] + 3.0, width),
            bottom: cut(high[1] + 3.0, height),
        }
    }

    /// Whether nothing is in it.
    pub(crate) fn is_empty(&self) -> bool {
        self.left >= self.right || self.top >= self.bottom
    }

    /// Whether two rectangles share a pixel.
    pub(crate) fn touches(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// The smallest rectangle around both.
    pub(crate) fn and(&self, other: &Self) -> Self {
        Self {
            left: self.left.min(other.left),
            top: self.top.min(other.top),
            right: self.right.max(other.right),
            bottom: self.bottom.max(other.bottom),
        }
    }
}
