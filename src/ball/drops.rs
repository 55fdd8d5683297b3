//! Drops: a fall of each phone together are one dropped ball when, at some clock offset, their lines of sight meet and the
//! place where they meet falls as gravity has it.
//!
//! That is a strong test: only a thing in free fall, seen by both phones at the same time, is accelerated by 9.8 m/s2
//! downward. It tells the offset to a few milliseconds; [`crate::ball::bounces`] and `sync` then tell it better.

use nalgebra::{Matrix3, Vector3};

use crate::ball::BALL_DIAMETER_M;
use crate::ball::falls::{Fall, GRAVITY_M_S2};
use crate::geometry::{Phone, PixelPoint, StereoRig};

/// Both phones see one fall together for at least so long, seconds.
const TOGETHER_S: f64 = 0.08;
/// Two ends of one fall are no farther apart than this, seconds: one phone may lose the ball before the other does.
const ENDS_S: f64 = 0.08;
/// Step over offsets, seconds.
const STEP_S: f64 = 0.002;
/// Instants at which lines of sight are brought together.
const INSTANTS: usize = 12;
/// Root mean square distance of two lines of sight to the same ball, metres, at most.
const MISS_M: f64 = 0.03;
/// Acceleration over gravity, least and most, and its largest angle from down: with the vertical known, and with the phones
/// taken as level.
const SHARE: (f64, f64) = (0.8, 1.2);
const OFF_DEG: (f64, f64) = (15.0, 30.0);
/// A dropped ball goes aside no faster than this, metres per second.
const ASIDE_M_S: f64 = 1.5;
/// What falls is as long as a ball there: least and most, in its diameters. The crescent of a slow one is short; a foot or a
/// glove is three and more.
const LONG: (f64, f64) = (0.3, 2.5);
/// Drops whose offsets differ by less than this agree, seconds.
const AGREE_S: f64 = 0.015;

/// One ball that both phones saw fall.
#[derive(Clone, Debug)]
pub(crate) struct Drop {
    /// Left time less right time, to a few milliseconds, seconds.
    pub(crate) offset_s: f64,
    /// The falls, left and right.
    pub(crate) falls: [Fall; 2],
    /// Diameter of the ball in the two pictures, pixels.
    pub(crate) ball_px: [f64; 2],
    /// Where it fell, about, left camera, metres.
    pub(crate) about_m: Vector3<f64>,
    /// Root mean square distance of the lines of sight, metres.
    miss_m: f64,
}

impl Drop {
    /// When the left phone saw it land, about, on its own clock, seconds.
    pub(crate) fn landed_s(&self) -> f64 {
        self.falls[0].to_s
    }
}

/// The drops that both phones saw at offsets within `half_width_s` of `centre_s`, in order of time. When two offsets
/// explain as many falls, as when two drops follow each other and nothing else tells them apart, there are none.
pub(crate) fn drops(falls: [&[Fall]; 2], rig: &StereoRig, centre_s: f64, half_width_s: f64) -> Vec<Drop> {
    let mut all: Vec<Drop> = Vec::new();
    for left in falls[0] {
        for right in falls[1] {
            let by_ends_s = left.to_s - right.to_s;
            if (by_ends_s - centre_s).abs() <= half_width_s + ENDS_S
                && let Some(drop) = dropped([left, right], rig, by_ends_s)
                && (drop.offset_s - centre_s).abs() <= half_width_s + AGREE_S
            {
                all.push(drop);
            }
        }
    }
    let with = |middle: &Drop| -> Vec<Drop> {
        let mut same: Vec<Drop> = all
            .iter()
            .filter(|d| (d.offset_s - middle.offset_s).abs() <= AGREE_S)
            .cloned()
            .collect();
        // The best of those that share a fall.
        same.sort_by(|a, b| a.miss_m.total_cmp(&b.miss_m));
        let mut kept: Vec<Drop> = Vec::new();
        for drop in same {
            let shared = |k: &Drop| (0..2).any(|i| (k.falls[i].to_s - drop.falls[i].to_s).abs() < TOGETHER_S);
            if !kept.iter().any(shared) {
                kept.push(drop);
            }
        }
        kept.sort_by(|a, b| a.falls[0].to_s.total_cmp(&b.falls[0].to_s));
        kept
    };
    let groups: Vec<Vec<Drop>> = all.iter().map(with).collect();
    let most = groups.iter().map(Vec::len).max().unwrap_or(0);
    let mut best = groups.into_iter().filter(|g| g.len() == most);
    let Some(first) = best.next() else {
        return Vec::new();
    };
    let elsewhere = |g: Vec<Drop>| (g[0].offset_s - first[0].offset_s).abs() > 2.0 * AGREE_S;
    if best.any(elsewhere) {
        tracing::info!(most, "dropped balls fit several offsets");
        return Vec::new();
    }
    first
}

