//! Sound: what each phone hears of a delivery, late by its distance, on its own clock.
//!
//! Every source is a sum of damped tones, so that its pressure is known at any instant and a delay need not be a whole
//! number of samples.

use std::f64::consts::TAU;

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::motion::{CATCHER_X_M, Delivery};
use crate::skeleton::{Joint, Side};

/// Samples per second.
pub const SAMPLE_RATE_HZ: u32 = 48_000;
/// Speed of sound at about 20 degrees Celsius, metres per second (from memory).
pub const SPEED_OF_SOUND_M_S: f64 = 343.0;
/// Damped tones per sound.
const TONES: usize = 48;
/// A sound is over after this many decay times.
const HEARD_DECAYS: f64 = 9.0;

/// A kind of sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SoundKind {
    /// Hands clapped: sharp, broad.
    Clap,
    /// The ball in the catcher's glove.
    GlovePop,
    /// The lead foot on the ground.
    Footfall,
    /// The pitcher's breath.
    Grunt,
}

/// A sound's timbre: lowest and highest tone, attack and decay times, loudness at 1 m.
struct Timbre {
    low_hz: f64,
    high_hz: f64,
    attack_s: f64,
    decay_s: f64,
    loudness: f64,
}

impl SoundKind {
    fn timbre(self) -> Timbre {
        let (low_hz, high_hz, attack_s, decay_s, loudness) = match self {
            Self::Clap => (500.0, 9000.0, 0.000_15, 0.006, 2.4),
            Self::GlovePop => (250.0, 4500.0, 0.000_3, 0.014, 5.0),
            Self::Footfall => (50.0, 350.0, 0.002, 0.035, 0.5),
            Self::Grunt => (110.0, 900.0, 0.03, 0.09, 0.25),
        };
        Timbre {
            low_hz,
            high_hz,
            attack_s,
            decay_s,
            loudness,
        }
    }
}

/// One sound of the scene.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoundEvent {
    /// What it is.
    pub kind: SoundKind,
    /// When it starts, scene time, seconds.
    pub at_s: f64,
    /// Where, world, metres.
    pub position_m: Vector3<f64>,
}

impl SoundEvent {
    /// The sounds of a delivery: footfall, breath, and the glove when the ball gets there. Scene times are the delivery's.
    #[must_use]
    pub fn of_delivery(delivery: &Delivery) -> Vec<Self> {
        let (contact_s, release_s) = (delivery.phases().contact_s, delivery.phases().release_s);
        let (arrives_s, glove_m) = delivery.flight().arrival(CATCHER_X_M);
        let lead_ankle = match delivery.throws() {
            Side::Right => Joint::LeftAnkle,
            Side::Left => Joint::RightAnkle,
        };
        let event = |kind, at_s, position_m| Self {
            kind,
            at_s,
            position_m,
        };
        vec![
            event(
                SoundKind::Footfall,
                contact_s,
                delivery.joints_at(contact_s)[lead_ankle],
            ),
            event(
                SoundKind::Grunt,
                release_s - 0.05,
                delivery.joints_at(release_s)[Joint::Nose],
            ),
            event(SoundKind::GlovePop, arrives_s, glove_m),
        ]
    }

    /// Two claps at a place, a third of a second apart.
    #[must_use]
    pub fn two_claps(first_s: f64, position_m: Vector3<f64>) -> [Self; 2] {
        [first_s, first_s + 0.34].map(|at_s| Self {
            kind: SoundKind::Clap,
            at_s,
            position_m,
        })
    }
}

/// How a phone hears.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Microphone {
    /// Where it stands, world, metres.
    pub position_m: Vector3<f64>,
    /// Factor on the pressure.
    pub gain: f32,
    /// Share (0 to 0.25) that each neighbouring sample bleeds into a sample: a mild low-pass without delay.
    pub dullness: f32,
    /// Standard deviation of the background noise.
    pub noise: f32,
    /// How much later than the pictures the phone stamps its sound, seconds.
    pub latency_s: f64,
    /// Seed of the noise.
    pub seed: u64,
}

/// What a phone records: mono samples at [`SAMPLE_RATE_HZ`], the first at 0 on the phone's clock. `scene_time_s` is the
/// scene's time at an instant of that clock.
#[must_use]
pub fn sound_track(
    events: &[SoundEvent],
    microphone: &Microphone,
    scene_time_s: impl Fn(f64) -> f64,
    duration_s: f64,
) -> Vec<f32> {
    let rate = f64::from(SAMPLE_RATE_HZ);
    let samples = (duration_s * rate).round().max(0.0) as usize;
    let mut heard = vec![0.0f32; samples];
    for (number, event) in events.iter().enumerate() {
        let voice = Voice::new(event.kind, number as u64);
        let distance_m = (event.position_m - microphone.position_m).norm();
        let arrives_s = event.at_s + distance_m / SPEED_OF_SOUND_M_S;
        let loudness = 1.0 / distance_m.max(0.5);
        for (i, sample) in heard.iter_mut().enumerate() {
            let since_s = scene_time_s(i as f64 / rate - microphone.latency_s) - arrives_s;
            if since_s > 0.0 && since_s < voice.length_s() {
                *sample += (loudness * voice.pressure(since_s)) as f32;
            }
        }
    }
    let mut random = ChaCha8Rng::seed_from_u64(microphone.seed);
    let side = microphone.dullness;
    (0..samples)
        .map(|i| {
            let at = |k: Option<usize>| k.and_then(|k| heard.get(k)).copied().unwrap_or(0.0);
            let mixed = (1.0 - 2.0 * side) * heard[i] + side * (at(i.checked_sub(1)) + at(Some(i + 1)));
            let noise: f32 = StandardNormal.sample(&mut random);
            (microphone.gain * mixed + microphone.noise * noise).clamp(-1.0, 1.0)
        })
        .collect()
}

