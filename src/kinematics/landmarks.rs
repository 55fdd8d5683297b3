//! Further instants of a delivery, for pages: no metric hangs on them.

use super::delivery::Delivery;
use super::events::{DELIVERY_BEFORE_RELEASE_S, Event, EventName};
use super::metrics::legs::heel_lift_s;
use super::peaks::{crossing, sample};
use super::rates::trunk_rotation_speed_deg_s;
use super::reason::Missing;
use super::segments::{THROWING, mid_hips};

/// A further instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Landmark {
    /// `start_of_forward_movement`, `drive_heel_lift`, `pelvis_rotation_onset`, `trunk_rotation_onset`,
    /// `end_of_follow_through`.
    pub name: &'static str,
    /// When, or why it was not found.
    pub event: Result<Event, Missing>,
}

/// Finds one further instant.
type Finder = fn(&Delivery<'_>) -> Result<f64, Missing>;

/// The further instants, in the usual order of time.
pub(super) const LANDMARKS: [(&str, Finder); 5] = [
    ("start_of_forward_movement", start_of_forward_movement),
    ("drive_heel_lift", |d| {
        heel_lift_s(in_the_world(d)?, d.at(EventName::FootContact)?)
    }),
    ("pelvis_rotation_onset", |d| in_the_world(d)?.pelvis_onset_s()),
    ("trunk_rotation_onset", trunk_onset),
    ("end_of_follow_through", end_of_follow_through),
];

/// The hips move forward from this share of their largest forward speed on (own definition).
const FORWARD_SHARE: f64 = 0.1;
/// The follow-through ends when the hand falls below this share of its largest speed (own definition).
const FOLLOW_THROUGH_SHARE: f64 = 0.2;

/// The delivery, where up and the target are known.
fn in_the_world<'a, 'b>(d: &'a Delivery<'b>) -> Result<&'a Delivery<'b>, Missing> {
    if d.motion.trajectory.world_known {
        Ok(d)
    } else {
        Err(Missing::World)
    }
}

/// The last instant before the hips' fastest forward motion at which they are slower than a tenth of it.
fn start_of_forward_movement(d: &Delivery<'_>) -> Result<f64, Missing> {
    let d = in_the_world(d)?;
    let release_s = d.at(EventName::BallRelease)?;
    let from_s = (release_s - DELIVERY_BEFORE_RELEASE_S).max(d.motion.span_s()?.0);
    let speed = |t: f64| Ok(mid_hips(&d.motion, t)?.rate.x);
    let peak = sample(from_s, release_s, speed)?.highest()?;
    let level = FORWARD_SHARE * peak.value;
    let never = Missing::NoCrossing {
        what: "the hips were never at rest",
        from_s,
        to_s: peak.time_s,
    };
    let bracket = sample(from_s, peak.time_s, speed)?
        .last_below(level)
        .ok_or(never)?;
    crossing(bracket, level, speed)
}

/// As the pelvis': the last instant before its peak at which the trunk turns slower than 30 % of the peak.
fn trunk_onset(d: &Delivery<'_>) -> Result<f64, Missing> {
    let peak = d.trunk_peak()?;
    d.onset_before_s(&peak, trunk_rotation_speed_deg_s)
}

/// The first instant after release at which the throwing knuckle is slower than a fifth of its largest speed.
fn end_of_follow_through(d: &Delivery<'_>) -> Result<f64, Missing> {
    let (contact_s, release_s) = d.contact_to_release_s()?;
    let speed = |t: f64| d.motion.speed_m_s(THROWING.knuckle, t);
    let largest = sample(contact_s, release_s, speed)?.highest()?.value;
    let level = FOLLOW_THROUGH_SHARE * largest;
    let to_s = d.motion.span_s()?.1;
    let never = Missing::NoCrossing {
        what: "the hand does not come to rest",
        from_s: release_s,
        to_s,
    };
    let slowing = |t: f64| Ok(-speed(t)?);
    let bracket = sample(release_s, to_s, slowing)?
        .first_at_or_above(-level)
        .ok_or(never)?;
    crossing(bracket, -level, slowing)
}
