//! The world frame from the board standing upright on the rubber's front edge, facing the target.
//!
//! Rule: of all moments at which the board stood still (in films: moved less than 20 px/s for 0.4 s or more; of loose
//! pictures: each), the last one counts (in films: one that ended within 3 s of the last, so that carrying the board away
//! does no harm), if the board stands upright and level in it: its columns within 25 degrees of the camera's vertical and
//! its rows within 12 degrees of the camera's horizontal, phones being held level. Both phones are used if both saw it
//! then. Either end of the board may be up; the lowest squares then stand `margin_m` above the ground.
//!
//! A board held by hand leans a degree or two, and that goes one for one into the world. Boards stood at the same place
//! before, set down anew each time, lean independently: their mean is used, and their scatter tells how steady the hand was.
//! Boards shown elsewhere never count.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::calibrate::board::Board;
use crate::calibrate::bundle::{Bundle, Observed, SHARED, View};
use crate::calibrate::corners::{BoardView, Corner};
use crate::calibrate::film::Film;
use crate::calibrate::intrinsics::{observed, pose_of};
use crate::calibrate::robust::fit;
use crate::calibrate::standings::{Standing, mean_world};
use crate::calibrate::{CalibrateSettings, Pairing};
use crate::geometry::{PixelPoint, Rigid, StereoRig, WorldFromLeft};

const STILL_PX_S: f64 = 20.0;
const MIN_STILL_S: f64 = 0.4;
/// Sightings farther apart in time end a still moment, seconds.
const MAX_GAP_S: f64 = 0.35;
/// Moments that ended earlier than this before the last one are not the standing board, seconds.
const LAST_S: f64 = 3.0;
const MAX_ROW_SLOPE_DEG: f64 = 12.0;
const MAX_COLUMN_LEAN_DEG: f64 = 25.0;
/// Two phones that fit one board pose worse than this did not see it at the same moment, pixels.
const MAX_RMS_PX: f64 = 3.0;

/// The world frame with its doubt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorldFrame {
    /// World from left camera.
    pub world_from_left: WorldFromLeft,
    /// Standard deviation of the vertical about one horizontal axis, degrees.
    pub sd_tilt_deg: f64,
    /// Standard deviation of the target's direction, degrees.
    pub sd_yaw_deg: f64,
    /// How many phones saw the board that stood last.
    pub phones: usize,
    /// How many times the board was stood.
    pub standings: usize,
    /// How many points of the ground were marked; 0 when the board alone gave the frame.
    pub marks: usize,
}

/// A moment at which one phone saw the board stand still.
struct Moment {
    start_s: f64,
    end_s: f64,
    view: BoardView,
}

/// Finds the world frame.
///
/// # Errors
/// The reason, for people.
pub(super) fn world_frame(
    films: [&Film; 2],
    pairing: Pairing,
    rig: &StereoRig,
    settings: &CalibrateSettings,
) -> Result<WorldFrame, String> {
    let shift = match pairing {
        Pairing::ByClock { offset, .. } => offset.0,
        Pairing::ByNumber => 0.0,
    };
    let moments = [still_moments(films[0], 0.0), still_moments(films[1], shift)];
    let cameras = [&rig.left, &rig.right];
    let last_s = moments
        .iter()
        .flatten()
        .map(|m| m.end_s)
        .fold(f64::NEG_INFINITY, f64::max);
    let tail_s = if matches!(pairing, Pairing::ByNumber) {
        0.0
    } else {
        LAST_S
    };
    let mut latest: Option<(usize, &Moment)> = None;
    for phone in 0..2 {
        for moment in moments[phone].iter().filter(|m| m.end_s >= last_s - tail_s) {
            let level = pose_of(cameras[phone], &observed(&moment.view, &settings.board))
                .is_some_and(|p| upright(&p).is_some());
            if level && latest.is_none_or(|(_, m)| moment.end_s > m.end_s) {
                latest = Some((phone, moment));
            }
        }
    }
    let Some((phone, moment)) = latest else {
        return Err(if moments.iter().all(Vec::is_empty) {
            "the board never stood still; stand it upright on the rubber's front edge for three seconds"
                .to_owned()
        } else {
            "the last board seen does not stand upright and level; stand it on the rubber's front edge, facing the target, last of all"
                .to_owned()
        });
    };
    let last = standing(rig, &moments, phone, moment, settings)
        .ok_or("the standing board's pose could not be computed")?;
    let mut standings = vec![last];
    let mut spans = vec![(moment.start_s, moment.end_s)];
    for (phone, moment) in (0..2).flat_map(|p| moments[p].iter().rev().map(move |m| (p, m))) {
        let again = |&(from, to): &(f64, f64)| moment.start_s <= to && moment.end_s >= from;
        if spans.iter().any(again) {
            continue;
        }
        let level = pose_of(cameras[phone], &observed(&moment.view, &settings.board))
            .is_some_and(|p| upright(&p).is_some());
        if let Some(found) = level
            .then(|| standing(rig, &moments, phone, moment, settings))
            .flatten()
            && standings[0].same_place(&found)
            && !standings.iter().any(|s| s.same_standing(&found))
        {
            standings.push(found);
            spans.push((moment.start_s, moment.end_s));
        }
    }
    Ok(mean_world(&standings, settings))
}

