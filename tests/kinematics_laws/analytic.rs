//! Bodies whose angles, speeds and energies are known in closed form.

use nalgebra::Vector3;
use twinmound::kinematics::{DeliveryMeasures, Options, SegmentKind, Sex, measure, segment_row};
use twinmound::skeleton::Joint::{self, *};

use super::motions::{Delivery, Path3, at_240_hz, events_at, right_hander, sampled, standing};

fn options() -> Options {
    Options {
        events: Some(events_at([0.1, 0.5, 0.6, 0.7])),
        ..Options::without_doubt()
    }
}

/// The values of a curve at all samples.
fn curve(measures: &DeliveryMeasures, id: &str) -> Vec<f64> {
    let curve = measures.curves.iter().find(|c| c.id == id).unwrap();
    curve.values.iter().map(|v| v.unwrap()).collect()
}

/// A point that turns about an axis through `centre` by `angle` (with rate and its rate).
fn turning(point: Vector3<f64>, centre: Vector3<f64>, axis: Vector3<f64>, angle: [f64; 3]) -> Path3 {
    let turn = nalgebra::Rotation3::from_scaled_axis(axis * angle[0]);
    let arm = turn * (point - centre);
    let omega = axis * angle[1];
    [
        centre + arm,
        omega.cross(&arm),
        (axis * angle[2]).cross(&arm) + omega.cross(&omega.cross(&arm)),
    ]
}

/// Rotational part about a rod's middle, without long-axis spin, over mass and squared length.
fn swing(kind: SegmentKind) -> f64 {
    let row = segment_row(kind, Sex::Male);
    (row.sagittal_pct.powi(2) + row.transverse_pct.powi(2)) / 2e4
}

/// The whole body spins about the vertical at a known speed.
#[test]
fn a_spinning_body_has_its_spin_as_rotation_speeds_and_energies() {
    let omega = 7.0;
    let trajectory = sampled(at_240_hz(240), |joint, t| {
        Some(turning(
            standing(joint),
            Vector3::new(0.2, 0.0, -0.1),
            Vector3::y(),
            [omega * t, omega, 0.0],
        ))
    });
    let measures = measure(&trajectory, &right_hander(), &options());
    for id in [
        "pelvis_rotation_speed_deg_s",
        "trunk_rotation_speed_deg_s",
        "pelvis_angular_speed_deg_s",
        "trunk_angular_speed_deg_s",
        "throwing_upper_arm_speed_deg_s",
    ] {
        for got in curve(&measures, id) {
            assert!((got - omega.to_degrees()).abs() < 1e-6, "{id}: {got}");
        }
    }
    // Energy of the legs: every rod's centre moves at omega times its distance from the axis, and the rod's
    // direction turns at omega times the sine of its angle to the vertical.
    let mut legs = 0.0;
    for (kind, ends) in [
        (SegmentKind::Thigh, [(LeftHip, LeftKnee), (RightHip, RightKnee)]),
        (
            SegmentKind::Shank,
            [(LeftKnee, LeftAnkle), (RightKnee, RightAnkle)],
        ),
        (
            SegmentKind::Foot,
            [(LeftHeel, LeftBigToe), (RightHeel, RightBigToe)],
        ),
    ] {
        let row = segment_row(kind, Sex::Male);
        for (from, to) in ends {
            let (a, b) = (standing(from), standing(to));
            let centre = a + (b - a) * (row.centre_pct / 100.0) - Vector3::new(0.2, 0.0, -0.1);
            let rod = b - a;
            let across2 = rod.x * rod.x + rod.z * rod.z;
            let speed2 = omega * omega * (centre.x * centre.x + centre.z * centre.z);
            legs += 0.5 * row.mass_pct / 100.0 * (speed2 + swing(kind) * omega * omega * across2);
        }
    }
    for got in curve(&measures, "lower_body_kinetic_energy_j_kg") {
        assert!((got - legs).abs() < 1e-9 * legs.max(1.0), "{got} against {legs}");
    }
    // Trunk upright and turning about its own long axis, off the axis of rotation; head the same without spin.
    let trunk = segment_row(SegmentKind::Trunk, Sex::Male);
    let (length, radius2) = (0.5, 0.2 * 0.2 + 0.1 * 0.1);
    let spin = (trunk.longitudinal_pct / 100.0 * length).powi(2);
    let mut energy = 0.5 * trunk.mass_pct / 100.0 * omega * omega * (radius2 + spin);
    let head = segment_row(SegmentKind::Head, Sex::Male);
    let (top, neck) = (standing(HeadTop), standing(Neck));
    let centre = top + (neck - top) * (head.centre_pct / 100.0) - Vector3::new(0.2, 0.0, -0.1);
    let across2 = (neck - top).x.powi(2);
    let turn2 = centre.x * centre.x + centre.z * centre.z + swing(SegmentKind::Head) * across2;
    energy += 0.5 * head.mass_pct / 100.0 * omega * omega * turn2;
    for got in curve(&measures, "trunk_kinetic_energy_j_kg") {
        assert!((got - energy).abs() < 1e-9, "{got} against {energy}");
    }
}

