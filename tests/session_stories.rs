//! `session`: what it sums up, what it refuses, what it writes.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

/// Deliveries written by hand.
mod written;

/// Slips that are refused, and what is said.
mod refused;

/// Deliveries of the studio's joints.
mod studio;

use std::fs;

use serde_json::{Value, json};

use crate::cli_stories::Desk;
use crate::kinematics_schema::assert_valid;
use written::{Pitch, session_of};

fn metric<'a>(session: &'a Value, id: &str) -> &'a Value {
    session["metrics"]
        .as_array()
        .unwrap()
        .iter()
        .find(|m| m["id"] == id)
        .unwrap()
}

#[test]
fn a_folder_of_results_becomes_a_session() {
    let desk = Desk::new();
    for (i, elbow) in [80.0, 84.0, 88.0].into_iter().enumerate() {
        // By name pitch-10 would come before pitch-2.
        Pitch::new(elbow).write(&desk, &format!("bullpen/pitch-{}/delivery-01", [1, 2, 10][i]));
    }
    let said = desk.run(&["session", "bullpen", "-o", "out"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    for text in [
        "Elbow bend at foot contact",
        "84",
        "3 deliveries say little",
        "page: out/session.html",
    ] {
        assert!(said.out.contains(text), "no '{text}' in\n{}", said.out);
    }
    let mut written: Vec<_> = fs::read_dir(desk.at("out"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    written.sort();
    assert_eq!(written, ["session.html", "session.json"]);
    assert_valid("session", &[desk.at("out/session.json")]);
    let session: Value = serde_json::from_slice(&fs::read(desk.at("out/session.json")).unwrap()).unwrap();
    let names: Vec<_> = session["deliveries"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| d["name"].as_str().unwrap())
        .collect();
    assert_eq!(
        names,
        [
            "bullpen/pitch-1/delivery-01",
            "bullpen/pitch-2/delivery-01",
            "bullpen/pitch-10/delivery-01"
        ]
    );
    let elbow = metric(&session, "elbow_flexion_at_foot_contact_deg");
    assert_eq!(
        (elbow["mean"].as_f64(), elbow["sd"].as_f64()),
        (Some(84.0), Some(4.0))
    );
    assert_eq!(elbow["n"], 3);
    // 1.96 x root of 2 x 4.
    assert!((elbow["change_of_deliveries"].as_f64().unwrap() - 11.0874).abs() < 1e-3);
    let values: Vec<_> = elbow["values"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v["value"].as_f64().unwrap())
        .collect();
    assert_eq!(values, [80.0, 84.0, 88.0]);
    assert_eq!(session["athlete"]["throws"], "right");
    let page = fs::read_to_string(desk.at("out/session.html")).unwrap();
    for loader in ["<script", "<link", "src=\"http", "href=\"http", "url(", "@import"] {
        assert!(!page.contains(loader), "{loader} would run or fetch something");
    }
    for text in [
        "3 deliveries of one athlete",
        "say little",
        "Elbow bend",
        "licensed clinician",
        "<svg",
    ] {
        assert!(page.contains(text), "no '{text}' on the page");
    }
    assert!(!page.contains("NaN") && !page.contains("None"));
}

#[test]
fn files_in_any_order_give_the_same_figures() {
    let desk = Desk::new();
    for (name, elbow) in [("a", 80.0), ("b", 84.0), ("c", 91.0)] {
        Pitch::new(elbow).write(&desk, name);
    }
    let forward = session_of(&desk, &["a", "b/delivery.json", "c"]);
    let backward = session_of(&desk, &["c/delivery.json", "b", "a"]);
    let mut both = [forward, backward];
    for session in &mut both {
        for metric in session["metrics"].as_array_mut().unwrap() {
            metric["values"] = Value::Null;
        }
    }
    assert_eq!(both[0]["metrics"], both[1]["metrics"]);
    assert_eq!(
        both[1]["deliveries"][0]["name"]
            .as_str()
            .unwrap()
            .split('/')
            .next_back(),
        Some("c"),
        "in the order given"
    );
}

#[test]
fn doubtful_and_missing_ones_are_counted() {
    let desk = Desk::new();
    let id = "elbow_flexion_at_foot_contact_deg";
    for i in 0..6 {
        let mut pitch = Pitch::new(80.0 + f64::from(i));
        match i {
            4 => pitch.doubtful(id, "the elbow was hidden"),
            5 => pitch.missing(id, "foot_contact was not found"),
            _ => {}
        }
        pitch.write(&desk, &format!("{i}"));
    }
    let session = session_of(&desk, &["0", "1", "2", "3", "4", "5"]);
    let elbow = metric(&session, id);
    assert_eq!(elbow["mean"], 81.5);
    for (key, count) in [("n", 4), ("measured", 4), ("doubtful", 1), ("not_measurable", 1)] {
        assert_eq!(elbow[key], count, "{key}");
    }
    assert_eq!(elbow["values"][4]["used"], false);
    assert_eq!(session["deliveries"][4]["doubtful"], 1);
    // A file that obeys the schema, with null and reason where nothing could be measured.
    let session = session_of(&desk, &["5"]);
    let elbow = metric(&session, id);
    assert!(
        elbow["mean"].is_null() && elbow["reason"].as_str().unwrap().contains("foot_contact"),
        "{elbow}"
    );
    assert_valid("session", &[desk.at("out/session.json")]);
}

#[test]
fn one_that_stands_out_is_named_in_words() {
    let desk = Desk::new();
    let names: Vec<String> = (1..=8).map(|i| format!("no-{i}")).collect();
    for (i, name) in names.iter().enumerate() {
        let mut pitch = Pitch::new(80.0 + i as f64);
        if i == 3 {
            pitch.set("peak_hand_speed_m_s", 14.0);
        }
        pitch.write(&desk, name);
    }
    let mut arguments = vec!["session"];
    arguments.extend(names.iter().map(String::as_str));
    arguments.extend(["-o", "out"]);
    let said = desk.run(&arguments);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let sentence = "stands out: Hand, peak speed 14.0\u{a0}m/s, where the middle one is";
    assert!(said.out.contains(sentence), "{}", said.out);
    let page = fs::read_to_string(desk.at("out/session.html")).unwrap();
    assert!(page.contains(sentence) && page.contains("one odd"));
    let session: Value = serde_json::from_slice(&fs::read(desk.at("out/session.json")).unwrap()).unwrap();
    let outliers = session["outliers"].as_array().unwrap();
    assert_eq!(outliers.len(), 1, "{outliers:?}");
    assert_eq!(outliers[0]["delivery"], 4);
    assert_eq!(outliers[0]["metric"], "peak_hand_speed_m_s");
}

#[test]
fn one_delivery_is_a_session_that_says_how_little_it_says() {
    let desk = Desk::new();
    Pitch::new(84.0).write(&desk, "only");
    let said = desk.run(&["session", "only", "-o", "out", "--json", "--quiet"]);
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    let session: Value = serde_json::from_str(&said.out).unwrap();
    let elbow = metric(&session, "elbow_flexion_at_foot_contact_deg");
    assert!(elbow["sd"].is_null() && elbow["change_of_deliveries"].is_null());
    assert_eq!(elbow["mean_sd"], 2.0, "its own");
    let page = fs::read_to_string(desk.at("out/session.html")).unwrap();
    assert!(page.contains("One delivery says little"));
}

/// The same throw under two names: the same file, or the same recording measured twice.
#[test]
fn the_same_delivery_counts_once() {
    let desk = Desk::new();
    Pitch::new(80.0).write(&desk, "a");
    Pitch::new(84.0).write(&desk, "b");
    let mut again = Pitch::new(84.0);
    again.set("elbow_flexion_at_foot_contact_deg", 99.0);
    again.record["events"]["ball_release"]["time_s"] = json!(2.141);
    again.write(&desk, "b-again");
    // Another throw of the same recording is another delivery.
    let mut next = Pitch::new(84.0);
    next.record["events"]["ball_release"]["time_s"] = json!(22.14);
    next.write(&desk, "b-next");
    let said = desk.run(&[
        "session",
        "a",
        "a/delivery.json",
        "b",
        "b-again",
        "b-next",
        "-o",
        "out",
    ]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(
        said.err.contains("b-again is the same throw as ") && said.err.contains("hint: "),
        "{}",
        said.err
    );
    let session: Value = serde_json::from_slice(&fs::read(desk.at("out/session.json")).unwrap()).unwrap();
    assert_eq!(session["deliveries"].as_array().unwrap().len(), 3);
    assert_eq!(metric(&session, "elbow_flexion_at_foot_contact_deg")["max"], 84.0);
    let codes: Vec<_> = session["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|w| w["code"].as_str().unwrap())
        .collect();
    assert_eq!(codes, ["delivery_twice", "delivery_twice"]);
}

#[test]
fn other_set_ups_are_warned_of() {
    let desk = Desk::new();
    Pitch::new(80.0).write(&desk, "a");
    let mut other = Pitch::new(84.0);
    other.record["source"]["rig"]["sha256"] = json!("f".repeat(64));
    other.record["athlete"]["height_m"] = json!(1.85);
    other.write(&desk, "b");
    let mut imported = Pitch::new(86.0);
    imported.record["source"] = json!({"joints": {"name": "j.csv", "sha256": "e".repeat(64)}});
    imported.write(&desk, "c");
    let said = desk.run(&["session", "a", "b", "c", "-o", "out"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    for text in ["2 different rigs", "1.84 to 1.85 m", "1 from joints"] {
        assert!(said.err.contains(text), "no '{text}' in {}", said.err);
    }
}

#[test]
fn what_is_there_already_is_replaced_and_the_rest_stays() {
    let desk = Desk::new();
    Pitch::new(80.0).write(&desk, "result/delivery-01");
    fs::write(desk.at("result/report.html"), "a page").unwrap();
    for _ in 0..2 {
        let said = desk.run(&["session", "result", "-o", "result"]);
        assert_eq!(said.code, Some(0), "{}", said.err);
    }
    assert_eq!(
        fs::read_to_string(desk.at("result/report.html")).unwrap(),
        "a page"
    );
    assert!(desk.at("result/delivery-01/delivery.json").exists() && desk.at("result/session.json").exists());
    assert_eq!(desk.names(), ["result"], "nothing temporary is left");
}
