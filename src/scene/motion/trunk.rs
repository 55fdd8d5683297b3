//! Pelvis, trunk and head: the curves they follow, and how bones are turned to show them.

use nalgebra::{Rotation3, Unit, UnitQuaternion, Vector3};

use super::curves::Curve;
use super::orient::{Frame, halfway, off, turn_between};
use super::phases::Phases;
use super::style::{Nature, Style};
use crate::scene::rig::{Bone, Rig};

/// How far the head can be turned off the thorax, radians.
const HEAD_REACH_RAD: f64 = 1.35;

/// Angles of pelvis and trunk over time, degrees, with zeros and signs as the metrics of the same names.
#[derive(Clone, Debug)]
pub(super) struct TrunkCurves {
    /// 0 side-on, 90 faces the target.
    pelvis_turn_deg: Curve,
    /// Positive: throwing-side hip higher.
    pelvis_tilt_deg: Curve,
    /// Positive: the top of the pelvis leans forward, about the line of the hips.
    pelvis_nod_deg: Curve,
    /// As the pelvis', for the line across the chest.
    trunk_turn_deg: Curve,
    /// Positive where the chest faces.
    forward_deg: Curve,
    /// Positive toward the glove side.
    side_deg: Curve,
}

/// World orientations of the trunk's bones.
#[derive(Clone, Copy, Debug)]
pub(super) struct TrunkTurns {
    /// Pelvis.
    pub(super) pelvis: UnitQuaternion<f64>,
    /// Lumbar spine.
    pub(super) lumbar: UnitQuaternion<f64>,
    /// Thorax.
    pub(super) thorax: UnitQuaternion<f64>,
    /// Neck.
    pub(super) neck: UnitQuaternion<f64>,
    /// Head.
    pub(super) head: UnitQuaternion<f64>,
}

impl TrunkCurves {
    pub(super) fn new(style: &Style, phases: &Phases, nature: &mut Nature) -> Self {
        let p = phases;
        // Early: the whole turn comes sooner. Late: later. Little travel: the turn starts before the hips have moved.
        let sooner = 0.043 * style.early_rotation - 0.050 * style.late_rotation + 0.045 * style.little_travel;
        let pelvis_sooner = sooner + nature.offset(0.010);
        let pelvis_turned = 104.0 + nature.offset(4.0);
        let coil = nature.offset(4.0);
        let pelvis_turn_deg = Curve::from(0.0)
            .to(p.windup(0.1), p.stride(0.1), -33.0 + coil)
            .to(p.stride(0.2), p.drive(0.02), -9.0 + coil)
            .to(
                p.drive(-0.117 - pelvis_sooner),
                p.drive(0.211 - pelvis_sooner),
                pelvis_turned,
            )
            .to(p.drive(0.18), p.drive(0.48), pelvis_turned + 14.0)
            .to(p.drive(0.45), p.drive(0.85), 96.0);
        let pelvis_tilt_deg = Curve::from(0.0)
            .to(p.windup(0.2), p.stride(0.05), -7.0)
            .to(p.stride(0.1), p.drive(0.0), 8.0)
            .to(p.drive(-0.03), p.drive(0.17), 10.0 + nature.offset(2.0))
            .to(p.drive(0.15), p.drive(0.45), 2.0);
        let pelvis_nod_deg = Curve::from(4.0)
            .to(p.windup(0.2), p.stride(0.0), -6.0)
            .to(p.stride(0.1), p.stride(0.75), 14.0)
            .to(p.stride(0.75), p.drive(0.05), 2.0)
            .to(p.drive(0.03), p.drive(0.32), 40.0)
            .to(p.drive(0.40), p.drive(0.85), 18.0);
        // Without separation the trunk goes along with the pelvis instead of staying closed.
        let together = style.no_separation;
        let closed = -35.0
            + 31.0 * together
            + 14.0 * style.early_rotation
            + 10.0 * style.little_travel
            + 0.5 * coil
            + nature.offset(3.0);
        let trunk_sooner = 0.025 * together + 0.5 * sooner + nature.offset(0.005);
        let trunk_turned = 119.0 + nature.offset(4.0);
        let trunk_turn_deg = Curve::from(-2.0)
            .to(p.windup(0.1), p.stride(0.1), -26.0 + coil)
            .to(p.stride(0.1), p.drive(-0.02), closed)
            .to(
                p.drive(-0.064 - trunk_sooner),
                p.drive(0.211 - trunk_sooner),
                trunk_turned,
            )
            .to(p.drive(0.15), p.drive(0.48), trunk_turned + 34.0)
            .to(p.drive(0.42), p.drive(0.85), 108.0);
        let bow = 68.0 + nature.offset(4.0);
        let late_bow = 0.05 * style.upright_trunk;
        let forward_deg = Curve::from(5.0)
            .to(p.windup(0.2), p.stride(0.0), -2.0)
            .to(p.stride(0.1), p.stride(0.7), -6.0)
            .to(p.stride(0.7), p.drive(0.02), -3.0)
            .to(p.drive(-0.02 + late_bow), p.drive(0.32 + late_bow), bow)
            .to(p.drive(0.40), p.drive(0.85), 30.0);
        let lean = 13.5 + 20.0 * style.side_tilt + nature.offset(3.0);
        let side_deg = Curve::from(0.0)
            .to(p.windup(0.3), p.stride(0.0), -2.0)
            .to(p.stride(0.1), p.stride(0.75), -13.0)
            .to(p.stride(0.6), p.drive(0.02), -3.0)
            .to(p.drive(-0.03), p.drive(0.17), lean)
            .to(p.drive(0.20), p.drive(0.70), 4.0);
        Self {
            pelvis_turn_deg,
            pelvis_tilt_deg,
            pelvis_nod_deg,
            trunk_turn_deg,
            forward_deg,
            side_deg,
        }
    }

