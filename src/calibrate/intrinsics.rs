//! One phone's lens from views of the board: Zhang's start, refinement, and the distortion order that the views support.

use nalgebra::{Rotation3, Vector2, Vector3};

use crate::calibrate::board::Board;
use crate::calibrate::bundle::{Bundle, LENS, Observed, View, normalised};
use crate::calibrate::corners::{BoardView, median};
use crate::calibrate::homography::{focal_length, homography, pose};
use crate::calibrate::robust::{Fit, fit};
use crate::geometry::{Camera, Rigid};

/// Parts into which the views are split for the hold-out error.
const FOLDS: usize = 5;
/// Fewest views for a lens.
pub(super) const MIN_VIEWS: usize = 4;
/// Focal length, of the picture's longer side, with which a fit starts when the views say nothing: a phone's main camera.
const USUAL_FOCAL: f64 = 0.8;

/// Which distortion coefficients are free; the others are 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DistortionOrder {
    /// k1.
    One,
    /// k1, k2.
    Two,
    /// k1, k2, p1, p2.
    Four,
    /// k1, k2, p1, p2, k3.
    Five,
}

impl DistortionOrder {
    /// All orders, the simplest first.
    pub const ALL: [Self; 4] = [Self::One, Self::Two, Self::Four, Self::Five];

    /// Which of `fx fy cx cy k1 k2 p1 p2 k3` are free.
    pub(super) fn free(self) -> [bool; LENS] {
        let count = match self {
            Self::One => 5,
            Self::Two => 6,
            Self::Four => 8,
            Self::Five => 9,
        };
        std::array::from_fn(|i| i < count)
    }
}

/// A lens with what it was made from.
pub(super) struct LensFit {
    pub(super) fit: Fit,
    pub(super) order: DistortionOrder,
    /// Root mean square distance in views kept out of the fit, pixels; `None` with too few views.
    pub(super) hold_out_px: Option<f64>,
}

impl LensFit {
    pub(super) fn camera(&self) -> Camera {
        self.fit.bundle.lenses[0]
    }
}

/// A picture's corners as observations.
pub(super) fn observed(view: &BoardView, board: &Board) -> Vec<Observed> {
    view.corners
        .iter()
        .zip(board.corners_m())
        .map(|(corner, board_m)| Observed {
            board_m,
            pixel: corner.at.vector(),
            weight: 1.0,
        })
        .collect()
}

/// Pose of the board in a camera whose lens is known.
pub(super) fn pose_of(lens: &Camera, seen: &[Observed]) -> Option<Rigid> {
    let (board, points) = normalised(lens, seen);
    let start = pose(&homography(&board, &points)?)?;
    let view = View {
        pose: start,
        seen: [seen.to_vec(), Vec::new()],
    };
    let fitted = fit(Bundle::of_one(*lens, vec![view], [false; LENS]))?;
    fitted.bundle.views.first().map(|v| v.pose)
}

/// Fits a lens; `None` when no start is found or nothing converges.
pub(super) fn fit_lens(
    seen: &[Vec<Observed>],
    size: (u32, u32),
    order: Option<DistortionOrder>,
) -> Option<LensFit> {
    let start = start(seen, size)?;
    // The even terms first: a start for the others, and enough to straighten most lenses.
    let plain = fit(Bundle {
        free: free_of(DistortionOrder::Two),
        ..start
    })?
    .bundle;
    if let Some(order) = order {
        let fit = fit(Bundle {
            free: free_of(order),
            ..plain
        })?;
        return Some(LensFit {
            fit,
            order,
            hold_out_px: None,
        });
    }
    let (order, hold_out_px) = chosen_order(&plain);
    let start = if order < DistortionOrder::Two {
        without_distortion(plain)
    } else {
        plain
    };
    let fit = fit(Bundle {
        free: free_of(order),
        ..start
    })?;
    Some(LensFit {
        fit,
        order,
        hold_out_px,
    })
}

fn free_of(order: DistortionOrder) -> [bool; crate::calibrate::bundle::SHARED] {
    let mut free = [false; crate::calibrate::bundle::SHARED];
    free[..LENS].copy_from_slice(&order.free());
    free
}

fn without_distortion(mut bundle: Bundle) -> Bundle {
    bundle.lenses[0].distortion = [0.0; 5];
    bundle
}

