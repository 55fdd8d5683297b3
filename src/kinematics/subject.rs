//! The subject of a measurement: everything given, turned into a right-hander's.

use nalgebra::Vector3;

use crate::ball::{BallFlight, Unseen};
use crate::skeleton::{Handedness, PerJoint};
use crate::trajectory::Trajectory;

use super::Options;
use super::athlete::{Athlete, Height, estimate_height};
use super::delivery::Figures;
use super::energy::{BODY, Inertia};
use super::events::{Event, PerEvent};
use super::inertia::Sex;
use super::mirror;
use super::motion::Motion;
use super::perturb::{ClockDoubt, speed_noise_per_s};

/// A trajectory with all that is known about it, mirrored to a right-hander.
pub(super) struct Subject {
    pub(super) trajectory: Trajectory,
    pub(super) throws: Handedness,
    pub(super) sex: Sex,
    pub(super) figures: Figures,
    pub(super) ball: Result<BallFlight, Unseen>,
    pub(super) events: Option<PerEvent<Option<Event>>>,
    pub(super) release: Option<Event>,
    pub(super) noise_time_s: PerJoint<f64>,
    pub(super) bandwidth_hz: PerJoint<Option<f64>>,
    pub(super) tilt_sd_deg: f64,
    pub(super) yaw_sd_deg: f64,
    pub(super) clock: Option<ClockDoubt>,
    /// Noisy versions that were given.
    pub(super) versions: Vec<Trajectory>,
    speed_noise_per_s: PerJoint<f64>,
}

impl Subject {
    /// Mirrors a left-hander's motion and options, and estimates a height that was not given.
    pub(super) fn new(
        original: &Trajectory,
        athlete: &Athlete,
        throws: Handedness,
        options: &Options,
    ) -> Self {
        let view = |v: Vector3<f64>| mirror::vector(v, throws);
        let noise_time_s = mirror::per_joint(&options.noise_time_s, throws);
        let mut subject = Self {
            trajectory: mirror::trajectory(original, throws),
            throws,
            sex: athlete.sex,
            figures: Figures {
                height: athlete.height_m.map_or(Height::Unknown, Height::Given),
                mass_kg: athlete.mass_kg,
            },
            ball: options
                .ball
                .as_ref()
                .map_err(Clone::clone)
                .map(|ball| ball.mapped(view)),
            events: options.events,
            release: options.release,
            speed_noise_per_s: PerJoint::from_fn(|joint| speed_noise_per_s(noise_time_s[joint])),
            noise_time_s,
            bandwidth_hz: mirror::per_joint(&options.bandwidth_hz, throws),
            versions: options
                .versions
                .iter()
                .map(|v| mirror::trajectory(v, throws))
                .collect(),
            tilt_sd_deg: options.tilt_sd_deg,
            yaw_sd_deg: options.yaw_sd_deg,
            clock: options.clock.map(|clock| ClockDoubt {
                left_view: view(clock.left_view),
                right_view: view(clock.right_view),
                ..clock
            }),
        };
        if athlete.height_m.is_none() {
            let lengths_m = subject.inertia().lengths_m;
            let lengths: Vec<_> = BODY.iter().map(|s| s.kind).zip(lengths_m).collect();
            subject.figures.height = estimate_height(&lengths, athlete.sex);
        }
        subject
    }

    /// A version of the motion, read as this subject's.
    pub(super) fn motion<'a>(&'a self, trajectory: &'a Trajectory) -> Motion<'a> {
        Motion {
            trajectory,
            throws: self.throws,
            speed_noise_per_s: &self.speed_noise_per_s,
        }
    }

    /// Inertia of the body as measured.
    pub(super) fn inertia(&self) -> Inertia {
        Inertia::new(&self.motion(&self.trajectory), self.sex)
    }
}
