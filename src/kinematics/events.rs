//! The four events of a delivery, below one frame.
//!
//! - `ball_release`: where the ball's path comes nearest to where the hand holds it; where the ball is not seen, 3 ms after
//!   the throwing knuckle is fastest.
//! - `foot_contact`: mean speed of lead heel and toes; the first instant after its peak (in the 0.5 s before release)
//!   at which it is below 30 % of that peak and stays so until release.
//! - `max_external_rotation` (layback): vertex of a parabola through the top 10 ms either side of shoulder external
//!   rotation, contact + 0.03 s to release.
//! - `peak_knee_lift`: lead knee highest, release - 2.5 s to contact - 0.1 s.

use std::fmt;
use std::ops::{Index, IndexMut};

use serde::{Deserialize, Serialize};

use crate::skeleton::Joint;
use crate::units::Seconds;

use super::delivery::Thrown;
use super::motion::Motion;
use super::peaks::{STEP_S, crossing, sample};
use super::reason::Missing;
use super::segments::{LEAD, THROWING};

/// An event of the delivery.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventName {
    /// Lead knee highest.
    PeakKneeLift,
    /// Lead foot stands.
    FootContact,
    /// Throwing shoulder rotated back the furthest (layback).
    MaxExternalRotation,
    /// The ball leaves the hand.
    BallRelease,
}

impl EventName {
    /// All four, in order of time.
    pub const ALL: [Self; 4] = [
        Self::PeakKneeLift,
        Self::FootContact,
        Self::MaxExternalRotation,
        Self::BallRelease,
    ];

    /// The name in files.
    #[must_use]
    pub fn id(self) -> &'static str {
        match self {
            Self::PeakKneeLift => "peak_knee_lift",
            Self::FootContact => "foot_contact",
            Self::MaxExternalRotation => "max_external_rotation",
            Self::BallRelease => "ball_release",
        }
    }
}

impl fmt::Display for EventName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.id().replace('_', " "))
    }
}

/// One value for each event.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PerEvent<T>(pub [T; 4]);

impl<T> PerEvent<T> {
    /// Fills every event's place.
    pub fn from_fn(mut value: impl FnMut(EventName) -> T) -> Self {
        Self(EventName::ALL.map(&mut value))
    }

    /// Events with their values, in order of time.
    pub fn iter(&self) -> impl Iterator<Item = (EventName, &T)> {
        EventName::ALL.into_iter().zip(self.0.iter())
    }
}

impl<T> Index<EventName> for PerEvent<T> {
    type Output = T;
    fn index(&self, event: EventName) -> &T {
        &self.0[event as usize]
    }
}

impl<T> IndexMut<EventName> for PerEvent<T> {
    fn index_mut(&mut self, event: EventName) -> &mut T {
        &mut self.0[event as usize]
    }
}

/// When an event happened.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// The instant, seconds on LEFT's clock.
    pub time_s: Seconds,
    /// Standard deviation, seconds; `None` when no doubt was computed.
    pub sd_s: Option<Seconds>,
}

/// Release follows the fastest instant of the knuckle by this much, seconds.
const RELEASE_AFTER_PEAK_S: f64 = 0.003;
/// Least standard deviation of a release found from the hand alone, seconds.
pub(super) const RELEASE_FROM_HAND_SD_S: f64 = 0.003;
/// The foot is fastest within this time before release, seconds.
const STRIDE_WINDOW_S: f64 = 0.5;
/// The foot stands below this share of its largest speed.
const CONTACT_SPEED_SHARE: f64 = 0.3;
/// Layback comes at least this long after contact, seconds.
const LAYBACK_AFTER_CONTACT_S: f64 = 0.03;
/// Half width of the parabola at layback, seconds.
const LAYBACK_HALF_WIDTH_S: f64 = 0.010;
/// A delivery's motion is looked for at most this long before release, seconds.
pub(super) const DELIVERY_BEFORE_RELEASE_S: f64 = 2.5;
/// The knee is highest at least this long before contact, seconds.
const KNEE_LIFT_BEFORE_CONTACT_S: f64 = 0.1;

