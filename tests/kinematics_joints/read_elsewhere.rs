//! Files for other programs, read by general-purpose libraries: ezc3d (PyPI) for C3D, Apache Arrow (PyPI pyarrow) for
//! Parquet, and written by them for us.

use std::fs;

use serde_json::Value;
use twinmound::skeleton::Side;

use super::tables::{Limits, csv, delivery, differences, exact, measured, python, times};
use crate::cli_stories::Desk;

/// A measured delivery of a left-hander on a desk, in `out/delivery-01`.
fn desk() -> (Desk, Value) {
    let delivery = delivery("clean", Side::Left);
    let desk = Desk::new();
    let text = csv(&delivery, &times(&delivery, 240.0), |_, _, p| Some(p));
    fs::write(desk.at("joints.csv"), text).unwrap();
    let record = measured(&desk, "joints.csv", &[]);
    (desk, record)
}

fn export(desk: &Desk, delivery: &str, out: &str) {
    let said = desk.run(&["export", delivery, "-o", out]);
    assert_eq!(said.code, Some(0), "{}", said.err);
}

/// `joints.csv` as numbers: header and rows.
fn joints(desk: &Desk) -> (Vec<String>, Vec<Vec<Option<f64>>>) {
    let text = fs::read_to_string(desk.at("out/delivery-01/joints.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows = reader
        .records()
        .map(|r| r.unwrap().iter().map(|c| c.parse().ok()).collect())
        .collect();
    (header, rows)
}

#[test]
fn ezc3d_reads_our_c3d() {
    let (desk, record) = desk();
    export(&desk, "out/delivery-01", "a.c3d");
    let read = python(
        r#"
import sys, json, ezc3d
c = ezc3d.c3d(sys.argv[1])
p, e = c["parameters"]["POINT"], c["parameters"]["EVENT"]
points = c["data"]["points"]
print(json.dumps({
    "labels": p["LABELS"]["value"], "units": p["UNITS"]["value"], "rate": c["header"]["points"]["frame_rate"],
    "frames": points.shape[2], "first": points[:3, :, 300].T.tolist(),
    "event_labels": e["LABELS"]["value"], "event_times": e["TIMES"]["value"].tolist(), "contexts": e["CONTEXTS"]["value"],
    "start_s": c["parameters"]["TWINMOUND"]["START_S"]["value"][0],
}))
"#,
        &[&desk.at("a.c3d")],
    );
    let read: Value = serde_json::from_str(&read).unwrap();
    let (header, rows) = joints(&desk);
    assert_eq!(read["units"][0], "m");
    assert!((read["rate"].as_f64().unwrap() - 240.0).abs() < 1e-3);
    assert_eq!(read["frames"].as_u64().unwrap() as usize, rows.len());
    let labels = read["labels"].as_array().unwrap();
    assert_eq!(labels.len(), 27);
    for (label, point) in labels.iter().zip(read["first"].as_array().unwrap()) {
        for (axis, name) in ["x", "y", "z"].iter().enumerate() {
            let column = format!("{}_{name}_m", label.as_str().unwrap());
            let at = header.iter().position(|h| *h == column).unwrap();
            let ours = rows[300][at].unwrap();
            assert!((point[axis].as_f64().unwrap() - ours).abs() < 1e-6, "{column}");
        }
    }
    let names: Vec<&str> = read["event_labels"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| l.as_str().unwrap())
        .collect();
    assert_eq!(
        names,
        [
            "peak_knee_lift",
            "foot_contact",
            "max_external_rotation",
            "ball_release"
        ]
    );
    assert!(read["contexts"].as_array().unwrap().iter().all(|c| c == "Left"));
    let start_s = read["start_s"].as_f64().unwrap();
    for (i, name) in names.iter().enumerate() {
        let times = &read["event_times"];
        let time_s = 60.0 * times[0][i].as_f64().unwrap() + times[1][i].as_f64().unwrap() + start_s;
        assert!(
            (time_s - record["events"][name]["time_s"].as_f64().unwrap()).abs() < 1e-5,
            "{name}"
        );
    }
}

#[test]
fn a_c3d_file_written_by_ezc3d_in_millimetres_is_measured() {
    let delivery = delivery("clean", Side::Right);
    let desk = Desk::new();
    let text = csv(&delivery, &times(&delivery, 240.0), |_, _, p| Some(p));
    fs::write(desk.at("joints.csv"), text).unwrap();
    python(
        r#"
import sys, csv, numpy as np, ezc3d
rows = list(csv.reader(open(sys.argv[1])))
head, data = rows[0], np.array(rows[1:], float)
names = [h[:-4] for h in head if h.endswith("_x_m")]
points = np.ones((4, len(names), len(data)))
for i, name in enumerate(names):
    for k, axis in enumerate("xyz"):
        points[k, i] = 1000 * data[:, head.index(f"{name}_{axis}_m")]
points[:3, names.index("nose"), 5:9] = np.nan
c = ezc3d.c3d()
c["parameters"]["POINT"]["RATE"]["value"] = [240.0]
c["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
c["parameters"]["POINT"]["LABELS"]["value"] = ["Anna:" + n.upper() for n in names]
c["data"]["points"] = points
c.write(sys.argv[2])
"#,
        &[&desk.at("joints.csv"), &desk.at("in.c3d")],
    );
    let record = measured(&desk, "in.c3d", &[]);
    let limits = Limits {
        time_s: 0.001,
        angle_deg: 0.5,
        share: 0.02,
    };
    let wrong = differences(&record, &exact(&delivery), &limits);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn pyarrow_reads_our_parquet_and_the_csv_is_read_again() {
    let (desk, record) = desk();
    export(&desk, "out/delivery-01/delivery.json", "a.parquet");
    export(&desk, "out/delivery-01", "a.csv");
    let read = python(
        r#"
import sys, json, pyarrow.parquet as pq
table = pq.read_table(sys.argv[1])
meta = json.loads(table.schema.metadata[b"twinmound.delivery/1"])
print(json.dumps({
    "names": table.column_names, "types": sorted({str(t) for t in table.schema.types}), "rows": table.num_rows,
    "row": {n: table[n][300].as_py() for n in table.column_names}, "metrics": len(meta["metrics"]),
}))
"#,
        &[&desk.at("a.parquet")],
    );
    let read: Value = serde_json::from_str(&read).unwrap();
    let (header, rows) = joints(&desk);
    assert_eq!(read["types"], serde_json::json!(["double"]));
    assert_eq!(read["rows"].as_u64().unwrap() as usize, rows.len());
    assert_eq!(
        read["metrics"].as_u64().unwrap() as usize,
        record["metrics"].as_array().unwrap().len()
    );
    for (name, cell) in header.iter().zip(&rows[300]) {
        assert_eq!(read["row"][name].as_f64(), *cell, "{name}");
    }
    let names = read["names"].as_array().unwrap();
    for curve in [
        "hand_speed_m_s",
        "pelvis_rotation_speed_deg_s",
        "throwing_arm_kinetic_energy_j_kg",
    ] {
        assert!(
            names.iter().any(|n| n == curve) && read["row"][curve].is_f64(),
            "{curve}"
        );
    }
    // The wide table has the columns of joints.csv among others.
    let again = measured(&desk, "a.csv", &[]);
    let hand = |r: &Value| super::tables::value(r, "peak_hand_speed_m_s").unwrap();
    assert!((hand(&again) / hand(&record) - 1.0).abs() < 1e-3);
}

#[test]
fn what_cannot_be_exported_is_refused() {
    let (desk, _) = desk();
    desk.run(&["export", "out/delivery-01", "-o", "a.xlsx"])
        .refused(&[".c3d", ".csv", ".parquet"]);
    desk.run(&["export", "nowhere", "-o", "a.c3d"])
        .refused(&["nowhere"]);
    fs::remove_file(desk.at("out/delivery-01/joints.csv")).unwrap();
    desk.run(&["export", "out/delivery-01", "-o", "a.c3d"])
        .refused(&["joints.csv"]);
    assert!(!desk.names().iter().any(|n| n.starts_with("a.")));
}
