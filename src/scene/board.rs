//! The checkerboard: its print, where it is held over time, and films of it.
//!
//! The print is an A1 sheet, landscape, of 10 x 7 squares of 70 mm. The lowest squares stand 70 mm above the lower edge;
//! the board is centred across. Seen from the front, the top left square is dark, and so are the bottom left one and
//! every second square; top right and bottom right are light. So a half turn swaps light and dark and can be told.
//!
//! Board coordinates: metres, origin in the middle of the sheet's lower edge, x to the right and y up as one reads the
//! print, z out of the print toward the reader.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::geometry::{PixelPoint, Rigid, WorldPoint};
use crate::picture::Picture;
use crate::scene::board_plan::BoardPlan;
use crate::scene::develop::{Bounds, Developer, Exposed, LightField, even_bounds};
use crate::scene::film::backdrop;
use crate::scene::material::{Colour, scaled};
use crate::scene::moving::BoundsPx;
use crate::scene::phone::{FilmPhone, PixelRays};
use crate::scene::raster::aperture_px;
use crate::scene::set::Stage;

/// Squares across and up.
pub const SQUARES: (usize, usize) = (10, 7);
/// Edge of a square, metres.
pub const SQUARE_M: f64 = 0.070;
/// White edge under the lowest squares, metres.
pub const MARGIN_M: f64 = 0.070;
/// The sheet, width and height, metres (A1, ISO 216).
pub const SHEET_M: (f64, f64) = (0.841, 0.594);

/// Light thrown back by paper and by ink.
const PAPER: f32 = 0.72;
const INK: f32 = 0.035;
/// The back of the sheet.
const BACK: Colour = [0.40, 0.36, 0.30];

/// Takes points of the board to the world.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorldFromBoard(pub Rigid);

impl WorldFromBoard {
    /// The board standing upright on the rubber's front edge, facing the target.
    #[must_use]
    pub fn upright_on_the_rubber() -> Self {
        let axes = Matrix3::from_columns(&[-Vector3::z(), Vector3::y(), Vector3::x()]);
        Self(Rigid::new(
            Rotation3::from_matrix_unchecked(axes),
            Vector3::zeros(),
        ))
    }

    /// A point of the board (metres, in its plane) in the world.
    #[must_use]
    pub fn point(&self, x_m: f64, y_m: f64) -> WorldPoint {
        WorldPoint(self.0.apply(&Vector3::new(x_m, y_m, 0.0)))
    }

    /// An inner corner in the world: `column` 0..9 from the left, `row` 0..6 from the top, as one reads the print.
    #[must_use]
    pub fn inner_corner(&self, column: usize, row: usize) -> WorldPoint {
        let x_m = (column as f64 + 1.0 - SQUARES.0 as f64 / 2.0) * SQUARE_M;
        let y_m = MARGIN_M + (SQUARES.1 as f64 - 1.0 - row as f64) * SQUARE_M;
        self.point(x_m, y_m)
    }

    /// The sheet's four corners in the world.
    #[must_use]
    pub fn sheet_corners(&self) -> [WorldPoint; 4] {
        let half = SHEET_M.0 / 2.0;
        [(-half, 0.0), (half, 0.0), (half, SHEET_M.1), (-half, SHEET_M.1)].map(|(x, y)| self.point(x, y))
    }

    /// Out of the print, world, of unit length.
    #[must_use]
    pub fn normal(&self) -> Vector3<f64> {
        self.0.rotation * Vector3::z()
    }
}

/// What a point of the board's plane shows: `None` beside the sheet, else whether it is inked.
fn print_at(x_m: f64, y_m: f64) -> Option<bool> {
    if x_m.abs() > SHEET_M.0 / 2.0 || !(0.0..=SHEET_M.1).contains(&y_m) {
        return None;
    }
    let column = (x_m / SQUARE_M + SQUARES.0 as f64 / 2.0).floor();
    let row = ((y_m - MARGIN_M) / SQUARE_M).floor();
    let inside = (0.0..SQUARES.0 as f64).contains(&column) && (0.0..SQUARES.1 as f64).contains(&row);
    // Seven rows: the bottom left square has the colour of the top left one.
    Some(inside && (column as usize + row as usize).is_multiple_of(2))
}

/// One phone's film of the board.
pub struct BoardFilm<'a> {
    plan: &'a BoardPlan,
    stage: &'a Stage,
    phone: &'a FilmPhone,
    developer: Developer,
    backdrop: LightField,
    base: Exposed,
    rays: PixelRays,
}

/// From normalised picture coordinates to the board's plane at one instant, and the board's looks then.
struct View {
    plane_from_ray: Matrix3<f64>,
    print: [Colour; 2],
    from_behind: bool,
}

