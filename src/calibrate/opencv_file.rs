//! Camera and stereo files in the YAML that OpenCV's `FileStorage` writes.
//!
//! Read is the part of it that such files use: `%YAML:1.0` (`%YAML 1.2` since OpenCV 5), one `key: value` a line, matrices (`!!opencv-matrix` with rows,
//! cols, dt, data) and short lists. Names are those of OpenCV's own calibration samples and of its functions' parameters:
//! one camera `camera_matrix`, `distortion_coefficients`, `image_width`, `image_height`; two cameras `M1`, `D1`, `M2`, `D2`;
//! their pose `R`, `T`.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::calibrate::intrinsics::DistortionOrder;
use crate::calibrate::lens::{Lens, LensQuality};
use crate::calibrate::lens_file::RigFileError;
use crate::calibrate::verdict::{Judgement, Verdict};
use crate::geometry::{Camera, Phone, RightFromLeft, Rigid};

/// A larger file is not a camera file, bytes.
const MAX_BYTES: usize = 4_000_000;

/// Names under which a quantity is stored: for one camera, then of LEFT and of RIGHT.
type Names = (&'static [&'static str], [&'static [&'static str]; 2]);

const MATRIX: Names = (
    &[
        "camera_matrix",
        "cameraMatrix",
        "CameraMatrix",
        "K",
        "M",
        "mtx",
        "intrinsics",
    ],
    [
        &["M1", "K1", "cameraMatrix1", "camera_matrix_1"],
        &["M2", "K2", "cameraMatrix2", "camera_matrix_2"],
    ],
);
const DISTORTION: Names = (
    &[
        "distortion_coefficients",
        "distCoeffs",
        "dist_coeffs",
        "D",
        "dist",
    ],
    [
        &["D1", "distCoeffs1", "distortion_coefficients_1"],
        &["D2", "distCoeffs2", "distortion_coefficients_2"],
    ],
);

/// A camera from such a file.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenCvLens {
    matrix: Matrix3<f64>,
    distortion: [f64; 5],
    /// Picture size, when the file says it.
    size: Option<(u32, u32)>,
    rms_px: Option<f64>,
}

/// Whether a text claims to be such a file.
#[must_use]
pub fn is_opencv_yaml(text: &str) -> bool {
    text.trim_start().starts_with("%YAML")
}

impl OpenCvLens {
    /// Reads one phone's camera.
    ///
    /// # Errors
    /// [`RigFileError::OpenCv`] when the file does not hold it, or holds a model that is not ours.
    pub fn from_yaml(text: &str, phone: Phone) -> Result<Self, RigFileError> {
        let entries = Entries::read(text)?;
        let k = entries.matrix(MATRIX, phone, "camera matrix (camera_matrix; M1, M2)")?;
        if (k.rows, k.cols) != (3, 3) {
            return wrong(format!(
                "the camera matrix is {}x{}, 3x3 is needed",
                k.rows, k.cols
            ));
        }
        let matrix = Matrix3::from_row_slice(&k.data);
        if matrix[(0, 1)].abs() > 1e-9 * matrix[(0, 0)].abs() {
            return wrong("the camera matrix has a skew, which phones' lenses have not".to_owned());
        }
        let d = entries.matrix(
            DISTORTION,
            phone,
            "distortion coefficients (distortion_coefficients; D1, D2)",
        )?;
        if d.data.len() < 4 {
            return wrong(format!(
                "{} distortion coefficients, 4 or 5 are needed (k1 k2 p1 p2 k3)",
                d.data.len()
            ));
        }
        if d.data.iter().skip(5).any(|c| *c != 0.0) {
            return wrong(format!(
                "{} distortion coefficients, those beyond k1 k2 p1 p2 k3 not 0: calibrate without the rational, thin-prism and tilted models",
                d.data.len()
            ));
        }
        let pair = |key: &str| entries.list(key).filter(|v| v.len() == 2).map(|v| (v[0], v[1]));
        let size = entries
            .number("image_width")
            .zip(entries.number("image_height"))
            .or_else(|| pair("image_size"))
            .or_else(|| pair("imageSize"))
            .or_else(|| pair("size"));
        Ok(Self {
            matrix,
            distortion: std::array::from_fn(|i| d.data.get(i).copied().unwrap_or(0.0)),
            size: size.map(|(w, h)| (w as u32, h as u32)),
            rms_px: entries.number("avg_reprojection_error"),
        })
    }

