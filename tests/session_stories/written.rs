//! Deliveries written by hand from the format's description.

use std::fs;

use serde_json::{Value, json};

use crate::cli_stories::Desk;

/// A delivery of a right-hander.
pub(super) struct Pitch {
    pub(super) record: Value,
}

fn figure(id: &str, value: f64, sd: f64, unit: &str) -> Value {
    json!({"id": id, "value": value, "sd": sd, "unit": unit, "event": null, "status": "measured", "reason": null,
        "reference": null})
}

impl Pitch {
    /// One with this elbow bend at contact; its videos' hashes follow from it.
    pub(super) fn new(elbow_deg: f64) -> Self {
        let file = |name: &str, tag: u64| json!({"name": format!("{name}.mp4"), "sha256": format!("{:064x}", elbow_deg.to_bits() ^ tag), "rate_hz": 240.0});
        let event = |time_s: f64| json!({"time_s": time_s, "sd_s": 0.003});
        // Ten metres a second of arm for each eighty degrees: figures that move together, none of them far.
        let record = json!({
            "schema": "twinmound.delivery/1",
            "source": {"left": file("left", 1), "right": file("right", 2),
                "rig": {"name": "rig.json", "sha256": "a".repeat(64)}},
            "rig": null,
            "athlete": {"throws": "right", "height_m": 1.84, "height_estimated": false, "mass_kg": 82.0, "sex": "male"},
            "events": {"peak_knee_lift": event(1.1), "foot_contact": event(2.0),
                "max_external_rotation": event(2.1), "ball_release": event(2.14)},
            "event_reasons": {},
            "metrics": [
                figure("elbow_flexion_at_foot_contact_deg", elbow_deg, 2.0, "deg"),
                figure("peak_hand_speed_m_s", 20.0 + elbow_deg / 80.0, 0.3, "m/s"),
                figure("stride_length_pct_height", 70.0 + elbow_deg / 20.0, 0.8, "%"),
            ],
            "warnings": [],
        });
        Self { record }
    }

    fn figure(&mut self, id: &str) -> &mut Value {
        let metrics = self.record["metrics"].as_array_mut().unwrap();
        metrics.iter_mut().find(|m| m["id"] == id).unwrap()
    }

    pub(super) fn set(&mut self, id: &str, value: f64) {
        self.figure(id)["value"] = json!(value);
    }

    pub(super) fn doubtful(&mut self, id: &str, reason: &str) {
        let figure = self.figure(id);
        figure["status"] = json!("doubtful");
        figure["reason"] = json!(reason);
    }

    pub(super) fn missing(&mut self, id: &str, reason: &str) {
        let figure = self.figure(id);
        figure["status"] = json!("not_measurable");
        figure["reason"] = json!(reason);
        figure["value"] = Value::Null;
        figure["sd"] = Value::Null;
    }

    /// Writes it as `FOLDER/delivery.json`.
    pub(super) fn write(&self, desk: &Desk, folder: &str) {
        fs::create_dir_all(desk.at(folder)).unwrap();
        fs::write(desk.at(folder).join("delivery.json"), self.record.to_string()).unwrap();
    }
}

/// Runs `session` on them; its record.
pub(super) fn session_of(desk: &Desk, paths: &[&str]) -> Value {
    let mut arguments = vec!["session", "-o", "out", "--json"];
    arguments.extend(paths);
    let said = desk.run(&arguments);
    assert_eq!(said.code, Some(0), "{}", said.err);
    serde_json::from_str(&said.out).unwrap()
}