/// At release the ball's centre is this share of the hand's length (wrist to knuckle) off the knuckle: held deep in the
/// fingers it is 0.8 of it, at their tips 1.1 (the tips are 1.2 hand lengths beyond the knuckle: de Leva, J Biomech
/// 1996;29:1223-1230, men's hand 86 mm to the knuckle, 188 mm to the tip; from memory).
const HELD_AT: f64 = 0.85;
/// Its standard deviation: grips, fingers and joint centres differ.
pub(super) const HELD_AT_SD: f64 = 0.2;
/// Standard deviation of release about [`RELEASE_AFTER_PEAK_S`] after the knuckle's largest speed, where the ball says more.
pub(super) const RELEASE_ABOUT_PEAK_SD_S: f64 = 0.005;
/// The knuckle is fastest within this time of a flight's beginning, seconds.
const PEAK_NEAR_FLIGHT_S: f64 = 0.03;
/// The ball leaves the hand within this time of the knuckle's largest speed, before and after, seconds.
const RELEASE_ABOUT_PEAK_S: (f64, f64) = (0.012, 0.020);

/// Release where the ball's path, drawn backward, meets the hand: where it is as far from the knuckle as a held ball and
/// moves away. As that hangs on the knuckle's own doubt, the usual time after the knuckle's largest speed counts too, each
/// by its doubt.
pub(super) fn release_where_ball_meets_hand(motion: &Motion<'_>, ball: &Thrown) -> Result<f64, Missing> {
    let usual_s = usual_release_about(motion, ball.epoch_s)?;
    let peak_s = usual_s - RELEASE_AFTER_PEAK_S;
    let (from_s, to_s) = (peak_s - RELEASE_ABOUT_PEAK_S.0, peak_s + RELEASE_ABOUT_PEAK_S.1);
    let off_m = |t: f64| -> Result<f64, Missing> {
        Ok((ball.position_m(t) - motion.position_m(THROWING.knuckle, t)?).norm())
    };
    let nearest_s = sample(from_s, to_s, |t| off_m(t).map(|off| -off))?
        .highest_of_known()?
        .time_s;
    let agreement = |t: f64| -> Result<f64, Missing> {
        let knuckle = motion.state(THROWING.knuckle, t)?;
        let hand_m = (knuckle.position_m - motion.position_m(THROWING.wrist, t)?).norm();
        let sd_m = knuckle.sd_m.unwrap_or(0.0).hypot(HELD_AT_SD * hand_m);
        let by_place = (off_m(t)? - (HELD_AT + ball.held_off) * hand_m) / sd_m;
        let by_time = (t - usual_s - ball.usual_off_s) / RELEASE_ABOUT_PEAK_SD_S;
        Ok(-by_place * by_place - by_time * by_time)
    };
    let (from_s, to_s) = (nearest_s.min(to_s - 2.0 * STEP_S), to_s);
    Ok(sample(from_s, to_s, agreement)?.highest_of_known()?.time_s)
}

/// The usual release after the knuckle's largest speed near an instant at which a ball was seen to leave; that instant
/// where the knuckle is fastest at an end of this stretch or beside a gap.
fn usual_release_about(motion: &Motion<'_>, about_s: f64) -> Result<f64, Missing> {
    let (from_s, to_s) = (about_s - PEAK_NEAR_FLIGHT_S, about_s + PEAK_NEAR_FLIGHT_S);
    let peak = sample(from_s, to_s, |t| motion.speed_m_s(THROWING.knuckle, t))?.highest_of_known()?;
    Ok(if peak.at_edge {
        about_s
    } else {
        peak.time_s + RELEASE_AFTER_PEAK_S
    })
}

/// Release from the hand alone: peak knuckle speed and 3 ms.
pub(super) fn release_from_hand(motion: &Motion<'_>) -> Result<f64, Missing> {
    let (from_s, to_s) = motion.span_s()?;
    let peak = sample(from_s, to_s, |t| motion.speed_m_s(THROWING.knuckle, t))?.highest_of_known()?;
    if peak.at_edge {
        return Err(Missing::NoPeak {
            what: "the speed of the throwing knuckle",
            from_s,
            to_s,
        });
    }
    Ok(peak.time_s + RELEASE_AFTER_PEAK_S)
}

