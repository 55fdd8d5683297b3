//! A heatmap becomes a point, in pixels of the network's input.
//!
//! The cell in row i and column j covers `stride` input pixels a side; its middle is the input pixel
//! `stride * j + offset`, `stride * i + offset`, counted from the centre of the top left pixel; the offset is
//! `(stride - 1) / 2` when the cells share out the pixels evenly.

/// How strongly a place near the expected one is preferred; the constant of the networks that are read this way.
const NEARNESS_CELLS: f64 = 1.8;

/// One keypoint's heatmap.
#[derive(Clone, Copy, Debug)]
pub(super) struct Heatmap<'a> {
    /// Logits, row by row.
    pub(super) logits: &'a [f32],
    /// Cells per row.
    pub(super) columns: usize,
    /// Input pixels per cell.
    pub(super) stride_px: f64,
    /// The input pixel in the middle of the first cell.
    pub(super) cell_offset_px: f64,
}

/// A point read from a heatmap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Peak {
    /// Input pixels to the right.
    pub(super) x_px: f64,
    /// Input pixels down.
    pub(super) y_px: f64,
    /// Logit of the highest cell.
    pub(super) logit: f32,
    /// Index of that cell.
    pub(super) cell: usize,
}

impl Heatmap<'_> {
    /// Middle of the highest cell; of equal cells the first.
    pub(super) fn highest(&self) -> Option<Peak> {
        let mut best: Option<(usize, f32)> = None;
        for (i, &logit) in self.logits.iter().enumerate() {
            if logit.is_finite() && best.is_none_or(|(_, b)| logit > b) {
                best = Some((i, logit));
            }
        }
        let (cell, logit) = best?;
        let (x_px, y_px) = self.middle((cell % self.columns) as f64, (cell / self.columns) as f64);
        Some(Peak {
            x_px,
            y_px,
            logit,
            cell,
        })
    }

    /// Highest cell, then the mean of the window of `window` cells a side round it, weighted by `exp(logit)`; cells
    /// outside the map do not count.
    pub(super) fn softmax_window(&self, window: usize) -> Option<Peak> {
        let peak = self.highest()?;
        let (rows, reach) = (self.logits.len() / self.columns, window / 2);
        let (row, column) = (peak.cell / self.columns, peak.cell % self.columns);
        let (mut total, mut x, mut y) = (0.0, 0.0, 0.0);
        for i in row.saturating_sub(reach)..(row + reach + 1).min(rows) {
            for j in column.saturating_sub(reach)..(column + reach + 1).min(self.columns) {
                let logit = self.logits[i * self.columns + j];
                if logit.is_finite() {
                    let weight = f64::from(logit - peak.logit).exp();
                    total += weight;
                    x += weight * j as f64;
                    y += weight * i as f64;
                }
            }
        }
        let (x_px, y_px) = self.middle(x / total, y / total);
        Some(Peak { x_px, y_px, ..peak })
    }

    /// The cell whose probability, divided by its distance from an expected cell (plus [`NEARNESS_CELLS`]), is highest.
    pub(super) fn highest_near(&self, column: f64, row: f64) -> Option<Peak> {
        let mut best: Option<(usize, f64)> = None;
        for (i, &logit) in self.logits.iter().enumerate() {
            let dx = (i % self.columns) as f64 - column;
            let dy = (i / self.columns) as f64 - row;
            let weighted = probability(logit) / (dx.hypot(dy) + NEARNESS_CELLS);
            if weighted.is_finite() && best.is_none_or(|(_, b)| weighted > b) {
                best = Some((i, weighted));
            }
        }
        let (cell, _) = best?;
        let (x_px, y_px) = self.middle((cell % self.columns) as f64, (cell / self.columns) as f64);
        Some(Peak {
            x_px,
            y_px,
            logit: self.logits[cell],
            cell,
        })
    }

    /// A peak moved by the offset (in cells, from the cell's upper left corner) that two further maps give there.
    pub(super) fn with_offset(&self, peak: Peak, y_offset: &[f32], x_offset: &[f32]) -> Option<Peak> {
        let column = (peak.cell % self.columns) as f64 + f64::from(*x_offset.get(peak.cell)?);
        let row = (peak.cell / self.columns) as f64 + f64::from(*y_offset.get(peak.cell)?);
        let (x_px, y_px) = self.middle(column - 0.5, row - 0.5);
        Some(Peak { x_px, y_px, ..peak })
    }

    fn middle(&self, column: f64, row: f64) -> (f64, f64) {
        (
            column * self.stride_px + self.cell_offset_px,
            row * self.stride_px + self.cell_offset_px,
        )
    }
}