/// When, on LEFT's clock, and where, left camera, metres.
type Passed = (f64, Vector3<f64>);

/// Two falls as one, if they are.
fn dropped(falls: [&Fall; 2], rig: &StereoRig, by_ends_s: f64) -> Option<Drop> {
    let steps = (ENDS_S / STEP_S) as i32;
    let (offset_s, path, miss_m) = (-steps..=steps)
        .filter_map(|k| {
            let offset_s = by_ends_s + f64::from(k) * STEP_S;
            let (path, miss_m) = together(falls, rig, offset_s)?;
            Some((offset_s, path, miss_m))
        })
        .min_by(|a, b| a.2.total_cmp(&b.2))?;
    let (velocity, acceleration) = launch(&path)?;
    let down = match rig.world_from_left {
        Some(world) => -(world.0.rotation.inverse() * Vector3::y()),
        None => Vector3::y(),
    };
    let off_deg = acceleration.angle(&down).to_degrees();
    let most_deg = if rig.world_from_left.is_some() {
        OFF_DEG.0
    } else {
        OFF_DEG.1
    };
    let aside_m_s = (velocity - down * velocity.dot(&down)).norm();
    let share = acceleration.norm() / GRAVITY_M_S2;
    tracing::debug!(offset_s, miss_m, share, off_deg, aside_m_s, "two falls");
    let is_one = miss_m <= MISS_M
        && (SHARE.0..=SHARE.1).contains(&share)
        && off_deg <= most_deg
        && aside_m_s <= ASIDE_M_S;
    let middle = path.get(path.len() / 2)?.1;
    let in_right = rig.right_from_left.0.apply(&middle);
    let ball_px = [
        BALL_DIAMETER_M * rig.left.fx_px / middle.z,
        BALL_DIAMETER_M * rig.right.fx_px / in_right.z,
    ];
    let as_long = (0..2).all(|i| (LONG.0..=LONG.1).contains(&(falls[i].long_px / ball_px[i])));
    (is_one && as_long).then(|| Drop {
        offset_s,
        falls: falls.map(Clone::clone),
        ball_px,
        about_m: middle,
        miss_m,
    })
}

/// Where the lines of sight meet at instants that both falls share, in the left camera (metres), and by how much they miss.
fn together(falls: [&Fall; 2], rig: &StereoRig, offset_s: f64) -> Option<(Vec<Passed>, f64)> {
    let from_s = falls[0].from_s.max(falls[1].from_s + offset_s);
    let to_s = falls[0].to_s.min(falls[1].to_s + offset_s);
    if to_s - from_s < TOGETHER_S {
        return None;
    }
    let left_from_right = rig.right_from_left.0.inverse();
    let right_eye = left_from_right.translation_m;
    let ray = |phone: Phone, at: nalgebra::Vector2<f64>| {
        let n = rig.camera(phone).undistort(PixelPoint::from(at))?;
        Some(Vector3::new(n.x, n.y, 1.0).normalize())
    };
    let (mut path, mut squares) = (Vec::new(), 0.0);
    for k in 0..INSTANTS {
        let t = from_s + (to_s - from_s) * k as f64 / (INSTANTS - 1) as f64;
        let a = ray(Phone::Left, falls[0].at(t))?;
        let b = left_from_right.rotation * ray(Phone::Right, falls[1].at(t - offset_s))?;
        // Nearest points of the two lines: s a and eye + u b.
        let cross = a.dot(&b);
        let even = 1.0 - cross * cross;
        if even < 1e-3 {
            return None;
        }
        let (on_a, on_b) = (right_eye.dot(&a), right_eye.dot(&b));
        let (s, u) = ((on_a - cross * on_b) / even, (cross * on_a - on_b) / even);
        if s <= 0.0 || u <= 0.0 {
            return None;
        }
        let (p, q) = (a * s, right_eye + b * u);
        squares += (p - q).norm_squared();
        path.push((t, (p + q) / 2.0));
    }
    Some((path, (squares / INSTANTS as f64).sqrt()))
}

/// Velocity in the middle and acceleration of a path, by least squares.
fn launch(path: &[Passed]) -> Option<(Vector3<f64>, Vector3<f64>)> {
    let (first, last) = (path.first()?.0, path.last()?.0);
    let (middle, unit) = ((first + last) / 2.0, (last - first) / 2.0);
    let mut normal = Matrix3::zeros();
    let mut right = Matrix3::zeros();
    for (t, p) in path {
        let u = (t - middle) / unit;
        let powers = Vector3::new(1.0, u, u * u);
        normal += powers * powers.transpose();
        right += powers * p.transpose();
    }
    let found = normal.cholesky()?.solve(&right);
    Some((
        found.row(1).transpose() / unit,
        found.row(2).transpose() * (2.0 / (unit * unit)),
    ))
}
