//! What makes no session is refused in words, and nothing is written.

use std::fs;

use serde_json::{Value, json};

use super::written::Pitch;
use crate::cli_stories::Desk;

#[test]
fn no_deliveries_are_refused() {
    let desk = Desk::new();
    fs::create_dir_all(desk.at("empty/pitch-1")).unwrap();
    fs::write(desk.at("empty/pitch-1/joints.csv"), "time_s\n").unwrap();
    desk.run(&["session", "empty", "-o", "out"])
        .refused(&["no delivery.json in empty", "hint:", "measure"]);
    Pitch::new(80.0).write(&desk, "one");
    desk.run(&["session", "one", "empty", "-o", "out"])
        .refused(&["no delivery.json in empty"]);
    desk.run(&["session", "gone", "-o", "out"])
        .refused(&["gone", "no such file or folder", "hint:"]);
    desk.run(&["session", "-o", "out"]).refused(&["FILE|FOLDER"]);
    desk.run(&["session", "one"]).refused(&["--out"]);
    assert_eq!(desk.names(), ["empty", "one"]);
}

#[test]
fn a_file_that_is_no_delivery_is_named() {
    let desk = Desk::new();
    Pitch::new(80.0).write(&desk, "good");
    let mut other = Pitch::new(84.0);
    other.record["schema"] = json!("twinmound.delivery/9");
    other.write(&desk, "other");
    desk.run(&["session", "good", "other", "-o", "out"]).refused(&[
        "other/delivery.json",
        "twinmound.delivery/9",
        "hint:",
        "another version",
    ]);
    fs::create_dir_all(desk.at("broken")).unwrap();
    fs::write(
        desk.at("broken/delivery.json"),
        "{\"schema\": \"twinmound.delivery/1\", ",
    )
    .unwrap();
    desk.run(&["session", "good", "broken", "-o", "out"]).refused(&[
        "broken/delivery.json",
        "cannot be read",
        "hint:",
    ]);
    let mut half = Pitch::new(84.0);
    half.record["metrics"] = json!("none");
    half.write(&desk, "half");
    desk.run(&["session", "half", "-o", "out"])
        .refused(&["half/delivery.json", "hint:"]);
    assert!(!desk.at("out").exists());
}

#[test]
fn two_athletes_are_refused() {
    let changes: [(&str, Value, &[&str]); 4] = [
        (
            "throws",
            json!("left"),
            &["right hand", "with the left", "--throws"],
        ),
        ("height_m", json!(1.70), &["1.84 m", "1.70 m", "--height-m"]),
        ("mass_kg", json!(60.0), &["82 kg", "60 kg", "--mass-kg"]),
        ("sex", json!("female"), &["male", "female", "--sex"]),
    ];
    for (key, value, words) in changes {
        let desk = Desk::new();
        Pitch::new(80.0).write(&desk, "first");
        let mut other = Pitch::new(84.0);
        other.record["athlete"][key] = value;
        other.write(&desk, "second");
        let said = desk.run(&["session", "first", "second", "-o", "out"]);
        said.refused(words);
        said.refused(&["first", "second", "hint:"]);
        assert!(!desk.at("out").exists(), "{key}");
    }
}

#[test]
fn another_unit_and_an_unknown_level_are_refused() {
    let desk = Desk::new();
    Pitch::new(80.0).write(&desk, "first");
    let mut other = Pitch::new(84.0);
    other.record["metrics"][0]["unit"] = json!("rad");
    other.write(&desk, "second");
    desk.run(&["session", "first", "second", "-o", "out"]).refused(&[
        "elbow_flexion_at_foot_contact_deg",
        "rad",
        "hint:",
    ]);
    desk.run(&["session", "first", "-o", "out", "--level", "varsity"])
        .refused(&["varsity", "16-18"]);
    assert!(!desk.at("out").exists());
}
