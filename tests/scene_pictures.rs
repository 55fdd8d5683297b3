//! The film studio's pictures against the exact geometry they are made from.
#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has failed")]

/// Pictures to look at, and how long they take.
#[cfg(feature = "long-tests")]
mod looked_at;

use std::path::PathBuf;
use std::sync::Arc;

use nalgebra::{UnitQuaternion, Vector3};
use twinmound::geometry::{Camera, CameraFromWorld, PixelPoint, QuarterTurns, WorldPoint};
use twinmound::picture::Picture;
use twinmound::scene::board::BoardFilm;
use twinmound::scene::board_plan::{BoardPlan, BoardPlanSize};
use twinmound::scene::body::{Body, BodyLibrary};
use twinmound::scene::dress::Person;
use twinmound::scene::film::{Actor, DeliveryFilm, Scene};
use twinmound::scene::outfit::Outfit;
use twinmound::scene::phone::{FilmPhone, PhoneClock, Sensor};
use twinmound::scene::rig::{BONE_COUNT, Bone, Posture};
use twinmound::scene::set::Stage;

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

/// The leg lift of a right-hander who faces third base (-z): half a turn from rest, where the front is +z.
fn leg_lift(body: &Body) -> Posture {
    use std::f64::consts::PI;
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
    posture.turns[Bone::Pelvis as usize] = UnitQuaternion::from_scaled_axis(Vector3::new(0.0, PI, 0.0));
    posture
}

/// Only a ball, on a straight path.
fn ball_scene(from: Vector3<f64>, velocity: Vector3<f64>) -> Scene {
    Scene {
        stage: Stage::seeded(3),
        actors: Vec::new(),
        ball_at: Some(Arc::new(move |t| Some(from + velocity * t))),
    }
}

/// Moments of what a frame's moving things cover.
struct Moments {
    area_px2: f64,
    x_px: f64,
    y_px: f64,
    variance_x_px2: f64,
    /// Shift of a row's middle per row, pixels.
    skew: f64,
}

fn moments(coverage: &[f32], width: usize) -> Moments {
    let pixels = || {
        coverage
            .iter()
            .enumerate()
            .filter(|(_, c)| **c > 0.0)
            .map(|(i, c)| ((i % width) as f64, (i / width) as f64, f64::from(*c)))
    };
    let area: f64 = pixels().map(|(.., c)| c).sum();
    let x = pixels().map(|(x, _, c)| x * c).sum::<f64>() / area;
    let y = pixels().map(|(_, y, c)| y * c).sum::<f64>() / area;
    let mean =
        |f: &dyn Fn(f64, f64) -> f64| pixels().map(|(px, py, c)| f(px - x, py - y) * c).sum::<f64>() / area;
    Moments {
        area_px2: area,
        x_px: x,
        y_px: y,
        variance_x_px2: mean(&|dx, _| dx * dx),
        skew: mean(&|dx, dy| dx * dy) / mean(&|_, dy| dy * dy),
    }
}

/// Where a moving point is in a frame at the middle of its row's exposure: the contract's rule, by iteration.
fn seen_at(phone: &FilmPhone, frame: usize, at: impl Fn(f64) -> Vector3<f64>) -> PixelPoint {
    let mut pixel = PixelPoint::new(640.0, 360.0);
    for _ in 0..20 {
        let pts = phone.first_pts_s + frame as f64 / phone.rate_hz;
        let row_share = pixel.y_px / f64::from(phone.camera.height_px);
        let instant = pts + phone.readout_s * row_share + phone.exposure_s / 2.0;
        let time = phone.clock.offset_s + instant * (1.0 + phone.clock.drift_ppm * 1e-6);
        pixel = phone
            .camera
            .project(phone.pose.apply(WorldPoint(at(time))))
            .unwrap();
    }
    pixel
}

