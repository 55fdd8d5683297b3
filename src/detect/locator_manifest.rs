//! The manifest of a network that finds people in a whole picture.

use serde::Deserialize;

use super::error::ManifestError;
use super::manifest::{Manifest, NetworkFile, NetworkKind, Normalisation, bounds, whole};

/// The manifest of a network that finds people's boxes by a map of their centres.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct LocatorManifest {
    /// The file.
    #[serde(flatten)]
    pub network: NetworkFile,
    /// What goes in.
    pub input: WholeInput,
    /// What comes out.
    pub output: LocatorOutputs,
    /// How the maps are read.
    pub decoding: LocatorDecoding,
}

/// The picture that a locator takes.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct WholeInput {
    /// How it is written.
    #[serde(flatten)]
    pub values: Normalisation,
    /// The picture's longer side is brought to this many pixels.
    pub longest_px: usize,
    /// Both sides are enlarged to a multiple of this.
    pub multiple_px: usize,
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

/// How a locator's maps are read.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct LocatorDecoding {
    /// Input pixels per cell.
    pub stride_px: usize,
    /// A centre with a lower probability is not a person.
    pub least_score: f64,
}

impl Manifest for LocatorManifest {
    const KIND: NetworkKind = NetworkKind::Locator;

    fn network(&self) -> &NetworkFile {
        &self.network
    }

    fn values(&self) -> &Normalisation {
        &self.input.values
    }

    fn check(&self) -> Result<(), ManifestError> {
        whole("input.longest_px", self.input.longest_px, 64, 2048, "64 to 2048")?;
        whole("input.multiple_px", self.input.multiple_px, 1, 128, "1 to 128")?;
        whole("decoding.stride_px", self.decoding.stride_px, 1, 64, "1 to 64")?;
        let score = self.decoding.least_score;
        bounds(
            "decoding.least_score",
            score,
            (0.0..1.0).contains(&score),
            "0 to below 1",
        )
    }
}
