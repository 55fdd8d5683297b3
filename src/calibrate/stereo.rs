//! The pose between the two phones: a start that most pairs agree with, then one refinement of everything.

use nalgebra::Vector2;
use rayon::prelude::*;

use crate::calibrate::CalibrateError;
use crate::calibrate::board::Board;
use crate::calibrate::bundle::{Bundle, LENS, Observed, SHARED, View, lens_numbers};
use crate::calibrate::corners::{BoardView, median};
use crate::calibrate::film::motion_px;
use crate::calibrate::intrinsics::{observed, pose_of};
use crate::calibrate::robust::{Fit, fit};
use crate::calibrate::select::Pair;
use crate::geometry::{Camera, CameraPoint, RightFromLeft, Rigid};

/// Median distance, of the picture's width, above which the phones did not see the same board at the same instants.
const MAX_DISAGREEMENT: f64 = 0.03;
/// A single phone's view nearer than this to one of a pair (share of the board's size) is the same view.
const SAME_VIEW: f64 = 0.02;

/// Standard deviation of a corner from which the search for the real one starts, pixels.
const USUAL_CORNER_SD_PX: f64 = 0.1;
const PRIOR_ROUNDS: usize = 4;

/// A phone's lens before the joint refinement.
pub(super) struct LensStart<'a> {
    pub(super) camera: Camera,
    /// Which numbers of the lens are free.
    pub(super) free: [bool; LENS],
    /// Standard deviations when the lens comes from a file.
    pub(super) prior_sd: Option<[f64; LENS]>,
    /// Views of this phone that help its lens.
    pub(super) views: Vec<&'a BoardView>,
}

/// A pair's corners and the board's pose in each camera.
struct Posed {
    seen: [Vec<Observed>; 2],
    poses: [Rigid; 2],
}

impl Posed {
    fn right_from_left(&self) -> Rigid {
        self.poses[1].after(&self.poses[0].inverse())
    }

    /// Root mean square distance of the right corners when the left pose is carried over, pixels.
    fn miss_px(&self, right_from_left: &Rigid, right: &Camera) -> f64 {
        let pose = right_from_left.after(&self.poses[0]);
        let squares = self.seen[1].iter().map(|o| {
            right
                .project(CameraPoint(pose.apply(&o.board_m)))
                .map_or(f64::INFINITY, |p| (p.vector() - o.pixel).norm_squared())
        });
        (squares.sum::<f64>() / self.seen[1].len() as f64).sqrt()
    }
}

