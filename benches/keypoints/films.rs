//! Films of the studio, followed as `measure` follows them, against the exact joints seen by the exact phones.

use std::path::Path;

use twinmound::demo::{DemoRequest, Studio};
use twinmound::detect::{DetectSettings, Models, Runtime, follow_athlete};
use twinmound::geometry::{PixelPoint, WorldPoint};
use twinmound::ingest::{IngestOptions, open_clip};
use twinmound::quality::Silent;
use twinmound::scene::encode::{FilmOptions, FilmWriter};
use twinmound::scene::film::DeliveryFilm;
use twinmound::scene::motion::Delivery;
use twinmound::scene::phone::FilmPhone;
use twinmound::skeleton::{Joint, PerJoint, Side};
use twinmound::units::Seconds;

use crate::Failure;
use crate::people::region_round;

/// What is filmed, by two phones each: style, seed, throwing hand.
const SCENARIOS: [(&str, u64, Side); 2] = [("clean", 31, Side::Right), ("youth", 32, Side::Left)];

/// Errors are stated as if every crop were as high as this, pixels, with the person filling [`PERSON_SHARE`] of it.
const CROP_HEIGHT_PX: f64 = 384.0;
const CROP_ASPECT: f64 = 0.75;
const PERSON_SHARE: f64 = 0.8;

/// Parts of a delivery.
pub(crate) const PHASES: [&str; 4] = ["wind_up", "stride", "arm", "follow_through"];

/// One joint in one frame.
#[derive(Clone, Copy)]
pub(crate) struct Sample {
    /// Which.
    pub(crate) joint: Joint,
    /// Index in [`PHASES`].
    pub(crate) phase: usize,
    /// Index of the film.
    pub(crate) film: usize,
    /// Index of the frame.
    pub(crate) frame: usize,
    /// Found less true, right and down, pixels of a 384 px crop.
    pub(crate) error_px: [f64; 2],
    /// Standard deviation that the network stated, same pixels.
    pub(crate) sd_px: f64,
}

/// All films, and how many frames were looked at and how many had no athlete.
pub(crate) struct Filmed {
    /// Every joint found.
    pub(crate) samples: Vec<Sample>,
    /// What was filmed, in words.
    pub(crate) names: Vec<String>,
    /// Frames per second.
    pub(crate) rate_hz: f64,
    /// Frames without the athlete.
    pub(crate) lost: usize,
    /// All frames.
    pub(crate) frames: usize,
}

/// Films every scenario once into `folder`; what lies there already is taken.
pub(crate) fn film_all(folder: &Path) -> Result<Vec<(Studio, usize, std::path::PathBuf)>, Failure> {
    let mut films = Vec::new();
    for (style, seed, throws) in SCENARIOS {
        for phone in 0..2 {
            let studio = Studio::new(&DemoRequest {
                out: folder.to_owned(),
                style: style.to_owned(),
                seed,
                throws,
                peers: Default::default(),
            })?;
            let path = folder.join(format!("{style}-{seed}-{phone}.mp4"));
            write_film(&studio, &studio.phones[phone], &path)?;
            films.push((studio, phone, path));
        }
    }
    Ok(films)
}

fn write_film(studio: &Studio, phone: &FilmPhone, path: &Path) -> Result<(), Failure> {
    let frames = frame_count(studio, phone);
    let (width, height) = (phone.camera.width_px as usize, phone.camera.height_px as usize);
    let rate = (phone.rate_hz.round() as u32, 1);
    let mut writer = FilmWriter::create(path, width, height, rate, None, FilmOptions::default())?;
    let film = DeliveryFilm::new(&studio.scene, phone);
    for (frame, picture) in film.pictures(0..frames).enumerate() {
        writer.push(&picture, Seconds(phone.frame_pts_s(frame)))?;
    }
    Ok(writer.finish()?)
}

fn frame_count(studio: &Studio, phone: &FilmPhone) -> usize {
    (studio.duration_s() * phone.rate_hz) as usize
}

/// Follows the athlete of every film with one network.
pub(crate) fn compare(
    films: &[(Studio, usize, std::path::PathBuf)],
    runtime: &Runtime,
    manifest: &Path,
) -> Result<Filmed, Failure> {
    let mut filmed = Filmed {
        samples: Vec::new(),
        names: Vec::new(),
        rate_hz: 0.0,
        lost: 0,
        frames: 0,
    };
    for (index, (studio, phone, path)) in films.iter().enumerate() {
        let phone = &studio.phones[*phone];
        let mut models = Models::load(runtime, Some(manifest), 2)?;
        let clip = open_clip(path, &IngestOptions::default())?;
        let followed = follow_athlete(clip.frames()?, &mut models, &DetectSettings::default(), &Silent)?;
        let name = path
            .file_stem()
            .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        filmed
            .names
            .push(format!("{name}, {} px high pictures", phone.camera.height_px));
        filmed.rate_hz = phone.rate_hz;
        filmed.frames += followed.frames;
        filmed.lost += followed.frames - followed.track.poses.len();
        for pose in &followed.track.poses {
            let truth = PerJoint::from_fn(|joint| seen(&studio.delivery, phone, pose.frame, joint));
            let region = region_round(truth.0.iter().flatten().copied(), CROP_ASPECT, PERSON_SHARE);
            let scale = CROP_HEIGHT_PX / region.height_px;
            let scene_s = phone.clock.scene_time_s(pose.pts.0);
            for joint in Joint::ALL {
                if let (Some(found), Some(exact)) = (pose.joints[joint], truth[joint]) {
                    filmed.samples.push(Sample {
                        joint,
                        phase: phase(&studio.delivery, scene_s),
                        film: index,
                        frame: pose.frame,
                        error_px: [found.at.x_px - exact.x_px, found.at.y_px - exact.y_px].map(|e| e * scale),
                        sd_px: found.sd_px * scale,
                    });
                }
            }
        }
    }
    Ok(filmed)
}

/// Where a joint is seen, at the middle of the exposure of the row on which it is seen.
fn seen(delivery: &Delivery, phone: &FilmPhone, frame: usize, joint: Joint) -> Option<PixelPoint> {
    let at = |time_s: f64| {
        let place = delivery.joints_at(time_s)[joint];
        phone.camera.project(phone.pose.apply(WorldPoint(place)))
    };
    let mut pixel = at(phone.clock.scene_time_s(phone.frame_pts_s(frame)))?;
    for _ in 0..3 {
        pixel = at(phone.pixel_time_s(frame, pixel, 0.5))?;
    }
    Some(pixel)
}

fn phase(delivery: &Delivery, scene_s: f64) -> usize {
    let phases = delivery.phases();
    [phases.knee_lift_s, phases.contact_s, phases.release_s]
        .iter()
        .filter(|end| scene_s >= **end)
        .count()
}
