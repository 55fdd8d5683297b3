//! Tables of joints of the film studio's deliveries, as another program would write them.

use std::path::Path;
use std::process::Command;

use nalgebra::Vector3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;
use twinmound::kinematics::{Athlete, DeliveryMeasures, Options, measure};
use twinmound::scene::motion::{Delivery, Style};
use twinmound::scene::rig::Rig;
use twinmound::skeleton::{Joint, Side};

use crate::cli_stories::Desk;

/// Body of the deliveries here.
pub(crate) const HEIGHT_M: f64 = 1.80;

pub(crate) fn delivery(style: &str, throws: Side) -> Delivery {
    let style = Style::named(style).unwrap().throwing(throws).with_seed(5);
    Delivery::new(&style, &Rig::proportioned(HEIGHT_M))
}

/// Instants at a rate over the whole delivery.
pub(crate) fn times(delivery: &Delivery, rate_hz: f64) -> Vec<f64> {
    let count = (delivery.phases().end_s * rate_hz) as usize;
    (0..count).map(|i| i as f64 / rate_hz).collect()
}

/// A row of cells for each instant: `time_s`, then three per joint, changed by `change`.
pub(crate) fn csv(
    delivery: &Delivery,
    times_s: &[f64],
    mut change: impl FnMut(Joint, usize, Vector3<f64>) -> Option<Vector3<f64>>,
) -> String {
    let mut text = String::from("time_s");
    for joint in Joint::ALL {
        text += &format!(",{joint}_x_m,{joint}_y_m,{joint}_z_m");
    }
    text.push('\n');
    for (i, t) in times_s.iter().enumerate() {
        text += &format!("{t:.7}");
        let joints = delivery.joints_at(*t);
        for joint in Joint::ALL {
            match change(joint, i, joints[joint]) {
                Some(p) => text += &format!(",{:.7},{:.7},{:.7}", p.x, p.y, p.z),
                None => text += ",,,",
            }
        }
        text.push('\n');
    }
    text
}

/// The same with white noise of one standard deviation.
pub(super) fn noisy(delivery: &Delivery, times_s: &[f64], sd_m: f64, seed: u64) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    csv(delivery, times_s, |_, _, p| {
        Some(
            p + Vector3::from_fn(|_, _| {
                sd_m * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut random)
            }),
        )
    })
}

/// What the exact motion gives, sampled densely with its own velocities: no smoothing in it.
pub(crate) fn exact(delivery: &Delivery) -> DeliveryMeasures {
    let athlete = Athlete {
        height_m: Some(HEIGHT_M),
        mass_kg: Some(80.0),
        throws: Some(delivery.throws()),
        ..Athlete::default()
    };
    let dense = times(delivery, 1000.0);
    measure(&delivery.trajectory(&dense), &athlete, &Options::without_doubt())
}

/// Runs `measure --joints FILE` and returns the record.
pub(crate) fn measured(desk: &Desk, file: &str, more: &[&str]) -> Value {
    let mut arguments = vec![
        "measure",
        "--joints",
        file,
        "-o",
        "out",
        "--height-m",
        "1.80",
        "--mass-kg",
        "80",
        "--quiet",
    ];
    arguments.extend(more);
    let said = desk.run(&arguments);
    assert_eq!(said.code, Some(0), "{}", said.err);
    record(desk)
}

/// The record last written.
pub(super) fn record(desk: &Desk) -> Value {
    let text = std::fs::read_to_string(desk.at("out/delivery-01/delivery.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// A metric's value in a record.
pub(super) fn value(record: &Value, id: &str) -> Option<f64> {
    let metrics = record["metrics"].as_array().unwrap();
    metrics.iter().find(|m| m["id"] == id).unwrap()["value"].as_f64()
}

/// Differences of a record from exact measures beyond the limits; events in seconds, angles in degrees, the rest relative.
pub(super) fn differences(record: &Value, exact: &DeliveryMeasures, limits: &Limits) -> Vec<String> {
    let mut found = Vec::new();
    let mut check = |name: &str, got: Option<f64>, want: Option<f64>, limit: f64| match (got, want) {
        (Some(got), Some(want)) if (got - want).abs() > limit => {
            found.push(format!("{name}: {got}, exact {want}"));
        }
        (Some(_), Some(_)) | (None, None) => {}
        _ => found.push(format!("{name}: {got:?}, exact {want:?}")),
    };
    for (name, event) in exact.events.iter() {
        let want = event.as_ref().ok().map(|e| e.time_s.0);
        check(
            name.id(),
            record["events"][name.id()]["time_s"].as_f64(),
            want,
            limits.time_s,
        );
    }
    for metric in &exact.metrics {
        let limit = match metric.unit {
            "deg" => limits.angle_deg,
            "s" => limits.time_s * 2.0,
            // Shares of height and of energy: points.
            "%" => 100.0 * limits.share,
            _ => limits.share * metric.value.unwrap_or(0.0).abs().max(0.2),
        };
        check(metric.id, value(record, metric.id), metric.value, limit);
    }
    found
}

/// How far from exact is too far.
pub(super) struct Limits {
    pub(super) time_s: f64,
    pub(super) angle_deg: f64,
    pub(super) share: f64,
}

/// Runs a script with the set-up's Python, the arguments after it; its standard output.
pub(crate) fn python(script: &str, arguments: &[&Path]) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let output = Command::new(root.join(".setup/venv/bin/python"))
        .arg("-c")
        .arg(script)
        .args(arguments)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "hint: `make setup` installs what this test reads with\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap()
}
