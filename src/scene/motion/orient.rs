//! Orientations from directions.

use nalgebra::{Matrix3, Rotation3, UnitQuaternion, Vector3};

/// Three perpendicular unit directions: up, across to the body's right, and forward (`up x across`).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    /// Long axis, toward the head.
    pub(super) up: Vector3<f64>,
    /// To the body's right.
    pub(super) across: Vector3<f64>,
    /// Where the body faces.
    pub(super) forward: Vector3<f64>,
}

impl Frame {
    /// The rest posture's: +y up, -x to the body's right, +z forward.
    pub(super) const BODY: Frame = Frame {
        up: Vector3::new(0.0, 1.0, 0.0),
        across: Vector3::new(-1.0, 0.0, 0.0),
        forward: Vector3::new(0.0, 0.0, 1.0),
    };

    /// Keeps `up`'s direction exactly and turns `across` perpendicular to it.
    pub(super) fn from_up_across(up: &Vector3<f64>, across: &Vector3<f64>) -> Self {
        let up = up.normalize();
        let across = off(across, &up).normalize();
        Self {
            up,
            across,
            forward: up.cross(&across),
        }
    }

    fn matrix(&self) -> Matrix3<f64> {
        Matrix3::from_columns(&[self.up, self.across, self.forward])
    }
}

/// The turn that carries one frame into another.
pub(super) fn turn_between(from: &Frame, to: &Frame) -> UnitQuaternion<f64> {
    let turn = to.matrix() * from.matrix().transpose();
    let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
    // Matrices near a half turn give a length a little off one, and chains of bones would add it up.
    UnitQuaternion::new_normalize(turn.into_inner())
}

/// Halfway from one turn to another, the short way: their quaternions' mean (exact also for nearly equal turns).
pub(super) fn halfway(a: &UnitQuaternion<f64>, b: &UnitQuaternion<f64>) -> UnitQuaternion<f64> {
    let same_side = if a.dot(b) < 0.0 { -1.0 } else { 1.0 };
    UnitQuaternion::new_normalize(a.into_inner() + b.into_inner() * same_side)
}

/// The part of `v` perpendicular to the unit direction `axis`.
pub(super) fn off(v: &Vector3<f64>, axis: &Vector3<f64>) -> Vector3<f64> {
    v - axis * axis.dot(v)
}
