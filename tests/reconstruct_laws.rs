//! Reconstruction: exact on perfect input, better than what it starts from on noisy input, and it finds the clock.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use nalgebra::{Rotation3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use twinmound::geometry::*;
use twinmound::reconstruct::{Clock, Delivery, RigDoubt, Settings, View, reconstruct};
use twinmound::skeleton::{Joint, PerJoint, Side};
use twinmound::track::{ImageJoint, Pose2d, PoseTrack};
use twinmound::trajectory::{JointState, Trajectory};
use twinmound::units::Seconds;

const RATE_HZ: f64 = 240.0;

fn camera(width_px: u32) -> Camera {
    let scale = f64::from(width_px) / 1280.0;
    Camera {
        width_px,
        height_px: width_px * 9 / 16,
        fx_px: 1050.0 * scale,
        fy_px: 1048.0 * scale,
        cx_px: 645.0 * scale,
        cy_px: 355.0 * scale,
        distortion: [0.08, -0.15, 0.0005, -0.0004, 0.05],
    }
}

fn rig() -> StereoRig {
    let at = WorldPoint(Vector3::new(0.5, 1.0, 0.0));
    let pose = |x: f64, z: f64| CameraFromWorld::looking_at(WorldPoint(Vector3::new(x, 1.3, z)), at).unwrap();
    let (left, right) = (pose(-3.6, 5.2), pose(4.4, 5.0));
    StereoRig {
        left: camera(1280),
        right: camera(1920),
        right_from_left: RightFromLeft(right.0.after(&left.0.inverse())),
        world_from_left: Some(WorldFromLeft(left.0.inverse())),
    }
}

/// A stiff body, as like left and right as a person, that turns, nods and travels smoothly: every distance is constant.
fn joint_at(joint: Joint, t: f64) -> Vector3<f64> {
    let side = match joint.name().split_once('_') {
        Some(("left", _)) => -1.0,
        Some(("right", _)) => 1.0,
        _ => 0.0,
    };
    let i = joint.index().min(joint.mirrored().index()) as f64;
    let rest = Vector3::new(
        0.2 * (i * 1.7).sin(),
        1.0 + 0.7 * (i * 2.3).cos(),
        side * (0.15 + 0.1 * (i * 0.9).cos()),
    );
    let turn = Rotation3::from_euler_angles(
        0.3 * (2.0 * t).sin(),
        1.2 * (2.5 * t).sin(),
        0.2 * (3.0 * t).cos(),
    );
    let centre = Vector3::new(0.0, 1.0, 0.0);
    centre + turn * (rest - centre) + Vector3::new(0.8 * t * t, 0.0, 0.1 * (2.0 * t).sin())
}

fn shutter(camera: &Camera) -> Shutter {
    Shutter {
        readout_s: 0.0032,
        ..Shutter::unknown(camera.width_px, camera.height_px, QuarterTurns::Zero)
    }
}

/// Films the body; `offset_s` = left clock minus right clock.
fn film(rig: &StereoRig, phone: Phone, offset_s: f64, sd_px: f64, seed: u64) -> PoseTrack {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (lens, pose) = (rig.camera(phone), rig.camera_from_world(phone));
    let shutter = shutter(lens);
    let poses = (0..240)
        .map(|frame| {
            let pts = frame as f64 / RATE_HZ + if phone == Phone::Left { 0.0 } else { 0.0013 };
            let joints = PerJoint::from_fn(|joint| {
                let mut pixel = PixelPoint::new(0.0, f64::from(lens.height_px) / 2.0);
                for _ in 0..20 {
                    let own = pts + shutter.delay(pixel).0;
                    let left_time = own + if phone == Phone::Left { 0.0 } else { offset_s };
                    pixel = lens
                        .project(pose.apply(WorldPoint(joint_at(joint, left_time))))
                        .unwrap();
                }
                let noisy = |v: f64, r: &mut ChaCha8Rng| v + sd_px * r.sample::<f64, _>(StandardNormal);
                let at = PixelPoint::new(noisy(pixel.x_px, &mut random), noisy(pixel.y_px, &mut random));
                Some(ImageJoint {
                    at,
                    sd_px: sd_px.max(0.02),
                    visible: 1.0,
                })
            });
            Pose2d {
                frame,
                pts: Seconds(pts),
                joints,
            }
        })
        .collect();
    PoseTrack { poses }
}

fn start(noise_m: f64) -> Trajectory {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let shutter = shutter(&camera(1280));
    let times: Vec<_> = (0..240)
        .map(|i| Seconds(f64::from(i) / RATE_HZ) + shutter.middle_delay())
        .collect();
    let joints = PerJoint::from_fn(|joint| {
        times
            .iter()
            .map(|t| {
                let off = Vector3::from_fn(|_, _| noise_m * random.sample::<f64, _>(StandardNormal));
                Some(JointState {
                    position_m: joint_at(joint, t.0) + off,
                    velocity_m_s: Vector3::zeros(),
                    acceleration_m_s2: Vector3::zeros(),
                    sd_m: Some(noise_m),
                })
            })
            .collect()
    });
    Trajectory {
        times,
        joints,
        world_known: true,
    }
}

