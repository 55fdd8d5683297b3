//! The published JSON Schemas (`docs/schema`): what the program writes obeys them, and what breaks a rule does not. Checked
//! by the PyPI package jsonschema, draft 2020-12.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use twinmound::skeleton::Side;

use crate::cli_stories::{Desk, hand_made_rig};
use crate::kinematics_joints::tables::{csv, delivery, measured, python, times};

/// Errors of files against a published schema, one a line; nothing where all obey it.
fn errors(schema: &str, files: &[PathBuf]) -> String {
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("docs/schema/{schema}.schema.json"));
    let mut arguments: Vec<&Path> = vec![&schema];
    arguments.extend(files.iter().map(PathBuf::as_path));
    python(
        r#"
import sys, json, jsonschema
schema = json.load(open(sys.argv[1]))
jsonschema.Draft202012Validator.check_schema(schema)
validator = jsonschema.Draft202012Validator(schema)
for name in sys.argv[2:]:
    for error in validator.iter_errors(json.load(open(name))):
        print(name, error.json_path, error.message[:300])
"#,
        &arguments,
    )
}

/// Every file obeys the schema (`delivery`, `session` or `rig`).
pub(crate) fn assert_valid(schema: &str, files: &[PathBuf]) {
    let found = errors(schema, files);
    assert!(found.is_empty(), "{found}");
}

#[test]
fn imported_deliveries_obey_the_schema_whole_and_with_gaps() {
    let delivery = delivery("clean", Side::Left);
    let desk = Desk::new();
    let rows = times(&delivery, 240.0);
    fs::write(desk.at("whole.csv"), csv(&delivery, &rows, |_, _, p| Some(p))).unwrap();
    let whole = measured(&desk, "whole.csv", &["--cutoff-hz", "15"]);
    assert_valid("delivery", &[desk.at("out/delivery-01/delivery.json")]);
    assert!(whole["second_opinion"]["metrics"].as_array().unwrap().len() > 5);
    let further = whole["further_events"].as_object().unwrap();
    assert_eq!(further.len(), 5);
    assert!(
        further
            .values()
            .all(|e| e["sd_s"].as_f64().is_some_and(|sd| sd > 0.0)),
        "{further:?}"
    );
    let probability = whole["sequence"]["order_probability"].as_f64().unwrap();
    assert!((0.0..=1.0).contains(&probability));
    // Half a delivery: it begins after the knee was highest and ends at release.
    let part: Vec<f64> = rows
        .iter()
        .copied()
        .filter(|t| (*t - delivery.phases().release_s).abs() < 0.3)
        .collect();
    let text = csv(&delivery, &part, |joint, _, p| {
        (!joint.name().ends_with("toe")).then_some(p)
    });
    fs::write(desk.at("part.csv"), text).unwrap();
    let part = measured(&desk, "part.csv", &[]);
    assert_valid("delivery", &[desk.at("out/delivery-01/delivery.json")]);
    assert!(part["events"]["peak_knee_lift"].is_null());
    let reasons = part["further_event_reasons"].as_object().unwrap();
    assert!(reasons.contains_key("drive_heel_lift"), "{reasons:?}");
}

#[test]
fn broken_rules_are_found() {
    let delivery = delivery("clean", Side::Right);
    let desk = Desk::new();
    fs::write(
        desk.at("a.csv"),
        csv(&delivery, &times(&delivery, 240.0), |_, _, p| Some(p)),
    )
    .unwrap();
    let good = measured(&desk, "a.csv", &[]);
    let mut files = Vec::new();
    let mut broken = |change: &dyn Fn(&mut Value)| {
        let mut record = good.clone();
        change(&mut record);
        let file = desk.at(&format!("broken-{}.json", files.len()));
        fs::write(&file, record.to_string()).unwrap();
        files.push(file);
    };
    broken(&|r| r["schema"] = json!("twinmound.delivery/2"));
    broken(&|r| r["metrics"][3]["value"] = Value::Null);
    broken(&|r| r["metrics"][3]["status"] = json!("doubtful"));
    broken(&|r| r["metrics"][3]["unit"] = json!("rad"));
    broken(&|r| r["events"]["foot_contact"] = Value::Null);
    broken(&|r| r["events"]["foot_contact"]["time_s"] = json!("1.5"));
    broken(&|r| r["sequence"]["order_probability"] = json!(1.2));
    broken(&|r| r["warnings"] = json!([{"code": "x"}]));
    for file in files {
        let name = file.display().to_string();
        assert!(!errors("delivery", &[file]).is_empty(), "{name} passes");
    }
}

#[test]
fn a_rig_obeys_its_schema_and_a_bad_one_does_not() {
    let desk = Desk::new();
    desk.rig("good.json", |_| {});
    desk.rig("no-reason.json", |rig| rig["world_reason"] = Value::Null);
    desk.rig("four.json", |rig| {
        rig["phones"][0]["distortion"] = json!([0.0, 0.0, 0.0, 0.0])
    });
    assert!(hand_made_rig()["world_from_left"].is_null());
    assert_valid("rig", &[desk.at("good.json")]);
    for bad in ["no-reason.json", "four.json"] {
        assert!(!errors("rig", &[desk.at(bad)]).is_empty(), "{bad} passes");
    }
}
