//! The film studio's pictures against the exact geometry they are made from.

use std::path::PathBuf;
use std::sync::Arc;

use nalgebra::{UnitQuaternion, Vector3};
use twinmound::geometry::{Camera, CameraFromWorld, PixelPoint, QuarterTurns, WorldPoint};
use twinmound::picture::Picture;
use twinmound::scene::board::BoardFilm;
use twinmound::scene::board_plan::{BoardPlan, BoardPlanSize, BoardPurpose};
use twinmound::scene::body::{Body, BodyLibrary};
use twinmound::scene::dress::{Outfit, Person};
use twinmound::scene::film::{Actor, DeliveryFilm, Scene};
use twinmound::scene::phone::{FilmPhone, PhoneClock, Sensor};
use twinmound::scene::rig::{BONE_COUNT, Bone, Posture};
use twinmound::scene::set::Stage;
use twinmound::skeleton::{Joint, Side};

/// Packed bodies made at set-up; tests that need a person say so when they are missing.
fn bodies() -> BodyLibrary {
    let path = std::env::var_os("TWINMOUND_BODIES").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(".setup/bodies.bin"),
        PathBuf::from,
    );
    BodyLibrary::open(&path).unwrap()
}

fn phone(width_px: u32, eye: [f64; 3]) -> FilmPhone {
    let scale = f64::from(width_px) / 1280.0;
    FilmPhone {
        camera: Camera {
            width_px,
            height_px: width_px * 9 / 16,
            fx_px: 1010.0 * scale,
            fy_px: 1008.0 * scale,
            cx_px: 644.0 * scale,
            cy_px: 355.0 * scale,
            distortion: [0.09, -0.18, 0.0006, -0.0004, 0.05],
        },
        pose: CameraFromWorld::looking_at(
            WorldPoint(Vector3::from(eye)),
            WorldPoint(Vector3::new(0.6, 1.0, 0.0)),
        )
        .unwrap(),
        rate_hz: 240.0,
        first_pts_s: 0.0,
        readout_s: 0.0032,
        exposure_s: 0.001,
        turns: QuarterTurns::Zero,
        clock: PhoneClock::default(),
        sensor: Sensor::daylight(),
        seed: 5,
    }
}

fn turned(bone_turns: &[(Bone, [f64; 3])], pelvis_m: Vector3<f64>) -> Posture {
    let mut turns = [UnitQuaternion::identity(); BONE_COUNT];
    for (bone, v) in bone_turns {
        turns[*bone as usize] = UnitQuaternion::from_scaled_axis(Vector3::from(*v));
    }
    Posture { pelvis_m, turns }
}

/// Side-on at the leg lift of a right-hander; the body faces third base (-z)... here +z is the body's front in rest pose,
/// so it is turned half way round the vertical.
fn leg_lift(body: &Body) -> Posture {
    use std::f64::consts::{FRAC_PI_2, PI};
    let mut posture = turned(
        &[
            (Bone::LeftThigh, [-1.75, 0.0, 0.1]),
            (Bone::LeftShank, [1.6, 0.0, 0.0]),
            (Bone::RightThigh, [-0.15, 0.0, 0.1]),
            (Bone::RightShank, [0.25, 0.0, 0.0]),
            (Bone::LeftUpperArm, [-0.5, -0.5, -0.35]),
            (Bone::RightUpperArm, [-0.5, 0.5, 0.35]),
            (Bone::LeftForearm, [-1.0, -0.9, 0.0]),
            (Bone::RightForearm, [-1.0, 0.9, 0.0]),
            (Bone::Head, [0.0, 0.9, 0.0]),
        ],
        Vector3::new(-0.1, body.rig.heads_m[Bone::Pelvis as usize].y - 0.01, 0.0),
    );
    let _ = FRAC_PI_2;
    posture.turns[Bone::Pelvis as usize] = UnitQuaternion::from_scaled_axis(Vector3::new(0.0, PI, 0.0));
    posture
}

fn save(picture: &Picture, name: &str) {
    let Some(folder) = std::env::var_os("TWINMOUND_PICTURES") else {
        return;
    };
    let image = image::RgbImage::from_fn(picture.width() as u32, picture.height() as u32, |x, y| {
        let c = picture.rgb(PixelPoint::new(f64::from(x), f64::from(y)));
        image::Rgb(c.map(|v| v.round() as u8))
    });
    image.save(PathBuf::from(folder).join(name)).unwrap();
}

#[test]
fn a_dressed_person_stands_in_the_picture() {
    let library = bodies();
    for (i, body) in library.bodies.iter().enumerate() {
        let person = Person::dressed(body, &Outfit::seeded(i as u64, Some(Side::Left)));
        let posture = leg_lift(body);
        let scene = Scene {
            stage: Stage::seeded(i as u64),
            actors: vec![Actor {
                person,
                posture_at: Arc::new(move |_| posture.clone()),
            }],
            ball_at: None,
        };
        let film_phone = phone(1280, if i % 2 == 0 { [1.5, 1.4, -5.5] } else { [-4.5, 1.4, 3.0] });
        let started = std::time::Instant::now();
        let film = DeliveryFilm::new(&scene, &film_phone);
        let set_up = started.elapsed();
        let picture = film.picture(0);
        println!("{}: set-up {set_up:?}, first picture {:?}", body.name, started.elapsed() - set_up);
        save(&picture, &format!("person-{i}.png"));
        let mut near = film_phone.clone();
        near.camera.fx_px *= 2.2;
        near.camera.fy_px *= 2.2;
        save(&DeliveryFilm::new(&scene, &near).picture(0), &format!("near-{i}.png"));
        let joints = body.rig.joints(&body.rig.pose(&leg_lift(body)));
        assert!(joints[Joint::Nose].y > 1.0);
    }
}