    /// The trunk's bones at an instant, such that the line from the middle of the hips to the middle of the shoulders
    /// and the direction across the chest are the curves'.
    pub(super) fn turns(&self, rig: &Rig, t_s: f64) -> TrunkTurns {
        let pelvis = self.pelvis(t_s);
        let wanted = self.trunk_frame(t_s);
        let rest = rest_trunk(rig);
        let mut thorax = turn_between(&rest, &wanted);
        let mut lumbar = halfway(&pelvis, &thorax);
        // The spine line runs through pelvis and lumbar spine too: lean the thorax until the line is right.
        for _ in 0..6 {
            let line = spine_line(rig, &pelvis, &lumbar, &thorax);
            if let Some(correction) = UnitQuaternion::rotation_between(&line, &wanted.up) {
                thorax = correction * thorax;
            }
            lumbar = halfway(&pelvis, &thorax);
        }
        let (neck, head) = self.look(&thorax, t_s);
        TrunkTurns {
            pelvis,
            lumbar,
            thorax,
            neck,
            head,
        }
    }

    /// One hip joint from the middle of both, world, metres.
    pub(super) fn hip_from_middle(&self, rig: &Rig, thigh: Bone, t_s: f64) -> Vector3<f64> {
        let head = |b: Bone| rig.heads_m[b as usize];
        let middle = (head(Bone::LeftThigh) + head(Bone::RightThigh)) / 2.0;
        self.pelvis(t_s) * (head(thigh) - middle)
    }

    fn pelvis(&self, t_s: f64) -> UnitQuaternion<f64> {
        let turn = self.pelvis_turn_deg.at(t_s).to_radians();
        let tilt = self.pelvis_tilt_deg.at(t_s).to_radians();
        let across = Vector3::new(-tilt.cos() * turn.cos(), tilt.sin(), tilt.cos() * turn.sin());
        let level = Frame::from_up_across(&off(&Vector3::y(), &across), &across);
        let nod = UnitQuaternion::from_axis_angle(
            &Unit::new_normalize(across),
            -self.pelvis_nod_deg.at(t_s).to_radians(),
        );
        nod * turn_between(&Frame::BODY, &level)
    }