/// A straight arm swings about the shoulder as a physical pendulum: its energy is that of one moment of inertia, and
/// together with its height it stays the same.
#[test]
fn a_pendulum_keeps_its_energy() {
    let pivot = standing(RightShoulder);
    let lengths = [
        (SegmentKind::UpperArm, 0.0, 0.30),
        (SegmentKind::Forearm, 0.30, 0.26),
        (SegmentKind::Hand, 0.56, 0.09),
    ];
    let (mut inertia, mut moment) = (0.0, 0.0);
    for (kind, start, length) in lengths {
        let row = segment_row(kind, Sex::Male);
        let centre: f64 = start + row.centre_pct / 100.0 * length;
        inertia += row.mass_pct / 100.0 * (centre * centre + swing(kind) * length * length);
        moment += row.mass_pct / 100.0 * centre;
    }
    // The pendulum's own equation, by small Runge-Kutta steps.
    let acceleration = |angle: f64| -9.81 * moment / inertia * angle.sin();
    let (mut states, mut state, steps) = (Vec::new(), (1.2_f64, 0.0_f64), 50);
    for _ in 0..240 {
        states.push([state.0, state.1, acceleration(state.0)]);
        let h = 1.0 / 240.0 / f64::from(steps);
        for _ in 0..steps {
            let (a, w) = state;
            let k1 = (w, acceleration(a));
            let k2 = (w + 0.5 * h * k1.1, acceleration(a + 0.5 * h * k1.0));
            let k3 = (w + 0.5 * h * k2.1, acceleration(a + 0.5 * h * k2.0));
            let k4 = (w + h * k3.1, acceleration(a + h * k3.0));
            state.0 += h / 6.0 * (k1.0 + 2.0 * k2.0 + 2.0 * k3.0 + k4.0);
            state.1 += h / 6.0 * (k1.1 + 2.0 * k2.1 + 2.0 * k3.1 + k4.1);
        }
    }
    let along = |joint: Joint| match joint {
        RightElbow => Some(0.30),
        RightWrist => Some(0.56),
        RightKnuckle => Some(0.65),
        _ => None,
    };
    let trajectory = sampled(at_240_hz(240), |joint, t| {
        let angle = states[(t * 240.0).round() as usize];
        let rest = [standing(joint), Vector3::zeros(), Vector3::zeros()];
        Some(along(joint).map_or(rest, |length| {
            turning(pivot - Vector3::y() * length, pivot, Vector3::z(), angle)
        }))
    });
    let mut options = options();
    options.events = Some(events_at([0.1, 0.2, 0.3, 0.0]));
    let measures = measure(&trajectory, &right_hander(), &options);
    let energy = curve(&measures, "throwing_arm_kinetic_energy_j_kg");
    let start = -9.81 * moment * states[0][0].cos();
    // Release at 0 s: the first sample still counts the ball.
    for (got, state) in energy.iter().zip(&states).skip(1) {
        assert!((got - 0.5 * inertia * state[1].powi(2)).abs() < 1e-9);
        let total = got - 9.81 * moment * state[0].cos();
        assert!((total - start).abs() < 1e-6, "{total} against {start}");
    }
}

