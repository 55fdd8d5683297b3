//! `rig.json` (schema `twinmound.rig/1`) and `lens.json` (schema `twinmound.lens/1`): what other programs may rely on.

use nalgebra::{Matrix3, Rotation3, Vector3};
use serde::{Deserialize, Serialize};

use crate::calibrate::Calibration;
use crate::calibrate::bundle::{LENS, lens_numbers};
use crate::calibrate::intrinsics::DistortionOrder;
use crate::calibrate::lens::{Lens, LensQuality};
use crate::calibrate::verdict::{JointError, Judgement, Verdict};
use crate::geometry::{Camera, RightFromLeft, Rigid, StereoRig, WorldFromLeft};
use crate::quality::Warning;

const RIG_SCHEMA: &str = "twinmound.rig/1";
const LENS_SCHEMA: &str = "twinmound.lens/1";
/// How far a rotation in a file may be from orthonormal.
const ROTATION_TOLERANCE: f64 = 1e-4;

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
pub enum RigFileError {
    /// Not the JSON expected.
    #[error("the file is not a {expected} file: {source}; make it again with the command that wrote it")]
    NotJson {
        /// Schema expected.
        expected: &'static str,
        /// What the parser says.
        source: serde_json::Error,
    },
    /// Another schema.
    #[error("the file says schema {found:?}, {expected:?} is needed; make it again with this version")]
    Schema {
        /// Schema expected.
        expected: &'static str,
        /// Schema found.
        found: String,
    },
    /// A value out of bounds.
    #[error("{what} in the file cannot be: {why}; make the file again")]
    Value {
        /// Which value.
        what: &'static str,
        /// Its bound.
        why: &'static str,
    },
}

/// Standard deviations of a lens, in the units of its numbers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensSd {
    /// Of the focal length along x, pixels.
    pub fx_px: f64,
    /// Of the focal length along y, pixels.
    pub fy_px: f64,
    /// Of the principal point x, pixels.
    pub cx_px: f64,
    /// Of the principal point y, pixels.
    pub cy_px: f64,
    /// Of k1.
    pub k1: f64,
    /// Of k2.
    pub k2: f64,
    /// Of p1.
    pub p1: f64,
    /// Of p2.
    pub p2: f64,
    /// Of k3.
    pub k3: f64,
}

/// One phone in `rig.json`; with `schema` around it, `lens.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PhoneEntry {
    /// Picture width, pixels.
    pub width_px: u32,
    /// Picture height, pixels.
    pub height_px: u32,
    /// Frame rate; absent for loose pictures.
    pub rate_hz: Option<f64>,
    /// Focal length along x, pixels.
    pub fx_px: f64,
    /// Focal length along y, pixels.
    pub fy_px: f64,
    /// Principal point x, pixels.
    pub cx_px: f64,
    /// Principal point y, pixels.
    pub cy_px: f64,
    /// `[k1, k2, p1, p2, k3]`.
    pub distortion: [f64; 5],
    /// Root mean square distance of a corner, pixels.
    pub rms_px: f64,
    /// Pictures used.
    pub pictures: usize,
    /// Standard deviations; null when the views do not determine the lens.
    pub sd: Option<LensSd>,
    /// Root mean square distance in views kept out of the fit, pixels.
    #[serde(default)]
    pub hold_out_px: Option<f64>,
    /// Share of the picture in which corners were seen.
    #[serde(default)]
    pub coverage: f64,
    /// Largest board seen, share of the picture.
    #[serde(default)]
    pub largest_share: f64,
    /// Largest slant of the board, degrees.
    #[serde(default)]
    pub max_slant_deg: f64,
    /// Median blur, pixels.
    #[serde(default)]
    pub blur_px: f64,
    /// Median blur, share of a square.
    #[serde(default)]
    pub blur_share: f64,
}

impl PhoneEntry {
    fn new(camera: &Camera, rate_hz: Option<f64>, quality: &LensQuality) -> Self {
        Self {
            width_px: camera.width_px,
            height_px: camera.height_px,
            rate_hz,
            fx_px: camera.fx_px,
            fy_px: camera.fy_px,
            cx_px: camera.cx_px,
            cy_px: camera.cy_px,
            distortion: camera.distortion,
            rms_px: quality.rms_px,
            pictures: quality.pictures,
            sd: quality
                .sd
                .map(|[fx_px, fy_px, cx_px, cy_px, k1, k2, p1, p2, k3]| LensSd {
                    fx_px,
                    fy_px,
                    cx_px,
                    cy_px,
                    k1,
                    k2,
                    p1,
                    p2,
                    k3,
                }),
            hold_out_px: quality.hold_out_px,
            coverage: quality.coverage,
            largest_share: quality.largest_share,
            max_slant_deg: quality.max_slant_deg,
            blur_px: quality.blur_px,
            blur_share: quality.blur_share,
        }
    }

