//! What a session's figures must be: against NumPy and SciPy, by simulation, and by laws that any summary keeps.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::collections::BTreeMap;

use proptest::prelude::*;
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::Deserialize;
use twinmound::quality::Status;
use twinmound::session::{
    COMMON_SHARE, Delivery, FALSE_ALARM_SHARE, FEWEST_FOR_OUTLIERS, Figure, Person, Session, outlier_limit,
    spread, summarise,
};

const REFERENCE: &str = include_str!("../fixtures/session/reference.json");
const LIMITS: &str = include_str!("../fixtures/session/outlier_limits.csv");

fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

/// Deliveries with the figures `x0_deg`, `x1_deg`, ...: `values[delivery][figure]`.
fn deliveries(values: &[Vec<(f64, Option<f64>)>]) -> Vec<Delivery> {
    let delivery = |(i, values): (usize, &Vec<(f64, Option<f64>)>)| Delivery {
        name: format!("delivery-{:02}", i + 1),
        person: Person::default(),
        figures: values
            .iter()
            .enumerate()
            .map(|(k, (value, sd))| Figure {
                id: format!("x{k}_deg"),
                unit: "deg".to_owned(),
                value: Some(*value),
                sd: *sd,
                status: Status::Measured,
                reason: None,
            })
            .collect(),
    };
    values.iter().enumerate().map(delivery).collect()
}

fn session(values: &[Vec<(f64, Option<f64>)>]) -> Session {
    summarise(&deliveries(values)).unwrap()
}

/// The same deliveries, one figure each.
fn one_figure(values: &[(f64, Option<f64>)]) -> Session {
    session(&values.iter().map(|v| vec![*v]).collect::<Vec<_>>())
}

#[derive(Deserialize)]
struct Cases {
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    values: Vec<f64>,
    sds: Vec<f64>,
    expected: BTreeMap<String, serde_json::Value>,
}

/// Reference: NumPy and SciPy (`fixtures/session/reference.py`).
#[test]
fn figures_agree_with_numpy_and_scipy() {
    let cases: Cases = serde_json::from_str(REFERENCE).unwrap();
    assert!(cases.cases.len() > 50);
    for case in cases.cases {
        let values: Vec<_> = case
            .values
            .iter()
            .copied()
            .zip(case.sds.iter().copied().map(Some))
            .collect();
        let session = one_figure(&values);
        let got = session.summaries[0].spread.unwrap();
        assert_eq!(case.expected["n"], got.n);
        for (name, got, tolerance) in [
            ("mean", Some(got.mean), 1e-9),
            ("median", Some(got.median), 1e-9),
            ("min", Some(got.min), 1e-9),
            ("max", Some(got.max), 1e-9),
            ("sd", got.sd, 1e-9),
            ("measurement_sd", got.measurement_sd, 1e-9),
            ("athlete_sd_at_least", got.athlete_sd_at_least, 1e-9),
            ("mean_sd", got.mean_sd, 1e-9),
            // 1.96 here, 1.95996 there.
            ("change_of_deliveries", got.change_of_deliveries, 2e-5),
            ("change_of_sessions", got.change_of_sessions, 2e-5),
        ] {
            let want = case.expected.get(name).and_then(serde_json::Value::as_f64);
            match (got, want) {
                (Some(got), Some(want)) => assert!(
                    (got - want).abs() <= tolerance * want.abs().max(1e-3),
                    "{name} of {} values: {got}, SciPy {want}",
                    values.len()
                ),
                (None, None) if values.len() < 3 => {}
                // One value: what it differs by at least is not asked.
                other => panic!("{name} of {} values: {other:?}", values.len()),
            }
        }
        let named: Vec<usize> = session.outliers.iter().map(|o| o.delivery).collect();
        let want: Vec<usize> = serde_json::from_value(case.expected["outliers"].clone()).unwrap();
        assert_eq!(named, want, "{:?}", case.values);
    }
}

