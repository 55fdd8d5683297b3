//! Lenses, pose, world and verdict against known rigs.

use nalgebra::Rotation3;

use crate::calibrate::bundle::lens_numbers;
use crate::calibrate::projected::{OFFSET_S, Session, rig};
use crate::calibrate::{
    Board, CalibrateError, CalibrateSettings, Calibration, DistortionOrder, Film, Lens, LensFile, Miss,
    Pairing, RigFile, RigFileError, Verdict, calibrate, lens,
};
use crate::geometry::{PixelPoint, StereoRig};
use crate::units::Seconds;

const BY_CLOCK: Pairing = Pairing::ByClock {
    offset: Seconds(OFFSET_S),
    offset_sd: Seconds(0.001),
};

fn settings() -> CalibrateSettings {
    CalibrateSettings::new(Board::default())
}

fn full() -> CalibrateSettings {
    CalibrateSettings {
        distortion: Some(DistortionOrder::Five),
        ..settings()
    }
}

fn run(films: &[Film; 2], settings: &CalibrateSettings) -> Result<Calibration, CalibrateError> {
    calibrate([&films[0], &films[1]], BY_CLOCK, [None, None], settings)
}

/// Angle between two rotations that differ little, degrees: from the difference of the matrices, exact down to nothing.
fn angle_deg(a: &Rotation3<f64>, b: &Rotation3<f64>) -> f64 {
    ((a.matrix() - b.matrix()).norm() / std::f64::consts::SQRT_2).to_degrees()
}

/// Rotation (degrees) and translation (metres) between the pose found and the true one.
fn pose_miss(found: &StereoRig, truth: &StereoRig) -> (f64, f64) {
    let (a, b) = (found.right_from_left.0, truth.right_from_left.0);
    (
        angle_deg(&a.rotation, &b.rotation),
        (a.translation_m - b.translation_m).norm(),
    )
}

fn codes(calibration: &Calibration) -> Vec<&str> {
    calibration
        .judgement
        .reasons
        .iter()
        .map(|r| r.code.as_str())
        .collect()
}

#[test]
fn perfect_corners_give_the_true_rig() {
    let session = Session {
        noise_px: 0.0,
        ..Session::default()
    };
    let found = run(&session.films(1), &full()).unwrap();
    for (camera, truth) in [
        (found.rig.left, session.rig.left),
        (found.rig.right, session.rig.right),
    ] {
        for (a, b) in lens_numbers(&camera).iter().zip(lens_numbers(&truth)) {
            assert!((a - b).abs() < 1e-6, "{a} {b}");
        }
    }
    let (turn, shift) = pose_miss(&found.rig, &session.rig);
    assert!(turn < 1e-6 && shift < 1e-8, "{turn} degrees, {shift} m");
    let (world, truth) = (
        found.rig.world_from_left.unwrap().0,
        session.rig.world_from_left.unwrap().0,
    );
    assert!(
        (world.translation_m - truth.translation_m).norm() < 1e-7,
        "{world:?}"
    );
    assert!(angle_deg(&world.rotation, &truth.rotation) < 1e-6);
    assert_eq!(found.judgement.verdict, Verdict::Good, "{:?}", found.judgement);
    assert!((found.angle_deg - 90.0).abs() < 3.0);
    assert!(found.rms_px < 1e-6);
}

#[test]
fn errors_match_their_stated_standard_errors() {
    // Twelve sessions, 24 shared numbers each: 90 % within 2 sd would be 95.4 % of a normal law; the mean square is 1.
    let session = Session::default();
    let truth: Vec<f64> = [lens_numbers(&session.rig.left), lens_numbers(&session.rig.right)].concat();
    let (mut within, mut count, mut squares, mut worst) = (0.0, 0.0, 0.0, 0.0_f64);
    let mut pose_ratio = [0.0, 0.0];
    let seeds = 12;
    for seed in 0..seeds {
        let found = run(&session.films(100 + seed), &full()).unwrap();
        let sd = [found.lenses[0].sd.unwrap(), found.lenses[1].sd.unwrap()].concat();
        let numbers = [lens_numbers(&found.rig.left), lens_numbers(&found.rig.right)].concat();
        for ((a, b), s) in numbers.iter().zip(&truth).zip(&sd) {
            let z = (a - b).abs() / s;
            within += f64::from(u8::from(z < 2.0));
            squares += z * z;
            worst = worst.max(z);
            count += 1.0;
        }
        let (turn, shift) = pose_miss(&found.rig, &session.rig);
        pose_ratio[0] += (turn / found.sd_deg.unwrap()).powi(2) / 3.0 / seeds as f64;
        pose_ratio[1] += (shift / found.sd_m.unwrap()).powi(2) / 3.0 / seeds as f64;
        if seed == 0 {
            println!(
                "fx {:.3} +- {:.3}, turn off {turn:.4} (sd {:.4}) degrees, shift off {:.2} (sd {:.2}) mm",
                numbers[0],
                sd[0],
                found.sd_deg.unwrap(),
                1e3 * shift,
                1e3 * found.sd_m.unwrap()
            );
        }
    }
    println!(
        "within 2 sd: {:.1} %, mean square {:.2}, worst {worst:.2}, pose mean squares {pose_ratio:.2?}",
        100.0 * within / count,
        squares / count
    );
    assert!(within / count > 0.9, "{}", within / count);
    assert!((0.6..1.5).contains(&(squares / count)), "{}", squares / count);
    assert!(worst < 4.0, "{worst}");
    for ratio in pose_ratio {
        assert!((0.4..2.2).contains(&ratio), "{pose_ratio:?}");
    }
}

