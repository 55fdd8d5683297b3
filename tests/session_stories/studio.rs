//! A session of the film studio's joints without noise: one style, several seeds, as one athlete's natural variation.

use std::fs;

use serde_json::Value;
use twinmound::scene::motion::{Delivery, Style};
use twinmound::scene::rig::Rig;
use twinmound::skeleton::Side;

use crate::cli_stories::Desk;
use crate::kinematics_joints::tables::{HEIGHT_M, csv, exact, measured, times};
use crate::kinematics_schema::assert_valid;

const SEEDS: std::ops::Range<u64> = 1..7;

/// Measures the joints of one style's deliveries into `pitch-1`, `pitch-2`, ...; the exact motions.
fn pitches(desk: &Desk, style: &str, throws: Side) -> Vec<Delivery> {
    let deliveries: Vec<Delivery> = SEEDS
        .map(|seed| {
            let style = Style::named(style).unwrap().throwing(throws).with_seed(seed);
            let delivery = Delivery::new(&style, &Rig::proportioned(HEIGHT_M));
            let rows = times(&delivery, 240.0);
            fs::write(desk.at("joints.csv"), csv(&delivery, &rows, |_, _, p| Some(p))).unwrap();
            measured(desk, "joints.csv", &[]);
            fs::rename(desk.at("out"), desk.at(&format!("pitch-{seed}"))).unwrap();
            delivery
        })
        .collect();
    fs::remove_file(desk.at("joints.csv")).unwrap();
    deliveries
}

/// Means and spreads are those of the exact motions, sampled densely, without smoothing; and nothing written by a chain of
/// commands is lost on the way.
#[test]
fn means_and_spreads_are_those_of_the_exact_motions() {
    let desk = Desk::new();
    let exact_values: Vec<Vec<(String, String, Option<f64>)>> = pitches(&desk, "clean", Side::Left)
        .iter()
        .map(|delivery| {
            let metrics = exact(delivery).metrics.into_iter();
            metrics
                .map(|m| (m.id.to_owned(), m.unit.to_owned(), m.value))
                .collect()
        })
        .collect();
    let said = desk.run(&["session", ".", "-o", "session"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_valid("session", &[desk.at("session/session.json")]);
    let session: Value = serde_json::from_slice(&fs::read(desk.at("session/session.json")).unwrap()).unwrap();
    let n = exact_values.len();
    assert_eq!(session["deliveries"].as_array().unwrap().len(), n);
    assert_eq!(session["athlete"]["throws"], "left");
    let (mut compared, mut wrong) = (0, Vec::new());
    for (k, (id, unit, _)) in exact_values[0].iter().enumerate() {
        let values: Option<Vec<f64>> = exact_values.iter().map(|d| d[k].2).collect();
        let metric = session["metrics"]
            .as_array()
            .unwrap()
            .iter()
            .find(|m| m["id"] == id.as_str())
            .unwrap();
        // Where some are doubtful and left out the exact mean is another one.
        let (Some(values), Some(n_used)) = (values, metric["n"].as_u64().filter(|u| *u == n as u64)) else {
            continue;
        };
        let mean = values.iter().sum::<f64>() / n_used as f64;
        let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n_used - 1) as f64).sqrt();
        // As for single deliveries of clean joints (`kinematics_joints`).
        let limit = match unit.as_str() {
            "deg" => 0.5,
            "s" => 0.002,
            "%" => 2.0,
            _ => 0.02 * mean.abs().max(0.2),
        };
        compared += 1;
        for (name, want) in [("mean", mean), ("sd", sd)] {
            let got = metric[name].as_f64().unwrap();
            if (got - want).abs() > limit {
                wrong.push(format!("{id} {name}: {got}, exact {want}"));
            }
        }
    }
    assert!(compared > 50, "only {compared} figures compared");
    assert!(wrong.is_empty(), "{wrong:#?}");
    // The natural variation of the studio's deliveries is seen as the athlete's own.
    let knee = session["metrics"].as_array().unwrap();
    let knee = knee
        .iter()
        .find(|m| m["id"] == "lead_knee_flexion_at_foot_contact_deg")
        .unwrap();
    assert!(knee["athlete_sd_at_least"].as_f64().unwrap() > 0.3, "{knee}");
}

/// A planted fault is the first thing to work on in the session too: in the file, on the page, in the terminal.
#[test]
fn the_means_name_the_planted_fault() {
    let desk = Desk::new();
    pitches(&desk, "soft-front-knee", Side::Right);
    let said = desk.run(&["session", ".", "-o", "session", "--level", "college"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("Work on first"), "{}", said.out);
    assert_valid("session", &[desk.at("session/session.json")]);
    let session: Value = serde_json::from_slice(&fs::read(desk.at("session/session.json")).unwrap()).unwrap();
    let findings = &session["findings"];
    assert_eq!(findings["first"], "soft_front_knee", "{findings}");
    assert_eq!(findings["deliveries"], SEEDS.count());
    let title = findings["faults"][0]["title"].as_str().unwrap();
    let page = fs::read_to_string(desk.at("session/session.html")).unwrap();
    assert!(page.contains(title) && said.out.contains(title), "{title}");
    // Of the deliveries' figures those with published values of that level have them beside the mean.
    assert_eq!(session["athlete"]["level"], "college");
    let metrics = session["metrics"].as_array().unwrap();
    assert!(metrics.iter().any(|m| m["reference"]["level"] == "college"));
    assert!(page.contains("college"));
}
