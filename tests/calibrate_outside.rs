//! Calibration against the outside: Python OpenCV on the real stereo pictures of Debian's opencv-doc.
//!
//! The numbers and their recipe: `fixtures/calibration`. The pictures are read from the installed package.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test shows its figures and fails loudly, also in the functions it calls"
)]

use std::time::Instant;

use nalgebra::{Matrix3, Rotation3, Vector3};
use serde::Deserialize;
use twinmound::calibrate::{
    Board, BoardView, CalibrateSettings, Calibration, Corner, DistortionOrder, Film, LensFile, Pairing,
    RigFile, calibrate, find_board, lens,
};
use twinmound::geometry::{Camera, CameraPoint, PixelPoint};
use twinmound::picture::Grey;

#[cfg(feature = "long-tests")]
use super::reference_python::python;
use super::stereo_pictures;

#[derive(Deserialize)]
struct Mono {
    rms_px: f64,
    matrix: [[f64; 3]; 3],
    distortion: [f64; 5],
}

#[derive(Deserialize)]
struct Stereo {
    rms_px: f64,
    rotation: [[f64; 3]; 3],
    translation: [f64; 3],
}

#[derive(Deserialize)]
struct Projection {
    points: Vec<[f64; 3]>,
    turn: [f64; 3],
    shift: [f64; 3],
    matrix: [[f64; 3]; 3],
    distortion: [f64; 5],
    pixels: Vec<[f64; 2]>,
}

#[derive(Deserialize)]
struct Sides<T> {
    left: T,
    right: T,
}

#[derive(Deserialize)]
struct Reference {
    square_m: f64,
    numbers: Vec<usize>,
    mono: Sides<Mono>,
    stereo: Stereo,
    projection: Projection,
    corners: Sides<Vec<Vec<[f64; 2]>>>,
}

fn reference() -> Reference {
    serde_json::from_str(include_str!("../fixtures/calibration/opencv_reference.json")).unwrap()
}

fn board(reference: &Reference) -> Board {
    Board::new(9, 6, reference.square_m)
}

fn settings(reference: &Reference) -> CalibrateSettings {
    CalibrateSettings {
        distortion: Some(DistortionOrder::Five),
        ..CalibrateSettings::new(board(reference))
    }
}

fn grey(name: &str) -> Grey {
    let read = stereo_pictures::picture(name);
    Grey {
        width: read.width() as usize,
        height: read.height() as usize,
        data: read.into_raw(),
    }
}

fn picture(side: &str, number: usize) -> Grey {
    grey(&format!("{side}{number:02}.jpg"))
}

/// A film of OpenCV's corners.
fn film_of(corners: &[Vec<[f64; 2]>], numbers: &[usize]) -> Film {
    let mut film = Film::new(640, 480, None);
    for (view, &number) in corners.iter().zip(numbers) {
        let corners = view
            .iter()
            .map(|&[x, y]| Corner {
                at: PixelPoint::new(x, y),
                sd_px: 0.05,
            })
            .collect();
        film.add(
            number,
            None,
            Ok(BoardView {
                corners,
                blur_px: 0.8,
                contrast: 200.0,
                spacing_px: 40.0,
            }),
        );
    }
    film
}

/// A film of our own corners.
fn film_of_pictures(side: &str, reference: &Reference) -> Film {
    let mut film = Film::new(640, 480, None);
    let pictures: Vec<_> = reference
        .numbers
        .iter()
        .map(|&n| (n, None, picture(side, n)))
        .collect();
    film.look(&pictures, &board(reference)).unwrap();
    film
}

fn relative(ours: f64, theirs: f64) -> f64 {
    (ours / theirs - 1.0).abs()
}

fn assert_lens_close(camera: &Camera, theirs: &Mono, bound: f64, what: &str) {
    let numbers = [
        (camera.fx_px, theirs.matrix[0][0]),
        (camera.fy_px, theirs.matrix[1][1]),
        (camera.cx_px, theirs.matrix[0][2]),
        (camera.cy_px, theirs.matrix[1][2]),
    ];
    for (ours, theirs) in numbers {
        println!(
            "{what}: {ours:.4}, OpenCV {theirs:.4}, {:.4} %",
            100.0 * relative(ours, theirs)
        );
        assert!(relative(ours, theirs) < bound, "{what}: {ours} against {theirs}");
    }
}

