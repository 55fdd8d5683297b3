//! The manifest of a network: a TOML file that says what goes in, what comes out and how to read it.
//!
//! Our own networks and those that a user brings are described the same way. Keys that are not known are ignored.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::error::ManifestError;
use crate::skeleton::Joint;

/// What every manifest says of its network's file.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct NetworkFile {
    /// What the network is for.
    #[serde(default)]
    pub kind: NetworkKind,
    /// The ONNX file, beside the manifest.
    pub file: String,
    /// SHA-256 of that file, hexadecimal.
    pub sha256: String,
    /// Licence of the weights.
    pub licence: String,
}

/// What a network is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NetworkKind {
    /// One person's joints in a crop.
    #[default]
    Keypoints,
    /// Where people are in a whole picture.
    Locator,
}

/// How a picture becomes the input `[n, 3, height, width]`: 32-bit floats, red, green, blue, each
/// `(value in 0..=255 - mean) * scale`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Normalisation {
    /// Name of the input.
    pub name: String,
    /// Subtracted, one for all channels or one for each.
    pub mean: Channels,
    /// Then multiplied by.
    pub scale: Channels,
}

/// One number for red, green and blue, or one for each.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum Channels {
    /// The same for all.
    Alike(f32),
    /// Red, green, blue.
    Each([f32; 3]),
}

impl Channels {
    /// Red, green, blue.
    #[must_use]
    pub fn rgb(self) -> [f32; 3] {
        match self {
            Self::Alike(value) => [value; 3],
            Self::Each(values) => values,
        }
    }
}

/// The manifest of a heatmap network for one person in a crop.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct KeypointManifest {
    /// The file.
    #[serde(flatten)]
    pub network: NetworkFile,
    /// What goes in.
    pub input: CropInput,
    /// What comes out.
    pub output: KeypointOutputs,
    /// How a heatmap becomes a point.
    pub decoding: Decoding,
    /// What the heatmaps mean.
    pub keypoints: Keypoints,
}

/// The crop that a keypoint network takes.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct CropInput {
    /// How it is written.
    #[serde(flatten)]
    pub values: Normalisation,
    /// Width, pixels.
    pub width_px: usize,
    /// Height, pixels.
    pub height_px: usize,
    /// Share of the crop that the box round the joints should fill in the tighter direction.
    #[serde(default = "usual_person_share")]
    pub person_share: f64,
}

/// Names of a keypoint network's outputs.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(default)]
pub struct KeypointOutputs {
    /// Heatmap logits `[n, K, rows, columns]`.
    pub heatmap: String,
    /// Natural logarithm of the standard deviation of each coordinate, input pixels, `[n, K]`.
    pub log_sigma: Option<String>,
    /// Logit of the probability that the point is visible, `[n, K]`.
    pub visible: Option<String>,
    /// Offsets within a cell, `[n, 2K, rows, columns]`, y and x of each keypoint in turn, in cells.
    pub offset: Option<String>,
    /// Logits of people's middles, `[n, 1, rows, columns]`.
    pub center: Option<String>,
    /// From a person's middle cell to each keypoint, `[n, 2K, rows, columns]`, y and x in turn, in cells.
    pub regress: Option<String>,
}

/// How a heatmap becomes a point.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Decoding {
    /// The method.
    pub kind: DecodingKind,
    /// Input pixels per heatmap cell.
    pub stride_px: usize,
    /// The input pixel in the middle of the first cell; the middle of the cell's pixels unless given.
    #[serde(default)]
    pub cell_offset_px: Option<f64>,
    /// Cells per side of the window of `heatmap-argmax-window-mean`, odd.
    #[serde(default = "usual_window_cells")]
    pub window_cells: usize,
    /// Multiplies the standard deviation (calibration against known errors).
    #[serde(default = "usual_sigma_factor")]
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
pub enum DecodingKind {
    /// Highest cell, then the mean of the cells round it weighted by the exponential of their logits.
    #[serde(rename = "heatmap-argmax-window-mean")]
    WindowMean,
    /// Highest cell plus the offset that another output gives there.
    #[serde(rename = "heatmap-argmax-offset")]
    Offset,
    /// The best middle of a person near the crop's middle says where each keypoint is expected; then the highest cell
    /// weighted by nearness to that place, plus the offset there.
    #[serde(rename = "heatmap-centre-offset")]
    CentreOffset,
    /// Middle of the highest cell.
    #[serde(rename = "heatmap-argmax")]
    Argmax,
}

