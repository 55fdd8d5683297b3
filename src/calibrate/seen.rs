//! Where each phone's pictures had the board's corners, and by how much the rig misses them: what a person looks at to see
//! what to show again.

use nalgebra::Vector2;

use crate::calibrate::robust::Fit;
use crate::geometry::{Camera, PixelPoint};

/// One corner of the board in one picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeenCorner {
    /// Where it was seen.
    pub at: PixelPoint,
    /// From where the rig puts it to where it was seen, pixels.
    pub miss_px: Vector2<f64>,
    /// Whether it was left out as contradicting the others.
    pub left_out: bool,
}

/// One picture of the board.
#[derive(Clone, Debug, PartialEq)]
pub struct SeenBoard {
    /// Its corners.
    pub corners: Vec<SeenCorner>,
    /// Root mean square distance of those not left out, pixels.
    pub rms_px: f64,
    /// Whether the other phone saw the board at the same time.
    pub by_both: bool,
}

/// All pictures of the board that a calibration used, left phone's and right phone's.
pub(super) fn seen_boards(fit: &Fit) -> [Vec<SeenBoard>; 2] {
    [0, 1].map(|phone| {
        let views = fit.bundle.views.iter().filter(|v| !v.seen[phone].is_empty());
        views
            .map(|view| {
                let corners: Vec<SeenCorner> = view.seen[phone]
                    .iter()
                    .filter_map(|seen| {
                        Some(SeenCorner {
                            at: PixelPoint::from(seen.pixel),
                            miss_px: fit.bundle.residual(view, phone, seen)?,
                            left_out: seen.weight <= 0.0,
                        })
                    })
                    .collect();
                let used = corners.iter().filter(|c| !c.left_out);
                let (squares, count) = used.fold((0.0, 0_usize), |(sum, n), c| {
                    (sum + c.miss_px.norm_squared(), n + 1)
                });
                SeenBoard {
                    corners,
                    rms_px: (squares / count.max(1) as f64).sqrt(),
                    by_both: view.seen.iter().all(|s| !s.is_empty()),
                }
            })
            .collect()
    })
}

/// Parts of a picture, in thirds each way, top row first, in which no corner was seen: column and row, 0 to 2.
#[must_use]
pub fn unseen_parts(boards: &[SeenBoard], camera: &Camera) -> Vec<(usize, usize)> {
    let mut seen = [[false; 3]; 3];
    for corner in boards.iter().flat_map(|b| &b.corners) {
        let third = |v: f64, size: u32| ((3.0 * (v + 0.5) / f64::from(size)) as usize).min(2);
        seen[third(corner.at.y_px, camera.height_px)][third(corner.at.x_px, camera.width_px)] = true;
    }
    let parts = (0..3).flat_map(|row| (0..3).map(move |column| (column, row)));
    parts.filter(|(column, row)| !seen[*row][*column]).collect()
}
