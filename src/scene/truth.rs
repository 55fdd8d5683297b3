//! Truth: what really happened in a scene, on LEFT's clock, from the motion itself and never from pictures.

use nalgebra::Vector3;

use super::motion::Delivery;
use crate::skeleton::{PerJoint, Side};
use crate::trajectory::{JointState, Trajectory};
use crate::units::Seconds;

/// Step of the clock's rate, seconds.
const CLOCK_STEP_S: f64 = 0.01;

/// A delivery as LEFT's clock tells it.
#[derive(Clone, Debug)]
pub struct Truth {
    /// Exact joints at the instants asked for: position, velocity, acceleration, no doubt.
    pub trajectory: Trajectory,
    /// When the ball leaves the hand.
    pub release: Seconds,
    /// The ball's centre then, world, metres.
    pub release_point_m: Vector3<f64>,
    /// The ball's velocity then, metres per second of LEFT's clock.
    pub release_velocity_m_s: Vector3<f64>,
    /// The ball's speed then, metres per second.
    pub ball_speed_m_s: f64,
    /// The ball's centre at the same instants, world, metres; `None` once it is in the catcher's glove.
    pub ball_m: Vec<Option<Vector3<f64>>>,
    /// The throwing arm's side.
    pub throws: Side,
    /// Body height, metres.
    pub height_m: f64,
}

impl Truth {
    /// The delivery at these instants of LEFT's clock (seconds from its first frame; the middle instants of LEFT's frames
    /// for `joints.csv`, denser for metrics). `scene_time_s` is the delivery's own time at an instant of that clock; it must
    /// run evenly.
    #[must_use]
    pub fn new(delivery: &Delivery, times_s: &[f64], scene_time_s: impl Fn(f64) -> f64) -> Self {
        // Speeds are per second of LEFT's clock, which may run a little fast or slow.
        let rate = (scene_time_s(CLOCK_STEP_S) - scene_time_s(0.0)) / CLOCK_STEP_S;
        let scene_times: Vec<f64> = times_s.iter().map(|t| scene_time_s(*t)).collect();
        let scene = delivery.trajectory(&scene_times);
        let on_clock = |state: &JointState| JointState {
            velocity_m_s: state.velocity_m_s * rate,
            acceleration_m_s2: state.acceleration_m_s2 * (rate * rate),
            ..*state
        };
        let flight = delivery.flight();
        Self {
            trajectory: Trajectory {
                times: times_s.iter().map(|t| Seconds(*t)).collect(),
                joints: PerJoint::from_fn(|joint| {
                    scene.joints[joint]
                        .iter()
                        .map(|s| s.as_ref().map(on_clock))
                        .collect()
                }),
                world_known: true,
            },
            release: Seconds((flight.release_s - scene_time_s(0.0)) / rate),
            release_point_m: flight.release_point_m,
            release_velocity_m_s: flight.velocity_m_s * rate,
            ball_speed_m_s: flight.speed_m_s() * rate,
            ball_m: scene_times.iter().map(|t| delivery.ball_at(*t)).collect(),
            throws: delivery.throws(),
            height_m: delivery.rig().height_m,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::motion::Style;
    use crate::scene::rig::Rig;
    use crate::skeleton::Joint;

    #[test]
    fn a_fast_clock_moves_instants_and_slows_speeds() {
        let delivery = Delivery::new(&Style::default(), &Rig::proportioned(1.8));
        let release = delivery.flight().release_s;
        // LEFT counts 1.001 s for each of the scene's and starts 0.2 s into it.
        let truth = Truth::new(&delivery, &[0.0, (release - 0.2) * 1.001], |t| 0.2 + t / 1.001);
        assert!((truth.release.0 - (release - 0.2) * 1.001).abs() < 1e-12);
        let hand = truth.trajectory.joints[Joint::RightKnuckle][1].unwrap();
        let scene = delivery.states_at(release)[Joint::RightKnuckle];
        assert!((hand.position_m - scene.position_m).norm() < 1e-9);
        assert!((hand.velocity_m_s * 1.001 - scene.velocity_m_s).norm() < 1e-6);
        assert!((truth.ball_m[1].unwrap() - truth.release_point_m).norm() < 1e-9);
    }
}
