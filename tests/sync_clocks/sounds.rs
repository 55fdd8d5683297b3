//! Two clocks found from synthetic claps: different gains, filters, rates and noise, and the ways through the air.

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use twinmound::geometry::{Phone, WorldPoint};
use twinmound::ingest::{IngestOptions, SoundTrack, open_clip};
use twinmound::picture::{ColourMatrix, Grey, Picture};
use twinmound::scene::encode::{FilmOptions, FilmSound, FilmWriter};
use twinmound::sync::{AudioDelay, SoundOptions, SoundPaths, SyncError, offset_from_sound};
use twinmound::units::Seconds;

use super::{normal, scene};

/// A sound of damped partials that begins at once, as a clap does.
struct Clap {
    at_s: f64,
    place: Vector3<f64>,
    partials: Vec<(f64, f64, f64)>,
}

impl Clap {
    fn new(at_s: f64, place: Vector3<f64>, rng: &mut ChaCha8Rng) -> Self {
        let mut partial = || {
            (
                rng.random_range(400.0..8000.0),
                rng.random_range(0.0..std::f64::consts::TAU),
                rng.random_range(80.0..500.0),
            )
        };
        Self {
            at_s,
            place,
            partials: (0..40).map(|_| partial()).collect(),
        }
    }

    fn pressure(&self, since_s: f64) -> f64 {
        // After a fifth of a second the slowest partial is down by 1e-7.
        if since_s <= 0.0 || since_s > 0.2 {
            return 0.0;
        }
        // Loud within a fifth of a millisecond.
        let attack = 1.0 - (-since_s / 0.0002).exp();
        let partial = |(hz, phase, damping): &(f64, f64, f64)| {
            (-damping * since_s).exp() * (std::f64::consts::TAU * hz * since_s + phase).sin()
        };
        attack * self.partials.iter().map(partial).sum::<f64>()
    }
}

/// How one phone hears.
pub(super) struct Microphone {
    rate_hz: f64,
    start_s: f64,
    gain: f64,
    noise: f64,
    /// Time constants of a one-pole low pass and high pass, seconds.
    low_s: f64,
    high_s: f64,
}

fn heard(claps: &[Clap], mic: &Microphone, at: Vector3<f64>, clock_offset_s: f64, seed: u64) -> SoundTrack {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut low, mut slow) = (0.0, 0.0);
    let samples = (0..(3.0 * mic.rate_hz) as usize)
        .map(|i| {
            let world_s = mic.start_s + i as f64 / mic.rate_hz + clock_offset_s;
            let sound: f64 = claps
                .iter()
                .map(|clap| {
                    let way_m = (clap.place - at).norm();
                    clap.pressure(world_s - clap.at_s - way_m / 343.0) / way_m
                })
                .sum();
            let raw = mic.gain * sound + mic.noise * normal(&mut rng);
            low += (raw - low) * (1.0 - (-1.0 / (mic.rate_hz * mic.low_s)).exp());
            slow += (low - slow) * (1.0 - (-1.0 / (mic.rate_hz * mic.high_s)).exp());
            (low - slow) as f32
        })
        .collect();
    SoundTrack {
        samples,
        rate_hz: mic.rate_hz,
        start: Seconds(mic.start_s),
        warnings: Vec::new(),
    }
}

/// A microphone of random gain, noise and filters.
pub(super) fn microphone(rng: &mut ChaCha8Rng) -> Microphone {
    Microphone {
        rate_hz: if rng.random_range(0..2) == 0 {
            44_100.0
        } else {
            48_000.0
        },
        start_s: rng.random_range(-0.02..0.02),
        gain: 10f64.powf(rng.random_range(-1.5..-0.3)),
        noise: rng.random_range(0.0005..0.004),
        low_s: rng.random_range(15e-6..50e-6),
        high_s: rng.random_range(0.5e-3..2e-3),
    }
}

/// Two claps at a place as both phones hear them, each on its own clock.
pub(super) fn clapping(
    place: Vector3<f64>,
    phones: [Vector3<f64>; 2],
    offsets_s: [f64; 2],
    mics: [Microphone; 2],
    seed: u64,
) -> [SoundTrack; 2] {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let second_s = 1.2 + rng.random_range(0.0..0.1);
    let claps = [0.9, second_s].map(|at_s| Clap::new(at_s, place, &mut rng));
    [0, 1].map(|i| heard(&claps, &mics[i], phones[i], offsets_s[i], 30 * seed + i as u64))
}