/// One standing of the board: from both phones when both saw it then and agree, else from the one given.
fn standing(
    rig: &StereoRig,
    moments: &[Vec<Moment>; 2],
    phone: usize,
    moment: &Moment,
    settings: &CalibrateSettings,
) -> Option<Standing> {
    let other = moments[1 - phone]
        .iter()
        .rev()
        .find(|m| m.start_s <= moment.end_s && m.end_s >= moment.start_s)
        .map(|m| &m.view);
    let mut seen = [Vec::new(), Vec::new()];
    seen[phone] = observed(&moment.view, &settings.board);
    let alone = seen.clone();
    if let Some(view) = other {
        seen[1 - phone] = observed(view, &settings.board);
    }
    let both = other.is_some();
    let fitted = placed(rig, seen)
        .filter(|f| f.rms_px <= MAX_RMS_PX)
        .map(|f| (f, both));
    let (placed, both) = fitted.or_else(|| Some((placed(rig, alone)?, false)))?;
    // Which end is up was decided in the camera that saw it; in the left camera the same end is nearer to its up.
    let columns_down = placed.left_from_board.rotation * Vector3::y();
    let world_from_board = world_from_board(&settings.board, columns_down.y > 0.0);
    let world_from_left = world_from_board.after(&placed.left_from_board.inverse());
    let r = world_from_left.rotation.matrix();
    Some(Standing {
        world_from_left,
        turn_covariance: r * placed.turn_covariance * r.transpose(),
        phones: if both { 2 } else { 1 },
    })
}

/// The board's pose in the left camera with its covariance (turn first).
struct Placed {
    left_from_board: Rigid,
    turn_covariance: Matrix3<f64>,
    rms_px: f64,
}

fn placed(rig: &StereoRig, seen: [Vec<Observed>; 2]) -> Option<Placed> {
    let right_only = seen[0].is_empty();
    let (phone, lens) = if right_only {
        (1, &rig.right)
    } else {
        (0, &rig.left)
    };
    let pose = pose_of(lens, &seen[phone])?;
    let bundle = Bundle {
        lenses: [rig.left, rig.right],
        right_from_left: rig.right_from_left.0,
        views: vec![View { pose, seen }],
        free: [false; SHARED],
        lens_priors: [None, None],
    };
    let fit = fit(bundle)?;
    let pose = fit.bundle.views.first()?.pose;
    let turn: Matrix3<f64> = (*fit.poses.first()?)?.fixed_view::<3, 3>(0, 0).into_owned();
    let (left_from_board, turn_covariance) = if right_only {
        let left_from_right = rig.right_from_left.0.inverse();
        let r = left_from_right.rotation.matrix();
        (left_from_right.after(&pose), r * turn * r.transpose())
    } else {
        (pose, turn)
    };
    Some(Placed {
        left_from_board,
        turn_covariance,
        rms_px: fit.rms_px,
    })
}

