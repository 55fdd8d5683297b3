//! The manifest of a network: a TOML file that says what goes in, what comes out and how to read it.
//!
//! Our own networks and those that a user brings are described the same way. Keys that are not known are ignored.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::skeleton::Joint;

/// The schema that this reader knows.
pub const SCHEMA: &str = "twinmound.model/1";

/// A network's manifest.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Manifest {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Name for people.
    pub name: String,
    /// The ONNX file, beside the manifest.
    pub file: String,
    /// SHA-256 of that file, hexadecimal.
    pub sha256: String,
    /// Licence of the weights.
    pub licence: String,
    /// What goes in.
    pub input: InputSpec,
    /// What the network is for, with what comes out.
    #[serde(flatten)]
    pub task: Task,
}

/// The picture that the network takes: `[n, 3, height, width]`, 32-bit floats, RGB, each value `(v - mean) / sd` of v in
/// 0..=255.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct InputSpec {
    /// Name of the input.
    pub name: String,
    /// Subtracted from red, green, blue in 0..=255.
    pub mean: [f32; 3],
    /// Then divided by.
    pub sd: [f32; 3],
}

/// What a network does.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Task {
    /// One person's joints in a crop.
    Keypoints(KeypointTask),
    /// Where people are in a whole picture.
    Locator(LocatorTask),
}

/// A heatmap network for one person in a crop.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct KeypointTask {
    /// Crop size that the network was made for.
    pub crop: CropSpec,
    /// Names of the outputs.
    pub outputs: KeypointOutputs,
    /// How a heatmap becomes a point.
    pub decoding: Decoding,
    /// The network's keypoints in the order of its heatmaps.
    pub keypoints: Vec<String>,
    /// The network's name for a keypoint -> ours. Without the table the names are taken as ours. Keypoints without a
    /// partner are ignored, our joints without a partner are missing.
    #[serde(default)]
    pub map: Option<BTreeMap<String, String>>,
}

/// Size of the crop and how much of it the person fills.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct CropSpec {
    /// Width, pixels.
    pub width_px: usize,
    /// Height, pixels.
    pub height_px: usize,
    /// Share of the crop that the box round the joints fills in the tighter direction.
    pub person_share: f64,
}

/// Names of a keypoint network's outputs.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct KeypointOutputs {
    /// Heatmap logits `[n, K, rows, columns]`.
    pub heatmap: String,
    /// Natural logarithm of the standard deviation of each coordinate, input pixels, `[n, K]`.
    #[serde(default)]
    pub log_sigma_px: Option<String>,
    /// Logit of the probability that the point is visible, `[n, K]`.
    #[serde(default)]
    pub visible_logit: Option<String>,
    /// Offsets within a cell, `[n, 2K, rows, columns]`, y and x of each keypoint in turn, in cells.
    #[serde(default)]
    pub offset: Option<String>,
    /// Logits of people's middles, `[n, 1, rows, columns]`.
    #[serde(default)]
    pub center: Option<String>,
    /// From a person's middle cell to each keypoint, `[n, 2K, rows, columns]`, y and x in turn, in cells.
    #[serde(default)]
    pub regress: Option<String>,
}

/// How a heatmap becomes a point.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Decoding {
    /// The method.
    pub method: DecodingMethod,
    /// Input pixels per heatmap cell.
    pub stride_px: usize,
    /// Cells per side of the window of `softmax_window`, odd.
    #[serde(default = "five")]
    pub window: usize,
    /// Multiplies the standard deviation (calibration on real people).
    #[serde(default = "one")]
    pub sigma_factor: f64,
    /// Standard deviation in input pixels where the network gives none.
    #[serde(default)]
    pub fixed_sigma_px: Option<f64>,
    /// A joint whose heatmap's peak has a lower probability (logistic of the logit) is missing.
    #[serde(default)]
    pub least_peak: f64,
}

/// The known ways from a heatmap to a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecodingMethod {
    /// Highest cell, then the mean of the cells round it weighted by the exponential of their logits.
    SoftmaxWindow,
    /// Highest cell plus the offset that another output gives there.
    ArgmaxOffset,
    /// The best middle of a person near the crop's middle says where each keypoint is expected; then the highest cell
    /// weighted by nearness to that place, plus the offset there.
    CentreRegression,
    /// Middle of the highest cell.
    Argmax,
}

/// A network that finds people's boxes by a map of their centres.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct LocatorTask {
    /// The picture's longer side is brought to this many pixels.
    pub longest_px: usize,
    /// Both sides are enlarged to a multiple of this.
    pub multiple_px: usize,
    /// Input pixels per cell of the outputs.
    pub stride_px: usize,
    /// A centre with a lower probability is not a person.
    pub least_score: f64,
    /// Names of the outputs.
    pub outputs: LocatorOutputs,
}

/// Names of a locator's outputs.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct LocatorOutputs {
    /// Logit that a person's centre is in the cell, `[n, 1, rows, columns]`.
    pub center: String,
    /// Height and width of the box, cells, `[n, 2, rows, columns]`.
    pub box_scale: String,
    /// From the cell's index to the middle of the box: y, x, cells, `[n, 2, rows, columns]`.
    pub box_offset: String,
}

