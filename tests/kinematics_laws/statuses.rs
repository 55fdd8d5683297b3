//! Statuses and reasons: the list of metrics, special cases, missing joints.

use std::collections::BTreeSet;

use nalgebra::Vector3;
use proptest::prelude::*;
use twinmound::ball::{BallFlight, FlightState};
use twinmound::kinematics::{
    Athlete, DeliveryMeasures, Event, EventName, Options, catalogue, catalogue_markdown, measure,
};
use twinmound::quality::Status;
use twinmound::skeleton::{JOINT_COUNT, Joint, Side};
use twinmound::trajectory::Trajectory;
use twinmound::units::Seconds;

use super::motions::{Delivery, events_at, right_hander, standing, still, with_sd};

/// The metric ids other programs rely on.
const IDS: &str = "
stride_length_pct_height stride_direction_deg lead_foot_angle_at_foot_contact_deg
lead_knee_flexion_at_foot_contact_deg lead_knee_flexion_at_ball_release_deg
lead_knee_extension_foot_contact_to_release_deg peak_lead_knee_extension_speed_deg_s
drive_knee_flexion_at_peak_knee_lift_deg drive_hip_abduction_at_foot_contact_deg
drive_hip_rotation_at_foot_contact_deg drive_heel_lift_before_foot_contact_s
drive_knee_drop_to_arm_raise_delay_s pelvis_rotation_onset_before_foot_contact_s
pelvis_rotation_at_foot_contact_deg trunk_rotation_at_foot_contact_deg
hip_shoulder_separation_at_foot_contact_deg max_hip_shoulder_separation_deg
pelvis_contralateral_tilt_at_X_deg trunk_contralateral_tilt_at_X_deg shoulder_line_tilt_at_X_deg
trunk_forward_tilt_at_X_deg elbow_flexion_at_X_deg
trunk_lean_seen_from_target_at_max_external_rotation_deg trunk_lean_seen_from_target_at_ball_release_deg
trunk_tilt_toward_target_at_max_external_rotation_deg trunk_tilt_toward_target_at_ball_release_deg
shoulder_abduction_at_foot_contact_deg shoulder_abduction_at_ball_release_deg
shoulder_horizontal_abduction_at_foot_contact_deg shoulder_external_rotation_at_foot_contact_deg
max_shoulder_external_rotation_deg arm_slot_at_ball_release_deg peak_pelvis_rotation_speed_deg_s
peak_trunk_rotation_speed_deg_s peak_glove_arm_rotation_speed_deg_s peak_elbow_extension_speed_deg_s
peak_shoulder_internal_rotation_speed_deg_s peak_pelvis_forward_speed_m_s peak_hand_speed_m_s
pelvis_to_trunk_peak_delay_s glove_arm_peak_to_foot_contact_s foot_contact_to_ball_release_s
pelvis_travel_before_rotation_pct_height pelvis_travel_by_foot_contact_pct_height
pelvis_drop_before_rotation_pct_height ball_speed_m_s
release_height_pct_height release_extension_pct_height release_side_m
peak_lower_body_kinetic_energy_j peak_trunk_kinetic_energy_j peak_throwing_arm_kinetic_energy_j
peak_lower_body_kinetic_energy_j_kg peak_trunk_kinetic_energy_j_kg peak_throwing_arm_kinetic_energy_j_kg
trunk_to_arm_energy_peak_delay_s linear_share_of_kinetic_energy_at_foot_contact_pct";

#[test]
fn the_catalogue_holds_exactly_the_promised_metrics() {
    let mut expected = BTreeSet::new();
    for id in IDS.split_whitespace() {
        if id.contains("_X_") {
            for event in ["foot_contact", "max_external_rotation", "ball_release"] {
                assert!(expected.insert(id.replace("_X_", &format!("_{event}_"))));
            }
        } else {
            assert!(expected.insert(id.to_owned()));
        }
    }
    let ids: Vec<&str> = catalogue().map(|d| d.id).collect();
    let got: BTreeSet<String> = ids.iter().map(|id| (*id).to_owned()).collect();
    assert_eq!(ids.len(), got.len(), "an id stands twice");
    assert_eq!(got, expected);
    for definition in catalogue() {
        let id = definition.id;
        assert!(
            !definition.sentence.is_empty()
                && !definition.zero_and_sign.is_empty()
                && !definition.source.is_empty()
        );
        let unit = definition.unit.symbol();
        let suffix = match unit {
            "deg" => "_deg",
            "deg/s" => "_deg_s",
            "m/s" => "_m_s",
            "m" => "_m",
            "s" => "_s",
            "%" => {
                if id.ends_with("_pct") {
                    "_pct"
                } else {
                    "_pct_height"
                }
            }
            "J" => "_j",
            _ => "_j_kg",
        };
        assert!(id.ends_with(suffix), "{id} in {unit}");
        if let Some((_, event)) = id.rsplit_once("_at_") {
            assert!(event.starts_with(definition.event.unwrap().id()), "{id}");
        }
        assert!(catalogue_markdown().contains(id));
    }
}