#[test]
fn a_balls_centroid_lies_where_the_camera_says_whatever_its_speed() {
    for (width, velocity) in [
        (1280, Vector3::new(0.0, 0.0, 0.0)),
        (1280, Vector3::new(38.0, -1.0, 0.5)),
        (1920, Vector3::new(3.0, 24.0, -4.0)),
        (1920, Vector3::new(-30.0, -20.0, 0.0)),
    ] {
        let mut phone = phone(width, [1.5, 1.4, -5.5]);
        phone.clock = PhoneClock {
            offset_s: -0.0041,
            drift_ppm: 20.0,
        };
        let from = Vector3::new(0.5, 1.2, 0.1);
        let scene = ball_scene(from, velocity);
        let film = DeliveryFilm::new(&scene, &phone);
        for frame in [0, 2, 4] {
            let found = moments(&film.coverage(frame), width as usize);
            let want = seen_at(&phone, frame, |t| from + velocity * t);
            let off = PixelPoint::new(found.x_px, found.y_px).distance_px(want);
            println!("{width} px, {velocity:?}, frame {frame}: {off:.4} px");
            assert!(off < 0.05, "{width} {velocity:?} frame {frame}: {off} px");
        }
    }
}

#[test]
fn a_slow_readout_shears_a_ball_and_the_exposure_smears_it() {
    let speed_m_s = 38.0;
    let from = Vector3::new(0.55, 1.25, 0.0);
    // The phone looks along +z; the ball flies across the picture at a constant depth.
    let mut phone = phone(1920, [0.6, 1.2, -5.0]);
    phone.pose = CameraFromWorld::looking_at(
        WorldPoint(Vector3::new(0.6, 1.2, -5.0)),
        WorldPoint(Vector3::new(0.6, 1.2, 0.0)),
    )
    .unwrap();
    phone.camera.distortion = [0.0; 5];
    phone.readout_s = 0.020;
    phone.clock.offset_s = -0.010;
    let speed_px_s = -speed_m_s * phone.camera.fx_px / 5.0; // +x lies to the left from here
    let measure = |phone: &FilmPhone, velocity: f64| {
        let scene = ball_scene(from, Vector3::new(velocity, 0.0, 0.0));
        moments(&DeliveryFilm::new(&scene, phone).coverage(0), 1920)
    };
    let (still, moving) = (measure(&phone, 0.0), measure(&phone, speed_m_s));
    let area = std::f64::consts::PI * (0.0365 * phone.camera.fx_px / 5.0).powi(2);
    assert!(
        (still.area_px2 / area - 1.0).abs() < 0.02,
        "{} {area}",
        still.area_px2
    );
    let shear = speed_px_s * phone.readout_s / 1080.0;
    assert!(
        (moving.skew / shear - 1.0).abs() < 0.05,
        "{} {shear}",
        moving.skew
    );
    // Without readout: a uniform smear of length L widens the variance by L^2/12, eight instants by 1/64 less.
    phone.readout_s = 0.0;
    phone.clock.offset_s = 0.0;
    for exposure_s in [0.001, 0.002] {
        phone.exposure_s = exposure_s;
        let widened = measure(&phone, speed_m_s).variance_x_px2 - measure(&phone, 0.0).variance_x_px2;
        let length = (12.0 * widened / (1.0 - 1.0 / 64.0)).sqrt();
        let want = speed_px_s.abs() * exposure_s;
        assert!((length / want - 1.0).abs() < 0.02, "{length} px for {want} px");
    }
}

#[test]
fn joint_centres_lie_inside_the_silhouette() {
    let library = bodies();
    for body in [&library.bodies[0], &library.bodies[5], &library.bodies[9]] {
        let posture = leg_lift(body);
        let joints = body.rig.joints(&body.rig.pose(&posture));
        let scene = Scene {
            stage: Stage::seeded(1),
            actors: vec![Actor {
                person: Person::dressed(body, &Outfit::seeded(4, None)),
                posture_at: Arc::new(move |_| posture.clone()),
            }],
            ball_at: None,
        };
        let phone = phone(1280, [3.5, 1.4, -4.5]);
        let coverage = DeliveryFilm::new(&scene, &phone).coverage(0);
        let inside = |p: PixelPoint| coverage[p.y_px.round() as usize * 1280 + p.x_px.round() as usize];
        for (joint, at) in joints.iter() {
            let pixel = phone.camera.project(phone.pose.apply(WorldPoint(*at))).unwrap();
            // Points on the skin (nose, eyes, ears, heels, toes) lie on the silhouette's edge in some views.
            let name = joint.name();
            let on_the_skin = ["nose", "head_top", "eye", "ear", "heel", "toe"]
                .iter()
                .any(|n| name.ends_with(n));
            assert!(
                on_the_skin || inside(pixel) > 0.9,
                "{} {name} {pixel:?}",
                body.name
            );
        }
        let covered: f64 = coverage.iter().map(|c| f64::from(*c)).sum();
        assert!((5_000.0..100_000.0).contains(&covered), "{covered}");
    }
}