/// A pinhole with square pixels and each view's pose under it.
fn start(seen: &[Vec<Observed>], (width_px, height_px): (u32, u32)) -> Option<Bundle> {
    let centre = Vector2::new(f64::from(width_px) - 1.0, f64::from(height_px) - 1.0) / 2.0;
    let homographies: Vec<_> = seen
        .iter()
        .filter_map(|view| {
            let (board, pixels): (Vec<_>, Vec<_>) = view.iter().map(|o| (o.board_m, o.pixel)).unzip();
            homography(&board, &pixels)
        })
        .collect();
    let longer = f64::from(width_px.max(height_px));
    let focal = focal_length(&homographies, centre)
        .filter(|f| (0.2..20.0).contains(&(f / longer)))
        .unwrap_or(USUAL_FOCAL * longer);
    let lens = Camera {
        width_px,
        height_px,
        fx_px: focal,
        fy_px: focal,
        cx_px: centre.x,
        cy_px: centre.y,
        distortion: [0.0; 5],
    };
    let views: Vec<View> = seen
        .iter()
        .map(|view| {
            let (board, points) = normalised(&lens, view);
            let pose = homography(&board, &points)
                .and_then(|h| pose(&h))
                .unwrap_or_else(in_front);
            View {
                pose,
                seen: [view.clone(), Vec::new()],
            }
        })
        .collect();
    (!views.is_empty()).then(|| Bundle::of_one(lens, views, DistortionOrder::Two.free()))
}

/// A pose from which a fit can still start when a view's own homography fails.
fn in_front() -> Rigid {
    Rigid::new(Rotation3::identity(), Vector3::new(0.0, 0.0, 5.0))
}

/// The simplest order whose error in views kept out of the fit is not worse than the best order's by more than the
/// standard error of the difference, and that order's hold-out error.
fn chosen_order(plain: &Bundle) -> (DistortionOrder, Option<f64>) {
    if plain.views.len() < 2 * FOLDS {
        return (DistortionOrder::Two, None);
    }
    let errors: Vec<(DistortionOrder, Vec<f64>)> = DistortionOrder::ALL
        .iter()
        .filter_map(|&order| Some((order, hold_out_errors(plain, order)?)))
        .collect();
    let mean = |e: &[f64]| e.iter().sum::<f64>() / e.len() as f64;
    let Some((_, best)) = errors.iter().min_by(|a, b| mean(&a.1).total_cmp(&mean(&b.1))) else {
        return (DistortionOrder::Two, None);
    };
    for (order, error) in &errors {
        let worse: Vec<f64> = error.iter().zip(best).map(|(e, b)| e - b).collect();
        let excess = mean(&worse);
        let variance = worse.iter().map(|w| (w - excess).powi(2)).sum::<f64>() / (worse.len() - 1) as f64;
        if excess <= (variance / worse.len() as f64).sqrt() {
            return (*order, Some(mean(error).sqrt()));
        }
    }
    (DistortionOrder::Two, None)
}

/// Mean squared corner distance of every view under a lens made without it (its pose alone refitted).
fn hold_out_errors(plain: &Bundle, order: DistortionOrder) -> Option<Vec<f64>> {
    let mut errors = vec![0.0; plain.views.len()];
    for fold in 0..FOLDS {
        let kept: Vec<View> = plain
            .views
            .iter()
            .enumerate()
            .filter(|(i, _)| i % FOLDS != fold)
            .map(|(_, v)| v.clone())
            .collect();
        let start = Bundle {
            views: kept,
            free: free_of(order),
            ..plain.clone()
        };
        let start = if order < DistortionOrder::Two {
            without_distortion(start)
        } else {
            start
        };
        let lens = fit(start)?.bundle.lenses[0];
        for (i, view) in plain.views.iter().enumerate().filter(|(i, _)| i % FOLDS == fold) {
            let fitted = fit(Bundle::of_one(lens, vec![view.clone()], [false; LENS]))?;
            errors[i] = fitted.rms_px * fitted.rms_px;
        }
    }
    Some(errors)
}

/// Angle between the board's normal and the line of sight to its middle, degrees.
pub(super) fn slant_deg(pose: &Rigid, board: &Board) -> f64 {
    let normal = pose.rotation * Vector3::z();
    let sight = pose.apply(&board.centre_m()).normalize();
    normal.dot(&sight).abs().min(1.0).acos().to_degrees()
}

/// Share of the 6 x 4 cells of the picture in which some corner was seen.
pub(super) fn coverage(views: &[&BoardView], (width_px, height_px): (u32, u32)) -> f64 {
    const CELLS: (usize, usize) = (6, 4);
    let mut hit = [false; CELLS.0 * CELLS.1];
    for corner in views.iter().flat_map(|v| &v.corners) {
        let x = (corner.at.x_px / f64::from(width_px) * CELLS.0 as f64) as usize;
        let y = (corner.at.y_px / f64::from(height_px) * CELLS.1 as f64) as usize;
        hit[y.min(CELLS.1 - 1) * CELLS.0 + x.min(CELLS.0 - 1)] = true;
    }
    hit.iter().filter(|h| **h).count() as f64 / hit.len() as f64
}

/// Length of the board's diagonal in a picture as a share of the picture's longer side.
pub(super) fn board_share(view: &BoardView, size: (u32, u32)) -> f64 {
    match (view.corners.first(), view.corners.last()) {
        (Some(a), Some(b)) => a.at.distance_px(b.at) / f64::from(size.0.max(size.1)),
        _ => 0.0,
    }
}

/// Median blur of some views, pixels.
pub(super) fn median_blur_px(views: &[&BoardView]) -> f64 {
    median(views.iter().map(|v| v.blur_px))
}
