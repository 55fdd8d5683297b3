//! Figures of the film studio's deliveries, without any picture: exact joints, or joints with noise of its own.

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StudentT};
use std::collections::BTreeMap;
use twinmound::findings::{Evidence, Figure};
use twinmound::kinematics::{Athlete, DeliveryMeasures, Options, measure};
use twinmound::scene::motion::{Delivery, Style};
use twinmound::scene::rig::Rig;
use twinmound::skeleton::{PerJoint, Side};
use twinmound::trajectory::Trajectory;

/// Standard deviation of one coordinate of a joint, metres: its mean distance from the truth is then 16 mm, as on the two
/// rendered recordings of the README.
pub(super) const JOINT_SD_M: f64 = 0.010;
/// How long such an error lasts, seconds (area under its autocorrelation).
const NOISE_TIME_S: f64 = 0.05;
/// Cosines in one coordinate's noise.
const COSINES: usize = 48;

/// One delivery of the studio.
#[derive(Clone, Copy, Debug)]
pub(super) struct Thrown {
    pub(super) style: &'static str,
    pub(super) strength: f64,
    pub(super) throws: Side,
    pub(super) seed: u64,
}

impl Thrown {
    fn delivery(&self) -> Delivery {
        // Every seed another body; the two hands have other seeds.
        let height_m = match self.style {
            "youth" => 1.40 + 0.01 * (self.seed % 24) as f64,
            _ => 1.68 + 0.012 * (self.seed % 24) as f64,
        };
        let style = Style::named(self.style)
            .unwrap()
            .throwing(self.throws)
            .with_strength(self.strength)
            .with_seed(self.seed);
        Delivery::new(&style, &Rig::proportioned(height_m))
    }

    /// The joints at 240 Hz, from before knee lift to after release.
    fn trajectory(&self) -> (Trajectory, Athlete) {
        let delivery = self.delivery();
        let phases = delivery.phases();
        let (from, to) = (phases.knee_lift_s - 0.25, phases.release_s + 0.12);
        let count = ((to - from) * 240.0) as usize;
        let times: Vec<f64> = (0..count).map(|i| from + i as f64 / 240.0).collect();
        let athlete = Athlete {
            height_m: Some(delivery.rig().height_m),
            mass_kg: Some(80.0),
            throws: Some(self.throws),
            ..Athlete::default()
        };
        (delivery.trajectory(&times), athlete)
    }

    /// Figures of exact joints, without doubt.
    pub(super) fn exact(&self) -> DeliveryMeasures {
        let (trajectory, athlete) = self.trajectory();
        measure(&trajectory, &athlete, &Options::without_doubt())
    }

    /// Figures of joints with noise of [`JOINT_SD_M`], without doubt.
    pub(super) fn noisy(&self) -> DeliveryMeasures {
        let (mut trajectory, athlete) = self.trajectory();
        let mut random = ChaCha8Rng::seed_from_u64(self.seed ^ 0x5eed);
        add_noise(&mut trajectory, &mut random);
        measure(&trajectory, &athlete, &Options::without_doubt())
    }

    /// Figures of exact joints of which [`JOINT_SD_M`] is stated, with the doubt that the program gives them.
    pub(super) fn doubted(&self) -> DeliveryMeasures {
        let (mut trajectory, athlete) = self.trajectory();
        for states in &mut trajectory.joints.0 {
            for state in states.iter_mut().flatten() {
                state.sd_m = Some(JOINT_SD_M);
            }
        }
        let options = Options {
            draws: 60,
            noise_time_s: PerJoint::from_fn(|_| NOISE_TIME_S),
            ..Options::default()
        };
        measure(&trajectory, &athlete, &options)
    }
}

/// Smooth noise with the Matern-5/2 covariance by random cosines (Rahimi & Recht 2007): another route than the program's own.
fn add_noise(trajectory: &mut Trajectory, random: &mut ChaCha8Rng) {
    // Its spectral density is that of a Student t with 5 degrees of freedom (Rasmussen & Williams 2006, section 4.2); an
    // area of T under the autocorrelation makes the rate 8 / (3 T).
    let spectrum = StudentT::new(5.0).unwrap();
    let rate = 8.0 / (3.0 * NOISE_TIME_S) / 5.0_f64.sqrt();
    let size = JOINT_SD_M * (2.0 / COSINES as f64).sqrt();
    for states in &mut trajectory.joints.0 {
        for axis in 0..3 {
            let cosines: Vec<(f64, f64)> = (0..COSINES)
                .map(|_| {
                    let turn = random.random_range(0.0..std::f64::consts::TAU);
                    (rate * spectrum.sample(random), turn)
                })
                .collect();
            for (state, time) in states.iter_mut().zip(&trajectory.times) {
                let Some(state) = state else { continue };
                let mut noise = Vector3::zeros();
                for (omega, turn) in &cosines {
                    let (sin, cos) = (omega * time.0 + turn).sin_cos();
                    noise += Vector3::new(cos, -omega * sin, -omega * omega * cos) * size;
                }
                state.position_m[axis] += noise.x;
                state.velocity_m_s[axis] += noise.y;
                state.acceleration_m_s2[axis] += noise.z;
            }
        }
    }
}

/// Values of one measurement with the doubts and statuses of another.
pub(super) fn evidence(values: &DeliveryMeasures, doubts: &DeliveryMeasures) -> Evidence {
    let doubts = Evidence::of(doubts);
    let of = Evidence::of(values);
    let figures: BTreeMap<String, Figure> = of
        .figures
        .into_iter()
        .map(|(id, figure)| {
            let doubt = doubts.figures.get(&id);
            let with = Figure {
                sd: doubt.and_then(|d| d.sd),
                doubtful: figure.doubtful || doubt.is_none_or(|d| d.doubtful),
                ..figure
            };
            (id, with)
        })
        .collect();
    Evidence { figures, ..of }
}
