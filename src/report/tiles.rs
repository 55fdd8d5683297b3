//! A board cut into small pages to glue together.

use crate::report::board::{BoardSheet, BoardUndrawable, Paper};
use crate::report::drawing::{Mark, Sheet, to_pdf};

/// Border of a small page that printers may leave white; ticks and words stand there, millimetres.
const BORDER_MM: f64 = 12.0;
/// Strip that two neighbouring small pages share, millimetres.
const OVERLAP_MM: f64 = 12.0;

/// Where the small pages of a tiled board lie on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Tiling {
    /// Page width, millimetres.
    pub page_width_mm: f64,
    /// Page height, millimetres.
    pub page_height_mm: f64,
    /// Border around the printed window, millimetres.
    pub border_mm: f64,
    /// Strip shared by neighbouring pages, millimetres.
    pub overlap_mm: f64,
    /// Pages in a row.
    pub cols: usize,
    /// Rows of pages.
    pub rows: usize,
}

impl BoardSheet {
    /// How the sheet is cut into pages of a paper, the way that needs fewer.
    #[must_use]
    pub fn tiling(&self, paper: Paper) -> Tiling {
        let of = |width: f64, height: f64| {
            let count = |whole: f64, page: f64| {
                let window = page - 2.0 * BORDER_MM;
                (((whole - OVERLAP_MM) / (window - OVERLAP_MM)).ceil() as usize).max(1)
            };
            Tiling {
                page_width_mm: width,
                page_height_mm: height,
                border_mm: BORDER_MM,
                overlap_mm: OVERLAP_MM,
                cols: count(self.sheet_width_mm, width),
                rows: count(self.sheet_height_mm, height),
            }
        };
        let (lying, standing) = (
            of(paper.long_mm, paper.short_mm),
            of(paper.short_mm, paper.long_mm),
        );
        if standing.cols * standing.rows < lying.cols * lying.rows {
            standing
        } else {
            lying
        }
    }

    /// The sheet as a PDF of small pages with shared strips, ticks to cut and lay by, and a ruler on each.
    ///
    /// # Errors
    /// As [`BoardSheet::to_svg`].
    pub fn to_tiled_pdf(&self, paper: Paper) -> Result<Vec<u8>, BoardUndrawable> {
        let whole = self.sheet()?;
        let tiling = self.tiling(paper);
        let pages: Vec<Sheet> = (0..tiling.rows)
            .flat_map(|row| (0..tiling.cols).map(move |col| (row, col)))
            .map(|(row, col)| tiling.page(&whole, row, col))
            .collect();
        Ok(to_pdf(&self.title(), &pages))
    }
}

impl Tiling {
    /// Width and height of the printed window of a page, millimetres.
    #[must_use]
    pub fn window_mm(&self) -> [f64; 2] {
        [
            self.page_width_mm - 2.0 * self.border_mm,
            self.page_height_mm - 2.0 * self.border_mm,
        ]
    }

    fn page(&self, whole: &Sheet, row: usize, col: usize) -> Sheet {
        let (b, [w, h]) = (self.border_mm, self.window_mm());
        let step = [w - self.overlap_mm, h - self.overlap_mm];
        let mut marks = vec![Mark::Part {
            window: [b, b, w, h],
            shift: [b - col as f64 * step[0], b - row as f64 * step[1]],
            marks: whole.marks.clone(),
        }];
        // Ticks in the border, where the window and its shared strips begin and end.
        let edges = |size: f64| [b, b + self.overlap_mm, b + size - self.overlap_mm, b + size];
        for x in edges(w) {
            for (from, to) in [(b - 4.0, b - 0.5), (b + h + 0.5, b + h + 4.0)] {
                marks.push(Mark::line([x, from], [x, to], 0.2));
            }
        }
        for y in edges(h) {
            for (from, to) in [(b - 4.0, b - 0.5), (b + w + 0.5, b + w + 4.0)] {
                marks.push(Mark::line([from, y], [to, y], 0.2));
            }
        }
        let y = self.page_height_mm - 5.5;
        marks.push(Mark::line([b, y], [b + 50.0, y], 0.2));
        for x in [b, b + 50.0] {
            marks.push(Mark::line([x, y - 1.0], [x, y + 1.0], 0.2));
        }
        let place = format!(
            "50 mm    row {} of {}, column {} of {}: cut left and top at the outer ticks, lay on the neighbour's inner ticks",
            row + 1,
            self.rows,
            col + 1,
            self.cols
        );
        marks.push(Mark::words(b + 52.0, y + 0.8, 2.4, place));
        Sheet {
            width_mm: self.page_width_mm,
            height_mm: self.page_height_mm,
            marks,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_pages_cover_the_whole_sheet() {
        let board = BoardSheet::default();
        for (name, paper) in Paper::NAMED {
            let tiling = board.tiling(paper);
            let [w, h] = tiling.window_mm();
            let covered =
                |count: usize, window: f64| count as f64 * window - (count - 1) as f64 * tiling.overlap_mm;
            assert!(covered(tiling.cols, w) >= board.sheet_width_mm, "{name}");
            assert!(covered(tiling.rows, h) >= board.sheet_height_mm, "{name}");
        }
    }
}
