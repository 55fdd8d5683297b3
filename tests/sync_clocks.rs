//! Two clocks found from sound and from motion, against synthetic truth.
//!
//! Truth: joints on smooth analytic paths with a pitcher's speeds, seen by two distorting rolling-shutter cameras whose
//! clocks differ by a random offset. Noise: white of 2 px, and coloured as networks showed on rendered film (nine
//! tenths of the variance with a correlation time of 60 ms, a constant bias per joint and view of half its deviation).
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test stops at the first surprise, and says what it measured"
)]

/// Motion that must be refused.
mod refused;

/// Offsets from sound.
mod sounds;

/// Forty recordings with all that phones do.
mod recordings;

/// One person or two.
mod people;

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use twinmound::geometry::{
    Camera, CameraFromWorld, Phone, QuarterTurns, RightFromLeft, Shutter, StereoRig, WorldFromLeft,
    WorldPoint,
};
use twinmound::skeleton::{Joint, PerJoint};
use twinmound::sync::{
    ClockOffset, ClockSource, MotionOffset, MotionSearch, MotionViews, SyncError, TrackSampler, fuse,
    offset_from_motion,
};
use twinmound::track::{ImageJoint, Pose2d, PoseTrack};
use twinmound::units::Seconds;

/// A step from 0 to 1 between 0 and 1 that is smooth to the third derivative.
fn step(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x.powi(4) * (35.0 + x * (-84.0 + x * (70.0 - 20.0 * x)))
}

/// Where a joint is at an instant of the left clock (a delivery from 0.4 to 2.0 s), metres.
fn joint_at(joint: Joint, t: f64) -> Vector3<f64> {
    let i = joint.index() as f64;
    let (radius, turn, from, lasts) = match joint {
        Joint::RightKnuckle => (0.75, 2.6, 1.45, 0.17),
        Joint::RightWrist => (0.65, 2.5, 1.45, 0.17),
        Joint::RightElbow => (0.38, 2.0, 1.40, 0.22),
        Joint::LeftKnee | Joint::LeftAnkle | Joint::LeftHeel | Joint::LeftBigToe => (0.5, 1.6, 0.7, 0.6),
        _ => (0.15 + 0.01 * i, 1.0, 1.0 + 0.01 * i, 0.5),
    };
    let angle = 0.7 * i + turn * step((t - from) / lasts);
    let middle = Vector3::new(
        1.3 * step((t - 0.6) / 1.2),
        0.5 + 0.04 * i - 0.3 * step((t - 0.9) / 0.7),
        0.1 * (i * 1.3).sin(),
    );
    middle + radius * Vector3::new(angle.cos(), angle.sin(), 0.5 * (angle + 0.4).cos())
}

struct Scene {
    rig: StereoRig,
    left: Shutter,
    right: Shutter,
}

fn scene() -> Scene {
    let lens = |w: u32, h: u32, f: f64| Camera {
        width_px: w,
        height_px: h,
        fx_px: f,
        fy_px: f * 0.998,
        cx_px: f64::from(w) / 2.0 + 6.0,
        cy_px: f64::from(h) / 2.0 - 4.0,
        distortion: [0.09, -0.2, 0.0007, -0.0004, 0.08],
    };
    let aim = WorldPoint(Vector3::new(0.6, 1.0, 0.0));
    let pose =
        |x: f64, z: f64| CameraFromWorld::looking_at(WorldPoint(Vector3::new(x, 1.3, z)), aim).unwrap();
    let (left, right) = (pose(-1.2, 6.0), pose(5.5, 4.2));
    let shutter = |w, h, readout_s, exposure_s, turns| Shutter {
        readout_s,
        readout_sd_s: 0.0,
        exposure_s,
        exposure_sd_s: 0.0,
        turns,
        width_px: w,
        height_px: h,
    };
    Scene {
        rig: StereoRig {
            left: lens(1280, 720, 1000.0),
            right: lens(1920, 1080, 1480.0),
            right_from_left: RightFromLeft(right.0.after(&left.0.inverse())),
            world_from_left: Some(WorldFromLeft(left.0.inverse())),
        },
        left: shutter(1280, 720, 0.0035, 0.001, QuarterTurns::Zero),
        right: shutter(1920, 1080, 0.0039, 0.0006, QuarterTurns::Two),
    }
}

