//! Somebody walks by: a plain gait along a straight line.
//!
//! Legs and arms swing as sines of the way walked, knees bend while their leg swings forward, and the lower foot stays on
//! the ground (it may slip a little). Amplitudes are common practice, no source: passers-by are there to be seen, not
//! measured.

use nalgebra::{UnitQuaternion, Vector3};

use crate::scene::rig::{BONE_COUNT, Bone, Posture, Rig};

/// Way of two steps, share of body height.
const STRIDE_SHARE: f64 = 0.84;
/// Swing of the thighs to both sides of [`THIGH_MEAN_RAD`], forward positive, radians.
const THIGH_RAD: f64 = 0.42;
const THIGH_MEAN_RAD: f64 = 0.08;
/// Bend of a standing leg's knee, and what a swinging one adds, radians.
const KNEE_RAD: (f64, f64) = (0.12, 0.95);
/// Swing of the upper arms, their drop from the rest pose, the elbows' bend, radians.
const ARM_RAD: f64 = 0.35;
const ARM_DROP_RAD: f64 = 0.62;
const ELBOW_RAD: f64 = 0.35;

/// A walk along a straight line.
#[derive(Clone, Debug)]
pub struct Walk {
    rig: Rig,
    from_m: Vector3<f64>,
    velocity_m_s: Vector3<f64>,
    /// Lowest joint of the rest pose, metres: soles lie below joints.
    sole_m: f64,
}

impl Walk {
    /// A body that is at `from_m` (x and z, metres) at time 0 and goes on at `velocity_m_s`.
    #[must_use]
    pub fn new(rig: &Rig, from_m: (f64, f64), velocity_m_s: (f64, f64)) -> Self {
        let lowest = rig.joints_m.0.iter().map(|j| j.y).fold(f64::INFINITY, f64::min);
        Self {
            rig: rig.clone(),
            from_m: Vector3::new(from_m.0, 0.0, from_m.1),
            velocity_m_s: Vector3::new(velocity_m_s.0, 0.0, velocity_m_s.1),
            sole_m: lowest,
        }
    }

    /// Where the body is at a time, x and z, metres.
    #[must_use]
    pub fn place_m(&self, t_s: f64) -> (f64, f64) {
        let at = self.from_m + self.velocity_m_s * t_s;
        (at.x, at.z)
    }

    /// The posture at a time on ground of this height, metres.
    #[must_use]
    pub fn posture_at(&self, t_s: f64, ground_m: f64) -> Posture {
        let stride_m = STRIDE_SHARE * self.rig.height_m;
        let phase = std::f64::consts::TAU * self.velocity_m_s.norm() * t_s / stride_m;
        let about_x = |rad: f64| UnitQuaternion::from_axis_angle(&Vector3::x_axis(), rad);
        let about_z = |rad: f64| UnitQuaternion::from_axis_angle(&Vector3::z_axis(), rad);
        let mut turns = [UnitQuaternion::identity(); BONE_COUNT];
        turns[Bone::Pelvis as usize] = self.facing();
        let sides = [
            (
                [Bone::LeftThigh, Bone::LeftShank, Bone::LeftFoot],
                [Bone::LeftUpperArm, Bone::LeftForearm],
                0.0,
                -1.0,
            ),
            (
                [Bone::RightThigh, Bone::RightShank, Bone::RightFoot],
                [Bone::RightUpperArm, Bone::RightForearm],
                std::f64::consts::PI,
                1.0,
            ),
        ];
        for ([thigh, shank, foot], [upper_arm, forearm], later, outward) in sides {
            let at = phase + later;
            // Turning about +x takes what hangs down backward.
            let forward = THIGH_MEAN_RAD + THIGH_RAD * at.sin();
            let knee = KNEE_RAD.0 + KNEE_RAD.1 * (at + 0.4).cos().max(0.0).powi(2);
            turns[thigh as usize] = about_x(-forward);
            turns[shank as usize] = about_x(knee);
            turns[foot as usize] = about_x(0.5 * (forward - knee));
            turns[upper_arm as usize] = about_x(ARM_RAD * at.sin()) * about_z(outward * ARM_DROP_RAD);
            turns[forearm as usize] = about_x(-ELBOW_RAD);
        }
        let (x, z) = self.place_m(t_s);
        let mut posture = Posture {
            pelvis_m: Vector3::new(x, 0.0, z),
            turns,
        };
        let joints = self.rig.joints(&self.rig.pose(&posture));
        let lowest = joints.0.iter().map(|j| j.y).fold(f64::INFINITY, f64::min);
        posture.pelvis_m.y = ground_m + self.sole_m - lowest;
        posture
    }

    /// He who walks faces where he goes.
    fn facing(&self) -> UnitQuaternion<f64> {
        let v = self.velocity_m_s;
        UnitQuaternion::from_axis_angle(&Vector3::y_axis(), v.x.atan2(v.z))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::skeleton::Joint;

    /// The lower foot is on the ground, both feet take turns in front, hips go where the walk goes.
    #[test]
    fn feet_take_turns_on_the_ground() {
        let rig = Rig::proportioned(1.8);
        let walk = Walk::new(&rig, (1.0, 2.0), (0.9, -1.1));
        let ahead = Vector3::new(0.9, 0.0, -1.1).normalize();
        let mut leads = Vec::new();
        for step in 0..200 {
            let t = 0.01 * f64::from(step);
            let joints = rig.joints(&rig.pose(&walk.posture_at(t, 0.3)));
            let lowest = joints.0.iter().map(|j| j.y).fold(f64::INFINITY, f64::min);
            let rest = rig.joints_m.0.iter().map(|j| j.y).fold(f64::INFINITY, f64::min);
            assert!((lowest - 0.3 - rest).abs() < 1e-9, "{t}: {lowest}");
            let hips = (joints[Joint::LeftHip] + joints[Joint::RightHip]) / 2.0;
            let (x, z) = walk.place_m(t);
            assert!((hips - Vector3::new(x, hips.y, z)).norm() < 0.15, "{t}");
            let lead = ahead.dot(&(joints[Joint::LeftAnkle] - joints[Joint::RightAnkle]));
            assert!(lead.abs() < 0.9, "{t}: {lead}");
            if lead.abs() > 0.2 && leads.last() != Some(&(lead > 0.0)) {
                leads.push(lead > 0.0);
            }
            let nose = ahead.dot(&(joints[Joint::Nose] - hips));
            assert!(nose > 0.0, "{t}: looks back");
        }
        assert!(leads.len() >= 3, "{leads:?}");
    }
}
