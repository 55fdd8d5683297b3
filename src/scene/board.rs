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
use crate::scene::film::backdrop;
use crate::scene::material::{Colour, scaled};
use crate::scene::moving::BoundsPx;
use crate::scene::phone::{Developer, Exposed, FilmPhone, LightField, even_bounds};
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
const PAPER: f32 = 0.62;
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
    /// Undistorted, normalised coordinates of each pixel's centre.
    rays: Vec<[f32; 2]>,
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
        let rays = (0..backdrop.height)
            .flat_map(|y| (0..backdrop.width).map(move |x| PixelPoint::new(x as f64, y as f64)))
            .map(|p| {
                let n = phone.camera.undistort(p).unwrap_or_default();
                [n.x as f32, n.y as f32]
            })
            .collect();
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
        ((end - self.phone.first_pts_s) * self.phone.rate_hz).ceil().max(0.0) as usize
    }

    /// The picture of one frame.
    #[must_use]
    pub fn picture(&self, frame: usize) -> Picture {
        let time_s = |row: f64, share: f64| self.phone.pixel_time_s(frame, PixelPoint::new(0.0, row), share);
        let (first_s, last_s) = (time_s(0.0, 0.0), time_s(self.backdrop.height as f64, 1.0));
        let bounds = self.bounds(&[first_s, (first_s + last_s) / 2.0, last_s]);
        if bounds.is_empty() {
            return self.developer.picture(&self.base, frame);
        }
        let still = self.plan.is_still(first_s, last_s);
        let width = (bounds.right - bounds.left) as usize;
        let mut light = Vec::with_capacity(width * (bounds.bottom - bounds.top) as usize);
        let at_rest = [self.view(first_s)];
        for y in bounds.top..bounds.bottom {
            let moving;
            let views = if still {
                &at_rest[..]
            } else {
                moving = [1.0 / 6.0, 0.5, 5.0 / 6.0].map(|share| self.view(time_s(f64::from(y), share)));
                &moving[..]
            };
            for x in bounds.left..bounds.right {
                light.push(self.pixel(x as usize, y as usize, views));
            }
        }
        let mut planes = self.base.clone();
        let (w, h) = (self.backdrop.width, self.backdrop.height);
        self.developer
            .expose_into(&mut planes, even_bounds(bounds, (w, h)), |x, y| {
                let (tx, ty) = (x as i32 - bounds.left, y as i32 - bounds.top);
                let inside = tx >= 0 && ty >= 0 && tx < width as i32 && (y as i32) < bounds.bottom;
                if inside {
                    light[ty as usize * width + tx as usize]
                } else {
                    self.backdrop.light[y * w + x]
                }
            });
        self.developer.picture(&planes, frame)
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

    /// Light of a pixel: one look where its four corners show the same, else many.
    fn pixel(&self, x: usize, y: usize, views: &[View]) -> Colour {
        let (w, h) = (self.backdrop.width, self.backdrop.height);
        let ray = |x: usize, y: usize| self.rays[y * w + x].map(f64::from);
        let centre = ray(x, y);
        let (left, right) = (ray(x.saturating_sub(1), y), ray((x + 1).min(w - 1), y));
        let (up, down) = (ray(x, y.saturating_sub(1)), ray(x, (y + 1).min(h - 1)));
        let span_x = (x + 1).min(w - 1) - x.saturating_sub(1);
        let span_y = (y + 1).min(h - 1) - y.saturating_sub(1);
        let per_x = [0, 1].map(|k| (right[k] - left[k]) / span_x as f64);
        let per_y = [0, 1].map(|k| (down[k] - up[k]) / span_y as f64);
        let at = |dx: f64, dy: f64| {
            (
                centre[0] + dx * per_x[0] + dy * per_y[0],
                centre[1] + dx * per_x[1] + dy * per_y[1],
            )
        };
        let behind = self.backdrop.light[y * w + x];
        if let [view] = views {
            let corners = [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)].map(|(dx, dy)| {
                let (nx, ny) = at(dx, dy);
                view.colour(nx, ny)
            });
            if corners.iter().all(|c| *c == corners[0]) {
                return corners[0].unwrap_or(behind);
            }
        }
        // Six by six places, three by three for each instant of a moving board.
        let side = if views.len() == 1 { 6 } else { 3 };
        let mut sum = [0.0; 3];
        for view in views {
            for j in 0..side {
                for i in 0..side {
                    let place = |k: i32| (f64::from(k) + 0.5) / f64::from(side) - 0.5;
                    let (nx, ny) = at(place(i), place(j));
                    let light = view.colour(nx, ny).unwrap_or(behind);
                    for (s, l) in sum.iter_mut().zip(light) {
                        *s += l;
                    }
                }
            }
        }
        scaled(sum, 1.0 / (views.len() as f32 * (side * side) as f32))
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
            print_at((column - 4.5) * SQUARE_M, MARGIN_M + (row_from_bottom + 0.5) * SQUARE_M)
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
        assert!((lowest_left - Vector3::new(0.0, 0.07, 0.35)).norm() < 1e-12, "{lowest_left}");
        assert!((board.0.rotation.matrix().determinant() - 1.0).abs() < 1e-12);
    }
}
