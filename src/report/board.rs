//! The checkerboard to print: true to scale, with a ruler to check the print, on one sheet or on many small ones.

use crate::report::drawing::{Mark, Sheet, to_pdf};

/// Least white edge below the squares: the ruler and its words stand there, millimetres.
const MIN_MARGIN_MM: f64 = 16.0;
/// Least white edge on the other sides, millimetres.
const MIN_EDGE_MM: f64 = 5.0;
/// Paper, millimetres, landscape (ISO 216 and ANSI/ASME Y14.1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Paper {
    /// The longer side.
    pub long_mm: f64,
    /// The shorter side.
    pub short_mm: f64,
}

impl Paper {
    /// The papers known by name, the smallest first.
    pub const NAMED: [(&'static str, Self); 7] = [
        ("letter", Self::new(279.4, 215.9)),
        ("a4", Self::new(297.0, 210.0)),
        ("a3", Self::new(420.0, 297.0)),
        ("tabloid", Self::new(431.8, 279.4)),
        ("a2", Self::new(594.0, 420.0)),
        ("a1", Self::new(841.0, 594.0)),
        ("a0", Self::new(1189.0, 841.0)),
    ];

    /// Paper of two sides.
    #[must_use]
    pub const fn new(long_mm: f64, short_mm: f64) -> Self {
        Self { long_mm, short_mm }
    }
}

/// A board on its sheet, millimetres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardSheet {
    /// Sheet width.
    pub sheet_width_mm: f64,
    /// Sheet height.
    pub sheet_height_mm: f64,
    /// Squares along the long side.
    pub square_cols: usize,
    /// Squares along the short side.
    pub square_rows: usize,
    /// Edge of one square.
    pub square_mm: f64,
    /// White edge below the lowest squares: their height above the ground when the board stands.
    pub margin_mm: f64,
}

impl Default for BoardSheet {
    /// A1 landscape, 10 x 7 squares of 70 mm (9 x 6 inner corners), the lowest squares one square above the edge.
    fn default() -> Self {
        Self {
            sheet_width_mm: 841.0,
            sheet_height_mm: 594.0,
            square_cols: 10,
            square_rows: 7,
            square_mm: 70.0,
            margin_mm: 70.0,
        }
    }
}

/// A board that cannot be drawn.
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum BoardUndrawable {
    /// It does not fit on its sheet.
    #[error(
        "a board of {width_mm} x {height_mm} mm with {margin_mm} mm below it does not fit on a sheet of \
         {sheet_width_mm} x {sheet_height_mm} mm\nhint: use smaller squares or fewer of them, a larger --sheet, or --tile a4"
    )]
    TooLarge {
        /// Width of all squares.
        width_mm: f64,
        /// Height of all squares.
        height_mm: f64,
        /// White edge below them.
        margin_mm: f64,
        /// Sheet width.
        sheet_width_mm: f64,
        /// Sheet height.
        sheet_height_mm: f64,
    },
    /// No room for the ruler.
    #[error(
        "the white edge of {margin_mm} mm below the squares has no room for the ruler\nhint: give --margin-mm {MIN_MARGIN_MM} or more"
    )]
    NoRoomForRuler {
        /// The edge.
        margin_mm: f64,
    },
    /// Counts of which both ends look alike.
    #[error(
        "a board of {cols} x {rows} squares looks the same turned by half a turn\nhint: one count of squares must be odd and the other even, e.g. --squares 9x6 (inner corners) for 10 x 7 squares"
    )]
    Symmetric {
        /// Squares along a row.
        cols: usize,
        /// Squares along a column.
        rows: usize,
    },
}

