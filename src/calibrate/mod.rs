//! Views of a checkerboard become a stereo rig.
//!
//! Flow: each picture is searched for the board ([`find_board`]); a [`Film`] gathers the sightings of one phone; the
//! sharpest, stillest and most varied are chosen; each phone's lens is made from its own views; pairs seen by both at one
//! instant give the pose between the phones; everything is refined together; the board standing on the rubber gives the
//! world. [`calibrate`] does it for two phones, [`lens()`] for one.
//!
//! Assumptions: a flat board whose counts are one odd, one even ([`Board`]); phones that do not move. Method: Zhang (IEEE
//! TPAMI 22(11), 2000) for the start, Levenberg-Marquardt bundle adjustment with outlier rejection, standard errors from
//! the residuals.

/// The checkerboard.
mod board;

/// What can stand in the way.
mod error;

/// Saddle points of the brightness.
mod saddle;

/// From saddle points to a lattice.
mod grid;

/// Corners on a lattice.
mod lattice;

/// One corner to a small share of a pixel.
mod refine;

/// The board in one picture.
mod corners;

/// All sightings of one phone.
mod film;

/// Which sightings are used.
mod select;

/// Planes seen by a pinhole: the start.
mod homography;

/// The solver.
mod least_squares;

/// The reprojection problem.
mod bundle;

/// Fits that survive wrong corners.
mod robust;

/// One lens from views.
mod intrinsics;

/// One lens with its quality.
mod lens;

/// The pose between the phones.
mod stereo;

/// Up, and where the target is.
mod world;

/// A board stood several times.
mod standings;

/// Up and the target from marks on the ground.
mod ground;

/// May it be used?
mod verdict;

/// The bounds of a rig.
mod judged;

/// Where the pictures had the board.
mod seen;

/// OpenCV's files.
mod opencv_file;

/// Where phones and board go.
mod placement;

/// Whether a phone stood still.
mod steadiness;

/// The pose between the phones from joints.
mod relative_pose;

/// `lens.json`.
mod lens_file;

/// `rig.json`.
mod rig_file;

/// Rendered boards for tests.
#[cfg(test)]
mod rendered;

/// Corner finder against truth.
#[cfg(test)]
mod corners_truth;

/// Recordings without pictures for tests: corners projected from a known rig.
#[cfg(test)]
mod projected;

/// Solver, selection, world and expected errors against truth.
#[cfg(test)]
mod solver_truth;

/// Vertical and target line on boards that lean.
#[cfg(test)]
mod world_truth;

/// Vertical and target line from marks on the ground.
#[cfg(test)]
mod ground_truth;

/// Files and refusals.
#[cfg(test)]
mod files_truth;

/// Finder and solver together.
#[cfg(test)]
mod rendered_truth;

pub use board::Board;
pub use corners::{BoardView, Corner, Miss, find_board};
pub use error::CalibrateError;
pub use film::{Film, Sighting};
pub use ground::GroundMark;
pub use intrinsics::DistortionOrder;
pub use lens::{Lens, LensQuality, lens};
pub use lens_file::{LensFile, LensSd, PhoneEntry, RigFileError};
pub use opencv_file::{OpenCvLens, is_opencv_yaml, opencv_pose};
pub use placement::{GOOD_ANGLE_DEG, PhonePlace, Placement};
pub use relative_pose::{RelativePose, SharedJoint, relative_pose};
pub use rig_file::{JointErrorEntry, RigFile, StereoEntry, WorldEntry};
pub use seen::{SeenBoard, SeenCorner, unseen_parts};
pub use steadiness::{Background, MAX_DRIFT_PX, Motion, PixelBox, Steadiness, breathing_px, steadiness};
pub use verdict::{ASSUMED_JOINT_SD_PX, JointError, Judgement, Verdict};
pub use world::WorldFrame;

use crate::calibrate::bundle::LENS;
use crate::calibrate::intrinsics::slant_deg;
use crate::calibrate::judged::{judged, mound};
use crate::calibrate::lens::{fitted_lens, sds, seen_quality};
use crate::calibrate::robust::Fit;
use crate::calibrate::select::{chosen_pairs, lens_views};
use crate::calibrate::stereo::LensStart;
use crate::calibrate::verdict::{joint_error, sight_angle_deg};
use crate::geometry::{Phone, RightFromLeft, StereoRig};
use crate::units::Seconds;

