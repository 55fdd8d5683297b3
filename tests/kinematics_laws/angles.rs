//! Angles of still postures: worked cases that can be read off.

use nalgebra::{Rotation3, Vector3};
use twinmound::kinematics::{DeliveryMeasures, Options, measure};
use twinmound::skeleton::Joint::{self, *};

use super::motions::{events_at, right_hander, standing, still};

/// Measures a still posture, all events given.
fn posture(moved: &[(Joint, Vector3<f64>)]) -> DeliveryMeasures {
    let options = Options {
        events: Some(events_at([0.2, 0.5, 0.6, 0.7])),
        ..Options::without_doubt()
    };
    measure(&still(moved), &right_hander(), &options)
}

fn value(measures: &DeliveryMeasures, id: &str) -> f64 {
    let metric = measures.metric(id).unwrap();
    metric
        .value
        .unwrap_or_else(|| panic!("{id}: {:?}", metric.reason))
}

fn assert_deg(measures: &DeliveryMeasures, id: &str, expected_deg: f64) {
    let got = value(measures, id);
    assert!(
        (got - expected_deg).abs() < 1e-9,
        "{id}: {got}, expected {expected_deg}"
    );
}

/// Worked values of the humerus in the thorax (ISB Y-X-Y, Wu et al. 2005): R = Ry(plane) Rx(elevation) Ry(axial), the
/// upper arm along -Y, elbow bent 90 degrees with the forearm along +X. At 90 degrees of elevation the laboratories'
/// external rotation is the axial rotation with its sign changed, for any plane of elevation.
#[test]
fn shoulder_angles_follow_the_isb_rotations() {
    for (plane, elevation, axial, external, horizontal_abduction) in [
        (0.0, -90.0, 0.0, 0.0, 0.0),
        (0.0, -90.0, -90.0, 90.0, 0.0),
        (0.0, -90.0, -175.0, 175.0, 0.0),
        (30.0, -90.0, -90.0, 90.0, -30.0),
        (-20.0, -90.0, -130.0, 130.0, 20.0),
        (90.0, -90.0, 0.0, 0.0, -90.0),
    ] {
        let about = |axis: Vector3<f64>, deg: f64| Rotation3::from_scaled_axis(axis * f64::to_radians(deg));
        let humerus =
            about(Vector3::y(), plane) * about(Vector3::x(), elevation) * about(Vector3::y(), axial);
        let elbow = standing(RightShoulder) + humerus * Vector3::new(0.0, -0.3, 0.0);
        let wrist = elbow + humerus * Vector3::new(0.26, 0.0, 0.0);
        let measures = posture(&[(RightElbow, elbow), (RightWrist, wrist)]);
        assert_deg(
            &measures,
            "shoulder_external_rotation_at_foot_contact_deg",
            external,
        );
        assert_deg(
            &measures,
            "shoulder_horizontal_abduction_at_foot_contact_deg",
            horizontal_abduction,
        );
        assert_deg(&measures, "shoulder_abduction_at_foot_contact_deg", 90.0);
        assert_deg(&measures, "elbow_flexion_at_foot_contact_deg", 90.0);
    }
}

/// Random trunks and arms: SciPy's `Rotation.as_euler("YXY")` of the humerus in the thorax; recipe in
/// `fixtures/kinematics/scipy_shoulder.py`. Its second angle is the abduction; it counts from an arm that is raised to the
/// left, so that plane and axial turn are half a turn from ours.
#[test]
fn shoulder_angles_of_random_rotations_agree_with_scipy() {
    let text = include_str!("../../fixtures/kinematics/scipy_shoulder.csv");
    let mut rows = 0;
    for line in text.lines().skip(1) {
        let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
        let turn = |q: &[f64]| {
            nalgebra::UnitQuaternion::from_quaternion(nalgebra::Quaternion::new(q[3], q[0], q[1], q[2]))
        };
        let (trunk, humerus) = (turn(&v[0..4]), turn(&v[4..8]));
        let mut moved: Vec<(Joint, Vector3<f64>)> =
            Joint::ALL.iter().map(|j| (*j, trunk * standing(*j))).collect();
        let elbow = trunk * standing(RightShoulder) + humerus * Vector3::new(0.0, -0.3, 0.0);
        let wrist = elbow + humerus * Vector3::new(0.26, 0.0, 0.0);
        moved.retain(|m| !matches!(m.0, RightElbow | RightWrist));
        moved.extend([(RightElbow, elbow), (RightWrist, wrist)]);
        let measures = posture(&moved);
        let short_way = |id: &str, expected_deg: f64| {
            let off = (value(&measures, id) - expected_deg).rem_euclid(360.0);
            assert!(off.min(360.0 - off) < 1e-9, "{id}: off by {off} in {line}");
        };
        short_way(
            "shoulder_horizontal_abduction_at_foot_contact_deg",
            -(v[8] + 180.0),
        );
        short_way("shoulder_abduction_at_foot_contact_deg", v[9]);
        short_way("shoulder_external_rotation_at_foot_contact_deg", -(v[10] + 180.0));
        rows += 1;
    }
    assert_eq!(rows, 60);
}