/// The limits are those of the simulation, rounded up by a tenth part at most.
#[test]
fn limits_of_outliers_are_the_simulated_ones() {
    let mut rows = 0;
    for row in LIMITS.lines().skip(1) {
        let cells: Vec<f64> = row.split(',').map(|c| c.parse().unwrap()).collect();
        let limit = outlier_limit(cells[0] as usize).unwrap();
        assert!(
            limit >= cells[2] && limit <= 1.1 * cells[2],
            "{} values: {limit}, simulated {}",
            cells[0],
            cells[2]
        );
        rows += 1;
    }
    assert!(rows > 20);
}

/// Sixty figures of ordinary deliveries: hardly one is named, where the usual limit would name five and more.
#[test]
fn chance_alone_names_few() {
    let mut random = ChaCha8Rng::seed_from_u64(11);
    for n in [FEWEST_FOR_OUTLIERS, 8, 10, 20] {
        let (mut named, mut judged) = (0, 0);
        for _ in 0..60 {
            let values: Vec<Vec<_>> = (0..n)
                .map(|_| (0..60).map(|_| (normal(&mut random), None)).collect())
                .collect();
            let session = session(&values);
            let mut figures: Vec<_> = session.outliers.iter().map(|o| o.id.as_str()).collect();
            figures.sort_unstable();
            figures.dedup();
            named += figures.len();
            judged += session.figures_judged;
        }
        let share = named as f64 / judged as f64;
        // 3600 figures: three standard deviations of one in a hundred are a half of it.
        assert!(share < 1.5 * FALSE_ALARM_SHARE, "{n} deliveries: {share}");
        assert!(
            share > 0.2 * FALSE_ALARM_SHARE,
            "{n} deliveries: {share}: nobody could stand out"
        );
    }
}

/// Deliveries with an error of their own and one that all share, as large together as their stated doubt: the mean's true
/// error stays within its stated doubt as often as it should.
#[test]
fn the_means_doubt_holds_what_is_common() {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let doubt = 3.0;
    for (n, athlete_sd) in [(4, 2.0), (10, 2.0), (10, 5.0), (10, 0.3), (30, 2.0)] {
        let (mut within, draws) = (0, 4000);
        for _ in 0..draws {
            let common = COMMON_SHARE.sqrt() * doubt * normal(&mut random);
            let values: Vec<_> = (0..n)
                .map(|_| {
                    let own = (1.0 - COMMON_SHARE).sqrt() * doubt * normal(&mut random);
                    (
                        50.0 + athlete_sd * normal(&mut random) + own + common,
                        Some(doubt),
                    )
                })
                .collect();
            let spread = spread(&values).unwrap();
            within += usize::from((spread.mean - 50.0).abs() < 1.645 * spread.mean_sd.unwrap());
        }
        let share = within as f64 / f64::from(draws);
        assert!(
            (0.87..0.94).contains(&share),
            "{n} deliveries, {athlete_sd}: 90 % intervals hold {share}"
        );
    }
}

/// Two further deliveries of an athlete who changes nothing differ by less than the smallest change, 19 times in 20.
#[test]
fn an_athlete_who_changes_nothing_changes_less_than_is_worth_believing() {
    let mut random = ChaCha8Rng::seed_from_u64(6);
    let (mut believed, draws) = (0, 4000);
    for _ in 0..draws {
        let values: Vec<_> = (0..20).map(|_| (4.0 * normal(&mut random), Some(1.0))).collect();
        let change = spread(&values).unwrap().change_of_deliveries.unwrap();
        let (a, b) = (4.0 * normal(&mut random), 4.0 * normal(&mut random));
        believed += usize::from((a - b).abs() > change);
    }
    let share = believed as f64 / f64::from(draws);
    assert!((0.04..0.08).contains(&share), "{share}");
}

fn any_values() -> impl Strategy<Value = Vec<Vec<(f64, Option<f64>)>>> {
    let figure = (-500.0..500.0f64, proptest::option::of(0.01..50.0f64));
    (1..12usize, 1..4usize).prop_flat_map(move |(n, figures)| {
        proptest::collection::vec(proptest::collection::vec(figure.clone(), figures), n)
    })
}

fn close(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * (1.0 + a.abs().max(b.abs())),
        (a, b) => a == b,
    }
}