fn status(measures: &DeliveryMeasures, id: &str) -> (Status, String) {
    let metric = measures.metric(id).unwrap();
    (metric.status, metric.reason.clone().unwrap_or_default())
}

fn at_events(trajectory: &Trajectory, athlete: &Athlete) -> DeliveryMeasures {
    let options = Options {
        events: Some(events_at([0.2, 0.5, 0.6, 0.7])),
        ..Options::without_doubt()
    };
    measure(trajectory, athlete, &options)
}

#[test]
fn a_straight_knee_hides_the_thighs_rotation_but_not_its_abduction() {
    let hip = standing(Joint::RightHip);
    let down = Vector3::new(0.0, -0.43, 0.02);
    let bent = |deg: f64| {
        hip + down + nalgebra::Rotation3::from_scaled_axis(Vector3::z() * -deg.to_radians()) * down
    };
    for (deg, measurable) in [(19.0, false), (21.0, true)] {
        let moved = [(Joint::RightKnee, hip + down), (Joint::RightAnkle, bent(deg))];
        let measures = at_events(&still(&moved), &right_hander());
        let (status, reason) = status(&measures, "drive_hip_rotation_at_foot_contact_deg");
        assert_eq!(status == Status::Measured, measurable, "{reason}");
        let abduction = measures
            .metric("drive_hip_abduction_at_foot_contact_deg")
            .unwrap();
        assert_eq!(abduction.status, Status::Measured);
    }
}

#[test]
fn an_arm_along_the_trunk_has_no_horizontal_abduction_and_a_straight_elbow_makes_rotation_doubtful() {
    let shoulder = standing(Joint::RightShoulder);
    for (deg, measurable) in [(25.0_f64, false), (35.0, true), (145.0, true), (155.0, false)] {
        let arm = Vector3::new(0.0, -deg.to_radians().cos(), deg.to_radians().sin()) * 0.3;
        let measures = at_events(&still(&[(Joint::RightElbow, shoulder + arm)]), &right_hander());
        let (status, _) = status(&measures, "shoulder_horizontal_abduction_at_foot_contact_deg");
        assert_eq!(status == Status::Measured, measurable, "{deg}");
    }
    let elbow = standing(Joint::RightElbow);
    for (deg, expected) in [(25.0_f64, Status::Doubtful), (35.0, Status::Measured)] {
        let forearm = Vector3::new(deg.to_radians().sin(), 0.0, deg.to_radians().cos()) * 0.26;
        let measures = at_events(&still(&[(Joint::RightWrist, elbow + forearm)]), &right_hander());
        let (status, reason) = status(&measures, "shoulder_external_rotation_at_foot_contact_deg");
        assert_eq!(status, expected, "{deg}: {reason}");
    }
}

