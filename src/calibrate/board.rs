//! The checkerboard: its counts, its size, and where its corners are.

use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

use crate::calibrate::CalibrateError;

/// Fewest inner corners along one side that the finder accepts.
const MIN_COUNT: usize = 3;

/// A printed checkerboard.
///
/// Board coordinates: metres, origin at corner 0, x along the columns, y along the rows *downwards*, z into the board, as
/// the one who looks at the print sees it. Corner `row * cols + column` is at `(column, row, 0) * square_m`. Corner 0 is
/// the inner corner whose outermost square (the board's own corner square) is **dark**; of the board's two ends exactly
/// one has that, because one count is odd and the other even. Held with corner 0 at the top left, the board's top left
/// and bottom left squares are dark (10 x 7 squares).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Board {
    /// Inner corners along a row.
    pub cols: usize,
    /// Inner corners along a column.
    pub rows: usize,
    /// Side of one square, metres.
    pub square_m: f64,
    /// White edge below the lowest squares, metres: their height above the ground when the board stands.
    pub margin_m: f64,
}

impl Default for Board {
    fn default() -> Self {
        Self {
            cols: 9,
            rows: 6,
            square_m: 0.07,
            margin_m: 0.07,
        }
    }
}

impl Board {
    /// A board of `cols` x `rows` inner corners with a margin of one square.
    #[must_use]
    pub fn new(cols: usize, rows: usize, square_m: f64) -> Self {
        Self {
            cols,
            rows,
            square_m,
            margin_m: square_m,
        }
    }

    /// Whether corners of this board can be told apart.
    ///
    /// # Errors
    /// [`CalibrateError::BoardUnfit`] for counts under 3, counts that are both odd or both even (the board then looks the
    /// same turned by half a turn), and sizes that are not positive lengths.
    pub fn check(&self) -> Result<(), CalibrateError> {
        let unfit = |reason| CalibrateError::BoardUnfit {
            cols: self.cols,
            rows: self.rows,
            reason,
        };
        if self.cols < MIN_COUNT || self.rows < MIN_COUNT {
            return Err(unfit("each count of inner corners must be 3 or more"));
        }
        if (self.cols + self.rows).is_multiple_of(2) {
            return Err(unfit(
                "one count must be odd and the other even, else the board looks the same turned by half a turn",
            ));
        }
        let lengths_fit =
            self.square_m > 0.0 && self.square_m < 10.0 && self.margin_m >= 0.0 && self.margin_m < 10.0;
        if !lengths_fit {
            return Err(unfit(
                "the square must measure more than 0 and less than 10 m, the margin 0 to 10 m",
            ));
        }
        Ok(())
    }

    /// How many inner corners it has.
    #[must_use]
    pub fn corner_count(&self) -> usize {
        self.cols * self.rows
    }

    /// Where corner `index` is, board coordinates, metres.
    #[must_use]
    pub fn corner_m(&self, index: usize) -> Vector3<f64> {
        let (row, column) = (index / self.cols, index % self.cols);
        Vector3::new(column as f64, row as f64, 0.0) * self.square_m
    }

    /// All corners in order, board coordinates, metres.
    #[must_use]
    pub fn corners_m(&self) -> Vec<Vector3<f64>> {
        (0..self.corner_count()).map(|i| self.corner_m(i)).collect()
    }

    /// Middle of the inner corners, board coordinates, metres.
    #[must_use]
    pub fn centre_m(&self) -> Vector3<f64> {
        Vector3::new((self.cols - 1) as f64, (self.rows - 1) as f64, 0.0) * (self.square_m / 2.0)
    }
}
