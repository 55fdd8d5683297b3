//! Recordings that cannot be measured: each is refused with what to do about it, and nothing is left behind.

use std::fs;
use std::process::Command;

use serde_json::{Value, json};

use super::cli_stories::{Desk, Said};

fn measure(desk: &Desk, left: &str, right: &str, rig: &str) -> Said {
    desk.run(&["measure", left, right, "--rig", rig, "-o", "out"])
}

/// A desk with two different films of nobody and a rig that fits them.
fn desk() -> Desk {
    let desk = Desk::new();
    desk.wall("left.mp4", (320, 180), 40, 90);
    desk.wall("right.mp4", (320, 180), 40, 120);
    desk.rig("rig.json", |_| ());
    desk
}

const AT_FIRST: [&str; 3] = ["left.mp4", "rig.json", "right.mp4"];

#[test]
fn a_missing_file_is_named() {
    let desk = desk();
    measure(&desk, "gone.mp4", "right.mp4", "rig.json").refused(&[
        "gone.mp4",
        "no such file",
        "check the name",
    ]);
    measure(&desk, "left.mp4", "right.mp4", "gone.json").refused(&[
        "gone.json",
        "no such file",
        "twinmound calibrate",
    ]);
    let board = ["--squares", "9x6", "--square-mm", "70", "-o", "new.json"];
    desk.run(&[&["calibrate", "gone.mp4", "right.mp4"], &board[..]].concat())
        .refused(&["gone.mp4"]);
    desk.run(&[&["lens", "gone.mp4"], &board[..]].concat())
        .refused(&["gone.mp4"]);
    desk.run(
        &[
            &["calibrate", "left.mp4", "right.mp4", "--lens-left", "gone.json"],
            &board[..],
        ]
        .concat(),
    )
    .refused(&["gone.json", "no such file", "twinmound lens"]);
    desk.run(&["keypoints", "gone.mp4", "-o", "joints.csv"])
        .refused(&["gone.mp4"]);
    assert_eq!(desk.names(), AT_FIRST);
}

#[test]
fn what_is_not_a_video_is_called_so() {
    let desk = desk();
    fs::write(
        desk.at("notes.mp4"),
        "Bullpen on Tuesday, 20 throws.\n".repeat(100),
    )
    .unwrap();
    fs::write(desk.at("empty.mp4"), "").unwrap();
    let whole = fs::read(desk.at("left.mp4")).unwrap();
    fs::write(desk.at("short.mp4"), &whole[..whole.len() / 2]).unwrap();
    let before = desk.names();
    for (bad, word) in [
        ("notes.mp4", "not a video"),
        ("empty.mp4", "empty"),
        ("short.mp4", "copy"),
    ] {
        measure(&desk, "left.mp4", bad, "rig.json").refused(&[bad, word]);
        desk.run(&["keypoints", bad, "-o", "joints.csv"])
            .refused(&[bad, word]);
        desk.run(&[
            "lens",
            bad,
            "--squares",
            "9x6",
            "--square-mm",
            "70",
            "-o",
            "lens.json",
        ])
        .refused(&[bad, word]);
    }
    assert_eq!(desk.names(), before);
}

#[test]
fn a_film_of_nobody_is_refused_and_leaves_nothing() {
    let desk = desk();
    measure(&desk, "left.mp4", "right.mp4", "rig.json").refused(&["phone's video", "no person"]);
    desk.run(&["keypoints", "left.mp4", "-o", "joints.csv"])
        .refused(&["no person"]);
    assert_eq!(desk.names(), AT_FIRST);
}

/// The library of the set-up has no CUDA in it.
#[test]
fn a_gpu_that_cannot_be_used_is_refused_before_anything_is_written() {
    if std::env::var_os("ORT_DYLIB_PATH").is_some_and(|library| !library.is_empty()) {
        return;
    }
    let desk = desk();
    let words = ["CUDA", "hint: ", "ORT_DYLIB_PATH"];
    for arguments in [
        &["keypoints", "left.mp4", "-o", "joints.csv"][..],
        &[
            "measure",
            "left.mp4",
            "right.mp4",
            "--rig",
            "rig.json",
            "-o",
            "out",
        ][..],
        &["demo", "-o", "out"][..],
    ] {
        let before = desk.names();
        desk.run(&[arguments, &["--device", "cuda"]].concat())
            .refused(&words);
        assert_eq!(desk.names(), before);
    }
}

#[test]
fn a_failed_measurement_leaves_an_earlier_result_as_it_was() {
    let desk = desk();
    fs::create_dir_all(desk.at("out/delivery-01")).unwrap();
    fs::write(desk.at("out/delivery-01/delivery.json"), "earlier").unwrap();
    measure(&desk, "left.mp4", "right.mp4", "rig.json").refused(&[]);
    let kept = fs::read_to_string(desk.at("out/delivery-01/delivery.json")).unwrap();
    assert_eq!(kept, "earlier");
    assert_eq!(desk.names(), ["left.mp4", "out", "rig.json", "right.mp4"]);
}

#[test]
fn a_rig_of_another_picture_size_is_refused() {
    let desk = desk();
    desk.rig("other.json", |rig| {
        rig["phones"][1]["width_px"] = 640.into();
        rig["phones"][1]["height_px"] = 360.into();
    });
    measure(&desk, "left.mp4", "right.mp4", "other.json").refused(&[
        "right phone",
        "320 x 180",
        "640 x 360",
        "exchanged",
    ]);
    assert!(!desk.at("out").exists());
}