#[test]
fn unknown_height_mass_ball_and_world_are_said() {
    let delivery = Delivery::load();
    let mut trajectory = delivery.trajectory();
    let nobody = Athlete {
        throws: right_hander().throws,
        ..Athlete::default()
    };
    let measures = measure(&trajectory, &nobody, &Options::without_doubt());
    let (stride, reason) = status(&measures, "stride_length_pct_height");
    assert_eq!(stride, Status::Doubtful);
    assert!(reason.contains("height"), "{reason}");
    // The made-up body is 1.85 m tall within what proportions of people allow.
    assert!(
        (measures.height_m.unwrap() - 1.85).abs() < 0.15,
        "{:?}",
        measures.height_m
    );
    let joules = measures.metric("peak_trunk_kinetic_energy_j").unwrap();
    assert_eq!(
        (joules.value, joules.reason.as_deref()),
        (None, Some("mass unknown"))
    );
    assert!(
        measures
            .metric("peak_trunk_kinetic_energy_j_kg")
            .unwrap()
            .value
            .is_some()
    );
    assert_eq!(status(&measures, "ball_speed_m_s").0, Status::NotMeasurable);

    let state = |speed_m_s: f64| FlightState {
        position_m: Vector3::new(1.7, 1.75, 0.6),
        velocity_m_s: Vector3::x() * speed_m_s,
        acceleration_m_s2: Vector3::zeros(),
    };
    let ball = BallFlight {
        // Versions whose speeds deviate by 0.4 m/s.
        versions: (0..60)
            .map(|i| state(38.0 + if i % 2 == 0 { 0.4 } else { -0.4 }))
            .collect(),
        ..BallFlight::exact(Seconds(1.446), state(38.0))
    };
    let release = Event {
        time_s: Seconds(1.446),
        sd_s: Some(Seconds(0.001)),
    };
    let options = Options {
        ball: Ok(ball),
        release: Some(release),
        draws: 60,
        ..Options::default()
    };
    let seen = measure(&with_sd(trajectory.clone(), 0.005), &right_hander(), &options);
    let speed = seen.metric("ball_speed_m_s").unwrap();
    assert_eq!((speed.value, speed.status), (Some(38.0), Status::Measured));
    assert!((speed.sd.unwrap() - 0.4).abs() < 0.15, "{:?}", speed.sd);
    assert_eq!(seen.metric("release_side_m").unwrap().value, Some(0.6));
    assert_eq!(seen.events[EventName::BallRelease], Ok(release));
    assert!(seen.warnings.iter().all(|w| w.code != "release_from_hand_speed"));

    trajectory.world_known = false;
    let measures = measure(&trajectory, &right_hander(), &Options::without_doubt());
    for definition in catalogue() {
        let (status, reason) = status(&measures, definition.id);
        if definition.needs_world {
            assert_eq!(status, Status::NotMeasurable, "{}", definition.id);
            assert!(reason.contains("world"), "{}: {reason}", definition.id);
        }
    }
    for id in [
        "elbow_flexion_at_foot_contact_deg",
        "max_shoulder_external_rotation_deg",
        "peak_trunk_rotation_speed_deg_s",
        "peak_hand_speed_m_s",
        "foot_contact_to_ball_release_s",
    ] {
        assert_eq!(status(&measures, id).0, Status::Measured, "{id}");
    }
}

#[test]
fn given_events_are_used_and_absent_ones_stay_absent() {
    let trajectory = Delivery::load().trajectory();
    let mut events = events_at([0.7, 1.28, 1.42, 1.45]);
    events[EventName::PeakKneeLift] = None;
    let options = Options {
        events: Some(events),
        ..Options::without_doubt()
    };
    let measures = measure(&trajectory, &right_hander(), &options);
    assert_eq!(
        measures.events[EventName::FootContact].as_ref().unwrap().time_s,
        Seconds(1.28)
    );
    assert!(measures.events[EventName::PeakKneeLift].is_err());
    assert_eq!(
        status(&measures, "stride_length_pct_height").0,
        Status::NotMeasurable
    );
    assert_eq!(
        status(&measures, "elbow_flexion_at_foot_contact_deg").0,
        Status::Measured
    );
}

#[test]
fn a_missing_small_toe_is_worked_around_and_said() {
    let mut trajectory = Delivery::load().trajectory();
    trajectory.joints[Joint::LeftSmallToe]
        .iter_mut()
        .for_each(|s| *s = None);
    let measures = measure(&trajectory, &right_hander(), &Options::without_doubt());
    assert!(measures.events[EventName::FootContact].is_ok());
    let warning = measures
        .warnings
        .iter()
        .find(|w| w.code == "foot_contact_from_fewer_points")
        .unwrap();
    assert!(
        warning.text.contains("left_heel and left_big_toe"),
        "{}",
        warning.text
    );
}

