//! One person's joints in a crop, by a heatmap network.

use std::path::Path;

use super::heatmap::{Heatmap, Peak, probability};
use super::input_tensor::{CropTransform, write_crop};
use super::manifest::{DecodingKind, KeypointManifest};
use super::runtime::{Network, Output, Runtime};
use super::{Crop, DetectError, Detection, KeypointDetector};
use crate::skeleton::{Joint, PerJoint};
use crate::track::ImageJoint;

/// A joint whose standard deviation is below this share of the crop's height is one that the network is sure of.
const SURE_SHARE: f64 = 0.05;

/// A network of ours, or one that the user brings, described by a manifest.
pub struct HeatmapDetector {
    network: Network,
    manifest: KeypointManifest,
    joints: Vec<Option<Joint>>,
}

/// One output of a network as it gave it, before it is read.
#[derive(Clone, Debug, PartialEq)]
pub struct RawOutput {
    /// Its name in the network.
    pub name: String,
    /// Sizes of its axes; the first counts the crops.
    pub shape: Vec<usize>,
    /// Values, last axis fastest.
    pub values: Vec<f32>,
}

/// A batch's outputs.
struct Outputs {
    heatmap: Output,
    log_sigma: Option<Output>,
    visible: Option<Output>,
    offset: Option<Output>,
    center: Option<Output>,
    regress: Option<Output>,
}

impl HeatmapDetector {
    /// Loads the network of a manifest.
    ///
    /// # Errors
    /// [`DetectError`] when a file is missing, changed or does not fit its manifest.
    pub fn load(runtime: &Runtime, manifest: &Path, threads: usize) -> Result<Self, DetectError> {
        let (network, manifest_read) = Network::load::<KeypointManifest>(runtime, manifest, threads)?;
        let joints = manifest_read
            .keypoints
            .joints()
            .map_err(|source| DetectError::Manifest {
                path: manifest.to_path_buf(),
                source,
            })?;
        for (output, _) in wanted(&manifest_read) {
            network.need_output(output)?;
        }
        Ok(Self {
            network,
            manifest: manifest_read,
            joints,
        })
    }

