//! The whole job on rendered recordings with exact truth: films, calibration, measurement, files.
//!
//! Every figure here is of rendered recordings. The limits are those of the project's own accuracy goals; the truth
//! files come from the scene and never from the videos.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test stops at the first surprise; the table is for --nocapture"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::Value;
use twinmound::demo::{DemoRequest, DemoResult, demo};
use twinmound::detect::Device;
use twinmound::findings::{Level, Peers};
use twinmound::quality::Silent;
use twinmound::skeleton::{Joint, Side};

const MAX_JOINT_MEAN_MM: f64 = 35.0;
/// Three frames at 240 Hz.
const MAX_EVENT_S: f64 = 0.0125;
/// The goals for release and speed of a ball seen by both phones.
const MAX_RELEASE_S: f64 = 0.0042;
const MAX_BALL_SPEED_PCT: f64 = 2.0;
const MAX_ANGLE_DEG: f64 = 6.0;
const MAX_CLOCK_S: f64 = 0.001;
/// Without it, a mean over few joints would say nothing.
const MAX_MISSING_SHARE: f64 = 0.1;

const EVENTS: [&str; 4] = [
    "peak_knee_lift",
    "foot_contact",
    "max_external_rotation",
    "ball_release",
];

/// Knee, elbow and trunk angles at events.
const ANGLES: [&str; 17] = [
    "lead_knee_flexion_at_foot_contact_deg",
    "lead_knee_flexion_at_ball_release_deg",
    "drive_knee_flexion_at_peak_knee_lift_deg",
    "elbow_flexion_at_foot_contact_deg",
    "elbow_flexion_at_max_external_rotation_deg",
    "elbow_flexion_at_ball_release_deg",
    "trunk_rotation_at_foot_contact_deg",
    "trunk_contralateral_tilt_at_foot_contact_deg",
    "trunk_contralateral_tilt_at_max_external_rotation_deg",
    "trunk_contralateral_tilt_at_ball_release_deg",
    "trunk_forward_tilt_at_foot_contact_deg",
    "trunk_forward_tilt_at_max_external_rotation_deg",
    "trunk_forward_tilt_at_ball_release_deg",
    "trunk_lean_seen_from_target_at_max_external_rotation_deg",
    "trunk_lean_seen_from_target_at_ball_release_deg",
    "trunk_tilt_toward_target_at_max_external_rotation_deg",
    "trunk_tilt_toward_target_at_ball_release_deg",
];