/// Every value has a status that fits, every missing one a reason.
fn assert_consistent(measures: &DeliveryMeasures) {
    for metric in &measures.metrics {
        match metric.status {
            Status::Measured => assert!(metric.value.is_some() && metric.reason.is_none(), "{metric:?}"),
            Status::Doubtful => assert!(metric.value.is_some() && metric.reason.is_some(), "{metric:?}"),
            Status::NotMeasurable => assert!(metric.value.is_none() && metric.reason.is_some(), "{metric:?}"),
        }
        for number in [metric.value, metric.sd].into_iter().flatten() {
            assert!(number.is_finite(), "{metric:?}");
        }
        assert!(metric.sd.is_none_or(|sd| sd >= 0.0), "{metric:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn missing_joints_and_short_recordings_never_panic(
        lost in prop::collection::vec((0..JOINT_COUNT, 0..400_usize, 1..300_usize), 0..12),
        from in 0..400_usize,
        length in 0..409_usize,
        collapsed in prop::option::of(0..JOINT_COUNT),
        given in any::<bool>(),
    ) {
        let mut trajectory = with_sd(Delivery::load().trajectory(), 0.005);
        for (joint, start, count) in lost {
            for state in trajectory.joints.0[joint].iter_mut().skip(start).take(count) {
                *state = None;
            }
        }
        if let Some(joint) = collapsed {
            // A joint on top of its neighbour in the list.
            trajectory.joints.0[joint] = trajectory.joints.0[(joint + 1) % JOINT_COUNT].clone();
        }
        let end = (from + length).min(trajectory.times.len());
        trajectory.times = trajectory.times[from.min(end)..end].to_vec();
        for states in &mut trajectory.joints.0 {
            *states = states[from.min(end)..end].to_vec();
        }
        let options = Options {
            draws: 3,
            events: given.then(|| events_at([0.75, 1.29, 1.42, 1.45])),
            ..Options::default()
        };
        assert_consistent(&measure(&trajectory, &Athlete::default(), &options));
    }
}

/// A delivery whose right hand is the faster, said to be a left-hander's.
#[test]
fn a_throwing_hand_that_is_the_slower_one_is_asked_about() {
    let trajectory = Delivery::load().trajectory();
    let asked = |throws| {
        let athlete = Athlete {
            throws: Some(throws),
            ..right_hander()
        };
        let measures = measure(&trajectory, &athlete, &Options::without_doubt());
        measures
            .warnings
            .iter()
            .any(|w| w.code == "other_hand_faster" && w.hint.contains("--throws right"))
    };
    assert!(asked(Side::Left));
    assert!(!asked(Side::Right));
}

/// The direction of the throw is checked against the hand's path.
#[test]
fn a_throw_to_another_place_than_the_target_is_said() {
    let warned = |turn_deg: f64, throws: Side| {
        let mut trajectory = Delivery::load().trajectory();
        if throws == Side::Left {
            trajectory = super::motions::mirrored(&trajectory);
        }
        let turn = nalgebra::Rotation3::from_scaled_axis(nalgebra::Vector3::y() * f64::to_radians(turn_deg));
        for state in trajectory.joints.0.iter_mut().flatten().flatten() {
            state.position_m = turn * state.position_m;
            state.velocity_m_s = turn * state.velocity_m_s;
            state.acceleration_m_s2 = turn * state.acceleration_m_s2;
        }
        let athlete = Athlete {
            throws: Some(throws),
            ..right_hander()
        };
        let measures = measure(&trajectory, &athlete, &Options::without_doubt());
        let warning = measures
            .warnings
            .into_iter()
            .find(|w| w.code == "throw_not_toward_target");
        warning.map(|w| w.text)
    };
    assert_eq!(warned(0.0, Side::Right), None);
    // A turn from x to z about y is negative; z is a right-hander's throwing side.
    assert!(warned(-60.0, Side::Right).unwrap().contains("throwing-arm side"));
    assert!(warned(60.0, Side::Right).unwrap().contains("glove side"));
    assert!(warned(-60.0, Side::Left).unwrap().contains("glove side"));
    assert!(warned(180.0, Side::Left).is_some());
}

/// Adults' segment parameters on a growing body: said, and more doubtful; speeds and angles are not.
#[test]
fn a_young_bodys_energies_are_more_doubtful() {
    let trajectory = with_sd(Delivery::load().trajectory(), 0.002);
    let of = |height_m: f64| {
        let athlete = Athlete {
            height_m: Some(height_m),
            ..right_hander()
        };
        measure(&trajectory, &athlete, &Options::default())
    };
    let (young, grown) = (of(1.50), of(1.80));
    let sd = |m: &DeliveryMeasures, id: &str| m.metric(id).unwrap().sd.unwrap();
    // The share divides one energy by another: the segments' masses hardly matter to it.
    for (id, wider) in [
        ("peak_trunk_kinetic_energy_j_kg", 1.5),
        ("peak_throwing_arm_kinetic_energy_j_kg", 1.5),
        ("linear_share_of_kinetic_energy_at_foot_contact_pct", 0.7),
    ] {
        let (young, grown) = (young.metric(id).unwrap(), grown.metric(id).unwrap());
        assert_eq!(young.status, Status::Doubtful, "{id}");
        assert_eq!(young.value, grown.value, "{id}");
        let ratio = young.sd.unwrap() / grown.sd.unwrap();
        assert!(ratio > wider, "{id}: {ratio}");
    }
    let reason = young
        .metric("peak_trunk_kinetic_energy_j_kg")
        .unwrap()
        .reason
        .as_ref()
        .unwrap();
    assert!(reason.contains("1.50 m"), "{reason}");
    let hand = "peak_hand_speed_m_s";
    assert_eq!(
        young.metric(hand).unwrap().status,
        grown.metric(hand).unwrap().status
    );
    assert!((sd(&young, hand) / sd(&grown, hand) - 1.0).abs() < 0.3);
}