#[test]
fn a_rig_that_was_refused_is_not_measured_with() {
    let desk = desk();
    desk.rig("refused.json", |rig| {
        rig["verdict"] = "refused".into();
        rig["reasons"] =
            json!([{"code": "few_pairs", "text": "only 2 pairs", "hint": "show the board longer"}]);
    });
    measure(&desk, "left.mp4", "right.mp4", "refused.json").refused(&[
        "only 2 pairs",
        "show the board longer",
        "calibrate again",
    ]);
    assert!(!desk.at("out").exists());
}

#[test]
fn a_file_that_is_not_a_rig_is_refused() {
    let desk = desk();
    fs::write(desk.at("words.json"), "not a rig").unwrap();
    measure(&desk, "left.mp4", "right.mp4", "words.json").refused(&["twinmound.rig/1"]);
    desk.rig("future.json", |rig| rig["schema"] = "twinmound.rig/9".into());
    measure(&desk, "left.mp4", "right.mp4", "future.json").refused(&["twinmound.rig/9"]);
    desk.rig("skewed.json", |rig| {
        rig["right_from_left"]["rotation"][0][0] = 2.0.into()
    });
    measure(&desk, "left.mp4", "right.mp4", "skewed.json").refused(&["rotation"]);
    desk.rig("flat.json", |rig| rig["phones"][0]["fx_px"] = 0.0.into());
    measure(&desk, "left.mp4", "right.mp4", "flat.json").refused(&["focal length", "twinmound calibrate"]);
    // A video in place of the rig, and a folder.
    measure(&desk, "left.mp4", "right.mp4", "left.mp4").refused(&["left.mp4", "twinmound calibrate"]);
    measure(&desk, "left.mp4", "right.mp4", ".").refused(&["it is a folder"]);
    assert!(!desk.at("out").exists());
}

#[test]
fn the_same_video_twice_is_refused() {
    let desk = desk();
    fs::copy(desk.at("left.mp4"), desk.at("copy.mp4")).unwrap();
    measure(&desk, "left.mp4", "left.mp4", "rig.json").refused(&["same video"]);
    measure(&desk, "left.mp4", "copy.mp4", "rig.json").refused(&["same video"]);
    desk.run(&[
        "calibrate",
        "left.mp4",
        "copy.mp4",
        "--squares",
        "9x6",
        "--square-mm",
        "70",
        "-o",
        "new.json",
    ])
    .refused(&["same video"]);
    assert!(!desk.at("out").exists() && !desk.at("new.json").exists());
}

#[test]
fn a_pair_of_unlike_length_is_refused() {
    let desk = desk();
    // 22 s against a sixth of a second.
    desk.wall("long.mp4", (320, 180), 5280, 120);
    measure(&desk, "left.mp4", "long.mp4", "rig.json").refused(&["lasts"]);
    assert!(!desk.at("out").exists());
}

#[test]
fn a_board_that_was_never_shown_is_missed() {
    let desk = desk();
    let said = desk.run(&[
        "calibrate",
        "left.mp4",
        "right.mp4",
        "--squares",
        "8x5",
        "--square-mm",
        "70",
        "-o",
        "new.json",
    ]);
    said.refused(&["left phone", "no checkerboard seen", "record again"]);
    assert!(!desk.at("new.json").exists());
}

/// The real stereo pictures of Debian's opencv-doc show a board of 9 x 6 inner corners.
#[test]
fn a_wrong_board_size_is_named() {
    let desk = Desk::new();
    for side in ["left", "right"] {
        fs::create_dir(desk.at(side)).unwrap();
        for number in ["01", "02", "03", "04", "05"] {
            let from = format!("/usr/share/doc/opencv-doc/examples/data/{side}{number}.jpg");
            let to = desk.at(&format!("{side}/{number}.jpg"));
            if fs::copy(&from, &to).is_err() {
                let packed = fs::read(format!("{from}.gz")).unwrap();
                fs::write(desk.at("packed.gz"), packed).unwrap();
                let plain = Command::new("gzip")
                    .arg("-dc")
                    .arg(desk.at("packed.gz"))
                    .output()
                    .unwrap();
                fs::write(&to, plain.stdout).unwrap();
            }
        }
    }
    let said = desk.run(&[
        "calibrate",
        "left",
        "right",
        "--squares",
        "10x7",
        "--square-mm",
        "25",
        "-o",
        "rig.json",
    ]);
    said.refused(&["9 x 6 inner corners", "--squares 9x6"]);
    assert!(!desk.at("rig.json").exists());
}

/// Real people, but nobody who throws, seen by phones that are not where the rig says: Debian's pedestrian video.
#[test]
fn people_who_do_not_throw_are_no_delivery() {
    let desk = Desk::new();
    let (wide, high) = (768, 576);
    for (name, start) in [("left.mp4", "0"), ("right.mp4", "1")] {
        let made = Command::new("ffmpeg")
            .args(["-loglevel", "error", "-ss", start, "-t", "3", "-i"])
            .arg("/usr/share/doc/opencv-doc/examples/data/vtest.avi")
            .args(["-c:v", "libx264", "-preset", "ultrafast", "-an"])
            .arg(desk.at(name))
            .status()
            .unwrap();
        assert!(made.success());
    }
    desk.rig("rig.json", |rig| {
        for phone in rig["phones"].as_array_mut().unwrap() {
            phone["width_px"] = wide.into();
            phone["height_px"] = high.into();
            phone["fx_px"] = 600.0.into();
            phone["fy_px"] = 600.0.into();
            phone["cx_px"] = Value::from(383.5);
            phone["cy_px"] = Value::from(287.5);
        }
    });
    let said = measure(&desk, "left.mp4", "right.mp4", "rig.json");
    said.refused(&["hint"]);
    assert!(!desk.at("out").exists());
}