#[test]
fn the_distortion_order_is_not_more_than_the_views_support() {
    let mut session = Session::default();
    for lens in [&mut session.rig.left, &mut session.rig.right] {
        lens.distortion = [0.06, 0.0, 0.0, 0.0, 0.0];
    }
    let simple = lens(&session.films(3)[0], &settings()).unwrap();
    assert_eq!(simple.order, DistortionOrder::One);
    let hold_out = simple.quality.hold_out_px.unwrap();
    assert!((0.05..0.1).contains(&hold_out), "{hold_out}");
    let rich = lens(
        &Session {
            near_views: 30,
            ..Session::default()
        }
        .films(3)[0],
        &settings(),
    )
    .unwrap();
    assert!(rich.order >= DistortionOrder::Four, "{:?}", rich.order);
    for (k, (a, b)) in lens_numbers(&rich.camera)
        .iter()
        .zip(lens_numbers(&Session::default().rig.left))
        .enumerate()
        .take(4)
    {
        assert!((a - b).abs() < 1.5, "number {k}: {a} {b}");
    }
}

#[test]
fn a_few_wrong_corners_do_no_harm() {
    let session = Session::default();
    let mut films = session.films(7);
    let clean = run(&films, &full()).unwrap();
    for film in &mut films {
        for (i, sighting) in film.sightings.iter_mut().enumerate() {
            for corner in sighting.view.corners.iter_mut().skip(i % 50).take(1) {
                corner.at = PixelPoint::new(corner.at.x_px + 9.0, corner.at.y_px - 6.0);
            }
        }
    }
    let found = run(&films, &full()).unwrap();
    assert!(
        found.rejected_share > 0.01 && found.rejected_share < 0.03,
        "{}",
        found.rejected_share
    );
    let (turn, shift) = pose_miss(&found.rig, &session.rig);
    let (clean_turn, clean_shift) = pose_miss(&clean.rig, &session.rig);
    println!(
        "turn {turn:.5} (clean {clean_turn:.5}) degrees, shift {:.3} (clean {:.3}) mm",
        1e3 * shift,
        1e3 * clean_shift
    );
    assert!(turn < 3.0 * found.sd_deg.unwrap() && shift < 3.0 * found.sd_m.unwrap());
    assert!(found.rms_px < 0.1, "{}", found.rms_px);
}

#[test]
fn lens_files_make_the_near_part_needless() {
    let session = Session::default();
    let films = session.films(11);
    let made = [
        lens(&films[0], &full()).unwrap(),
        lens(&films[1], &full()).unwrap(),
    ];
    let read: Vec<Lens> = made
        .iter()
        .map(|l| {
            LensFile::from_json(&LensFile::from(l).to_json())
                .unwrap()
                .lens()
                .unwrap()
        })
        .collect();
    let mound = Session {
        near_views: 0,
        ..session.clone()
    }
    .films(12);
    let with = calibrate(
        [&mound[0], &mound[1]],
        BY_CLOCK,
        [Some(&read[0]), Some(&read[1])],
        &settings(),
    )
    .unwrap();
    let (turn, shift) = pose_miss(&with.rig, &session.rig);
    println!(
        "with lens files: {turn:.4} (sd {:.4}) degrees, {:.2} (sd {:.2}) mm; {:?}",
        with.sd_deg.unwrap(),
        1e3 * shift,
        1e3 * with.sd_m.unwrap(),
        with.judgement
    );
    assert!(turn < 0.1 && shift < 0.02, "{turn} degrees, {shift} m");
    assert_eq!(with.judgement.verdict, Verdict::Good, "{:?}", with.judgement);
    let without = run(&mound, &settings()).unwrap();
    assert_eq!(without.judgement.verdict, Verdict::Refused);
    assert!(codes(&without).contains(&"board_far"), "{:?}", codes(&without));
    assert!(without.judgement.reasons.iter().any(|r| r.hint.contains("close")));
    let mut other = mound[0].clone();
    other.height_px = 700;
    let refused = calibrate(
        [&other, &mound[1]],
        BY_CLOCK,
        [Some(&read[0]), Some(&read[1])],
        &settings(),
    );
    assert!(
        matches!(refused, Err(CalibrateError::LensOfOtherSize { .. })),
        "{refused:?}"
    );
}

