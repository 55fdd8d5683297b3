//! Every metric of the made-up delivery against a second implementation (`fixtures/kinematics/second_route.py`).

use twinmound::kinematics::{Options, measure};
use twinmound::quality::Status;

use super::motions::{Delivery, events_at, mirrored, right_hander, with_sd};
use twinmound::kinematics::Athlete;
use twinmound::skeleton::Side;

/// How far two implementations may be apart, by unit: angles at fixed instants almost exactly, peaks by what a
/// millisecond's grid and interpolation between frames leave.
fn tolerance(id: &str, value: f64) -> f64 {
    if id.starts_with("peak_") {
        2e-4 * value.abs()
    } else if id.ends_with("_deg") {
        1e-3
    } else if id.ends_with("_s") {
        2e-5
    } else {
        1e-4 * value.abs().max(1.0)
    }
}

#[test]
fn every_metric_agrees_with_the_second_implementation() {
    let delivery = Delivery::load();
    let options = Options {
        events: Some(events_at(delivery.events())),
        ..Options::without_doubt()
    };
    let measures = measure(&delivery.trajectory(), &right_hander(), &options);
    let expected = delivery.metrics();
    let mut worst = Vec::new();
    for (id, value) in &expected {
        let got = measures.metric(id).unwrap_or_else(|| panic!("{id} is missing"));
        let got = got.value.unwrap_or_else(|| panic!("{id}: {:?}", got.reason));
        if (got - value).abs() > tolerance(id, *value) {
            worst.push(format!("{id}: {got} against {value}"));
        }
    }
    worst.sort();
    assert!(worst.is_empty(), "{worst:#?}");
    // Only the ball's speed has no second route: there is no ball.
    assert_eq!(expected.len() + 1, measures.metrics.len());
    assert_eq!(
        measures.metric("ball_speed_m_s").unwrap().status,
        Status::NotMeasurable
    );
}

#[test]
fn found_events_give_the_same_metrics() {
    let delivery = Delivery::load();
    let measures = measure(&delivery.trajectory(), &right_hander(), &Options::without_doubt());
    for (id, value) in delivery.metrics() {
        let got = measures.metric(&id).unwrap().value.unwrap();
        // Events differ by under 0.1 ms; the fastest angle turns at 2500 degrees a second.
        let allowed = 10.0 * tolerance(&id, value) + if id.ends_with("_deg") { 0.05 } else { 0.0 };
        assert!((got - value).abs() < allowed, "{id}: {got} against {value}");
    }
}

#[test]
fn a_left_hander_gives_the_numbers_of_the_mirrored_right_hander() {
    let trajectory = with_sd(Delivery::load().trajectory(), 0.006);
    let options = Options {
        draws: 20,
        ..Options::default()
    };
    let right = measure(&trajectory, &right_hander(), &options);
    let left_hander = Athlete {
        throws: Some(Side::Left),
        ..right_hander()
    };
    let left = measure(&mirrored(&trajectory), &left_hander, &options);
    assert_eq!(right.metrics, left.metrics);
    assert_eq!(right.events, left.events);
    assert_eq!(right.curves, left.curves);
    // Not given, the hand is guessed from its speed, and said so.
    let unknown = Athlete {
        throws: None,
        ..right_hander()
    };
    let guessed = measure(&mirrored(&trajectory), &unknown, &options);
    assert_eq!(guessed.throws, Side::Left);
    assert_eq!(guessed.metrics, left.metrics);
    assert!(guessed.warnings.iter().any(|w| w.code == "throwing_hand_guessed"));
}

#[test]
fn the_sequence_lists_its_peaks_in_order_with_the_chance_of_that_order() {
    let trajectory = with_sd(Delivery::load().trajectory(), 0.003);
    let options = Options {
        draws: 40,
        ..Options::default()
    };
    let measures = measure(&trajectory, &right_hander(), &options);
    let peaks = &measures.sequence.peaks;
    assert_eq!(peaks.len(), 5);
    assert!(peaks.is_sorted_by(|a, b| a.time_s <= b.time_s));
    assert_eq!((peaks[0].segment, peaks[1].segment), ("pelvis", "trunk"));
    let pelvis = measures
        .metric("peak_pelvis_rotation_speed_deg_s")
        .unwrap()
        .value
        .unwrap();
    assert!((peaks[0].speed_deg_s - pelvis).abs() < 1e-9);
    let probability = measures.sequence.order_probability.unwrap();
    assert!((0.05..=1.0).contains(&probability), "{probability}");
    let exact = measure(
        &Delivery::load().trajectory(),
        &right_hander(),
        &Options::without_doubt(),
    );
    assert_eq!(exact.sequence.order_probability, None);
}
