//! Where and when to look: the throwing hand about release.

use nalgebra::Vector3;

use crate::ball::{Settings, Sight, Unseen};
use crate::geometry::PixelPoint;
use crate::skeleton::{Joint, Side};
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// Release follows the hand's largest speed by about this, seconds.
const RELEASE_AFTER_PEAK_S: f64 = 0.003;
/// The fastest instant is looked for this far around the given one, seconds.
const PEAK_WITHIN_S: f64 = 0.15;
/// The way of the throw is the hand's way from this before to this after release, seconds.
const WAY_S: (f64, f64) = (0.02, 0.005);
/// Pictures are looked at from this long before the likely release, seconds.
const BEFORE_S: f64 = 0.012;
/// Pictures are looked at for no longer than this after it, seconds: a slow video shows few frames of flight.
const AFTER_S: f64 = 0.11;
/// The ball leaves the hand within this time of the likely release, seconds.
const RELEASE_SD_S: f64 = 0.008;
/// The ball may fly this much off the hand's way, tangent.
const OFF_WAY: f64 = 0.6;
/// The ball's centre may be this far off the knuckle at release, metres: held in the fingers, the knuckle unsure.
const GRIP_M: f64 = 0.25;
/// A ball that is not this far off the knuckle is still among the fingers, metres.
const CLEAR_OF_HAND_M: f64 = 0.14;
/// Speed of a ball over the largest speed of the hand that threw it, least and most.
const SPEED_SHARE: (f64, f64) = (0.75, 1.7);

/// The throwing hand about release.
#[derive(Clone, Debug)]
pub struct Hand<'a> {
    trajectory: &'a Trajectory,
    knuckle: Joint,
    /// Likely instant of release, on LEFT's clock, seconds.
    pub(crate) release_s: f64,
    /// The knuckle then, metres.
    pub(crate) place_m: Vector3<f64>,
    /// The way of the throw, of unit length.
    pub(crate) way: Vector3<f64>,
    /// The hand's largest speed, metres per second.
    pub(crate) speed_m_s: f64,
}

/// A part of the picture in which the ball may be at an instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Gate {
    pub(crate) centre: PixelPoint,
    pub(crate) radius_px: f64,
}

impl<'a> Hand<'a> {
    /// The hand of `throws` about its fastest instant near `fastest`.
    ///
    /// # Errors
    /// When the knuckle is unknown there.
    pub fn about_release(trajectory: &'a Trajectory, throws: Side, fastest: Seconds) -> Result<Self, Unseen> {
        let knuckle = match throws {
            Side::Left => Joint::LeftKnuckle,
            Side::Right => Joint::RightKnuckle,
        };
        let (peak, speed_m_s) = trajectory
            .times
            .iter()
            .zip(&trajectory.joints[knuckle])
            .filter(|(time, _)| (**time - fastest).abs().0 <= PEAK_WITHIN_S)
            .filter_map(|(time, state)| Some((time.0, state.as_ref()?.velocity_m_s.norm())))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .ok_or(Unseen::NoHand)?;
        let release_s = peak + RELEASE_AFTER_PEAK_S;
        let at = |t: f64| trajectory.at(knuckle, Seconds(t)).map(|s| s.position_m);
        let place_m = at(release_s).ok_or(Unseen::NoHand)?;
        let way = at(release_s + WAY_S.1)
            .zip(at(release_s - WAY_S.0))
            .and_then(|(after, before)| (after - before).try_normalize(1e-6))
            .ok_or(Unseen::NoHand)?;
        Ok(Self {
            trajectory,
            knuckle,
            release_s,
            place_m,
            way,
            speed_m_s,
        })
    }

    /// Whether a frame with this presentation time is one to look at.
    #[must_use]
    pub fn wants(&self, sight: &Sight, pts: Seconds) -> bool {
        let (from, to) = self.span(sight);
        (from.0..=to.0).contains(&pts.0)
    }

    /// First and last presentation time to look at, on the phone's own clock.
    #[must_use]
    pub fn span(&self, sight: &Sight) -> (Seconds, Seconds) {
        let (before_s, after_s) = look_s(sight);
        let own_s = self.release_s - sight.shift_s + sight.zero.0 - sight.shutter.middle_delay().0;
        (Seconds(own_s - before_s), Seconds(own_s + after_s))
    }

    /// Speeds that the ball may have, metres per second.
    pub(crate) fn speeds_m_s(&self) -> (f64, f64) {
        (self.speed_m_s * SPEED_SHARE.0, self.speed_m_s * SPEED_SHARE.1)
    }

    /// Whether a flight leaves this hand: it passes near the knuckle at about the right time.
    pub(crate) fn released(&self, position_at: impl Fn(f64) -> Vector3<f64>) -> bool {
        let steps = (2.0 * RELEASE_SD_S / 1e-3) as i32;
        (-steps..=steps)
            .map(|i| self.release_s + f64::from(i) * 1e-3)
            .filter_map(|t| Some((position_at(t) - self.knuckle_at(t)?).norm()))
            .any(|distance| distance < GRIP_M)
    }

    /// Whether a ball at this place and instant has left the fingers.
    pub(crate) fn is_clear_of(&self, place_m: Vector3<f64>, time_s: f64) -> bool {
        time_s > self.release_s - RELEASE_SD_S
            && self
                .knuckle_at(time_s)
                .is_none_or(|hand| (place_m - hand).norm() > CLEAR_OF_HAND_M)
    }

    fn knuckle_at(&self, time_s: f64) -> Option<Vector3<f64>> {
        self.trajectory
            .at(self.knuckle, Seconds(time_s))
            .map(|s| s.position_m)
    }

    /// Where in the picture the ball may be at an instant; `None` while it is held, or when that lies behind the phone.
    pub(crate) fn gate(&self, sight: &Sight, time_s: f64) -> Option<Gate> {
        let after_s = time_s - self.release_s;
        if after_s < -RELEASE_SD_S {
            return None;
        }
        let (slow, fast) = self.speeds_m_s();
        let (near_m, far_m) = (
            slow * (after_s - RELEASE_SD_S).max(0.0),
            fast * (after_s + RELEASE_SD_S),
        );
        let middle_m = self.place_m + self.way * ((near_m + far_m) / 2.0);
        let reach_m = GRIP_M + ((far_m - near_m) / 2.0).hypot(far_m * OFF_WAY);
        let local = sight.pose.apply(crate::geometry::WorldPoint(middle_m));
        Some(Gate {
            centre: sight.camera.project(local)?,
            radius_px: reach_m * sight.camera.fx_px / local.0.z,
        })
    }

    /// Diameter of a ball seen at the place of release, pixels.
    pub(crate) fn ball_px(&self, sight: &Sight) -> Option<f64> {
        let local = sight.pose.apply(crate::geometry::WorldPoint(self.place_m));
        (local.0.z > 0.0).then(|| super::BALL_DIAMETER_M * sight.camera.fx_px / local.0.z)
    }
}

/// How long before and after the likely release a phone's pictures are looked at, seconds, frames to compare with included.
fn look_s(sight: &Sight) -> (f64, f64) {
    let frame_s = 1.0 / sight.rate_hz;
    let compare_s = (super::spots::GAP as f64 + 0.6) * frame_s;
    let flight_s = ((Settings::default().most_frames as f64 + 3.0) * frame_s).min(AFTER_S);
    (BEFORE_S + compare_s, flight_s + compare_s)
}