/// All ids that a `delivery.json` must hold, written out so that renaming one in the program fails here.
fn metric_ids() -> Vec<String> {
    let mut ids: Vec<String> = [
        "stride_length_pct_height",
        "stride_direction_deg",
        "lead_foot_angle_at_foot_contact_deg",
        "lead_knee_flexion_at_foot_contact_deg",
        "lead_knee_flexion_at_ball_release_deg",
        "lead_knee_extension_foot_contact_to_release_deg",
        "peak_lead_knee_extension_speed_deg_s",
        "drive_knee_flexion_at_peak_knee_lift_deg",
        "drive_hip_abduction_at_foot_contact_deg",
        "drive_hip_rotation_at_foot_contact_deg",
        "drive_heel_lift_before_foot_contact_s",
        "drive_knee_drop_to_arm_raise_delay_s",
        "pelvis_rotation_onset_before_foot_contact_s",
        "pelvis_rotation_at_foot_contact_deg",
        "trunk_rotation_at_foot_contact_deg",
        "hip_shoulder_separation_at_foot_contact_deg",
        "max_hip_shoulder_separation_deg",
        "shoulder_abduction_at_foot_contact_deg",
        "shoulder_abduction_at_ball_release_deg",
        "shoulder_horizontal_abduction_at_foot_contact_deg",
        "shoulder_external_rotation_at_foot_contact_deg",
        "max_shoulder_external_rotation_deg",
        "arm_slot_at_ball_release_deg",
        "peak_pelvis_rotation_speed_deg_s",
        "peak_trunk_rotation_speed_deg_s",
        "peak_glove_arm_rotation_speed_deg_s",
        "peak_elbow_extension_speed_deg_s",
        "peak_shoulder_internal_rotation_speed_deg_s",
        "peak_pelvis_forward_speed_m_s",
        "peak_hand_speed_m_s",
        "pelvis_to_trunk_peak_delay_s",
        "glove_arm_peak_to_foot_contact_s",
        "foot_contact_to_ball_release_s",
        "pelvis_travel_before_rotation_pct_height",
        "pelvis_travel_by_foot_contact_pct_height",
        "pelvis_drop_before_rotation_pct_height",
        "ball_speed_m_s",
        "release_height_pct_height",
        "release_extension_pct_height",
        "release_side_m",
        "peak_lower_body_kinetic_energy_j",
        "peak_trunk_kinetic_energy_j",
        "peak_throwing_arm_kinetic_energy_j",
        "peak_lower_body_kinetic_energy_j_kg",
        "peak_trunk_kinetic_energy_j_kg",
        "peak_throwing_arm_kinetic_energy_j_kg",
        "trunk_to_arm_energy_peak_delay_s",
        "linear_share_of_kinetic_energy_at_foot_contact_pct",
    ]
    .map(str::to_owned)
    .into();
    for event in &EVENTS[1..] {
        for angle in [
            "pelvis_contralateral_tilt",
            "trunk_contralateral_tilt",
            "shoulder_line_tilt",
            "trunk_forward_tilt",
            "elbow_flexion",
        ] {
            ids.push(format!("{angle}_at_{event}_deg"));
        }
    }
    for event in &EVENTS[2..] {
        ids.push(format!("trunk_lean_seen_from_target_at_{event}_deg"));
        ids.push(format!("trunk_tilt_toward_target_at_{event}_deg"));
    }
    ids
}

#[test]
fn a_right_hander_is_measured_as_he_threw() {
    whole_job(1, Side::Right);
}

/// Two phones of one picture size, so that only the geometry can tell LEFT from RIGHT.
#[cfg(feature = "long-tests")]
#[test]
fn exchanged_videos_are_refused_or_warned_of() {
    use twinmound::kinematics::Athlete;
    use twinmound::pipeline::{Blame, MeasureRequest, measure_recording};

    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let request = DemoRequest {
        out: at("demo"),
        style: "clean".to_owned(),
        seed: 1,
        throws: Side::Right,
        peers: Default::default(),
    };
    demo(&request, Device::Cpu, &Silent).unwrap();
    let enlarged = std::process::Command::new("ffmpeg")
        .args(["-loglevel", "error", "-i"])
        .arg(at("demo/left.mp4"))
        .args([
            "-vf",
            "scale=1920:1080",
            "-c:v",
            "libx264",
            "-preset",
            "ultrafast",
        ])
        .args(["-crf", "18", "-c:a", "copy"])
        .arg(at("left.mp4"))
        .status()
        .unwrap();
    assert!(enlarged.success());
    let mut rig = json(&at("demo/rig.json"));
    let phone = rig["phones"][0].as_object_mut().unwrap();
    phone["width_px"] = 1920.into();
    phone["height_px"] = 1080.into();
    for key in ["fx_px", "fy_px"] {
        phone[key] = (phone[key].as_f64().unwrap() * 1.5).into();
    }
    for key in ["cx_px", "cy_px"] {
        phone[key] = ((phone[key].as_f64().unwrap() + 0.5) * 1.5 - 0.5).into();
    }
    fs::write(at("rig.json"), rig.to_string()).unwrap();
    let exchanged = MeasureRequest {
        left: at("demo/right.mp4"),
        right: at("left.mp4"),
        rig: at("rig.json"),
        out: at("out"),
        athlete: Athlete::default(),
        readout_s: None,
        exposure_s: None,
        offset_s: None,
        capture_fps: None,
        refine_rig: false,
        model: None,
        device: Device::Cpu,
        cutoff_hz: None,
        peers: Default::default(),
    };
    match measure_recording(&exchanged, &Silent) {
        Err(error) => {
            println!("refused: {error}");
            assert_eq!(error.blame(), Blame::Input, "{error}");
            assert!(!at("out").exists());
        }
        Ok(measured) => {
            let warnings = &measured.deliveries[0].record.warnings;
            println!("measured with {warnings:#?}");
            let codes: Vec<_> = warnings.iter().map(|w| w.code.as_str()).collect();
            assert!(codes.contains(&"keypoints_contradict"), "{codes:?}");
        }
    }
}

