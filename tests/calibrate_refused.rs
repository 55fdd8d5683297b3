//! Board recordings that cannot be used: each message names the problem and what to do.
//!
//! The real stereo pictures of Debian's opencv-doc (9x6 inner corners), each spoiled in one way.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::time::Instant;

use image::imageops;
use image::{DynamicImage, GrayImage};
use serde_json::json;

use twinmound::picture::{ColourMatrix, Grey, Picture};
use twinmound::scene::encode::{FilmOptions, FilmWriter};
use twinmound::units::Seconds;

use super::cli_stories::Desk;
use super::stereo_pictures::{NUMBERS, calibrate, picture};

/// Writes pictures of one side into its folder, each changed.
fn folder(desk: &Desk, side: &str, numbers: &[&str], change: impl Fn(GrayImage) -> GrayImage) {
    let _ = fs::remove_dir_all(desk.at(side));
    fs::create_dir(desk.at(side)).unwrap();
    for number in numbers {
        let changed = change(picture(&format!("{side}{number}.jpg")));
        let file = desk.at(&format!("{side}/{number}.png"));
        DynamicImage::ImageLuma8(changed).save(file).unwrap();
    }
}

fn unchanged(picture: GrayImage) -> GrayImage {
    picture
}

#[test]
fn one_view_without_a_board_is_told_from_the_other() {
    let desk = Desk::new();
    folder(&desk, "left", &NUMBERS, unchanged);
    folder(&desk, "right", &NUMBERS, |p| {
        GrayImage::from_pixel(p.width(), p.height(), image::Luma([90]))
    });
    calibrate(&desk, &[]).refused(&[
        "right phone never shows the whole board",
        "no checkerboard seen",
        "record again",
    ]);
    assert!(!desk.at("rig.json").exists() && !desk.at("rig.html").exists());
}

#[test]
fn a_single_picture_is_too_few() {
    let desk = Desk::new();
    for side in ["left", "right"] {
        folder(&desk, side, &NUMBERS[..1], unchanged);
    }
    calibrate(&desk, &[]).refused(&["left phone", "only 1 different", "4 are needed", "show it close"]);
    assert!(!desk.at("rig.json").exists());
}

#[test]
fn mirrored_pictures_are_called_so() {
    let desk = Desk::new();
    folder(&desk, "left", &NUMBERS, unchanged);
    folder(&desk, "right", &NUMBERS, |p| imageops::flip_horizontal(&p));
    calibrate(&desk, &[]).refused(&["mirrored", "switch mirroring off"]);
    assert!(!desk.at("rig.json").exists());
}

#[test]
fn two_different_boards_are_named() {
    let desk = Desk::new();
    folder(&desk, "left", &NUMBERS, unchanged);
    // A board of 7x4 inner corners, drawn flat, in the right phone's folder.
    folder(&desk, "right", &NUMBERS, |p| {
        GrayImage::from_fn(p.width(), p.height(), |x, y| {
            let (col, row) = ((i64::from(x) - 110) / 50, (i64::from(y) - 110) / 50);
            let on = x >= 110 && y >= 110 && col < 8 && row < 5;
            image::Luma([if on && (col + row) % 2 == 0 { 30 } else { 220 }])
        })
    });
    calibrate(&desk, &[]).refused(&["right phone", "7 x 4 inner corners", "--squares 7x4"]);
    assert!(!desk.at("rig.json").exists());
}

#[test]
fn pictures_of_other_moments_contradict_each_other() {
    let desk = Desk::new();
    folder(&desk, "left", &NUMBERS, unchanged);
    folder(&desk, "right", &NUMBERS, unchanged);
    // The right phone's pictures under the names of other moments.
    let mut names: Vec<_> = NUMBERS
        .iter()
        .map(|n| desk.at(&format!("right/{n}.png")))
        .collect();
    let kept: Vec<_> = names.iter().map(|n| fs::read(n).unwrap()).collect();
    names.rotate_left(5);
    for (name, bytes) in names.iter().zip(&kept) {
        fs::write(name, bytes).unwrap();
    }
    calibrate(&desk, &[]).refused(&["contradict each other", "same moment and the same board"]);
}