#[test]
fn the_world_comes_from_the_standing_board_alone() {
    let session = Session {
        stood: Some((1.5, -2.0)),
        ..Session::default()
    };
    let found = run(&session.films(21), &full()).unwrap();
    let world = found.world.clone().unwrap();
    assert_eq!(world.phones, 2);
    // The board's own lean and turn go one for one into the world.
    let off = world.world_from_left.0.rotation * session.rig.world_from_left.unwrap().0.rotation.inverse();
    assert!(
        (off.angle().to_degrees() - 1.5_f64.hypot(2.0)).abs() < 0.1,
        "{}",
        off.angle().to_degrees()
    );
    assert!(
        (1.0..1.3).contains(&world.sd_tilt_deg) && (1.0..1.3).contains(&world.sd_yaw_deg),
        "{world:?}"
    );
    let never = run(
        &Session {
            stood: None,
            mound_views: 14,
            ..Session::default()
        }
        .films(22),
        &full(),
    )
    .unwrap();
    // Boards held at the mound are mostly not level; should one be, it stands for the world, but never silently nothing.
    assert!(never.world.is_ok() || RigFile::from(&never).world_reason.is_some());
    let mut one = session.films(23);
    let last = one[0].sightings.last().unwrap().picture;
    one[0].sightings.retain(|s| s.picture != last);
    let seen_by_right = run(&one, &full()).unwrap().world.unwrap();
    assert_eq!(seen_by_right.phones, 1);
    let off =
        seen_by_right.world_from_left.0.rotation * session.rig.world_from_left.unwrap().0.rotation.inverse();
    assert!(
        (off.angle().to_degrees() - 2.5).abs() < 0.3,
        "{}",
        off.angle().to_degrees()
    );
}

#[test]
fn bad_recordings_are_refused_with_what_to_redo() {
    let base = Session::default();
    let frontal = run(
        &Session {
            slant_deg: 0.0,
            mound_views: 4,
            ..base.clone()
        }
        .films(31),
        &full(),
    );
    assert!(
        frontal
            .as_ref()
            .map_or(true, |c| c.judgement.verdict >= Verdict::Usable),
        "{frontal:?}"
    );
    let narrow = run(
        &Session {
            rig: rig(20.0),
            ..base.clone()
        }
        .films(32),
        &full(),
    )
    .unwrap();
    assert_eq!(narrow.judgement.verdict, Verdict::Refused);
    assert!(codes(&narrow).contains(&"angle"), "{:?}", codes(&narrow));
    let few = run(
        &Session {
            mound_views: 2,
            stood: None,
            ..base.clone()
        }
        .films(33),
        &full(),
    )
    .unwrap();
    assert_eq!(few.judgement.verdict, Verdict::Refused);
    assert!(codes(&few).contains(&"few_pairs"), "{:?}", codes(&few));

    let films = base.films(34);
    let one = |film: &Film| {
        let mut film = film.clone();
        film.sightings.truncate(1);
        film
    };
    let single = lens(&one(&films[0]), &settings());
    assert!(
        matches!(single, Err(CalibrateError::TooFewViews { found: 1, .. })),
        "{single:?}"
    );
    let mut none = films[1].clone();
    none.sightings.clear();
    none.misses = vec![Miss::NoBoard, Miss::OtherSize { cols: 8, rows: 5 }, Miss::NoBoard];
    let blind = calibrate([&films[0], &none], BY_CLOCK, [None, None], &settings()).unwrap_err();
    assert!(blind.to_string().contains("8 x 5"), "{blind}");
    let apart = Pairing::ByClock {
        offset: Seconds(500.0),
        offset_sd: Seconds(0.001),
    };
    let never = calibrate([&films[0], &films[1]], apart, [None, None], &settings()).unwrap_err();
    assert_eq!(never, CalibrateError::NoPairs);
    let even = CalibrateSettings::new(Board::new(9, 7, 0.07));
    assert!(matches!(
        lens(&films[0], &even),
        Err(CalibrateError::BoardUnfit { .. })
    ));
}