    /// The lens for pictures of a size: the file's own, when it says one.
    ///
    /// # Errors
    /// [`RigFileError::OpenCv`] when the numbers cannot belong to pictures of this size.
    pub fn lens(&self, pictures: (u32, u32)) -> Result<Lens, RigFileError> {
        let (width_px, height_px) = self.size.unwrap_or(pictures);
        let m = &self.matrix;
        let camera = Camera {
            width_px,
            height_px,
            fx_px: m[(0, 0)],
            fy_px: m[(1, 1)],
            cx_px: m[(0, 2)],
            cy_px: m[(1, 2)],
            distortion: self.distortion,
        };
        let (w, h) = (f64::from(width_px), f64::from(height_px));
        let middle = (0.25..0.75).contains(&(camera.cx_px / w)) && (0.25..0.75).contains(&(camera.cy_px / h));
        let focal = [camera.fx_px, camera.fy_px]
            .iter()
            .all(|f| (0.2..20.0).contains(&(f / w.max(h))));
        if !(middle && focal) {
            return wrong(format!(
                "its camera matrix (focal length {:.0} px, centre {:.0}, {:.0}) cannot belong to pictures of {width_px}x{height_px}",
                camera.fx_px, camera.cx_px, camera.cy_px
            ));
        }
        let mut judgement = Judgement::default();
        judgement.lower(
            Verdict::Usable,
            "lens_imported",
            "a lens comes from a file that tells no doubt; it is taken as exact",
            "make the lens with `twinmound lens` to have its doubt carried into the figures",
        );
        Ok(Lens {
            camera,
            order: DistortionOrder::Five,
            rate_hz: None,
            quality: LensQuality {
                rms_px: self.rms_px.unwrap_or(0.0),
                pictures: 0,
                sd: None,
                hold_out_px: None,
                coverage: 0.0,
                largest_share: 0.0,
                max_slant_deg: 0.0,
                blur_px: 0.0,
                blur_share: 0.0,
            },
            judgement,
        })
    }
}

/// Reads the pose between two cameras, `x_2 = R x_1 + T`; `unit_m` is the length of the file's unit.
///
/// # Errors
/// [`RigFileError::OpenCv`] when the file does not hold it.
pub fn opencv_pose(text: &str, unit_m: f64) -> Result<RightFromLeft, RigFileError> {
    const NAMES: [&[&str]; 2] = [&["R", "rotation"], &["T", "translation"]];
    let entries = Entries::read(text)?;
    let r = entries.matrix((NAMES[0], [&[], &[]]), Phone::Left, "rotation R")?;
    let t = entries.matrix((NAMES[1], [&[], &[]]), Phone::Left, "translation T")?;
    let rotation = match r.data.len() {
        9 => {
            let m = Matrix3::from_row_slice(&r.data);
            if (m * m.transpose() - Matrix3::identity()).norm() > 1e-4 || m.determinant() < 0.0 {
                return wrong("R is not a rotation".to_owned());
            }
            let mut rotation = Rotation3::from_matrix_unchecked(m);
            rotation.renormalize();
            rotation
        }
        3 => Rotation3::from_scaled_axis(Vector3::from_row_slice(&r.data)),
        n => {
            return wrong(format!(
                "R has {n} numbers, 9 (a matrix) or 3 (a rotation vector) are needed"
            ));
        }
    };
    if t.data.len() != 3 {
        return wrong(format!("T has {} numbers, 3 are needed", t.data.len()));
    }
    let translation_m = Vector3::from_row_slice(&t.data) * unit_m;
    if !(0.02..100.0).contains(&translation_m.norm()) {
        return wrong(format!(
            "its two cameras stand {:.3} m apart, which phones around a mound do not: check --stereo-unit-mm, the length of the file's unit",
            translation_m.norm()
        ));
    }
    Ok(RightFromLeft(Rigid::new(rotation, translation_m)))
}

fn wrong<T>(why: String) -> Result<T, RigFileError> {
    Err(RigFileError::OpenCv { why })
}

/// A value of the file.
#[derive(Clone, Debug, PartialEq)]
enum Value {
    Number(f64),
    List(Vec<f64>),
    Matrix(Stored),
}

/// A matrix, row by row.
#[derive(Clone, Debug, PartialEq)]
struct Stored {
    rows: usize,
    cols: usize,
    data: Vec<f64>,
}

struct Entries(Vec<(String, Value)>);

