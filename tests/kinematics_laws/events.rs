//! The four events on a motion whose event times are known in closed form.

use std::f64::consts::PI;

use nalgebra::Vector3;
use twinmound::kinematics::{EventName, Options, measure};
use twinmound::skeleton::Joint::{self, *};
use twinmound::trajectory::Trajectory;

use super::motions::{Delivery, Path3, at_240_hz, right_hander, sampled, standing};

const KNEE_LIFT_S: f64 = 0.601_3;
const FOOT_FASTEST_S: f64 = 1.25;
const FOOT_PERIOD_S: f64 = 0.4;
const LAYBACK_S: f64 = 1.465_7;
const HAND_FASTEST_S: f64 = 1.502_2;

/// A distance gone at speed v (1 + cos(2 pi (t - at) / period)) / 2 within one period about `at`.
fn gone(t: f64, at: f64, period: f64, v: f64) -> [f64; 3] {
    let w = 2.0 * PI / period;
    let u = (t - at).clamp(-period / 2.0, period / 2.0);
    [
        0.5 * v * (u + (w * u).sin() / w),
        0.5 * v * (1.0 + (w * u).cos()),
        -0.5 * v * w * (w * u).sin(),
    ]
}

/// Simple paths: the lead foot slides, its knee rises and falls, the forearm turns back and forth, the hand passes.
fn path(joint: Joint, t: f64) -> Path3 {
    let at = standing(joint);
    let moving = |axis: Vector3<f64>, s: [f64; 3]| [at + axis * s[0], axis * s[1], axis * s[2]];
    match joint {
        LeftHeel | LeftBigToe | LeftSmallToe => {
            moving(Vector3::x(), gone(t, FOOT_FASTEST_S, FOOT_PERIOD_S, 6.0))
        }
        LeftKnee => {
            let w = 2.0 * PI / 1.4;
            let a = w * (t - KNEE_LIFT_S);
            moving(
                Vector3::y(),
                [0.3 * a.cos(), -0.3 * w * a.sin(), -0.3 * w * w * a.cos()],
            )
        }
        RightWrist => {
            // About the upper arm, which points to +z: 0 forward (+x), 90 up (+y).
            let w = 2.0 * PI / 0.5;
            let a = w * (t - LAYBACK_S);
            let (turn, rate, bend) = (1.7 + 1.2 * a.cos(), -1.2 * w * a.sin(), -1.2 * w * w * a.cos());
            let (out, along) = (
                Vector3::new(turn.cos(), turn.sin(), 0.0) * 0.26,
                Vector3::new(-turn.sin(), turn.cos(), 0.0) * 0.26,
            );
            [
                standing(RightElbow) + out,
                along * rate,
                along * bend - out * rate * rate,
            ]
        }
        RightKnuckle => moving(Vector3::x(), gone(t, HAND_FASTEST_S, 0.3, 25.0)),
        _ => [at, Vector3::zeros(), Vector3::zeros()],
    }
}

fn motion() -> Trajectory {
    sampled(at_240_hz(420), |joint, t| Some(path(joint, t)))
}

/// The foot's speed falls to 30 % where 1 + cos = 0.6.
fn contact_s() -> f64 {
    FOOT_FASTEST_S + FOOT_PERIOD_S * (-0.4_f64).acos() / (2.0 * PI)
}

#[test]
fn events_of_sinusoidal_paths_are_found_within_a_tenth_of_a_millisecond() {
    let measures = measure(&motion(), &right_hander(), &Options::without_doubt());
    let expected = [KNEE_LIFT_S, contact_s(), LAYBACK_S, HAND_FASTEST_S + 0.003];
    for (event, expected_s) in EventName::ALL.into_iter().zip(expected) {
        let found = measures.events[event].as_ref().unwrap().time_s.0;
        assert!(
            (found - expected_s).abs() < 1e-4,
            "{event}: {found} against {expected_s}"
        );
    }
    assert!(
        measures
            .warnings
            .iter()
            .any(|w| w.code == "release_from_hand_speed")
    );
    let release = measures.events[EventName::BallRelease].as_ref().unwrap();
    assert!(
        release.sd_s.unwrap().0 >= 0.003,
        "a release from the hand alone is doubtful"
    );
}