#[test]
fn a_mirrored_phone_and_a_wrong_clock_are_named() {
    let session = Session::default();
    let mut films = session.films(41);
    let (cols, rows) = (session.board.cols, session.board.rows);
    for sighting in &mut films[1].sightings {
        // As the finder would order a mirrored picture: rows from the other end.
        let seen = sighting.view.corners.clone();
        for (i, corner) in sighting.view.corners.iter_mut().enumerate() {
            *corner = seen[(rows - 1 - i / cols) * cols + i % cols];
            corner.at.x_px = 1919.0 - corner.at.x_px;
        }
    }
    assert_eq!(run(&films, &full()).unwrap_err(), CalibrateError::Mirrored);
    let wrong = Pairing::ByClock {
        offset: Seconds(OFFSET_S + 2.5),
        offset_sd: Seconds(0.001),
    };
    let films = session.films(41);
    let refused = calibrate([&films[0], &films[1]], wrong, [None, None], &full());
    match refused {
        Err(error) => assert!(matches!(error, CalibrateError::PhonesDisagree { .. }), "{error}"),
        Ok(calibration) => assert_eq!(calibration.judgement.verdict, Verdict::Refused),
    }
}

#[test]
fn loose_pictures_are_paired_by_number() {
    let session = Session {
        timed: false,
        ..Session::default()
    };
    let films = session.films(51);
    let found = calibrate([&films[0], &films[1]], Pairing::ByNumber, [None, None], &full()).unwrap();
    assert_eq!(found.pairs, session.mound_views + 1);
    let (turn, shift) = pose_miss(&found.rig, &session.rig);
    assert!(
        turn < 3.0 * found.sd_deg.unwrap() && shift < 3.0 * found.sd_m.unwrap(),
        "{turn} {shift}"
    );
}

#[test]
fn a_rig_file_reads_back_and_bad_ones_are_refused() {
    let found = run(&Session::default().films(61), &full()).unwrap();
    let file = RigFile::from(&found);
    let text = file.to_json();
    let rig = RigFile::from_json(&text).unwrap().rig().unwrap();
    assert!((rig.left.fx_px - found.rig.left.fx_px).abs() < 1e-9);
    assert!(
        (rig.world_from_left.unwrap().0.translation_m - found.rig.world_from_left.unwrap().0.translation_m)
            .norm()
            < 1e-9
    );
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    for key in [
        "schema",
        "phones",
        "right_from_left",
        "world_from_left",
        "rms_px",
        "verdict",
    ] {
        assert!(value.get(key).is_some(), "{key}");
    }
    for key in [
        "width_px",
        "height_px",
        "rate_hz",
        "fx_px",
        "fy_px",
        "cx_px",
        "cy_px",
        "distortion",
        "rms_px",
        "pictures",
        "sd",
    ] {
        assert!(value["phones"][0].get(key).is_some(), "{key}");
    }
    let unknown_keys = text.replacen('{', "{\"later\": 1,", 1);
    assert!(RigFile::from_json(&unknown_keys).is_ok());
    assert!(matches!(
        RigFile::from_json("not json"),
        Err(RigFileError::NotJson { .. })
    ));
    let other = text.replace("twinmound.rig/1", "twinmound.rig/9");
    assert!(matches!(
        RigFile::from_json(&other),
        Err(RigFileError::Schema { .. })
    ));
    let mut skewed = file;
    skewed.right_from_left.rotation[0][0] = 3.0;
    assert!(matches!(
        RigFile::from_json(&skewed.to_json()),
        Err(RigFileError::Value { .. })
    ));
    for cut in [0, 1, 40, text.len() / 2, text.len() - 3] {
        assert!(RigFile::from_json(&text[..cut]).is_err());
    }
}

#[test]
fn the_expected_joint_error_is_that_of_a_triangulated_point() {
    // Second route: at 90 degrees and 6 m each phone's pixel is 6 m / focal length; along the bisector and across it two
    // phones of equal angular noise share it.
    let found = run(&Session::default().films(71), &full()).unwrap();
    let error = found.joint_error.unwrap();
    assert!(error.in_world);
    println!("joint error {error:?}");
    let (left, right) = (2.0 * 6.0 / 1005.0, 2.0 * 6.0 / 1480.0);
    // Depth of one phone is breadth of the other: x and z are each half of both variances; y is the weighted mean.
    let across = ((left * left + right * right) / 2.0_f64).sqrt() * 1000.0;
    let up = (1.0 / (1.0 / (left * left) + 1.0 / (right * right))).sqrt() * 1000.0;
    assert!(
        (error.with_joints_mm[0] / across - 1.0).abs() < 0.1,
        "{error:?} {across}"
    );
    assert!(
        (error.with_joints_mm[2] / across - 1.0).abs() < 0.1,
        "{error:?} {across}"
    );
    assert!((error.with_joints_mm[1] / up - 1.0).abs() < 0.1, "{error:?} {up}");
    assert!(error.calibration_mm.iter().all(|mm| *mm < 8.0));
}
