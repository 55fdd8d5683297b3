//! A ball dropped twice beside the rubber in rendered, coded films of both phones: the clock offset against the studio's.
//!
//! Each film is short and about the drops alone: the ball falls from a hand's height and bounces; on some days a pitcher waits
//! and somebody stands by. Clocks, drift, readouts, exposures, light, noise, ball and place are drawn; the program knows no
//! shutter, and a rig with a calibration's errors. Errors are those between the frames' middle instants. All figures are of rendered recordings.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test stops at the first surprise, and says what it measured"
)]

use nalgebra::{Rotation3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use twinmound::ball::{DropClock, FallWatch, NoDrop, Plumb, clock_from_drops};
use twinmound::demo::{Bystander, Cast, DemoRequest, Studio};
use twinmound::geometry::{Camera, RightFromLeft, Shutter, StereoRig, WorldFromLeft};
use twinmound::ingest::{Clip, IngestOptions, open_clip};
use twinmound::scene::dropped::DroppedBall;
use twinmound::scene::encode::{FilmOptions, FilmWriter};
use twinmound::scene::film::DeliveryFilm;
use twinmound::scene::motion::Style;
use twinmound::scene::set::Stage;
use twinmound::skeleton::Side;
use twinmound::sync::MotionSearch;
use twinmound::units::Seconds;

/// The goal for the clock.
const MOST_ERROR_S: f64 = 4e-4;
/// Films begin this long before the pitcher's own time, seconds, and last no longer.
const LEAD_S: f64 = 2.35;
/// From one drop to the next, seconds.
const AGAIN_S: f64 = 1.2;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// The same lens with pictures 1280 wide.
fn at_720p(camera: &mut Camera) {
    let scale = 1280.0 / f64::from(camera.width_px);
    (camera.width_px, camera.height_px) = (1280, 720);
    camera.fx_px *= scale;
    camera.fy_px *= scale;
    camera.cx_px = (camera.cx_px + 0.5) * scale - 0.5;
    camera.cy_px = (camera.cy_px + 0.5) * scale - 0.5;
}

/// One recording about its drops.
struct Day {
    studio: Studio,
    shutters: [Shutter; 2],
    rig: StereoRig,
}

impl Day {
    /// A day drawn from a seed, on which a ball is dropped `drops` times; `bounce` of its speed is left off the ground. Without
    /// people both phones film at 720p: such films are made in a third of the time.
    fn drawn(seed: u64, drops: usize, bounce: Option<f64>, people: bool) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(31_000 + seed);
        let throws = if seed.is_multiple_of(2) {
            Side::Right
        } else {
            Side::Left
        };
        let phones = Studio::new(&DemoRequest {
            out: std::path::PathBuf::new(),
            style: "clean".to_owned(),
            seed,
            throws,
            peers: Default::default(),
        })
        .unwrap()
        .phones;
        let side = if throws == Side::Right { 1.0 } else { -1.0 };
        let (x, z) = (rng.random_range(0.8..1.5), side * rng.random_range(0.0..0.9));
        let mut studio = Studio::of(Cast {
            style: Style::named("clean").unwrap().throwing(throws).with_seed(seed),
            body: "man-183-lean",
            seed,
            phones,
            bystanders: vec![Bystander {
                body: "woman-172-athletic",
                // A good step away from the ball, on the side of the plate.
                at_m: (x + 1.1, z - side * 0.3),
                turned_rad: rng.random_range(0.0..6.0),
                walks_m_s: None,
                seed: seed + 77,
            }],
        })
        .unwrap();
        if !people {
            studio.scene.actors.clear();
            for phone in &mut studio.phones {
                at_720p(&mut phone.camera);
            }
        }
        let stage = Stage::seeded(400 + seed);
        let ground_m = f64::from(stage.ground_m(x as f32, z as f32));
        studio.scene.stage = stage;
        let first_s = -LEAD_S + rng.random_range(0.12..0.25);
        let mut studio = studio.with_dropped_ball(
            DroppedBall {
                ground_m: Vector3::new(x, ground_m, z),
                height_m: rng.random_range(1.2..1.6),
                let_go_s: (0..drops).map(|k| first_s + AGAIN_S * k as f64).collect(),
                bounce: bounce.unwrap_or_else(|| rng.random_range(0.35..0.6)),
                aside_m_s: [0.15 * normal(&mut rng), 0.15 * normal(&mut rng)],
            },
            LEAD_S,
        );
        for phone in &mut studio.phones {
            phone.readout_s = (0.0035 + 0.001 * normal(&mut rng)).clamp(0.0015, 0.0055);
            phone.exposure_s = (0.001 + 0.0005 * normal(&mut rng)).clamp(0.0003, 0.003);
            phone.sensor.gain *= rng.random_range(0.6..1.15);
            phone.sensor.read_noise = rng.random_range(0.8..2.5);
            phone.clock.drift_ppm = 20.0 * normal(&mut rng);
        }
        studio.phones[1].clock.offset_s += rng.random_range(-0.05..0.05);
        let shutters = [0, 1].map(|i| {
            let camera = &studio.phones[i].camera;
            Shutter::unknown(camera.width_px, camera.height_px, studio.phones[i].turns)
        });
        let (left, right) = (studio.phones[0].pose.0, studio.phones[1].pose.0);
        // As a calibration knows it: to three hundredths of a degree and three millimetres.
        let mut pose = right.after(&left.inverse());
        pose.rotation =
            Rotation3::from_scaled_axis(Vector3::from_fn(|_, _| 0.0005 * normal(&mut rng))) * pose.rotation;
        pose.translation_m += Vector3::from_fn(|_, _| 0.003 * normal(&mut rng));
        let rig = StereoRig {
            left: studio.phones[0].camera,
            right: studio.phones[1].camera,
            right_from_left: RightFromLeft(pose),
            world_from_left: Some(WorldFromLeft(left.inverse())),
        };
        Self {
            studio,
            shutters,
            rig,
        }
    }

    /// The first `seconds` of the films, written and opened.
    fn filmed(&self, folder: &std::path::Path, seconds: f64) -> [Clip; 2] {
        [0, 1].map(|i| {
            let phone = &self.studio.phones[i];
            let path = folder.join(format!("phone-{i}.mp4"));
            let film = DeliveryFilm::new(&self.studio.scene, phone);
            let (width, height) = (phone.camera.width_px as usize, phone.camera.height_px as usize);
            let mut writer =
                FilmWriter::create(&path, width, height, (240, 1), None, FilmOptions::default()).unwrap();
            let frames = (seconds * phone.rate_hz) as usize;
            for (frame, picture) in film.pictures(0..frames).enumerate() {
                writer.push(&picture, Seconds(phone.frame_pts_s(frame))).unwrap();
            }
            writer.finish().unwrap();
            open_clip(&path, &IngestOptions::default()).unwrap()
        })
    }

    /// What the drops say, searched within `half_width_s` of the truth.
    fn clock(&self, clips: &[Clip; 2], half_width_s: f64) -> Result<DropClock, NoDrop> {
        let watches = [0, 1].map(|i| {
            let mut watch = FallWatch::new(clips[i].info.rate_hz);
            for frame in clips[i].frames().unwrap() {
                let frame = frame.unwrap();
                watch.look(frame.pts, &frame.picture);
            }
            watch
        });
        let search = MotionSearch {
            centre_s: self.offset_s() + 0.3 * half_width_s,
            half_width_s,
            ..MotionSearch::default()
        };
        clock_from_drops(clips, &watches, &self.rig, &self.shutters, &search)
    }

    fn offset_s(&self) -> f64 {
        self.studio.clock_offset_s(-1.5)
    }

    /// How far off the true vertical a plumb is, about the two horizontal axes, degrees.
    fn plumb_off_deg(&self, plumb: &Plumb) -> [f64; 2] {
        let up = -(self.rig.world_from_left.unwrap().0.rotation * plumb.down);
        [up.z.to_degrees(), up.x.to_degrees()]
    }

    /// Error of an offset between the middle instants of the frames.
    fn error_s(&self, found: &DropClock) -> f64 {
        let late = |shutters: [Shutter; 2]| (shutters[1].middle_delay() - shutters[0].middle_delay()).0;
        let true_shutters = [0, 1].map(|i| self.studio.phones[i].shutter());
        let at = self.studio.phones[0].clock.scene_time_s(found.found.clock.at.0);
        found.found.clock.offset_s + late(self.shutters)
            - self.studio.clock_offset_s(at)
            - late(true_shutters)
    }
}

