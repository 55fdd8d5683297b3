//! Planted faults: every style, both hands, 24 deliveries at each of three strengths, the weakest near the threshold.
//!
//! Three ways, none with pictures (hundreds of films would take days):
//! exact joints of which a doubt is stated; joints with noise of that size; and, as it is with films, the same with the
//! errors added that two rendered recordings shared (`shared_errors.toml`) and their doubt.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use rayon::prelude::*;
use twinmound::findings::{Evidence, Findings, find};
use twinmound::kinematics::DeliveryMeasures;
use twinmound::skeleton::Side;

use super::measured::{Thrown, evidence};

const DELIVERIES: u64 = 24;
/// So many of them must have the right finding first when the fault is plain.
const LEAST_RIGHT: usize = 22;

/// Style, the finding that must come first, strengths: plain, between, near the threshold.
const PLANTED: [(&str, &str, [f64; 3]); 10] = [
    ("early-rotation", "early_rotation", [1.0, 0.75, 0.5]),
    ("late-rotation", "late_rotation", [1.0, 0.75, 0.5]),
    ("little-travel", "little_travel", [1.0, 0.8, 0.6]),
    ("heel-pop", "heel_pop", [1.0, 0.85, 0.4]),
    ("glove-pull", "glove_pull", [1.0, 0.75, 0.5]),
    ("side-tilt", "side_tilt", [1.0, 0.8, 0.65]),
    ("upright-trunk", "upright_trunk", [1.0, 0.9, 0.75]),
    ("straight-elbow", "straight_elbow", [1.0, 0.8, 0.65]),
    ("soft-front-knee", "soft_front_knee", [1.0, 0.75, 0.5]),
    ("no-separation", "no_separation", [1.0, 0.85, 0.7]),
];

const CLEAN: [&str; 4] = ["clean", "youth", "slow-windup", "quick-windup"];

/// How the joints came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Joints {
    Exact,
    Noisy,
    AsFromFilms,
}

const WAYS: [Joints; 3] = [Joints::Exact, Joints::Noisy, Joints::AsFromFilms];

/// Mean error of the two rendered recordings, by metric.
fn shared_errors() -> BTreeMap<String, f64> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/findings/shared_errors.toml");
    let table: toml::Table = fs::read_to_string(path).unwrap().parse().unwrap();
    let rows = table["error"].as_array().unwrap();
    rows.iter()
        .map(|row| {
            let seen: Vec<f64> = row["seen"]
                .as_str()
                .unwrap()
                .split(',')
                .map(|n| n.trim().parse().unwrap())
                .collect();
            let mean = seen.iter().sum::<f64>() / seen.len() as f64;
            (row["metric"].as_str().unwrap().to_owned(), mean)
        })
        .collect()
}

fn as_from_films(mut evidence: Evidence, errors: &BTreeMap<String, f64>) -> Evidence {
    for (id, error) in errors {
        if let Some(figure) = evidence.figures.get_mut(id) {
            figure.value += error;
        }
    }
    Evidence {
        from_pictures: true,
        ..evidence
    }
}

/// What is found of one delivery in each of the three ways.
fn found(
    thrown: &Thrown,
    doubts: &DeliveryMeasures,
    errors: &BTreeMap<String, f64>,
) -> BTreeMap<Joints, Findings> {
    let exact = evidence(&thrown.exact(), doubts);
    let noisy = evidence(&thrown.noisy(), doubts);
    let films = as_from_films(noisy.clone(), errors);
    [
        (Joints::Exact, exact),
        (Joints::Noisy, noisy),
        (Joints::AsFromFilms, films),
    ]
    .map(|(way, evidence)| (way, find(&evidence).unwrap()))
    .into()
}

/// The first findings of 24 deliveries by either hand, by way: finding's id (or `-`) -> how often.
fn firsts(
    style: &'static str,
    strength: f64,
    errors: &BTreeMap<String, f64>,
) -> BTreeMap<(Joints, &'static str), BTreeMap<String, usize>> {
    // Doubts hang on the posture, not on the single delivery: those of one right-hander stand for all.
    let doubts = Thrown {
        style,
        strength,
        throws: Side::Right,
        seed: 1,
    }
    .doubted();
    let all: Vec<(Side, BTreeMap<Joints, Findings>)> = (0..2 * DELIVERIES)
        .into_par_iter()
        .map(|i| {
            let throws = if i < DELIVERIES { Side::Right } else { Side::Left };
            let thrown = Thrown {
                style,
                strength,
                throws,
                seed: 100 + i,
            };
            (throws, found(&thrown, &doubts, errors))
        })
        .collect();
    let mut counts: BTreeMap<(Joints, &'static str), BTreeMap<String, usize>> = BTreeMap::new();
    for (throws, ways) in all {
        for (way, findings) in ways {
            let first = findings.first.unwrap_or_else(|| "-".to_owned());
            *counts
                .entry((way, throws.name()))
                .or_default()
                .entry(first)
                .or_default() += 1;
        }
    }
    counts
}

/// `early_rotation 20, - 4`.
fn told(counts: &BTreeMap<String, usize>, but: &str) -> String {
    let others: Vec<String> = counts
        .iter()
        .filter(|(id, _)| id.as_str() != but && id.as_str() != "-")
        .map(|(id, n)| format!("{id} {n}"))
        .collect();
    others.join(", ")
}

#[test]
fn planted_faults_come_first_and_clean_deliveries_are_left_in_peace() {
    let errors = shared_errors();
    let mut rows = Vec::new();
    let mut wrong = Vec::new();
    for (style, finding, strengths) in PLANTED {
        // The plain ones every time; the weaker ones too in the long tests, and for the page.
        let all = cfg!(feature = "long-tests") || super::docs::writing();
        for strength in strengths.into_iter().take(if all { 3 } else { 1 }) {
            let counts = firsts(style, strength, &errors);
            let right = |way: Joints, hand: &'static str| {
                counts
                    .get(&(way, hand))
                    .and_then(|c| c.get(finding))
                    .copied()
                    .unwrap_or(0)
            };
            let mut row = format!("| {style} | {strength} |");
            for way in WAYS {
                let _ = write!(row, " {} / {} |", right(way, "right"), right(way, "left"));
            }
            for ((way, hand), firsts) in &counts {
                let others = told(firsts, finding);
                if !others.is_empty() {
                    println!("{style} {strength} {way:?} {hand}: also {others}");
                }
            }
            println!("{row}");
            rows.push(row);
            for hand in ["right", "left"] {
                if strength == 1.0 && right(Joints::Exact, hand) < LEAST_RIGHT {
                    wrong.push(format!("{style}, {hand}: {} right", right(Joints::Exact, hand)));
                }
            }
        }
    }
    let mut clean_rows = Vec::new();
    for style in CLEAN {
        let counts = firsts(style, 1.0, &errors);
        let mut row = format!("| {style} |");
        for way in WAYS {
            let [right, left] = ["right", "left"].map(|hand| {
                let firsts = &counts[&(way, hand)];
                let none = firsts.get("-").copied().unwrap_or(0);
                if none < DELIVERIES as usize {
                    println!("{style} {way:?} {hand}: {}", told(firsts, "-"));
                }
                if way == Joints::Exact && none < DELIVERIES as usize {
                    wrong.push(format!("{style}, {hand}: {}", told(firsts, "-")));
                }
                DELIVERIES as usize - none
            });
            let _ = write!(row, " {right} / {left} |");
        }
        println!("{row}");
        clean_rows.push(row);
    }
    super::docs::tables_of_the_page(&rows, &clean_rows);
    assert!(wrong.is_empty(), "{wrong:#?}");
}
