//! The corner finder against rendered boards whose corners are known.

use nalgebra::Vector3;

use crate::calibrate::board::Board;
use crate::calibrate::corners::{Miss, find_board};
use crate::calibrate::rendered::{Shot, phone, pose_at, true_corners};
use crate::geometry::Rigid;
use crate::picture::Grey;

/// Distances of the found corners from the true ones, pixels, sorted; `Err` when not found.
fn errors(shot: &Shot, pose: &Rigid) -> Result<Vec<f64>, Miss> {
    let camera = phone();
    let view = find_board(&shot.render(&camera, pose), &shot.board)?;
    let truth = true_corners(&camera, &shot.board, pose);
    let mut errors: Vec<f64> = view
        .corners
        .iter()
        .zip(&truth)
        .map(|(c, t)| c.at.distance_px(*t))
        .collect();
    errors.sort_by(f64::total_cmp);
    Ok(errors)
}

/// Positions and turns from filling the picture to 6 m away, slanted both ways.
fn poses(board: &Board) -> Vec<(&'static str, Rigid)> {
    let p = |x, y, z, turn| pose_at(board, Vector3::new(x, y, z), turn);
    vec![
        ("fills the picture", p(0.02, 0.0, 0.72, [2.0, 3.0, 0.0])),
        ("near, slanted", p(-0.2, 0.1, 1.6, [35.0, -20.0, 10.0])),
        ("near, in the corner", p(0.6, -0.3, 1.7, [10.0, 30.0, -15.0])),
        ("middle, turned", p(0.1, 0.2, 3.0, [-30.0, 25.0, 60.0])),
        ("upside down", p(0.3, 0.1, 2.5, [15.0, -10.0, 178.0])),
        ("mound, face on", p(0.4, 0.2, 6.0, [5.0, 5.0, 2.0])),
        ("mound, 45 degrees", p(-0.3, -0.1, 6.0, [5.0, 45.0, -3.0])),
        ("mound, 57 degrees", p(0.0, 0.1, 6.0, [0.0, 57.0, 4.0])),
        (
            "mound, 60 degrees about a diagonal",
            p(0.0, 0.1, 5.0, [40.0, 45.0, 4.0]),
        ),
        ("near, 68 degrees", p(0.0, 0.0, 2.2, [68.0, 3.0, 2.0])),
        ("near, 70 degrees", p(0.0, 0.0, 2.5, [-3.0, -70.0, 2.0])),
    ]
}

#[test]
fn clean_boards_are_found_to_a_few_hundredths_of_a_pixel() {
    let board = Board::default();
    let mut all = Vec::new();
    for (name, pose) in poses(&board) {
        let e = errors(
            &Shot {
                noise: 0.3,
                ..Shot::of(board)
            },
            &pose,
        )
        .unwrap_or_else(|m| panic!("{name}: {m}"));
        println!(
            "{name}: median {:.4}, worst {:.4} px",
            e[e.len() / 2],
            e[e.len() - 1]
        );
        assert!(e[e.len() - 1] < 0.3, "{name}: {e:?}");
        all.extend(e);
    }
    all.sort_by(f64::total_cmp);
    assert!(all[all.len() / 2] < 0.03, "median {} px", all[all.len() / 2]);
}

#[test]
fn noise_glare_motion_and_surround_do_not_hide_the_board_nor_its_order() {
    let board = Board::default();
    let base = Shot::of(board);
    let shots = [
        (
            "noise 6",
            Shot {
                noise: 6.0,
                ..base.clone()
            },
        ),
        (
            "dark surround",
            Shot {
                surround: 0.02,
                ..base.clone()
            },
        ),
        (
            "light surround",
            Shot {
                surround: 0.95,
                ..base.clone()
            },
        ),
        (
            "texture",
            Shot {
                texture: true,
                ..base.clone()
            },
        ),
        (
            "glare",
            Shot {
                glare: 0.35,
                ..base.clone()
            },
        ),
        (
            "blur 1.3",
            Shot {
                blur_px: 1.3,
                ..base.clone()
            },
        ),
        (
            "motion 2 px",
            Shot {
                motion_px: 2.0,
                ..base
            },
        ),
    ];
    for (name, shot) in shots {
        for (place, pose) in poses(&board) {
            match errors(&shot, &pose) {
                Ok(e) => {
                    println!(
                        "{name}, {place}: median {:.3}, worst {:.3} px",
                        e[e.len() / 2],
                        e[e.len() - 1]
                    );
                    assert!(
                        e[e.len() / 2] < 0.15 && e[e.len() - 1] < 1.5,
                        "{name}, {place}: {e:?}"
                    );
                }
                Err(miss) => panic!("{name}, {place}: {miss}"),
            }
        }
    }
}

