//! A region of a picture becomes a network's input; the way back to picture pixels is remembered.
//!
//! Resampling is separable with a triangle filter as wide as the shrinking asks for (bilinear when enlarging), so fine
//! patterns do not alias into the small crop. Beyond the picture's edges the nearest pixel is repeated.

use super::manifest::Normalisation;
use crate::geometry::PixelPoint;
use crate::picture::{Grey, Picture, Region};

/// The way between the pixels of a network's input and those of the picture it was cut from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CropTransform {
    region: Region,
    width_px: usize,
    height_px: usize,
}

impl CropTransform {
    /// The input of the given size shows the region.
    #[must_use]
    pub fn new(region: Region, width_px: usize, height_px: usize) -> Self {
        Self {
            region,
            width_px,
            height_px,
        }
    }

    /// Picture pixels per input pixel, along x and y.
    #[must_use]
    pub fn scale(&self) -> (f64, f64) {
        (
            self.region.width_px / self.width_px as f64,
            self.region.height_px / self.height_px as f64,
        )
    }

    /// A point of the input, as a point of the picture; (0, 0) is the centre of the top left pixel in both.
    #[must_use]
    pub fn to_picture(&self, x_px: f64, y_px: f64) -> PixelPoint {
        let (sx, sy) = self.scale();
        PixelPoint::new(
            self.region.left_px + (x_px + 0.5) * sx - 0.5,
            self.region.top_px + (y_px + 0.5) * sy - 0.5,
        )
    }

    /// A point of the picture, as a point of the input.
    #[must_use]
    pub fn to_input(&self, p: PixelPoint) -> (f64, f64) {
        let (sx, sy) = self.scale();
        (
            (p.x_px + 0.5 - self.region.left_px) / sx - 0.5,
            (p.y_px + 0.5 - self.region.top_px) / sy - 0.5,
        )
    }
}

/// Writes the region, resampled and normalised, as one `[3, height, width]` slice of a network's input.
///
/// `tensor` must have `3 * width * height` places; the size is that of the transform.
pub(super) fn write_crop(
    picture: &Picture,
    crop: &CropTransform,
    values: &Normalisation,
    tensor: &mut [f32],
) {
    let (width, height) = (crop.width_px, crop.height_px);
    let Region {
        left_px,
        top_px,
        width_px,
        height_px,
    } = crop.region;
    let full = |plane: &Grey, share: f64| {
        let x = axis_taps(left_px * share, width_px * share, width, plane.width);
        let y = axis_taps(top_px * share, height_px * share, height, plane.height);
        resample(plane, &x, &y)
    };
    // A chroma sample lies in the middle of the luma pixels it serves, so edges of regions scale by one half exactly.
    let luma = full(&picture.luma, 1.0);
    let cb = full(&picture.cb, 0.5);
    let cr = full(&picture.cr, 0.5);
    let (mean, scale) = (values.mean.rgb(), values.scale.rgb());
    let (red, rest) = tensor.split_at_mut(width * height);
    let (green, blue) = rest.split_at_mut(width * height);
    for i in 0..width * height {
        let [r, g, b] = picture.rgb_of(luma[i], cb[i], cr[i]);
        red[i] = (r - mean[0]) * scale[0];
        green[i] = (g - mean[1]) * scale[1];
        blue[i] = (b - mean[2]) * scale[2];
    }
}

/// The source pixels of one output pixel along one axis, with weights that sum to one.
struct Taps {
    first: usize,
    weights: Vec<f32>,
}

fn axis_taps(start: f64, length: f64, outputs: usize, sources: usize) -> Vec<Taps> {
    let step = length / outputs as f64;
    let radius = step.max(1.0);
    let last = sources.saturating_sub(1) as f64;
    (0..outputs)
        .map(|i| {
            let centre = start + (i as f64 + 0.5) * step - 0.5;
            let (low, high) = ((centre - radius).ceil(), (centre + radius).floor());
            let first = low.clamp(0.0, last) as usize;
            let end = high.clamp(0.0, last) as usize;
            let mut weights = vec![0.0_f32; end - first + 1];
            let mut total = 0.0_f32;
            let mut at = low;
            while at <= high {
                let weight = (1.0 - (at - centre).abs() / radius).max(0.0) as f32;
                weights[at.clamp(0.0, last) as usize - first] += weight;
                total += weight;
                at += 1.0;
            }
            for weight in &mut weights {
                *weight /= total;
            }
            Taps { first, weights }
        })
        .collect()
}