#[test]
fn a_lens_file_of_another_picture_size_is_refused() {
    let desk = Desk::new();
    for side in ["left", "right"] {
        folder(&desk, side, &NUMBERS, unchanged);
    }
    let lens = json!({
        "schema": "twinmound.lens/1", "width_px": 1280, "height_px": 720, "rate_hz": 240.0, "fx_px": 1000.0,
        "fy_px": 1000.0, "cx_px": 640.0, "cy_px": 360.0, "distortion": [0.0, 0.0, 0.0, 0.0, 0.0], "rms_px": 0.1,
        "pictures": 20, "sd": null, "verdict": "good", "reasons": [],
    });
    fs::write(desk.at("lens.json"), lens.to_string()).unwrap();
    calibrate(&desk, &["--lens-right", "lens.json"]).refused(&[
        "right phone",
        "1280x720",
        "640x480",
        "use the video mode of the lens file or make a new one",
    ]);
}

#[test]
fn phones_held_upright_are_calibrated_and_told_to_turn() {
    let desk = Desk::new();
    for side in ["left", "right"] {
        folder(&desk, side, &NUMBERS, |p| imageops::rotate90(&p));
    }
    let said = calibrate(&desk, &[]);
    for word in ["left phone filmed upright (480x640)", "landscape"] {
        assert!(said.err.contains(word), "no '{word}' in {}", said.err);
    }
    assert!(desk.at("rig.json").exists());
    // The rig's page says the same, shows both pictures, and loads nothing.
    let page = fs::read_to_string(desk.at("rig.html")).unwrap();
    for word in [
        "What to redo",
        "filmed upright (480x640)",
        "LEFT",
        "RIGHT",
        "px</text>",
    ] {
        assert!(page.contains(word), "no '{word}' in the page");
    }
    assert_eq!(page.matches("<svg").count(), 2);
    assert!(!page.contains("http"));
    // One picture among others of another size is refused.
    folder(&desk, "right", &NUMBERS, unchanged);
    let odd = imageops::rotate90(&picture("right03.jpg"));
    DynamicImage::ImageLuma8(odd)
        .save(desk.at("right/03.png"))
        .unwrap();
    calibrate(&desk, &[]).refused(&["03", "480 x 640", "640 x 480"]);
}

#[test]
fn marks_on_the_ground_that_cannot_be_are_refused() {
    let desk = Desk::new();
    for side in ["left", "right"] {
        folder(&desk, side, &NUMBERS, unchanged);
    }
    let one = ["--ground", "300,400:280,400"];
    calibrate(&desk, &one).refused(&["two at least are needed", "rubber's front edge"]);
    let apart = ["--ground", "300,400:280,100"];
    calibrate(&desk, &[&one[..], &apart[..]].concat())
        .refused(&["mark 2 of the ground", "in LEFT's and in RIGHT's picture"]);
    let slip = calibrate(&desk, &["--ground", "300,400"]);
    assert!(slip.err.contains("LX,LY:RX,RY"), "{}", slip.err);
    assert!(!desk.at("rig.json").exists() && !desk.at("rig.html").exists());
}

#[test]
fn a_film_with_a_wrong_board_size_is_refused_within_seconds() {
    let desk = Desk::new();
    let grey = |number: &str| {
        let p = picture(&format!("left{number}.jpg"));
        Picture {
            luma: Grey {
                width: 640,
                height: 480,
                data: p.into_raw(),
            },
            cb: Grey::filled(320, 240, 128),
            cr: Grey::filled(320, 240, 128),
            full_range: false,
            matrix: ColourMatrix::Bt709,
        }
    };
    let shown: Vec<Picture> = NUMBERS.iter().map(|n| grey(n)).collect();
    // Forty seconds of film: at every look it would take minutes.
    for name in ["left.mp4", "right.mp4"] {
        let mut film =
            FilmWriter::create(&desk.at(name), 640, 480, (30, 1), None, FilmOptions::default()).unwrap();
        let shift = if name == "left.mp4" { 0 } else { 1 };
        for frame in 0..1200 {
            let still = &shown[(frame / 60 + shift) % shown.len()];
            film.push(still, Seconds(frame as f64 / 30.0)).unwrap();
        }
        film.finish().unwrap();
    }
    let start = Instant::now();
    let said = desk.run(&[
        "calibrate",
        "left.mp4",
        "right.mp4",
        "--squares",
        "10x7",
        "--square-mm",
        "25",
        "-o",
        "rig.json",
    ]);
    let seconds = start.elapsed().as_secs_f64();
    println!("refused after {seconds:.1} s");
    said.refused(&["left phone", "9 x 6 inner corners", "--squares 9x6"]);
    assert!(seconds < 15.0, "{seconds} s");
}
