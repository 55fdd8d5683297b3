//! Laws: wider doubt never says more, a mirrored left-hander is told the same, cautions are never missing.

use std::collections::BTreeSet;

use proptest::prelude::*;
use twinmound::findings::{Evidence, Figure, FindingsError, Level, find};
use twinmound::kinematics::{Athlete, Options, catalogue, measure};
use twinmound::scene::motion::{Delivery, Style};
use twinmound::scene::rig::Rig;
use twinmound::skeleton::Side;

/// Figures anywhere near their thresholds, with any doubt.
fn figures() -> impl Strategy<Value = Vec<(&'static str, f64, f64)>> {
    let ids: Vec<&'static str> = catalogue().map(|d| d.id).collect();
    let count = ids.len();
    (
        proptest::collection::vec(-1.0..1.0_f64, count),
        proptest::collection::vec(0.0..1.0_f64, count),
    )
        .prop_map(move |(values, sds)| {
            ids.iter()
                .zip(values.iter().zip(&sds))
                .map(|(id, (v, sd))| {
                    let (middle, reach) = match id {
                        id if id.ends_with("_deg_s") => (800.0, 800.0),
                        id if id.ends_with("_s") => (0.1, 0.3),
                        id if id.contains("pct") => (50.0, 30.0),
                        _ => (25.0, 60.0),
                    };
                    (*id, middle + reach * v, 0.3 * reach * sd)
                })
                .collect()
        })
}

fn evidence(figures: &[(&'static str, f64, f64)], wider: f64, from_pictures: bool) -> Evidence {
    Evidence {
        figures: figures
            .iter()
            .map(|(id, value, sd)| {
                let figure = Figure {
                    value: *value,
                    sd: Some(wider * sd),
                    doubtful: false,
                    bandwidth_hz: None,
                };
                ((*id).to_owned(), figure)
            })
            .collect(),
        from_pictures,
        deliveries: 1,
        ..Evidence::default()
    }
}

proptest! {
    #[test]
    fn wider_doubt_never_says_more(figures in figures(), wider in 1.0..5.0_f64) {
        let said = |wider: f64, pictures: bool| -> BTreeSet<String> {
            let found = find(&evidence(&figures, wider, pictures)).unwrap();
            found.faults.iter().chain(&found.good).map(|f| f.id.clone()).collect()
        };
        let narrow = said(1.0, false);
        prop_assert!(said(wider, false).is_subset(&narrow));
        prop_assert!(said(1.0, true).is_subset(&narrow), "errors that films share only take away");
    }

    /// Whatever is found: the first is one of the faults, nothing that explains it could be first itself, each is told once.
    #[test]
    fn what_is_found_holds_together(figures in figures()) {
        let found = find(&evidence(&figures, 1.0, false)).unwrap();
        let ids: Vec<&String> = found.faults.iter().map(|f| &f.id).collect();
        prop_assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len());
        if let Some(first) = found.to_work_on_first() {
            prop_assert_eq!(&found.faults[0].id, &first.id);
            let tilt_alone = first.id == "side_tilt"
                && first.clues.iter().filter(|c| c.probability >= 0.8).count() < 2;
            prop_assert!(!tilt_alone, "side tilt by one definition alone is never the first");
        }
        for fault in &found.faults {
            prop_assert!(fault.probability >= 0.8 && !fault.improved_when.is_empty() && !fault.work_on.is_empty());
            let whole = !fault.text.contains("{value}") && !fault.source.is_empty();
            prop_assert!(whole, "{}", fault.text);
        }
    }
}

#[test]
fn a_mirrored_left_hander_is_told_the_same() {
    for name in ["clean", "early-rotation", "side-tilt", "glove-pull"] {
        let told = |throws: Side| {
            let rig = Rig::proportioned(1.82);
            let rig = match throws {
                Side::Right => rig,
                Side::Left => rig.mirrored(),
            };
            let style = Style::named(name).unwrap().throwing(throws).with_seed(9);
            let delivery = Delivery::new(&style, &rig);
            let times: Vec<f64> = (0..(delivery.phases().end_s * 240.0) as usize)
                .map(|i| i as f64 / 240.0)
                .collect();
            let athlete = Athlete {
                height_m: Some(1.82),
                throws: Some(throws),
                ..Athlete::default()
            };
            let measures = measure(&delivery.trajectory(&times), &athlete, &Options::without_doubt());
            find(&Evidence::of(&measures)).unwrap()
        };
        let (right, left) = (told(Side::Right), told(Side::Left));
        assert_eq!(right.first, left.first, "{name}");
        let texts = |f: &twinmound::findings::Findings| -> Vec<String> {
            f.faults.iter().chain(&f.good).map(|f| f.text.clone()).collect()
        };
        assert_eq!(texts(&right), texts(&left), "{name}");
    }
}

/// Doubt decides, a doubtful figure supports nothing, and what cannot be told is named.
#[test]
fn a_finding_needs_figures_that_are_safe_to_act_on() {
    let id = "pelvis_rotation_at_foot_contact_deg";
    let with = |sd: f64, doubtful: bool| {
        let figure = Figure {
            value: 38.0,
            sd: Some(sd),
            doubtful,
            bandwidth_hz: None,
        };
        let evidence = Evidence {
            figures: [(id.to_owned(), figure)].into(),
            deliveries: 1,
            ..Evidence::default()
        };
        find(&evidence).unwrap()
    };
    // 8 degrees past 30: with 4 it is two standard deviations, 97.7 % of the normal distribution.
    let sure = with(4.0, false);
    assert_eq!(sure.first.as_deref(), Some("early_rotation"));
    assert!((sure.faults[0].probability - 0.977_25).abs() < 1e-4);
    assert!(sure.faults[0].text.contains("38° ± 4"), "{}", sure.faults[0].text);
    // What shows an improvement: less than twice the doubt of a difference says nothing (2 x 1.414 x 4).
    assert!((sure.faults[0].improved_when[0].least_change.unwrap() - 11.314).abs() < 0.01);
    for unsure in [with(20.0, false), with(4.0, true)] {
        assert_eq!(unsure.first, None);
        assert!(unsure.faults.is_empty() && unsure.undecided[0].id == "early_rotation");
    }
}

#[test]
fn cautions_go_with_age_and_number() {
    let told = |age_years, level, deliveries| {
        let evidence = Evidence {
            age_years,
            level,
            deliveries,
            ..Evidence::default()
        };
        find(&evidence).unwrap().cautions.join(" ")
    };
    for text in [
        told(None, None, 1),
        told(Some(14.0), None, 1),
        told(None, Some(Level::Professional), 12),
    ] {
        assert!(text.contains("pain") && text.contains("licensed clinician") && text.contains("diagnosis"));
    }
    assert!(told(Some(14.0), None, 1).contains("local rules"));
    assert!(told(None, Some(Level::From16To18), 1).contains("Pitch counts"));
    assert!(!told(Some(24.0), None, 1).contains("Pitch counts"));
    assert!(told(None, None, 1).contains("One delivery says little"));
    assert!(!told(None, None, 10).contains("One delivery says little"));
}

#[test]
fn figures_that_are_no_numbers_are_refused() {
    let figure = Figure {
        value: f64::NAN,
        sd: None,
        doubtful: false,
        bandwidth_hz: None,
    };
    let evidence = Evidence {
        figures: [("stride_length_pct_height".to_owned(), figure)].into(),
        ..Evidence::default()
    };
    let error = find(&evidence).unwrap_err();
    assert!(matches!(error, FindingsError::NotFinite { .. }) && error.to_string().contains("hint:"));
}