impl BoardSheet {
    /// A board on the smallest ISO sheet (A4 to A0) that takes it, or on a sheet just large enough when none does or when
    /// it is to be tiled.
    #[must_use]
    pub fn fitting(
        square_cols: usize,
        square_rows: usize,
        square_mm: f64,
        margin_mm: f64,
        tiled: bool,
    ) -> Self {
        let mut board = Self {
            sheet_width_mm: 0.0,
            sheet_height_mm: 0.0,
            square_cols,
            square_rows,
            square_mm,
            margin_mm,
        };
        let iso = Paper::NAMED.iter().filter(|(name, _)| name.starts_with('a'));
        for (_, paper) in iso.filter(|_| !tiled) {
            (board.sheet_width_mm, board.sheet_height_mm) = (paper.long_mm, paper.short_mm);
            if board.check().is_ok() {
                return board;
            }
        }
        let edge_mm = (square_mm / 2.0).max(MIN_EDGE_MM);
        board.sheet_width_mm = board.width_mm() + 2.0 * edge_mm;
        board.sheet_height_mm = board.height_mm() + margin_mm + edge_mm;
        board
    }

    fn width_mm(&self) -> f64 {
        self.square_cols as f64 * self.square_mm
    }

    fn height_mm(&self) -> f64 {
        self.square_rows as f64 * self.square_mm
    }

    /// Left and top of the squares on the sheet, millimetres.
    #[must_use]
    pub fn squares_at_mm(&self) -> [f64; 2] {
        [
            (self.sheet_width_mm - self.width_mm()) / 2.0,
            self.sheet_height_mm - self.margin_mm - self.height_mm(),
        ]
    }

    fn check(&self) -> Result<(), BoardUndrawable> {
        if (self.square_cols + self.square_rows).is_multiple_of(2) {
            return Err(BoardUndrawable::Symmetric {
                cols: self.square_cols,
                rows: self.square_rows,
            });
        }
        if self.margin_mm < MIN_MARGIN_MM {
            return Err(BoardUndrawable::NoRoomForRuler {
                margin_mm: self.margin_mm,
            });
        }
        let [left, top] = self.squares_at_mm();
        if left < MIN_EDGE_MM || top < MIN_EDGE_MM {
            return Err(BoardUndrawable::TooLarge {
                width_mm: self.width_mm(),
                height_mm: self.height_mm(),
                margin_mm: self.margin_mm,
                sheet_width_mm: self.sheet_width_mm,
                sheet_height_mm: self.sheet_height_mm,
            });
        }
        Ok(())
    }

    pub(super) fn sheet(&self) -> Result<Sheet, BoardUndrawable> {
        self.check()?;
        let [left, top] = self.squares_at_mm();
        let s = self.square_mm;
        let mut marks = Vec::new();
        for row in 0..self.square_rows {
            // The top left square is dark.
            for col in (0..self.square_cols).filter(|col| (row + col) % 2 == 0) {
                marks.push(Mark::Box {
                    at: [left + col as f64 * s, top + row as f64 * s, s, s],
                    grey: 0.0,
                });
            }
        }
        self.origin(&mut marks);
        self.ruler(&mut marks);
        Ok(Sheet {
            width_mm: self.sheet_width_mm,
            height_mm: self.sheet_height_mm,
            marks,
        })
    }

    /// A ring outside the corner at which the corners are counted from, in the white edge, away from all squares.
    fn origin(&self, marks: &mut Vec<Mark>) {
        let [left, top] = self.squares_at_mm();
        let radius = (left.min(top) / 4.0).min(6.0);
        let width = radius / 6.0;
        let centre = [left - 2.0 * radius, top - 2.0 * radius];
        marks.push(Mark::Ring {
            centre,
            radius,
            width,
        });
        let arm = 0.6 * radius;
        for [dx, dy] in [[arm, 0.0], [0.0, arm]] {
            marks.push(Mark::line(
                [centre[0] - dx, centre[1] - dy],
                [centre[0] + dx, centre[1] + dy],
                width,
            ));
        }
    }

    /// The longest of 200, 100 and 50 mm that fits: the ruler's length.
    #[must_use]
    pub fn ruler_mm(&self) -> f64 {
        let room = self.width_mm();
        [200.0, 100.0, 50.0]
            .into_iter()
            .find(|r| *r <= room)
            .unwrap_or(50.0)
    }

