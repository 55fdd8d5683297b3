//! One delivery under the measure: its motion, its events, and the peaks several metrics share.

use std::cell::OnceCell;

use nalgebra::Vector3;

use crate::ball::{FlightState, Unseen};

use super::angles::external_rotation_deg;
use super::athlete::{Height, mass_for_ball_kg};
use super::energy::{Inertia, LOWER_BODY, THROWING_ARM, TRUNK_AND_HEAD, ball_j_kg};
use super::events::{self, DELIVERY_BEFORE_RELEASE_S, EventName, PerEvent};
use super::motion::Motion;
use super::peaks::{Peak, STEP_S, crossing, sample};
use super::rates::{direction_speed_deg_s, pelvis_rotation_speed_deg_s, trunk_rotation_speed_deg_s};
use super::reason::{Caution, Missing};
use super::segments::{GLOVE, THROWING};
use super::turns::Turns;

/// Pelvis and trunk turn fastest from this long before contact to this long after release, seconds.
const ROTATION_WINDOW_S: (f64, f64) = (0.4, 0.05);
/// The glove arm is looked at from this long before contact, seconds.
const GLOVE_BEFORE_CONTACT_S: f64 = 0.2;
/// A segment starts to turn when its speed passes this share of its peak.
const ONSET_SHARE: f64 = 0.3;
/// External rotation at contact lies in the turn that starts here, degrees.
const ROTATION_AT_CONTACT_LOW_DEG: f64 = -90.0;

/// Figures of the body that no draw of joint noise changes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Figures {
    pub(super) height: Height,
    pub(super) mass_kg: Option<f64>,
}

/// The ball's flight, as a right-hander's.
#[derive(Clone, Copy, Debug)]
pub(super) struct Thrown {
    /// The instant of the state, seconds.
    pub(super) epoch_s: f64,
    pub(super) state: FlightState,
    /// How much farther from the knuckle than usual it is held, shares of the hand's length.
    pub(super) held_off: f64,
    /// How much later after the knuckle's largest speed than usual it is released, seconds.
    pub(super) usual_off_s: f64,
}

impl Thrown {
    /// The ball's place on its flight, metres; before release, on the flight drawn backward.
    pub(super) fn position_m(&self, time_s: f64) -> Vector3<f64> {
        self.state.position_at(time_s - self.epoch_s)
    }

    /// Its speed, metres per second.
    pub(super) fn speed_m_s(&self, time_s: f64) -> f64 {
        self.state.velocity_at(time_s - self.epoch_s).norm()
    }
}

/// Events that need not be found.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Given {
    /// All events as given; those without a time stay missing.
    pub(super) events: Option<PerEvent<Option<f64>>>,
    /// Release alone, seconds.
    pub(super) release_s: Option<f64>,
    /// Added to a release found from the hand, seconds.
    pub(super) release_shift_s: f64,
}

/// A delivery with its events found; shared peaks are computed once, when first asked for.
pub(super) struct Delivery<'a> {
    pub(super) motion: Motion<'a>,
    pub(super) figures: Figures,
    pub(super) ball: Result<Thrown, Unseen>,
    pub(super) inertia: Inertia,
    pub(super) events: PerEvent<Result<f64, Missing>>,
    /// Whole turns of the shoulder's rotation, from contact on.
    turns: Option<Turns>,
    pelvis: OnceCell<Result<Peak, Missing>>,
    trunk: OnceCell<Result<Peak, Missing>>,
    glove: OnceCell<Result<Peak, Missing>>,
    onset: OnceCell<Result<f64, Missing>>,
    legs_energy: OnceCell<Result<Peak, Missing>>,
    trunk_energy: OnceCell<Result<Peak, Missing>>,
    arm_energy: OnceCell<Result<Peak, Missing>>,
}

