//! A ball that somebody lets fall, for the clocks: it falls, bounces, comes to rest, is picked up and let fall again.

use nalgebra::Vector3;

use crate::scene::film::BALL_RADIUS_M;

/// Standard gravity, metres per second squared.
const GRAVITY_M_S2: f64 = 9.806_65;
/// A bounce slower than this is none, metres per second.
const STILL_M_S: f64 = 0.25;
/// The ball is lifted over this time before it is let fall again, seconds.
const LIFT_S: f64 = 0.35;

/// Where and how a ball is dropped.
#[derive(Clone, Debug, PartialEq)]
pub struct DroppedBall {
    /// The ground below it, world, metres.
    pub ground_m: Vector3<f64>,
    /// Height of its centre when it is let go, metres.
    pub height_m: f64,
    /// Scene times at which it is let go, rising, seconds.
    pub let_go_s: Vec<f64>,
    /// Speed after a bounce over the speed before it.
    pub bounce: f64,
    /// How it drifts aside once it is let go, x and z, metres per second.
    pub aside_m_s: [f64; 2],
}

impl DroppedBall {
    /// The ball's centre at a scene time, world, metres.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Vector3<f64> {
        let next = self.let_go_s.partition_point(|s| *s <= t_s);
        let held = Vector3::new(0.0, self.height_m, 0.0);
        let Some(last_s) = next.checked_sub(1).map(|i| self.let_go_s[i]) else {
            return self.ground_m + held;
        };
        let off = self.fallen(t_s - last_s);
        let lift = self.let_go_s.get(next).map_or(0.0, |up_s| {
            let share = ((t_s - up_s) / LIFT_S + 1.0).clamp(0.0, 1.0);
            share * share * (3.0 - 2.0 * share)
        });
        self.ground_m + off.lerp(&held, lift)
    }

    /// Off the ground's point, so long after it was let go.
    fn fallen(&self, since_s: f64) -> Vector3<f64> {
        let radius = BALL_RADIUS_M;
        let drop_m = self.height_m - radius;
        let fall_s = (2.0 * drop_m / GRAVITY_M_S2).sqrt();
        let (mut begin_s, mut speed) = (fall_s, self.bounce * GRAVITY_M_S2 * fall_s);
        let mut height = drop_m - GRAVITY_M_S2 / 2.0 * since_s * since_s;
        let mut aside_s = since_s;
        while since_s > begin_s {
            let s = since_s - begin_s;
            let lasts_s = 2.0 * speed / GRAVITY_M_S2;
            if speed < STILL_M_S {
                // It lies where it came to rest.
                (height, aside_s) = (0.0, begin_s);
                break;
            }
            height = (speed - GRAVITY_M_S2 / 2.0 * s) * s;
            if s <= lasts_s {
                break;
            }
            (begin_s, speed) = (begin_s + lasts_s, self.bounce * speed);
        }
        Vector3::new(
            self.aside_m_s[0] * aside_s,
            radius + height,
            self.aside_m_s[1] * aside_s,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_falls_by_gravity_turns_at_the_ground_and_comes_to_rest() {
        let ball = DroppedBall {
            ground_m: Vector3::new(0.7, 0.1, -0.4),
            height_m: 1.5,
            let_go_s: vec![0.2, 2.4],
            bounce: 0.5,
            aside_m_s: [0.1, 0.0],
        };
        let height = |t: f64| ball.at(t).y - 0.1;
        assert!((height(0.1) - 1.5).abs() < 1e-12);
        assert!((height(0.5) - (1.5 - GRAVITY_M_S2 / 2.0 * 0.09)).abs() < 1e-12);
        let land_s = 0.2 + (2.0 * (1.5 - BALL_RADIUS_M) / GRAVITY_M_S2).sqrt();
        assert!((height(land_s) - BALL_RADIUS_M).abs() < 1e-9);
        // Half the speed: a quarter of the height.
        let speed = 0.5 * GRAVITY_M_S2 * (land_s - 0.2);
        let top = height(land_s + speed / GRAVITY_M_S2) - BALL_RADIUS_M;
        assert!((top - (1.5 - BALL_RADIUS_M) / 4.0).abs() < 1e-9, "{top}");
        let lowest = (0..3000)
            .map(|i| height(f64::from(i) * 1e-3))
            .fold(f64::MAX, f64::min);
        assert!(lowest >= BALL_RADIUS_M - 1e-9);
        assert!((height(1.9) - BALL_RADIUS_M).abs() < 1e-9 && (height(2.4) - 1.5).abs() < 1e-9);
    }
}
