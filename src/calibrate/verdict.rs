//! Whether a calibration may be used, and what to redo if not.

use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use crate::calibrate::bundle::{Bundle, Observed, View};
use crate::calibrate::least_squares::BlockProblem;
use crate::calibrate::robust::Fit;
use crate::geometry::{Rigid, StereoRig};
use crate::quality::Warning;

/// Standard deviation of a joint in one picture that the expected error assumes, pixels: a keypoint network on a person
/// 400 px tall (an assumption of ours, not a measurement).
pub const ASSUMED_JOINT_SD_PX: f64 = 2.0;

/// May the result be used?
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// As good as two phones get.
    Good,
    /// Works, with the stated reservations.
    Usable,
    /// Not to be used: the reasons say what to redo.
    Refused,
}

/// A verdict that only gets worse, with the reasons.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    /// The verdict so far.
    pub verdict: Verdict,
    /// Why it is not `good`, each with what to redo.
    pub reasons: Vec<Warning>,
}

impl Default for Judgement {
    fn default() -> Self {
        Self {
            verdict: Verdict::Good,
            reasons: Vec::new(),
        }
    }
}

impl Judgement {
    /// Lowers the verdict to `verdict` for a reason.
    pub(super) fn lower(&mut self, verdict: Verdict, code: &str, text: impl Into<String>, hint: &str) {
        self.verdict = self.verdict.max(verdict);
        self.reasons.push(Warning::new(code, text, hint));
    }

    /// Takes over another judgement's reasons and, if worse, its verdict.
    pub(super) fn include(&mut self, other: &Judgement) {
        self.verdict = self.verdict.max(other.verdict);
        self.reasons.extend(other.reasons.iter().cloned());
    }

    /// Lowers by two bounds: worse than `usable` is usable only, worse than `refused` refused.
    pub(super) fn weigh(
        &mut self,
        value: f64,
        usable: f64,
        refused: f64,
        code: &str,
        text: String,
        hint: &str,
    ) {
        if value.is_nan() || value > refused {
            self.lower(Verdict::Refused, code, text, hint);
        } else if value > usable {
            self.lower(Verdict::Usable, code, text, hint);
        }
    }
}

/// Expected standard deviation of one joint at the mound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointError {
    /// Along the three axes, from the calibration alone, millimetres.
    pub calibration_mm: [f64; 3],
    /// Along the three axes, with joints of [`ASSUMED_JOINT_SD_PX`] in each picture, millimetres.
    pub with_joints_mm: [f64; 3],
    /// Whether the axes are the world's (toward the target, up, right); else the left camera's.
    pub in_world: bool,
}

/// Angle at a point between the lines of sight to the two phones, degrees. `at_m` is in the left camera's frame.
pub(super) fn sight_angle_deg(rig: &StereoRig, at_m: Vector3<f64>) -> f64 {
    let right_centre = rig.right_from_left.0.inverse().translation_m;
    (-at_m).angle(&(right_centre - at_m)).to_degrees()
}

/// Propagates the calibration's covariance and the joints' doubt to a point seen by both phones; `None` where the point is
/// not in front of both or the calibration is not determined.
pub(super) fn joint_error(fit: &Fit, rig: &StereoRig, at_m: Vector3<f64>) -> Option<JointError> {
    let point = vec![Observed {
        board_m: Vector3::zeros(),
        pixel: nalgebra::Vector2::zeros(),
        weight: 1.0,
    }];
    let pose = Rigid::new(nalgebra::Rotation3::identity(), at_m);
    let one = Bundle {
        views: vec![View {
            pose,
            seen: [point.clone(), point],
        }],
        ..fit.bundle.clone()
    };
    one.cost()?;
    let l = one.linearised(0);
    let by_point = l.by_own.columns(3, 3).into_owned();
    let inverse: Matrix3<f64> = (by_point.tr_mul(&by_point))
        .fixed_view::<3, 3>(0, 0)
        .into_owned()
        .try_inverse()?;
    let by_shared = inverse * by_point.transpose() * &l.by_shared;
    let calibration: Matrix3<f64> = (&by_shared * fit.shared.as_ref()? * by_shared.transpose())
        .fixed_view::<3, 3>(0, 0)
        .into_owned();
    let total = calibration + inverse * (ASSUMED_JOINT_SD_PX * ASSUMED_JOINT_SD_PX);
    let axes = rig.world_from_left.map(|w| *w.0.rotation.matrix());
    let turned = |c: Matrix3<f64>| {
        let r = axes.unwrap_or_else(Matrix3::identity);
        let c = r * c * r.transpose();
        [0, 1, 2].map(|i| c[(i, i)].max(0.0).sqrt() * 1000.0)
    };
    Some(JointError {
        calibration_mm: turned(calibration),
        with_joints_mm: turned(total),
        in_world: axes.is_some(),
    })
}
