//! What comes out is what the exact motion gives: smoothing must not change clean joints, and noise must stay within the
//! stated doubt.

use std::fs;

use serde_json::Value;
use twinmound::skeleton::{Joint, Side};

use super::tables::{Limits, csv, delivery, differences, exact, measured, noisy, times, value};
use crate::cli_stories::Desk;

/// Half of what two independent implementations may differ by on clean joints (1 degree, 4 % of speeds).
const CLEAN: Limits = Limits {
    time_s: 0.001,
    angle_deg: 0.5,
    share: 0.02,
};

/// Layback's parabola spans 20 ms: three rows at this rate, and the elbow turns 2 degrees a millisecond there.
const AT_120_HZ: Limits = Limits {
    time_s: 0.0015,
    angle_deg: 3.0,
    share: 0.02,
};

#[test]
fn clean_joints_give_the_exact_figures_at_any_usual_rate() {
    for (style, throws) in [("clean", Side::Right), ("glove-pull", Side::Left)] {
        let delivery = delivery(style, throws);
        let exact = exact(&delivery);
        for (rate_hz, limits) in [(120.0, AT_120_HZ), (240.0, CLEAN), (1000.0, CLEAN)] {
            let desk = Desk::new();
            let text = csv(&delivery, &times(&delivery, rate_hz), |_, _, p| Some(p));
            fs::write(desk.at("joints.csv"), text).unwrap();
            let record = measured(&desk, "joints.csv", &[]);
            let wrong = differences(&record, &exact, &limits);
            assert!(wrong.is_empty(), "{style} at {rate_hz} Hz: {wrong:#?}");
            assert_eq!(
                record["athlete"]["throws"],
                throws.name(),
                "found from the faster hand"
            );
        }
    }
}

/// A stated doubt widens the result's doubt; it is no reason to smooth joints that have no noise.
#[test]
fn a_stated_doubt_does_not_bias_clean_joints() {
    let delivery = delivery("clean", Side::Right);
    let text = csv(&delivery, &times(&delivery, 240.0), |_, _, p| Some(p));
    let with_sd: String = text
        .lines()
        .enumerate()
        .map(|(i, line)| {
            let more: String = Joint::ALL
                .iter()
                .map(|j| {
                    if i == 0 {
                        format!(",{j}_sd_m")
                    } else {
                        ",0.008".to_owned()
                    }
                })
                .collect();
            format!("{line}{more}\n")
        })
        .collect();
    let desk = Desk::new();
    fs::write(desk.at("joints.csv"), with_sd).unwrap();
    let record = measured(&desk, "joints.csv", &[]);
    let wrong = differences(&record, &exact(&delivery), &CLEAN);
    assert!(wrong.is_empty(), "{wrong:#?}");
    let joints = fs::read_to_string(desk.at("out/delivery-01/joints.csv")).unwrap();
    let mut table = csv::Reader::from_reader(joints.as_bytes());
    let column = table
        .headers()
        .unwrap()
        .iter()
        .position(|h| h == "left_hip_sd_m")
        .unwrap();
    let sd_m: f64 = table.records().nth(200).unwrap().unwrap()[column]
        .parse()
        .unwrap();
    assert!((0.0075..0.0085).contains(&sd_m), "{sd_m}");
    let metrics = record["metrics"].as_array().unwrap();
    let trunk = metrics
        .iter()
        .find(|m| m["id"] == "trunk_rotation_at_foot_contact_deg")
        .unwrap();
    // Two shoulders 0.35 m apart, each 8 mm off: 1.9 degrees.
    assert!((1.0..3.0).contains(&trunk["sd"].as_f64().unwrap()), "{trunk}");
}