#[test]
fn a_left_hander_is_measured_as_he_threw() {
    whole_job(2, Side::Left);
}

fn whole_job(seed: u64, throws: Side) {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("demo");
    let request = DemoRequest {
        out: out.clone(),
        style: "clean".to_owned(),
        seed,
        throws,
        peers: Peers {
            level: Some(Level::College),
            age_years: None,
        },
    };
    let result = demo(&request, Device::Cpu, &Silent).unwrap();
    crate::kinematics_schema::assert_valid("rig", &[out.join("rig.json")]);
    let records = ["result/delivery-01/delivery.json", "truth/metrics.json"];
    crate::kinematics_schema::assert_valid("delivery", &records.map(|r| out.join(r)));
    let measured = json(&out.join("result/delivery-01/delivery.json"));
    let truth = json(&out.join("truth/metrics.json"));
    let table = Table::new(&result, &measured, &truth);
    println!("{throws:?}-hander, seed {seed}, rendered\n{}", table.text);
    let from_files = joint_mean_from_files_mm(&out, &truth);
    println!("joint mean from the files alone: {from_files:.1} mm");

    // Everything that is wrong is said at once.
    let mut wrong = table.wrong;
    let mean_mm = result.comparison.joint_mean_mm;
    if (from_files - mean_mm).abs() > 2.0 {
        wrong.push(format!(
            "the files say {from_files:.1} mm, the comparison {mean_mm:.1} mm"
        ));
    }
    if measured["athlete"]["throws"] != truth["athlete"]["throws"] {
        wrong.push(format!(
            "the throwing side was taken as {}",
            measured["athlete"]["throws"]
        ));
    }
    wrong.extend(broken_rules(&out, &measured, &truth));
    assert!(
        wrong.is_empty(),
        "{throws:?}-hander, seed {seed}:\n{}",
        wrong.join("\n")
    );
}

/// The comparison as lines, and what exceeds its limit.
struct Table {
    text: String,
    wrong: Vec<String>,
}

impl Table {
    fn new(result: &DemoResult, measured: &Value, truth: &Value) -> Self {
        let c = &result.comparison;
        let mut table = Self {
            text: String::new(),
            wrong: Vec::new(),
        };
        table.row("joints, mean, mm", Some(c.joint_mean_mm), MAX_JOINT_MEAN_MM);
        table.row("joints missing, share", Some(c.missing_share), MAX_MISSING_SHARE);
        table.row("clock, ms", Some(c.clock_error_s * 1e3), MAX_CLOCK_S * 1e3);
        for event in EVENTS {
            let error = time(measured, event).zip(time(truth, event)).map(|(a, b)| a - b);
            table.row(&format!("{event}, ms"), error.map(|e| e * 1e3), MAX_EVENT_S * 1e3);
        }
        let release = time(measured, "ball_release").zip(time(truth, "ball_release"));
        table.row(
            "release where the ball meets the hand, ms",
            release.map(|(a, b)| (a - b) * 1e3),
            MAX_RELEASE_S * 1e3,
        );
        let speed = value(measured, "ball_speed_m_s").zip(value(truth, "ball_speed_m_s"));
        table.row(
            "ball speed, %",
            speed.map(|(a, b)| (a / b - 1.0) * 100.0),
            MAX_BALL_SPEED_PCT,
        );
        for id in ANGLES {
            let error = value(measured, id).zip(value(truth, id)).map(|(a, b)| a - b);
            table.row(id, error, MAX_ANGLE_DEG);
        }
        for joint in Joint::ALL {
            if let Some(mm) = c.per_joint_mm[joint] {
                table.text += &format!("  {joint}: {mm:.1} mm\n");
            }
        }
        table.text += &format!(
            "joints: median {:.1} mm, aligned mean {:.1}, aligned median {:.1}\n",
            c.joint_median_mm, c.aligned_mean_mm, c.aligned_median_mm
        );
        table
    }