#[test]
fn the_stated_doubt_of_a_corner_is_its_error() {
    let (board, camera) = (Board::default(), phone());
    let pose = pose_at(&board, Vector3::new(0.1, 0.2, 4.0), [20.0, -25.0, 8.0]);
    let truth = true_corners(&camera, &board, &pose);
    let (mut squares, mut count) = (0.0, 0.0);
    for seed in 0..6 {
        let view = find_board(
            &Shot {
                noise: 4.0,
                seed,
                ..Shot::of(board)
            }
            .render(&camera, &pose),
            &board,
        )
        .unwrap();
        for (corner, t) in view.corners.iter().zip(&truth) {
            squares += (corner.at.distance_px(*t) / corner.sd_px).powi(2) / 2.0;
            count += 1.0;
        }
    }
    let ratio = f64::sqrt(squares / count);
    println!("error over stated doubt: {ratio:.2}");
    assert!((0.7..1.4).contains(&ratio), "{ratio}");
}

#[test]
fn half_turns_are_told_by_colour() {
    let board = Board::default();
    for turn in [0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0] {
        for lean in [-30.0, 0.0, 30.0] {
            let pose = pose_at(&board, Vector3::new(0.1, 0.0, 2.4), [lean, 20.0, turn]);
            let e = errors(&Shot::of(board), &pose).unwrap();
            assert!(
                e[e.len() - 1] < 0.5,
                "turn {turn}, lean {lean}: {}",
                e[e.len() - 1]
            );
        }
    }
}

#[test]
fn other_boards_are_named_and_partial_ones_refused() {
    let (wanted, camera) = (Board::default(), phone());
    for (cols, rows) in [(8, 5), (7, 6), (10, 7)] {
        let other = Board::new(cols, rows, 0.07);
        let pose = pose_at(&other, Vector3::new(0.0, 0.0, 2.5), [10.0, 20.0, 5.0]);
        let seen = find_board(&Shot::of(other).render(&camera, &pose), &wanted);
        assert_eq!(seen.unwrap_err(), Miss::OtherSize { cols, rows });
    }
    let outside = pose_at(&wanted, Vector3::new(1.05, 0.0, 2.0), [5.0, 10.0, 3.0]);
    let seen = find_board(&Shot::of(wanted).render(&camera, &outside), &wanted);
    assert!(matches!(seen, Err(Miss::Partial { .. })), "{seen:?}");
    let mut covered =
        Shot::of(wanted).render(&camera, &pose_at(&wanted, Vector3::new(0.0, 0.0, 2.5), [0.0; 3]));
    for y in 300..420 {
        covered.data[y * 1280 + 560..y * 1280 + 660].fill(120); // a hand in front
    }
    assert!(find_board(&covered, &wanted).is_err());
}

#[test]
fn pictures_without_a_board_are_refused() {
    let board = Board::default();
    assert_eq!(
        find_board(&Grey::filled(1280, 720, 90), &board).unwrap_err(),
        Miss::NoBoard
    );
    assert_eq!(
        find_board(&Grey::filled(0, 0, 0), &board).unwrap_err(),
        Miss::NoBoard
    );
    assert_eq!(
        find_board(&Grey::filled(20, 700, 0), &board).unwrap_err(),
        Miss::NoBoard
    );
    let away = pose_at(&board, Vector3::new(40.0, 0.0, 30.0), [0.0; 3]);
    let texture = Shot {
        texture: true,
        noise: 8.0,
        ..Shot::of(board)
    }
    .render(&phone(), &away);
    assert!(find_board(&texture, &board).is_err());
}

/// Prints times; fails when a board is not found.
#[cfg(feature = "long-tests")]
#[test]
fn time_per_picture() {
    let (board, camera) = (Board::default(), phone());
    for (name, pose) in poses(&board) {
        let picture = Shot {
            texture: true,
            ..Shot::of(board)
        }
        .render(&camera, &pose);
        let start = std::time::Instant::now();
        for _ in 0..10 {
            find_board(&picture, &board).unwrap();
        }
        println!("{name}: {:.1} ms", start.elapsed().as_secs_f64() * 100.0);
    }
    let away = pose_at(&board, Vector3::new(40.0, 0.0, 30.0), [0.0; 3]);
    for texture in [false, true] {
        let picture = Shot {
            texture,
            ..Shot::of(board)
        }
        .render(&camera, &away);
        let start = std::time::Instant::now();
        for _ in 0..10 {
            assert!(find_board(&picture, &board).is_err());
        }
        println!(
            "no board, texture {texture}: {:.1} ms",
            start.elapsed().as_secs_f64() * 100.0
        );
    }
}