#[derive(Clone, Copy)]
enum Noise {
    None,
    White,
    Coloured,
    /// Another network's: share of the variance that lasts, for how long, and constant bias over deviation.
    Other(f64, f64, f64),
}

const NOISE_PX: f64 = 2.0;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Errors of one coordinate of one joint, one per frame.
fn errors(noise: Noise, frames: usize, period_s: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    match noise {
        Noise::None => vec![0.0; frames],
        Noise::White => (0..frames).map(|_| NOISE_PX * normal(rng)).collect(),
        Noise::Coloured => errors(Noise::Other(0.9, 0.06, 0.5), frames, period_s, rng),
        Noise::Other(share, tau_s, bias) => {
            let rho = (-period_s / tau_s).exp();
            let bias = bias * NOISE_PX * normal(rng);
            let mut slow = normal(rng);
            let mut next = || {
                slow = rho * slow + (1.0 - rho * rho).sqrt() * normal(rng);
                bias + NOISE_PX * (share.sqrt() * slow + (1.0 - share).sqrt() * normal(rng))
            };
            (0..frames).map(|_| next()).collect()
        }
    }
}

/// One phone's track of `seconds` of `motion`; its clock reads left time minus `offset_s`.
fn track(
    scene: &Scene,
    phone: Phone,
    offset_s: f64,
    noise: Noise,
    seed: u64,
    motion: &dyn Fn(Joint, f64) -> Vector3<f64>,
) -> PoseTrack {
    let (shutter, stream) = match phone {
        Phone::Left => (&scene.left, 0),
        Phone::Right => (&scene.right, 1),
    };
    let mut rng = ChaCha8Rng::seed_from_u64(2 * seed + stream);
    let period_s = 1.0 / 240.0;
    let first_s = 0.35 - offset_s + rng.random_range(0.0..period_s);
    let frames = 408;
    let camera = scene.rig.camera(phone);
    let pose = scene.rig.camera_from_world(phone);
    let noises = PerJoint::from_fn(|_| {
        let mut one = || errors(noise, frames, period_s, &mut rng);
        (one(), one())
    });
    let poses = (0..frames)
        .map(|frame| {
            let pts = Seconds(first_s + frame as f64 * period_s);
            let joints = PerJoint::from_fn(|joint| {
                // The row at which a joint is seen depends on when, and when on the row.
                let mut seen = None;
                let mut delay = shutter.middle_delay();
                for _ in 0..5 {
                    let world = WorldPoint(motion(joint, (pts + delay).0 + offset_s));
                    let at = camera.project(pose.apply(world))?;
                    delay = shutter.delay(at);
                    seen = Some(at);
                }
                let mut at = seen?;
                at.x_px += noises[joint].0[frame];
                at.y_px += noises[joint].1[frame];
                Some(ImageJoint {
                    at,
                    sd_px: NOISE_PX,
                    visible: 1.0,
                })
            });
            Pose2d { frame, pts, joints }
        })
        .collect();
    PoseTrack { poses }
}

/// A pair of tracks of the delivery.
fn tracks(scene: &Scene, offset_s: f64, noise: Noise, seed: u64) -> (PoseTrack, PoseTrack) {
    (
        track(scene, Phone::Left, 0.0, noise, seed, &joint_at),
        track(scene, Phone::Right, offset_s, noise, seed, &joint_at),
    )
}

fn solve(
    scene: &Scene,
    pair: &(PoseTrack, PoseTrack),
    search: &MotionSearch,
) -> Result<MotionOffset, SyncError> {
    let views = MotionViews {
        left: &pair.0,
        right: &pair.1,
        rig: &scene.rig,
        left_shutter: &scene.left,
        right_shutter: &scene.right,
    };
    offset_from_motion(&views, search)
}

fn random_offset(seed: u64) -> f64 {
    ChaCha8Rng::seed_from_u64(1000 + seed).random_range(-0.4..0.4)
}

