//! Finds the checkerboard in one picture: all inner corners, in order, each with its doubt.

use nalgebra::Vector2;

use crate::calibrate::board::Board;
use crate::calibrate::grid::largest_lattice;
use crate::calibrate::lattice::Lattice;
use crate::calibrate::refine::{Fitted, refine};
use crate::calibrate::saddle::{Plane, halved};
use crate::geometry::PixelPoint;
use crate::picture::Grey;

/// Sizes of the picture that are searched: full, half, quarter.
const LEVELS: usize = 3;
/// Fewest saddle points, of the board's corners, that make a search worth while.
const MIN_SHARE_OF_CORNERS: f64 = 0.5;
/// Most that the sides of two neighbouring squares in line may differ, as a share of the side.
const MAX_BEND: f64 = 0.35;

/// One inner corner as measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    /// Where it is.
    pub at: PixelPoint,
    /// Standard deviation of one coordinate, pixels.
    pub sd_px: f64,
}

/// The whole board as seen in one picture.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardView {
    /// All corners in the board's order ([`Board`]).
    pub corners: Vec<Corner>,
    /// Median standard deviation of the edges' blur (lens, motion, focus), pixels.
    pub blur_px: f64,
    /// Median difference between light and dark squares, grey levels.
    pub contrast: f64,
    /// Median distance of neighbouring corners, pixels.
    pub spacing_px: f64,
}

/// Why a picture yields no board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Miss {
    /// Nothing like a checkerboard.
    #[error("no checkerboard seen")]
    NoBoard,
    /// A checkerboard of other counts.
    #[error("a board of {cols} x {rows} inner corners was seen instead")]
    OtherSize {
        /// Inner corners along the longer side.
        cols: usize,
        /// Inner corners along the shorter side.
        rows: usize,
    },
    /// Part of the board is outside the picture or hidden.
    #[error("only part of the board is seen ({found} of {wanted} corners)")]
    Partial {
        /// Corners seen.
        found: usize,
        /// Corners of the board.
        wanted: usize,
    },
    /// The lattice is there, but some corner could not be placed (glare, blur) or the colours do not alternate.
    #[error("the board is seen but not clearly enough (glare or blur)")]
    Unclear,
}

/// Finds the board in a picture. The board must be wholly visible.
///
/// # Errors
/// [`Miss`] with the reason.
pub fn find_board(picture: &Grey, board: &Board) -> Result<BoardView, Miss> {
    let mut best_miss = Miss::NoBoard;
    let mut reduced;
    let mut level_picture = picture;
    for level in 0..LEVELS {
        if level > 0 {
            reduced = halved(level_picture);
            level_picture = &reduced;
        }
        if level_picture.width < 32 || level_picture.height < 32 {
            break;
        }
        match find_at_level(picture, level_picture, level, board) {
            Ok(view) => return Ok(view),
            Err(miss) if weight(miss) > weight(best_miss) => best_miss = miss,
            Err(_) => {}
        }
    }
    Err(best_miss)
}

/// Which of two reasons says more.
fn weight(miss: Miss) -> usize {
    match miss {
        Miss::NoBoard => 0,
        Miss::Partial { found, .. } => found,
        Miss::OtherSize { cols, rows } => cols * rows + 1,
        Miss::Unclear => usize::MAX,
    }
}

fn find_at_level(picture: &Grey, reduced: &Grey, level: usize, board: &Board) -> Result<BoardView, Miss> {
    let plane = Plane::smoothed(reduced);
    let saddles = plane.saddles();
    if (saddles.len() as f64) < MIN_SHARE_OF_CORNERS * board.corner_count() as f64 {
        return Err(Miss::NoBoard);
    }
    let lattice = largest_lattice(&plane, &saddles, (board.cols, board.rows)).ok_or(Miss::NoBoard)?;
    let places = ordered(&lattice, board)?;
    // The centre of a reduced pixel lies between the full pixels it was made of.
    let scale = (1_usize << level) as f64;
    let places: Vec<_> = places
        .iter()
        .map(|p| p * scale + Vector2::repeat((scale - 1.0) / 2.0))
        .collect();
    place_exactly(picture, &places, board)
}