/// World from board coordinates of a board that stands on the ground; `rows_down` when corner 0 is at the top.
pub(super) fn world_from_board(board: &Board, rows_down: bool) -> Rigid {
    // The front, -z of the board, faces the target. Its x runs to the left of one who faces the target when rows run down.
    let up = if rows_down { -Vector3::y() } else { Vector3::y() };
    let toward = -Vector3::z();
    let right = toward.cross(&up);
    let rotation = Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[
        toward.transpose(),
        up.transpose(),
        right.transpose(),
    ]));
    let rows = board.rows as f64 * board.square_m;
    let ground = if rows_down {
        rows + board.margin_m
    } else {
        -board.square_m - board.margin_m
    };
    let origin = Vector3::new(board.centre_m().x, ground, 0.0);
    Rigid::new(rotation, -(rotation * origin))
}

/// Whether a board in a level camera stands upright and level: `Some(true)` when its rows run down.
fn upright(pose: &Rigid) -> Option<bool> {
    let (row, column) = (pose.rotation * Vector3::x(), pose.rotation * Vector3::y());
    let level = row.y.abs() <= MAX_ROW_SLOPE_DEG.to_radians().sin();
    let standing = column.y.abs() >= MAX_COLUMN_LEAN_DEG.to_radians().cos();
    (level && standing).then_some(column.y > 0.0)
}

/// The moments at which the board stood still, each with its mean view; loose pictures each count.
fn still_moments(film: &Film, shift_s: f64) -> Vec<Moment> {
    let speeds = film.speeds_px_s();
    let mut moments = Vec::new();
    let mut run: Vec<usize> = Vec::new();
    let time = |i: usize| film.sightings[i].time.map(|t| t.0 + shift_s);
    let close = |run: &mut Vec<usize>, moments: &mut Vec<Moment>| {
        if let (Some(&first), Some(&last)) = (run.first(), run.last())
            && let (Some(start_s), Some(end_s)) = (time(first), time(last))
            && end_s - start_s >= MIN_STILL_S
        {
            moments.push(Moment {
                start_s,
                end_s,
                view: mean_view(film, run),
            });
        }
        run.clear();
    };
    for (i, sighting) in film.sightings.iter().enumerate() {
        if sighting.time.is_none() {
            let number = sighting.picture as f64;
            moments.push(Moment {
                start_s: number,
                end_s: number,
                view: sighting.view.clone(),
            });
            continue;
        }
        let gap = run.last().and_then(|&j| Some(time(i)? - time(j)?));
        if gap.is_some_and(|g| g > MAX_GAP_S) {
            close(&mut run, &mut moments);
        }
        if speeds[i].is_some_and(|s| s <= STILL_PX_S) {
            run.push(i);
        } else {
            close(&mut run, &mut moments);
        }
    }
    close(&mut run, &mut moments);
    moments
}

fn mean_view(film: &Film, run: &[usize]) -> BoardView {
    let first = &film.sightings[run[0]].view;
    let count = run.len() as f64;
    let corners = (0..first.corners.len())
        .map(|k| {
            let sum = run
                .iter()
                .map(|&i| film.sightings[i].view.corners[k].at.vector())
                .sum::<nalgebra::Vector2<f64>>();
            Corner {
                at: PixelPoint::from(sum / count),
                sd_px: first.corners[k].sd_px,
            }
        })
        .collect();
    BoardView {
        corners,
        ..first.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_standing_board_faces_the_target_on_the_ground() {
        let board = Board::default();
        let world = world_from_board(&board, true);
        assert!((world.rotation.matrix().determinant() - 1.0).abs() < 1e-12);
        // Corner 0 is top left for one who looks at the print, who looks away from the target: his left is the right of
        // one who faces the target. Six rows of squares and the margin below it: 7 squares of 70 mm.
        let first = world.apply(&board.corner_m(0));
        assert!((first - Vector3::new(0.0, 0.49, 0.28)).norm() < 1e-12, "{first}");
        // Turned on its head it stands with corner 0 at the bottom, on the other side.
        let turned = world_from_board(&board, false).apply(&board.corner_m(0));
        assert!(
            (turned - Vector3::new(0.0, 0.14, -0.28)).norm() < 1e-12,
            "{turned}"
        );
    }
}