proptest! {
    #[test]
    fn the_order_of_the_deliveries_does_not_matter(values in any_values(), seed in 0..1000u64) {
        let mut order: Vec<usize> = (0..values.len()).collect();
        order.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
        let shuffled: Vec<_> = order.iter().map(|i| values[*i].clone()).collect();
        let (a, b) = (session(&values), session(&shuffled));
        for (a, b) in a.summaries.iter().zip(&b.summaries) {
            prop_assert_eq!(a.spread, b.spread, "to the last digit");
        }
        let named = |s: &Session, of: &dyn Fn(usize) -> usize| {
            let mut named: Vec<_> = s.outliers.iter().map(|o| (o.id.clone(), of(o.delivery))).collect();
            named.sort();
            named
        };
        prop_assert_eq!(named(&a, &|i| i), named(&b, &|i| order[i]));
    }

    #[test]
    fn a_constant_added_to_all_moves_the_means_alone(values in any_values(), constant in -1000.0..1000.0f64) {
        let moved: Vec<Vec<_>> = values.iter().map(|d| d.iter().map(|(v, sd)| (v + constant, *sd)).collect()).collect();
        for (a, b) in session(&values).summaries.iter().zip(&session(&moved).summaries) {
            let (a, b) = (a.spread.unwrap(), b.spread.unwrap());
            prop_assert!(close(Some(a.mean + constant), Some(b.mean)));
            prop_assert!(close(Some(a.median + constant), Some(b.median)));
            for (a, b) in [
                (a.sd, b.sd),
                (a.mean_sd, b.mean_sd),
                (a.measurement_sd, b.measurement_sd),
                (a.change_of_deliveries, b.change_of_deliveries),
                (a.change_of_sessions, b.change_of_sessions),
            ] {
                prop_assert!(close(a, b), "{:?} {:?}", a, b);
            }
        }
    }

    #[test]
    fn another_unit_scales_everything(values in any_values(), factor in 0.01..100.0f64) {
        let scaled: Vec<Vec<_>> = values
            .iter()
            .map(|d| d.iter().map(|(v, sd)| (factor * v, sd.map(|sd| factor * sd))).collect())
            .collect();
        let (a, b) = (session(&values), session(&scaled));
        for (a, b) in a.summaries.iter().zip(&b.summaries) {
            let (a, b) = (a.spread.unwrap(), b.spread.unwrap());
            let times = |x: Option<f64>| x.map(|x| factor * x);
            prop_assert!(close(times(Some(a.mean)), Some(b.mean)));
            prop_assert!(close(times(a.mean_sd), b.mean_sd));
            prop_assert!(close(times(a.change_of_deliveries), b.change_of_deliveries));
        }
        prop_assert_eq!(a.outliers.len(), b.outliers.len());
    }

    #[test]
    fn no_mean_is_surer_than_what_all_deliveries_share(values in any_values()) {
        for summary in session(&values).summaries {
            let spread = summary.spread.unwrap();
            if let (Some(doubt), Some(mean_sd)) = (spread.measurement_sd, spread.mean_sd) {
                prop_assert!(mean_sd >= COMMON_SHARE.sqrt() * doubt - 1e-12);
            }
            prop_assert!(spread.min <= spread.median && spread.median <= spread.max);
            prop_assert!(spread.min - 1e-9 <= spread.mean && spread.mean <= spread.max + 1e-9);
            if let (Some(own), Some(sd)) = (spread.athlete_sd_at_least, spread.sd) {
                prop_assert!(own <= sd);
            }
        }
    }

    #[test]
    fn the_one_far_away_is_named_with_its_figure(n in FEWEST_FOR_OUTLIERS..20, seed in 0..1000u64) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        // Evenly spread, so that no other stands out by chance.
        let mut values: Vec<Vec<_>> = (0..n)
            .map(|i| (0..3).map(|k| (f64::from(k) * 10.0 + i as f64 / n as f64, Some(0.2))).collect())
            .collect();
        values.shuffle(&mut random);
        let (delivery, figure) = (random.random_range(0..n), random.random_range(0..3));
        values[delivery][figure].0 += 40.0;
        let session = session(&values);
        let named: Vec<_> = session.outliers.iter().map(|o| (o.delivery, o.id.clone())).collect();
        prop_assert_eq!(named, vec![(delivery, format!("x{figure}_deg"))]);
        prop_assert!(session.outliers[0].modified_z > 0.0);
    }
}