fn five() -> usize {
    5
}

fn one() -> f64 {
    1.0
}

/// Why a manifest is refused.
#[derive(Debug, thiserror::Error)]
pub enum ManifestError {
    /// Not TOML, or a key is missing or of the wrong kind.
    #[error("the manifest cannot be read: {0}")]
    Syntax(#[from] toml::de::Error),
    /// Another schema.
    #[error("the manifest's schema is '{found}'; this program reads '{SCHEMA}'")]
    Schema {
        /// What it says.
        found: String,
    },
    /// A number outside its bounds.
    #[error("the manifest's {key} is {found}; it must be {bounds}")]
    Bounds {
        /// Which key.
        key: &'static str,
        /// Its value.
        found: f64,
        /// What would be right.
        bounds: &'static str,
    },
    /// The decoding needs an output that is not named.
    #[error("decoding by '{method}' needs the output '{output}', which the manifest does not name")]
    OutputNotNamed {
        /// The method.
        method: &'static str,
        /// The output's key.
        output: &'static str,
    },
    /// The table of names speaks of a keypoint that the network does not have.
    #[error("the manifest's map names the keypoint '{name}', which is not among its keypoints")]
    UnknownKeypoint {
        /// The name.
        name: String,
    },
    /// The table of names speaks of a joint that we do not have.
    #[error(
        "the manifest maps '{keypoint}' to '{joint}', which is not a joint; known are nose, left_shoulder, ..."
    )]
    UnknownJoint {
        /// The network's keypoint.
        keypoint: String,
        /// What it is mapped to.
        joint: String,
    },
    /// Two keypoints for one joint.
    #[error("the manifest gives the joint '{joint}' twice")]
    JointTwice {
        /// The joint.
        joint: Joint,
    },
    /// None of the network's keypoints is one of our joints.
    #[error(
        "none of the manifest's keypoints is one of our joints; a [map] table from its names to ours is needed"
    )]
    NoJoint,
}

impl Manifest {
    /// Reads and checks a manifest.
    ///
    /// # Errors
    /// [`ManifestError`] with what is wrong.
    pub fn parse(text: &str) -> Result<Self, ManifestError> {
        let manifest: Self = toml::from_str(text)?;
        if manifest.schema != SCHEMA {
            return Err(ManifestError::Schema {
                found: manifest.schema,
            });
        }
        for sd in manifest.input.sd {
            check("input.sd", f64::from(sd), sd > 0.0, "above 0")?;
        }
        match &manifest.task {
            Task::Keypoints(task) => task.check()?,
            Task::Locator(task) => task.check()?,
        }
        Ok(manifest)
    }
}

impl KeypointTask {
    fn check(&self) -> Result<(), ManifestError> {
        let (crop, decoding) = (&self.crop, &self.decoding);
        let sized = |v: usize| (16..=2048).contains(&v);
        check(
            "crop.width_px",
            crop.width_px as f64,
            sized(crop.width_px),
            "16 to 2048",
        )?;
        check(
            "crop.height_px",
            crop.height_px as f64,
            sized(crop.height_px),
            "16 to 2048",
        )?;
        let share = crop.person_share;
        check(
            "crop.person_share",
            share,
            (0.2..=1.0).contains(&share),
            "0.2 to 1",
        )?;
        let stride = decoding.stride_px;
        check(
            "decoding.stride_px",
            stride as f64,
            (1..=64).contains(&stride),
            "1 to 64",
        )?;
        let window = decoding.window;
        check(
            "decoding.window",
            window as f64,
            window % 2 == 1 && window < 32,
            "odd and below 32",
        )?;
        let factor = decoding.sigma_factor;
        check(
            "decoding.sigma_factor",
            factor,
            factor > 0.0 && factor.is_finite(),
            "above 0",
        )?;
        let fixed = decoding.fixed_sigma_px.unwrap_or(1.0);
        check(
            "decoding.fixed_sigma_px",
            fixed,
            fixed > 0.0 && fixed.is_finite(),
            "above 0",
        )?;
        if self.outputs.log_sigma_px.is_none() && decoding.fixed_sigma_px.is_none() {
            return Err(ManifestError::OutputNotNamed {
                method: "a network without fixed_sigma_px",
                output: "log_sigma_px",
            });
        }
        let outputs = &self.outputs;
        let needed = match decoding.method {
            DecodingMethod::SoftmaxWindow | DecodingMethod::Argmax => Vec::new(),
            DecodingMethod::ArgmaxOffset => vec![("argmax_offset", "offset", &outputs.offset)],
            DecodingMethod::CentreRegression => vec![
                ("centre_regression", "offset", &outputs.offset),
                ("centre_regression", "center", &outputs.center),
                ("centre_regression", "regress", &outputs.regress),
            ],
        };
        if let Some(&(method, output, _)) = needed.iter().find(|(_, _, name)| name.is_none()) {
            return Err(ManifestError::OutputNotNamed { method, output });
        }
        self.joints().map(|_| ())
    }