    /// A row; an error that is not there is wrong too.
    fn row(&mut self, name: &str, error: Option<f64>, limit: f64) {
        let line = match error {
            Some(error) => format!("{name}: {error:+.3} (limit {limit})"),
            None => format!("{name}: not measured (limit {limit})"),
        };
        if error.is_none_or(|e| e.is_nan() || e.abs() > limit) {
            self.wrong.push(line.clone());
        }
        self.text += &line;
        self.text.push('\n');
    }
}

/// What other programs rely on and is not so.
fn broken_rules(out: &Path, measured: &Value, truth: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut must = |holds: bool, what: String| {
        if !holds {
            wrong.push(what);
        }
    };
    for file in ["left.mp4", "right.mp4", "board-left.mp4", "board-right.mp4"] {
        must(out.join(file).is_file(), format!("{file} is missing"));
    }
    must(
        measured["schema"] == "twinmound.delivery/1",
        "delivery.json: schema".to_owned(),
    );
    must(
        truth["schema"] == "twinmound.delivery/1",
        "truth/metrics.json: schema".to_owned(),
    );
    for phone in ["left", "right"] {
        let source = &measured["source"][phone];
        must(
            source["name"] == format!("{phone}.mp4"),
            format!("source.{phone}.name: {source}"),
        );
        must(
            source["sha256"].as_str().is_some_and(|h| h.len() == 64),
            format!("source.{phone}.sha256: {source}"),
        );
        must(
            source["rate_hz"]
                .as_f64()
                .is_some_and(|r| (r - 240.0).abs() < 0.1),
            format!("source.{phone}.rate_hz: {source}"),
        );
    }
    for key in ["clock_offset_s", "clock_offset_sd_s"] {
        must(measured["source"][key].is_f64(), format!("source.{key}"));
    }
    for event in EVENTS {
        let sd = measured["events"][event]["sd_s"].as_f64();
        must(
            sd.is_some_and(|sd| sd > 0.0),
            format!("events.{event}.sd_s: {sd:?}"),
        );
    }
    for (name, record) in [("delivery.json", measured), ("truth/metrics.json", truth)] {
        for id in metric_ids() {
            must(metric(record, &id).is_some(), format!("{name}: no metric {id}"));
        }
    }
    for m in measured["metrics"].as_array().unwrap() {
        let id = &m["id"];
        let has = |key: &str| m.get(key).is_some();
        for key in [
            "id",
            "value",
            "sd",
            "unit",
            "event",
            "status",
            "reason",
            "reference",
        ] {
            must(has(key), format!("{id}: no key {key}"));
        }
        let status = m["status"].as_str().unwrap_or_default();
        if m["value"].is_null() {
            must(m["reason"].is_string(), format!("{id}: null without a reason"));
            must(status == "not_measurable", format!("{id}: null, but {status}"));
        } else {
            let sd = m["sd"].as_f64();
            must(
                sd.is_some_and(|sd| sd > 0.0),
                format!("{id}: a value with sd {}", m["sd"]),
            );
            must(
                ["measured", "doubtful"].contains(&status),
                format!("{id}: a value, but {status}"),
            );
        }
        if id.as_str().is_some_and(|id| id.contains("speed"))
            && !m["value"].is_null()
            && id != "ball_speed_m_s"
        {
            must(m["bandwidth_hz"].is_f64(), format!("{id}: no bandwidth_hz"));
        }
    }
    let rig = json(&out.join("rig.json"));
    must(rig["schema"] == "twinmound.rig/1", "rig.json: schema".to_owned());
    for (phone, width) in [(0, 1280), (1, 1920)] {
        let phone = &rig["phones"][phone];
        must(phone["width_px"] == width, format!("rig.json: {phone}"));
        must(
            phone["distortion"].as_array().is_some_and(|d| d.len() == 5),
            format!("rig.json: {phone}"),
        );
    }
    must(
        rig["world_from_left"].is_object(),
        "rig.json: no world".to_owned(),
    );
    for path in ["result/delivery-01/joints.csv", "truth/joints.csv"] {
        let table = joints(&out.join(path));
        must(table.contains_key("time_s"), format!("{path}: no time_s"));
        for joint in Joint::ALL {
            for axis in ["x", "y", "z"] {
                let column = format!("{joint}_{axis}_m");
                must(table.contains_key(&column), format!("{path}: no {column}"));
            }
        }
    }
    let page = fs::read_to_string(out.join("result/report.html")).unwrap();
    must(
        page.contains("<html") && page.contains("</html>"),
        "report.html is not a whole page".to_owned(),
    );
    for reach in ["src=\"http", "href=\"http", "@import", "url(http"] {
        must(!page.contains(reach), format!("report.html reaches out: {reach}"));
    }
    wrong
}