#[test]
fn the_board_is_shown_to_both_phones() {
    let stage = Stage::seeded(3);
    let left = phone(1280, [5.5, 1.3, -3.2]);
    let mut right = phone(1920, [5.3, 1.35, 3.4]);
    right.clock = PhoneClock {
        offset_s: 0.0137,
        drift_ppm: 6.0,
    };
    let slow = |p: &FilmPhone| FilmPhone {
        rate_hz: 30.0,
        ..p.clone()
    };
    let (left, right) = (slow(&left), slow(&right));
    let started = std::time::Instant::now();
    let plan = BoardPlan::seeded(&left, &right, 0.0, BoardPlanSize::default(), 4);
    let count = |purpose| plan.holds.iter().filter(|h| h.purpose == purpose).count();
    println!(
        "plan {:?}: {} s, left {} right {} mound {}",
        started.elapsed(),
        plan.end_s(),
        count(BoardPurpose::CloseToLeft),
        count(BoardPurpose::CloseToRight),
        count(BoardPurpose::AtTheMound)
    );
    assert!(count(BoardPurpose::CloseToLeft) >= 20 && count(BoardPurpose::CloseToRight) >= 20);
    assert!(count(BoardPurpose::AtTheMound) >= 5);
    for (name, phone) in [("left", &left), ("right", &right)] {
        let film = BoardFilm::new(&stage, &plan, phone);
        let started = std::time::Instant::now();
        let frames = film.frame_count();
        for (frame, picture) in film.pictures(0..frames).enumerate() {
            if frame % 37 == 0 || frame + 1 == frames {
                save(&picture, &format!("board-{name}-{frame}.png"));
            }
        }
        println!("{name}: {frames} frames in {:?}", started.elapsed());
    }
}

/// A body that swings its throwing arm round (2500 degrees a second at the shoulder) while it turns.
fn swinging(body: &Body) -> Scene {
    let start = leg_lift(body);
    let person = Person::dressed(body, &Outfit::seeded(2, Some(Side::Left)));
    Scene {
        stage: Stage::seeded(2),
        actors: vec![Actor {
            person,
            posture_at: Arc::new(move |t| {
                let mut posture = start.clone();
                let turn = |v: [f64; 3]| UnitQuaternion::from_scaled_axis(Vector3::from(v) * t);
                posture.turns[Bone::Pelvis as usize] *= turn([0.0, 9.0, 0.0]);
                posture.turns[Bone::RightUpperArm as usize] *= turn([44.0, 0.0, 10.0]);
                posture.turns[Bone::RightForearm as usize] *= turn([30.0, 0.0, 0.0]);
                posture
            }),
        }],
        ball_at: Some(Arc::new(|t| {
            Some(Vector3::new(0.6 + 38.0 * (t - 0.01), 1.7, 0.2))
        })),
    }
}

#[test]
#[ignore = "prints timings"]
fn how_long_a_frame_takes() {
    let library = bodies();
    let scene = swinging(&library.bodies[0]);
    for width in [1280, 1920] {
        let film_phone = phone(width, [1.5, 1.4, -5.5]);
        let started = std::time::Instant::now();
        let film = DeliveryFilm::new(&scene, &film_phone);
        let set_up = started.elapsed();
        let started = std::time::Instant::now();
        for frame in 0..20 {
            let picture = film.picture(frame);
            if frame % 4 == 2 {
                save(&picture, &format!("swing-{width}-{frame}.png"));
            }
        }
        println!("{width}: set-up {set_up:?}, {:?} a frame on one core", started.elapsed() / 20);
    }
}

/// A set as dark and even as night, so that only what is measured is bright: no backdrop to subtract.
fn difference(with: &Picture, without: &Picture) -> Vec<(f64, f64, f64)> {
    let width = with.luma.width;
    with.luma
        .data
        .iter()
        .zip(&without.luma.data)
        .enumerate()
        .map(|(i, (a, b))| {
            (
                (i % width) as f64,
                (i / width) as f64,
                f64::from(*a) - f64::from(*b),
            )
        })
        .filter(|(.., d)| d.abs() > 3.0)
        .collect()
}

fn noiseless(phone: FilmPhone) -> FilmPhone {
    FilmPhone {
        sensor: Sensor {
            read_noise: 0.0,
            shot_noise: 0.0,
            vignetting: 0.0,
            ..Sensor::daylight()
        },
        ..phone
    }
}

/// Only a ball, on a straight path.
fn ball_scene(from: Vector3<f64>, velocity: Vector3<f64>) -> Scene {
    Scene {
        stage: Stage::seeded(3),
        actors: Vec::new(),
        ball_at: Some(Arc::new(move |t| Some(from + velocity * t))),
    }
}
