//! Speeds by the second route: a Butterworth filter of known response, beside the first route's figures.

use nalgebra::Vector3;
use twinmound::kinematics::{Options, SecondRoute, measure};
use twinmound::skeleton::{Joint, PerJoint};

use super::motions::{Delivery, at_240_hz, events_at, mirrored, right_hander, sampled, standing};

fn with_cutoff(cutoff_hz: f64) -> Options {
    Options {
        events: Some(events_at([0.5, 1.0, 1.2, 1.5])),
        second_route: Some(SecondRoute {
            cutoff_hz,
            measured: None,
        }),
        ..Options::without_doubt()
    }
}

/// A hand that swings to and fro at the cut-off keeps 71 % of its speed.
#[test]
fn a_swing_at_the_cut_off_keeps_71_percent() {
    let (frequency_hz, reach_m) = (6.0, 0.1);
    let omega = std::f64::consts::TAU * frequency_hz;
    let trajectory = sampled(at_240_hz(600), |joint, t| {
        let (s, c) = (omega * t).sin_cos();
        let swing = if joint == Joint::RightKnuckle {
            reach_m
        } else {
            0.0
        };
        Some([
            standing(joint) + Vector3::x() * (swing * s),
            Vector3::x() * (swing * omega * c),
            Vector3::x() * (-swing * omega * omega * s),
        ])
    });
    let measures = measure(&trajectory, &right_hander(), &with_cutoff(frequency_hz));
    let second = measures.second_opinion.unwrap();
    let figure = second
        .metrics
        .iter()
        .find(|m| m.id == "peak_hand_speed_m_s")
        .unwrap();
    let expected = reach_m * omega * 0.5f64.sqrt();
    let got = figure.value.clone().unwrap();
    assert!((got / expected - 1.0).abs() < 1e-3, "{got} against {expected}");
    let first = measures
        .metrics
        .iter()
        .find(|m| m.id == "peak_hand_speed_m_s")
        .unwrap();
    assert!(
        (first.value.unwrap() / (reach_m * omega) - 1.0).abs() < 1e-4,
        "the first stays"
    );
    let curve = measures
        .curves
        .iter()
        .find(|c| c.id == "butterworth_hand_speed_m_s")
        .unwrap();
    let top = curve.values[240..360]
        .iter()
        .flatten()
        .fold(0.0_f64, |m, v| m.max(*v));
    assert!((top / expected - 1.0).abs() < 1e-2, "{top}");
}

/// A high cut-off changes nothing; a low one takes from the peaks; all speeds are there, and nothing but speeds.
#[test]
fn the_second_route_reports_every_speed_beside_the_first() {
    let trajectory = Delivery::load().trajectory();
    let run = |cutoff_hz: f64| {
        let options = Options {
            second_route: Some(SecondRoute {
                cutoff_hz,
                measured: None,
            }),
            ..Options::without_doubt()
        };
        measure(&trajectory, &right_hander(), &options)
    };
    let (high, low) = (run(90.0), run(8.0));
    let plain = measure(&trajectory, &right_hander(), &Options::without_doubt());
    assert_eq!(plain.metrics, low.metrics, "never in place of the first route's");
    assert_eq!(plain.second_opinion, None);
    let value = |m: &twinmound::kinematics::DeliveryMeasures, id: &str| {
        let second = m.second_opinion.as_ref().unwrap();
        second
            .metrics
            .iter()
            .find(|f| f.id == id)
            .unwrap()
            .value
            .clone()
            .unwrap()
    };
    let speeds: Vec<_> = plain
        .metrics
        .iter()
        .filter(|m| ["deg/s", "m/s"].contains(&m.unit) && m.id != "ball_speed_m_s")
        .collect();
    assert_eq!(high.second_opinion.as_ref().unwrap().metrics.len(), speeds.len());
    for metric in speeds {
        let first = metric.value.unwrap();
        assert!(
            (value(&high, metric.id) / first - 1.0).abs() < 0.02,
            "{}",
            metric.id
        );
    }
    let hand = plain.metric("peak_hand_speed_m_s").unwrap().value.unwrap();
    assert!(value(&low, "peak_hand_speed_m_s") < 0.95 * hand);
    let too_high = run(130.0);
    assert_eq!(too_high.second_opinion, None);
    assert!(too_high.warnings.iter().any(|w| w.code == "cutoff_too_high"));
}

/// What was measured is filtered, not what the smoother made of it; for a left-hander as for a right-hander.
#[test]
fn measured_positions_are_filtered_where_they_are_given() {
    let trajectory = Delivery::load().trajectory();
    // Measured positions with a hand that does not move at all.
    let still =
        |original: &twinmound::trajectory::Trajectory, hand: Joint| -> PerJoint<Vec<Option<Vector3<f64>>>> {
            PerJoint::from_fn(|joint| {
                let first = original.joints[joint][0].map(|s| s.position_m);
                let path = original.joints[joint].iter();
                path.map(|s| {
                    if joint == hand {
                        first
                    } else {
                        s.map(|s| s.position_m)
                    }
                })
                .collect()
            })
        };
    let run = |original: &twinmound::trajectory::Trajectory, throws, hand| {
        let options = Options {
            second_route: Some(SecondRoute {
                cutoff_hz: 20.0,
                measured: Some(still(original, hand)),
            }),
            ..Options::without_doubt()
        };
        let athlete = twinmound::kinematics::Athlete {
            throws: Some(throws),
            ..right_hander()
        };
        measure(original, &athlete, &options).second_opinion.unwrap()
    };
    use twinmound::skeleton::Side;
    let right = run(&trajectory, Side::Right, Joint::RightKnuckle);
    let left = run(&mirrored(&trajectory), Side::Left, Joint::LeftKnuckle);
    let hand = right
        .metrics
        .iter()
        .find(|m| m.id == "peak_hand_speed_m_s")
        .unwrap();
    assert!(hand.value.clone().unwrap() < 1e-3, "{hand:?}");
    for (a, b) in right.metrics.iter().zip(&left.metrics) {
        let (a, b) = (a.value.clone().unwrap(), b.value.clone().unwrap());
        assert!((a - b).abs() < 1e-6 * a.abs().max(1.0), "{a} {b}");
    }
}