/// Mean distance of the joints as another program would compute it from the two tables; the truth between two of its
/// rows is taken on the straight line.
fn joint_mean_from_files_mm(out: &Path, truth: &Value) -> f64 {
    let measured = joints(&out.join("result/delivery-01/joints.csv"));
    let real = joints(&out.join("truth/joints.csv"));
    let from = time(truth, "peak_knee_lift").unwrap();
    let to = time(truth, "ball_release").unwrap();
    let real_times: Vec<f64> = real["time_s"].iter().map(|t| t.unwrap()).collect();
    let (mut sum, mut count) = (0.0, 0.0);
    for (row, t) in measured["time_s"].iter().map(|t| t.unwrap()).enumerate() {
        let next = real_times.partition_point(|r| *r < t);
        if !(from..=to).contains(&t) || next == 0 || next == real_times.len() {
            continue;
        }
        let share = (t - real_times[next - 1]) / (real_times[next] - real_times[next - 1]);
        for joint in Joint::ALL {
            let along = |axis: &str| {
                let column = format!("{joint}_{axis}_m");
                let (a, b) = (real[&column][next - 1]?, real[&column][next]?);
                Some(measured[&column][row]? - (a + share * (b - a)))
            };
            if let (Some(x), Some(y), Some(z)) = (along("x"), along("y"), along("z")) {
                sum += 1e3 * f64::hypot(f64::hypot(x, y), z);
                count += 1.0;
            }
        }
    }
    sum / count
}

fn json(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

/// The columns of a table of joints by name.
fn joints(path: &Path) -> BTreeMap<String, Vec<Option<f64>>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let mut columns: BTreeMap<_, Vec<_>> = header.iter().map(|h| (h.clone(), Vec::new())).collect();
    for record in reader.records() {
        for (name, cell) in header.iter().zip(&record.unwrap()) {
            let number = (!cell.is_empty()).then(|| cell.parse().unwrap());
            columns.get_mut(name).unwrap().push(number);
        }
    }
    columns
}

fn metric<'a>(record: &'a Value, id: &str) -> Option<&'a Value> {
    record["metrics"].as_array()?.iter().find(|m| m["id"] == id)
}

fn value(record: &Value, id: &str) -> Option<f64> {
    metric(record, id)?["value"].as_f64()
}

fn time(record: &Value, event: &str) -> Option<f64> {
    record["events"][event]["time_s"].as_f64()
}