fn rotation_between_deg(ours: &Rotation3<f64>, theirs: &[[f64; 3]; 3]) -> f64 {
    let theirs = Rotation3::from_matrix_unchecked(Matrix3::from_fn(|i, j| theirs[i][j]));
    // Small angles: from the difference of the matrices.
    ((ours.matrix() - theirs.matrix()).norm() / std::f64::consts::SQRT_2).to_degrees()
}

fn assert_stereo_close(ours: &Calibration, theirs: &Stereo) {
    let pose = ours.rig.right_from_left;
    let baseline = Vector3::from(theirs.translation).norm();
    let turn_deg = rotation_between_deg(&pose.0.rotation, &theirs.rotation);
    println!(
        "baseline {:.5} squares, OpenCV {baseline:.5}; rotation differs by {turn_deg:.4} degrees; RMS {:.4} px, OpenCV {:.4} px",
        pose.baseline_m(),
        ours.rms_px,
        theirs.rms_px
    );
    assert!(relative(pose.baseline_m(), baseline) < 0.005);
    assert!(turn_deg < 0.05, "{turn_deg}");
}

#[test]
fn every_real_board_is_found_where_opencv_finds_it() {
    let reference = reference();
    let mut distances = Vec::new();
    for (side, theirs) in [
        ("left", &reference.corners.left),
        ("right", &reference.corners.right),
    ] {
        for (&number, theirs) in reference.numbers.iter().zip(theirs) {
            let picture = picture(side, number);
            let start = Instant::now();
            let view =
                find_board(&picture, &board(&reference)).unwrap_or_else(|m| panic!("{side}{number:02}: {m}"));
            let ms = start.elapsed().as_secs_f64() * 1e3;
            let mut away: Vec<f64> = view
                .corners
                .iter()
                .zip(theirs)
                .map(|(c, &[x, y])| c.at.distance_px(PixelPoint::new(x, y)))
                .collect();
            away.sort_by(f64::total_cmp);
            println!(
                "{side}{number:02}: median {:.3} px, worst {:.3} px from OpenCV, blur {:.2} px, {ms:.1} ms",
                away[27], away[53], view.blur_px
            );
            // Below a pixel throughout: the same corners in the same order.
            assert!(away[53] < 1.0, "{side}{number:02}: {}", away[53]);
            distances.extend(away);
        }
    }
    distances.sort_by(f64::total_cmp);
    let median = distances[distances.len() / 2];
    println!("all {} corners: median {median:.3} px", distances.len());
    assert_eq!(distances.len(), 26 * 54);
    assert!(median <= 0.1, "{median}");
}

#[test]
fn on_opencvs_own_corners_lens_and_pose_equal_opencvs() {
    let reference = reference();
    let films = [
        film_of(&reference.corners.left, &reference.numbers),
        film_of(&reference.corners.right, &reference.numbers),
    ];
    for (film, theirs, side) in [
        (&films[0], &reference.mono.left, "left"),
        (&films[1], &reference.mono.right, "right"),
    ] {
        let ours = lens(film, &settings(&reference)).unwrap();
        println!(
            "{side}: RMS {:.5} px, OpenCV {:.5} px",
            ours.quality.rms_px, theirs.rms_px
        );
        assert!(relative(ours.quality.rms_px, theirs.rms_px) < 0.02);
        assert_lens_close(&ours.camera, theirs, 0.005, side);
        println!(
            "distortion {:?}, OpenCV {:?}",
            ours.camera.distortion, theirs.distortion
        );
    }
    let ours = calibrate(
        [&films[0], &films[1]],
        Pairing::ByNumber,
        [None, None],
        &settings(&reference),
    )
    .unwrap();
    assert!(
        relative(ours.rms_px, reference.stereo.rms_px) < 0.02,
        "{} {}",
        ours.rms_px,
        reference.stereo.rms_px
    );
    assert_stereo_close(&ours, &reference.stereo);
}

