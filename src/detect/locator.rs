//! Where people are in a whole picture, by a network that maps the centres of their boxes.

use std::path::Path;

use super::boxes::overlap;
use super::heatmap::probability;
use super::input_tensor::{CropTransform, write_crop};
use super::locator_manifest::LocatorManifest;
use super::runtime::{Network, Output, Runtime};
use super::{DetectError, PersonBox, PersonLocator};
use crate::picture::{Picture, Region};

/// Two boxes that overlap by more (intersection over union) are one person.
const SAME_PERSON_OVERLAP: f64 = 0.5;

/// Cells on each side within which a centre must be the highest.
const PEAK_REACH: usize = 2;

/// A person locator described by a manifest.
pub struct CentreLocator {
    network: Network,
    manifest: LocatorManifest,
}

impl CentreLocator {
    /// Loads the network of a manifest.
    ///
    /// # Errors
    /// [`DetectError`] when a file is missing, changed or does not fit its manifest.
    pub fn load(runtime: &Runtime, manifest: &Path, threads: usize) -> Result<Self, DetectError> {
        let (network, read) = Network::load::<LocatorManifest>(runtime, manifest, threads)?;
        let names = &read.output;
        for output in [&names.center, &names.box_scale, &names.box_offset] {
            network.need_output(output)?;
        }
        Ok(Self {
            network,
            manifest: read,
        })
    }
}

impl PersonLocator for CentreLocator {
    fn locate(&mut self, picture: &Picture) -> Result<Vec<PersonBox>, DetectError> {
        let transform = whole_picture(picture, &self.manifest);
        let (width, height) = (transform.1, transform.2);
        let transform = transform.0;
        let mut tensor = vec![0.0_f32; 3 * width * height];
        write_crop(picture, &transform, &self.manifest.input.values, &mut tensor);
        let names = &self.manifest.output;
        let wanted = [
            (names.center.as_str(), 4),
            (names.box_scale.as_str(), 4),
            (names.box_offset.as_str(), 4),
        ];
        let found = self.network.run([1, 3, height, width], &tensor, &wanted)?;
        for ((output, (name, _)), channels) in found.iter().zip(&wanted).zip([1, 2, 2]) {
            if output.shape[1] != channels || output.shape[2..] != found[0].shape[2..] {
                return Err(DetectError::OutputShape {
                    output: (*name).to_owned(),
                    found: output.shape.clone(),
                    keypoints: channels,
                });
            }
        }
        Ok(read_boxes(
            &found[0],
            &found[1],
            &found[2],
            &self.manifest,
            &transform,
        ))
    }
}

/// The whole picture at the network's size, enlarged to the right and below to a multiple of the network's stride.
fn whole_picture(picture: &Picture, manifest: &LocatorManifest) -> (CropTransform, usize, usize) {
    let longest = picture.width().max(picture.height()).max(1) as f64;
    let scale = longest / manifest.input.longest_px as f64;
    let side = |length: usize| {
        ((length as f64 / scale).ceil() as usize).next_multiple_of(manifest.input.multiple_px)
    };
    let (width, height) = (side(picture.width()), side(picture.height()));
    let region = Region {
        left_px: 0.0,
        top_px: 0.0,
        width_px: width as f64 * scale,
        height_px: height as f64 * scale,
    };
    (CropTransform::new(region, width, height), width, height)
}

fn read_boxes(
    centre: &Output,
    size: &Output,
    offset: &Output,
    manifest: &LocatorManifest,
    transform: &CropTransform,
) -> Vec<PersonBox> {
    let (rows, columns) = (centre.shape[2], centre.shape[3]);
    let cells = rows * columns;
    let (sx, sy) = transform.scale();
    let stride = manifest.decoding.stride_px as f64;
    let mut boxes = Vec::new();
    for cell in 0..cells {
        let score = probability(centre.data[cell]);
        if score < manifest.decoding.least_score || !is_peak(&centre.data, rows, columns, cell) {
            continue;
        }
        let at = |output: &Output, channel: usize| f64::from(output.data[channel * cells + cell]);
        let (height, width) = (at(size, 0) * stride * sy, at(size, 1) * stride * sx);
        let middle_y = ((cell / columns) as f64 + at(offset, 0)) * stride * sy;
        let middle_x = ((cell % columns) as f64 + at(offset, 1)) * stride * sx;
        if height > 0.0 && width > 0.0 && middle_x.is_finite() && middle_y.is_finite() {
            boxes.push(PersonBox {
                region: Region {
                    left_px: middle_x - width / 2.0,
                    top_px: middle_y - height / 2.0,
                    width_px: width,
                    height_px: height,
                },
                score,
            });
        }
    }
    boxes.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<PersonBox> = Vec::new();
    for person in boxes {
        if kept
            .iter()
            .all(|k| overlap(&k.region, &person.region) <= SAME_PERSON_OVERLAP)
        {
            kept.push(person);
        }
    }
    kept
}

