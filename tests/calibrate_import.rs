//! Camera and stereo files that Python OpenCV writes in the test itself are read to the last digit.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::path::Path;

use serde_json::Value;

use super::cli_stories::Desk;
use super::reference_python::python;
use super::stereo_pictures::{NUMBERS, PICTURES, calibrate};

/// A desk with OpenCV's files and a few of its stereo pictures; and what the files hold.
fn desk() -> (Desk, Value) {
    let desk = Desk::new();
    let said = python(
        "fixtures/calibration/opencv_files.py",
        &[desk.at("").to_str().unwrap()],
    );
    for side in ["left", "right"] {
        fs::create_dir(desk.at(side)).unwrap();
        for number in &NUMBERS[..8] {
            let name = format!("{side}{number}.jpg");
            fs::copy(
                Path::new(PICTURES).join(&name),
                desk.at(&format!("{side}/{number}.jpg")),
            )
            .unwrap();
        }
    }
    (desk, serde_json::from_str(&said).unwrap())
}

fn rig(desk: &Desk) -> Value {
    serde_json::from_str(&fs::read_to_string(desk.at("rig.json")).unwrap()).unwrap()
}

fn close(ours: &Value, theirs: f64) {
    let ours = ours.as_f64().unwrap();
    assert!(
        (ours - theirs).abs() <= 1e-12 * theirs.abs().max(1.0),
        "{ours} {theirs}"
    );
}

fn assert_phone(phone: &Value, theirs: &Value) {
    for (key, i, j) in [("fx_px", 0, 0), ("fy_px", 1, 1), ("cx_px", 0, 2), ("cy_px", 1, 2)] {
        close(&phone[key], theirs["matrix"][i][j].as_f64().unwrap());
    }
    for k in 0..5 {
        close(&phone["distortion"][k], theirs["distortion"][k].as_f64().unwrap());
    }
}

#[test]
fn opencvs_two_cameras_and_their_pose_become_the_rig_unchanged() {
    let (desk, theirs) = desk();
    let said = calibrate(
        &desk,
        &[
            "--lens-left",
            "intrinsics.yml",
            "--lens-right",
            "intrinsics.yml",
            "--stereo",
            "extrinsics.yml",
            "--stereo-unit-mm",
            "25",
        ],
    );
    let rig = rig(&desk);
    assert_phone(&rig["phones"][0], &theirs["left"]);
    assert_phone(&rig["phones"][1], &theirs["right"]);
    let pose = &rig["right_from_left"];
    for i in 0..3 {
        close(
            &pose["translation_m"][i],
            theirs["translation"][i].as_f64().unwrap() * 0.025,
        );
        for j in 0..3 {
            let (ours, r) = (
                pose["rotation"][i][j].as_f64().unwrap(),
                &theirs["rotation"][i][j],
            );
            assert!((ours - r.as_f64().unwrap()).abs() < 1e-12);
        }
    }
    // The file tells no doubt, and none is made up.
    assert!(pose["sd_deg"].is_null() && pose["sd_m"].is_null() && rig["joint_error"].is_null());
    // The same pictures: OpenCV's numbers explain our corners as well as its own.
    assert!(rig["rms_px"].as_f64().unwrap() < 0.6, "{}", rig["rms_px"]);
    for word in ["tells no doubt", "twinmound lens"] {
        assert!(said.err.contains(word), "no '{word}' in {}", said.err);
    }
}

#[test]
fn one_camera_file_serves_as_a_lens_file() {
    let (desk, theirs) = desk();
    // Versions before 5 begin their files otherwise.
    let text = fs::read_to_string(desk.at("camera.yml")).unwrap();
    fs::write(desk.at("old.yml"), text.replacen("%YAML 1.2", "%YAML:1.0", 1)).unwrap();
    calibrate(&desk, &["--lens-left", "old.yml"]);
    assert_phone(&rig(&desk)["phones"][0], &theirs["camera"]);
    calibrate(&desk, &["--lens-left", "camera.yml"]);
    assert_phone(&rig(&desk)["phones"][0], &theirs["camera"]);
}

#[test]
fn files_that_do_not_fit_are_refused_with_what_to_do() {
    let (desk, _) = desk();
    let lens = |file: &str, words: &[&str]| calibrate(&desk, &["--lens-left", file]).refused(words);
    lens(
        "rational.yml",
        &[
            "8 distortion coefficients",
            "without the rational",
            "twinmound lens",
        ],
    );
    lens("cut.yml", &["cut.yml", "twinmound lens"]);
    lens("extrinsics.yml", &["no camera matrix", "it holds: R, T, Q"]);
    // Another picture size: the file's own says so.
    let text = fs::read_to_string(desk.at("camera.yml")).unwrap();
    fs::write(
        desk.at("large.yml"),
        text.replace("image_width: 640", "image_width: 1920")
            .replace("image_height: 480", "image_height: 1080"),
    )
    .unwrap();
    lens("large.yml", &["cannot belong to pictures of 1920x1080"]);
    let scaled = text.replace("image_width: 640", "image_width: 700");
    fs::write(desk.at("other.yml"), scaled).unwrap();
    lens("other.yml", &["left phone", "700x480", "640x480"]);
    let stereo = |file: &str, unit: &str, words: &[&str]| {
        calibrate(
            &desk,
            &[
                "--lens-left",
                "intrinsics.yml",
                "--lens-right",
                "intrinsics.yml",
                "--stereo",
                file,
                "--stereo-unit-mm",
                unit,
            ],
        )
        .refused(words);
    };
    stereo("camera.yml", "25", &["no rotation R", "stereoCalibrate"]);
    stereo("extrinsics.yml", "1", &["--stereo-unit-mm"]);
    // Four times the true length: the board contradicts it.
    stereo(
        "extrinsics.yml",
        "100",
        &["does not fit the board", "LEFT", "unit"],
    );
    calibrate(&desk, &["--stereo", "extrinsics.yml"]).refused(&["--stereo-unit-mm"]);
}

#[test]
fn a_tape_between_the_lenses_checks_the_boards_size() {
    let (desk, theirs) = desk();
    let squares: f64 = (0..3)
        .map(|i| theirs["translation"][i].as_f64().unwrap().powi(2))
        .sum::<f64>()
        .sqrt();
    let apart = |share: f64| format!("{:.4}", squares * 0.025 * share);
    let said = calibrate(&desk, &["--phones-apart-m", &apart(1.0)]);
    assert!(!said.err.contains("by the tape"), "{}", said.err);
    let said = calibrate(&desk, &["--phones-apart-m", &apart(1.06)]);
    said.refused(&["by the tape", "-5.", "--square-mm"]);
}
