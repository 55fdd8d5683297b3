//! The accuracy log and its page: what is written is read back, a broken line is left out, figures are those of the book.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::io::Write;

use twinmound::accuracy::{Scenario, Trial, Variant, page, read_log};

/// A trial as a line of the log has it; `error_deg` off in its one angle, stated to 2 degrees.
fn line(number: usize, variant: &str, joints_mm: f64, error_deg: f64) -> String {
    let scenario = serde_json::to_value(Scenario::numbered(number)).unwrap();
    let event = |error_s: f64| serde_json::json!({ "error_s": error_s, "sd_s": 0.003, "reason": null });
    serde_json::json!({
        "maker": "test", "variant": variant, "scenario": scenario, "refusal": null, "took_s": 1.0,
        "outcome": {
            "hand_found": true,
            "joints": {
                "mean_mm": joints_mm, "median_mm": 10.0, "aligned_mean_mm": joints_mm, "aligned_median_mm": 10.0,
                "missing_share": 0.0, "within_90_share": 0.9, "sd_over_rms": 1.0,
            },
            "per_joint_mm": { "left_knee": joints_mm },
            "events": { "foot_contact": event(0.003), "ball_release": event(-0.004) },
            "clock_error_s": 0.0003, "clock_sd_s": 0.0003,
            "metrics": [{
                "id": "elbow_flexion_at_foot_contact_deg", "unit": "deg", "truth": 90.0, "measured": 90.0 + error_deg,
                "with_true_events": 90.0, "sd": 2.0, "status": "measured", "reason": null,
            }],
        },
    })
    .to_string()
}

#[test]
fn the_page_says_what_the_log_holds() {
    let folder = tempfile::tempdir().unwrap();
    assert!(read_log(folder.path()).unwrap().is_empty());
    assert_eq!(page(&[]), "");
    let mut log = std::fs::File::create(folder.path().join("deliveries.jsonl")).unwrap();
    writeln!(log, "{}", line(0, "as_measured", 12.0, 3.0)).unwrap();
    writeln!(log, "{{\"maker\": \"test\", \"vari").unwrap();
    writeln!(log, "\n{}", line(1, "as_measured", 16.0, -4.0)).unwrap();
    let trials: Vec<Trial> = read_log(folder.path()).unwrap();
    assert_eq!(trials.len(), 2);
    let text = page(&trials);
    let row = |start: &str| {
        text.lines()
            .find(|l| l.starts_with(start))
            .unwrap_or_else(|| panic!("{start}"))
            .to_owned()
    };
    assert!(text.contains("**rendered recordings**"));
    // Mean of 12 and 16 mm; sqrt((9 + 16) / 2) = 3.54 degrees, of which one error lies within 1.645 x 2 degrees.
    assert!(row("| joints, peak").contains("14.0 / 10.0 mm | yes"), "{text}");
    let angle = row("| `elbow_flexion_at_foot_contact_deg`");
    assert!(angle.contains("| 0.0 | 3.5 | -0.5 | 4.0 | 50 % |"), "{angle}");
    assert!(angle.ends_with("| 0 of 2 | yes |"), "{angle}");
    assert!(
        row("| foot contact, found in 2 of 2").contains("3.0 ms"),
        "{text}"
    );
    assert!(row("| left knee").contains("14.0 | 16.0"), "{text}");
    assert!(!text.contains("Where the errors come from"));
}

#[test]
fn the_budget_stands_where_a_delivery_was_measured_in_every_way() {
    let all = [
        "as_measured",
        "perfect_keypoints",
        "perfect_clock",
        "perfect_rig",
        "joints_alone",
    ];
    let trials: Vec<Trial> = all
        .iter()
        .enumerate()
        .map(|(i, variant)| serde_json::from_str(&line(0, variant, 20.0 - i as f64, 1.0)).unwrap())
        .collect();
    assert!(trials.iter().map(|t| t.variant).eq(Variant::ALL));
    let text = page(&trials);
    for (name, mm) in [
        ("as measured", "20.0"),
        ("perfect rig", "17.0"),
        ("each joint smoothed alone", "16.0"),
    ] {
        assert!(text.contains(&format!("| {name} | {mm} / 10.0 |")), "{text}");
    }
    assert_eq!(page(&trials[..4]).find("Where the errors come from"), None);
}