    /// A ruler in the white edge below the board, and what the board is.
    fn ruler(&self, marks: &mut Vec<Mark>) {
        let left = self.squares_at_mm()[0];
        let length = self.ruler_mm();
        let size = (self.margin_mm * 0.13)
            .clamp(2.6, 9.0)
            .min(self.width_mm() / 30.0);
        let y = self.sheet_height_mm - self.margin_mm * 0.55;
        marks.push(Mark::line([left, y], [left + length, y], 0.3));
        for cm in 0..=(length / 10.0) as u32 {
            let x = left + f64::from(cm) * 10.0;
            let tick = size * if cm % 5 == 0 { 0.9 } else { 0.45 };
            marks.push(Mark::line([x, y], [x, y + tick], 0.3));
        }
        marks.push(Mark::words(
            left,
            y - 0.4 * size,
            size,
            format!("This line must measure {length} mm"),
        ));
        let counts = format!(
            "{} x {} squares of {} mm: {}x{} inner corners, counted from the ringed corner. This edge stands on the ground.",
            self.square_cols,
            self.square_rows,
            self.square_mm,
            self.square_cols - 1,
            self.square_rows - 1
        );
        marks.push(Mark::words(
            left,
            y + 2.1 * size,
            size.min(self.width_mm() / 62.0),
            counts,
        ));
    }

    /// The sheet as SVG with millimetre units. The top left square is dark.
    ///
    /// # Errors
    /// When the board does not fit on the sheet or cannot be told from itself turned.
    pub fn to_svg(&self) -> Result<String, BoardUndrawable> {
        Ok(self.sheet()?.to_svg())
    }

    /// The sheet as PDF of its true size.
    ///
    /// # Errors
    /// As [`BoardSheet::to_svg`].
    pub fn to_pdf(&self) -> Result<Vec<u8>, BoardUndrawable> {
        Ok(to_pdf(&self.title(), &[self.sheet()?]))
    }

    pub(super) fn title(&self) -> String {
        format!(
            "Checkerboard of {}x{} inner corners, {} mm",
            self.square_cols - 1,
            self.square_rows - 1,
            self.square_mm
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_board_is_as_the_contract_says() {
        let svg = BoardSheet::default().to_svg().unwrap();
        assert!(svg.contains("width=\"841mm\" height=\"594mm\""));
        // 35 dark squares; the lowest ones end one square above the lower edge: top 34 + 7 x 70 = 524 = 594 - 70.
        assert_eq!(svg.matches("width=\"70\" height=\"70\"").count(), 35);
        assert!(svg.contains("y=\"454\""));
        assert!(svg.contains("10 x 7 squares") && svg.contains("9x6 inner corners"));
    }

    #[test]
    fn boards_that_cannot_be_are_refused() {
        let board = BoardSheet::default();
        let large = BoardSheet {
            square_mm: 90.0,
            ..board
        };
        assert!(matches!(large.to_svg(), Err(BoardUndrawable::TooLarge { .. })));
        let even = BoardSheet {
            square_cols: 9,
            ..board
        };
        assert!(matches!(even.to_pdf(), Err(BoardUndrawable::Symmetric { .. })));
        let low = BoardSheet {
            margin_mm: 5.0,
            ..board
        };
        assert!(matches!(
            low.to_svg(),
            Err(BoardUndrawable::NoRoomForRuler { .. })
        ));
    }

    #[test]
    fn a_board_chooses_the_smallest_sheet_that_takes_it() {
        let small = BoardSheet::fitting(10, 7, 25.0, 25.0, false);
        assert_eq!((small.sheet_width_mm, small.sheet_height_mm), (297.0, 210.0));
        let usual = BoardSheet::fitting(10, 7, 70.0, 70.0, false);
        assert_eq!(usual, BoardSheet::default());
        let huge = BoardSheet::fitting(10, 7, 200.0, 100.0, false);
        assert!(huge.sheet_width_mm > 2000.0 && huge.to_svg().is_ok());
    }
}
