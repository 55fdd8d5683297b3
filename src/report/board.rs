//! The checkerboard to print: true to scale, with a ruler to check the print.

use std::fmt::Write;

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

/// A board that does not fit on its sheet.
#[derive(Debug, thiserror::Error, PartialEq)]
#[error(
    "a board of {width_mm} x {height_mm} mm with {margin_mm} mm below it does not fit on a sheet of \
     {sheet_width_mm} x {sheet_height_mm} mm\nhint: use smaller squares or fewer of them"
)]
pub struct BoardTooLarge {
    width_mm: f64,
    height_mm: f64,
    margin_mm: f64,
    sheet_width_mm: f64,
    sheet_height_mm: f64,
}

impl BoardSheet {
    /// The sheet as SVG with millimetre units. The top left square is dark.
    ///
    /// # Errors
    /// When the board does not fit on the sheet.
    pub fn to_svg(&self) -> Result<String, BoardTooLarge> {
        let (width, height) = (
            self.square_cols as f64 * self.square_mm,
            self.square_rows as f64 * self.square_mm,
        );
        let (left, top) = (
            (self.sheet_width_mm - width) / 2.0,
            self.sheet_height_mm - self.margin_mm - height,
        );
        if left < 0.0 || top < 0.0 {
            return Err(BoardTooLarge {
                width_mm: width,
                height_mm: height,
                margin_mm: self.margin_mm,
                sheet_width_mm: self.sheet_width_mm,
                sheet_height_mm: self.sheet_height_mm,
            });
        }
        let mut svg = String::new();
        let (w, h) = (self.sheet_width_mm, self.sheet_height_mm);
        // Writing to a String cannot fail.
        let _ = write!(
            svg,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">\
             <rect width=\"{w}\" height=\"{h}\" fill=\"#fff\"/><g fill=\"#000\">"
        );
        let s = self.square_mm;
        for row in 0..self.square_rows {
            for col in (0..self.square_cols).filter(|col| (row + col) % 2 == 0) {
                let (x, y) = (left + col as f64 * s, top + row as f64 * s);
                let _ = write!(svg, "<rect x=\"{x}\" y=\"{y}\" width=\"{s}\" height=\"{s}\"/>");
            }
        }
        let _ = write!(svg, "</g>");
        self.ruler(&mut svg, left, h - self.margin_mm * 0.55);
        let _ = write!(svg, "</svg>");
        Ok(svg)
    }

    /// A ruler of 200 mm in the white edge below the board, and what the board is.
    fn ruler(&self, svg: &mut String, left: f64, y: f64) {
        let _ = write!(
            svg,
            "<g stroke=\"#000\" stroke-width=\"0.4\"><path d=\"M{left} {y}h200\"/>"
        );
        for cm in 0..=20 {
            let x = left + f64::from(cm) * 10.0;
            let tick = if cm % 5 == 0 { 8.0 } else { 4.0 };
            let _ = write!(svg, "<path d=\"M{x} {y}v{tick}\"/>");
        }
        let _ = write!(
            svg,
            "</g><g font-family=\"sans-serif\" font-size=\"9\"><text x=\"{left}\" y=\"{}\">This line must measure 200 mm</text>\
             <text x=\"{}\" y=\"{}\">{} x {} squares of {} mm: {}x{} inner corners. This edge stands on the ground.</text></g>",
            y - 4.0,
            left + 240.0,
            y + 8.0,
            self.square_cols,
            self.square_rows,
            self.square_mm,
            self.square_cols - 1,
            self.square_rows - 1,
        );
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
        assert!(svg.contains("9x6 inner corners"));
    }

    #[test]
    fn a_board_larger_than_its_sheet_is_refused() {
        let board = BoardSheet {
            square_mm: 90.0,
            ..BoardSheet::default()
        };
        assert!(board.to_svg().is_err());
    }
}
