//! The world frame from points of the ground marked in a still of each phone.
//!
//! The first mark is the middle of the rubber's front edge, the second a point of the ground straight toward the target; more
//! may follow anywhere. Marks are triangulated with the rig. The line from the first to the second is the target line. Two
//! points say little of the vertical, and a mound falls away toward the plate, so that a mark's height is not guessed: only
//! those whose height against the first mark is given help. The vertical is the direction along which these have their
//! heights; what they leave open is told by the phones, whose picture rows are level to a degree or two on a tripod, and by
//! the upright board where one was seen. All enter with their doubts, by least squares.

use nalgebra::{Matrix3, Rotation3, SMatrix, Vector2, Vector3};

use crate::calibrate::CalibrateError;
use crate::calibrate::world::WorldFrame;
use crate::geometry::{Camera, CameraPoint, PixelPoint, Rigid, StereoRig, WorldFromLeft};

/// Standard deviation of a mark in each direction of a picture: set by eye on a picture of full size, pixels (common
/// practice, no source).
const MARK_SD_PX: f64 = 1.5;
/// How well a mark's height is known, standard deviation, metres (common practice, no source).
const EVEN_SD_M: f64 = 0.03;
/// How far off its line a marked point lies, standard deviation, metres (common practice, no source).
const LINE_SD_M: f64 = 0.02;
/// How level a phone on a tripod is across its picture, standard deviation, degrees (common practice, no source).
const LEVEL_SD_DEG: f64 = 1.5;
/// A mark whose two lines of sight miss by more than this is not one point, pixels of root mean square.
const MOST_MISS_PX: f64 = 8.0;
/// Shortest target line, metres.
const SHORTEST_M: f64 = 1.0;
/// Steps of the solution; three suffice.
const ROUNDS: usize = 8;

/// One point of the ground in both phones' pictures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroundMark {
    /// Where LEFT and RIGHT show it.
    pub at: [PixelPoint; 2],
    /// How much higher than the first mark it lies, metres; `None`: not known. The first mark's own height is 0.
    pub height_m: Option<f64>,
}

/// A mark in space, left camera, metres.
struct Placed {
    at: Vector3<f64>,
    covariance: Matrix3<f64>,
}

/// The world that the marks tell, with the upright board's vertical as a further witness.
///
/// # Errors
/// When there are fewer than two marks, when a mark's two views do not belong together, or when the first two are too close.
pub(super) fn ground_world(
    rig: &StereoRig,
    marks: &[GroundMark],
    board: Option<&WorldFrame>,
) -> Result<WorldFrame, CalibrateError> {
    if marks.len() < 2 {
        return Err(CalibrateError::TooFewMarks { found: marks.len() });
    }
    let mut points = Vec::new();
    for (i, mark) in marks.iter().enumerate() {
        let (placed, miss_px) = placed(rig, mark).unwrap_or((None, f64::INFINITY));
        match placed.filter(|_| miss_px <= MOST_MISS_PX) {
            Some(placed) => points.push(placed),
            None => {
                return Err(CalibrateError::MarkApart {
                    number: i + 1,
                    miss_px,
                });
            }
        }
    }
    let (up, tilt_variance) = vertical(rig, marks, &points, board).ok_or(CalibrateError::NotSolved)?;
    let line = points[1].at - points[0].at;
    let along = line - up * line.dot(&up);
    if along.norm() < SHORTEST_M {
        return Err(CalibrateError::MarksClose {
            apart_m: along.norm(),
        });
    }
    let toward = along.normalize();
    let right = toward.cross(&up);
    let across = right.dot(&((points[0].covariance + points[1].covariance) * right))
        + 2.0 * LINE_SD_M.powi(2)
        // A second mark that lies higher or lower swings aside as the vertical rolls.
        + line.dot(&up).powi(2) * tilt_variance;
    let rotation = Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[
        toward.transpose(),
        up.transpose(),
        right.transpose(),
    ]));
    let origin = points[0].at;
    Ok(WorldFrame {
        world_from_left: WorldFromLeft(Rigid::new(rotation, -(rotation * origin))),
        sd_tilt_deg: tilt_variance.sqrt().to_degrees(),
        sd_yaw_deg: (across.sqrt() / along.norm()).to_degrees(),
        phones: 2,
        standings: board.map_or(0, |b| b.standings),
        marks: marks.len(),
    })
}