/// What many days' drops say.
#[derive(Default)]
struct Tally {
    days: usize,
    found: usize,
    /// Clocks within the goal, and within their 90 % interval.
    near: usize,
    held: usize,
    clock_squares: f64,
    /// Tilts about two axes a day, within their 90 % interval.
    tilts: usize,
    tilts_held: usize,
    tilt_squares: f64,
}

impl Tally {
    fn of(seeds: std::ops::Range<u64>) -> Self {
        let mut tally = Self::default();
        for seed in seeds {
            let day = Day::drawn(seed, 2, None, seed.is_multiple_of(5));
            let folder = tempfile::tempdir().unwrap();
            let clips = day.filmed(folder.path(), LEAD_S - 0.05);
            tally.days += 1;
            match day.clock(&clips, 0.5) {
                Ok(found) => tally.add(seed, &day, &found),
                Err(why) => println!("day {seed}: {why}"),
            }
        }
        let n = tally.found.max(1) as f64;
        println!(
            "{} days, {} found: clock RMS {:.3} ms, {} within 0.4 ms, {} in their 90 % intervals; vertical RMS {:.2} degrees, {} of {} tilts in their 90 % intervals",
            tally.days,
            tally.found,
            1e3 * (tally.clock_squares / n).sqrt(),
            tally.near,
            tally.held,
            (tally.tilt_squares / tally.tilts.max(1) as f64).sqrt(),
            tally.tilts_held,
            tally.tilts
        );
        tally
    }