    /// What the network says of these crops, unread: for checks against other readers.
    ///
    /// # Errors
    /// [`DetectError`] when the network fails.
    pub fn raw_outputs(&mut self, crops: &[Crop<'_>]) -> Result<Vec<RawOutput>, DetectError> {
        let transforms = self.transforms(crops);
        let found = self.found(crops, &transforms)?;
        let named = wanted(&self.manifest).into_iter().zip(found);
        Ok(named
            .map(|((name, _), output)| RawOutput {
                name: name.to_owned(),
                shape: output.shape,
                values: output.data,
            })
            .collect())
    }

    fn transforms(&self, crops: &[Crop<'_>]) -> Vec<CropTransform> {
        let spec = &self.manifest.input;
        let transform = |c: &Crop<'_>| CropTransform::new(c.region, spec.width_px, spec.height_px);
        crops.iter().map(transform).collect()
    }

    fn found(
        &mut self,
        crops: &[Crop<'_>],
        transforms: &[CropTransform],
    ) -> Result<Vec<Output>, DetectError> {
        let (width, height) = (self.manifest.input.width_px, self.manifest.input.height_px);
        let mut tensor = vec![0.0_f32; crops.len() * 3 * width * height];
        for ((crop, transform), slice) in crops
            .iter()
            .zip(transforms)
            .zip(tensor.chunks_exact_mut(3 * width * height))
        {
            write_crop(crop.picture, transform, &self.manifest.input.values, slice);
        }
        self.network
            .run([crops.len(), 3, height, width], &tensor, &wanted(&self.manifest))
    }

    fn run(&mut self, crops: &[Crop<'_>], transforms: &[CropTransform]) -> Result<Outputs, DetectError> {
        let found = self.found(crops, transforms)?;
        let wanted = wanted(&self.manifest);
        let names = &self.manifest.output;
        let keypoints = self.joints.len();
        for (output, (name, axes)) in found.iter().zip(&wanted) {
            let is = |other: &Option<String>| other.as_deref() == Some(*name);
            let channels = match () {
                () if is(&names.offset) || is(&names.regress) => 2 * keypoints,
                () if is(&names.center) => 1,
                () => keypoints,
            };
            if output.shape[1] != channels || (*axes == 4 && output.shape[2..] != found[0].shape[2..]) {
                return Err(DetectError::OutputShape {
                    output: (*name).to_owned(),
                    found: output.shape.clone(),
                    keypoints,
                });
            }
        }
        let mut found = found.into_iter();
        let missing = || DetectError::OutputShape {
            output: names.heatmap.clone(),
            found: Vec::new(),
            keypoints,
        };
        let heatmap = found.next().ok_or_else(missing)?;
        let mut next = |name: &Option<String>| name.as_ref().and_then(|_| found.next());
        Ok(Outputs {
            heatmap,
            log_sigma: next(&names.log_sigma),
            visible: next(&names.visible),
            offset: next(&names.offset),
            center: next(&names.center),
            regress: next(&names.regress),
        })
    }

    fn heatmap<'a>(&self, logits: &'a [f32], columns: usize) -> Heatmap<'a> {
        let stride_px = self.manifest.decoding.stride_px as f64;
        let even = (stride_px - 1.0) / 2.0;
        Heatmap {
            logits,
            columns,
            stride_px,
            cell_offset_px: self.manifest.decoding.cell_offset_px.unwrap_or(even),
        }
    }

    /// Where each keypoint of the person in the middle of a crop is expected, as cell column and row.
    fn expected(&self, outputs: &Outputs, crop: usize) -> Option<Vec<(f64, f64)>> {
        let (center, regress) = (outputs.center.as_ref()?, outputs.regress.as_ref()?);
        let (rows, columns) = (center.shape[2], center.shape[3]);
        let cells = rows * columns;
        let map = self.heatmap(&center.data[crop * cells..][..cells], columns);
        let cell = map.highest_near((columns / 2) as f64, (rows / 2) as f64)?.cell;
        let at =
            |channel: usize| f64::from(regress.data[(crop * 2 * self.joints.len() + channel) * cells + cell]);
        let (column, row) = ((cell % columns) as f64, (cell / columns) as f64);
        let keypoints = 0..self.joints.len();
        Some(
            keypoints
                .map(|k| (column + at(2 * k + 1), row + at(2 * k)))
                .collect(),
        )
    }

    fn peak(
        &self,
        outputs: &Outputs,
        crop: usize,
        keypoint: usize,
        expected: Option<(f64, f64)>,
    ) -> Option<Peak> {
        let decoding = &self.manifest.decoding;
        let columns = outputs.heatmap.shape[3];
        let cells = outputs.heatmap.shape[2] * columns;
        let count = self.joints.len();
        let heatmap = self.heatmap(
            &outputs.heatmap.data[(crop * count + keypoint) * cells..][..cells],
            columns,
        );
        match decoding.kind {
            DecodingKind::Argmax => heatmap.highest(),
            DecodingKind::WindowMean => heatmap.softmax_window(decoding.window_cells),
            DecodingKind::Offset | DecodingKind::CentreOffset => {
                let peak = match expected {
                    Some((column, row)) => heatmap.highest_near(column, row)?,
                    None => heatmap.highest()?,
                };
                let offsets =
                    &outputs.offset.as_ref()?.data[(crop * count + keypoint) * 2 * cells..][..2 * cells];
                heatmap.with_offset(peak, &offsets[..cells], &offsets[cells..])
            }
        }
    }

    fn joint(
        &self,
        outputs: &Outputs,
        crop: usize,
        keypoint: usize,
        peak: Peak,
        transform: &CropTransform,
    ) -> Option<ImageJoint> {
        let decoding = &self.manifest.decoding;
        let peak_probability = probability(peak.logit);
        if peak_probability < decoding.least_peak {
            return None;
        }
        let entry = crop * self.joints.len() + keypoint;
        let sigma_px = match &outputs.log_sigma {
            Some(log_sigma) => f64::from(log_sigma.data[entry]).exp(),
            None => decoding.fixed_sigma_px?,
        };
        let visible = match &outputs.visible {
            Some(logit) => probability(logit.data[entry]),
            None => peak_probability,
        };
        let (sx, sy) = transform.scale();
        let sd_px = sigma_px * decoding.sigma_factor * (sx * sy).sqrt();
        let at = transform.to_picture(peak.x_px, peak.y_px);
        let usable = sd_px.is_finite() && visible.is_finite() && at.x_px.is_finite() && at.y_px.is_finite();
        usable.then_some(ImageJoint { at, sd_px, visible })
    }
}

/// Names of the outputs to ask for, with their number of axes.
fn wanted(manifest: &KeypointManifest) -> Vec<(&str, usize)> {
    let names = &manifest.output;
    let mut wanted = vec![(names.heatmap.as_str(), 4)];
    wanted.extend(names.log_sigma.as_deref().map(|name| (name, 2)));
    wanted.extend(names.visible.as_deref().map(|name| (name, 2)));
    for name in [&names.offset, &names.center, &names.regress] {
        wanted.extend(name.as_deref().map(|name| (name, 4)));
    }
    wanted
}

impl KeypointDetector for HeatmapDetector {
    fn detect(&mut self, crops: &[Crop<'_>]) -> Result<Vec<Detection>, DetectError> {
        if crops.is_empty() {
            return Ok(Vec::new());
        }
        let transforms = self.transforms(crops);
        let outputs = self.run(crops, &transforms)?;
        let given = self.joints.iter().flatten().count() as f64;
        let mut detections = Vec::with_capacity(crops.len());
        for (i, (crop, transform)) in crops.iter().zip(&transforms).enumerate() {
            let mut joints = PerJoint::from_fn(|_| None);
            let expected = self.expected(&outputs, i);
            for (keypoint, joint) in self.joints.iter().enumerate() {
                let place = expected.as_ref().map(|e| e[keypoint]);
                if let Some(joint) = joint
                    && let Some(peak) = self.peak(&outputs, i, keypoint, place)
                {
                    joints[*joint] = self.joint(&outputs, i, keypoint, peak, transform);
                }
            }
            let limit_px = SURE_SHARE * crop.region.height_px;
            let sure =
                PerJoint::from_fn(|j| joints[j].is_some_and(|found: ImageJoint| found.sd_px <= limit_px));
            let sureness = sure.0.iter().filter(|s| **s).count() as f64 / given;
            detections.push(Detection {
                joints,
                sure,
                sureness,
            });
        }
        Ok(detections)
    }

    fn aspect(&self) -> f64 {
        self.manifest.input.width_px as f64 / self.manifest.input.height_px as f64
    }

    fn person_share(&self) -> f64 {
        self.manifest.input.person_share
    }

    fn gives(&self, joint: Joint) -> bool {
        self.joints.contains(&Some(joint))
    }
}