/// What the caller decides.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibrateSettings {
    /// The board.
    pub board: Board,
    /// Distortion order; `None` lets the views decide.
    pub distortion: Option<DistortionOrder>,
    /// Standard deviation of a hand-held board's lean about a horizontal axis, degrees (boards held by hand were seen to
    /// lean 1 to 2 degrees).
    pub board_lean_sd_deg: f64,
    /// Standard deviation of its direction against the target's, degrees (common practice, no source).
    pub board_turn_sd_deg: f64,
    /// Where the board stood: toward the target and to the right of one who faces it, from the middle of the rubber's
    /// front edge, metres.
    pub board_at_m: [f64; 2],
    /// The pose between the phones when it is known beforehand; it is then held, not estimated.
    pub known_pose: Option<RightFromLeft>,
    /// Distance between the two phones' lenses by tape, metres: checks the board's stated size.
    pub phones_apart_m: Option<f64>,
    /// Points of the ground marked in both phones' pictures: the middle of the rubber's front edge, one straight toward the
    /// target, perhaps more. With none the upright board alone gives the world.
    pub ground: Vec<GroundMark>,
}

impl CalibrateSettings {
    /// Usual settings for a board.
    #[must_use]
    pub fn new(board: Board) -> Self {
        Self {
            board,
            distortion: None,
            board_lean_sd_deg: 1.2,
            board_turn_sd_deg: 1.2,
            board_at_m: [0.0, 0.0],
            known_pose: None,
            phones_apart_m: None,
            ground: Vec::new(),
        }
    }
}

/// How the two phones' pictures belong together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pairing {
    /// Loose pictures: those of the same number.
    ByNumber,
    /// Films: left time = right time + offset.
    ByClock {
        /// The offset.
        offset: Seconds,
        /// Its standard deviation.
        offset_sd: Seconds,
    },
}

/// A calibrated pair of phones with its quality.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// The rig.
    pub rig: StereoRig,
    /// Left and right lens quality.
    pub lenses: [LensQuality; 2],
    /// Frame rates of the two recordings.
    pub rates_hz: [Option<f64>; 2],
    /// Pairs used for the pose between the phones.
    pub pairs: usize,
    /// Standard deviation of the rotation between the phones (root mean square of three axes), degrees.
    pub sd_deg: Option<f64>,
    /// Standard deviation of the translation (root mean square of three axes), metres.
    pub sd_m: Option<f64>,
    /// The world frame, or why there is none.
    pub world: Result<WorldFrame, String>,
    /// Root mean square distance of a corner, all pictures of both phones, pixels.
    pub rms_px: f64,
    /// Share of corners left out as wrong.
    pub rejected_share: f64,
    /// Angle between the lines of sight at the mound, degrees.
    pub angle_deg: f64,
    /// Expected error of a joint at the mound.
    pub joint_error: Option<JointError>,
    /// Where left's and right's pictures had the board's corners, and by how much the rig misses them.
    pub boards: [Vec<SeenBoard>; 2],
    /// Whether to use it, and why not.
    pub judgement: Judgement,
}

