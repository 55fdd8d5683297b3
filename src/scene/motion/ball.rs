//! The ball: in the hand, pushed by the fingers, in free flight.

use nalgebra::Vector3;

use super::style::Level;

/// Radius of a baseball, metres: circumference 9 to 9.25 inches (Official Baseball Rules, 3.01; from memory).
pub(super) const BALL_RADIUS_M: f64 = 0.0365;
/// Mass of a baseball, kilograms, as the metrics' definitions have it.
const BALL_MASS_KG: f64 = 0.145;
/// Standard gravity, metres per second squared.
const GRAVITY_M_S2: f64 = 9.806_65;
/// Air drag of a baseball: half of air density times cross-section times drag coefficient 0.35 (from memory) over mass.
const DRAG_PER_M: f64 =
    0.5 * 1.2 * std::f64::consts::PI * BALL_RADIUS_M * BALL_RADIUS_M * 0.35 / BALL_MASS_KG;
/// The fingers speed the ball up over this last stretch.
const PUSH_S: f64 = 0.008;
/// Ball speed over knuckle speed at release: the fingers' whip. Our own choice between published ball speeds and the
/// speed of our knuckles.
const WHIP_ADULT: f64 = 1.18;
/// As [`WHIP_ADULT`], for shorter fingers.
const WHIP_YOUTH: f64 = 1.14;
/// Where the ball is aimed: the middle of the strike zone over the plate's front edge, 60 feet 6 inches from the rubber
/// to the plate's far corner (Official Baseball Rules 2.01; from memory), metres.
const PLATE_X_M: f64 = 18.44 - 0.43;
const AIM_HEIGHT_SHARE: f64 = 0.42;
/// The catcher's glove, metres from the rubber: just behind the plate.
pub const CATCHER_X_M: f64 = 18.44;

/// The flight and the release of one ball.
#[derive(Clone, Debug, PartialEq)]
pub struct Flight {
    /// When the ball leaves the hand, seconds from the start of the recording.
    pub release_s: f64,
    /// Ball centre at release, world, metres.
    pub release_point_m: Vector3<f64>,
    /// Ball velocity at release, metres per second.
    pub velocity_m_s: Vector3<f64>,
    /// What the fingers add to the hand's velocity.
    push_m_s: Vector3<f64>,
}

impl Flight {
    /// A flight from the ball's carried position and velocity at release to the strike zone.
    pub(super) fn new(
        level: Level,
        batter_m: f64,
        release_s: f64,
        carried_m: Vector3<f64>,
        carried_m_s: Vector3<f64>,
        knuckle_speed_m_s: f64,
    ) -> Self {
        let whip = match level {
            Level::Adult => WHIP_ADULT,
            Level::Youth => WHIP_YOUTH,
        };
        let speed = whip * knuckle_speed_m_s;
        let aim = Vector3::new(PLATE_X_M, AIM_HEIGHT_SHARE * batter_m, 0.0);
        // Correct the launch direction by the miss, a few times: the flight is nearly straight.
        let mut toward = aim;
        let mut velocity = Vector3::zeros();
        for _ in 0..5 {
            velocity = (toward - carried_m).normalize() * speed;
            let seconds = (aim.x - carried_m.x) / velocity.x;
            let mut landed = flown(carried_m, velocity, seconds);
            let correction = (aim.x - landed.x) / velocity.x;
            landed = flown(carried_m, velocity, seconds + correction);
            toward += Vector3::new(0.0, aim.y - landed.y, aim.z - landed.z);
        }
        Self {
            release_s,
            release_point_m: carried_m,
            velocity_m_s: velocity,
            push_m_s: velocity - carried_m_s,
        }
    }

    /// Ball speed at release, metres per second.
    #[must_use]
    pub fn speed_m_s(&self) -> f64 {
        self.velocity_m_s.norm()
    }

    /// What the fingers have moved the ball off the hand before release.
    pub(super) fn pushed_m(&self, t_s: f64) -> Vector3<f64> {
        // Speed grows with the cube of time, so the ball leaves the hand's path smoothly and is off it by `-PUSH/4 x
        // push` before; counted back from release so that the release point itself is the hand's.
        let share = ((t_s - self.release_s) / PUSH_S + 1.0).clamp(0.0, 1.0);
        self.push_m_s * (PUSH_S / 4.0 * (share.powi(4) - 1.0))
    }

    /// Ball centre in flight, metres.
    pub(super) fn flying_m(&self, t_s: f64) -> Vector3<f64> {
        flown(self.release_point_m, self.velocity_m_s, t_s - self.release_s)
    }

    /// When the ball reaches the plane `x_m`, seconds from the start of the recording, and where.
    #[must_use]
    pub fn arrival(&self, x_m: f64) -> (f64, Vector3<f64>) {
        let mut seconds = (x_m - self.release_point_m.x) / self.velocity_m_s.x;
        for _ in 0..6 {
            let there = flown(self.release_point_m, self.velocity_m_s, seconds);
            seconds += (x_m - there.x) / self.velocity_m_s.x;
        }
        (
            self.release_s + seconds,
            flown(self.release_point_m, self.velocity_m_s, seconds),
        )
    }
}

/// Position after `seconds` of flight under gravity and square-law drag along the launch line (exact for a straight
/// flight; the drop's own drag is far below a millimetre per metre of flight).
fn flown(from_m: Vector3<f64>, velocity_m_s: Vector3<f64>, seconds: f64) -> Vector3<f64> {
    let speed = velocity_m_s.norm();
    let way = (1.0 + DRAG_PER_M * speed * seconds).ln() / DRAG_PER_M;
    from_m + velocity_m_s / speed * way - Vector3::y() * (GRAVITY_M_S2 / 2.0 * seconds * seconds)
}
