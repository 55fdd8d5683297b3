//! What a coach is told: in `delivery.json`, on the page, in the terminal.

use std::fs;

use twinmound::skeleton::Side;

use crate::cli_stories::Desk;
use crate::kinematics_joints::tables::{csv, delivery, measured, times};

/// Joints of one of the studio's deliveries as another program would write them, 4 mm stated.
fn table(style: &str, throws: Side) -> String {
    let delivery = delivery(style, throws);
    let text = csv(&delivery, &times(&delivery, 240.0), |_, _, p| Some(p));
    let joints = twinmound::skeleton::Joint::ALL;
    let heads: String = joints.iter().map(|j| format!(",{j}_sd_m")).collect();
    let cells = ",0.004".repeat(joints.len());
    text.lines()
        .enumerate()
        .map(|(i, line)| format!("{line}{}\n", if i == 0 { &heads } else { &cells }))
        .collect()
}

#[test]
fn a_coach_reads_what_to_work_on_first_with_its_evidence() {
    let desk = Desk::new();
    fs::write(desk.at("early.csv"), table("early-rotation", Side::Left)).unwrap();
    let record = measured(&desk, "early.csv", &["--age", "14"]);
    crate::kinematics_schema::assert_valid("delivery", &[desk.at("out/delivery-01/delivery.json")]);
    let findings = &record["findings"];
    assert_eq!(findings["first"], "early_rotation");
    assert_eq!(findings["level"], "12-15");
    let first = &findings["faults"][0];
    assert!(first["text"].as_str().unwrap().contains("has already turned to"));
    assert_eq!(first["provenance"], "SEEN, DERIVED");
    let metrics = record["metrics"].as_array().unwrap();
    let metric = |id: &str| metrics.iter().find(|m| m["id"] == id).unwrap();
    let band = &metric("pelvis_rotation_at_foot_contact_deg")["reference"];
    // Kageyama et al., J Sports Sci Med 2015;14:246-255, table 3, adolescents: 16.7 (10.4) degrees; twice the sd each way.
    assert!((band["low"].as_f64().unwrap() + 4.1).abs() < 1e-9);
    assert!((band["high"].as_f64().unwrap() - 37.5).abs() < 1e-9);
    assert_eq!(band["place"], "above");
    assert!(metric("release_side_m")["reference"].is_null());

    let page = fs::read_to_string(desk.at("out/report.html")).unwrap();
    for text in [
        "What to work on first",
        "The pelvis turns early",
        "It got better when",
        "12 to 15 years \u{2212}4 to 38°: <b>above</b>",
        "Kageyama",
        "your local rules",
        "Nothing here is a diagnosis",
    ] {
        assert!(page.contains(text), "{text}");
    }
    assert!(!page.contains("{value}") && !page.contains("{size}"));
}

#[test]
fn the_terminal_names_the_first_thing_and_nothing_is_compared_without_a_level() {
    let desk = Desk::new();
    fs::write(desk.at("tilt.csv"), table("glove-pull", Side::Right)).unwrap();
    let said = desk.run(&[
        "measure",
        "--joints",
        "tilt.csv",
        "-o",
        "out",
        "--height-m",
        "1.80",
        "--quiet",
    ]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(
        said.out
            .contains("Work on first (very likely): The glove arm pulls."),
        "{}",
        said.out
    );
    assert!(said.out.contains("see a licensed clinician"));
    let text = fs::read_to_string(desk.at("out/delivery-01/delivery.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    let metrics = record["metrics"].as_array().unwrap();
    assert!(metrics.iter().all(|m| m["reference"].is_null()));
    assert!(record["findings"]["level"].is_null());
}

#[test]
fn a_level_that_is_none_is_refused() {
    let desk = Desk::new();
    for arguments in [["--level", "varsity"], ["--age", "140"]] {
        let mut all = vec!["measure", "--joints", "x.csv", "-o", "out"];
        all.extend(arguments);
        let said = desk.run(&all);
        assert_eq!(said.code, Some(1));
        assert!(
            said.err.contains("12-15") || said.err.contains("between 5 and 80"),
            "{}",
            said.err
        );
    }
}
