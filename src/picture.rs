//! Pictures: one video frame as its planes, independent of any codec.
//!
//! The film studio makes them, the decoder makes them, the detector and the calibration read them.

use crate::geometry::PixelPoint;

/// A grey picture, 8 bits, rows packed without padding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grey {
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// `width * height` values, row by row.
    pub data: Vec<u8>,
}

impl Grey {
    /// A picture of one brightness.
    #[must_use]
    pub fn filled(width: usize, height: usize, value: u8) -> Self {
        Self {
            width,
            height,
            data: vec![value; width * height],
        }
    }

    /// The value at a column and a row inside the picture.
    #[must_use]
    pub fn at(&self, x: usize, y: usize) -> u8 {
        self.data[y * self.width + x]
    }

    /// Bilinear value; coordinates outside are taken at the nearest edge.
    #[must_use]
    pub fn sample(&self, p: PixelPoint) -> f32 {
        sample_plane(&self.data, self.width, self.height, p.x_px as f32, p.y_px as f32)
    }
}

/// How luma and chroma relate to red, green and blue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColourMatrix {
    /// ITU-R BT.601.
    Bt601,
    /// ITU-R BT.709.
    Bt709,
}

/// A colour picture in planar YUV 4:2:0, 8 bits, as displayed (the video's rotation already applied).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Luma, full size.
    pub luma: Grey,
    /// Blue difference, half size rounded up.
    pub cb: Grey,
    /// Red difference, half size rounded up.
    pub cr: Grey,
    /// Whether values span 0..=255 (true) or the broadcast range 16..=235 (false).
    pub full_range: bool,
    /// Which colour matrix made it.
    pub matrix: ColourMatrix,
}

/// An axis-aligned region of a picture, in pixels of that picture; edges may lie outside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Region {
    /// Left edge: x of the left border of the first column (a pixel's centre is half a pixel further in).
    pub left_px: f64,
    /// Top edge.
    pub top_px: f64,
    /// Width.
    pub width_px: f64,
    /// Height.
    pub height_px: f64,
}

impl Picture {
    /// Picture width, pixels.
    #[must_use]
    pub fn width(&self) -> usize {
        self.luma.width
    }

    /// Picture height, pixels.
    #[must_use]
    pub fn height(&self) -> usize {
        self.luma.height
    }

    /// Red, green, blue (0..=255, not rounded) at a point, bilinear; a point outside takes the nearest edge.
    #[must_use]
    pub fn rgb(&self, p: PixelPoint) -> [f32; 3] {
        let (x, y) = (p.x_px as f32, p.y_px as f32);
        // Chroma sited between the two luma columns and rows it serves.
        let (cx, cy) = ((x - 0.5) / 2.0, (y - 0.5) / 2.0);
        let luma = self.luma.sample(p);
        let cb = sample_plane(&self.cb.data, self.cb.width, self.cb.height, cx, cy);
        let cr = sample_plane(&self.cr.data, self.cr.width, self.cr.height, cx, cy);
        self.rgb_of(luma, cb, cr)
    }

    /// Red, green, blue (0..=255, not rounded) of stored luma and chroma values, by this picture's range and matrix.
    #[must_use]
    #[inline]
    pub fn rgb_of(&self, luma: f32, cb: f32, cr: f32) -> [f32; 3] {
        let (luma, chroma_gain) = if self.full_range {
            (luma, 1.0)
        } else {
            ((luma - 16.0) * (255.0 / 219.0), 255.0 / 224.0)
        };
        let (kr, kb) = match self.matrix {
            ColourMatrix::Bt601 => (0.299, 0.114),
            ColourMatrix::Bt709 => (0.2126, 0.0722),
        };
        let (cb, cr) = ((cb - 128.0) * chroma_gain, (cr - 128.0) * chroma_gain);
        let r = luma + 2.0 * (1.0 - kr) * cr;
        let b = luma + 2.0 * (1.0 - kb) * cb;
        let g = (luma - kr * r - kb * b) / (1.0 - kr - kb);
        [r.clamp(0.0, 255.0), g.clamp(0.0, 255.0), b.clamp(0.0, 255.0)]
    }
}

fn sample_plane(data: &[u8], width: usize, height: usize, x: f32, y: f32) -> f32 {
    if width == 0 || height == 0 {
        return 0.0;
    }
    let x = x.clamp(0.0, (width - 1) as f32);
    let y = y.clamp(0.0, (height - 1) as f32);
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(width - 1), (y0 + 1).min(height - 1));
    let (fx, fy) = (x - x0 as f32, y - y0 as f32);
    let v = |xx: usize, yy: usize| f32::from(data[yy * width + xx]);
    let top = v(x0, y0) * (1.0 - fx) + v(x1, y0) * fx;
    let bottom = v(x0, y1) * (1.0 - fx) + v(x1, y1) * fx;
    top * (1.0 - fy) + bottom * fy
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sampling_between_pixels_is_linear() {
        let g = Grey {
            width: 2,
            height: 2,
            data: vec![0, 100, 50, 150],
        };
        assert!((g.sample(PixelPoint::new(0.5, 0.5)) - 75.0).abs() < 1e-4);
        assert!((g.sample(PixelPoint::new(-3.0, 0.0)) - 0.0).abs() < 1e-4);
    }

    #[test]
    fn neutral_chroma_is_grey_and_broadcast_white_is_white() {
        let picture = Picture {
            luma: Grey::filled(4, 4, 235),
            cb: Grey::filled(2, 2, 128),
            cr: Grey::filled(2, 2, 128),
            full_range: false,
            matrix: ColourMatrix::Bt709,
        };
        for channel in picture.rgb(PixelPoint::new(1.3, 2.0)) {
            assert!((channel - 255.0).abs() < 0.01, "{channel}");
        }
    }
}
