//! A C3D file becomes a table of joints.

use nalgebra::Vector3;

use super::bytes::Processor;
use super::parameters::Parameters;
use super::{BLOCK, OWN_GROUP, START_PARAMETER};
use crate::skeleton::{Joint, PerJoint};
use crate::smooth::ImportedPosition;
use crate::store::{JointsTable, StoreError};
use crate::units::Seconds;

/// Mark of the format in the header's second byte.
pub(super) const KEY: u8 = 0x50;

/// How the frames lie in the file.
struct Layout {
    processor: Processor,
    /// First byte of the frames.
    start: usize,
    points: usize,
    frames: usize,
    /// Bytes from one frame to the next.
    stride: usize,
    /// Metres per unit of what stands in the file.
    scale_m: f64,
    /// Positions are floats (4 bytes), else 16-bit integers.
    floats: bool,
}

/// Reads the bytes of a C3D file. Times count from its first frame; a file of our own continues the clock it was written
/// with.
///
/// # Errors
/// Not a C3D file, a broken one, no frame rate, an unknown unit, or no point named as a joint.
pub fn read_c3d(bytes: &[u8]) -> Result<JointsTable, StoreError> {
    let refused = |why: String| StoreError::C3d { why };
    if bytes.len() < BLOCK || bytes[1] != KEY {
        return Err(refused("it does not begin as a C3D file does".to_owned()));
    }
    let parameter_start = usize::from(bytes[0])
        .checked_sub(1)
        .map(|block| block * BLOCK)
        .ok_or_else(|| refused("its header names no parameters".to_owned()))?;
    let parameters = Parameters::read(bytes, parameter_start).map_err(refused)?;
    let layout = Layout::find(bytes, &parameters).map_err(refused)?;
    let rate_hz = parameters
        .number("POINT", "RATE")
        .filter(|rate| *rate > 0.0)
        .or_else(|| layout.processor.f32_at(bytes, 20).map(f64::from))
        .filter(|rate| rate.is_finite() && *rate > 0.0)
        .ok_or_else(|| refused("it states no frame rate".to_owned()))?;
    let start_s = parameters.number(OWN_GROUP, START_PARAMETER).unwrap_or(0.0);
    let labels = labels(&parameters);
    let mut table = JointsTable {
        times: (0..layout.frames)
            .map(|i| Seconds(start_s + i as f64 / rate_hz))
            .collect(),
        joints: PerJoint::from_fn(|_| vec![None; layout.frames]),
    };
    let mut known = 0;
    for joint in Joint::ALL {
        let Some(point) = labels.iter().take(layout.points).position(|l| l == joint.name()) else {
            continue;
        };
        known += 1;
        for (frame, cell) in table.joints[joint].iter_mut().enumerate() {
            *cell = layout.position(bytes, frame, point);
        }
    }
    if known == 0 {
        let found: Vec<&str> = labels.iter().take(6).map(String::as_str).collect();
        return Err(refused(format!(
            "none of its {} points is named as a joint (right_wrist, left_hip, ...); its points are {}, ...",
            layout.points,
            found.join(", ")
        )));
    }
    Ok(table)
}

/// Names of the points in lower case, without a subject's name.
fn labels(parameters: &Parameters<'_>) -> Vec<String> {
    // Above 255 points the names go on in LABELS2, LABELS3, ...
    let mut labels = parameters.texts("POINT", "LABELS");
    for more in 2..=9 {
        labels.extend(parameters.texts("POINT", &format!("LABELS{more}")));
    }
    labels
        .iter()
        .map(|label| label.rsplit(':').next().unwrap_or(label).trim().to_lowercase())
        .collect()
}

impl Layout {
    fn find(bytes: &[u8], parameters: &Parameters<'_>) -> Result<Self, String> {
        let processor = parameters.processor;
        let word = |number: usize| {
            processor
                .u16_at(bytes, 2 * (number - 1))
                .map(usize::from)
                .ok_or_else(|| "it ends within its header".to_owned())
        };
        let (points, analog, first, last) = (word(2)?, word(3)?, word(4)?, word(5)?);
        let scale = parameters
            .number("POINT", "SCALE")
            .or_else(|| processor.f32_at(bytes, 12).map(f64::from))
            .filter(|s| s.is_finite() && *s != 0.0)
            .ok_or_else(|| "it states no scale of its points".to_owned())?;
        let floats = scale < 0.0;
        let size = if floats { 4 } else { 2 };
        let stride = size * (4 * points + analog);
        let start = match word(9)? {
            0 => parameters.number("POINT", "DATA_START").unwrap_or(0.0) as usize,
            block => block,
        };
        let start = start
            .checked_sub(1)
            .map(|block| block * BLOCK)
            .ok_or_else(|| "it does not say where its frames begin".to_owned())?;
        if points == 0 {
            return Err("it holds no points".to_owned());
        }
        let there = bytes.len().saturating_sub(start) / stride;
        // 16 bits count to 65535 frames; longer files state their ends elsewhere.
        let long = |name: &str| match parameters.numbers("TRIAL", name)[..] {
            [low] => Some(low),
            [low, high, ..] => Some(low + 65536.0 * high),
            [] => None,
        };
        let frames = match (long("ACTUAL_START_FIELD"), long("ACTUAL_END_FIELD")) {
            (Some(from), Some(to)) if to >= from => (to - from) as usize + 1,
            _ => match parameters.number("POINT", "FRAMES") {
                Some(frames) if frames >= 1.0 && frames != 65535.0 => frames as usize,
                _ if last == 65535 => there,
                _ => (last + 1).saturating_sub(first),
            },
        };
        if frames == 0 || frames > there {
            return Err(format!("it states {frames} frames, but {there} are there"));
        }
        let unit = parameters
            .texts("POINT", "UNITS")
            .into_iter()
            .next()
            .unwrap_or_default();
        let unit_m = match unit.to_lowercase().as_str() {
            "m" => 1.0,
            "cm" => 0.01,
            // The format's custom where nothing is said.
            "mm" | "" => 0.001,
            _ => return Err(format!("its unit of length is '{unit}', not m, cm or mm")),
        };
        Ok(Self {
            processor,
            start,
            points,
            frames,
            stride,
            scale_m: if floats { unit_m } else { unit_m * scale },
            floats,
        })
    }

    /// A point at a frame; `None` where its residual is negative or a number is not finite.
    fn position(&self, bytes: &[u8], frame: usize, point: usize) -> Option<ImportedPosition> {
        let size = if self.floats { 4 } else { 2 };
        let at = self.start + frame * self.stride + point * 4 * size;
        let number = |i: usize| -> Option<f64> {
            if self.floats {
                self.processor.f32_at(bytes, at + i * size).map(f64::from)
            } else {
                self.processor.i16_at(bytes, at + i * size).map(f64::from)
            }
        };
        let position_m = Vector3::new(number(0)?, number(1)?, number(2)?) * self.scale_m;
        let seen = number(3)? >= 0.0 && position_m.iter().all(|x| x.is_finite());
        seen.then_some(ImportedPosition {
            position_m,
            sd_m: None,
        })
    }
}
