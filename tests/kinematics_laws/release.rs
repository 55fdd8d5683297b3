//! Release where a ball's flight meets the hand.

use nalgebra::Vector3;
use twinmound::ball::{BallFlight, FlightState, Unseen};
use twinmound::kinematics::{Athlete, DeliveryMeasures, EventName, Options, measure};
use twinmound::skeleton::{Joint, Side};
use twinmound::trajectory::Trajectory;
use twinmound::units::Seconds;

use super::motions::{at_240_hz, mirrored, right_hander, sampled, standing, with_sd};

/// The hand is fastest then, seconds, at this speed, metres per second; half its speed this long before and after.
const FASTEST_S: f64 = 1.2;
const FASTEST_M_S: f64 = 28.0;
const HALF_S: f64 = 0.05;

/// Way, speed and its rate of the throwing hand along x: a bell-shaped speed.
fn hand(t: f64) -> [f64; 3] {
    let width = HALF_S / (2.0 * 2.0_f64.ln()).sqrt();
    let u = (t - FASTEST_S) / width;
    let speed = FASTEST_M_S * (-0.5 * u * u).exp();
    // Simpson's rule on a fine grid: the way has no closed form.
    let steps = 400;
    let h = (t - FASTEST_S) / f64::from(steps);
    let at = |i: i32| FASTEST_M_S * (-0.5 * (f64::from(i) * h / width).powi(2)).exp();
    let inner: f64 = (1..steps)
        .map(|i| at(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
        .sum();
    [(at(0) + inner + at(steps)) * h / 3.0, speed, -speed * u / width]
}

fn throwing() -> Trajectory {
    sampled(at_240_hz(420), |joint, t| {
        let at = standing(joint);
        Some(match joint {
            Joint::RightKnuckle | Joint::RightWrist => {
                let [way, speed, rate] = hand(t);
                [at + Vector3::x() * way, Vector3::x() * speed, Vector3::x() * rate]
            }
            _ => [at, Vector3::zeros(), Vector3::zeros()],
        })
    })
}

/// A ball that is 0.85 hand lengths off the knuckle at `release_s` and then moves straight away from it.
fn ball(release_s: f64) -> BallFlight {
    let away = Vector3::new(8.0, 4.0, 8.0);
    let hand_m = (standing(Joint::RightKnuckle) - standing(Joint::RightWrist)).norm();
    let [way, speed, _] = hand(release_s);
    let knuckle = standing(Joint::RightKnuckle) + Vector3::x() * way;
    let velocity_m_s = Vector3::x() * speed + away;
    let state = FlightState {
        position_m: knuckle + away.normalize() * (0.85 * hand_m),
        velocity_m_s,
        acceleration_m_s2: Vector3::zeros(),
    };
    // Its epoch is not release.
    let epoch_s = release_s + 0.004;
    BallFlight::exact(
        Seconds(epoch_s),
        FlightState {
            position_m: state.position_at(0.004),
            ..state
        },
    )
}

fn measured(
    trajectory: &Trajectory,
    athlete: &Athlete,
    ball: Result<BallFlight, Unseen>,
) -> DeliveryMeasures {
    measure(
        trajectory,
        athlete,
        &Options {
            ball,
            ..Options::default()
        },
    )
}

fn release_s(measures: &DeliveryMeasures) -> f64 {
    measures.events[EventName::BallRelease].as_ref().unwrap().time_s.0
}

#[test]
fn release_is_where_the_path_meets_the_hand() {
    // At the usual time after the hand's fastest instant, and early and late.
    for (late_s, within_s) in [(0.003, 1e-4), (-0.002, 1e-3), (0.008, 1e-3)] {
        let truth_s = FASTEST_S + late_s;
        let flight = ball(truth_s);
        let measures = measured(&throwing(), &right_hander(), Ok(flight.clone()));
        let found_s = release_s(&measures);
        assert!(
            (found_s - truth_s).abs() < within_s,
            "{found_s} against {truth_s}"
        );
        let value = |id: &str| measures.metric(id).unwrap().value.unwrap();
        let speed = flight.state.velocity_m_s.norm();
        assert!((value("ball_speed_m_s") - speed).abs() < 1e-9);
        let place = flight.state.position_at(found_s - flight.epoch.0);
        assert!((value("release_side_m") - place.z).abs() < 1e-9);
        assert!((value("release_height_pct_height") - 100.0 * place.y / 1.85).abs() < 1e-9);
        assert!(
            measures
                .warnings
                .iter()
                .all(|w| w.code != "release_from_hand_speed")
        );
    }
}

#[test]
fn a_left_handers_ball_is_the_mirror_of_a_right_handers() {
    let flight = ball(FASTEST_S + 0.004);
    let right = measured(&throwing(), &right_hander(), Ok(flight.clone()));
    let left_hander = Athlete {
        throws: Some(Side::Left),
        ..right_hander()
    };
    let flipped = flight.mapped(|v| Vector3::new(v.x, v.y, -v.z));
    let left = measured(&mirrored(&throwing()), &left_hander, Ok(flipped));
    assert!((release_s(&right) - release_s(&left)).abs() < 1e-12);
    for id in ["ball_speed_m_s", "release_side_m", "release_extension_pct_height"] {
        let (a, b) = (right.metric(id).unwrap(), left.metric(id).unwrap());
        assert!((a.value.unwrap() - b.value.unwrap()).abs() < 1e-9, "{id}");
    }
}

#[test]
fn a_knuckle_less_well_known_makes_release_less_sure() {
    let sd_s = |sd_m: f64| {
        let flight = ball(FASTEST_S + 0.003);
        let measures = measured(&with_sd(throwing(), sd_m), &right_hander(), Ok(flight));
        let event = measures.events[EventName::BallRelease].clone().unwrap();
        event.sd_s.unwrap().0
    };
    let (sure, unsure) = (sd_s(0.005), sd_s(0.03));
    assert!(
        sure > 0.0005 && sure < unsure && unsure < 0.006,
        "{sure} {unsure}"
    );
}

#[test]
fn a_ball_that_was_not_seen_leaves_its_reason_where_it_is_missed() {
    let why = Unseen::TooFewFrames {
        left: 7,
        right: 1,
        needed: 3,
    };
    let measures = measured(&throwing(), &right_hander(), Err(why));
    assert!((release_s(&measures) - FASTEST_S - 0.003).abs() < 1e-4);
    let speed = measures.metric("ball_speed_m_s").unwrap();
    let reason = speed.reason.as_deref().unwrap();
    assert!(
        speed.value.is_none() && reason.contains("7 frames of the left phone and 1"),
        "{reason}"
    );
    let said = measures
        .warnings
        .iter()
        .find(|w| w.code == "release_from_hand_speed")
        .unwrap();
    assert!(said.text.contains("7 frames of the left phone"), "{}", said.text);
    let release = measures.events[EventName::BallRelease].clone().unwrap();
    assert!(release.sd_s.unwrap().0 >= 0.003);
}