/// Calibrates two phones. `known` are lens files, used as what is known beforehand.
///
/// # Errors
/// [`CalibrateError`] when no pose between the phones can be computed. A result that must not be used is returned with
/// [`Verdict::Refused`].
pub fn calibrate(
    films: [&Film; 2],
    pairing: Pairing,
    known: [Option<&Lens>; 2],
    settings: &CalibrateSettings,
) -> Result<Calibration, CalibrateError> {
    settings.board.check()?;
    let (left, right) = rayon::join(
        || lens_start(films[0], Phone::Left, known[0], settings),
        || lens_start(films[1], Phone::Right, known[1], settings),
    );
    let (left, right) = (left?, right?);
    let (views, hold_outs) = ([left.0.views.clone(), right.0.views.clone()], [left.1, right.1]);
    let pairs = chosen_pairs(films[0], films[1], pairing, settings.board.cols);
    let fit = stereo::refine([left.0, right.0], &pairs, &settings.board, settings.known_pose)?;
    let mut rig = StereoRig {
        left: fit.bundle.lenses[0],
        right: fit.bundle.lenses[1],
        right_from_left: RightFromLeft(fit.bundle.right_from_left),
        world_from_left: None,
    };
    let by_board = world::world_frame(films, pairing, &rig, settings);
    let world = match settings.ground.as_slice() {
        [] => by_board,
        marks => Ok(ground::ground_world(&rig, marks, by_board.as_ref().ok())?),
    };
    rig.world_from_left = world.as_ref().ok().map(|w| w.world_from_left);
    let lenses = [0, 1].map(|phone| {
        let mut seen: Vec<&BoardView> = views[phone].clone();
        seen.extend(pairs.iter().map(|p| if phone == 0 { &p.left } else { &p.right }));
        let mut quality = seen_quality(&seen, films[phone], largest_slant(&fit, phone, &settings.board));
        quality.pictures = fit
            .bundle
            .views
            .iter()
            .filter(|v| !v.seen[phone].is_empty())
            .count();
        quality.rms_px = fit.phone_rms_px[phone];
        quality.sd = sds(&fit, phone);
        quality.hold_out_px = hold_outs[phone];
        quality
    });
    let mound_m = mound(&rig, &fit, &settings.board);
    let mut calibration = Calibration {
        angle_deg: sight_angle_deg(&rig, mound_m),
        joint_error: joint_error(&fit, &rig, mound_m).filter(|_| settings.known_pose.is_none()),
        rates_hz: films.map(|f| f.rate_hz),
        pairs: pairs.len(),
        // A pose that was given is not determined by anything seen here.
        sd_deg: pose_sd(&fit, 2 * LENS)
            .map(f64::to_degrees)
            .filter(|_| settings.known_pose.is_none()),
        sd_m: pose_sd(&fit, 2 * LENS + 3).filter(|_| settings.known_pose.is_none()),
        rms_px: fit.rms_px,
        rejected_share: fit.rejected_share,
        boards: seen::seen_boards(&fit),
        judgement: Judgement::default(),
        rig,
        lenses,
        world,
    };
    calibration.judgement = judged(&calibration, known, &pairs, &fit, settings);
    Ok(calibration)
}

/// A phone's lens before the joint refinement and its hold-out error.
fn lens_start<'a>(
    film: &'a Film,
    phone: Phone,
    known: Option<&Lens>,
    settings: &CalibrateSettings,
) -> Result<(LensStart<'a>, Option<f64>), CalibrateError> {
    let Some(lens) = known else {
        let (views, fitted) = fitted_lens(film, phone, settings)?;
        let start = LensStart {
            camera: fitted.camera(),
            free: fitted.order.free(),
            prior_sd: None,
            views,
        };
        return Ok((start, fitted.hold_out_px));
    };
    let size = (lens.camera.width_px, lens.camera.height_px);
    if size != film.size() {
        return Err(CalibrateError::LensOfOtherSize {
            phone,
            lens: size,
            film: film.size(),
        });
    }
    film.refuse_unseen(phone)?;
    let sd = lens.quality.sd.unwrap_or([0.0; LENS]);
    let start = LensStart {
        camera: lens.camera,
        free: sd.map(|s| s > 0.0),
        prior_sd: Some(sd),
        views: lens_views(film, settings.board.cols),
    };
    Ok((start, lens.quality.hold_out_px))
}

fn largest_slant(fit: &Fit, phone: usize, board: &Board) -> f64 {
    let seen = fit.bundle.views.iter().filter(|v| !v.seen[phone].is_empty());
    seen.map(|v| slant_deg(&fit.bundle.pose_of(v, phone), board))
        .fold(0.0, f64::max)
}

/// Root mean square standard deviation of three shared unknowns in a row.
fn pose_sd(fit: &Fit, first: usize) -> Option<f64> {
    let mut sum = 0.0;
    for place in first..first + 3 {
        sum += fit.sd(place)?.powi(2);
    }
    Some((sum / 3.0).sqrt())
}