/// The lattice's places as `rows` x `cols`, turned so that columns to rows is clockwise in the picture (the print is seen
/// from its front); which of the two half turns is still open.
fn ordered(lattice: &Lattice, board: &Board) -> Result<Vec<Vector2<f64>>, Miss> {
    let (w, h) = (lattice.width, lattice.height);
    let (cols, rows) = (board.cols, board.rows);
    let upright = (w, h) == (cols, rows);
    if !upright && (w, h) != (rows, cols) {
        let larger = w.max(h) > cols.max(rows) || w.min(h) > cols.min(rows);
        return Err(if lattice.complete() && (larger || !lattice.touches_border) {
            Miss::OtherSize {
                cols: w.max(h),
                rows: w.min(h),
            }
        } else {
            Miss::Partial {
                found: lattice.filled(),
                wanted: cols * rows,
            }
        });
    }
    let seen: Option<Vec<_>> = lattice.at.iter().copied().collect();
    let seen = seen.ok_or(Miss::Partial {
        found: lattice.filled(),
        wanted: cols * rows,
    })?;
    let mut places = Vec::with_capacity(cols * rows);
    for row in 0..rows {
        for column in 0..cols {
            places.push(if upright {
                seen[row * w + column]
            } else {
                seen[column * w + row]
            });
        }
    }
    let (u, v) = (places[1] - places[0], places[cols] - places[0]);
    if u.x * v.y - u.y * v.x < 0.0 {
        for row in places.chunks_exact_mut(cols) {
            row.reverse();
        }
    }
    Ok(places)
}

/// The step to the neighbours along one axis at a corner: half the way between both, or the only one.
fn step(places: &[Vector2<f64>], index: usize, position: usize, count: usize, stride: usize) -> Vector2<f64> {
    if position == 0 {
        places[index + stride] - places[index]
    } else if position + 1 == count {
        places[index] - places[index - stride]
    } else {
        (places[index + stride] - places[index - stride]) / 2.0
    }
}

fn place_exactly(picture: &Grey, places: &[Vector2<f64>], board: &Board) -> Result<BoardView, Miss> {
    let (cols, rows) = (board.cols, board.rows);
    let mut fitted: Vec<Fitted> = Vec::with_capacity(places.len());
    let mut dark_first = 0_usize;
    for index in 0..places.len() {
        let (row, column) = (index / cols, index % cols);
        let u = step(places, index, column, cols, 1);
        let v = step(places, index, row, rows, cols);
        let corner = refine(picture, places[index], u, v).ok_or(Miss::Unclear)?;
        if (corner.contrast < 0.0) == (row + column).is_multiple_of(2) {
            dark_first += 1;
        }
        fitted.push(corner);
    }
    if dark_first != 0 && dark_first != fitted.len() {
        return Err(Miss::Unclear);
    }
    // Corner 0 is where the wedge between +columns and +rows, and so the outer square opposite, is dark.
    if dark_first == 0 {
        fitted.reverse();
    }
    let at: Vec<_> = fitted.iter().map(|f| f.at).collect();
    let mut spacing = Vec::with_capacity(2 * at.len());
    for index in 0..at.len() {
        let (row, column) = (index / cols, index % cols);
        for (position, count, stride) in [(column, cols, 1), (row, rows, cols)] {
            if position + 1 < count {
                spacing.push((at[index + stride] - at[index]).norm());
            }
            if position > 0 && position + 1 < count {
                let bend = at[index + stride] - at[index] * 2.0 + at[index - stride];
                let side = step(&at, index, position, count, stride).norm();
                if bend.norm() > MAX_BEND * side {
                    return Err(Miss::Unclear);
                }
            }
        }
    }
    Ok(BoardView {
        corners: fitted
            .iter()
            .map(|f| Corner {
                at: f.at.into(),
                sd_px: f.sd_px,
            })
            .collect(),
        blur_px: median(fitted.iter().map(|f| f.blur_px)),
        contrast: median(fitted.iter().map(|f| f.contrast.abs())),
        spacing_px: median(spacing.into_iter()),
    })
}

/// Median of some values; 0 of none.
pub(super) fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