impl<'a> Delivery<'a> {
    /// Finds the events that are not given.
    pub(super) fn new(
        motion: Motion<'a>,
        inertia: Inertia,
        figures: Figures,
        ball: Result<Thrown, Unseen>,
        given: &Given,
    ) -> Self {
        let missing = PerEvent::from_fn(|_| Err(Missing::NotGiven));
        let mut delivery = Self {
            motion,
            figures,
            ball,
            inertia,
            events: missing,
            turns: None,
            pelvis: OnceCell::new(),
            trunk: OnceCell::new(),
            glove: OnceCell::new(),
            onset: OnceCell::new(),
            legs_energy: OnceCell::new(),
            trunk_energy: OnceCell::new(),
            arm_energy: OnceCell::new(),
        };
        match &given.events {
            Some(times) => {
                for (event, time) in times.iter() {
                    delivery.events[event] = time.ok_or(Missing::NotGiven);
                }
                delivery.count_turns();
            }
            None => delivery.find_events(given),
        }
        delivery
    }

    fn find_events(&mut self, given: &Given) {
        self.events[EventName::BallRelease] = match given.release_s {
            Some(release_s) => Ok(release_s),
            None => match &self.ball {
                Ok(ball) => events::release_where_ball_meets_hand(&self.motion, ball),
                Err(_) => events::release_from_hand(&self.motion).map(|t| t + given.release_shift_s),
            },
        };
        self.events[EventName::FootContact] = self
            .at(EventName::BallRelease)
            .and_then(|release_s| events::foot_contact(&self.motion, release_s));
        self.count_turns();
        self.events[EventName::MaxExternalRotation] =
            self.contact_to_release_s().and_then(|(contact_s, release_s)| {
                events::layback(contact_s, release_s, |t| self.shoulder_rotation_deg(t))
            });
        self.events[EventName::PeakKneeLift] = self
            .contact_to_release_s()
            .and_then(|(contact_s, release_s)| events::peak_knee_lift(&self.motion, contact_s, release_s));
    }

    fn count_turns(&mut self) {
        let Ok((contact_s, release_s)) = self.contact_to_release_s() else {
            return;
        };
        // A little beyond both ends, for the speeds' windows and parabolas.
        let window = (contact_s - 0.02, release_s + 0.05);
        self.turns = Some(Turns::new(
            window,
            STEP_S,
            contact_s,
            ROTATION_AT_CONTACT_LOW_DEG,
            |t| {
                external_rotation_deg(&self.motion, &THROWING, t)
                    .ok()
                    .map(|a| a.value)
            },
        ));
    }

    /// The instant of an event.
    pub(super) fn at(&self, event: EventName) -> Result<f64, Missing> {
        self.events[event].clone().map_err(|why| match why {
            Missing::Event { .. } => why,
            other => Missing::Event {
                event,
                why: Box::new(other),
            },
        })
    }

    /// Contact and release, seconds.
    pub(super) fn contact_to_release_s(&self) -> Result<(f64, f64), Missing> {
        Ok((self.at(EventName::FootContact)?, self.at(EventName::BallRelease)?))
    }

    /// External rotation of the throwing shoulder, unwrapped from contact, degrees.
    pub(super) fn shoulder_rotation_deg(&self, time_s: f64) -> Result<f64, Missing> {
        let angle_deg = external_rotation_deg(&self.motion, &THROWING, time_s)?.value;
        Ok(self
            .turns
            .as_ref()
            .map_or(angle_deg, |turns| turns.place(time_s, angle_deg)))
    }

    /// Body height, metres, and the reason to doubt it.
    pub(super) fn height_m(&self) -> Result<(f64, Option<Caution>), Missing> {
        self.figures.height.metres()
    }

