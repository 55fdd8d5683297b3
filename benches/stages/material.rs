//! What the stages are timed on, made from seeds: no file is needed beside the shipped networks.

use std::path::Path;

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use twinmound::geometry::{
    Camera, CameraFromWorld, Phone, PixelPoint, QuarterTurns, RightFromLeft, Shutter, StereoRig,
    WorldFromLeft, WorldPoint,
};
use twinmound::picture::{ColourMatrix, Grey, Picture};
use twinmound::reconstruct::View;
use twinmound::scene::encode::{FilmOptions, FilmWriter};
use twinmound::scene::motion::{Delivery, Style};
use twinmound::scene::rig::Rig;
use twinmound::skeleton::PerJoint;
use twinmound::track::{ImageJoint, Pose2d, PoseTrack};
use twinmound::units::Seconds;

use crate::Failure;

/// Frames per second of film and tracks.
pub(crate) const RATE_HZ: f64 = 240.0;

/// Length of the film, seconds.
pub(crate) const FILM_S: f64 = 0.5;

const WIDTH: usize = 1280;
const HEIGHT: usize = 720;

/// Edge of a square in the picture, pixels.
const SQUARE_PX: f64 = 44.0;

/// Standard deviation of an image point, pixels.
const POINT_SD_PX: f64 = 2.0;

/// Frames after which the board of the film turns back.
const TURN: usize = 8;

/// Samples per pixel and axis, so that edges are not jagged.
const FINE: usize = 3;

/// Brightness of a board of 10 x 7 squares on a grey wall, seen a little turned; (0, 0) is its middle.
fn shade(x_px: f64, y_px: f64) -> f64 {
    let (sin, cos) = 0.2_f64.sin_cos();
    let (column, row) = (
        (cos * x_px + sin * y_px) / SQUARE_PX + 5.0,
        (cos * y_px - sin * x_px) / SQUARE_PX + 3.5,
    );
    let inside = |at: f64, end: f64, margin: f64| at > -margin && at < end + margin;
    match () {
        () if inside(column, 10.0, 0.0) && inside(row, 7.0, 0.0) => {
            let dark = (column.floor() + row.floor()) % 2.0 == 0.0;
            if dark { 40.0 } else { 200.0 }
        }
        () if inside(column, 10.0, 1.0) && inside(row, 7.0, 1.0) => 200.0,
        () => 110.0 + 20.0 * (x_px / 90.0).sin() * (y_px / 70.0).cos(),
    }
}

/// One noisy 720p picture of a board that moves by a pixel and a half a frame.
pub(crate) fn board_picture(frame: usize) -> Picture {
    let mut random = ChaCha8Rng::seed_from_u64(frame as u64);
    let (middle_x, middle_y) = (WIDTH as f64 / 2.0 + 1.5 * frame as f64, HEIGHT as f64 / 2.0);
    let mut luma = Grey::filled(WIDTH, HEIGHT, 0);
    for (i, value) in luma.data.iter_mut().enumerate() {
        let (x, y) = ((i % WIDTH) as f64 - middle_x, (i / WIDTH) as f64 - middle_y);
        let fine = |k: usize| (k as f64 + 0.5) / FINE as f64 - 0.5;
        let sum: f64 = (0..FINE * FINE)
            .map(|k| shade(x + fine(k % FINE), y + fine(k / FINE)))
            .sum();
        let noise: f64 = random.sample(StandardNormal);
        *value = (sum / (FINE * FINE) as f64 + 2.0 * noise).clamp(16.0, 235.0) as u8;
    }
    let grey = Grey::filled(WIDTH / 2, HEIGHT / 2, 128);
    Picture {
        luma,
        cb: grey.clone(),
        cr: grey,
        full_range: false,
        matrix: ColourMatrix::Bt709,
    }
}

