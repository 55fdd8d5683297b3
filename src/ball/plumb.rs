//! The vertical from dropped balls: whatever flies freely is accelerated straight down.
//!
//! Each stretch of free flight of a followed drop - the fall, the hop after a bounce - is fitted by one place, speed and
//! acceleration in space, all points of both phones at their own rows' instants. The direction of the acceleration is down.
//! Drag and spin of so slow a ball change its size by a hundredth, its direction by nothing that counts.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

use crate::ball::falls::GRAVITY_M_S2;
use crate::geometry::{CameraPoint, Phone, Rigid, Shutter, StereoRig};
use crate::sync::Spot;

/// Shortest free flight that is used, seconds, and fewest points of each phone.
const SHORTEST_S: f64 = 0.15;
const FEWEST: usize = 15;
/// Points this near a bounce are left out, seconds: the ball is squeezed, its shadow touches it.
const AROUND_BOUNCE_S: f64 = 0.012;
/// A bounce turns the ball's speed in the picture by more than this share of its largest speed, within this time, seconds.
const TURN_SHARE: f64 = 0.35;
const TURN_S: f64 = 0.025;
/// Acceleration over gravity in free flight, least and most.
const SHARE: (f64, f64) = (0.93, 1.07);
/// Points farther off than this many usual misses are left out.
const MOST_MISSES: f64 = 4.0;
const ROUNDS: usize = 6;
/// Largest inflation of the doubt for misses that last over frames.
const MOST_INFLATED: f64 = 40.0;
/// What a calibrated rig, and a ball that stands out unevenly from what is behind it, turn all falls by alike, standard
/// deviation, degrees: seen on rendered recordings.
const COMMON_SD_DEG: f64 = 0.3;

/// Which way is down, by a ball in free flight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plumb {
    /// Down in the left camera, of unit length.
    pub down: Vector3<f64>,
    /// Standard deviation about one axis, degrees.
    pub sd_deg: f64,
}

type Nine = SVector<f64, 9>;

/// One point of the ball: phone, instant on LEFT's clock, pixels.
struct Point {
    phone: Phone,
    time_s: f64,
    at: nalgebra::Vector2<f64>,
}

/// The vertical from drops, each as both phones' sightings of it and where it was about, left camera, metres; `None` when no
/// free flight is long and clean enough.
pub(crate) fn plumb(
    drops: &[([Vec<Spot>; 2], Vector3<f64>)],
    rig: &StereoRig,
    shutters: &[Shutter; 2],
    offset_s: f64,
) -> Option<Plumb> {
    let (mut sum, mut weights) = (Vector3::zeros(), 0.0);
    for (spots, about_m) in drops {
        let points: Vec<Point> = [Phone::Left, Phone::Right]
            .into_iter()
            .flat_map(|phone| {
                let shift_s = if phone == Phone::Left { 0.0 } else { offset_s };
                spots[phone as usize].iter().map(move |spot| Point {
                    phone,
                    time_s: spot.pts.0 + shutters[phone as usize].delay(spot.at).0 + shift_s,
                    at: spot.at.vector(),
                })
            })
            .collect();
        for (from_s, to_s) in flights(&points) {
            let inside: Vec<&Point> = points
                .iter()
                .filter(|p| (from_s..=to_s).contains(&p.time_s))
                .collect();
            if let Some((down, sd)) = fallen(&inside, rig, *about_m) {
                tracing::debug!(from_s, to_s, ?down, sd_deg = sd.to_degrees(), "free flight");
                sum += down / (sd * sd);
                weights += 1.0 / (sd * sd);
            }
        }
    }
    (weights > 0.0).then(|| Plumb {
        down: sum.normalize(),
        sd_deg: (1.0 / weights).sqrt().to_degrees().hypot(COMMON_SD_DEG),
    })
}

/// Stretches of free flight, from LEFT's view: between the instants at which the ball turns back up.
fn flights(points: &[Point]) -> Vec<(f64, f64)> {
    let left: Vec<&Point> = points.iter().filter(|p| p.phone == Phone::Left).collect();
    let (Some(first), Some(last)) = (left.first(), left.last()) else {
        return Vec::new();
    };
    // Speed down the picture over a short time before or after each point.
    let speed = |from_s: f64, to_s: f64| {
        let mut inside = left.iter().filter(|p| p.time_s >= from_s && p.time_s <= to_s);
        let a = inside.next()?;
        let b = inside.next_back()?;
        Some((b.at.y - a.at.y) / (b.time_s - a.time_s))
    };
    let speeds: Vec<(f64, f64, f64)> = left
        .iter()
        .filter_map(|p| {
            let (before, after) = (
                speed(p.time_s - TURN_S, p.time_s)?,
                speed(p.time_s, p.time_s + TURN_S)?,
            );
            Some((p.time_s, before, after))
        })
        .collect();
    let fastest = speeds.iter().map(|s| s.1.abs()).fold(0.0, f64::max);
    let mut bounces: Vec<(f64, f64)> = Vec::new();
    for (time_s, before, after) in speeds {
        let turn = before - after;
        if before <= 0.0 || turn < TURN_SHARE * fastest {
            continue;
        }
        match bounces.last_mut() {
            Some(last) if time_s - last.0 < 2.0 * TURN_S => {
                if turn > last.1 {
                    *last = (time_s, turn);
                }
            }
            _ => bounces.push((time_s, turn)),
        }
    }
    let mut flights = Vec::new();
    let mut from_s = first.time_s;
    for (bounce_s, _) in &bounces {
        flights.push((from_s, bounce_s - AROUND_BOUNCE_S));
        from_s = bounce_s + AROUND_BOUNCE_S;
    }
    // What comes after the last bounce may roll: it counts only when another bounce shows that it flew.
    if bounces.is_empty() {
        flights.push((from_s, last.time_s));
    }
    flights
}