    /// The trunk's wanted frame: up along the spine, across the chest to the throwing side, and forward.
    fn trunk_frame(&self, t_s: f64) -> Frame {
        let turn = self.trunk_turn_deg.at(t_s).to_radians();
        let across = Vector3::new(-turn.cos(), 0.0, turn.sin());
        let faces = Vector3::y().cross(&across);
        let up = Vector3::y() + faces * self.forward_deg.at(t_s).to_radians().tan()
            - across * self.side_deg.at(t_s).to_radians().tan();
        // Across the chest stays in the vertical plane through the wanted heading.
        let leaning = across * up.y - Vector3::y() * across.dot(&up);
        Frame::from_up_across(&up, &leaning)
    }

    /// Neck and head: eyes to the target as far as the neck allows.
    fn look(&self, thorax: &UnitQuaternion<f64>, t_s: f64) -> (UnitQuaternion<f64>, UnitQuaternion<f64>) {
        let bow = (0.35 * self.forward_deg.at(t_s)).to_radians();
        let ahead = Frame::from_up_across(&Vector3::new(bow.sin(), bow.cos(), 0.0), &Vector3::z());
        let wish = (thorax.inverse() * turn_between(&Frame::BODY, &ahead)).scaled_axis();
        // A smooth limit: unchanged when small, never beyond the reach.
        let size = (wish.norm_squared() + 1e-12).sqrt();
        let turned = wish * (HEAD_REACH_RAD * (size / HEAD_REACH_RAD).tanh() / size);
        let neck = *thorax * UnitQuaternion::from_scaled_axis(turned * 0.45);
        let head = *thorax * UnitQuaternion::from_scaled_axis(turned);
        (neck, head)
    }
}

/// The trunk frame of the rest posture, body coordinates.
fn rest_trunk(rig: &Rig) -> Frame {
    let middle = |a: Bone, b: Bone| (rig.heads_m[a as usize] + rig.heads_m[b as usize]) / 2.0;
    let up = middle(Bone::LeftUpperArm, Bone::RightUpperArm) - middle(Bone::LeftThigh, Bone::RightThigh);
    let across = rig.heads_m[Bone::RightUpperArm as usize] - rig.heads_m[Bone::LeftUpperArm as usize];
    Frame::from_up_across(&up, &across)
}

/// From the middle of the hips to the middle of the shoulders (collar bones at rest), world.
fn spine_line(
    rig: &Rig,
    pelvis: &UnitQuaternion<f64>,
    lumbar: &UnitQuaternion<f64>,
    thorax: &UnitQuaternion<f64>,
) -> Vector3<f64> {
    let head = |b: Bone| rig.heads_m[b as usize];
    let hips = (head(Bone::LeftThigh) + head(Bone::RightThigh)) / 2.0;
    let shoulders = (head(Bone::LeftUpperArm) + head(Bone::RightUpperArm)) / 2.0;
    pelvis * (head(Bone::Lumbar) - hips)
        + lumbar * (head(Bone::Thorax) - head(Bone::Lumbar))
        + thorax * (shoulders - head(Bone::Thorax))
}

/// The collar bones' turn off the thorax: `lift_rad` raises the shoulder, `forward_rad` brings it forward.
pub(super) fn collar_bone(right: bool, lift_rad: f64, forward_rad: f64) -> UnitQuaternion<f64> {
    let side = if right { 1.0 } else { -1.0 };
    UnitQuaternion::from_rotation_matrix(
        &(Rotation3::from_axis_angle(&Vector3::y_axis(), side * forward_rad)
            * Rotation3::from_axis_angle(&Vector3::z_axis(), -side * lift_rad)),
    )
}