impl View {
    /// Colour at normalised coordinates; `None` beside the sheet.
    fn colour(&self, x: f64, y: f64) -> Option<Colour> {
        let q = self.plane_from_ray * Vector3::new(x, y, 1.0);
        if q.z <= 0.0 {
            return None;
        }
        let inked = print_at(q.x / q.z, q.y / q.z)?;
        if self.from_behind {
            return Some(self.print[0]);
        }
        Some(self.print[usize::from(inked)])
    }
}

impl<'a> BoardFilm<'a> {
    /// Sets up: renders the still background once.
    #[must_use]
    pub fn new(stage: &'a Stage, plan: &'a BoardPlan, phone: &'a FilmPhone) -> Self {
        let developer = Developer::new(phone);
        let backdrop = backdrop(stage, phone);
        let base = developer.expose(&backdrop);
        let rays = PixelRays::of(&phone.camera);
        Self {
            plan,
            stage,
            phone,
            developer,
            backdrop,
            base,
            rays,
        }
    }

    /// How many frames the phone takes until the plan's end.
    #[must_use]
    pub fn frame_count(&self) -> usize {
        let end = self.phone.clock.pts_s(self.plan.end_s());
        ((end - self.phone.first_pts_s) * self.phone.rate_hz)
            .ceil()
            .max(0.0) as usize
    }

    /// The picture of one frame.
    #[must_use]
    pub fn picture(&self, frame: usize) -> Picture {
        let time_s = |row: f64, share: f64| self.phone.pixel_time_s(frame, PixelPoint::new(0.0, row), share);
        let (first_s, last_s) = (time_s(0.0, 0.0), time_s(self.backdrop.height as f64, 1.0));
        let bounds = self.bounds(&[first_s, (first_s + last_s) / 2.0, last_s]);
        if bounds.is_empty() {
            return self.developer.picture(&self.base, &[], frame);
        }
        let still = self.plan.is_still(first_s, last_s);
        let bounds = even_bounds(bounds, (self.backdrop.width, self.backdrop.height));
        let light = if still {
            self.still_light(bounds, &self.view(first_s))
        } else {
            self.moving_light(bounds, &|row, share| self.view(time_s(row, share)))
        };
        let width = bounds.2 - bounds.0;
        let patch = self.developer.expose_patch(&self.base, bounds, |x, y| {
            light[(y - bounds.1) * width + x - bounds.0]
        });
        self.developer.picture(&self.base, &[patch], frame)
    }

    /// The light of a board at rest; `None` beside the sheet. A pixel sees one pixel around it: where those neighbours'
    /// centres all show the same, one look will do.
    fn still_light(&self, bounds: Bounds, view: &View) -> Vec<Option<Colour>> {
        let (left, top, right, bottom) = bounds;
        let (last_x, last_y) = (self.backdrop.width - 1, self.backdrop.height - 1);
        // Colours at pixel centres of row y - 1 (one row early, so that row 0 has one above), from left - 1 to right.
        let row_above = |y: usize| -> Vec<Option<Colour>> {
            let inside_y = y.saturating_sub(1).min(last_y);
            let dy = y as f64 - 1.0 - inside_y as f64;
            (left..right + 2)
                .map(|x| {
                    let inside_x = x.saturating_sub(1).min(last_x);
                    let (nx, ny) = self
                        .rays
                        .at(inside_x, inside_y, x as f64 - 1.0 - inside_x as f64, dy);
                    view.colour(nx, ny)
                })
                .collect()
        };
        let mut light = Vec::with_capacity((right - left) * (bottom - top));
        let mut rows = [row_above(top), row_above(top + 1), row_above(top + 2)];
        for y in top..bottom {
            for x in left..right {
                let around = x - left..x - left + 3;
                let centre = rows[1][x - left + 1];
                let even = rows
                    .iter()
                    .all(|row| row[around.clone()].iter().all(|c| *c == centre));
                light.push(if even {
                    centre
                } else {
                    Some(self.edge_pixel(x, y, view))
                });
            }
            rows.rotate_left(1);
            rows[2] = row_above(y + 3);
        }
        light
    }

    /// The light of a board that moves: each pixel is looked at at several instants of its row's exposure, at another
    /// place in the pixel each time. Coarse: nothing is measured on a blurred board.
    fn moving_light(&self, bounds: Bounds, view: &dyn Fn(f64, f64) -> View) -> Vec<Option<Colour>> {
        const LOOKS: [(f64, f64, f64); 4] = [
            (0.125, -0.5, -0.13),
            (0.375, 0.13, -0.5),
            (0.625, -0.13, 0.5),
            (0.875, 0.5, 0.13),
        ];
        let (left, top, right, bottom) = bounds;
        let mut light = Vec::with_capacity((right - left) * (bottom - top));
        for y in top..bottom {
            let views = LOOKS.map(|(share, ..)| view(y as f64, share));
            for x in left..right {
                let seen = std::array::from_fn::<_, 4, _>(|k| {
                    let (nx, ny) = self.rays.at(x, y, LOOKS[k].1, LOOKS[k].2);
                    views[k].colour(nx, ny)
                });
                light.push(if seen.iter().all(Option::is_none) {
                    None
                } else {
                    Some(self.mean(x, y, &seen))
                });
            }
        }
        light
    }

