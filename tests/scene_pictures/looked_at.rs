//! Pictures to look at: `TWINMOUND_PICTURES` names the folder they are written to.

use std::path::PathBuf;
use std::sync::Arc;

use nalgebra::{UnitQuaternion, Vector3};
use twinmound::geometry::PixelPoint;
use twinmound::picture::Picture;
use twinmound::scene::board::BoardFilm;
use twinmound::scene::board_plan::{BoardPlan, BoardPlanSize, BoardPurpose};
use twinmound::scene::body::Body;
use twinmound::scene::dress::Person;
use twinmound::scene::film::{Actor, DeliveryFilm, Scene};
use twinmound::scene::outfit::Outfit;
use twinmound::scene::phone::{FilmPhone, PhoneClock};
use twinmound::scene::rig::Bone;
use twinmound::scene::set::Stage;
use twinmound::skeleton::Side;

use super::{bodies, leg_lift, phone};

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
        let film_phone = phone(
            1280,
            if i % 2 == 0 {
                [1.5, 1.4, -5.5]
            } else {
                [-4.5, 1.4, 3.0]
            },
        );
        let started = std::time::Instant::now();
        let film = DeliveryFilm::new(&scene, &film_phone);
        let set_up = started.elapsed();
        let picture = film.picture(0);
        println!(
            "{}: set-up {set_up:?}, first picture {:?}",
            body.name,
            started.elapsed() - set_up
        );
        save(&picture, &format!("person-{i}.png"));
        let nobody = Scene {
            stage: Stage::seeded(i as u64),
            actors: Vec::new(),
            ball_at: None,
        };
        let empty = DeliveryFilm::new(&nobody, &film_phone).picture(0);
        let (with, without) = (&picture.luma.data, &empty.luma.data);
        let changed = with
            .iter()
            .zip(without)
            .filter(|(a, b)| a.abs_diff(**b) > 12)
            .count();
        // Some 400 pixels high and a fifth as wide.
        assert!(
            changed > with.len() / 100,
            "{}: only {changed} pixels show the person",
            body.name
        );
        if std::env::var_os("TWINMOUND_PICTURES").is_none() {
            continue;
        }
        let mut near = film_phone.clone();
        near.camera.fx_px *= 2.2;
        near.camera.fy_px *= 2.2;
        save(
            &DeliveryFilm::new(&scene, &near).picture(0),
            &format!("near-{i}.png"),
        );
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
        let a_frame = started.elapsed() / 20;
        println!("{width}: set-up {set_up:?}, {a_frame:?} a frame on one core");
        // A demo has some 1,100 frames of two phones and 4 minutes on two cores for everything.
        assert!(a_frame.as_secs_f64() < 1.0, "{width}: {a_frame:?}");
    }
}