/// Refines lenses and pose together; a `known` pose is held, and only checked against the pairs.
///
/// # Errors
/// [`CalibrateError::NoPairs`], [`CalibrateError::PhonesDisagree`], [`CalibrateError::PoseDisagrees`], [`CalibrateError::Mirrored`],
/// [`CalibrateError::NotSolved`].
pub(super) fn refine(
    lenses: [LensStart<'_>; 2],
    pairs: &[Pair],
    board: &Board,
    known: Option<RightFromLeft>,
) -> Result<Fit, CalibrateError> {
    let cameras = [lenses[0].camera, lenses[1].camera];
    let posed: Vec<Posed> = pairs
        .par_iter()
        .filter_map(|p| posed(p, &cameras, board))
        .collect();
    let (right_from_left, miss_px) = match known {
        Some(pose) => (
            pose.0,
            median(posed.iter().map(|p| p.miss_px(&pose.0, &cameras[1]))),
        ),
        None => agreed(&posed, &cameras[1]).ok_or(CalibrateError::NoPairs)?,
    };
    if known.is_some() && miss_px > MAX_DISAGREEMENT * f64::from(cameras[1].width_px) {
        return Err(CalibrateError::PoseDisagrees { miss_px });
    }
    if miss_px > MAX_DISAGREEMENT * f64::from(cameras[1].width_px) {
        return Err(if agrees_mirrored(pairs, &cameras, board) {
            CalibrateError::Mirrored
        } else {
            CalibrateError::PhonesDisagree { miss_px }
        });
    }
    let mut views: Vec<View> = posed
        .into_iter()
        .map(|p| View {
            pose: p.poses[0],
            seen: p.seen,
        })
        .collect();
    for phone in 0..2 {
        let in_pairs = |p: &Pair| {
            if phone == 0 {
                p.left.clone()
            } else {
                p.right.clone()
            }
        };
        let paired: Vec<BoardView> = pairs.iter().map(in_pairs).collect();
        let alone = lenses[phone].views.par_iter().filter_map(|view| {
            let same = |other: &BoardView| {
                let size = view
                    .corners
                    .first()
                    .zip(view.corners.last())
                    .map_or(1.0, |(a, b)| a.at.distance_px(b.at));
                motion_px(other, view) < SAME_VIEW * size
            };
            if paired.iter().any(same) {
                return None;
            }
            let corners = observed(view, board);
            let pose = pose_of(&cameras[phone], &corners)?;
            let seen = if phone == 0 {
                [corners, Vec::new()]
            } else {
                [Vec::new(), corners]
            };
            Some(View { pose, seen })
        });
        views.extend(alone.collect::<Vec<View>>());
    }
    let mut free = [known.is_none(); SHARED];
    free[..LENS].copy_from_slice(&lenses[0].free);
    free[LENS..2 * LENS].copy_from_slice(&lenses[1].free);
    // A prior counts against corners of unit variance, so the corners' own doubt must be known: assumed, then found.
    let prior = |l: &LensStart<'_>, sigma: f64| {
        l.prior_sd
            .map(|sd| (lens_numbers(&l.camera), sd.map(|s| s / sigma)))
    };
    let mut bundle = Bundle {
        lenses: cameras,
        right_from_left,
        views,
        free,
        lens_priors: [None, None],
    };
    let mut sigma_px = USUAL_CORNER_SD_PX;
    for _ in 0..PRIOR_ROUNDS {
        bundle.lens_priors = [prior(&lenses[0], sigma_px), prior(&lenses[1], sigma_px)];
        let fitted = fit(bundle).ok_or(CalibrateError::NotSolved)?;
        if lenses.iter().all(|l| l.prior_sd.is_none()) || (fitted.sigma_px / sigma_px - 1.0).abs() < 0.05 {
            return Ok(fitted);
        }
        sigma_px = fitted.sigma_px;
        bundle = fitted.bundle;
    }
    fit(bundle).ok_or(CalibrateError::NotSolved)
}

fn posed(pair: &Pair, cameras: &[Camera; 2], board: &Board) -> Option<Posed> {
    let seen = [observed(&pair.left, board), observed(&pair.right, board)];
    let poses = [pose_of(&cameras[0], &seen[0])?, pose_of(&cameras[1], &seen[1])?];
    Some(Posed { seen, poses })
}

/// The pair's pose that agrees best with all pairs: the least median distance.
fn agreed(posed: &[Posed], right: &Camera) -> Option<(Rigid, f64)> {
    posed
        .par_iter()
        .map(|candidate| {
            let pose = candidate.right_from_left();
            (pose, median(posed.iter().map(|p| p.miss_px(&pose, right))))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

/// Whether the phones would agree if one of them had mirrored its pictures.
fn agrees_mirrored(pairs: &[Pair], cameras: &[Camera; 2], board: &Board) -> bool {
    let width = f64::from(cameras[1].width_px);
    let [k1, k2, p1, p2, k3] = cameras[1].distortion;
    let camera = Camera {
        cx_px: width - 1.0 - cameras[1].cx_px,
        distortion: [k1, k2, p1, -p2, k3],
        ..cameras[1]
    };
    let posed: Vec<Posed> = pairs
        .iter()
        .filter_map(|pair| {
            let mut mirrored = pair.clone();
            mirrored.right = unmirrored(&pair.right, board, width);
            posed(&mirrored, &[cameras[0], camera], board)
        })
        .collect();
    agreed(&posed, &camera).is_some_and(|(_, miss)| miss <= MAX_DISAGREEMENT * width)
}

/// The view as it would have been without mirroring. A board with an odd number of rows of squares looks the same when
/// flipped top to bottom, so a mirrored picture has its rows counted from the other end; else its columns.
fn unmirrored(view: &BoardView, board: &Board, width: f64) -> BoardView {
    let mut flipped = view.clone();
    for (index, corner) in flipped.corners.iter_mut().enumerate() {
        let (row, column) = (index / board.cols, index % board.cols);
        let source = if board.rows.is_multiple_of(2) {
            (board.rows - 1 - row) * board.cols + column
        } else {
            row * board.cols + board.cols - 1 - column
        };
        *corner = view.corners[source];
        let at: Vector2<f64> = corner.at.vector();
        corner.at = Vector2::new(width - 1.0 - at.x, at.y).into();
    }
    flipped
}
