//! Recordings of the board without pictures, for tests: corners projected from a known rig, with noise.

use nalgebra::{Rotation3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use crate::calibrate::board::Board;
use crate::calibrate::corners::{BoardView, Corner};
use crate::calibrate::film::Film;
use crate::calibrate::rendered::{phone, pose_at};
use crate::calibrate::world::world_from_board;
use crate::calibrate::{CalibrateError, CalibrateSettings, Calibration, DistortionOrder, Pairing, calibrate};
use crate::geometry::{
    Camera, CameraFromWorld, CameraPoint, RightFromLeft, Rigid, StereoRig, WorldFromLeft, WorldPoint,
};
use crate::units::Seconds;

/// Left time = right time + this.
pub(super) const OFFSET_S: f64 = 0.737;
/// Each place is held for this long; a sighting every 1/8 s.
const HELD_S: f64 = 1.0;
const EVERY_S: f64 = 0.125;

/// What to record.
#[derive(Clone)]
pub(super) struct Session {
    pub(super) board: Board,
    pub(super) rig: StereoRig,
    pub(super) noise_px: f64,
    pub(super) near_views: usize,
    pub(super) mound_views: usize,
    /// Largest slant of near views, degrees.
    pub(super) slant_deg: f64,
    /// Turns of the standing board about the world's axes (target line, vertical, crosswise), degrees, and where it stands
    /// on the ground, metres, each time it is stood.
    pub(super) stood: Vec<([f64; 3], [f64; 2])>,
    pub(super) timed: bool,
}

/// A phone at 1080p.
fn right_phone() -> Camera {
    Camera {
        width_px: 1920,
        height_px: 1080,
        fx_px: 1480.0,
        fy_px: 1478.0,
        cx_px: 951.0,
        cy_px: 545.0,
        distortion: [0.05, -0.11, -0.0005, 0.0007, 0.03],
    }
}

/// Two phones 6 m from the mound whose lines of sight meet at `angle_deg`.
pub(super) fn rig(angle_deg: f64) -> StereoRig {
    let half = (angle_deg / 2.0).to_radians();
    let mound = WorldPoint(Vector3::new(0.0, 0.9, 0.0));
    let eye = |side: f64| WorldPoint(Vector3::new(6.0 * half.cos(), 1.3, side * 6.0 * half.sin()));
    let left = CameraFromWorld::looking_at(eye(-1.0), mound).unwrap().0;
    let right = CameraFromWorld::looking_at(eye(1.0), mound).unwrap().0;
    StereoRig {
        left: phone(),
        right: right_phone(),
        right_from_left: RightFromLeft(right.after(&left.inverse())),
        world_from_left: Some(WorldFromLeft(left.inverse())),
    }
}

impl Default for Session {
    fn default() -> Self {
        Self {
            board: Board::default(),
            rig: rig(90.0),
            noise_px: 0.05,
            near_views: 20,
            mound_views: 14,
            slant_deg: 40.0,
            stood: vec![([0.0; 3], [0.0; 2])],
            timed: true,
        }
    }
}

impl Session {
    /// The two films.
    pub(super) fn films(&self, seed: u64) -> [Film; 2] {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let cameras = [self.rig.left, self.rig.right];
        let mut films = cameras.map(|c| Film::new(c.width_px, c.height_px, self.timed.then_some(240.0)));
        let mut moment = 0;
        let left_from_world = self.rig.world_from_left.unwrap().0.inverse();
        let from_world = [
            left_from_world,
            self.rig.right_from_left.0.after(&left_from_world),
        ];
        for (phone, camera) in cameras.iter().enumerate() {
            for _ in 0..self.near_views {
                let pose = self.near_pose(camera, &mut rng);
                self.record(&mut films, moment, &[(phone, pose)], &mut rng);
                moment += 1;
            }
        }
        for _ in 0..self.mound_views {
            let at = Vector3::new(
                rng.random_range(-0.5..0.8),
                rng.random_range(0.5..1.5),
                rng.random_range(-0.6..0.6),
            );
            let turn =
                |range: f64, rng: &mut ChaCha8Rng| rng.random_range(-range..range_end(range)).to_radians();
            let lean =
                Rotation3::from_euler_angles(turn(8.0, &mut rng), turn(20.0, &mut rng), turn(25.0, &mut rng));
            let upright = world_from_board(&self.board, rng.random_range(0..2) == 0);
            let centre = upright.apply(&self.board.centre_m());
            let tilted = Rigid::new(lean, at - lean * centre).after(&upright);
            self.record(
                &mut films,
                moment,
                &[0, 1].map(|p| (p, from_world[p].after(&tilted))),
                &mut rng,
            );
            moment += 1;
        }
        for (turns_deg, [x, z]) in &self.stood {
            let error = Rotation3::from_scaled_axis(Vector3::from(turns_deg.map(f64::to_radians)));
            let at = Vector3::new(*x, 0.0, *z);
            let stood = Rigid::new(error, at).after(&world_from_board(&self.board, true));
            self.record(
                &mut films,
                moment,
                &[0, 1].map(|p| (p, from_world[p].after(&stood))),
                &mut rng,
            );
            moment += 1;
        }
        films
    }

    fn near_pose(&self, camera: &Camera, rng: &mut ChaCha8Rng) -> Rigid {
        loop {
            let z = rng.random_range(1.0..2.4);
            let at = Vector3::new(
                rng.random_range(-0.5..0.5) * z,
                rng.random_range(-0.28..0.28) * z,
                z,
            );
            let mut turn = || rng.random_range(-self.slant_deg..range_end(self.slant_deg));
            let pose = pose_at(&self.board, at, [turn(), turn(), turn()]);
            if view(camera, &self.board, &pose, 0.0, rng).is_some() {
                return pose;
            }
        }
    }

    fn record(&self, films: &mut [Film; 2], moment: usize, seen: &[(usize, Rigid)], rng: &mut ChaCha8Rng) {
        let cameras = [self.rig.left, self.rig.right];
        for (phone, pose) in seen {
            let count = if self.timed {
                (HELD_S / EVERY_S) as usize
            } else {
                1
            };
            for k in 0..count {
                let Some(view) = view(&cameras[*phone], &self.board, pose, self.noise_px, rng) else {
                    continue;
                };
                // The right phone's frames fall between the left's.
                let shift = if *phone == 1 { 0.004 - OFFSET_S } else { 0.0 };
                let time = self
                    .timed
                    .then_some(Seconds(2.5 * moment as f64 + EVERY_S * k as f64 + shift));
                films[*phone].add(moment, time, Ok(view));
            }
        }
    }
}

/// Ranges must not be empty, even for a slant of 0.
fn range_end(range: f64) -> f64 {
    range + 1e-9
}

/// The board as a phone sees it; `None` when a corner is outside the picture.
fn view(
    camera: &Camera,
    board: &Board,
    pose: &Rigid,
    noise_px: f64,
    rng: &mut ChaCha8Rng,
) -> Option<BoardView> {
    let noise = Normal::new(0.0, noise_px.max(1e-300)).unwrap();
    let mut corners = Vec::new();
    for p in board.corners_m() {
        let mut at = camera.project(CameraPoint(pose.apply(&p)))?;
        let inside = at.x_px > 5.0
            && at.y_px > 5.0
            && at.x_px < f64::from(camera.width_px) - 6.0
            && at.y_px < f64::from(camera.height_px) - 6.0;
        if !inside {
            return None;
        }
        if noise_px > 0.0 {
            at.x_px += noise.sample(rng);
            at.y_px += noise.sample(rng);
        }
        corners.push(Corner { at, sd_px: noise_px });
    }
    let spacing_px = corners[0].at.distance_px(corners[1].at);
    Some(BoardView {
        corners,
        blur_px: 0.8,
        contrast: 150.0,
        spacing_px,
    })
}

/// Pairing of the projected films.
pub(super) const BY_CLOCK: Pairing = Pairing::ByClock {
    offset: Seconds(OFFSET_S),
    offset_sd: Seconds(0.001),
};

/// Usual settings.
pub(super) fn settings() -> CalibrateSettings {
    CalibrateSettings::new(Board::default())
}

/// All five distortion coefficients free.
pub(super) fn full() -> CalibrateSettings {
    CalibrateSettings {
        distortion: Some(DistortionOrder::Five),
        ..settings()
    }
}

/// Calibrates without lens files.
pub(super) fn run(films: &[Film; 2], settings: &CalibrateSettings) -> Result<Calibration, CalibrateError> {
    calibrate([&films[0], &films[1]], BY_CLOCK, [None, None], settings)
}

/// Angle between two rotations that differ little, degrees: from the difference of the matrices, exact down to nothing.
pub(super) fn angle_deg(a: &Rotation3<f64>, b: &Rotation3<f64>) -> f64 {
    ((a.matrix() - b.matrix()).norm() / std::f64::consts::SQRT_2).to_degrees()
}

/// Rotation (degrees) and translation (metres) between the pose found and the true one.
pub(super) fn pose_miss(found: &StereoRig, truth: &StereoRig) -> (f64, f64) {
    let (a, b) = (found.right_from_left.0, truth.right_from_left.0);
    (
        angle_deg(&a.rotation, &b.rotation),
        (a.translation_m - b.translation_m).norm(),
    )
}

/// Codes of a judgement's reasons.
pub(super) fn codes(calibration: &Calibration) -> Vec<&str> {
    calibration
        .judgement
        .reasons
        .iter()
        .map(|r| r.code.as_str())
        .collect()
}