/// Up, in the left camera, and the variance of its tilt about one horizontal axis, radians squared.
fn vertical(
    rig: &StereoRig,
    marks: &[GroundMark],
    points: &[Placed],
    board: Option<&WorldFrame>,
) -> Option<(Vector3<f64>, f64)> {
    let right_from_left = &rig.right_from_left.0.rotation;
    // The rows of both pictures, in the left camera.
    let rows = [Vector3::x(), right_from_left.inverse() * Vector3::x()];
    let board_up = board.map(|b| {
        (
            b.world_from_left.0.rotation.inverse() * Vector3::y(),
            b.sd_tilt_deg,
        )
    });
    let mut up = -(Vector3::y() + right_from_left.inverse() * Vector3::y()).normalize();
    // All heights are against the ground at the first mark, which is unknown too.
    let mut ground_m = up.dot(&points[0].at);
    let heights = |i: usize| if i == 0 { Some(0.0) } else { marks[i].height_m };
    let mut covariance = None;
    for _ in 0..ROUNDS {
        let first = up.cross(&rows[0]).normalize();
        let second = up.cross(&first);
        let (mut normal, mut pull) = (Matrix3::zeros(), Vector3::zeros());
        let mut add = |by: Vector3<f64>, miss: f64, variance: f64| {
            normal += by * by.transpose() / variance;
            pull -= by * (miss / variance);
        };
        for (i, point) in points.iter().enumerate() {
            let Some(height_m) = heights(i) else { continue };
            let by = Vector3::new(first.dot(&point.at), second.dot(&point.at), -1.0);
            let variance = up.dot(&(point.covariance * up)) + EVEN_SD_M.powi(2);
            add(by, up.dot(&point.at) - ground_m - height_m, variance);
        }
        for row in &rows {
            let by = Vector3::new(first.dot(row), second.dot(row), 0.0);
            add(by, up.dot(row), LEVEL_SD_DEG.to_radians().powi(2));
        }
        if let Some((board_up, sd_deg)) = board_up {
            for (axis, by) in [(first, Vector3::x()), (second, Vector3::y())] {
                add(by, -axis.dot(&board_up), sd_deg.to_radians().powi(2));
            }
        }
        let inverse = normal.try_inverse()?;
        let step: Vector3<f64> = inverse * pull;
        up = (up + first * step.x + second * step.y).normalize();
        ground_m += step.z;
        covariance = Some(inverse);
    }
    let covariance = covariance?;
    Some((up, (covariance[(0, 0)] + covariance[(1, 1)]) / 2.0))
}

/// A mark in space where both lines of sight come nearest to its pixels, and the root mean square miss, pixels.
fn placed(rig: &StereoRig, mark: &GroundMark) -> Option<(Option<Placed>, f64)> {
    let rights = rig.right_from_left.0;
    let sight = |camera: &Camera, at| camera.undistort(at).map(|n| Vector3::new(n.x, n.y, 1.0));
    let a = sight(&rig.left, mark.at[0])?;
    let b = rights.rotation.inverse() * sight(&rig.right, mark.at[1])?;
    let eye = rights.inverse().translation_m;
    // s a = eye + u b, as nearly as can be.
    let lines = SMatrix::<f64, 3, 2>::from_columns(&[a, -b]);
    let shares = (lines.tr_mul(&lines)).try_inverse()? * lines.tr_mul(&eye);
    let mut at = (a * shares[0] + eye + b * shares[1]) / 2.0;
    let mut covariance = None;
    // Lines of sight that do not meet may drive the point off: the least miss is told.
    let mut least = f64::INFINITY;
    for _ in 0..ROUNDS {
        let (mut normal, mut pull) = (Matrix3::zeros(), Vector3::zeros());
        let mut squares = 0.0;
        let views = [
            (&rig.left, Rigid::new(Rotation3::identity(), Vector3::zeros())),
            (&rig.right, rights),
        ];
        for ((camera, pose), seen) in views.iter().zip(&mark.at) {
            let local = CameraPoint(pose.apply(&at));
            let miss: Vector2<f64> = seen.vector() - camera.project(local)?.vector();
            let by = camera.project_jacobian(local)? * pose.rotation.matrix();
            normal += by.transpose() * by;
            pull += by.transpose() * miss;
            squares += miss.norm_squared();
        }
        least = least.min(squares);
        let inverse = normal.try_inverse()?;
        at += inverse * pull;
        covariance = Some(inverse * MARK_SD_PX.powi(2));
    }
    Some((
        covariance.map(|covariance| Placed { at, covariance }),
        (least / 2.0).sqrt(),
    ))
}