/// The logistic function: a logit's probability.
pub(super) fn probability(logit: f32) -> f64 {
    1.0 / (1.0 + (-f64::from(logit)).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROWS: usize = 64;
    const COLUMNS: usize = 48;

    /// Logits of a Gaussian round an input pixel.
    fn gaussian(x_px: f64, y_px: f64, sd_cells: f64) -> Vec<f32> {
        (0..ROWS * COLUMNS)
            .map(|i| {
                let (j, i) = ((i % COLUMNS) as f64, (i / COLUMNS) as f64);
                let (dx, dy) = (j - (x_px - 1.5) / 4.0, i - (y_px - 1.5) / 4.0);
                (-(dx * dx + dy * dy) / (2.0 * sd_cells * sd_cells)) as f32
            })
            .collect()
    }

    fn map(logits: &[f32]) -> Heatmap<'_> {
        Heatmap {
            logits,
            columns: COLUMNS,
            stride_px: 4.0,
            cell_offset_px: 1.5,
        }
    }

    /// Truth: where the Gaussian was put. The window of five cells cuts its tails, which pulls the mean toward the
    /// middle of the cell; with a spread of 0.7 cells that pull stays below a tenth of an input pixel.
    #[test]
    fn a_gaussian_is_found_between_the_cells() {
        let mut worst = 0.0_f64;
        for step in 0..40 {
            let (x_px, y_px) = (90.0 + 0.1 * f64::from(step), 130.0 + 0.17 * f64::from(step));
            let peak = map(&gaussian(x_px, y_px, 0.7)).softmax_window(5).unwrap();
            worst = worst.max((peak.x_px - x_px).abs()).max((peak.y_px - y_px).abs());
        }
        assert!(worst < 0.1, "{worst}");
    }

    #[test]
    fn a_gaussian_on_a_cell_is_found_exactly() {
        let peak = map(&gaussian(4.0 * 20.0 + 1.5, 4.0 * 31.0 + 1.5, 1.0))
            .softmax_window(5)
            .unwrap();
        assert!((peak.x_px - 81.5).abs() < 1e-6 && (peak.y_px - 125.5).abs() < 1e-6);
        assert_eq!(peak.cell, 31 * COLUMNS + 20);
    }

    #[test]
    fn two_equal_neighbours_meet_in_the_middle() {
        let mut logits = vec![-100.0_f32; ROWS * COLUMNS];
        logits[10 * COLUMNS + 7] = 3.0;
        logits[10 * COLUMNS + 8] = 3.0;
        let peak = map(&logits).softmax_window(5).unwrap();
        assert!((peak.x_px - (4.0 * 7.5 + 1.5)).abs() < 1e-6 && (peak.y_px - 41.5).abs() < 1e-6);
    }

    #[test]
    fn a_far_second_peak_does_not_pull() {
        let mut logits = gaussian(81.5, 125.5, 0.8);
        logits[3 * COLUMNS + 3] = -0.001;
        let peak = map(&logits).softmax_window(5).unwrap();
        assert!((peak.x_px - 81.5).abs() < 1e-6 && (peak.y_px - 125.5).abs() < 1e-6);
    }

    #[test]
    fn at_the_border_only_cells_inside_count() {
        let mut logits = vec![-100.0_f32; ROWS * COLUMNS];
        logits[0] = 1.0;
        logits[1] = 1.0;
        let peak = map(&logits).softmax_window(5).unwrap();
        assert!((peak.x_px - 3.5).abs() < 1e-6 && (peak.y_px - 1.5).abs() < 1e-6);
    }

    #[test]
    fn the_expected_place_decides_between_two_people() {
        let mut logits = vec![-9.0_f32; ROWS * COLUMNS];
        logits[30 * COLUMNS + 10] = 1.0;
        logits[30 * COLUMNS + 40] = 2.0;
        assert_eq!(
            map(&logits).highest_near(12.0, 28.0).unwrap().cell,
            30 * COLUMNS + 10
        );
        assert_eq!(
            map(&logits).highest_near(38.0, 33.0).unwrap().cell,
            30 * COLUMNS + 40
        );
    }

    #[test]
    fn an_offset_counts_from_the_cells_corner() {
        let mut logits = vec![0.0_f32; ROWS * COLUMNS];
        logits[10 * COLUMNS + 7] = 3.0;
        let (mut y, mut x) = (vec![0.0_f32; ROWS * COLUMNS], vec![0.0_f32; ROWS * COLUMNS]);
        y[10 * COLUMNS + 7] = 0.5;
        x[10 * COLUMNS + 7] = 0.25;
        let peak = map(&logits).highest().unwrap();
        let peak = map(&logits).with_offset(peak, &y, &x).unwrap();
        assert!((peak.x_px - 28.5).abs() < 1e-9 && (peak.y_px - 41.5).abs() < 1e-9);
    }

    #[test]
    fn a_map_without_a_finite_value_gives_nothing() {
        assert!(map(&[f32::NAN; 48]).softmax_window(5).is_none());
        assert!(map(&[]).highest().is_none());
    }
}
