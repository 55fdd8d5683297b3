//! The pose between the phones from an athlete's joints seen by both: does the rig still fit, and if not, which one does?
//!
//! Residual: the algebraic epipolar error over its standard deviation to first order (Sampson's form, as `sync` uses it).
//! Unknown: a small turn of the right camera and a turn of the direction between the phones; their distance cannot be seen in
//! such pairs and is kept. The rig as calibrated is the prior; wrong joints lose their say (Tukey's weight).
//!
//! What such pairs hardly see: a phone that panned, for that moves points along their epipolar lines. The prior then keeps
//! most of the calibrated pan; a phone that nodded or rolled is put right.

use nalgebra::{Rotation3, SMatrix, SVector, Vector2, Vector3};

use crate::calibrate::corners::median;
use crate::geometry::{PixelPoint, RightFromLeft, Rigid, StereoRig};

/// One joint seen by both phones at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SharedJoint {
    /// In the left picture.
    pub left: PixelPoint,
    /// In the right picture.
    pub right: PixelPoint,
    /// Standard deviation of each coordinate, pixels, left and right.
    pub sd_px: [f64; 2],
}

/// A pose that fits the joints, and how well both poses do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RelativePose {
    /// The pose.
    pub right_from_left: RightFromLeft,
    /// Median distance of a joint from its epipolar line, pixels of the left picture, by the rig as calibrated.
    pub before_px: f64,
    /// The same by this pose.
    pub after_px: f64,
    /// Turn of the right camera against the calibrated one, degrees.
    pub turn_deg: f64,
    /// Way of the right camera against the calibrated one, metres.
    pub shift_m: f64,
}

/// How far a phone may have been moved, as the prior of the refinement.
const TURN_SD_DEG: f64 = 0.7;
const SHIFT_SD_M: f64 = 0.05;
/// Fewest joints seen by both.
const MIN_JOINTS: usize = 60;
/// Errors of one joint are alike over long stretches, and half of them never change: so many pairs count as one.
const ALIKE: f64 = 40.0;
const TUKEY: f64 = 4.685;

/// Undistorted directions with standard deviations.
struct Seen {
    left: Vector3<f64>,
    right: Vector3<f64>,
    sd: [f64; 2],
}

/// Turn of the right camera (3), turn of the direction between the phones (2).
type Step = SVector<f64, 5>;

/// Fits the pose; `None` with too few joints.
#[must_use]
pub fn relative_pose(rig: &StereoRig, joints: &[SharedJoint]) -> Option<RelativePose> {
    let focal = |c: &crate::geometry::Camera| (c.fx_px * c.fy_px).sqrt();
    let (left_px, right_px) = (focal(&rig.left), focal(&rig.right));
    let seen: Vec<Seen> = joints
        .iter()
        .filter_map(|j| {
            let direction = |n: Vector2<f64>| Vector3::new(n.x, n.y, 1.0);
            Some(Seen {
                left: direction(rig.left.undistort(j.left)?),
                right: direction(rig.right.undistort(j.right)?),
                sd: [j.sd_px[0].max(0.1) / left_px, j.sd_px[1].max(0.1) / right_px],
            })
        })
        .collect();
    if seen.len() < MIN_JOINTS {
        return None;
    }
    let start = rig.right_from_left.0;
    let distance = |pose: &Rigid| median(seen.iter().map(|s| left_px * error(pose, s).1.abs()));
    let before_px = distance(&start);
    let shift_sd = SHIFT_SD_M / start.translation_m.norm();
    let prior = Step::new(
        TURN_SD_DEG.to_radians(),
        TURN_SD_DEG.to_radians(),
        TURN_SD_DEG.to_radians(),
        shift_sd,
        shift_sd,
    )
    .map(|sd| 1.0 / (sd * sd));
    let mut at = Step::zeros();
    for _ in 0..25 {
        let pose = stepped(&start, &at);
        let scale = (1.48 * median(seen.iter().map(|s| error(&pose, s).0.abs()))).max(0.05);
        let mut normal = SMatrix::<f64, 5, 5>::from_diagonal(&prior);
        let mut pull = -prior.component_mul(&at);
        let moved: Vec<Rigid> = (0..5)
            .map(|k| {
                let mut near = at;
                near[k] += NEAR;
                stepped(&start, &near)
            })
            .collect();
        for s in &seen {
            let r = error(&pose, s).0;
            let x = r / (TUKEY * scale);
            if x.abs() >= 1.0 {
                continue;
            }
            let weight = (1.0 - x * x).powi(2) / (scale * scale * ALIKE);
            let slope = Step::from_fn(|k, _| (error(&moved[k], s).0 - r) / NEAR);
            normal += slope * slope.transpose() * weight;
            pull -= slope * (weight * r);
        }
        let change = normal.cholesky()?.solve(&pull);
        at += change;
        if change.norm() < 1e-8 {
            break;
        }
    }
    let pose = stepped(&start, &at);
    let centre = |p: &Rigid| p.inverse().translation_m;
    Some(RelativePose {
        right_from_left: RightFromLeft(pose),
        before_px,
        after_px: distance(&pose),
        turn_deg: (pose.rotation * start.rotation.inverse()).angle().to_degrees(),
        shift_m: (centre(&pose) - centre(&start)).norm(),
    })
}