    fn add(&mut self, seed: u64, day: &Day, found: &DropClock) {
        let (error_s, sd_s) = (day.error_s(found), found.found.clock.sd_s);
        let plumb = found.plumb.map(|p| (day.plumb_off_deg(&p), p.sd_deg));
        println!(
            "day {seed}: clock {:+.3} ms, stated sd {:.3} ms (readouts {:.3}), {} drops, {} sightings, {:.2} px; vertical off {plumb:.2?} degrees",
            1e3 * error_s,
            1e3 * sd_s,
            1e3 * found.found.readout_sd_s,
            found.drops,
            found.found.samples,
            found.found.residual_px
        );
        self.found += 1;
        self.near += usize::from(error_s.abs() <= MOST_ERROR_S);
        self.held += usize::from(error_s.abs() < 1.645 * sd_s);
        self.clock_squares += error_s * error_s;
        if let Some((off, sd_deg)) = plumb {
            for tilt in off {
                self.tilts += 1;
                self.tilts_held += usize::from(tilt.abs() < 1.645 * sd_deg);
                self.tilt_squares += tilt * tilt;
            }
        }
    }
}

#[test]
fn a_ball_dropped_twice_before_the_delivery_is_found_and_tells_the_clock_and_the_vertical() {
    let tally = Tally::of(1..3);
    assert_eq!((tally.found, tally.near), (2, 2));
    assert!(tally.tilts == 4 && tally.tilt_squares / 4.0 < 0.7 * 0.7);
}

#[test]
fn a_ball_that_does_not_bounce_and_one_that_is_lowered_by_hand_tell_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let dead = Day::drawn(6, 1, Some(0.0), false);
    let clips = dead.filmed(folder.path(), 1.1);
    let why = dead.clock(&clips, 0.5).unwrap_err();
    assert!(matches!(why, NoDrop::NoBounce { .. }), "{why}");
    assert!(why.to_string().contains("did not see it bounce"), "{why}");
    // Down at an even three metres a second and up again.
    let mut lowered = Day::drawn(7, 1, None, false);
    let place = lowered.studio.scene.ball_at.take().unwrap()(-LEAD_S).unwrap();
    lowered.studio.scene.ball_at = Some(std::sync::Arc::new(move |t| {
        let down_m = 3.0 * (0.4 - (t + LEAD_S - 0.5).abs()).max(0.0);
        Some(place - Vector3::y() * down_m)
    }));
    let clips = lowered.filmed(folder.path(), 1.0);
    assert_eq!(lowered.clock(&clips, 0.5).unwrap_err(), NoDrop::NotSeen);
}

#[cfg(feature = "long-tests")]
#[test]
fn dropped_balls_meet_their_figures_on_twenty_four_days() {
    let tally = Tally::of(1..25);
    // 95 % of 24.
    assert!(tally.found >= 23 && tally.near >= 23);
    // The goal is 85 to 95 %; of 24 draws at 90 % the share scatters by 6 %, of 48 by 4.3 %.
    assert!((19..=24).contains(&tally.held));
    assert!(tally.tilts_held as f64 >= 0.8 * tally.tilts as f64);
    assert!(tally.tilt_squares / tally.tilts as f64 <= 0.7 * 0.7);
}