/// Two links in a plane: the elbow's flexion and its speed are the given ones.
#[test]
fn a_two_link_arm_has_the_given_elbow_angle_and_speed() {
    let swing = |t: f64| {
        [
            0.4 * (5.0 * t).sin(),
            2.0 * (5.0 * t).cos(),
            -10.0 * (5.0 * t).sin(),
        ]
    };
    let bend = |t: f64| {
        [
            1.2 + 0.7 * (6.0 * t).cos(),
            -4.2 * (6.0 * t).sin(),
            -25.2 * (6.0 * t).cos(),
        ]
    };
    let pivot = standing(RightShoulder);
    let trajectory = sampled(at_240_hz(240), |joint, t| {
        let (s, b) = (swing(t), bend(t));
        let elbow = turning(pivot + Vector3::z() * 0.3, pivot, Vector3::y(), s);
        let both = [s[0] + b[0], s[1] + b[1], s[2] + b[2]];
        let wrist = turning(Vector3::z() * 0.26, Vector3::zeros(), Vector3::y(), both);
        Some(match joint {
            RightElbow => elbow,
            RightWrist => [elbow[0] + wrist[0], elbow[1] + wrist[1], elbow[2] + wrist[2]],
            _ => [standing(joint), Vector3::zeros(), Vector3::zeros()],
        })
    });
    let measures = measure(&trajectory, &right_hander(), &options());
    let angles = curve(&measures, "elbow_flexion_deg");
    let speeds = curve(&measures, "elbow_extension_speed_deg_s");
    let forearm = curve(&measures, "throwing_forearm_speed_deg_s");
    for (i, t) in at_240_hz(240).enumerate() {
        assert!((angles[i] - bend(t)[0].to_degrees()).abs() < 1e-9);
        assert!((speeds[i] + bend(t)[1].to_degrees()).abs() < 1e-6);
        assert!((forearm[i] - (swing(t)[1] + bend(t)[1]).to_degrees().abs()).abs() < 1e-6);
    }
    // Peak extension between contact and release + 0.02 s: the largest of the closed form on a fine grid.
    let largest = (0..=22_000)
        .map(|i| -bend(0.5 + f64::from(i) * 1e-5)[1].to_degrees())
        .fold(f64::MIN, f64::max);
    let peak = measures
        .metric("peak_elbow_extension_speed_deg_s")
        .unwrap()
        .value
        .unwrap();
    assert!((peak - largest).abs() < 1e-4, "{peak} against {largest}");
}

/// Speeds against differences of angles 1e-5 s apart, on the smooth made-up delivery.
#[test]
fn speeds_are_the_derivatives_of_the_angles() {
    let delivery = Delivery::load();
    let step = 1e-5;
    let times = (1..160).flat_map(|i| [-1.0, 0.0, 1.0].map(|k| f64::from(i) * 0.01 + k * step));
    let trajectory = sampled(times, |joint, t| delivery.path(joint, t));
    let options = Options {
        events: Some(events_at(delivery.events())),
        ..Options::without_doubt()
    };
    let measures = measure(&trajectory, &right_hander(), &options);
    for (angle, speed, sign) in [
        ("elbow_flexion_deg", "elbow_extension_speed_deg_s", -1.0),
        (
            "shoulder_external_rotation_deg",
            "shoulder_internal_rotation_speed_deg_s",
            -1.0,
        ),
    ] {
        let (angles, speeds) = (curve(&measures, angle), curve(&measures, speed));
        for (angle, speed) in angles.chunks(3).zip(speeds.chunks(3)) {
            let slope = sign * (angle[2] - angle[0]) / (2.0 * step);
            assert!((slope - speed[1]).abs() < 1e-3, "{speed:?} against {slope}");
        }
    }
}

