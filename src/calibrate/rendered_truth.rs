//! From rendered pictures to lens and rig: the finder and the solver together against known rigs.

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use crate::calibrate::bundle::lens_numbers;
use crate::calibrate::corners::find_board;
use crate::calibrate::projected::{full, rig};
use crate::calibrate::rendered::{Shot, phone, pose_at};
use crate::calibrate::world::world_from_board;
use crate::calibrate::{Board, Film, Pairing, Verdict, calibrate, lens};
use crate::geometry::{Camera, Rigid, StereoRig};

/// Near poses spread over the picture and the slants.
fn near_poses(board: &Board, count: usize, seed: u64) -> Vec<Rigid> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..count)
        .map(|k| {
            let z = rng.random_range(1.5..2.4);
            let (x, y) = ([-0.33, 0.0, 0.33][k % 3], [-0.12, 0.12][k / 3 % 2]);
            let mut turn = |range: f64| rng.random_range(-range..range);
            let turns = [turn(40.0), turn(40.0), turn(12.0)];
            pose_at(board, Vector3::new(x * z, y * z, z), turns)
        })
        .collect()
}

/// Renders and searches each pose; the number is the pose's place in the list plus `first`.
fn filmed(film: &mut Film, camera: &Camera, board: &Board, poses: &[Rigid], first: usize, seed: u64) {
    let seen: Vec<_> = poses
        .par_iter()
        .enumerate()
        .map(|(k, pose)| {
            let shot = Shot {
                noise: 2.5,
                seed: seed * 1000 + (first + k) as u64,
                ..Shot::of(*board)
            };
            find_board(&shot.render(camera, pose), board)
        })
        .collect();
    for (k, view) in seen.into_iter().enumerate() {
        film.add(first + k, None, view);
    }
}

#[test]
fn lenses_from_rendered_pictures_lie_within_their_doubt() {
    let (board, camera) = (Board::default(), phone());
    let (mut squares, mut count, mut within) = (0.0, 0.0, 0.0);
    for seed in 0..4 {
        let mut film = Film::new(camera.width_px, camera.height_px, None);
        filmed(
            &mut film,
            &camera,
            &board,
            &near_poses(&board, 14, 90 + seed),
            0,
            seed,
        );
        assert!(film.sightings.len() >= 12, "seed {seed}: {:?}", film.misses);
        let made = lens(&film, &full()).unwrap();
        let sd = made.quality.sd.unwrap();
        println!(
            "seed {seed}: RMS {:.4} px, fx {:.3} +- {:.3} (true {})",
            made.quality.rms_px, made.camera.fx_px, sd[0], camera.fx_px
        );
        for ((a, b), s) in lens_numbers(&made.camera)
            .iter()
            .zip(lens_numbers(&camera))
            .zip(sd)
        {
            let z = (a - b).abs() / s;
            assert!(z < 4.0, "seed {seed}: {a} against {b}, sd {s}");
            squares += z * z;
            within += f64::from(u8::from(z < 2.0));
            count += 1.0;
        }
        assert!(made.quality.rms_px < 0.05, "{}", made.quality.rms_px);
    }
    println!(
        "mean square {:.2}, within 2 sd {:.0} %",
        squares / count,
        100.0 * within / count
    );
    assert!(squares / count < 2.5, "{}", squares / count);
    assert!(within / count > 0.8, "{}", within / count);
}

#[test]
fn a_rig_from_rendered_pictures_measures_the_mound_to_millimetres() {
    let board = Board::default();
    let truth = StereoRig {
        right: Camera {
            fx_px: 990.0,
            cy_px: 361.0,
            ..phone()
        },
        ..rig(90.0)
    };
    let cameras = [truth.left, truth.right];
    let mut films = cameras.map(|c| Film::new(c.width_px, c.height_px, None));
    for phone in 0..2 {
        let near = near_poses(&board, 12, 7 + phone as u64);
        filmed(
            &mut films[phone],
            &cameras[phone],
            &board,
            &near,
            100 * phone,
            phone as u64,
        );
    }
    let left_from_world = truth.world_from_left.unwrap().0.inverse();
    let from_world = [left_from_world, truth.right_from_left.0.after(&left_from_world)];
    let upright = world_from_board(&board, true);
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut placed: Vec<Rigid> = (0..8)
        .map(|_| {
            let mut turn = |range: f64| rng.random_range(-range..range) * 0.0174;
            let lean = nalgebra::Rotation3::from_euler_angles(turn(20.0), turn(12.0), turn(25.0));
            let at = Vector3::new(
                rng.random_range(-0.4..0.4),
                rng.random_range(0.6..1.4),
                rng.random_range(-0.4..0.4),
            );
            Rigid::new(lean, at - lean * upright.apply(&board.centre_m())).after(&upright)
        })
        .collect();
    placed.push(upright);
    for phone in 0..2 {
        let poses: Vec<Rigid> = placed.iter().map(|p| from_world[phone].after(p)).collect();
        filmed(
            &mut films[phone],
            &cameras[phone],
            &board,
            &poses,
            1000,
            20 + phone as u64,
        );
    }
    let found = calibrate([&films[0], &films[1]], Pairing::ByNumber, [None, None], &full()).unwrap();
    assert_eq!(found.pairs, 9, "{:?} {:?}", films[0].misses, films[1].misses);
    println!(
        "{:?} {:?}, RMS {:.4} px",
        found.judgement, found.joint_error, found.rms_px
    );
    assert!(
        found.judgement.verdict <= Verdict::Usable,
        "{:?}",
        found.judgement
    );
    let world = found.rig.world_from_left.unwrap().0;
    // A point a metre above the rubber, carried through both worlds.
    let at = left_from_world.apply(&Vector3::new(0.2, 1.0, -0.1));
    let miss = (world.apply(&at) - Vector3::new(0.2, 1.0, -0.1)).norm();
    let turn = (world.rotation.matrix() - truth.world_from_left.unwrap().0.rotation.matrix()).norm()
        / 2.0_f64.sqrt();
    println!(
        "a metre above the rubber: off by {:.1} mm; world turned by {:.3} degrees",
        1e3 * miss,
        turn.to_degrees()
    );
    assert!(
        miss < 0.015 && turn.to_degrees() < 0.5,
        "{miss} m, {} degrees",
        turn.to_degrees()
    );
    let baseline = truth.right_from_left.baseline_m();
    assert!((found.rig.right_from_left.baseline_m() / baseline - 1.0).abs() < 0.002);
}
