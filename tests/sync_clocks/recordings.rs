//! The clock on forty recordings with all that phones do: random offset, drift, unknown readouts, sound of random gain, noise
//! and latency, coloured keypoint noise. Errors are those between the frames' middle instants.

use nalgebra::{Rotation3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use twinmound::geometry::{Phone, Shutter, WorldPoint};
use twinmound::sync::{
    DropViews, MotionOffset, MotionSearch, SoundOptions, SoundPaths, Spot, SyncError, fuse, offset_from_drop,
    offset_from_sound, pool_deliveries,
};
use twinmound::track::PoseTrack;
use twinmound::units::Seconds;

use super::sounds::{clapping, microphone};
use super::{Noise, Scene, joint_at, normal, scene, solve, track};

const RECORDINGS: u64 = 40;

/// One recording's truth.
struct Day {
    /// The phones as they are, and as the program takes them.
    film: Scene,
    assumed: Scene,
    offset_s: f64,
    drift: f64,
}

impl Day {
    fn of(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(9000 + seed);
        let (mut film, mut assumed) = (scene(), scene());
        let guess = |s: &Shutter| Shutter::unknown(s.width_px, s.height_px, s.turns);
        (assumed.left, assumed.right) = (guess(&film.left), guess(&film.right));
        film.left.readout_s = (0.0035 + 0.001 * normal(&mut rng)).clamp(0.001, 0.006);
        film.right.readout_s = (0.0035 + 0.001 * normal(&mut rng)).clamp(0.001, 0.006);
        film.left.exposure_s = assumed.left.exposure_s;
        film.right.exposure_s = assumed.right.exposure_s;
        Self {
            film,
            assumed,
            offset_s: rng.random_range(-0.4..0.4),
            drift: 20e-6 * normal(&mut rng),
        }
    }

    /// True offset between PTS clocks at an instant of the left one.
    fn offset_at(&self, left_s: f64) -> f64 {
        self.offset_s + self.drift * left_s
    }

    /// Error of an offset between the middle instants of the frames.
    fn error_s(&self, offset_s: f64, at_s: f64) -> f64 {
        let middle = |s: &Scene| (s.right.middle_delay() - s.left.middle_delay()).0;
        offset_s + middle(&self.assumed) - self.offset_at(at_s) - middle(&self.film)
    }

    /// Delivery number `n`, half a minute after the one before.
    fn delivery(&self, n: u64, seed: u64) -> Result<MotionOffset, SyncError> {
        let start_s = 30.0 * n as f64;
        let film = |phone, offset_s| {
            track(
                &self.film,
                phone,
                offset_s,
                Noise::Coloured,
                100 * seed + n,
                &joint_at,
            )
        };
        // The drift within one delivery, 0.03 ms, is that of its middle.
        let mut pair = (
            film(Phone::Left, 0.0),
            film(Phone::Right, self.offset_at(start_s + 1.4)),
        );
        for track in [&mut pair.0, &mut pair.1] {
            later(track, start_s);
        }
        let search = MotionSearch {
            centre_s: self.offset_at(start_s),
            half_width_s: 0.06,
            ..MotionSearch::default()
        };
        solve(&self.assumed, &pair, &search)
    }
}

fn later(track: &mut PoseTrack, by_s: f64) {
    for pose in &mut track.poses {
        pose.pts += Seconds(by_s);
    }
}

/// Error and stated deviation, seconds.
type Off = (f64, f64);

/// Summary of errors with their stated deviations: share of errors within 0.4 ms and share within the 90 % intervals.
fn shares(name: &str, found: &[Off]) -> (f64, f64) {
    let n = found.len() as f64;
    let share = |inside: &dyn Fn(&Off) -> bool| found.iter().filter(|f| inside(f)).count() as f64 / n;
    let near = share(&|f| f.0.abs() <= 4e-4);
    let held = share(&|f| f.0.abs() < 1.645 * f.1);
    let rms_ms = (found.iter().map(|f| f.0 * f.0).sum::<f64>() / n).sqrt() * 1e3;
    let stated_ms = found.iter().map(|f| f.1).sum::<f64>() / n * 1e3;
    println!(
        "{name}, {n} recordings: RMS {rms_ms:.3} ms, mean stated sd {stated_ms:.3} ms, {:.0} % within 0.4 ms, \
         90 % intervals hold {:.0} %",
        100.0 * near,
        100.0 * held
    );
    (near, held)
}

#[test]
fn forty_single_deliveries_and_forty_sessions_of_five_meet_their_figures() {
    let found: Vec<(Vec<Off>, Off)> = (0..RECORDINGS)
        .into_par_iter()
        .map(|seed| {
            let day = Day::of(seed);
            let five: Vec<MotionOffset> = (0..5).map(|n| day.delivery(n, seed).unwrap()).collect();
            let pooled = pool_deliveries(&five).unwrap();
            assert!(pooled.drift.is_some());
            let of = |c: &twinmound::sync::ClockOffset| (day.error_s(c.offset_s, c.at.0), c.sd_s);
            (five.iter().map(|one| of(&one.clock)).collect(), of(&pooled))
        })
        .collect();
    let (ones, fives): (Vec<_>, Vec<_>) = found.into_iter().unzip();
    let (near, held) = shares("one delivery", &ones.concat());
    assert!(near >= 0.6, "{near}");
    assert!((0.85..=0.95).contains(&held), "{held}");
    let (near, held) = shares("five deliveries pooled", &fives);
    assert!(near >= 0.95, "{near}");
    // Of 40 draws at 90 % the share scatters by 4.7 %: the goal of 85 to 95 % widened by that.
    assert!((0.80..=1.0).contains(&held), "{held}");
}

/// Height of a ball dropped from 1.6 m at 0.2 s that bounces with six tenths of its speed, and is dropped again at 1.8 s.
fn ball_at(t: f64) -> Vector3<f64> {
    const G: f64 = 9.81;
    let radius = 0.037;
    let since = if t < 1.8 { t - 0.2 } else { t - 1.8 };
    let drop = 1.6 - radius;
    let fall_s = (2.0 * drop / G).sqrt();
    let mut height = drop - 0.5 * G * since.max(0.0).powi(2);
    let (mut begin, mut speed) = (fall_s, 0.6 * G * fall_s);
    while since > begin {
        let s = since - begin;
        height = speed * s - 0.5 * G * s * s;
        let lasts = 2.0 * speed / G;
        if s <= lasts || speed < 0.2 {
            break;
        }
        (begin, speed) = (begin + lasts, 0.6 * speed);
    }
    Vector3::new(0.7, radius + height.max(0.0), 0.3)
}

fn spots(day: &Day, phone: Phone, seed: u64) -> Vec<Spot> {
    let (shutter, offset_s) = match phone {
        Phone::Left => (&day.film.left, 0.0),
        Phone::Right => (&day.film.right, day.offset_at(1.5)),
    };
    let mut rng = ChaCha8Rng::seed_from_u64(4000 + 2 * seed + phone as u64);
    let (camera, pose) = (day.film.rig.camera(phone), day.film.rig.camera_from_world(phone));
    let first_s = 0.1 - offset_s + rng.random_range(0.0..1.0 / 240.0);
    // The ball's light and dark side move its seen middle; noise of a found blob.
    let bias = [0.4 * normal(&mut rng), 0.4 * normal(&mut rng)];
    (0..700)
        .map(|frame| {
            let pts = Seconds(first_s + f64::from(frame) / 240.0);
            let mut delay = shutter.middle_delay();
            let mut at = None;
            for _ in 0..5 {
                let world = WorldPoint(ball_at((pts + delay).0 + offset_s));
                let seen = camera.project(pose.apply(world)).unwrap();
                delay = shutter.delay(seen);
                at = Some(seen);
            }
            let mut at = at.unwrap();
            at.x_px += bias[0] + 0.3 * normal(&mut rng);
            at.y_px += bias[1] + 0.3 * normal(&mut rng);
            Spot { pts, at, sd_px: 0.4 }
        })
        .collect()
}

#[test]
fn a_ball_dropped_twice_gives_the_clock_to_a_few_tenths_of_a_millisecond() {
    let found: Vec<Off> = (0..RECORDINGS)
        .into_par_iter()
        .map(|seed| {
            let day = Day::of(500 + seed);
            let (left, right) = (spots(&day, Phone::Left, seed), spots(&day, Phone::Right, seed));
            // The rig is known as a calibration knows it.
            let mut rng = ChaCha8Rng::seed_from_u64(6000 + seed);
            let mut rig = day.assumed.rig.clone();
            let turn = Vector3::from_fn(|_, _| 0.0005 * normal(&mut rng));
            let pose = &mut rig.right_from_left.0;
            pose.rotation = Rotation3::from_scaled_axis(turn) * pose.rotation;
            pose.translation_m += Vector3::from_fn(|_, _| 0.003 * normal(&mut rng));
            let search = MotionSearch {
                centre_s: day.offset_s,
                half_width_s: 0.06,
                ..MotionSearch::default()
            };
            let views = DropViews {
                left: &left,
                right: &right,
                rig: &rig,
                left_shutter: &day.assumed.left,
                right_shutter: &day.assumed.right,
            };
            let clock = offset_from_drop(&views, &search).unwrap().clock;
            (day.error_s(clock.offset_s, 1.5), clock.sd_s)
        })
        .collect();
    let (near, held) = shares("a ball dropped twice", &found);
    assert!(near >= 0.95, "{near}");
    assert!((0.80..=1.0).contains(&held), "{held}");
}

#[test]
fn a_ball_that_lies_still_or_is_hardly_seen_is_refused() {
    let day = Day::of(1);
    let all = (spots(&day, Phone::Left, 1), spots(&day, Phone::Right, 1));
    let solve = |left: &[Spot], right: &[Spot]| {
        offset_from_drop(
            &DropViews {
                left,
                right,
                rig: &day.assumed.rig,
                left_shutter: &day.assumed.left,
                right_shutter: &day.assumed.right,
            },
            &MotionSearch::about(&twinmound::sync::ClockOffset::by_hand(day.offset_s, 0.01)),
        )
    };
    let still: Vec<Spot> = all
        .0
        .iter()
        .map(|s| Spot {
            at: all.0[0].at,
            ..*s
        })
        .collect();
    let error = solve(&still, &all.1).unwrap_err();
    assert!(matches!(error, SyncError::TooStill { .. }), "{error}");
    assert!(error.to_string().contains("something dropped"));
    assert!(solve(&all.0[..20], &all.1).is_err());
    assert!(solve(&[], &[]).is_err());
    assert!(solve(&all.0, &all.1).is_ok());
}

#[test]
fn sound_of_any_gain_and_noise_leads_the_motion_to_the_right_frame() {
    let mut disagree = 0;
    for seed in 0..10 {
        let day = Day::of(700 + seed);
        let mut rng = ChaCha8Rng::seed_from_u64(8000 + seed);
        let places = [Phone::Left, Phone::Right].map(|p| day.film.rig.camera_from_world(p).centre().0);
        let clap = Vector3::new(0.2, 1.3, 0.4);
        let [left, right] = clapping(
            clap,
            places,
            [0.0, day.offset_at(1.0)],
            [microphone(&mut rng), microphone(&mut rng)],
            seed,
        );
        // Each phone's sound is late by something of its own.
        let latency = [0.014 * normal(&mut rng), 0.014 * normal(&mut rng)];
        let late = |mut sound: twinmound::ingest::SoundTrack, by: f64| {
            sound.start += Seconds(by);
            sound
        };
        let options = SoundOptions {
            paths: Some(SoundPaths::from_rig(&day.film.rig, WorldPoint(clap), 1.0)),
            ..SoundOptions::default()
        };
        let heard = offset_from_sound(&late(left, latency[0]), &late(right, latency[1]), &options).unwrap();
        let pair = (
            track(&day.film, Phone::Left, 0.0, Noise::Coloured, seed, &joint_at),
            track(
                &day.film,
                Phone::Right,
                day.offset_at(1.4),
                Noise::Coloured,
                seed,
                &joint_at,
            ),
        );
        let motion = solve(&day.assumed, &pair, &MotionSearch::about(&heard.clock)).unwrap();
        let (clock, warnings) = fuse(Some(&heard.clock), Some(&motion.clock)).unwrap();
        disagree += warnings.len();
        assert!(
            day.error_s(clock.offset_s, 1.4).abs() < 4.0 * clock.sd_s,
            "seed {seed}: {clock:?}"
        );
        assert!(clock.sd_s < 1e-3);
    }
    assert_eq!(disagree, 0);
}

#[test]
fn the_motions_doubt_holds_on_other_seeds_and_other_noise() {
    // The factor on the formula's deviation was found on seeds below 240 and the two noises of the tests above; here are
    // other seeds and other noises.
    let noises = [
        ("white", Noise::White),
        ("coloured", Noise::Coloured),
        ("half coloured, 30 ms, no bias", Noise::Other(0.5, 0.03, 0.0)),
        (
            "coloured, 120 ms, bias of one deviation",
            Noise::Other(0.8, 0.12, 1.0),
        ),
    ];
    let mut all = Vec::new();
    for (name, noise) in noises {
        let scene = scene();
        let ratios: Vec<f64> = (5000..5060_u64)
            .into_par_iter()
            .map(|seed| {
                let truth = super::random_offset(seed);
                let pair = (
                    track(&scene, Phone::Left, 0.0, noise, seed, &joint_at),
                    track(&scene, Phone::Right, truth, noise, seed, &joint_at),
                );
                let search = MotionSearch {
                    centre_s: truth,
                    half_width_s: 0.06,
                    ..MotionSearch::default()
                };
                let found = solve(&scene, &pair, &search).unwrap().clock;
                (found.offset_s - truth) / found.sd_s
            })
            .collect();
        let n = ratios.len() as f64;
        let rms = (ratios.iter().map(|r| r * r).sum::<f64>() / n).sqrt();
        let held = ratios.iter().filter(|r| r.abs() < 1.645).count() as f64 / n;
        println!(
            "{name}: RMS of error over stated sd {rms:.2}, 90 % intervals hold {:.0} % of {n}",
            100.0 * held
        );
        // Sixty draws: the share scatters by 3.9 %; the mean square by 18 %.
        assert!(held >= 0.80, "{name}: {held}");
        all.extend(ratios);
    }
    let held = all.iter().filter(|r| r.abs() < 1.645).count() as f64 / all.len() as f64;
    println!("all: 90 % intervals hold {:.1} % of {}", 100.0 * held, all.len());
    assert!((0.85..=0.95).contains(&held), "{held}");
}
