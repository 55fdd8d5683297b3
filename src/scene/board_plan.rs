//! Where the board is held over time: close to each phone, slanted at the mound, upright on the rubber.

use nalgebra::{Rotation3, Unit, UnitQuaternion, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::geometry::{PixelPoint, Rigid};
use crate::scene::board::{SHEET_M, WorldFromBoard};
use crate::scene::phone::FilmPhone;

/// What a pause is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BoardPurpose {
    /// Close to the left phone, for its lens.
    CloseToLeft,
    /// Close to the right phone, for its lens.
    CloseToRight,
    /// At the mound, slanted, seen by both.
    AtTheMound,
    /// Standing upright on the rubber's front edge.
    Upright,
}

/// A pause: the board is at rest from `start_s` to `end_s`, scene time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardHold {
    /// When it comes to rest.
    pub start_s: f64,
    /// When it moves on.
    pub end_s: f64,
    /// Where it is.
    pub pose: WorldFromBoard,
    /// What for.
    pub purpose: BoardPurpose,
}

/// How many pauses of each kind, and how long they and the moves between them last.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardPlanSize {
    /// Pauses close to each phone.
    pub close: usize,
    /// Pauses at the mound.
    pub mound: usize,
    /// A pause, seconds.
    pub hold_s: f64,
    /// A move, seconds.
    pub move_s: f64,
    /// The last pause, upright, seconds.
    pub upright_s: f64,
}

impl Default for BoardPlanSize {
    fn default() -> Self {
        Self {
            close: 25,
            mound: 8,
            hold_s: 0.14,
            move_s: 0.12,
            upright_s: 0.8,
        }
    }
}

/// The board's whole way.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardPlan {
    /// All pauses in order.
    pub holds: Vec<BoardHold>,
}

impl BoardPlan {
    /// A plan for two phones, starting at a scene time. Poses that cannot be found (a phone that does not see the mound)
    /// are left out.
    #[must_use]
    pub fn seeded(left: &FilmPhone, right: &FilmPhone, start_s: f64, size: BoardPlanSize, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xB0A2_D000);
        let mut poses = Vec::new();
        for (phone, purpose) in [
            (left, BoardPurpose::CloseToLeft),
            (right, BoardPurpose::CloseToRight),
        ] {
            for i in 0..size.close {
                poses.extend(close_pose(phone, i, &mut rng).map(|pose| (pose, purpose)));
            }
        }
        for _ in 0..size.mound {
            poses.extend(mound_pose(left, right, &mut rng).map(|pose| (pose, BoardPurpose::AtTheMound)));
        }
        poses.push((WorldFromBoard::upright_on_the_rubber(), BoardPurpose::Upright));
        let mut at_s = start_s;
        let holds = poses
            .into_iter()
            .map(|(pose, purpose)| {
                let lasts_s = if purpose == BoardPurpose::Upright {
                    size.upright_s
                } else {
                    size.hold_s
                };
                let hold = BoardHold {
                    start_s: at_s,
                    end_s: at_s + lasts_s,
                    pose,
                    purpose,
                };
                at_s = hold.end_s + size.move_s;
                hold
            })
            .collect();
        Self { holds }
    }

    /// When the last pause ends, scene time.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.holds.last().map_or(0.0, |h| h.end_s)
    }

    /// The board at a scene time; before the first and after the last pause it stays.
    #[must_use]
    pub fn pose_at(&self, time_s: f64) -> WorldFromBoard {
        let next = self.holds.partition_point(|h| h.start_s <= time_s);
        let Some(last) = next.checked_sub(1).and_then(|i| self.holds.get(i)) else {
            return self
                .holds
                .first()
                .map_or_else(WorldFromBoard::upright_on_the_rubber, |h| h.pose);
        };
        let Some(next) = self.holds.get(next).filter(|_| time_s > last.end_s) else {
            return last.pose;
        };
        let t = (time_s - last.end_s) / (next.start_s - last.end_s);
        between(
            &last.pose,
            &next.pose,
            t * t * t * (10.0 - 15.0 * t + 6.0 * t * t),
        )
    }

    /// Whether the board is at rest over a whole stretch of time.
    #[must_use]
    pub fn is_still(&self, from_s: f64, to_s: f64) -> bool {
        self.holds.iter().any(|h| h.start_s <= from_s && to_s <= h.end_s) || from_s >= self.end_s()
    }
}

/// A pose on the way between two; the sheet's middle goes straight.
fn between(a: &WorldFromBoard, b: &WorldFromBoard, t: f64) -> WorldFromBoard {
    let turn = |pose: &WorldFromBoard| UnitQuaternion::from_rotation_matrix(&pose.0.rotation);
    let (qa, qb) = (turn(a), turn(b));
    let rotation = qa.try_slerp(&qb, t, 1e-9).unwrap_or(qa).to_rotation_matrix();
    let middle = Vector3::new(0.0, SHEET_M.1 / 2.0, 0.0);
    let centre = a.0.apply(&middle).lerp(&b.0.apply(&middle), t);
    with_centre(rotation, centre)
}

