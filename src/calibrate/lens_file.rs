//! `lens.json` (schema `twinmound.lens/1`), and what it shares with `rig.json`: one phone's entry, reading, errors.

use serde::{Deserialize, Serialize};

use crate::calibrate::bundle::{LENS, lens_numbers};
use crate::calibrate::intrinsics::DistortionOrder;
use crate::calibrate::lens::{Lens, LensQuality};
use crate::calibrate::verdict::{Judgement, Verdict};
use crate::geometry::Camera;
use crate::quality::Warning;

const LENS_SCHEMA: &str = "twinmound.lens/1";

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
pub enum RigFileError {
    /// Not the JSON expected.
    #[error("the file is not a {expected} file ({source})")]
    NotJson {
        /// Schema expected.
        expected: &'static str,
        /// What the parser says.
        source: serde_json::Error,
    },
    /// Another schema.
    #[error("the file says schema {found:?}, {expected:?} is needed")]
    Schema {
        /// Schema expected.
        expected: &'static str,
        /// Schema found.
        found: String,
    },
    /// A file of OpenCV's that cannot be used.
    #[error("the OpenCV file cannot be used: {why}")]
    OpenCv {
        /// What is wrong.
        why: String,
    },
    /// A value out of bounds.
    #[error("{what} in the file cannot be: {why}")]
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
    pub(super) fn new(camera: &Camera, rate_hz: Option<f64>, quality: &LensQuality) -> Self {
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
pub(super) fn pretty(value: &impl Serialize) -> String {
    serde_json::to_string_pretty(value).unwrap_or_default()
}

pub(super) fn parsed<T: for<'de> Deserialize<'de>>(
    text: &str,
    expected: &'static str,
) -> Result<T, RigFileError> {
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
