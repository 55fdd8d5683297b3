//! Films and truth become files.

use std::path::Path;

use nalgebra::Vector3;

use crate::ball::{BallFlight, FlightState};
use crate::demo::studio::{CLAP_PLACE_M, FIRST_CLAP_S};
use crate::demo::{DemoError, Studio};
use crate::geometry::Phone;
use crate::kinematics::{DeliveryMeasures, Event, Options, measure};
use crate::picture::Picture;
use crate::pipeline::{PipelineError, truth_record};
use crate::quality::Progress;
use crate::scene::board::BoardFilm;
use crate::scene::board_plan::{BoardPlan, BoardPlanSize};
use crate::scene::encode::{FilmOptions, FilmSound, FilmWriter};
use crate::scene::film::DeliveryFilm;

use crate::scene::phone::FilmPhone;
use crate::scene::sound::{Microphone, SAMPLE_RATE_HZ, SoundEvent, sound_track};
use crate::scene::truth::Truth;
use crate::store::{joints_csv, write_whole};
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// Instants at which the truth's metrics are computed, a second.
const TRUTH_RATE_HZ: f64 = 960.0;

/// The scenario's truth on LEFT's clock.
pub(crate) struct FilmedTruth {
    /// Joints at the middle instants of LEFT's frames.
    pub(crate) trajectory: Trajectory,
    /// Events and metrics of the noise-free joints.
    pub(crate) measures: DeliveryMeasures,
    /// When the ball leaves the hand, on LEFT's clock.
    pub(crate) release_s: f64,
}

/// The four films.
pub(crate) fn write_all(studio: &Studio, out: &Path, progress: &dyn Progress) -> Result<(), PipelineError> {
    write_delivery(studio, out, progress)?;
    write_boards(studio, out, progress)
}

fn made_folder(out: &Path) -> Result<(), DemoError> {
    std::fs::create_dir_all(out).map_err(|source| {
        DemoError::from(crate::scene::encode::FilmError::Disk {
            path: out.to_owned(),
            source,
        })
    })
}

fn claps() -> [SoundEvent; 2] {
    SoundEvent::two_claps(FIRST_CLAP_S, Vector3::from(CLAP_PLACE_M))
}

/// `left.mp4` and `right.mp4`.
pub(crate) fn write_delivery(
    studio: &Studio,
    out: &Path,
    progress: &dyn Progress,
) -> Result<(), PipelineError> {
    made_folder(out)?;
    let mut sounds = claps().to_vec();
    sounds.extend(SoundEvent::of_delivery(&studio.delivery));
    for (phone, name) in studio.phones.iter().zip(["left", "right"]) {
        let frames = (studio.duration_s() * phone.rate_hz) as usize;
        let film = DeliveryFilm::new(&studio.scene, phone);
        let pictures = film.pictures(0..frames);
        let path = out.join(format!("{name}.mp4"));
        write_film(
            &path,
            phone,
            &sounds,
            frames,
            pictures,
            &format!("film the delivery, {name}"),
            progress,
        )?;
    }
    Ok(())
}

/// `board-left.mp4` and `board-right.mp4`.
pub(crate) fn write_boards(
    studio: &Studio,
    out: &Path,
    progress: &dyn Progress,
) -> Result<(), PipelineError> {
    made_folder(out)?;
    let phones = [Phone::Left, Phone::Right].map(|p| studio.board_phone(p));
    let plan = BoardPlan::seeded(
        &phones[0],
        &phones[1],
        0.1,
        BoardPlanSize::default(),
        studio.seed(),
    );
    for (phone, name) in phones.iter().zip(["left", "right"]) {
        let film = BoardFilm::new(&studio.scene.stage, &plan, phone);
        let frames = film.frame_count();
        let path = out.join(format!("board-{name}.mp4"));
        let pictures = film.pictures(0..frames);
        write_film(
            &path,
            phone,
            &claps(),
            frames,
            pictures,
            &format!("film the board, {name}"),
            progress,
        )?;
    }
    Ok(())
}

fn write_film(
    path: &Path,
    phone: &FilmPhone,
    sounds: &[SoundEvent],
    frames: usize,
    pictures: impl Iterator<Item = Picture>,
    what: &str,
    progress: &dyn Progress,
) -> Result<(), DemoError> {
    progress.start(what, Some(frames as u64));
    let duration_s = frames as f64 / phone.rate_hz;
    let microphone = Microphone {
        position_m: phone.pose.centre().0,
        gain: 1.0 + 0.2 * (phone.seed % 3) as f32,
        dullness: 0.1 * (phone.seed % 2) as f32,
        noise: 0.002,
        latency_s: 0.004 * (phone.seed % 4) as f64,
        seed: phone.seed,
    };
    let sound = FilmSound {
        samples: sound_track(sounds, &microphone, |t| phone.clock.scene_time_s(t), duration_s),
        rate_hz: SAMPLE_RATE_HZ,
        start: Seconds(0.0),
    };
    let (width, height) = (phone.camera.width_px as usize, phone.camera.height_px as usize);
    let rate = (phone.rate_hz.round() as u32, 1);
    let mut writer = FilmWriter::create(path, width, height, rate, Some(&sound), FilmOptions::default())?;
    for (frame, picture) in pictures.enumerate() {
        writer.push(&picture, Seconds(phone.frame_pts_s(frame)))?;
        progress.advance(1);
    }
    writer.finish()?;
    progress.finish();
    Ok(())
}

/// `truth/joints.csv` and `truth/metrics.json`.
pub(crate) fn write_truth(studio: &Studio, out: &Path) -> Result<FilmedTruth, PipelineError> {
    let left = &studio.phones[0];
    let frames = (studio.duration_s() * left.rate_hz) as usize;
    let middle_s = left.shutter().middle_delay().0;
    let times: Vec<f64> = (0..frames).map(|k| left.frame_pts_s(k) + middle_s).collect();
    let scene_time_s = |t: f64| left.clock.scene_time_s(t);
    let filmed = Truth::new(&studio.delivery, &times, scene_time_s);
    let dense: Vec<f64> = (0..(studio.duration_s() * TRUTH_RATE_HZ) as usize)
        .map(|k| k as f64 / TRUTH_RATE_HZ)
        .collect();
    let exact = Truth::new(&studio.delivery, &dense, scene_time_s);
    let options = Options {
        release: Some(Event {
            time_s: exact.release,
            sd_s: None,
        }),
        ball: Ok(BallFlight::exact(
            exact.release,
            FlightState {
                position_m: exact.release_point_m,
                velocity_m_s: exact.release_velocity_m_s,
                acceleration_m_s2: Vector3::zeros(),
            },
        )),
        ..Options::without_doubt()
    };
    let athlete = studio.athlete();
    let measures = measure(&exact.trajectory, &athlete, &options);
    write_whole(
        &out.join("truth/joints.csv"),
        &joints_csv(&filmed.trajectory, false)?,
    )?;
    write_whole(
        &out.join("truth/metrics.json"),
        &truth_record(&measures, &athlete).to_json()?,
    )?;
    Ok(FilmedTruth {
        trajectory: filmed.trajectory,
        measures,
        release_s: exact.release.0,
    })
}