#[test]
fn from_the_real_pictures_the_whole_calibration_agrees_with_opencvs() {
    let reference = reference();
    let films = [
        film_of_pictures("left", &reference),
        film_of_pictures("right", &reference),
    ];
    for (film, theirs, side) in [
        (&films[0], &reference.mono.left, "left"),
        (&films[1], &reference.mono.right, "right"),
    ] {
        let ours = lens(film, &settings(&reference)).unwrap();
        println!(
            "{side}: RMS {:.4} px, OpenCV {:.4} px",
            ours.quality.rms_px, theirs.rms_px
        );
        // Better placed corners may only lower it.
        assert!(ours.quality.rms_px < 1.02 * theirs.rms_px);
        assert_lens_close(&ours.camera, theirs, 0.005, side);
        let file = LensFile::from(&ours);
        let back = LensFile::from_json(&file.to_json()).unwrap();
        let back = back.lens().unwrap().camera;
        assert!((back.fx_px - ours.camera.fx_px).abs() < 1e-9, "{back:?}");
        assert!(
            (back.distortion[4] - ours.camera.distortion[4]).abs() < 1e-12,
            "{back:?}"
        );
    }
    let start = Instant::now();
    let ours = calibrate(
        [&films[0], &films[1]],
        Pairing::ByNumber,
        [None, None],
        &settings(&reference),
    )
    .unwrap();
    println!("solved in {:.0} ms", start.elapsed().as_secs_f64() * 1e3);
    assert_stereo_close(&ours, &reference.stereo);
    assert!(ours.rms_px < 1.02 * reference.stereo.rms_px);
    let text = RigFile::from(&ours).to_json();
    println!("{text}");
    let back = RigFile::from_json(&text).unwrap().rig().unwrap();
    assert!((back.right_from_left.0.translation_m - ours.rig.right_from_left.0.translation_m).norm() < 1e-12);
}

#[test]
fn projection_equals_opencvs() {
    let p = reference().projection;
    let camera = Camera {
        width_px: 1280,
        height_px: 720,
        fx_px: p.matrix[0][0],
        fy_px: p.matrix[1][1],
        cx_px: p.matrix[0][2],
        cy_px: p.matrix[1][2],
        distortion: p.distortion,
    };
    let rotation = Rotation3::from_scaled_axis(Vector3::from(p.turn));
    for (point, pixel) in p.points.iter().zip(&p.pixels) {
        let at = CameraPoint(rotation * Vector3::from(*point) + Vector3::from(p.shift));
        let ours = camera.project(at).unwrap();
        let miss = ours.distance_px(PixelPoint::new(pixel[0], pixel[1]));
        assert!(miss < 1e-9, "{miss}");
    }
}

#[test]
fn photographs_without_a_board_are_turned_down_quickly() {
    // Photographs of the same package: texture, a building, boards for games.
    for name in [
        "baboon.jpg",
        "building.jpg",
        "fruits.jpg",
        "graf1.png",
        "home.jpg",
        "sudoku.png",
        "board.jpg",
    ] {
        let picture = grey(name);
        let start = Instant::now();
        let seen = find_board(&picture, &Board::default());
        let ms = start.elapsed().as_secs_f64() * 1e3;
        println!(
            "{name} {}x{}: {seen:?}, {ms:.1} ms",
            picture.width, picture.height
        );
        assert!(seen.is_err(), "{name}");
        assert!(ms < 1000.0, "{name}: {ms} ms");
    }
}

/// Times to calibrate sixty pairs, the best of three, in turn with Python OpenCV doing the same on the same machine.
#[cfg(feature = "long-tests")]
#[test]
fn sixty_pairs_are_calibrated_no_slower_than_opencv_does() {
    let reference = reference();
    let sixty = |side: &str| -> Vec<_> {
        (0..60)
            .map(|k| {
                (
                    k,
                    None,
                    picture(side, reference.numbers[k % reference.numbers.len()]),
                )
            })
            .collect()
    };
    let pictures = [sixty("left"), sixty("right")];
    let (mut ours_s, mut theirs_s) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..3 {
        let start = Instant::now();
        let mut films = [Film::new(640, 480, None), Film::new(640, 480, None)];
        for (film, pictures) in films.iter_mut().zip(&pictures) {
            film.look(pictures, &board(&reference)).unwrap();
        }
        let found = start.elapsed().as_secs_f64();
        calibrate(
            [&films[0], &films[1]],
            Pairing::ByNumber,
            [None, None],
            &settings(&reference),
        )
        .unwrap();
        let all = start.elapsed().as_secs_f64();
        let said = python("fixtures/calibration/opencv_time.py", &[]);
        println!(
            "60 pairs: ours corners {found:.3} s, all {all:.3} s; OpenCV {}",
            said.trim()
        );
        let theirs: serde_json::Value = serde_json::from_str(&said).unwrap();
        ours_s = ours_s.min(all);
        theirs_s = theirs_s.min(theirs["all_s"].as_f64().unwrap());
    }
    println!("best: ours {ours_s:.3} s, OpenCV {theirs_s:.3} s");
    assert!(ours_s <= theirs_s, "{ours_s} s, OpenCV {theirs_s} s");
}