/// The tones of one sound.
struct Voice {
    timbre: Timbre,
    /// Angular frequency and phase.
    tones: Vec<(f64, f64)>,
}

impl Voice {
    fn new(kind: SoundKind, number: u64) -> Self {
        let timbre = kind.timbre();
        let mut random = ChaCha8Rng::seed_from_u64(number.wrapping_mul(77) + kind as u64);
        let span = (timbre.high_hz / timbre.low_hz).ln();
        let tones = (0..TONES)
            .map(|_| {
                let pitch_hz = timbre.low_hz * (span * random.random::<f64>()).exp();
                (TAU * pitch_hz, TAU * random.random::<f64>())
            })
            .collect();
        Self { timbre, tones }
    }

    fn length_s(&self) -> f64 {
        self.timbre.attack_s + HEARD_DECAYS * self.timbre.decay_s
    }

    /// Pressure at a time after the start, at 1 m.
    fn pressure(&self, since_s: f64) -> f64 {
        let t = &self.timbre;
        let envelope = (1.0 - (-since_s / t.attack_s).exp()) * (-since_s / t.decay_s).exp();
        let sum: f64 = self
            .tones
            .iter()
            .map(|(w, phase)| (w * since_s + phase).sin())
            .sum();
        t.loudness * envelope * sum / (TONES as f64).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lag in samples at which `b` repeats `a` best: the plain cross-correlation's peak with a parabola through its top.
    fn lag(a: &[f32], b: &[f32], from: usize, length: usize, reach: i64) -> f64 {
        let value = |lag: i64| -> f64 {
            (from..from + length)
                .map(|i| f64::from(a[i]) * f64::from(b[(i as i64 + lag) as usize]))
                .sum()
        };
        let best = (-reach..=reach)
            .max_by(|x, y| value(*x).total_cmp(&value(*y)))
            .unwrap();
        let (l, m, r) = (value(best - 1), value(best), value(best + 1));
        best as f64 + 0.5 * (l - r) / (l - 2.0 * m + r)
    }

    #[test]
    fn a_clap_reaches_each_phone_late_by_its_distance_on_its_own_clock() {
        let clap_m = Vector3::new(1.0, 1.4, 0.5);
        let events = SoundEvent::two_claps(0.6, clap_m);
        let phone = |x: f64, z: f64, gain: f32, dullness: f32, latency_s: f64, seed: u64| Microphone {
            position_m: Vector3::new(x, 1.3, z),
            gain,
            dullness,
            noise: 0.004,
            latency_s,
            seed,
        };
        let (left, right) = (
            phone(8.0, -3.0, 0.6, 0.05, 0.0, 1),
            phone(2.0, 7.5, 0.8, 0.18, 0.0123, 2),
        );
        // Right's clock starts 0.0871 s later in the scene and runs 20 parts per million slow.
        let right_scene = |t: f64| 0.0871 + t * (1.0 + 20e-6);
        let a = sound_track(&events, &left, |t| t, 1.6);
        let b = sound_track(&events, &right, right_scene, 1.6);
        let rate = f64::from(SAMPLE_RATE_HZ);
        for event in events {
            let flight = |m: &Microphone| (event.position_m - m.position_m).norm() / SPEED_OF_SOUND_M_S;
            let in_left = event.at_s + flight(&left) + left.latency_s;
            let in_right = (event.at_s + flight(&right) - 0.0871) / (1.0 + 20e-6) + right.latency_s;
            let found = lag(&a, &b, (in_left * rate) as usize - 50, 1500, 6000);
            let true_lag = (in_right - in_left) * rate;
            assert!((found - true_lag).abs() < 1.0, "found {found}, true {true_lag}");
        }
    }

    #[test]
    fn the_glove_pops_when_the_ball_gets_there() {
        use crate::scene::motion::Style;
        use crate::scene::rig::Rig;
        let delivery = Delivery::new(&Style::default(), &Rig::proportioned(1.8));
        let sounds = SoundEvent::of_delivery(&delivery);
        let pop = sounds.iter().find(|s| s.kind == SoundKind::GlovePop).unwrap();
        assert!((pop.position_m.x - CATCHER_X_M).abs() < 1e-6);
        assert!(delivery.ball_at(pop.at_s - 1e-3).is_some());
        assert!(delivery.ball_at(pop.at_s + 1e-3).is_none());
        // 17 m at a little under the release speed.
        let seconds = pop.at_s - delivery.flight().release_s;
        let mean = (CATCHER_X_M - delivery.flight().release_point_m.x) / seconds;
        assert!(mean < delivery.flight().speed_m_s() && mean > 0.9 * delivery.flight().speed_m_s());
    }
}