/// What the heatmaps mean.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Keypoints {
    /// The network's keypoints in the order of its heatmaps.
    pub names: Vec<String>,
    /// The network's name for a keypoint -> ours. Without the table the names are taken as ours. Keypoints without a
    /// partner are ignored, our joints without a partner are missing.
    #[serde(default)]
    pub map: Option<BTreeMap<String, String>>,
}

fn usual_person_share() -> f64 {
    0.8
}

fn usual_window_cells() -> usize {
    5
}

fn usual_sigma_factor() -> f64 {
    1.0
}

/// A manifest of either kind.
pub(super) trait Manifest: DeserializeOwned {
    /// The kind that it must be.
    const KIND: NetworkKind;

    /// What it says of the file.
    fn network(&self) -> &NetworkFile;

    /// How the input is written.
    fn values(&self) -> &Normalisation;

    /// Bounds of all values, and that they fit each other.
    fn check(&self) -> Result<(), ManifestError>;

    /// Reads and checks a manifest.
    fn parse(text: &str) -> Result<Self, ManifestError> {
        let file: NetworkFile = toml::from_str(text)?;
        if file.kind != Self::KIND {
            return Err(ManifestError::Kind {
                found: file.kind,
                expected: Self::KIND,
            });
        }
        let manifest: Self = toml::from_str(text)?;
        for scale in manifest.values().scale.rgb() {
            bounds(
                "input.scale",
                f64::from(scale),
                scale > 0.0 && scale.is_finite(),
                "above 0",
            )?;
        }
        manifest.check()?;
        Ok(manifest)
    }
}

impl Manifest for KeypointManifest {
    const KIND: NetworkKind = NetworkKind::Keypoints;

    fn network(&self) -> &NetworkFile {
        &self.network
    }

    fn values(&self) -> &Normalisation {
        &self.input.values
    }

    fn check(&self) -> Result<(), ManifestError> {
        let (input, output, decoding) = (&self.input, &self.output, &self.decoding);
        whole("input.width_px", input.width_px, 16, 2048, "16 to 2048")?;
        whole("input.height_px", input.height_px, 16, 2048, "16 to 2048")?;
        let share = input.person_share;
        bounds(
            "input.person_share",
            share,
            (0.2..=1.0).contains(&share),
            "0.2 to 1",
        )?;
        whole("decoding.stride_px", decoding.stride_px, 1, 64, "1 to 64")?;
        let window = decoding.window_cells;
        bounds(
            "decoding.window_cells",
            window as f64,
            window % 2 == 1 && window < 32,
            "odd and below 32",
        )?;
        let factor = decoding.sigma_factor;
        bounds(
            "decoding.sigma_factor",
            factor,
            factor > 0.0 && factor.is_finite(),
            "above 0",
        )?;
        let fixed = decoding.fixed_sigma_px.unwrap_or(1.0);
        bounds(
            "decoding.fixed_sigma_px",
            fixed,
            fixed > 0.0 && fixed.is_finite(),
            "above 0",
        )?;
        let centre = decoding.kind == DecodingKind::CentreOffset;
        let offset = centre || decoding.kind == DecodingKind::Offset;
        let sigma = output.log_sigma.is_some() || decoding.fixed_sigma_px.is_some();
        for (wanted, given, needed) in [
            (true, !output.heatmap.is_empty(), "output.heatmap"),
            (true, sigma, "output.log_sigma or decoding.fixed_sigma_px"),
            (offset, output.offset.is_some(), "output.offset"),
            (centre, output.center.is_some(), "output.center"),
            (centre, output.regress.is_some(), "output.regress"),
        ] {
            if wanted && !given {
                return Err(ManifestError::NotGiven { needed });
            }
        }
        self.keypoints.joints().map(|_| ())
    }
}