/// Hip of the drive leg by the ISB sequence Z-X-Y (Wu et al. 2002), built from the rotations themselves.
#[test]
fn hip_angles_follow_the_isb_rotations() {
    for (flexion, adduction, internal) in [(30.0, 0.0, 0.0), (20.0, -42.0, -25.0), (50.0, 15.0, 30.0)] {
        let about = |axis: Vector3<f64>, deg: f64| Rotation3::from_scaled_axis(axis * f64::to_radians(deg));
        let femur =
            about(Vector3::z(), flexion) * about(Vector3::x(), adduction) * about(Vector3::y(), internal);
        let knee = standing(RightHip) + femur * Vector3::new(0.0, -0.43, 0.0);
        // The shank bends back about the femur's Z.
        let shank = femur * about(Vector3::z(), -60.0);
        let ankle = knee + shank * Vector3::new(0.0, -0.42, 0.0);
        let measures = posture(&[(RightKnee, knee), (RightAnkle, ankle)]);
        assert_deg(&measures, "drive_hip_abduction_at_foot_contact_deg", -adduction);
        assert_deg(&measures, "drive_hip_rotation_at_foot_contact_deg", -internal);
    }
}

/// Turns and tilts of the whole body, read off by eye.
#[test]
fn turns_and_tilts_have_the_stated_zero_and_sign() {
    let facing_target = posture(&[]);
    assert_deg(&facing_target, "pelvis_rotation_at_foot_contact_deg", 90.0);
    assert_deg(&facing_target, "trunk_rotation_at_foot_contact_deg", 90.0);
    assert_deg(&facing_target, "trunk_forward_tilt_at_ball_release_deg", 0.0);

    // Side-on: turned by 90 degrees about the vertical, the lead hip toward the target; pelvis 20 ahead of the trunk.
    let about = |axis: Vector3<f64>, deg: f64| Rotation3::from_scaled_axis(axis * f64::to_radians(deg));
    let turned = |joint: Joint, deg: f64| (joint, about(Vector3::y(), deg) * standing(joint));
    let side_on = posture(&[
        turned(LeftHip, -70.0),
        turned(RightHip, -70.0),
        turned(LeftShoulder, -90.0),
        turned(RightShoulder, -90.0),
    ]);
    assert_deg(&side_on, "pelvis_rotation_at_foot_contact_deg", 20.0);
    assert_deg(&side_on, "trunk_rotation_at_foot_contact_deg", 0.0);
    assert_deg(&side_on, "hip_shoulder_separation_at_foot_contact_deg", 20.0);

    // Facing the target, the trunk leans 30 degrees forward about the hips, then 15 to the glove side.
    let hips = 0.5 * (standing(LeftHip) + standing(RightHip));
    let leaned = |joint: Joint, turn: Rotation3<f64>| (joint, hips + turn * (standing(joint) - hips));
    let forward = about(Vector3::z(), -30.0);
    let measures = posture(&[leaned(LeftShoulder, forward), leaned(RightShoulder, forward)]);
    assert_deg(&measures, "trunk_forward_tilt_at_ball_release_deg", 30.0);
    assert_deg(&measures, "trunk_tilt_toward_target_at_ball_release_deg", 30.0);
    assert_deg(&measures, "trunk_contralateral_tilt_at_ball_release_deg", 0.0);
    let to_glove = about(Vector3::x(), -15.0);
    let measures = posture(&[leaned(LeftShoulder, to_glove), leaned(RightShoulder, to_glove)]);
    assert_deg(&measures, "trunk_contralateral_tilt_at_ball_release_deg", 15.0);
    assert_deg(&measures, "trunk_lean_seen_from_target_at_ball_release_deg", 15.0);
    assert_deg(&measures, "shoulder_line_tilt_at_ball_release_deg", 15.0);
    assert_deg(&measures, "pelvis_contralateral_tilt_at_ball_release_deg", 0.0);
}

/// Foot, stride and slot point to the throwing side with a positive sign.
#[test]
fn directions_are_positive_to_the_throwing_side() {
    let lead = standing(LeftAnkle) + Vector3::new(1.3, 0.0, 0.4);
    let heel = lead + Vector3::new(-0.06, -0.07, 0.0);
    let toe = heel + Vector3::new(0.2 * 0.5_f64.cos(), 0.0, 0.2 * 0.5_f64.sin());
    let knuckle = standing(RightShoulder) + Vector3::new(0.3, 0.5, 0.5);
    let measures = posture(&[
        (LeftAnkle, lead),
        (LeftHeel, heel),
        (LeftBigToe, toe),
        (RightKnuckle, knuckle),
    ]);
    let stride = lead - standing(RightAnkle);
    assert_deg(
        &measures,
        "stride_direction_deg",
        stride.z.atan2(stride.x).to_degrees(),
    );
    assert_deg(&measures, "stride_length_pct_height", 100.0 * 1.3 / 1.85);
    assert_deg(
        &measures,
        "lead_foot_angle_at_foot_contact_deg",
        0.5_f64.to_degrees(),
    );
    assert_deg(&measures, "arm_slot_at_ball_release_deg", 45.0);
    assert_deg(&measures, "release_side_m", 0.7);
    assert_deg(&measures, "release_extension_pct_height", 100.0 * 0.3 / 1.85);
}
