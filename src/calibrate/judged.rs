//! What a finished calibration is worth: every bound that a rig must keep, and what to redo where it does not.

use nalgebra::Vector3;

use crate::calibrate::board::Board;
use crate::calibrate::lens::{Lens, judge};
use crate::calibrate::robust::Fit;
use crate::calibrate::select::Pair;
use crate::calibrate::verdict::{Judgement, Verdict};
use crate::calibrate::{CalibrateSettings, Calibration};
use crate::geometry::{Phone, StereoRig, WorldPoint};

/// Height above the rubber at which the rig is judged, metres.
const MOUND_HEIGHT_M: f64 = 1.0;

/// A board shown lower than the standing one by more than this tells that it did not stand on the ground, metres.
const MAX_BELOW_STANDING_M: f64 = 0.1;

/// Difference of a tape's distance from the rig's that makes it doubtful, and that makes it wrong, as a share: tapes between
/// two lenses are good to a few millimetres a metre, prints "fitted to the page" are off by 3 % or more.
const SCALE_DOUBTFUL: f64 = 0.015;
const SCALE_WRONG: f64 = 0.04;

/// Where the rig is judged, in the left camera: a metre above the rubber, or the middle of the boards that both saw.
pub(super) fn mound(rig: &StereoRig, fit: &Fit, board: &Board) -> Vector3<f64> {
    if let Some(world) = rig.world_from_left {
        let at = WorldPoint(Vector3::new(0.0, MOUND_HEIGHT_M, 0.0));
        return world.left_from_world().apply(at).0;
    }
    let shared = fit
        .bundle
        .views
        .iter()
        .filter(|v| v.seen.iter().all(|s| !s.is_empty()));
    let centres: Vec<_> = shared.map(|v| v.pose.apply(&board.centre_m())).collect();
    centres.iter().sum::<Vector3<f64>>() / centres.len().max(1) as f64
}

/// How far the lowest board seen by both phones is below the one that stands on the ground, metres; 0 without a world.
fn below_standing_board(rig: &StereoRig, fit: &Fit, board: &Board) -> f64 {
    let Some(world) = rig.world_from_left else {
        return 0.0;
    };
    let standing_m = board.margin_m + board.square_m + board.centre_m().y;
    let shared = fit
        .bundle
        .views
        .iter()
        .filter(|v| v.seen.iter().all(|s| !s.is_empty()));
    let heights = shared.map(|v| world.0.apply(&v.pose.apply(&board.centre_m())).y);
    standing_m - heights.fold(standing_m, f64::min)
}

/// The verdict on a calibration, with reasons.
pub(super) fn judged(
    calibration: &Calibration,
    known: [Option<&Lens>; 2],
    pairs: &[Pair],
    fit: &Fit,
    settings: &CalibrateSettings,
) -> Judgement {
    let mut judgement = lenses_judged(calibration, known);
    judgement.weigh(
        (calibration.angle_deg - 90.0).abs(),
        30.0,
        60.0,
        "angle",
        format!(
            "the phones look at the mound {:.0} degrees apart",
            calibration.angle_deg
        ),
        "place the phones so that their lines of sight meet at 60 to 110 degrees; if they do, check --square-mm",
    );
    if settings.known_pose.is_some() {
        judgement.lower(
            Verdict::Usable,
            "pose_imported",
            "the pose between the phones comes from a file that tells no doubt; it is taken as exact",
            "show the board at the mound and calibrate without the file to have its doubt carried into the figures",
        );
    } else {
        pose_judged(calibration, pairs, &mut judgement);
    }
    judgement.weigh(
        calibration.rejected_share,
        0.02,
        0.2,
        "corners_rejected",
        format!(
            "{:.0} % of the corners contradict the others",
            100.0 * calibration.rejected_share
        ),
        "hold the board still, keep the phones still, switch video stabilisation off",
    );
    let apart_m = calibration.rig.right_from_left.baseline_m();
    if let Some(measured_m) = settings.phones_apart_m {
        judgement.weigh(
            (apart_m / measured_m - 1.0).abs(),
            SCALE_DOUBTFUL,
            SCALE_WRONG,
            "scale_contradicts",
            format!(
                "the phones' lenses stand {apart_m:.3} m apart by the board and {measured_m:.3} m by the tape ({:+.1} %)",
                100.0 * (apart_m / measured_m - 1.0)
            ),
            "measure a printed square for --square-mm (printers shrink pages), and the tape from lens to lens",
        );
    }
    let lower_m = below_standing_board(&calibration.rig, fit, &settings.board);
    if lower_m > MAX_BELOW_STANDING_M {
        judgement.lower(
            Verdict::Usable,
            "board_not_standing",
            format!(
                "the board taken as standing on the ground is {lower_m:.1} m higher than another one shown"
            ),
            "end the recording with the board standing upright on the rubber's front edge, facing the target",
        );
    }
    judgement
}

/// What is to be said of the two lenses.
fn lenses_judged(calibration: &Calibration, known: [Option<&Lens>; 2]) -> Judgement {
    let mut judgement = Judgement::default();
    for (camera, whose) in [(&calibration.rig.left, "left"), (&calibration.rig.right, "right")] {
        if camera.width_px < camera.height_px {
            judgement.lower(
                Verdict::Usable,
                "portrait",
                format!(
                    "the {whose} phone filmed upright ({}x{}): the stride may not fit into the picture's width",
                    camera.width_px, camera.height_px
                ),
                "hold the phones across (landscape) for board and pitching",
            );
        }
    }
    for (phone, whose) in ["the left phone's", "the right phone's"].into_iter().enumerate() {
        match known[phone] {
            Some(lens) => {
                judgement.include(&lens.judgement);
                let rates = (lens.rate_hz, calibration.rates_hz[phone]);
                if let (Some(lens_hz), Some(film_hz)) = rates
                    && (lens_hz - film_hz).abs() > 0.05 * film_hz
                {
                    judgement.lower(
                        Verdict::Usable,
                        "lens_of_other_rate",
                        format!(
                            "{whose} lens file was made at {lens_hz:.0} Hz, the recording has {film_hz:.0} Hz"
                        ),
                        "some phones crop at other rates: make the lens in the video mode of the recordings",
                    );
                }
            }
            None => {
                let camera = calibration
                    .rig
                    .camera(if phone == 0 { Phone::Left } else { Phone::Right });
                judgement.include(&judge(camera, &calibration.lenses[phone], whose));
            }
        }
    }
    judgement
}

/// What is to be said of a pose that the recording gave.
fn pose_judged(calibration: &Calibration, pairs: &[Pair], judgement: &mut Judgement) {
    judgement.weigh(
        1.0 / pairs.len().max(1) as f64,
        1.0 / 8.0,
        1.0 / 3.0,
        "few_pairs",
        format!("both phones see the board together in {} views only", pairs.len()),
        "show the board at the mound, turned half-way to both phones, in ten different places",
    );
    let doubt_mm = calibration.joint_error.map_or(f64::INFINITY, |e| {
        e.calibration_mm.into_iter().fold(0.0, f64::max)
    });
    judgement.weigh(
        doubt_mm,
        8.0,
        25.0,
        "mound_doubtful",
        format!("the calibration alone moves a point at the mound by {doubt_mm:.0} mm"),
        "show the board in more places at the mound, and close to each phone",
    );
}