    /// Peak of a rotation speed in the window of pelvis and trunk.
    fn rotation_peak(
        &self,
        speed: impl Fn(&Motion<'_>, f64) -> Result<f64, Missing>,
    ) -> Result<Peak, Missing> {
        let (contact_s, release_s) = self.contact_to_release_s()?;
        let (before_s, after_s) = ROTATION_WINDOW_S;
        sample(contact_s - before_s, release_s + after_s, |t| {
            speed(&self.motion, t)
        })?
        .highest()
    }

    /// Peak rotation speed of the pelvis.
    pub(super) fn pelvis_peak(&self) -> Result<Peak, Missing> {
        self.pelvis
            .get_or_init(|| self.rotation_peak(pelvis_rotation_speed_deg_s))
            .clone()
    }

    /// Peak rotation speed of the trunk.
    pub(super) fn trunk_peak(&self) -> Result<Peak, Missing> {
        self.trunk
            .get_or_init(|| self.rotation_peak(trunk_rotation_speed_deg_s))
            .clone()
    }

    /// Peak angular speed of the glove upper arm's direction.
    pub(super) fn glove_peak(&self) -> Result<Peak, Missing> {
        self.glove
            .get_or_init(|| {
                let from_s = self.at(EventName::FootContact)? - GLOVE_BEFORE_CONTACT_S;
                let to_s = self.at(EventName::MaxExternalRotation)?;
                sample(from_s, to_s, |t| {
                    direction_speed_deg_s(&self.motion, GLOVE.shoulder, GLOVE.elbow, t)
                })?
                .highest()
            })
            .clone()
    }

    /// The last instant before its peak at which the pelvis turns slower than 30 % of the peak.
    pub(super) fn pelvis_onset_s(&self) -> Result<f64, Missing> {
        self.onset
            .get_or_init(|| self.onset_before_s(&self.pelvis_peak()?, pelvis_rotation_speed_deg_s))
            .clone()
    }

    /// The last instant before a rotation's peak at which its speed is under 30 % of the peak.
    pub(super) fn onset_before_s(
        &self,
        peak: &Peak,
        speed: impl Fn(&Motion<'_>, f64) -> Result<f64, Missing>,
    ) -> Result<f64, Missing> {
        let speed = |t: f64| speed(&self.motion, t);
        let from_s = (peak.time_s - DELIVERY_BEFORE_RELEASE_S).max(self.motion.span_s()?.0);
        let level = ONSET_SHARE * peak.value;
        let bracket = sample(from_s, peak.time_s, speed)?
            .last_below(level)
            .ok_or(Missing::NoCrossing {
                what: "the rotation is never slower than 30 % of its peak",
                from_s,
                to_s: peak.time_s,
            })?;
        crossing(bracket, level, speed)
    }

    /// Peak of an energy up to release, J per kg of body mass.
    fn energy_peak(&self, energy: impl Fn(f64) -> Result<f64, Missing>) -> Result<Peak, Missing> {
        let release_s = self.at(EventName::BallRelease)?;
        let from_s = (release_s - DELIVERY_BEFORE_RELEASE_S).max(self.motion.span_s()?.0);
        sample(from_s, release_s, energy)?.highest()
    }

    /// Peak energy of thighs, shanks and feet.
    pub(super) fn legs_energy_peak(&self) -> Result<Peak, Missing> {
        self.legs_energy
            .get_or_init(|| self.energy_peak(|t| self.inertia.energy_j_kg(&self.motion, LOWER_BODY, t)))
            .clone()
    }

    /// Peak energy of trunk and head.
    pub(super) fn trunk_energy_peak(&self) -> Result<Peak, Missing> {
        self.trunk_energy
            .get_or_init(|| self.energy_peak(|t| self.inertia.energy_j_kg(&self.motion, TRUNK_AND_HEAD, t)))
            .clone()
    }

    /// Energy of throwing arm with hand and, until release, ball; J per kg of body mass.
    pub(super) fn arm_energy_j_kg(&self, time_s: f64) -> Result<f64, Missing> {
        let arm = self.inertia.energy_j_kg(&self.motion, THROWING_ARM, time_s)?;
        let held = self.events[EventName::BallRelease]
            .as_ref()
            .is_ok_and(|&release_s| time_s <= release_s);
        if !held {
            return Ok(arm);
        }
        let (mass_kg, _) = mass_for_ball_kg(self.figures.mass_kg, self.figures.height)?;
        Ok(arm + ball_j_kg(&self.motion, mass_kg, time_s)?)
    }

    /// Peak energy of the throwing arm.
    pub(super) fn arm_energy_peak(&self) -> Result<Peak, Missing> {
        self.arm_energy
            .get_or_init(|| self.energy_peak(|t| self.arm_energy_j_kg(t)))
            .clone()
    }
}