impl Keypoints {
    /// Our joint of each of the network's keypoints, in the network's order.
    ///
    /// # Errors
    /// [`ManifestError`] when the table of names does not fit.
    pub fn joints(&self) -> Result<Vec<Option<Joint>>, ManifestError> {
        let mut joints = Vec::with_capacity(self.names.len());
        match &self.map {
            None => joints.extend(self.names.iter().map(|name| name.parse::<Joint>().ok())),
            Some(map) => {
                if let Some(name) = map.keys().find(|name| !self.names.contains(name)) {
                    return Err(ManifestError::UnknownKeypoint { name: name.clone() });
                }
                for keypoint in &self.names {
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

/// A count within bounds.
pub(super) fn whole(
    key: &'static str,
    found: usize,
    least: usize,
    most: usize,
    said: &'static str,
) -> Result<(), ManifestError> {
    bounds(key, found as f64, (least..=most).contains(&found), said)
}

/// A bound that holds, or the error that names it.
pub(super) fn bounds(
    key: &'static str,
    found: f64,
    right: bool,
    bounds: &'static str,
) -> Result<(), ManifestError> {
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
        file = "general.onnx"
        sha256 = "00"
        licence = "Apache-2.0"
        unknown_key = "is ignored"
        [input]
        name = "image"
        mean = [123.0, 117.0, 104.0]
        scale = 0.0078
        width_px = 192
        height_px = 256
        [output]
        heatmap = "heat"
        [decoding]
        kind = "heatmap-argmax"
        stride_px = 4
        fixed_sigma_px = 4.0
        [keypoints]
        names = ["nose", "left_ankle", "tail"]
        "#;

    #[test]
    fn names_are_ours_unless_a_map_says_otherwise() {
        let plain = KeypointManifest::parse(GENERAL).unwrap();
        let joints = plain.keypoints.joints().unwrap();
        assert_eq!(joints, [Some(Joint::Nose), Some(Joint::LeftAnkle), None]);
        assert_eq!(plain.input.values.mean.rgb(), [123.0, 117.0, 104.0]);
        assert_eq!(plain.input.values.scale.rgb(), [0.0078; 3]);
        let mapped =
            KeypointManifest::parse(&format!("{GENERAL}\n[keypoints.map]\ntail = \"left_heel\"")).unwrap();
        assert_eq!(
            mapped.keypoints.joints().unwrap(),
            [None, None, Some(Joint::LeftHeel)]
        );
    }

    #[test]
    fn what_is_wrong_is_named() {
        let cases = [
            ("file =", "kind = \"locator\"\nfile =", "another kind (Locator)"),
            (
                "stride_px = 4",
                "stride_px = 0",
                "decoding.stride_px is 0; it must be 1 to 64",
            ),
            ("fixed_sigma_px = 4.0", "", "output.log_sigma"),
            (
                "\"heatmap-argmax\"",
                "\"heatmap-argmax-offset\"",
                "needs output.offset",
            ),
            (
                "\"heatmap-argmax\"",
                "\"heatmap-centre-offset\"",
                "needs output.offset",
            ),
            ("\"heatmap-argmax\"", "\"magic\"", "unknown variant `magic`"),
            ("heatmap = \"heat\"", "", "needs output.heatmap"),
            ("height_px = 256", "", "missing field `height_px`"),
            ("scale = 0.0078", "scale = 0.0", "input.scale is 0"),
            (
                "\"nose\", \"left_ankle\", \"tail\"",
                "\"tail\"",
                "[keypoints.map]",
            ),
            ("\"tail\"", "\"nose\"", "joint 'nose' twice"),
        ];
        for (right, wrong, said) in cases {
            let text = GENERAL.replacen(right, wrong, 1);
            let message = KeypointManifest::parse(&text).unwrap_err().to_string();
            assert!(message.contains(said), "{wrong}: {message}");
        }
        for (map, said) in [("ear = \"nose\"", "'ear'"), ("tail = \"fin\"", "'fin'")] {
            let text = format!("{GENERAL}\n[keypoints.map]\n{map}");
            let message = KeypointManifest::parse(&text).unwrap_err().to_string();
            assert!(message.contains(said), "{message}");
        }
    }
}