/// White noise of 4 mm without any stated doubt: the doubt is estimated, and holds.
#[test]
fn the_doubt_of_noisy_joints_is_estimated_and_holds() {
    let delivery = delivery("clean", Side::Right);
    let exact = exact(&delivery);
    let (mut held, mut count) = (0, 0);
    for seed in 0..4 {
        let desk = Desk::new();
        fs::write(
            desk.at("joints.csv"),
            noisy(&delivery, &times(&delivery, 240.0), 0.004, seed),
        )
        .unwrap();
        let record = measured(&desk, "joints.csv", &[]);
        let estimated = record["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .find(|w| w["code"] == "doubt_estimated")
            .unwrap();
        let text = estimated["text"].as_str().unwrap();
        let stated_mm: f64 = text
            .split(" mm")
            .next()
            .unwrap()
            .rsplit(' ')
            .next()
            .unwrap()
            .parse()
            .unwrap();
        assert!((3.6..4.4).contains(&stated_mm), "{text}");
        let within = Limits {
            time_s: 0.030,
            angle_deg: 8.0,
            share: 0.25,
        };
        let wrong = differences(&record, &exact, &within);
        assert!(wrong.is_empty(), "{wrong:#?}");
        for metric in record["metrics"].as_array().unwrap() {
            let true_value = exact.metric(metric["id"].as_str().unwrap()).unwrap().value;
            if let (Some(got), Some(sd), Some(want)) =
                (metric["value"].as_f64(), metric["sd"].as_f64(), true_value)
            {
                count += 1;
                held += usize::from((got - want).abs() <= 1.645 * sd);
            }
        }
    }
    let share = f64::from(held as u32) / f64::from(count as u32);
    println!(
        "90 % intervals of noisy joints hold {:.1} % of {count} figures",
        100.0 * share
    );
    assert!((0.80..0.99).contains(&share), "{share}");
}

/// Gaps, foreign columns, joints without columns: what can be measured is, the rest says why.
#[test]
fn gaps_and_foreign_columns_are_lived_with() {
    let delivery = delivery("clean", Side::Right);
    let exact = exact(&delivery);
    let release_row = (delivery.phases().release_s * 240.0) as usize;
    let text = csv(&delivery, &times(&delivery, 240.0), |joint, row, p| {
        // A gap of 25 ms in a hip, the glove hand never seen, the elbow lost around release.
        let lost = (joint == Joint::LeftHip && (150..156).contains(&row))
            || joint == Joint::LeftKnuckle
            || (joint == Joint::RightElbow && row.abs_diff(release_row) < 30);
        (!lost).then_some(p)
    });
    let text: String = text
        .lines()
        .enumerate()
        .map(|(i, line)| format!("{},{line}\n", if i == 0 { "note" } else { "x" }))
        .collect();
    let desk = Desk::new();
    fs::write(desk.at("joints.csv"), text).unwrap();
    let record = measured(&desk, "joints.csv", &["--throws", "right"]);
    let codes: Vec<&str> = record["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|w| w["code"].as_str())
        .collect();
    assert!(codes.contains(&"joints_missing"), "{codes:?}");
    let pelvis = value(&record, "peak_pelvis_rotation_speed_deg_s").unwrap();
    let true_speed = exact
        .metric("peak_pelvis_rotation_speed_deg_s")
        .unwrap()
        .value
        .unwrap();
    assert!((pelvis / true_speed - 1.0).abs() < 0.02);
    let metrics = record["metrics"].as_array().unwrap();
    let elbow = metrics
        .iter()
        .find(|m| m["id"] == "elbow_flexion_at_ball_release_deg")
        .unwrap();
    assert!(
        elbow["value"] == Value::Null && elbow["reason"].as_str().unwrap().contains("right_elbow"),
        "{elbow}"
    );
}

/// `--events` takes what `delivery.json` has, whole or in part.
#[test]
fn given_events_replace_found_ones() {
    let delivery = delivery("clean", Side::Right);
    let desk = Desk::new();
    fs::write(
        desk.at("joints.csv"),
        csv(&delivery, &times(&delivery, 240.0), |_, _, p| Some(p)),
    )
    .unwrap();
    let found = measured(&desk, "joints.csv", &[]);
    fs::copy(desk.at("out/delivery-01/delivery.json"), desk.at("whole.json")).unwrap();
    let mut events = found["events"].clone();
    let moved = events["foot_contact"]["time_s"].as_f64().unwrap() + 0.02;
    events["foot_contact"] = serde_json::json!({ "time_s": moved });
    events["peak_knee_lift"] = Value::Null;
    fs::write(desk.at("some.json"), events.to_string()).unwrap();

    let again = measured(&desk, "joints.csv", &["--events", "whole.json"]);
    for metric in again["metrics"].as_array().unwrap() {
        let id = metric["id"].as_str().unwrap();
        assert_eq!(metric["value"].as_f64(), value(&found, id), "{id}");
    }
    let other = measured(&desk, "joints.csv", &["--events", "some.json"]);
    assert_eq!(other["events"]["foot_contact"]["time_s"].as_f64(), Some(moved));
    assert_eq!(other["events"]["peak_knee_lift"], Value::Null);
    assert!(other["event_reasons"]["peak_knee_lift"].is_string());
    assert_eq!(value(&other, "stride_length_pct_height"), None);
}

/// What the program wrote, read again, gives the same figures: nothing is smoothed twice.
#[test]
fn its_own_joints_give_the_same_figures_again() {
    let delivery = delivery("clean", Side::Right);
    let desk = Desk::new();
    fs::write(
        desk.at("joints.csv"),
        noisy(&delivery, &times(&delivery, 240.0), 0.003, 9),
    )
    .unwrap();
    let first = measured(&desk, "joints.csv", &[]);
    fs::copy(desk.at("out/delivery-01/joints.csv"), desk.at("again.csv")).unwrap();
    let second = measured(&desk, "again.csv", &[]);
    for metric in second["metrics"].as_array().unwrap() {
        let id = metric["id"].as_str().unwrap();
        let (Some(a), Some(b)) = (value(&first, id), metric["value"].as_f64()) else {
            continue;
        };
        let limit = match metric["unit"].as_str().unwrap() {
            "deg" => 0.3,
            "s" => 0.003,
            // The noise left in a smoothed path differs from the white noise that was in it: so does its energy.
            "J" | "J/kg" => 0.06 * a.abs(),
            _ => 0.02 * a.abs().max(1.0),
        };
        assert!((a - b).abs() < limit, "{id}: {a} then {b}");
    }
}

/// Of several throws in one file the fastest is measured, with the doubt of that one alone.
#[test]
fn the_fastest_of_several_throws_is_measured() {
    let delivery = delivery("clean", Side::Right);
    let rows = times(&delivery, 240.0);
    let one = csv(&delivery, &rows, |_, _, p| Some(p));
    let later: String = one
        .lines()
        .skip(1)
        .map(|line| {
            let (time, rest) = line.split_once(',').unwrap();
            // A little slower than the first.
            format!("{:.7},{rest}\n", 6.0 + 1.02 * time.parse::<f64>().unwrap())
        })
        .collect();
    let desk = Desk::new();
    fs::write(desk.at("one.csv"), &one).unwrap();
    fs::write(desk.at("two.csv"), format!("{one}{later}")).unwrap();
    let alone = measured(&desk, "one.csv", &[]);
    let both = measured(&desk, "two.csv", &[]);
    let codes: Vec<&str> = both["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|w| w["code"].as_str())
        .collect();
    assert!(codes.contains(&"several_deliveries"), "{codes:?}");
    for metric in alone["metrics"].as_array().unwrap() {
        let id = metric["id"].as_str().unwrap();
        let (a, b) = (metric["value"].as_f64(), value(&both, id));
        assert_eq!(a.is_some(), b.is_some(), "{id}");
        if let (Some(a), Some(b)) = (a, b) {
            assert!((a - b).abs() < 1e-3 * a.abs().max(1.0), "{id}: {a} {b}");
        }
    }
    let sd = |r: &Value| r["events"]["ball_release"]["sd_s"].as_f64().unwrap();
    assert!(sd(&both) < 1.5 * sd(&alone));
}
