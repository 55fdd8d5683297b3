//! The four events of a delivery, below one frame.
//!
//! - `ball_release`: given by the ball's path where it is seen; else 3 ms after the throwing knuckle is fastest.
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