/// Light of a luma code: broadcast range and the tone curve of IEC 61966-2-1 undone.
fn linear(code: u8) -> f64 {
    let v = (f64::from(code) - 16.0) / 219.0;
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

/// An inner corner refined in the picture: the point to which all grey-level gradients around stand at right angles
/// (the principle of Foerstner's operator and of OpenCV's `cornerSubPix`). Gradients are of the light, not of the bent
/// code, and taken at whole pixels, so nothing is interpolated.
fn refined_corner(picture: &Picture, start: PixelPoint, reach_px: f64) -> PixelPoint {
    let mut corner = start;
    let (x0, y0, n) = (
        start.x_px.round() as i32,
        start.y_px.round() as i32,
        reach_px.ceil() as i32 + 2,
    );
    for _ in 0..12 {
        let (mut a, mut b) = (nalgebra::Matrix2::zeros(), nalgebra::Vector2::zeros());
        for (x, y) in (y0 - n..=y0 + n).flat_map(|y| (x0 - n..=x0 + n).map(move |x| (x, y))) {
            let grey = |dx: i32, dy: i32| linear(picture.luma.at((x + dx) as usize, (y + dy) as usize));
            let g = nalgebra::Vector2::new(grey(1, 0) - grey(-1, 0), grey(0, 1) - grey(0, -1));
            let p = nalgebra::Vector2::new(f64::from(x), f64::from(y));
            let off = (p - corner.vector()).norm() / reach_px;
            let weight = (1.0 - off * off).max(0.0).powi(2);
            let outer = g * g.transpose() * weight;
            a += outer;
            b += outer * p;
        }
        corner = PixelPoint::from(a.try_inverse().unwrap() * b);
    }
    corner
}

#[test]
fn board_corners_in_the_picture_lie_where_the_camera_says() {
    let stage = Stage::seeded(3);
    let quiet = |width, eye| FilmPhone {
        rate_hz: 30.0,
        sensor: Sensor {
            read_noise: 0.0,
            shot_noise: 0.0,
            ..Sensor::daylight()
        },
        ..phone(width, eye)
    };
    let (left, right) = (quiet(1280, [5.5, 1.3, -3.2]), quiet(1920, [5.3, 1.35, 3.4]));
    let plan = BoardPlan::seeded(&left, &right, 0.0, BoardPlanSize::default(), 4);
    // The board on the rubber is small; a longer lens shows it large enough for the corner finder to be exact.
    let mut long = left.clone();
    long.camera.fx_px *= 2.5;
    long.camera.fy_px *= 2.5;
    let upright = plan.holds.len() - 1;
    for (phone, holds) in [
        (&left, vec![2, 11, 20]),
        (&right, vec![27, 38, 45]),
        (&long, vec![upright]),
    ] {
        let film = BoardFilm::new(&stage, &plan, phone);
        for hold in holds {
            let hold = plan.holds[hold];
            let frame = (hold.start_s * phone.rate_hz).ceil() as usize;
            assert!(phone.pixel_time_s(frame, PixelPoint::new(0.0, 1080.0), 1.0) < hold.end_s);
            let picture = film.picture(frame);
            let (mut sum2, mut worst, mut count) = (0.0, 0.0_f64, 0.0);
            let mut sum = nalgebra::Vector2::zeros();
            for (column, row) in (0..9).flat_map(|c| (0..6).map(move |r| (c, r))) {
                let project = |p: WorldPoint| phone.camera.project(phone.pose.apply(p)).unwrap();
                let want = project(hold.pose.inner_corner(column, row));
                let next = project(
                    hold.pose
                        .inner_corner(if column > 0 { column - 1 } else { 1 }, row),
                );
                let reach = (0.6 * want.distance_px(next)).clamp(4.0, 10.0);
                let found = refined_corner(&picture, want, reach);
                let off = found.distance_px(want);
                sum += found.vector() - want.vector();
                sum2 += off * off;
                worst = worst.max(off);
                count += 1.0;
            }
            let rms = f64::sqrt(sum2 / count);
            let mean = (sum / count).norm();
            println!(
                "{:?}: mean {mean:.4}, rms {rms:.4}, worst {worst:.4} px",
                hold.purpose
            );
            assert!(
                mean < 0.02 && rms < 0.05,
                "{:?}: mean {mean}, rms {rms} px",
                hold.purpose
            );
        }
    }
}
