//! Lenses, pose, world and expected errors against known rigs.

use rayon::prelude::*;

use crate::calibrate::bundle::lens_numbers;
use crate::calibrate::projected::{Session, angle_deg, codes, full, pose_miss, run, settings};
use crate::calibrate::{CalibrateError, DistortionOrder, Pairing, Verdict, calibrate, lens};
use crate::geometry::PixelPoint;

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
    // A hundred sessions, 18 numbers of two lenses each: of a normal law 95.4 % lie within 2 sd and the mean square is 1.
    let session = Session::default();
    let truth: Vec<f64> = [lens_numbers(&session.rig.left), lens_numbers(&session.rig.right)].concat();
    let (mut within, mut count, mut squares, mut worst) = (0.0, 0.0, 0.0, 0.0_f64);
    let mut pose_ratio = [0.0, 0.0];
    let seeds = 100;
    let all: Vec<_> = (0..seeds)
        .into_par_iter()
        .map(|seed| run(&session.films(100 + seed), &full()).unwrap())
        .collect();
    for (seed, found) in all.iter().enumerate() {
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
    // Of 1800 draws that hang together in tens, the share scatters by about 1 %.
    assert!(within / count >= 0.94, "{}", within / count);
    assert!((0.85..1.15).contains(&(squares / count)), "{}", squares / count);
    assert!(worst < 5.0, "{worst}");
    for ratio in pose_ratio {
        assert!((0.7..1.4).contains(&ratio), "{pose_ratio:?}");
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
fn the_world_comes_from_the_standing_board_alone() {
    let session = Session {
        stood: vec![([0.0, -2.0, 1.5], [0.0; 2])],
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
        (1.2..1.4).contains(&world.sd_tilt_deg) && (1.2..1.4).contains(&world.sd_yaw_deg),
        "{world:?}"
    );
    let never = run(
        &Session {
            stood: Vec::new(),
            mound_views: 14,
            ..Session::default()
        }
        .films(24),
        &full(),
    )
    .unwrap();
    // A board held level in the air last of all looks like a standing one; that others were lower gives it away.
    assert!(
        codes(&never).contains(&"board_not_standing"),
        "{:?}",
        codes(&never)
    );
    assert!(!codes(&found).contains(&"board_not_standing"));
    let nobody = run(
        &Session {
            mound_views: 0,
            stood: Vec::new(),
            ..Session::default()
        }
        .films(22),
        &full(),
    );
    assert_eq!(nobody.unwrap_err(), CalibrateError::NoPairs);
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