/// Down by one free flight, and its standard deviation about one axis, radians.
fn fallen(points: &[&Point], rig: &StereoRig, about_m: Vector3<f64>) -> Option<(Vector3<f64>, f64)> {
    let of = |phone: Phone| points.iter().filter(|p| p.phone == phone).count();
    let (from_s, to_s) = points.iter().fold((f64::MAX, f64::MIN), |(a, b), p| {
        (a.min(p.time_s), b.max(p.time_s))
    });
    if of(Phone::Left) < FEWEST || of(Phone::Right) < FEWEST || to_s - from_s < SHORTEST_S {
        return None;
    }
    let middle_s = (from_s + to_s) / 2.0;
    let poses = [
        Rigid::new(nalgebra::Rotation3::identity(), Vector3::zeros()),
        rig.right_from_left.0,
    ];
    let mut state = Nine::zeros();
    state.fixed_rows_mut::<3>(0).copy_from(&about_m);
    let mut used = vec![true; points.len()];
    let mut solution = None;
    for _ in 0..ROUNDS {
        let (mut normal, mut pull) = (SMatrix::<f64, 9, 9>::zeros(), Nine::zeros());
        let mut misses = Vec::with_capacity(points.len());
        for (point, used) in points.iter().zip(&used) {
            let t = point.time_s - middle_s;
            let place: Vector3<f64> = state.fixed_rows::<3>(0)
                + state.fixed_rows::<3>(3) * t
                + state.fixed_rows::<3>(6) * (t * t / 2.0);
            let (camera, pose) = (rig.camera(point.phone), &poses[point.phone as usize]);
            let local = CameraPoint(pose.apply(&place));
            let miss = point.at - camera.project(local)?.vector();
            misses.push(miss);
            if !used {
                continue;
            }
            let by_place = camera.project_jacobian(local)? * pose.rotation.matrix();
            let mut by = SMatrix::<f64, 2, 9>::zeros();
            for (k, power) in [1.0, t, t * t / 2.0].into_iter().enumerate() {
                by.fixed_columns_mut::<3>(3 * k).copy_from(&(by_place * power));
            }
            normal += by.transpose() * by;
            pull += by.transpose() * miss;
        }
        let mut sizes: Vec<f64> = misses.iter().map(|m| m.norm()).collect();
        let middle = sizes.len() / 2;
        let usual = (*sizes.select_nth_unstable_by(middle, f64::total_cmp).1).max(0.05);
        if solution.is_some() {
            used = misses.iter().map(|m| m.norm() <= MOST_MISSES * usual).collect();
        }
        let inverse = normal.try_inverse()?;
        state += inverse * pull;
        solution = Some((inverse, misses));
    }
    let (inverse, misses) = solution?;
    let acceleration: Vector3<f64> = state.fixed_rows::<3>(6).into_owned();
    let size = acceleration.norm();
    if !(SHARE.0..=SHARE.1).contains(&(size / GRAVITY_M_S2)) {
        return None;
    }
    let down = acceleration / size;
    let covariance: Matrix3<f64> =
        inverse.fixed_view::<3, 3>(6, 6).into_owned() * noise(points, &misses, &used);
    let across = Matrix3::identity() - down * down.transpose();
    let variance = (across * covariance * across).trace() / 2.0;
    Some((down, variance.max(0.0).sqrt() / size))
}

/// Variance of one coordinate of a point as far as it does not average out over frames, pixels squared.
fn noise(points: &[&Point], misses: &[nalgebra::Vector2<f64>], used: &[bool]) -> f64 {
    let (mut squares, mut next, mut count) = (0.0, 0.0, 0.0);
    let mut before: Option<usize> = None;
    for i in (0..points.len()).filter(|i| used[*i]) {
        squares += misses[i].norm_squared();
        count += 2.0;
        if let Some(j) = before.filter(|j| points[*j].phone == points[i].phone) {
            next += misses[i].dot(&misses[j]);
        }
        before = Some(i);
    }
    let alike = (next / squares).clamp(0.0, 0.98);
    let inflated = ((1.0 + alike) / (1.0 - alike)).min(MOST_INFLATED);
    squares / (count - 9.0_f64).max(1.0) * inflated
}
