//! Ball: the first frames of its flight, in both phones' pictures, become one path in space.
//!
//! Input: the few frames of each video about release, the throwing hand's path, the rig, the clock. Output:
//! [`BallFlight`], a launch state with its versions under noise, or the reason why there is none ([`Unseen`]).
//!
//! Method, without a network:
//! 1. [`look`]: in every frame of one phone, small spots that are there now and neither a little earlier nor a little
//!    later, about as wide as a ball at that distance;
//! 2. chains of spots that move on evenly from frame to frame;
//! 3. [`follow`]: a chain of each phone together are a flight when one line through space, bent by gravity and drag,
//!    starts at the hand with a throw's speed and passes through both phones' spots, each at its own row's instant;
//! 4. the spots nearest to that line are taken again in every frame, with a lower threshold, and fitted robustly.
//!
//! A ball *dropped* in view of both phones is found too, for the clocks: [`FallWatch`] sees each picture of the whole
//! recording while the athlete is looked for; [`clock_from_drops`] tells what fell and bounced, reads the pictures about it
//! once more, and gives the offset.
//!
//! People, gloves and leaves also move; they are neither as small, nor as even, nor in one flight from the hand.

/// Spots that moved.
mod spots;

/// Spots in a row.
mod chains;

/// The law of flight and its fit to both views.
mod flight;

/// Which flight it is.
mod search;

/// What noise does to the flight.
mod doubt;

/// Where and when to look.
mod hand;

/// The pictures about release.
mod glimpses;

/// A watch for a ball that is dropped, over a whole recording.
mod watch;

/// Falls in one phone's pictures.
mod falls;

/// Falls of both phones that are one ball's.
mod drops;

/// A drop's ball followed off the ground.
mod bounces;

/// The vertical from drops.
mod plumb;

/// The clocks from drops.
mod drop_clock;

use nalgebra::Vector3;

use crate::geometry::{Camera, CameraFromWorld, Shutter};
use crate::units::Seconds;

pub use doubt::RigDoubt;
pub use drop_clock::{DropClock, NoDrop, clock_from_drops};
pub use glimpses::{Look, look};
pub use hand::Hand;
pub use plumb::Plumb;
pub use search::follow;
pub use watch::FallWatch;

/// Diameter of a baseball, metres: circumference 9 to 9.25 inches (Official Baseball Rules, 3.01; from memory).
const BALL_DIAMETER_M: f64 = 0.0737;

/// Settings, with their reasons.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Fewest frames of each phone in which the ball must be seen.
    pub fewest_frames: usize,
    /// Most frames of each phone that are used: later ones say little of release.
    pub most_frames: usize,
    /// Downward acceleration, m/s2.
    pub gravity_m_s2: f64,
    /// Drag: deceleration over the square of the speed, 1/m. Half of air's density (1.2 kg/m3) times cross-section times
    /// a drag coefficient of 0.35, over 0.145 kg (from memory).
    pub drag_per_m: f64,
    /// Standard deviation of each coordinate of the acceleration, m/s2: spin's lift, which may be half of gravity, and the
    /// drag coefficient's spread.
    pub acceleration_sd_m_s2: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            fewest_frames: 3,
            most_frames: 12,
            gravity_m_s2: 9.806_65,
            drag_per_m: 0.0061,
            acceleration_sd_m_s2: 4.0,
        }
    }
}

/// One phone: its lens, place, shutter and clock.
#[derive(Clone, Copy, Debug)]
pub struct Sight {
    /// Lens.
    pub camera: Camera,
    /// Place.
    pub pose: CameraFromWorld,
    /// Rolling shutter.
    pub shutter: Shutter,
    /// LEFT's time less this phone's: 0 for LEFT, the clock offset for RIGHT, seconds.
    pub shift_s: f64,
    /// What a frame's presentation time counts from: LEFT's first frame.
    pub zero: Seconds,
    /// Frames a second.
    pub rate_hz: f64,
}

/// Position, velocity and acceleration of the ball at its flight's epoch, world frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlightState {
    /// Metres.
    pub position_m: Vector3<f64>,
    /// Metres per second.
    pub velocity_m_s: Vector3<f64>,
    /// Metres per second squared.
    pub acceleration_m_s2: Vector3<f64>,
}

impl FlightState {
    /// Where the ball is `after_s` after the epoch, metres.
    #[must_use]
    pub fn position_at(&self, after_s: f64) -> Vector3<f64> {
        self.position_m + (self.velocity_m_s + self.acceleration_m_s2 * (after_s / 2.0)) * after_s
    }

    /// How fast it is then, metres per second.
    #[must_use]
    pub fn velocity_at(&self, after_s: f64) -> Vector3<f64> {
        self.velocity_m_s + self.acceleration_m_s2 * after_s
    }

    /// The same with every vector changed, as by a mirror or a turn.
    #[must_use]
    pub fn mapped(&self, map: impl Fn(Vector3<f64>) -> Vector3<f64>) -> Self {
        Self {
            position_m: map(self.position_m),
            velocity_m_s: map(self.velocity_m_s),
            acceleration_m_s2: map(self.acceleration_m_s2),
        }
    }
}

/// The first part of the ball's flight, near the hand.
#[derive(Clone, Debug, PartialEq)]
pub struct BallFlight {
    /// The instant of the states, on LEFT's clock; near release.
    pub epoch: Seconds,
    /// The estimate.
    pub state: FlightState,
    /// What it could have been: versions under draws of pixel noise, clock, rig, spin. Empty when exact.
    pub versions: Vec<FlightState>,
    /// Frames in which it was seen, left and right.
    pub frames: [usize; 2],
    /// Root mean square distance of the ball in the pictures from the fitted path, pixels.
    pub rms_px: f64,
}

impl BallFlight {
    /// A flight without doubt, as a scene's truth has it.
    #[must_use]
    pub fn exact(epoch: Seconds, state: FlightState) -> Self {
        Self {
            epoch,
            state,
            versions: Vec::new(),
            frames: [0, 0],
            rms_px: 0.0,
        }
    }

    /// The same with every vector changed, as by a mirror.
    #[must_use]
    pub fn mapped(&self, map: impl Fn(Vector3<f64>) -> Vector3<f64>) -> Self {
        Self {
            state: self.state.mapped(&map),
            versions: self.versions.iter().map(|v| v.mapped(&map)).collect(),
            ..self.clone()
        }
    }
}

/// Why the ball's path is not known.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Unseen {
    /// There are no pictures to look into.
    #[error("the ball's path is not known: there are no pictures to find it in")]
    NoPictures,
    /// Where to look is unknown.
    #[error("the throwing hand is unknown about release, and so is where to look for the ball")]
    NoHand,
    /// A phone did not see it, or not long enough.
    #[error(
        "the ball's flight was followed through {left} frames of the left phone and {right} of the right; {needed} of each are needed"
    )]
    TooFewFrames {
        /// Of the left phone.
        left: usize,
        /// Of the right phone.
        right: usize,
        /// How many it takes.
        needed: usize,
    },
    /// What moves in the two pictures is not one ball.
    #[error(
        "nothing that moves in both phones' pictures flies in one straight line from the hand at a throw's speed"
    )]
    NotOneFlight,
    /// The videos.
    #[error("the video could not be read again about release: {why}")]
    Video {
        /// What the reader said.
        why: String,
    },
}