fn run(
    sd_px: f64,
    true_offset_s: f64,
    guess: Clock,
    seed: u64,
) -> (twinmound::reconstruct::Reconstruction, f64) {
    let rig = rig();
    let left = film(&rig, Phone::Left, true_offset_s, sd_px, seed);
    let right = film(&rig, Phone::Right, true_offset_s, sd_px, seed + 100);
    let view = |track, phone| View {
        track,
        shutter: shutter(rig.camera(phone)),
    };
    let delivery = Delivery {
        from: Seconds(0.1),
        to: Seconds(0.9),
        fastest: Seconds(0.6),
        throws: Side::Right,
    };
    let result = reconstruct(
        view(&left, Phone::Left),
        view(&right, Phone::Right),
        &rig,
        guess,
        &start(0.02),
        &delivery,
        &Settings::default(),
    )
    .unwrap();
    let mut squares = 0.0;
    let mut count = 0.0;
    for (joint, states) in result.trajectory.joints.iter() {
        for (time, state) in result.trajectory.times.iter().zip(states) {
            squares += (state.unwrap().position_m - joint_at(joint, time.0)).norm_squared();
            count += 1.0;
        }
    }
    (result, (squares / count).sqrt())
}

#[test]
fn perfect_keypoints_give_the_body_back_and_the_clock() {
    let (result, rms_m) = run(
        0.0,
        0.0123,
        Clock {
            offset_s: 0.0113,
            sd_s: 0.1,
        },
        1,
    );
    println!(
        "rms {:.4} mm, clock error {:.4} ms",
        1e3 * rms_m,
        1e3 * (result.clock.offset_s - 0.0123)
    );
    // Observations claim 0.02 px; what is left is the jerk prior's pull.
    assert!(rms_m < 2e-4, "{rms_m}");
    assert!((result.clock.offset_s - 0.0123).abs() < 2e-5);
}

#[test]
fn noisy_keypoints_give_far_less_than_their_own_error() {
    let (result, rms_m) = run(
        2.0,
        0.0123,
        Clock {
            offset_s: 0.0118,
            sd_s: 0.001,
        },
        3,
    );
    println!(
        "rms {:.2} mm, clock error {:.3} ms (sd {:.3})",
        1e3 * rms_m,
        1e3 * (result.clock.offset_s - 0.0123),
        1e3 * result.clock.sd_s
    );
    // 2 px at 6 m is 12 mm sideways for one frame of one phone.
    assert!(rms_m < 0.006, "{rms_m}");
    assert!((result.clock.offset_s - 0.0123).abs() < 4.0 * result.clock.sd_s);
    assert!(
        result.residual_scale > 0.8 && result.residual_scale < 1.1,
        "{}",
        result.residual_scale
    );
}

/// The estimate of the same noisy films with a rig that may be wrong.
fn with_rig(believed: &StereoRig, rig_doubt: RigDoubt) -> twinmound::reconstruct::Reconstruction {
    let true_rig = rig();
    let tracks = [Phone::Left, Phone::Right].map(|phone| film(&true_rig, phone, 0.0, 1.5, 11));
    let view = |i: usize, phone| View {
        track: &tracks[i],
        shutter: shutter(believed.camera(phone)),
    };
    let delivery = Delivery {
        from: Seconds(0.1),
        to: Seconds(0.9),
        fastest: Seconds(0.6),
        throws: Side::Right,
    };
    let certain = Clock {
        offset_s: 0.0,
        sd_s: 1e-12,
    };
    let settings = Settings {
        rig_doubt,
        ..Settings::default()
    };
    let (left, right) = (view(0, Phone::Left), view(1, Phone::Right));
    reconstruct(left, right, believed, certain, &start(0.02), &delivery, &settings).unwrap()
}

/// Root mean square distance of two trajectories' joints, metres.
fn apart_m(a: &Trajectory, b: &Trajectory) -> f64 {
    let pairs = a
        .joints
        .iter()
        .flat_map(|(joint, states)| states.iter().zip(&b.joints[joint]));
    let squares: Vec<f64> = pairs
        .map(|(a, b)| (a.unwrap().position_m - b.unwrap().position_m).norm_squared())
        .collect();
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

/// The draws' rig errors go through the linearised estimate; truth: the whole estimate made again with wrong rigs.
#[test]
fn an_unsure_rig_spreads_the_versions_as_wrong_rigs_move_the_estimate() {
    let doubt = RigDoubt {
        turn_sd_deg: 0.08,
        shift_sd_m: 0.006,
    };
    let exact = with_rig(&rig(), RigDoubt::default());
    let unsure = with_rig(&rig(), doubt);
    let spread = |r: &twinmound::reconstruct::Reconstruction| {
        let squares = r.versions.iter().map(|v| apart_m(v, &r.trajectory).powi(2));
        squares.sum::<f64>() / r.versions.len() as f64
    };
    let by_rig_m = (spread(&unsure) - spread(&exact)).sqrt();

    let mut random = ChaCha8Rng::seed_from_u64(5);
    let reruns = 12;
    let moved: f64 = (0..reruns)
        .map(|_| {
            let mut normals = || Vector3::from_fn(|_, _| random.sample::<f64, _>(StandardNormal));
            let turn = Rotation3::from_scaled_axis(normals() * doubt.turn_sd_deg.to_radians());
            let shift = normals() * doubt.shift_sd_m;
            let mut wrong = rig();
            let pose = wrong.right_from_left.0;
            wrong.right_from_left =
                RightFromLeft(Rigid::new(turn * pose.rotation, pose.translation_m + shift));
            apart_m(
                &with_rig(&wrong, RigDoubt::default()).trajectory,
                &exact.trajectory,
            )
            .powi(2)
        })
        .sum();
    let moved_m = (moved / f64::from(reruns)).sqrt();
    println!(
        "by draws {:.2} mm, by reruns {:.2} mm",
        1e3 * by_rig_m,
        1e3 * moved_m
    );
    assert!((0.7..1.4).contains(&(by_rig_m / moved_m)), "{by_rig_m} {moved_m}");
}