/// Every point moves as the spin says; linear and rotational parts of the energies add up to the whole.
#[test]
fn segments_of_a_spinning_body_move_as_it_turns() {
    let omega = 7.0;
    let centre = Vector3::new(0.2, 0.0, -0.1);
    // At a sample's instant the body stands as `standing` has it.
    let trajectory = sampled(at_240_hz(240), |joint, t| {
        let spin = [omega * (t - 0.5), omega, 0.0];
        Some(turning(standing(joint), centre, Vector3::y(), spin))
    });
    let measures = measure(&trajectory, &right_hander(), &options());
    let now = |id: &str| curve(&measures, id)[120];
    let row = segment_row(SegmentKind::Forearm, Sex::Male);
    let (a, b) = (standing(RightElbow), standing(RightWrist));
    let expected = (Vector3::y() * omega).cross(&(a + (b - a) * (row.centre_pct / 100.0) - centre));
    for (axis, name) in ["x", "y", "z"].iter().enumerate() {
        let got = now(&format!("throwing_forearm_velocity_{name}_m_s"));
        assert!((got - expected[axis]).abs() < 1e-9, "{name}: {got}");
    }
    for (whole, parts) in [
        ("lower_body_kinetic_energy_j_kg", "lower_body"),
        ("trunk_kinetic_energy_j_kg", "trunk_and_head"),
    ] {
        let sum =
            now(&format!("{parts}_linear_energy_j_kg")) + now(&format!("{parts}_rotational_energy_j_kg"));
        assert!((now(whole) - sum).abs() < 1e-12);
    }
    let all: f64 = measures
        .curves
        .iter()
        .filter(|c| c.id.ends_with("r_energy_j_kg") || c.id.ends_with("l_energy_j_kg"))
        .filter(|c| {
            !["lower_body", "trunk_and_head", "throwing_arm"]
                .iter()
                .any(|g| c.id.starts_with(g))
        })
        .map(|c| c.values[120].unwrap())
        .sum();
    assert!((now("whole_body_kinetic_energy_j_kg") - all).abs() < 1e-9);
}

/// Both arms turn inward about their long axes, elbows bent: the same sign for both, and nothing else turns.
#[test]
fn a_turn_about_the_upper_arm_is_seen_from_the_forearm() {
    let omega = 3.0;
    let trajectory = sampled(at_240_hz(240), |joint, t| {
        // The arms hang, the forearms point forward; inward is toward the middle.
        let side = if joint.name().starts_with("right") {
            1.0
        } else {
            -1.0
        };
        let shoulder = Vector3::new(0.0, 1.5, 0.2 * side);
        let elbow = shoulder - Vector3::y() * 0.3;
        let spin = [side * omega * (t - 0.5), side * omega, 0.0];
        Some(match joint {
            LeftElbow | RightElbow => [elbow, Vector3::zeros(), Vector3::zeros()],
            LeftWrist | RightWrist => turning(elbow + Vector3::x() * 0.26, elbow, Vector3::y(), spin),
            LeftKnuckle | RightKnuckle => turning(elbow + Vector3::x() * 0.35, elbow, Vector3::y(), spin),
            _ => [standing(joint), Vector3::zeros(), Vector3::zeros()],
        })
    });
    let measures = measure(&trajectory, &right_hander(), &options());
    for arm in ["throwing", "glove"] {
        for (id, expected) in [("rotation", omega), ("angular", omega), ("", 0.0)] {
            let id = format!("{arm}_upper_arm_{id}_speed_deg_s").replace("__", "_");
            for got in curve(&measures, &id) {
                assert!((got - expected.to_degrees()).abs() < 1e-9, "{id}: {got}");
            }
        }
    }
}