#[test]
fn a_sampler_gives_place_and_velocity_between_the_frames() {
    let scene = scene();
    let (left, _) = tracks(&scene, 0.0, Noise::None, 3);
    let sampler = TrackSampler::new(&left, &scene.left);
    let pose = scene.rig.camera_from_world(Phone::Left);
    let project = |joint, t| {
        let point = pose.apply(WorldPoint(joint_at(joint, t)));
        scene.rig.left.project(point).unwrap().vector()
    };
    let (mut worst, mut worst_speed) = (0.0_f64, 0.0_f64);
    for joint in [Joint::RightWrist, Joint::LeftAnkle, Joint::Nose] {
        for i in 0..1500 {
            let t = 0.4 + f64::from(i) * 0.001;
            let got = sampler.at(joint, Seconds(t)).unwrap();
            let speed = (project(joint, t + 1e-5) - project(joint, t - 1e-5)) / 2e-5;
            worst = worst.max((got.at.vector() - project(joint, t)).norm());
            worst_speed = worst_speed.max((got.velocity_px_s - speed).norm());
        }
    }
    println!("sampler: worst place {worst:.3} px, worst velocity {worst_speed:.1} px/s");
    assert!(worst < 0.1 && worst_speed < 100.0, "{worst} {worst_speed}");
    assert!(sampler.at(Joint::Nose, Seconds(-5.0)).is_none());
}

#[test]
fn without_noise_the_motion_gives_the_offset_to_a_tenth_of_a_millisecond() {
    let scene = scene();
    let mut worst = 0.0_f64;
    for seed in 0..30 {
        let truth = random_offset(seed);
        let found = solve(
            &scene,
            &tracks(&scene, truth, Noise::None, seed),
            &MotionSearch::default(),
        )
        .unwrap();
        worst = worst.max((found.clock.offset_s - truth).abs());
        assert_eq!(found.clock.source, ClockSource::Motion);
    }
    println!(
        "motion, no noise: worst error {:.4} ms over 30 offsets",
        worst * 1e3
    );
    assert!(worst <= 1e-4, "{worst}");
}

/// Errors over stated deviations of forty recordings, with a printed summary; the root mean square error, ms.
fn calibration(name: &str, noise: Noise) -> (Vec<f64>, f64) {
    let scene = scene();
    let (mut ratios, mut squares, mut stated) = (Vec::new(), 0.0, 0.0);
    let mut last = None;
    for seed in 0..40 {
        let truth = random_offset(seed);
        let found = solve(
            &scene,
            &tracks(&scene, truth, noise, seed),
            &MotionSearch::default(),
        )
        .unwrap();
        let error_s = found.clock.offset_s - truth;
        ratios.push(error_s / found.clock.sd_s);
        squares += error_s * error_s;
        stated += found.clock.sd_s;
        last = Some(found);
    }
    let n = ratios.len() as f64;
    let rms_ms = (squares / n).sqrt() * 1e3;
    let inside = ratios.iter().filter(|r| r.abs() < 1.645).count();
    let ratio_rms = (ratios.iter().map(|r| r * r).sum::<f64>() / n).sqrt();
    let bias = ratios.iter().sum::<f64>() / n;
    println!(
        "motion, {name}: rms {rms_ms:.4} ms, mean stated sd {:.4} ms, rms of error/sd {ratio_rms:.2}, \
         mean of error/sd {bias:.2}, {inside}/40 within the 90 % interval; last {:?}",
        stated / n * 1e3,
        last
    );
    (ratios, rms_ms)
}

/// Bounds for forty draws: the 90 % interval holds 36 +- 1.9; three of its deviations down. The mean square of a
/// standard normal over forty draws is 1 +- 0.22.
fn is_calibrated(ratios: &[f64]) {
    let inside = ratios.iter().filter(|r| r.abs() < 1.645).count();
    let mean_square = ratios.iter().map(|r| r * r).sum::<f64>() / ratios.len() as f64;
    assert!(inside >= 31, "{inside} of 40 inside");
    assert!((0.4..1.66).contains(&mean_square), "{mean_square}");
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    assert!(mean.abs() < 3.0 / (ratios.len() as f64).sqrt(), "biased: {mean}");
}

#[test]
fn with_white_noise_the_stated_doubt_of_the_motion_holds() {
    let (ratios, rms_ms) = calibration("white 2 px", Noise::White);
    is_calibrated(&ratios);
    assert!(rms_ms < 0.25, "{rms_ms}");
}