fn with_centre(rotation: Rotation3<f64>, centre: Vector3<f64>) -> WorldFromBoard {
    let middle = Vector3::new(0.0, SHEET_M.1 / 2.0, 0.0);
    WorldFromBoard(Rigid::new(rotation, centre - rotation * middle))
}

/// Board axes that face a direction, held level, then turned by `slant` (a rotation vector in board axes, radians).
fn facing(toward: Vector3<f64>, slant: Vector3<f64>) -> Rotation3<f64> {
    let z = Unit::new_normalize(toward);
    let x = Unit::new_normalize(Vector3::y().cross(&z));
    let y = z.cross(&x);
    let level = Rotation3::from_matrix_unchecked(nalgebra::Matrix3::from_columns(&[
        x.into_inner(),
        y,
        z.into_inner(),
    ]));
    level * Rotation3::new(slant)
}

/// Close to a phone: the middle of the sheet wanders over the picture with `index`, slants vary.
fn close_pose(phone: &FilmPhone, index: usize, rng: &mut ChaCha8Rng) -> Option<WorldFromBoard> {
    const TRIES: usize = 600;
    const GRID: usize = 5;
    let (w, h) = (
        f64::from(phone.camera.width_px),
        f64::from(phone.camera.height_px),
    );
    let eye = phone.pose.centre().0;
    // Every second column first: far places follow each other as they do when a person walks the board about.
    let (column, row) = (index % GRID, index / GRID % GRID);
    for attempt in 0..TRIES {
        // The goal moves toward the picture's middle when the sheet does not fit.
        let reach = 1.0 - 0.8 * attempt as f64 / TRIES as f64;
        let spread = |cell: usize| reach * (cell as f64 / (GRID - 1) as f64 - 0.5);
        let jitter = 0.06;
        let goal = PixelPoint::new(
            w * (0.5 + spread(column) + rng.random_range(-jitter..jitter)),
            h * (0.5 + spread(row) + rng.random_range(-jitter..jitter)),
        );
        let Some(ray) = phone.ray(goal) else {
            continue;
        };
        let distance_m = rng.random_range(1.5..3.0) * 1010.0 / 1280.0 * phone.camera.fx_px / w;
        let centre = eye + ray * distance_m.clamp(1.2, 3.2);
        let tilt = rng.random_range(0.15..0.75_f64);
        let about = rng.random_range(0.0..std::f64::consts::TAU);
        let slant = Vector3::new(
            tilt * about.cos(),
            tilt * about.sin(),
            rng.random_range(-0.25..0.25),
        );
        let pose = with_centre(facing(eye - centre, slant), centre);
        if fits(phone, &pose, 0.75_f64.cos()) {
            return Some(pose);
        }
    }
    None
}

/// At the mound, slanted, in view of both phones and not too oblique for either.
fn mound_pose(left: &FilmPhone, right: &FilmPhone, rng: &mut ChaCha8Rng) -> Option<WorldFromBoard> {
    const TRIES: usize = 4000;
    let eyes = [left, right].map(|p| p.pose.centre().0);
    for _ in 0..TRIES {
        let centre = Vector3::new(
            rng.random_range(-0.3..1.6),
            rng.random_range(0.5..1.5),
            rng.random_range(-0.6..0.6),
        );
        let between = (eyes[0] - centre).normalize() + (eyes[1] - centre).normalize();
        if between.norm() < 0.2 {
            continue; // the phones face each other: no slant suits both
        }
        let slant = Vector3::from_fn(|_, _| rng.random_range(-0.45..0.45));
        let pose = with_centre(facing(between, slant), centre);
        if fits(left, &pose, 0.42) && fits(right, &pose, 0.42) {
            return Some(pose);
        }
    }
    None
}

/// Whether a phone sees the whole front of the sheet, no more oblique than the cosine allows, above the ground.
fn fits(phone: &FilmPhone, pose: &WorldFromBoard, least_cosine: f64) -> bool {
    const EDGE_PX: f64 = 6.0;
    const GROUND_M: f64 = 0.03;
    let eye = phone.pose.centre().0;
    let centre = pose.point(0.0, SHEET_M.1 / 2.0).0;
    if pose.normal().dot(&(eye - centre).normalize()) < least_cosine {
        return false;
    }
    let (w, h) = (
        f64::from(phone.camera.width_px),
        f64::from(phone.camera.height_px),
    );
    pose.sheet_corners().iter().all(|corner| {
        corner.0.y > GROUND_M
            && phone.camera.project(phone.pose.apply(*corner)).is_some_and(|p| {
                (EDGE_PX..w - EDGE_PX).contains(&p.x_px) && (EDGE_PX..h - EDGE_PX).contains(&p.y_px)
            })
    })
}