/// Step of the numeric derivatives, radians.
const NEAR: f64 = 1e-6;

fn stepped(start: &Rigid, step: &Step) -> Rigid {
    // The right phone turns about itself, and its place about the left phone.
    let centre = start.inverse().translation_m;
    let helper = if centre.x.abs() < 0.8 * centre.norm() {
        Vector3::x()
    } else {
        Vector3::y()
    };
    let across = centre.cross(&helper).normalize();
    let other = centre.normalize().cross(&across);
    let turn = Rotation3::from_scaled_axis(across * step[3] + other * step[4]);
    let rotation = Rotation3::from_scaled_axis(Vector3::new(step[0], step[1], step[2])) * start.rotation;
    Rigid::new(rotation, -(rotation * (turn * centre)))
}

/// The epipolar error over its standard deviation, and as a distance of normalised coordinates shared by both views.
fn error(pose: &Rigid, s: &Seen) -> (f64, f64) {
    let line = pose.translation_m.cross(&(pose.rotation * s.left));
    let back = pose.rotation.inverse() * -(pose.translation_m.cross(&s.right));
    let (by_right, by_left) = (line.xy().norm_squared(), back.xy().norm_squared());
    let miss = s.right.dot(&line);
    let deviation = (by_right * s.sd[1].powi(2) + by_left * s.sd[0].powi(2)).sqrt();
    (
        miss / deviation.max(f64::MIN_POSITIVE),
        miss / (by_right + by_left).sqrt().max(f64::MIN_POSITIVE),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::projected::{angle_deg, rig};
    use crate::geometry::{Phone, WorldPoint};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// Joints of somebody who moves about the mound, each with a constant error of its own and one that changes.
    fn joints(rig: &StereoRig, noise_px: f64, seed: u64) -> Vec<SharedJoint> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let normal = |sd: f64, rng: &mut ChaCha8Rng| -> f64 {
            let n: f64 = StandardNormal.sample(rng);
            sd * n
        };
        let mut all = Vec::new();
        for _ in 0..25 {
            let bias: [f64; 4] = std::array::from_fn(|_| normal(0.5 * noise_px, &mut rng));
            let home = Vector3::new(
                rng.random_range(-0.4..0.4),
                rng.random_range(0.1..1.9),
                rng.random_range(-0.4..0.4),
            );
            for k in 0..60 {
                let way = k as f64 / 60.0;
                let at = home + Vector3::new(1.4 * way, 0.2 * (6.0 * way).sin(), 0.2 * (5.0 * way).cos());
                let see = |phone| {
                    let pose = rig.camera_from_world(phone);
                    rig.camera(phone).project(pose.apply(WorldPoint(at))).unwrap()
                };
                let (mut left, mut right) = (see(Phone::Left), see(Phone::Right));
                left.x_px += bias[0] + normal(noise_px, &mut rng);
                left.y_px += bias[1] + normal(noise_px, &mut rng);
                right.x_px += bias[2] + normal(noise_px, &mut rng);
                right.y_px += bias[3] + normal(noise_px, &mut rng);
                // A wrong one now and then.
                if rng.random_range(0..20) == 0 {
                    left.y_px += 60.0;
                }
                all.push(SharedJoint {
                    left,
                    right,
                    sd_px: [noise_px.max(0.2), noise_px.max(0.2)],
                });
            }
        }
        all
    }

    #[test]
    fn a_phone_that_was_nudged_is_found_where_it_is() {
        let (mut worst_before, mut worst_after, mut worst_across) = (0.0_f64, 0.0_f64, 0.0_f64);
        for seed in 0..12 {
            let truth = rig(90.0);
            let seen = joints(&truth, 2.0, seed);
            let mut rng = ChaCha8Rng::seed_from_u64(50 + seed);
            let mut part = || rng.random_range(-1.0..1.0);
            let mut stale = truth.clone();
            let pose = &mut stale.right_from_left.0;
            let turn = Vector3::new(part(), part(), part()).normalize() * 0.5_f64.to_radians();
            // The phone turns about itself, and is shifted a little.
            let nudge = Rotation3::from_scaled_axis(turn);
            pose.rotation = nudge * pose.rotation;
            pose.translation_m = nudge * pose.translation_m + Vector3::new(part(), part(), part()) * 0.01;
            let found = relative_pose(&stale, &seen).unwrap();
            let off = |p: &Rigid| angle_deg(&p.rotation, &truth.right_from_left.0.rotation);
            worst_before = worst_before.max(off(&stale.right_from_left.0));
            worst_after = worst_after.max(off(&found.right_from_left.0));
            // A fit as good as the true rig's; of the turn, what moves points across the epipolar lines.
            let floor_px = relative_pose(&truth, &seen).unwrap().before_px;
            assert!(found.after_px < 1.1 * floor_px, "{found:?} {floor_px}");
            let rest = found.right_from_left.0.rotation * truth.right_from_left.0.rotation.inverse();
            let rest = rest.scaled_axis().map(f64::to_degrees);
            worst_across = worst_across.max(rest.x.abs());
            let apart = found.right_from_left.baseline_m() / stale.right_from_left.baseline_m();
            assert!((apart - 1.0).abs() < 1e-9);
        }
        println!(
            "a nudge of 0.5 degrees: rotation off by {worst_before:.2}, after the refinement {worst_after:.2} degrees at \
             worst, of these across the epipolar lines {worst_across:.2}"
        );
        assert!(worst_across < 0.2, "{worst_across}");
        assert!(worst_after < 0.45, "{worst_after}");
    }

    #[test]
    fn a_rig_that_fits_is_left_as_it_is() {
        for seed in 0..8 {
            let truth = rig(80.0);
            let found = relative_pose(&truth, &joints(&truth, 2.0, 30 + seed)).unwrap();
            assert!(found.turn_deg < 0.35 && found.shift_m < 0.03, "{found:?}");
            assert!(found.after_px > 0.9 * found.before_px, "{found:?}");
        }
        let exact = rig(80.0);
        let found = relative_pose(&exact, &joints(&exact, 0.0, 1)).unwrap();
        assert!(found.turn_deg < 1e-3 && found.before_px < 1e-6, "{found:?}");
        assert!(relative_pose(&exact, &joints(&exact, 2.0, 1)[..40]).is_none());
    }
}