#[test]
fn with_coloured_noise_the_stated_doubt_of_the_motion_holds() {
    let (ratios, rms_ms) = calibration("coloured 2 px", Noise::Coloured);
    is_calibrated(&ratios);
    assert!(rms_ms < 0.5, "{rms_ms}");
}

#[test]
fn gross_errors_lost_joints_and_another_rate_do_not_break_the_motions_offset() {
    let scene = scene();
    let mut worst = 0.0_f64;
    for seed in 0..10 {
        let truth = random_offset(seed);
        let (mut left, mut right) = tracks(&scene, truth, Noise::Coloured, seed);
        let mut rng = ChaCha8Rng::seed_from_u64(77 + seed);
        for track in [&mut left, &mut right] {
            for joint in Joint::ALL {
                // A limb that jumps elsewhere for a while, and one that is lost.
                let (wild, lost) = (rng.random_range(0..400), rng.random_range(0..400));
                for (i, pose) in track.poses.iter_mut().enumerate() {
                    if let Some(seen) = &mut pose.joints[joint]
                        && (wild..wild + 30).contains(&i)
                    {
                        seen.at.x_px += 90.0;
                        seen.at.y_px -= 60.0;
                    }
                    if (lost..lost + 25).contains(&i) {
                        pose.joints[joint] = None;
                    }
                }
            }
        }
        // The right phone filmed at 120 Hz.
        right.poses = right.poses.into_iter().step_by(2).collect();
        let found = solve(&scene, &(left, right), &MotionSearch::default()).unwrap();
        let error = found.clock.offset_s - truth;
        worst = worst.max(error.abs());
        assert!(error.abs() < 4.0 * found.clock.sd_s, "{error} {found:?}");
    }
    println!(
        "motion, gross errors, 120 Hz beside 240 Hz: worst error {:.3} ms of 10",
        worst * 1e3
    );
    assert!(worst < 0.0015, "{worst}");
}

#[test]
fn unknown_readouts_are_carried_into_the_doubt_of_the_middle_instants() {
    let known = scene();
    let mut assumed = scene();
    let guess = |s: &Shutter| Shutter::unknown(s.width_px, s.height_px, s.turns);
    (assumed.left, assumed.right) = (guess(&known.left), guess(&known.right));
    let mut worst_ratio = 0.0_f64;
    for seed in 0..8 {
        let mut film = scene();
        let mut rng = ChaCha8Rng::seed_from_u64(300 + seed);
        film.left.readout_s = 0.0035 + 0.001 * normal(&mut rng);
        film.right.readout_s = 0.0035 + 0.001 * normal(&mut rng);
        let truth = random_offset(seed);
        let pair = tracks(&film, truth, Noise::White, seed);
        let found = solve(&assumed, &pair, &MotionSearch::default()).unwrap();
        let middle = |s: &Scene| (s.right.middle_delay() - s.left.middle_delay()).0;
        let error = found.clock.offset_s + middle(&assumed) - truth - middle(&film);
        let with_known = solve(&film, &pair, &MotionSearch::default()).unwrap();
        assert!(found.clock.sd_s > with_known.clock.sd_s);
        worst_ratio = worst_ratio.max(error.abs() / found.clock.sd_s);
    }
    println!("motion, unknown readouts: worst error of the middle instants {worst_ratio:.2} sd of 8");
    assert!(worst_ratio < 3.0, "{worst_ratio}");
}

#[test]
fn sound_leads_the_motion_and_both_are_joined() {
    let scene = scene();
    let truth = 0.2871;
    let prior = ClockOffset {
        offset_s: truth + 0.03,
        sd_s: 0.021,
        at: Seconds(0.9),
        drift: None,
        source: ClockSource::Sound,
    };
    let pair = tracks(&scene, truth, Noise::Coloured, 11);
    let motion = solve(&scene, &pair, &MotionSearch::about(&prior)).unwrap();
    let (clock, warnings) = fuse(Some(&prior), Some(&motion.clock)).unwrap();
    assert!(warnings.is_empty());
    assert_eq!(clock.source, ClockSource::SoundAndMotion);
    assert!(
        (clock.offset_s - truth).abs() < 3.0 * clock.sd_s && clock.sd_s < 1e-3,
        "{clock:?}"
    );
    let right = clock.right_from_left(Seconds(1.5));
    assert!((right.0 - (1.5 - clock.offset_s)).abs() < 1e-12);
}
