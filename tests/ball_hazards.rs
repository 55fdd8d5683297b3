//! The ball among everything else that is small, white or quick, in drawn pictures: a background of one's own choice, a ball
//! smeared by its exposure and read row by row, noise.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use twinmound::ball::{BallFlight, Hand, RigDoubt, Settings, Sight, Unseen, follow, look};
use twinmound::geometry::*;
use twinmound::ingest::Frame;
use twinmound::picture::{ColourMatrix, Grey, Picture};
use twinmound::skeleton::{Joint, PerJoint, Side};
use twinmound::trajectory::{JointState, Trajectory};
use twinmound::units::Seconds;

const RATE_HZ: f64 = 240.0;
const EXPOSURE_S: f64 = 0.001;
const RELEASE_S: f64 = 0.2;
const BALL_M: f64 = 0.0365;
/// Shares of the exposure at which a drawn thing is put down.
const SAMPLES: usize = 6;
/// White, in brightness.
const WHITE: f64 = 225.0;

fn launch() -> (Vector3<f64>, Vector3<f64>) {
    (Vector3::new(1.6, 1.85, 0.5), Vector3::new(35.0, -0.5, -1.0))
}

fn ball_at(t: f64) -> Vector3<f64> {
    let (place, velocity) = launch();
    let s = t - RELEASE_S;
    place + velocity * s - Vector3::y() * (9.81 / 2.0 * s * s)
}

/// A hand on an arc, fastest at release, that held the ball 87 mm off the knuckle.
fn hand_at(t: f64) -> Vector3<f64> {
    let s = t - RELEASE_S;
    let (place, velocity) = launch();
    let along = velocity.normalize();
    let turn = 0.9 * (s / 0.035).tanh();
    let centre = place - Vector3::new(0.05, 0.75, 0.05);
    centre + Vector3::y() * (0.7 * turn.cos()) + along * (1.1 * turn.sin())
}

fn trajectory() -> Trajectory {
    let times: Vec<Seconds> = (0..100).map(|i| Seconds(f64::from(i) / RATE_HZ)).collect();
    let state = |t: f64| {
        let step = 1e-5;
        JointState {
            position_m: hand_at(t),
            velocity_m_s: (hand_at(t + step) - hand_at(t - step)) / (2.0 * step),
            acceleration_m_s2: (hand_at(t + step) - hand_at(t) * 2.0 + hand_at(t - step)) / (step * step),
            sd_m: None,
        }
    };
    Trajectory {
        joints: PerJoint::from_fn(|joint| {
            let known = joint == Joint::RightKnuckle;
            times.iter().map(|t| known.then(|| state(t.0))).collect()
        }),
        times,
        world_known: true,
    }
}

fn sights() -> [Sight; 2] {
    [(-3.6, 0.0), (4.6, 0.0007)].map(|(x, shift_s)| {
        let camera = Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: 1010.0,
            fy_px: 1008.0,
            cx_px: 641.0,
            cy_px: 357.0,
            distortion: [0.08, -0.18, 0.0005, -0.0004, 0.05],
        };
        Sight {
            camera,
            pose: CameraFromWorld::looking_at(
                WorldPoint(Vector3::new(x, 1.3, 4.9)),
                WorldPoint(Vector3::new(0.55, 1.0, 0.0)),
            )
            .unwrap(),
            shutter: Shutter {
                exposure_s: EXPOSURE_S,
                ..Shutter::unknown(1280, 720, QuarterTurns::Zero)
            },
            shift_s,
            zero: Seconds(0.0),
            rate_hz: RATE_HZ,
        }
    })
}

/// A thing that moves: where it is on LEFT's clock, how large and bright, and in which phones' pictures.
struct Thing {
    at: Box<dyn Fn(f64) -> Option<Vector3<f64>>>,
    radius_m: f64,
    brightness: f64,
    phones: [bool; 2],
}

fn ball() -> Thing {
    Thing {
        at: Box::new(|t| (t >= RELEASE_S).then(|| ball_at(t))),
        radius_m: BALL_M,
        brightness: WHITE,
        phones: [true, true],
    }
}