impl Entries {
    /// All numbers, lists and matrices at the top level; what else the file holds is skipped.
    fn read(text: &str) -> Result<Self, RigFileError> {
        if !is_opencv_yaml(text) {
            return wrong("it does not begin with %YAML".to_owned());
        }
        if text.len() > MAX_BYTES {
            return wrong(format!(
                "it has {} bytes, far more than a camera file",
                text.len()
            ));
        }
        let lines: Vec<&str> = text.lines().collect();
        let mut entries = Vec::new();
        let mut next = 0;
        while next < lines.len() {
            let line = lines[next];
            next += 1;
            if line.starts_with([' ', '\t', '#', '%', '-']) {
                continue;
            }
            let Some((key, rest)) = line.split_once(':') else {
                continue;
            };
            let (key, rest) = (key.trim().trim_matches('"').to_owned(), rest.trim());
            // What belongs to this entry: its lines are indented.
            let own = lines[next..]
                .iter()
                .take_while(|l| l.starts_with([' ', '\t']))
                .count();
            let body = &lines[next..next + own];
            if rest.starts_with("!!opencv-matrix") || rest.starts_with("!!opencv-nd-matrix") {
                entries.push((key.clone(), Value::Matrix(matrix(&key, body)?)));
            } else if rest.starts_with('[') {
                let whole = [&[rest], body].concat().join(" ");
                entries.push((key.clone(), Value::List(numbers(&key, &whole)?)));
            } else if let Some(number) = number(rest) {
                entries.push((key, Value::Number(number)));
            }
            next += own;
        }
        Ok(Self(entries))
    }

    fn find(&self, key: &str) -> Option<&Value> {
        self.0.iter().find(|(k, _)| k == key).map(|(_, v)| v)
    }

    fn number(&self, key: &str) -> Option<f64> {
        match self.find(key)? {
            Value::Number(n) => Some(*n),
            _ => None,
        }
    }

    fn list(&self, key: &str) -> Option<Vec<f64>> {
        match self.find(key)? {
            Value::List(list) => Some(list.clone()),
            Value::Matrix(m) => Some(m.data.clone()),
            Value::Number(_) => None,
        }
    }

    /// The matrix under one of the names: the phone's own before those of a single camera.
    fn matrix(&self, names: Names, phone: Phone, what: &str) -> Result<Stored, RigFileError> {
        let found = names.1[phone as usize]
            .iter()
            .chain(names.0)
            .find_map(|name| match self.find(name)? {
                Value::Matrix(m) => Some(m.clone()),
                Value::List(data) => Some(Stored {
                    rows: 1,
                    cols: data.len(),
                    data: data.clone(),
                }),
                Value::Number(_) => None,
            });
        match found {
            Some(m) => Ok(m),
            None => {
                let keys: Vec<&str> = self.0.iter().map(|(k, _)| k.as_str()).collect();
                wrong(format!("it holds no {what}; it holds: {}", keys.join(", ")))
            }
        }
    }
}

/// A number as `FileStorage` writes it: `5.`, `.5e-3`, `.Nan`.
fn number(text: &str) -> Option<f64> {
    let value: f64 = text.trim().parse().ok()?;
    value.is_finite().then_some(value)
}

fn numbers(key: &str, list: &str) -> Result<Vec<f64>, RigFileError> {
    let inner = list.trim().strip_prefix('[').and_then(|l| l.split_once(']'));
    let Some((inner, _)) = inner else {
        return wrong(format!("the list of {key} does not end: the file is cut off"));
    };
    inner
        .split(',')
        .filter(|n| !n.trim().is_empty())
        .map(|n| {
            number(n).ok_or_else(|| RigFileError::OpenCv {
                why: format!("'{}' in {key} is not a finite number", n.trim()),
            })
        })
        .collect()
}

fn matrix(key: &str, body: &[&str]) -> Result<Stored, RigFileError> {
    let field = |name: &str| {
        let prefix = format!("{name}:");
        let at = body.iter().position(|l| l.trim_start().starts_with(&prefix))?;
        Some((at, body[at].trim_start()[prefix.len()..].trim()))
    };
    let count = |name: &str| field(name).and_then(|(_, v)| v.parse::<usize>().ok());
    // A list of numbers is stored with its `sizes` instead.
    let listed = || Some(numbers(key, field("sizes")?.1).ok()?.iter().product::<f64>() as usize);
    let (rows, cols) = (count("rows").or(Some(1)), count("cols").or_else(listed));
    let (Some(rows), Some(cols), Some((at, first))) = (rows, cols, field("data")) else {
        return wrong(format!(
            "the matrix {key} lacks rows, cols or data: the file is cut off"
        ));
    };
    let whole = [&[first], &body[at + 1..]].concat().join(" ");
    let data = numbers(key, &whole)?;
    if rows.checked_mul(cols) != Some(data.len()) {
        return wrong(format!(
            "the matrix {key} is said to be {rows}x{cols} but holds {} numbers",
            data.len()
        ));
    }
    Ok(Stored { rows, cols, data })
}
