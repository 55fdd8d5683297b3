//! The ball found in rendered pictures of many lights, exposures, backgrounds and throwers, against the studio's truth.
//!
//! Only the frames about release are rendered, and the hand is the scene's own: what is tested is the finding of the ball.
//! All figures here are of rendered recordings.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test stops at the first surprise; the table is for --nocapture"
)]

use twinmound::ball::{BallFlight, Hand, RigDoubt, Settings, Sight, Unseen, follow, look};
use twinmound::demo::{DemoRequest, Studio};
use twinmound::geometry::Shutter;
use twinmound::ingest::Frame;
use twinmound::scene::film::DeliveryFilm;
use twinmound::scene::set::Stage;
use twinmound::scene::truth::Truth;
use twinmound::skeleton::Side;
use twinmound::units::Seconds;

/// The goal for a ball's speed.
const MOST_SPEED_ERROR: f64 = 0.02;

/// One recording about release.
#[derive(Clone, Copy, Debug)]
struct Shot {
    style: &'static str,
    throws: Side,
    seed: u64,
    /// Exposure of both phones, seconds.
    exposure_s: f64,
    /// Factor on the light that the sensors catch.
    gain: f32,
    /// Another set than the seed's own.
    stage: u64,
}

const SHOT: Shot = Shot {
    style: "clean",
    throws: Side::Right,
    seed: 1,
    exposure_s: 0.001,
    gain: 1.0,
    stage: 1,
};

/// What the ball's finder says of a shot, with the true speed and position a little after release.
fn found(shot: &Shot, ball: bool) -> (Result<BallFlight, Unseen>, Truth) {
    let mut studio = Studio::new(&DemoRequest {
        out: std::path::PathBuf::new(),
        style: shot.style.to_owned(),
        seed: shot.seed,
        throws: shot.throws,
        peers: Default::default(),
    })
    .unwrap();
    studio.scene.stage = Stage::seeded(shot.stage);
    if !ball {
        studio.scene.ball_at = None;
    }
    for phone in &mut studio.phones {
        phone.exposure_s = shot.exposure_s;
        phone.sensor.gain *= shot.gain;
    }
    let left = &studio.phones[0];
    let middle_s = left.shutter().middle_delay().0;
    let frames = (studio.duration_s() * left.rate_hz) as usize;
    let times: Vec<f64> = (0..frames).map(|k| left.frame_pts_s(k) + middle_s).collect();
    let truth = Truth::new(&studio.delivery, &times, |t| left.clock.scene_time_s(t));
    let hand = Hand::about_release(&truth.trajectory, shot.throws, truth.release).unwrap();
    let release_s = studio.delivery.flight().release_s;
    let looks = [0, 1].map(|i| {
        let phone = &studio.phones[i];
        let sight = Sight {
            camera: phone.camera,
            pose: phone.pose,
            // A coach knows nothing of his phones' shutters; the clock offset found from joints makes up for both.
            shutter: Shutter {
                exposure_s: shot.exposure_s,
                ..Shutter::unknown(phone.camera.width_px, phone.camera.height_px, phone.turns)
            },
            shift_s: if i == 0 {
                0.0
            } else {
                studio.clock_offset_s(release_s)
            },
            zero: Seconds(0.0),
            rate_hz: phone.rate_hz,
        };
        let film = DeliveryFilm::new(&studio.scene, phone);
        let pictures = (0..frames)
            .map(|index| (index, Seconds(phone.frame_pts_s(index))))
            .filter(|(_, pts)| hand.wants(&sight, *pts))
            .map(|(index, pts)| {
                Ok(Frame {
                    index,
                    pts,
                    picture: film.picture(index),
                })
            });
        look(pictures, &hand, &sight).unwrap()
    });
    let rig = RigDoubt {
        turn_sd_deg: 0.01,
        place_sd_m: 0.001,
        focal_sd_px: [0.2, 0.2],
    };
    let late_s: Vec<f64> = (0..40).map(|i| 0.0002 * f64::from(i % 5 - 2)).collect();
    let flight = follow(&looks, &hand, &rig, &late_s, &Settings::default());
    (flight, truth)
}

fn checked(shots: &[Shot]) {
    let mut wrong = Vec::new();
    for shot in shots {
        let (flight, truth) = found(shot, true);
        let line = match &flight {
            Err(why) => format!("{shot:?}: {why}"),
            Ok(flight) => {
                let after_s = (truth.release - flight.epoch).0;
                let speed = flight.state.velocity_at(after_s).norm();
                let error = speed / truth.ball_speed_m_s - 1.0;
                let off_m = (flight.state.position_at(after_s) - truth.release_point_m).norm();
                let sd = flight
                    .versions
                    .iter()
                    .map(|v| (v.velocity_at(after_s).norm() - speed).powi(2))
                    .sum::<f64>();
                let sd = (sd / flight.versions.len() as f64).sqrt();
                let line = format!(
                    "{shot:?}: {:.2} m/s, {:+.2} % (sd {:.2} %), release point {:.0} mm off, frames {:?}, {:.2} px",
                    truth.ball_speed_m_s,
                    100.0 * error,
                    100.0 * sd / speed,
                    1e3 * off_m,
                    flight.frames,
                    flight.rms_px
                );
                if error.abs() > MOST_SPEED_ERROR || off_m > 0.04 {
                    wrong.push(line.clone());
                }
                line
            }
        };
        println!("{line}");
        if flight.is_err() {
            wrong.push(line);
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_smeared_ball_and_a_dim_one_are_found() {
    checked(&[
        Shot {
            exposure_s: 1.0 / 240.0,
            ..SHOT
        },
        Shot {
            style: "youth",
            throws: Side::Left,
            seed: 2,
            exposure_s: 1.0 / 2000.0,
            gain: 0.45,
            stage: 5,
        },
    ]);
}

#[test]
fn without_a_ball_there_is_no_flight() {
    let (flight, _) = found(&SHOT, false);
    println!("{flight:?}");
    assert!(matches!(
        flight,
        Err(Unseen::TooFewFrames { .. } | Unseen::NotOneFlight)
    ));
}

#[cfg(feature = "long-tests")]
#[test]
fn the_ball_is_found_in_any_light_before_any_background() {
    let mut shots = Vec::new();
    for seed in 3..11 {
        shots.push(Shot {
            style: if seed % 3 == 0 { "youth" } else { "clean" },
            throws: if seed % 2 == 0 { Side::Right } else { Side::Left },
            seed,
            exposure_s: [1.0 / 240.0, 0.002, 0.001, 0.0005][seed as usize % 4],
            gain: [0.5, 1.0, 1.3][seed as usize % 3],
            stage: 30 + seed,
        });
    }
    checked(&shots);
}