/// Brightness of the still background at a pixel.
type Background = fn(usize, usize) -> f64;

fn trees(x: usize, y: usize) -> f64 {
    70.0 + 25.0 * ((x as f64) * 0.21).sin() * ((y as f64) * 0.17).cos()
}

/// Sky, nearly as bright as the ball, with white lines and posts like those of a field.
fn bright(x: usize, y: usize) -> f64 {
    let lines = x % 160 < 12 || (y + x / 8) % 140 < 9;
    if lines {
        WHITE - 4.0
    } else {
        150.0 + 0.05 * y as f64
    }
}

/// The frames of one phone that are wanted.
fn filmed(
    things: &[Thing],
    background: Background,
    sight: &Sight,
    hand: &Hand<'_>,
    phone: usize,
) -> Vec<Frame> {
    let mut random = ChaCha8Rng::seed_from_u64(phone as u64 + 1);
    let (width, height) = (1280_usize, 720_usize);
    let mut frames = Vec::new();
    for index in 0..90 {
        let pts = Seconds(index as f64 / RATE_HZ + 0.0004);
        if !hand.wants(sight, pts) {
            continue;
        }
        let mut light: Vec<f64> = (0..width * height)
            .map(|i| background(i % width, i / width))
            .collect();
        for thing in things.iter().filter(|t| t.phones[phone]) {
            draw(&mut light, thing, sight, pts.0);
        }
        let data = light
            .iter()
            .map(|v| (v + 1.5 * random.sample::<f64, _>(StandardNormal)).clamp(0.0, 255.0) as u8)
            .collect();
        let grey = Grey::filled(width / 2, height / 2, 128);
        frames.push(Frame {
            index,
            pts,
            picture: Picture {
                luma: Grey { width, height, data },
                cb: grey.clone(),
                cr: grey,
                full_range: false,
                matrix: ColourMatrix::Bt709,
            },
        });
    }
    frames
}

/// Puts a disc down at several instants of the exposure, each at its own row's time.
fn draw(light: &mut [f64], thing: &Thing, sight: &Sight, pts_s: f64) {
    let project = |t: f64| {
        let place = (thing.at)(t)?;
        let local = sight.pose.apply(WorldPoint(place));
        Some((
            sight.camera.project(local)?,
            thing.radius_m * sight.camera.fx_px / local.0.z,
        ))
    };
    let mut cover = std::collections::HashMap::new();
    for sample in 0..SAMPLES {
        let share = (sample as f64 + 0.5) / SAMPLES as f64;
        let mut row = 360.0;
        let mut disc = None;
        for _ in 0..4 {
            let own_s = pts_s + sight.shutter.readout_s * row / 720.0 + share * EXPOSURE_S;
            disc = project(own_s + sight.shift_s);
            row = disc.map_or(row, |d| d.0.y_px);
        }
        let Some((centre, radius)) = disc else { continue };
        let edge = radius + 1.0;
        for y in
            (centre.y_px - edge).max(0.0) as usize..((centre.y_px + edge + 1.0).max(0.0) as usize).min(720)
        {
            for x in (centre.x_px - edge).max(0.0) as usize
                ..((centre.x_px + edge + 1.0).max(0.0) as usize).min(1280)
            {
                let off = (x as f64 - centre.x_px).hypot(y as f64 - centre.y_px);
                let share = (radius - off + 0.5).clamp(0.0, 1.0) / SAMPLES as f64;
                *cover.entry((x, y)).or_insert(0.0) += share;
            }
        }
    }
    for ((x, y), share) in cover {
        let here = &mut light[y * 1280 + x];
        *here += share * (thing.brightness - *here);
    }
}

fn followed(things: &[Thing], background: Background) -> Result<BallFlight, Unseen> {
    let trajectory = trajectory();
    let hand = Hand::about_release(&trajectory, Side::Right, Seconds(RELEASE_S)).unwrap();
    let sights = sights();
    let looks = [0, 1].map(|phone| {
        let frames = filmed(things, background, &sights[phone], &hand, phone);
        look(frames.into_iter().map(Ok), &hand, &sights[phone]).unwrap()
    });
    // No drag in these flights.
    let settings = Settings {
        drag_per_m: 0.0,
        ..Settings::default()
    };
    follow(&looks, &hand, &RigDoubt::default(), &[0.0; 20], &settings)
}

