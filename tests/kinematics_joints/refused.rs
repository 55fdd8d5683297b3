//! Slips of units, axes, columns and times are refused with what to do; nothing is left behind.

use std::fs;

use nalgebra::Vector3;
use twinmound::skeleton::{Joint, Side};

use super::tables::{csv, delivery, times};
use crate::cli_stories::Desk;

/// Refused with all of `words`; no output, whole or half.
fn refused(name: &str, text: &str, words: &[&str]) {
    let desk = Desk::new();
    fs::write(desk.at(name), text).unwrap();
    desk.run(&["measure", "--joints", name, "-o", "out"])
        .refused(words);
    assert_eq!(desk.names(), [name]);
}

#[test]
fn slips_in_a_joints_file_are_refused_with_a_hint() {
    let delivery = delivery("clean", Side::Right);
    let rows = times(&delivery, 60.0);
    let plain = csv(&delivery, &rows, |_, _, p| Some(p));
    refused(
        "a.csv",
        &csv(&delivery, &rows, |_, _, p| Some(p * 1000.0)),
        &["millimetres", "hint"],
    );
    refused(
        "a.csv",
        &csv(&delivery, &rows, |_, _, p| Some(p * 3.281)),
        &["feet", "hint"],
    );
    let z_up = csv(&delivery, &rows, |_, _, p| Some(Vector3::new(p.x, -p.z, p.y)));
    refused("a.csv", &z_up, &["along +z", "+y", "hint"]);
    let upside_down = csv(&delivery, &rows, |_, _, p| Some(Vector3::new(p.x, -p.y, -p.z)));
    refused("a.csv", &upside_down, &["along -y", "hint"]);
    let no_hand = csv(&delivery, &rows, |joint, _, p| {
        (!matches!(joint, Joint::LeftKnuckle | Joint::RightKnuckle)).then_some(p)
    });
    refused("a.csv", &no_hand, &["right_knuckle_x_m", "--events", "hint"]);
    let short: String = plain.lines().take(20).map(|l| format!("{l}\n")).collect();
    refused("a.csv", &short, &["19 rows", "24", "hint"]);
    let mut lines: Vec<&str> = plain.lines().collect();
    lines.swap(40, 41);
    refused("a.csv", &lines.join("\n"), &["line 42", "time_s", "hint"]);
    refused("a.csv", &plain.replace("time_s", "t"), &["time_s", "hint"]);
    refused(
        "a.csv",
        &plain.replace("right_hip_y_m", "right_hip_up"),
        &["right_hip_y_m"],
    );
    refused(
        "a.csv",
        &plain.replacen("0.0000000,", "zero,", 1),
        &["line 2", "zero"],
    );
    refused("a.csv", "", &["time_s"]);
    refused("a.txt", &plain, &[".csv", ".c3d"]);
    refused("a.c3d", &plain, &["C3D", "hint"]);
}

#[test]
fn bad_events_and_contradictory_options_are_refused() {
    let delivery = delivery("clean", Side::Right);
    let desk = Desk::new();
    fs::write(
        desk.at("a.csv"),
        csv(&delivery, &times(&delivery, 60.0), |_, _, p| Some(p)),
    )
    .unwrap();
    fs::write(desk.at("none.json"), "{\"contact\": 1.5}").unwrap();
    fs::write(desk.at("bad.json"), "{").unwrap();
    let measure = |more: &[&str]| {
        let mut all = vec!["measure", "--joints", "a.csv", "-o", "out"];
        all.extend(more);
        desk.run(&all)
    };
    measure(&["--events", "none.json"]).refused(&["foot_contact", "hint"]);
    measure(&["--events", "bad.json"]).refused(&["events", "hint"]);
    measure(&["--events", "missing.json"]).refused(&["missing.json", "no such file"]);
    measure(&["left.mp4", "right.mp4"]).refused(&["--joints"]);
    measure(&["--rig", "rig.json"]).refused(&["--joints"]);
    desk.run(&[
        "measure",
        "left.mp4",
        "right.mp4",
        "--rig",
        "r.json",
        "-o",
        "out",
        "--events",
        "none.json",
    ])
    .refused(&["--events"]);
    desk.run(&["measure", "-o", "out"]).refused(&["LEFT"]);
    desk.run(&["measure", "--joints", "b.csv", "-o", "out"])
        .refused(&["b.csv", "no such file", "hint"]);
    assert!(!desk.names().contains(&"out".to_owned()));
}