#[test]
fn claps_give_the_offset_to_a_fifth_of_a_millisecond_after_path_correction() {
    let scene = scene();
    let place = |phone| scene.rig.camera_from_world(phone).centre().0;
    let rubber = Vector3::new(-0.3, 1.2, -0.4);
    let mut worst = 0.0_f64;
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let truth = rng.random_range(-0.8..0.8);
        let claps = [
            Clap::new(0.9, rubber, &mut rng),
            Clap::new(1.21 + rng.random_range(0.0..0.1), rubber, &mut rng),
            // The ball in the glove, at the plate.
            Clap::new(2.0, Vector3::new(18.4, 0.7, 0.0), &mut rng),
        ];
        let left = Microphone {
            rate_hz: 48_000.0,
            start_s: 0.02,
            gain: 0.05,
            noise: 0.002,
            low_s: 20e-6,
            high_s: 2e-3,
        };
        let right = Microphone {
            rate_hz: if seed % 2 == 0 { 44_100.0 } else { 48_000.0 },
            start_s: -0.013,
            gain: 0.3,
            noise: 0.01,
            low_s: 45e-6,
            high_s: 0.5e-3,
        };
        let left = heard(&claps, &left, place(Phone::Left), 0.0, 10 * seed);
        let right = heard(&claps, &right, place(Phone::Right), truth, 10 * seed + 1);
        let paths = SoundPaths::from_rig(&scene.rig, WorldPoint(rubber), 0.3);
        let known = AudioDelay {
            difference_s: 0.0,
            sd_s: 0.0,
        };
        let options = SoundOptions {
            paths: Some(paths),
            baseline_m: None,
            delay: known,
        };
        let found = offset_from_sound(&left, &right, &options).unwrap();
        let error = found.clock.offset_s - truth;
        worst = worst.max(error.abs());
        assert!(error.abs() < 2e-4, "seed {seed}: {error} {found:?}");
        assert!(found.onsets >= 2 && found.confidence > 0.1, "{found:?}");
        // Nothing known: the doubt covers the way and the phones' delays.
        let blind = offset_from_sound(&left, &right, &SoundOptions::default()).unwrap();
        assert!(blind.clock.sd_s > 0.02);
        assert!((blind.clock.offset_s - truth).abs() < 2.0 * blind.clock.sd_s);
    }
    println!("sound: worst error {:.4} ms of 20", worst * 1e3);
}

#[test]
fn sounds_that_tell_nothing_are_refused() {
    let track = |samples: Vec<f32>| SoundTrack {
        samples,
        rate_hz: 48_000.0,
        start: Seconds(0.0),
        warnings: Vec::new(),
    };
    let options = SoundOptions::default();
    let hiss = |seed| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        track((0..144_000).map(|_| 0.01 * normal(&mut rng) as f32).collect())
    };
    let silent = track(vec![0.0; 144_000]);
    let error = offset_from_sound(&silent, &hiss(1), &options).unwrap_err();
    assert!(
        matches!(error, SyncError::NoUsableSound { side: "left", .. }),
        "{error}"
    );
    let error = offset_from_sound(&hiss(1), &hiss(2), &options).unwrap_err();
    assert!(matches!(error, SyncError::SoundsUnlike { .. }), "{error}");
    // A metronome fits every beat.
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let mut one = Clap::new(0.2, Vector3::zeros(), &mut rng);
    let beats: Vec<Clap> = (0..50)
        .map(|i| {
            one.at_s = 0.05 + 0.25 * f64::from(i);
            Clap {
                at_s: one.at_s,
                place: one.place,
                partials: one.partials.clone(),
            }
        })
        .collect();
    let mic = Microphone {
        rate_hz: 48_000.0,
        start_s: 3.0,
        gain: 0.1,
        noise: 0.001,
        low_s: 20e-6,
        high_s: 2e-3,
    };
    let at = Vector3::new(3.0, 0.0, 0.0);
    let (left, right) = (heard(&beats, &mic, at, 0.0, 5), heard(&beats, &mic, at, 0.1, 6));
    let error = offset_from_sound(&left, &right, &options).unwrap_err();
    assert!(matches!(error, SyncError::SoundAmbiguous { .. }), "{error}");
}

#[test]
fn claps_survive_two_phones_files() {
    let dir = tempfile::tempdir().unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let claps = [0.5, 0.83].map(|at| Clap::new(at, Vector3::zeros(), &mut rng));
    let at = Vector3::new(5.0, 0.0, 0.0);
    let truth = 0.1234;
    let tracks =
        [(48_000_u32, 0.0, "left.mp4"), (44_100, truth, "right.mp4")].map(|(rate_hz, offset_s, name)| {
            let mic = Microphone {
                rate_hz: f64::from(rate_hz),
                start_s: 0.0,
                gain: 0.1,
                noise: 0.002,
                low_s: 20e-6,
                high_s: 2e-3,
            };
            let sound = FilmSound {
                samples: heard(&claps, &mic, at, offset_s, u64::from(rate_hz)).samples,
                rate_hz,
                start: Seconds(0.0),
            };
            let path = dir.path().join(name);
            let mut film =
                FilmWriter::create(&path, 64, 48, (240, 1), Some(&sound), FilmOptions::default()).unwrap();
            let grey = Picture {
                luma: Grey::filled(64, 48, 90),
                cb: Grey::filled(32, 24, 128),
                cr: Grey::filled(32, 24, 128),
                full_range: false,
                matrix: ColourMatrix::Bt709,
            };
            for i in 0..480 {
                film.push(&grey, Seconds(0.005 + f64::from(i) / 240.0)).unwrap();
            }
            film.finish().unwrap();
            let clip = open_clip(&path, &IngestOptions::default()).unwrap();
            clip.sound().unwrap().unwrap()
        });
    let found = offset_from_sound(&tracks[0], &tracks[1], &SoundOptions::default()).unwrap();
    println!(
        "sound through AAC: error {:.4} ms, {found:?}",
        (found.heard_s - truth) * 1e3
    );
    assert!((found.heard_s - truth).abs() < 1e-4, "{found:?}");
}