    /// The lens.
    ///
    /// # Errors
    /// [`RigFileError::Value`] for sizes, focal lengths or coefficients that no camera has.
    pub fn camera(&self) -> Result<Camera, RigFileError> {
        let camera = Camera {
            width_px: self.width_px,
            height_px: self.height_px,
            fx_px: self.fx_px,
            fy_px: self.fy_px,
            cx_px: self.cx_px,
            cy_px: self.cy_px,
            distortion: self.distortion,
        };
        let value = |what, why| Err(RigFileError::Value { what, why });
        if self.width_px == 0 || self.height_px == 0 {
            return value("the picture size", "it must be positive");
        }
        if !(self.fx_px > 0.0 && self.fy_px > 0.0) {
            return value("the focal length", "it must be positive");
        }
        if !lens_numbers(&camera).iter().all(|n| n.is_finite()) {
            return value("a number of the lens", "it must be finite");
        }
        Ok(camera)
    }

    fn quality(&self) -> LensQuality {
        LensQuality {
            rms_px: self.rms_px,
            pictures: self.pictures,
            sd: self.sd.map(|s| -> [f64; LENS] {
                [s.fx_px, s.fy_px, s.cx_px, s.cy_px, s.k1, s.k2, s.p1, s.p2, s.k3]
            }),
            hold_out_px: self.hold_out_px,
            coverage: self.coverage,
            largest_share: self.largest_share,
            max_slant_deg: self.max_slant_deg,
            blur_px: self.blur_px,
            blur_share: self.blur_share,
        }
    }
}

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

/// `lens.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensFile {
    /// `twinmound.lens/1`.
    pub schema: String,
    /// The lens.
    #[serde(flatten)]
    pub phone: PhoneEntry,
    /// May it be used?
    pub verdict: Verdict,
    /// Why it is not `good`.
    pub reasons: Vec<Warning>,
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

impl From<&Lens> for LensFile {
    fn from(lens: &Lens) -> Self {
        Self {
            schema: LENS_SCHEMA.to_owned(),
            phone: PhoneEntry::new(&lens.camera, lens.rate_hz, &lens.quality),
            verdict: lens.judgement.verdict,
            reasons: lens.judgement.reasons.clone(),
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

impl LensFile {
    /// The file's text.
    #[must_use]
    pub fn to_json(&self) -> String {
        pretty(self)
    }

    /// Reads and checks a file's text.
    ///
    /// # Errors
    /// [`RigFileError`] when it is not a lens of this schema or holds impossible values.
    pub fn from_json(text: &str) -> Result<Self, RigFileError> {
        let file: Self = parsed(text, LENS_SCHEMA)?;
        file.phone.camera()?;
        Ok(file)
    }

    /// The lens.
    ///
    /// # Errors
    /// [`RigFileError::Value`] for impossible values.
    pub fn lens(&self) -> Result<Lens, RigFileError> {
        let [_, k2, p1, _, k3] = self.phone.distortion;
        let order = match (k2 != 0.0, p1 != 0.0, k3 != 0.0) {
            (_, _, true) => DistortionOrder::Five,
            (_, true, _) => DistortionOrder::Four,
            (true, _, _) => DistortionOrder::Two,
            _ => DistortionOrder::One,
        };
        Ok(Lens {
            camera: self.phone.camera()?,
            order,
            rate_hz: self.phone.rate_hz,
            quality: self.phone.quality(),
            judgement: Judgement {
                verdict: self.verdict,
                reasons: self.reasons.clone(),
            },
        })
    }
}

/// Serialising plain numbers and texts cannot fail; should it, the empty text is refused by every reader.
fn pretty(value: &impl Serialize) -> String {
    serde_json::to_string_pretty(value).unwrap_or_default()
}

fn parsed<T: for<'de> Deserialize<'de>>(text: &str, expected: &'static str) -> Result<T, RigFileError> {
    #[derive(Deserialize)]
    struct Head {
        schema: String,
    }
    let not_json = |source| RigFileError::NotJson { expected, source };
    let head: Head = serde_json::from_str(text).map_err(not_json)?;
    if head.schema != expected {
        return Err(RigFileError::Schema {
            expected,
            found: head.schema,
        });
    }
    serde_json::from_str(text).map_err(not_json)
}

fn rows(rotation: &Rotation3<f64>) -> [[f64; 3]; 3] {
    let m = rotation.matrix();
    [0, 1, 2].map(|i| [m[(i, 0)], m[(i, 1)], m[(i, 2)]])
}

fn rigid(rotation: &[[f64; 3]; 3], translation_m: &[f64; 3]) -> Result<Rigid, RigFileError> {
    let m = Matrix3::from_fn(|i, j| rotation[i][j]);
    let off = (m * m.transpose() - Matrix3::identity()).norm();
    if !(off < ROTATION_TOLERANCE) || m.determinant() < 0.0 {
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