    /// The board as this phone sees it at a scene time.
    fn view(&self, time_s: f64) -> View {
        let board = self.plan.pose_at(time_s);
        let seen = self.phone.pose.0.after(&board.0);
        let axes = seen.rotation.matrix();
        let ray_from_plane = Matrix3::from_columns(&[
            axes.column(0).into_owned(),
            axes.column(1).into_owned(),
            seen.translation_m,
        ]);
        let from_behind = axes.column(2).dot(&seen.translation_m) > 0.0;
        let normal = board.normal() * if from_behind { -1.0 } else { 1.0 };
        let falling = self.stage.light(normal.cast(), 1.0);
        let of = |paint: Colour| std::array::from_fn(|c| paint[c] * falling[c]);
        View {
            // No inverse: the phone lies in the board's plane and sees its edge only.
            plane_from_ray: ray_from_plane.try_inverse().unwrap_or_else(Matrix3::zeros),
            print: if from_behind {
                [of(BACK); 2]
            } else {
                [of([PAPER; 3]), of([INK; 3])]
            },
            from_behind,
        }
    }

    /// A pixel on an edge of the print.
    fn edge_pixel(&self, x: usize, y: usize, view: &View) -> Colour {
        /// A lattice whose columns and rows are all different: an edge along the rows is placed to 1/64 px.
        const LOOKS: usize = 64;
        const STEP: usize = 39;
        let seen: [Option<Colour>; LOOKS] = std::array::from_fn(|k| {
            let place = |k: usize| f64::from(aperture_px((k as f32 + 0.5) / LOOKS as f32));
            let (nx, ny) = self.rays.at(x, y, place(k), place(k * STEP % LOOKS));
            view.colour(nx, ny)
        });
        self.mean(x, y, &seen)
    }

    /// Mean of several looks, the set behind where they miss the sheet.
    fn mean(&self, x: usize, y: usize, seen: &[Option<Colour>]) -> Colour {
        let behind = self.backdrop.light[y * self.backdrop.width + x];
        let mut sum = [0.0; 3];
        for look in seen {
            let light = look.unwrap_or(behind);
            for (s, l) in sum.iter_mut().zip(light) {
                *s += l;
            }
        }
        scaled(sum, 1.0 / seen.len() as f32)
    }

    /// Where the sheet may be in the picture at some instants; its edges bulge with the lens, so points along them count.
    fn bounds(&self, times_s: &[f64]) -> BoundsPx {
        const STEPS: usize = 12;
        let projector = self.phone.projector();
        let mut vertices = Vec::new();
        for &time_s in times_s {
            let board = self.plan.pose_at(time_s);
            for i in 0..=STEPS {
                for j in 0..=STEPS {
                    let (u, v) = (i as f64 / STEPS as f64 - 0.5, j as f64 / STEPS as f64);
                    let p = board.point(u * SHEET_M.0, v * SHEET_M.1);
                    vertices.push(projector.project(p.0.cast()));
                }
            }
        }
        BoundsPx::around(vertices.iter(), self.backdrop.width, self.backdrop.height)
    }

    /// Frames of `range` in order, made on all cores a batch at a time, so that memory stays flat.
    pub fn pictures(&self, range: std::ops::Range<usize>) -> impl Iterator<Item = Picture> + '_ {
        crate::scene::film::in_batches(range, |frame| self.picture(frame))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_print_has_dark_squares_at_its_left_ends_only() {
        let square = |column: f64, row_from_bottom: f64| {
            print_at(
                (column - 4.5) * SQUARE_M,
                MARGIN_M + (row_from_bottom + 0.5) * SQUARE_M,
            )
        };
        assert_eq!(square(0.0, 0.0), Some(true), "bottom left");
        assert_eq!(square(0.0, 6.0), Some(true), "top left");
        assert_eq!(square(9.0, 0.0), Some(false), "bottom right");
        assert_eq!(square(9.0, 6.0), Some(false), "top right");
        assert_eq!(square(10.0, 3.0), Some(false), "white edge");
        assert_eq!(print_at(0.5, 0.1), None);
    }

    #[test]
    fn upright_it_faces_the_target_and_stands_on_the_ground() {
        let board = WorldFromBoard::upright_on_the_rubber();
        assert!((board.normal() - Vector3::x()).norm() < 1e-12);
        let lowest_left = board.point(-0.35, MARGIN_M).0;
        assert!(
            (lowest_left - Vector3::new(0.0, 0.07, 0.35)).norm() < 1e-12,
            "{lowest_left}"
        );
        assert!((board.0.rotation.matrix().determinant() - 1.0).abs() < 1e-12);
    }
}