/// Half a second of it as a phone's file: the board goes to and fro, so that few pictures need to be drawn.
pub(crate) fn write_film(path: &Path) -> Result<(), Failure> {
    let mut film = FilmWriter::create(path, WIDTH, HEIGHT, (240, 1), None, FilmOptions::default())?;
    let drawn: Vec<Picture> = (0..=TURN).map(board_picture).collect();
    for frame in 0..(FILM_S * RATE_HZ) as usize {
        let place = TURN.abs_diff(frame % (2 * TURN));
        film.push(&drawn[place], Seconds(frame as f64 / RATE_HZ))?;
    }
    Ok(film.finish()?)
}

/// A delivery as two phones' image points, without pictures.
pub(crate) struct FilmedDelivery {
    /// Where the phones stand.
    pub(crate) rig: StereoRig,
    tracks: [PoseTrack; 2],
    shutter: Shutter,
}

impl FilmedDelivery {
    /// The studio's plain right-hander, with noise on every image point.
    pub(crate) fn new() -> Result<Self, Failure> {
        let rig = phones()?;
        let shutter = Shutter::unknown(rig.left.width_px, rig.left.height_px, QuarterTurns::Zero);
        let delivery = Delivery::new(&Style::named("clean")?, &Rig::proportioned(1.85));
        let film = |phone, seed| track(&rig, phone, &shutter, &delivery, seed);
        let tracks = [film(Phone::Left, 1)?, film(Phone::Right, 2)?];
        Ok(Self { rig, tracks, shutter })
    }

    /// LEFT's view and RIGHT's.
    pub(crate) fn views(&self) -> [View<'_>; 2] {
        [0, 1].map(|i| View {
            track: &self.tracks[i],
            shutter: self.shutter,
        })
    }
}

/// Two phones as the README asks for.
fn phones() -> Result<StereoRig, Failure> {
    let camera = Camera {
        width_px: WIDTH as u32,
        height_px: HEIGHT as u32,
        fx_px: 1050.0,
        fy_px: 1050.0,
        cx_px: 640.0,
        cy_px: 360.0,
        distortion: [0.08, -0.15, 0.0005, -0.0004, 0.05],
    };
    let at = WorldPoint(Vector3::new(0.5, 1.0, 0.0));
    let pose = |x: f64, z: f64| {
        CameraFromWorld::looking_at(WorldPoint(Vector3::new(x, 1.3, z)), at)
            .ok_or("a phone that looks straight down")
    };
    let (left, right) = (pose(-3.6, 5.2)?, pose(4.4, 5.0)?);
    Ok(StereoRig {
        left: camera,
        right: camera,
        right_from_left: RightFromLeft(right.0.after(&left.0.inverse())),
        world_from_left: Some(WorldFromLeft(left.0.inverse())),
    })
}

/// One phone's image points, each at the instant of its own row.
fn track(
    rig: &StereoRig,
    phone: Phone,
    shutter: &Shutter,
    delivery: &Delivery,
    seed: u64,
) -> Result<PoseTrack, Failure> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (lens, pose) = (rig.camera(phone), rig.camera_from_world(phone));
    let frames = (delivery.phases().end_s * RATE_HZ) as usize;
    let mut poses = Vec::with_capacity(frames);
    for frame in 0..frames {
        let pts = Seconds(frame as f64 / RATE_HZ);
        let middle = shutter.middle_delay();
        let states = delivery.states_at((pts + middle).0);
        let joints = PerJoint::from_fn(|joint| {
            let state = &states[joint];
            let seen = |delay: Seconds| {
                let moved_m = state.velocity_m_s * (delay - middle).0;
                lens.project(pose.apply(WorldPoint(state.position_m + moved_m)))
            };
            let exact = seen(shutter.delay(seen(middle)?))?;
            let mut noisy = |value: f64| value + POINT_SD_PX * random.sample::<f64, _>(StandardNormal);
            Some(ImageJoint {
                at: PixelPoint::new(noisy(exact.x_px), noisy(exact.y_px)),
                sd_px: POINT_SD_PX,
                visible: 1.0,
            })
        });
        poses.push(Pose2d { frame, pts, joints });
    }
    Ok(PoseTrack { poses })
}