fn is_peak(centre: &[f32], rows: usize, columns: usize, cell: usize) -> bool {
    let (row, column) = (cell / columns, cell % columns);
    let near_rows = row.saturating_sub(PEAK_REACH)..(row + PEAK_REACH + 1).min(rows);
    near_rows.into_iter().all(|i| {
        let near = column.saturating_sub(PEAK_REACH)..(column + PEAK_REACH + 1).min(columns);
        near.into_iter().all(|j| centre[i * columns + j] <= centre[cell])
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::manifest::Manifest;
    use crate::picture::{ColourMatrix, Grey};

    fn manifest() -> LocatorManifest {
        let text = r#"
            kind = "locator"
            file = "m.onnx"
            sha256 = "00"
            licence = "MIT"
            input = { name = "image", mean = 0.0, scale = 1.0, longest_px = 448, multiple_px = 32 }
            output = { center = "c", box_scale = "s", box_offset = "o" }
            decoding = { stride_px = 4, least_score = 0.3 }
            "#;
        LocatorManifest::parse(text).unwrap()
    }

    fn picture(width: usize, height: usize) -> Picture {
        Picture {
            luma: Grey::filled(width, height, 0),
            cb: Grey::filled(width.div_ceil(2), height.div_ceil(2), 128),
            cr: Grey::filled(width.div_ceil(2), height.div_ceil(2), 128),
            full_range: true,
            matrix: ColourMatrix::Bt709,
        }
    }

    #[test]
    fn pictures_of_any_shape_fit_without_distortion() {
        for (width, height, expected) in [
            (1280, 720, (448, 256)),
            (768, 576, (448, 352)),
            (1080, 1920, (256, 448)),
        ] {
            let (transform, w, h) = whole_picture(&picture(width, height), &manifest());
            assert_eq!((w, h), expected);
            assert!((transform.scale().0 - transform.scale().1).abs() < 1e-12);
        }
    }

    /// Two centres of one person give one box, where the maps say; a third, weaker than the least score, gives none.
    #[test]
    fn maps_become_boxes_in_picture_pixels() {
        let (transform, w, h) = whole_picture(&picture(1280, 720), &manifest());
        let (rows, columns) = (h / 4, w / 4);
        let map = |channels: usize, value: f32| Output {
            shape: vec![1, channels, rows, columns],
            data: vec![value; channels * rows * columns],
        };
        let (mut centre, mut size, offset) = (map(1, -9.0), map(2, 0.0), map(2, 0.5));
        for (row, column, logit) in [(20, 30, 2.0), (20, 33, 1.0), (40, 60, -2.0)] {
            let cell = row * columns + column;
            centre.data[cell] = logit;
            size.data[cell] = 30.0;
            size.data[rows * columns + cell] = 12.0;
        }
        let boxes = read_boxes(&centre, &size, &offset, &manifest(), &transform);
        assert_eq!(boxes.len(), 1);
        let scale = 1280.0 / 448.0;
        let region = boxes[0].region;
        assert!((region.left_px - (30.5 - 6.0) * 4.0 * scale).abs() < 1e-9);
        assert!((region.top_px - (20.5 - 15.0) * 4.0 * scale).abs() < 1e-9);
        assert!((region.height_px - 120.0 * scale).abs() < 1e-9);
        assert!((boxes[0].score - 1.0 / (1.0 + (-2.0_f64).exp())).abs() < 1e-6);
    }
}