    /// Our joint of each of the network's keypoints, in the network's order.
    ///
    /// # Errors
    /// [`ManifestError`] when the table of names does not fit.
    pub fn joints(&self) -> Result<Vec<Option<Joint>>, ManifestError> {
        let mut joints = Vec::with_capacity(self.keypoints.len());
        match &self.map {
            None => joints.extend(self.keypoints.iter().map(|name| name.parse::<Joint>().ok())),
            Some(map) => {
                if let Some(name) = map.keys().find(|name| !self.keypoints.contains(name)) {
                    return Err(ManifestError::UnknownKeypoint { name: name.clone() });
                }
                for keypoint in &self.keypoints {
                    let joint = map.get(keypoint).map(|name| {
                        name.parse::<Joint>().map_err(|_| ManifestError::UnknownJoint {
                            keypoint: keypoint.clone(),
                            joint: name.clone(),
                        })
                    });
                    joints.push(joint.transpose()?);
                }
            }
        }
        for joint in Joint::ALL {
            if joints.iter().filter(|j| **j == Some(joint)).count() > 1 {
                return Err(ManifestError::JointTwice { joint });
            }
        }
        if joints.iter().all(Option::is_none) {
            return Err(ManifestError::NoJoint);
        }
        Ok(joints)
    }
}

impl LocatorTask {
    fn check(&self) -> Result<(), ManifestError> {
        let longest = self.longest_px;
        check(
            "longest_px",
            longest as f64,
            (64..=2048).contains(&longest),
            "64 to 2048",
        )?;
        let multiple = self.multiple_px;
        check(
            "multiple_px",
            multiple as f64,
            (1..=128).contains(&multiple),
            "1 to 128",
        )?;
        let stride = self.stride_px;
        check("stride_px", stride as f64, (1..=64).contains(&stride), "1 to 64")?;
        let score = self.least_score;
        check("least_score", score, (0.0..1.0).contains(&score), "0 to below 1")
    }
}

fn check(key: &'static str, found: f64, right: bool, bounds: &'static str) -> Result<(), ManifestError> {
    if right {
        Ok(())
    } else {
        Err(ManifestError::Bounds { key, found, bounds })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GENERAL: &str = r#"
        schema = "twinmound.model/1"
        name = "general"
        kind = "keypoints"
        file = "general.onnx"
        sha256 = "00"
        licence = "Apache-2.0"
        keypoints = ["nose", "left_ankle", "tail"]
        unknown_key = "is ignored"
        [input]
        name = "image"
        mean = [127.5, 127.5, 127.5]
        sd = [127.5, 127.5, 127.5]
        [crop]
        width_px = 192
        height_px = 256
        person_share = 0.8
        [outputs]
        heatmap = "heat"
        [decoding]
        method = "argmax"
        stride_px = 4
        fixed_sigma_px = 4.0
        "#;

    fn keypoints(text: &str) -> KeypointTask {
        match Manifest::parse(text).unwrap().task {
            Task::Keypoints(task) => task,
            Task::Locator(_) => panic!("not a locator"),
        }
    }

    #[test]
    fn names_are_ours_unless_a_map_says_otherwise() {
        let plain = keypoints(GENERAL);
        assert_eq!(
            plain.joints().unwrap(),
            [Some(Joint::Nose), Some(Joint::LeftAnkle), None]
        );
        let mapped = keypoints(&format!("{GENERAL}\n[map]\ntail = \"left_heel\""));
        assert_eq!(mapped.joints().unwrap(), [None, None, Some(Joint::LeftHeel)]);
    }

    #[test]
    fn what_is_wrong_is_named() {
        let cases = [
            (
                "twinmound.model/1",
                "twinmound.model/9",
                "schema is 'twinmound.model/9'",
            ),
            (
                "stride_px = 4",
                "stride_px = 0",
                "decoding.stride_px is 0; it must be 1 to 64",
            ),
            ("fixed_sigma_px = 4.0", "", "log_sigma_px"),
            ("\"argmax\"", "\"argmax_offset\"", "needs the output 'offset'"),
            ("\"argmax\"", "\"centre_regression\"", "needs the output 'offset'"),
            ("\"argmax\"", "\"magic\"", "unknown variant `magic`"),
            ("height_px = 256", "", "missing field `height_px`"),
            (
                "sd = [127.5, 127.5, 127.5]",
                "sd = [0.0, 1.0, 1.0]",
                "input.sd is 0",
            ),
            ("\"nose\", \"left_ankle\", \"tail\"", "\"tail\"", "[map] table"),
            ("\"tail\"", "\"nose\"", "joint 'nose' twice"),
        ];
        for (right, wrong, said) in cases {
            let text = GENERAL.replace(right, wrong);
            let message = Manifest::parse(&text).unwrap_err().to_string();
            assert!(message.contains(said), "{wrong}: {message}");
        }
        for (map, said) in [("ear = \"nose\"", "'ear'"), ("tail = \"fin\"", "'fin'")] {
            let message = Manifest::parse(&format!("{GENERAL}\n[map]\n{map}"))
                .unwrap_err()
                .to_string();
            assert!(message.contains(said), "{message}");
        }
    }
}