/// The joints of the lead foot that are known all through the window in which contact is looked for.
pub(super) fn contact_joints(motion: &Motion<'_>, release_s: f64) -> Result<Vec<Joint>, Missing> {
    let (from_s, to_s) = stride_window(motion, release_s)?;
    let mut known = Vec::new();
    let mut first_gap = None;
    for joint in [LEAD.heel, LEAD.big_toe, LEAD.small_toe] {
        let steps = ((to_s - from_s) / 0.002) as usize;
        match (0..=steps).try_for_each(|i| motion.state(joint, from_s + 0.002 * i as f64).map(|_| ())) {
            Ok(()) => known.push(joint),
            Err(why) => {
                first_gap.get_or_insert(why);
            }
        }
    }
    match first_gap {
        Some(why) if known.is_empty() => Err(why),
        _ => Ok(known),
    }
}

fn stride_window(motion: &Motion<'_>, release_s: f64) -> Result<(f64, f64), Missing> {
    let (start_s, end_s) = motion.span_s()?;
    if release_s <= start_s || release_s > end_s {
        return Err(Missing::OutsideRecording { time_s: release_s });
    }
    Ok(((release_s - STRIDE_WINDOW_S).max(start_s), release_s))
}

/// Foot contact.
pub(super) fn foot_contact(motion: &Motion<'_>, release_s: f64) -> Result<f64, Missing> {
    let (from_s, to_s) = stride_window(motion, release_s)?;
    let joints = contact_joints(motion, release_s)?;
    let speed = |t: f64| -> Result<f64, Missing> {
        let mut sum = 0.0;
        for &joint in &joints {
            sum += motion.speed_m_s(joint, t)?;
        }
        Ok(sum / joints.len() as f64)
    };
    let fastest = sample(from_s, to_s, speed)?.highest()?;
    let level = CONTACT_SPEED_SHARE * fastest.value;
    let still_moving = Missing::NoCrossing {
        what: "the lead foot does not come to stand (30 % of its largest speed)",
        from_s,
        to_s,
    };
    match sample(fastest.time_s, to_s, speed)?.last_at_or_above(level) {
        Some(bracket) if bracket.0 < bracket.1 => crossing(bracket, level, speed),
        _ => Err(still_moving),
    }
}

/// Layback, from unwrapped external rotation in degrees.
pub(super) fn layback(
    contact_s: f64,
    release_s: f64,
    rotation_deg: impl Fn(f64) -> Result<f64, Missing>,
) -> Result<f64, Missing> {
    let (from_s, to_s) = (contact_s + LAYBACK_AFTER_CONTACT_S, release_s);
    let top = sample(from_s, to_s, &rotation_deg)?.highest()?;
    let no_peak = Missing::NoPeak {
        what: "shoulder external rotation",
        from_s,
        to_s,
    };
    if top.at_edge {
        return Err(no_peak);
    }
    // Least squares over evenly spaced points around the top: the odd and even moments part.
    let half = (LAYBACK_HALF_WIDTH_S / STEP_S).round() as i32;
    let (mut y0, mut y1, mut y2, mut s0, mut s2, mut s4) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for i in -half..=half {
        let x = f64::from(i);
        let y = rotation_deg(top.time_s + x * STEP_S)? - top.value;
        y0 += y;
        y1 += x * y;
        y2 += x * x * y;
        s0 += 1.0;
        s2 += x * x;
        s4 += x * x * x * x;
    }
    let slope = y1 / s2;
    let bend = (s0 * y2 - s2 * y0) / (s0 * s4 - s2 * s2);
    let shift = -slope / (2.0 * bend);
    if bend < 0.0 && shift.abs() <= f64::from(half) {
        Ok(top.time_s + shift * STEP_S)
    } else {
        Err(no_peak)
    }
}

/// Peak knee lift.
pub(super) fn peak_knee_lift(motion: &Motion<'_>, contact_s: f64, release_s: f64) -> Result<f64, Missing> {
    if !motion.trajectory.world_known {
        return Err(Missing::World);
    }
    let from_s = (release_s - DELIVERY_BEFORE_RELEASE_S).max(motion.span_s()?.0);
    let to_s = contact_s - KNEE_LIFT_BEFORE_CONTACT_S;
    let peak = sample(from_s, to_s, |t| motion.height_m(LEAD.knee, t))?.highest_of_known()?;
    if peak.at_edge {
        return Err(Missing::NoPeak {
            what: "the height of the lead knee",
            from_s,
            to_s,
        });
    }
    Ok(peak.time_s)
}
