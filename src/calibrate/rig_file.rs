//! `rig.json` (schema `twinmound.rig/1`): what other programs may rely on.

use nalgebra::{Matrix3, Rotation3, Vector3};
use serde::{Deserialize, Serialize};

use crate::calibrate::Calibration;
use crate::calibrate::lens_file::{PhoneEntry, RigFileError, parsed, pretty};
use crate::calibrate::verdict::{JointError, Verdict};
use crate::geometry::{RightFromLeft, Rigid, StereoRig, WorldFromLeft};
use crate::quality::Warning;

const RIG_SCHEMA: &str = "twinmound.rig/1";
/// How far a rotation in a file may be from orthonormal.
const ROTATION_TOLERANCE: f64 = 1e-4;

/// A rotation and a translation between named frames, with doubt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StereoEntry {
    /// Three rows.
    pub rotation: [[f64; 3]; 3],
    /// Metres.
    pub translation_m: [f64; 3],
    /// Standard deviation of the rotation, degrees; null when undetermined.
    pub sd_deg: Option<f64>,
    /// Standard deviation of the translation, metres; null when undetermined.
    pub sd_m: Option<f64>,
}

/// World from left camera, with doubt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WorldEntry {
    /// Three rows.
    pub rotation: [[f64; 3]; 3],
    /// Metres.
    pub translation_m: [f64; 3],
    /// Standard deviation of the vertical, degrees.
    pub sd_tilt_deg: f64,
    /// Standard deviation of the target's direction, degrees.
    pub sd_yaw_deg: f64,
}

/// Expected error of a joint at the mound.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JointErrorEntry {
    /// `world` (toward the target, up, right) or `left_camera`.
    pub axes: String,
    /// From the calibration alone, millimetres.
    pub calibration_mm: [f64; 3],
    /// With joints of 2 px in each picture, millimetres.
    pub with_joints_mm: [f64; 3],
}

/// `rig.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RigFile {
    /// `twinmound.rig/1`.
    pub schema: String,
    /// Left, right.
    pub phones: [PhoneEntry; 2],
    /// `x_right = R x_left + t`.
    pub right_from_left: StereoEntry,
    /// Null when no upright board was seen.
    pub world_from_left: Option<WorldEntry>,
    /// Why it is null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub world_reason: Option<String>,
    /// Root mean square distance of a corner, all pictures, both phones, pixels.
    pub rms_px: f64,
    /// May it be used?
    pub verdict: Verdict,
    /// Why it is not `good`.
    pub reasons: Vec<Warning>,
    /// Pairs used for the pose between the phones.
    #[serde(default)]
    pub pairs: usize,
    /// Distance between the phones, metres.
    #[serde(default)]
    pub baseline_m: f64,
    /// Angle between the lines of sight at the mound, degrees.
    #[serde(default)]
    pub angle_deg: f64,
    /// Expected error of a joint at the mound; null when undetermined.
    #[serde(default)]
    pub joint_error: Option<JointErrorEntry>,
}

impl From<&Calibration> for RigFile {
    fn from(c: &Calibration) -> Self {
        let pose = c.rig.right_from_left;
        let entry = |phone: usize, camera| PhoneEntry::new(camera, c.rates_hz[phone], &c.lenses[phone]);
        Self {
            schema: RIG_SCHEMA.to_owned(),
            phones: [entry(0, &c.rig.left), entry(1, &c.rig.right)],
            right_from_left: StereoEntry {
                rotation: rows(&pose.0.rotation),
                translation_m: pose.0.translation_m.into(),
                sd_deg: c.sd_deg,
                sd_m: c.sd_m,
            },
            world_from_left: c.world.as_ref().ok().map(|w| WorldEntry {
                rotation: rows(&w.world_from_left.0.rotation),
                translation_m: w.world_from_left.0.translation_m.into(),
                sd_tilt_deg: w.sd_tilt_deg,
                sd_yaw_deg: w.sd_yaw_deg,
            }),
            world_reason: c.world.as_ref().err().cloned(),
            rms_px: c.rms_px,
            verdict: c.judgement.verdict,
            reasons: c.judgement.reasons.clone(),
            pairs: c.pairs,
            baseline_m: pose.baseline_m(),
            angle_deg: c.angle_deg,
            joint_error: c.joint_error.map(JointErrorEntry::from),
        }
    }
}

impl From<JointError> for JointErrorEntry {
    fn from(e: JointError) -> Self {
        Self {
            axes: if e.in_world { "world" } else { "left_camera" }.to_owned(),
            calibration_mm: e.calibration_mm,
            with_joints_mm: e.with_joints_mm,
        }
    }
}

impl RigFile {
    /// The file's text.
    #[must_use]
    pub fn to_json(&self) -> String {
        pretty(self)
    }

    /// Reads and checks a file's text.
    ///
    /// # Errors
    /// [`RigFileError`] when it is not a rig of this schema or holds impossible values.
    pub fn from_json(text: &str) -> Result<Self, RigFileError> {
        let file: Self = parsed(text, RIG_SCHEMA)?;
        file.rig()?;
        Ok(file)
    }

    /// The rig for the other stages.
    ///
    /// # Errors
    /// [`RigFileError::Value`] for impossible values.
    pub fn rig(&self) -> Result<StereoRig, RigFileError> {
        let pose = &self.right_from_left;
        let right_from_left = RightFromLeft(rigid(&pose.rotation, &pose.translation_m)?);
        let world = self
            .world_from_left
            .as_ref()
            .map(|w| rigid(&w.rotation, &w.translation_m))
            .transpose()?;
        Ok(StereoRig {
            left: self.phones[0].camera()?,
            right: self.phones[1].camera()?,
            right_from_left,
            world_from_left: world.map(WorldFromLeft),
        })
    }
}

fn rows(rotation: &Rotation3<f64>) -> [[f64; 3]; 3] {
    let m = rotation.matrix();
    [0, 1, 2].map(|i| [m[(i, 0)], m[(i, 1)], m[(i, 2)]])
}

fn rigid(rotation: &[[f64; 3]; 3], translation_m: &[f64; 3]) -> Result<Rigid, RigFileError> {
    let m = Matrix3::from_fn(|i, j| rotation[i][j]);
    let off = (m * m.transpose() - Matrix3::identity()).norm();
    if off.is_nan() || off > ROTATION_TOLERANCE || m.determinant() < 0.0 {
        return Err(RigFileError::Value {
            what: "a rotation",
            why: "its rows must be at right angles and of length 1",
        });
    }
    if !translation_m.iter().all(|t| t.is_finite()) {
        return Err(RigFileError::Value {
            what: "a translation",
            why: "it must be finite",
        });
    }
    let mut rotation = Rotation3::from_matrix_unchecked(m);
    rotation.renormalize();
    Ok(Rigid::new(rotation, Vector3::from(*translation_m)))
}