fn is_right(flight: &BallFlight) -> bool {
    let after_s = RELEASE_S - flight.epoch.0;
    let speed = flight.state.velocity_at(after_s).norm();
    println_of(flight, speed);
    (speed / launch().1.norm() - 1.0).abs() < 0.01
        && (flight.state.position_at(after_s) - launch().0).norm() < 0.02
}

#[expect(clippy::print_stdout, reason = "for --nocapture")]
fn println_of(flight: &BallFlight, speed: f64) {
    println!(
        "{speed:.2} m/s, frames {:?}, {:.2} px",
        flight.frames, flight.rms_px
    );
}

/// A cap on a head that nods, a glove that pulls back, a second ball thrown behind, an insect before one phone.
fn crowd() -> Vec<Thing> {
    let hand = |t: f64| Some(hand_at(t));
    vec![
        Thing {
            at: Box::new(hand),
            radius_m: 0.05,
            brightness: 190.0,
            phones: [true, true],
        },
        Thing {
            at: Box::new(|t| Some(Vector3::new(1.1 + 1.5 * t, 1.6 - 0.5 * t, 0.1))),
            radius_m: 0.09,
            brightness: WHITE,
            phones: [true, true],
        },
        Thing {
            at: Box::new(|t| Some(Vector3::new(1.3 - 3.0 * (t - RELEASE_S), 1.2, -0.2))),
            radius_m: 0.13,
            brightness: 40.0,
            phones: [true, true],
        },
        Thing {
            at: Box::new(|t| Some(Vector3::new(1.0 + 12.0 * (t - RELEASE_S), 1.5, -4.0))),
            radius_m: BALL_M,
            brightness: WHITE,
            phones: [true, true],
        },
        Thing {
            at: Box::new(|t| Some(Vector3::new(0.5 + 20.0 * (t - RELEASE_S), 1.5, 2.5))),
            radius_m: 0.01,
            brightness: 30.0,
            phones: [true, false],
        },
    ]
}

#[test]
fn the_ball_is_found_before_dark_trees_and_before_white_lines() {
    assert!(is_right(&followed(&[ball()], trees).unwrap()));
    assert!(is_right(&followed(&[ball()], bright).unwrap()));
}

#[test]
fn cap_glove_other_balls_and_insects_are_not_taken_for_it() {
    let mut things = crowd();
    things.push(ball());
    assert!(is_right(&followed(&things, trees).unwrap()));
    let without = followed(&crowd(), trees);
    assert!(
        matches!(without, Err(Unseen::NotOneFlight | Unseen::TooFewFrames { .. })),
        "{without:?}"
    );
}

#[test]
fn a_ball_that_one_phone_alone_sees_or_that_is_gone_too_soon_is_said_to_be_unseen() {
    let mut left_only = ball();
    left_only.phones = [true, false];
    let unseen = followed(&[left_only], trees).unwrap_err();
    assert!(
        matches!(unseen, Unseen::TooFewFrames { left, right, needed: 3 } if left >= 3 && right < 3),
        "{unseen:?}"
    );
    let mut brief = ball();
    brief.at = Box::new(|t| (RELEASE_S..RELEASE_S + 0.008).contains(&t).then(|| ball_at(t)));
    let unseen = followed(&[brief], trees).unwrap_err();
    assert!(unseen.to_string().contains("3 of each are needed"), "{unseen}");
}

#[test]
fn a_ball_hidden_for_two_frames_is_followed_on() {
    let mut hidden = ball();
    hidden.at = Box::new(|t| {
        (t >= RELEASE_S && !(RELEASE_S + 0.022..RELEASE_S + 0.030).contains(&t)).then(|| ball_at(t))
    });
    assert!(is_right(&followed(&[hidden], trees).unwrap()));
}