#[test]
fn a_foot_that_never_stands_has_no_contact_and_its_metrics_say_so() {
    let trajectory = sampled(at_240_hz(420), |joint, t| {
        Some(match joint {
            LeftHeel | LeftBigToe | LeftSmallToe => {
                let v = Vector3::new(5.0, 0.0, 0.0);
                [standing(joint) + v * t, v, Vector3::zeros()]
            }
            _ => path(joint, t),
        })
    });
    let measures = measure(&trajectory, &right_hander(), &Options::without_doubt());
    let why = measures.events[EventName::FootContact]
        .as_ref()
        .unwrap_err()
        .to_string();
    assert!(why.contains("does not come to stand"), "{why}");
    let stride = measures.metric("stride_length_pct_height").unwrap();
    assert!(
        stride
            .reason
            .as_ref()
            .unwrap()
            .contains("foot contact was not found")
    );
}

#[test]
fn a_brief_pause_of_the_foot_before_it_moves_on_is_no_contact() {
    // A second, smaller slide after the first: contact is the last fall below 30 % of the largest speed.
    let trajectory = sampled(at_240_hz(420), |joint, t| {
        Some(match joint {
            LeftHeel | LeftBigToe | LeftSmallToe => {
                let (first, second) = (gone(t, 1.1, 0.2, 6.0), gone(t, 1.33, 0.2, 3.0));
                [0, 1, 2].map(|i| {
                    let moved = Vector3::x() * (first[i] + second[i]);
                    if i == 0 { standing(joint) + moved } else { moved }
                })
            }
            _ => path(joint, t),
        })
    });
    let measures = measure(&trajectory, &right_hander(), &Options::without_doubt());
    // 30 % of 6 m/s is 60 % of 3 m/s: 1 + cos = 1.2.
    let expected_s = 1.33 + 0.2 * 0.2_f64.acos() / (2.0 * PI);
    let found = measures.events[EventName::FootContact].as_ref().unwrap().time_s.0;
    assert!((found - expected_s).abs() < 1e-4, "{found} against {expected_s}");
}

#[test]
fn events_of_the_made_up_delivery_agree_with_the_second_implementation() {
    let delivery = Delivery::load();
    let measures = measure(&delivery.trajectory(), &right_hander(), &Options::without_doubt());
    for (event, expected_s) in EventName::ALL.into_iter().zip(delivery.events()) {
        let found = measures.events[event].as_ref().unwrap().time_s.0;
        assert!(
            (found - expected_s).abs() < 1e-4,
            "{event}: {found} against {expected_s}"
        );
    }
}

#[test]
fn further_instants_are_those_of_the_closed_forms_and_of_the_second_implementation() {
    let time_of = |measures: &twinmound::kinematics::DeliveryMeasures, name: &str| {
        measures
            .landmarks
            .iter()
            .find(|l| l.name == name)
            .and_then(|l| l.event.as_ref().ok())
            .map(|event| event.time_s.0)
    };
    let measures = measure(&motion(), &right_hander(), &Options::without_doubt());
    // The hand falls to a fifth of its largest speed where 1 + cos = 0.4.
    let expected_s = HAND_FASTEST_S + 0.3 * (-0.6_f64).acos() / (2.0 * PI);
    let found = time_of(&measures, "end_of_follow_through").unwrap();
    assert!((found - expected_s).abs() < 1e-4, "{found} against {expected_s}");
    assert_eq!(
        time_of(&measures, "start_of_forward_movement"),
        None,
        "this body stands"
    );
    let stood = &measures.landmarks[0];
    assert_eq!(stood.name, "start_of_forward_movement");
    assert!(stood.event.is_err(), "and says why");

    let delivery = Delivery::load();
    let measures = measure(&delivery.trajectory(), &right_hander(), &Options::without_doubt());
    let expected = |id: &str| delivery.events()[1] - delivery.metrics().iter().find(|m| m.0 == id).unwrap().1;
    for (name, id) in [
        (
            "pelvis_rotation_onset",
            "pelvis_rotation_onset_before_foot_contact_s",
        ),
        ("drive_heel_lift", "drive_heel_lift_before_foot_contact_s"),
    ] {
        let found = time_of(&measures, name).unwrap();
        assert!(
            (found - expected(id)).abs() < 1e-4,
            "{name}: {found} against {}",
            expected(id)
        );
    }
    let order = [
        "start_of_forward_movement",
        "pelvis_rotation_onset",
        "trunk_rotation_onset",
    ];
    let times = order.map(|name| time_of(&measures, name).unwrap());
    assert!(times.is_sorted(), "{times:?}");
}
