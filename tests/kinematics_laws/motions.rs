//! Made motions: still postures, moving points, and the made-up delivery of `fixtures/kinematics`.

use nalgebra::Vector3;
use serde_json::Value;
use twinmound::kinematics::{Athlete, Event, EventName, PerEvent};
use twinmound::skeleton::{Joint, PerJoint, Side};
use twinmound::trajectory::{JointState, Trajectory};
use twinmound::units::Seconds;

/// Position, velocity, acceleration.
pub(super) type Path3 = [Vector3<f64>; 3];

/// A trajectory sampled at the given times from a path per joint.
pub(super) fn sampled(
    times: impl Iterator<Item = f64>,
    path: impl Fn(Joint, f64) -> Option<Path3>,
) -> Trajectory {
    let times: Vec<Seconds> = times.map(Seconds).collect();
    let joints = PerJoint::from_fn(|joint| {
        let state = |t: &Seconds| {
            path(joint, t.0).map(|[position_m, velocity_m_s, acceleration_m_s2]| JointState {
                position_m,
                velocity_m_s,
                acceleration_m_s2,
                sd_m: None,
            })
        };
        times.iter().map(state).collect()
    });
    Trajectory {
        times,
        joints,
        world_known: true,
    }
}

/// `count` times at 240 Hz from 0.
pub(super) fn at_240_hz(count: usize) -> impl Iterator<Item = f64> {
    (0..count).map(|i| i as f64 / 240.0)
}

/// A body that stands with its trunk's axes along the world's, arms out, knees a little bent; facing the target.
pub(super) fn standing(joint: Joint) -> Vector3<f64> {
    let side = |right: bool| if right { 1.0 } else { -1.0 };
    let right = joint.name().starts_with("right");
    let name = joint
        .name()
        .trim_start_matches("left_")
        .trim_start_matches("right_");
    let (x, y, z) = match name {
        "nose" => (0.10, 1.68, 0.0),
        "head_top" => (0.0, 1.82, 0.0),
        "neck" => (-0.03, 1.56, 0.0),
        "shoulder" => (0.0, 1.5, 0.2),
        "elbow" => (0.0, 1.5, 0.5),
        "wrist" => (0.26, 1.5, 0.5),
        "knuckle" => (0.35, 1.5, 0.5),
        "hip" => (0.0, 1.0, 0.1),
        "knee" => (0.12, 0.55, 0.12),
        "ankle" => (0.0, 0.1, 0.12),
        "heel" => (-0.06, 0.03, 0.12),
        "big_toe" => (0.18, 0.02, 0.10),
        "small_toe" => (0.14, 0.02, 0.17),
        "eye" => (0.08, 1.71, 0.03),
        _ => (0.0, 1.68, 0.08),
    };
    let middle = matches!(name, "nose" | "head_top" | "neck");
    Vector3::new(x, y, if middle { z } else { z * side(right) })
}

/// A body at rest for a second, with some joints put elsewhere.
pub(super) fn still(moved: &[(Joint, Vector3<f64>)]) -> Trajectory {
    sampled(at_240_hz(240), |joint, _| {
        let at = moved
            .iter()
            .find(|m| m.0 == joint)
            .map_or(standing(joint), |m| m.1);
        Some([at, Vector3::zeros(), Vector3::zeros()])
    })
}

/// Events at fixed times, without doubt.
pub(super) fn events_at(times: [f64; 4]) -> PerEvent<Option<Event>> {
    PerEvent(times.map(|t| {
        Some(Event {
            time_s: Seconds(t),
            sd_s: None,
        })
    }))
}

/// A right-hander of known size.
pub(super) fn right_hander() -> Athlete {
    Athlete {
        height_m: Some(1.85),
        mass_kg: Some(88.0),
        throws: Some(Side::Right),
        ..Athlete::default()
    }
}

/// The made-up delivery: sums of Gaussian bumps.
pub(super) struct Delivery {
    json: Value,
}

impl Delivery {
    /// From the fixture; `fixtures/kinematics/README.md` says how it was made.
    pub(super) fn load() -> Self {
        let text = include_str!("../../fixtures/kinematics/delivery.json");
        Self {
            json: serde_json::from_str(text).unwrap(),
        }
    }

    fn number(&self, key: &str) -> f64 {
        self.json[key].as_f64().unwrap()
    }

    /// The exact path of a joint; `None` for a joint the fixture leaves out.
    pub(super) fn path(&self, joint: Joint, t: f64) -> Option<Path3> {
        let axes = self.json["coefficients"].get(joint.name())?;
        let (first, spacing, width) = (
            self.number("first_s"),
            self.number("spacing_s"),
            self.number("width_s"),
        );
        let mut path = [Vector3::zeros(); 3];
        for axis in 0..3 {
            for (i, weight) in axes[axis].as_array().unwrap().iter().enumerate() {
                let u = (t - first - spacing * i as f64) / width;
                let bump = weight.as_f64().unwrap() * (-0.5 * u * u).exp();
                path[0][axis] += bump;
                path[1][axis] -= bump * u / width;
                path[2][axis] += bump * (u * u - 1.0) / (width * width);
            }
        }
        Some(path)
    }

    /// Sampled as a recording at 240 Hz.
    pub(super) fn trajectory(&self) -> Trajectory {
        let frames = self.json["frames"].as_u64().unwrap() as usize;
        sampled(at_240_hz(frames), |joint, t| self.path(joint, t))
    }

    /// Times of the events by the second implementation.
    pub(super) fn events(&self) -> [f64; 4] {
        EventName::ALL.map(|e| self.json["events"][e.id()].as_f64().unwrap())
    }

    /// Metrics by the second implementation.
    pub(super) fn metrics(&self) -> Vec<(String, f64)> {
        let metrics = self.json["metrics"].as_object().unwrap();
        metrics
            .iter()
            .map(|(id, v)| (id.clone(), v.as_f64().unwrap()))
            .collect()
    }
}

/// The same motion with every joint's standard deviation set.
pub(super) fn with_sd(mut trajectory: Trajectory, sd_m: f64) -> Trajectory {
    for state in trajectory.joints.0.iter_mut().flatten().flatten() {
        state.sd_m = Some(sd_m);
    }
    trajectory
}

/// The mirror image: z changes sign, left and right change places.
pub(super) fn mirrored(trajectory: &Trajectory) -> Trajectory {
    let flip = |v: Vector3<f64>| Vector3::new(v.x, v.y, -v.z);
    Trajectory {
        times: trajectory.times.clone(),
        joints: PerJoint::from_fn(|joint| {
            let states = trajectory.joints[joint.mirrored()].iter();
            states
                .map(|s| {
                    s.map(|s| JointState {
                        position_m: flip(s.position_m),
                        velocity_m_s: flip(s.velocity_m_s),
                        acceleration_m_s2: flip(s.acceleration_m_s2),
                        sd_m: s.sd_m,
                    })
                })
                .collect()
        }),
        world_known: trajectory.world_known,
    }
}