fn resample(plane: &Grey, columns: &[Taps], rows: &[Taps]) -> Vec<f32> {
    let width = columns.len();
    let first = columns.iter().map(|t| t.first).min().unwrap_or(0);
    let end = columns
        .iter()
        .map(|t| t.first + t.weights.len())
        .max()
        .unwrap_or(0);
    let mut row = vec![0.0_f32; end - first];
    let mut out = vec![0.0_f32; width * rows.len()];
    for (line, taps) in out.chunks_exact_mut(width).zip(rows) {
        row.fill(0.0);
        for (y, weight) in (taps.first..).zip(&taps.weights) {
            let source = &plane.data[y * plane.width + first..y * plane.width + end];
            for (value, pixel) in row.iter_mut().zip(source) {
                *value += f32::from(*pixel) * weight;
            }
        }
        for (value, taps) in line.iter_mut().zip(columns) {
            let pixels = &row[taps.first - first..][..taps.weights.len()];
            *value = pixels.iter().zip(&taps.weights).map(|(p, w)| p * w).sum();
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::manifest::Channels;
    use crate::picture::ColourMatrix;
    use proptest::prelude::*;

    fn plain() -> Normalisation {
        Normalisation {
            name: "image".to_owned(),
            mean: Channels::Alike(0.0),
            scale: Channels::Alike(1.0),
        }
    }

    fn grey_picture(width: usize, height: usize, value: impl Fn(usize, usize) -> u8) -> Picture {
        let data = (0..width * height).map(|i| value(i % width, i / width)).collect();
        Picture {
            luma: Grey { width, height, data },
            cb: Grey::filled(width.div_ceil(2), height.div_ceil(2), 128),
            cr: Grey::filled(width.div_ceil(2), height.div_ceil(2), 128),
            full_range: true,
            matrix: ColourMatrix::Bt709,
        }
    }

    proptest! {
        #[test]
        fn there_and_back_is_the_same_point(
            left in -500.0..1500.0_f64, top in -500.0..900.0_f64, width in 20.0..900.0_f64, height in 20.0..900.0_f64,
            x in -50.0..300.0_f64, y in -50.0..300.0_f64,
        ) {
            let region = Region { left_px: left, top_px: top, width_px: width, height_px: height };
            let crop = CropTransform::new(region, 192, 256);
            let (x_back, y_back) = crop.to_input(crop.to_picture(x, y));
            prop_assert!((x - x_back).abs() < 1e-9 && (y - y_back).abs() < 1e-9);
        }
    }

    #[test]
    fn the_whole_picture_at_its_own_size_is_unchanged() {
        let picture = grey_picture(24, 32, |x, y| (x * 7 + y * 3) as u8);
        let region = Region {
            left_px: 0.0,
            top_px: 0.0,
            width_px: 24.0,
            height_px: 32.0,
        };
        let mut tensor = vec![0.0; 3 * 24 * 32];
        write_crop(
            &picture,
            &CropTransform::new(region, 24, 32),
            &plain(),
            &mut tensor,
        );
        for (i, value) in tensor[..24 * 32].iter().enumerate() {
            assert!((value - f32::from(picture.luma.data[i])).abs() < 1e-3);
        }
    }

    /// A ramp has the same brightness at the same place before and after, so the ramp measures the transform: the
    /// resampler and `to_picture` must agree on where an input pixel lies.
    #[test]
    fn resampling_and_the_way_back_agree_on_a_ramp() {
        let picture = grey_picture(250, 200, |x, y| (x as f64 * 0.61 + y as f64 * 0.47).round() as u8);
        for (width, height) in [(120.0, 160.0), (48.0, 64.0), (15.0, 20.0)] {
            let region = Region {
                left_px: 60.3,
                top_px: 20.7,
                width_px: width,
                height_px: height,
            };
            let crop = CropTransform::new(region, 24, 32);
            let mut tensor = vec![0.0; 3 * 24 * 32];
            write_crop(&picture, &crop, &plain(), &mut tensor);
            let mut bias = 0.0;
            for y in 2..30 {
                for x in 2..22 {
                    let p = crop.to_picture(x as f64, y as f64);
                    bias += f64::from(tensor[y * 24 + x]) - (p.x_px * 0.61 + p.y_px * 0.47);
                }
            }
            // A shift of half an input pixel would be 0.2 to 2.7 grey levels.
            assert!((bias / (28.0 * 20.0)).abs() < 0.05, "{width}: {bias}");
        }
    }

    #[test]
    fn a_fine_pattern_becomes_grey_instead_of_aliasing() {
        let picture = grey_picture(240, 320, |x, _| if x % 2 == 0 { 0 } else { 200 });
        let region = Region {
            left_px: 0.0,
            top_px: 0.0,
            width_px: 240.0,
            height_px: 320.0,
        };
        let mut tensor = vec![0.0; 3 * 96 * 128];
        write_crop(
            &picture,
            &CropTransform::new(region, 96, 128),
            &plain(),
            &mut tensor,
        );
        let line = &tensor[96 * 64 + 4..96 * 64 + 92];
        assert!(line.iter().all(|v| (v - 100.0).abs() < 20.0), "{line:?}");
    }

    #[test]
    fn a_region_outside_the_picture_repeats_the_edge() {
        let picture = grey_picture(16, 16, |x, _| if x == 0 { 40 } else { 200 });
        let region = Region {
            left_px: -300.0,
            top_px: -20.0,
            width_px: 30.0,
            height_px: 40.0,
        };
        let mut tensor = vec![0.0; 3 * 24 * 32];
        write_crop(
            &picture,
            &CropTransform::new(region, 24, 32),
            &plain(),
            &mut tensor,
        );
        assert!(tensor.iter().all(|v| (v - 40.0).abs() < 1e-3));
    }
}
