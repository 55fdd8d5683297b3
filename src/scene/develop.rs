//! Developing: from the light of a picture through the sensor to coded planes with noise.

use rayon::prelude::*;

use crate::picture::{ColourMatrix, Grey, Picture};
use crate::scene::material::{Colour, hash01};
use crate::scene::moving::BoundsPx;
use crate::scene::phone::{FilmPhone, Sensor};

/// A picture's light before the sensor, red, green, blue, row by row.
#[derive(Clone, Debug)]
pub(crate) struct LightField {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) light: Vec<Colour>,
}

impl LightField {
    /// Fills every pixel, rows in parallel.
    pub(crate) fn from_fn(
        width: usize,
        height: usize,
        value: impl Fn(usize, usize) -> Colour + Sync,
    ) -> Self {
        let mut light = vec![[0.0; 3]; width * height];
        light
            .par_chunks_exact_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                for (x, pixel) in row.iter_mut().enumerate() {
                    *pixel = value(x, y);
                }
            });
        Self { width, height, light }
    }
}

/// Noise-free planes of a picture or of a rectangle of it, in 8-bit steps of the broadcast range.
#[derive(Clone, Debug)]
pub(crate) struct Exposed {
    bounds: Bounds,
    luma: Vec<f32>,
    cb: Vec<f32>,
    cr: Vec<f32>,
}

/// A plane's rectangle: first column and row, columns and rows.
type PlaneBounds = (usize, usize, usize, usize);

impl Exposed {
    fn luma_bounds(&self) -> PlaneBounds {
        let (left, top, right, bottom) = self.bounds;
        (left, top, right - left, bottom - top)
    }

    fn chroma_bounds(&self) -> PlaneBounds {
        let (left, top, right, bottom) = self.bounds;
        (
            left / 2,
            top / 2,
            (right - left).div_ceil(2),
            (bottom - top).div_ceil(2),
        )
    }

    /// A copy of a rectangle.
    fn cut(&self, bounds: Bounds) -> Self {
        let mut out = Self {
            bounds,
            luma: Vec::new(),
            cb: Vec::new(),
            cr: Vec::new(),
        };
        let (luma, chroma) = (out.luma_bounds(), out.chroma_bounds());
        let copy = |plane: &[f32], (left, top, columns, rows): PlaneBounds, width: usize| {
            let mut part = Vec::with_capacity(columns * rows);
            for y in top..top + rows {
                part.extend_from_slice(&plane[y * width + left..y * width + left + columns]);
            }
            part
        };
        out.luma = copy(&self.luma, luma, self.luma_bounds().2);
        out.cb = copy(&self.cb, chroma, self.chroma_bounds().2);
        out.cr = copy(&self.cr, chroma, self.chroma_bounds().2);
        out
    }
}

/// A rectangle of even pixel bounds: `(left, top, right, bottom)`, right and bottom not included.
pub(crate) type Bounds = (usize, usize, usize, usize);

/// Bounds widened to whole pairs of columns and rows, as the chroma planes need.
pub(crate) fn even_bounds(b: BoundsPx, size: (usize, usize)) -> Bounds {
    let low = |v: i32| (v.max(0) as usize) & !1;
    let high = |v: i32, limit: usize| ((v.max(0) as usize + 1) & !1).min(limit);
    (
        low(b.left),
        low(b.top),
        high(b.right, size.0),
        high(b.bottom, size.1),
    )
}

/// Turns light into coded pictures for one phone.
pub(crate) struct Developer {
    sensor: Sensor,
    seed: u64,
    centre: (f32, f32),
    corner2: f32,
    tone: Vec<f32>,
    noise: Vec<f32>,
}

impl Developer {
    const TONE_STEPS: usize = 4096;
    /// Where a row's noise may start in the table.
    const NOISE_STARTS: usize = 1 << 16;

    pub(crate) fn new(phone: &FilmPhone) -> Self {
        let centre = (phone.camera.cx_px as f32, phone.camera.cy_px as f32);
        // The table is entered with the square root of the light, which spreads the dark end.
        let tone = (0..=Self::TONE_STEPS)
            .map(|i| {
                let v = (i as f32 / Self::TONE_STEPS as f32).powi(2);
                if v <= 0.003_130_8 {
                    12.92 * v
                } else {
                    1.055 * v.powf(1.0 / 2.4) - 0.055
                }
            })
            .collect();
        // Sum of four uniform values: near enough to a normal distribution for sensor noise.
        let seed = phone.seed as u32;
        let noise = (0..(Self::NOISE_STARTS + phone.camera.width_px as usize + 1) as i32)
            .map(|i| {
                let sum: f32 = (0..4).map(|k| hash01(i, k, seed)).sum();
                (sum - 2.0) * 3.0_f32.sqrt()
            })
            .collect();
        Self {
            sensor: phone.sensor,
            seed: phone.seed,
            centre,
            corner2: (phone.camera.width_px as f32 / 2.0)
                .hypot(phone.camera.height_px as f32 / 2.0)
                .powi(2),
            tone,
            noise,
        }
    }

    fn tone(&self, light: f32) -> f32 {
        let at = light.clamp(0.0, 1.0).sqrt() * Self::TONE_STEPS as f32;
        let i = (at as usize).min(Self::TONE_STEPS - 1);
        let t = at - i as f32;
        self.tone[i] + (self.tone[i + 1] - self.tone[i]) * t
    }

    fn coded(&self, x: usize, y: usize, light: Colour) -> [f32; 3] {
        let (dx, dy) = (x as f32 - self.centre.0, y as f32 - self.centre.1);
        let fall = 1.0 - self.sensor.vignetting * (dx * dx + dy * dy) / self.corner2;
        let gain = self.sensor.gain * fall;
        [
            self.tone(light[0] * gain * self.sensor.red_blue.0),
            self.tone(light[1] * gain),
            self.tone(light[2] * gain * self.sensor.red_blue.1),
        ]
    }

    /// Develops a rectangle of light anew, over the planes of the whole picture; where `light` is `None` they stay.
    /// Bounds must be even or end at the picture's edge.
    pub(crate) fn expose_patch(
        &self,
        base: &Exposed,
        bounds: Bounds,
        light: impl Fn(usize, usize) -> Option<Colour>,
    ) -> Exposed {
        let mut patch = base.cut(bounds);
        self.expose_into(&mut patch, light);
        patch
    }

    fn expose_into(&self, planes: &mut Exposed, light: impl Fn(usize, usize) -> Option<Colour>) {
        const KR: f32 = 0.2126; // ITU-R BT.709
        const KB: f32 = 0.0722;
        let (left, top, right, bottom) = planes.bounds;
        let (width, half) = (right - left, (right - left).div_ceil(2));
        for y in (top..bottom).step_by(2) {
            for x in (left..right).step_by(2) {
                let (mut cb, mut cr, mut n) = (0.0, 0.0, 0.0);
                for yy in y..(y + 2).min(bottom) {
                    for xx in x..(x + 2).min(right) {
                        let Some(light) = light(xx, yy) else {
                            continue;
                        };
                        let [r, g, b] = self.coded(xx, yy, light);
                        let luma = KR * r + (1.0 - KR - KB) * g + KB * b;
                        planes.luma[(yy - top) * width + xx - left] = 16.0 + 219.0 * luma;
                        cb += (b - luma) / (2.0 * (1.0 - KB));
                        cr += (r - luma) / (2.0 * (1.0 - KR));
                        n += 1.0;
                    }
                }
                if n > 0.0 {
                    let at = (y - top) / 2 * half + (x - left) / 2;
                    planes.cb[at] = 128.0 + 224.0 * cb / n;
                    planes.cr[at] = 128.0 + 224.0 * cr / n;
                }
            }
        }
    }

    /// Develops a whole picture.
    pub(crate) fn expose(&self, field: &LightField) -> Exposed {
        let (w, h) = (field.width, field.height);
        let chroma = w.div_ceil(2) * h.div_ceil(2);
        let mut planes = Exposed {
            bounds: (0, 0, w, h),
            luma: vec![0.0; w * h],
            cb: vec![0.0; chroma],
            cr: vec![0.0; chroma],
        };
        self.expose_into(&mut planes, |x, y| Some(field.light[y * w + x]));
        planes
    }

    /// Lays patches over the whole picture's planes, adds the noise of one frame and rounds to bytes.
    pub(crate) fn picture(&self, base: &Exposed, patches: &[Exposed], frame: usize) -> Picture {
        let plane = |channel: u32, strength: f32, values: &dyn Fn(&Exposed) -> (&[f32], PlaneBounds)| {
            let (whole, (_, _, width, height)) = values(base);
            let mut data = vec![0; width * height];
            let key = (self.seed as u32).wrapping_add(channel.wrapping_mul(77_773));
            let noise_of_row = |y: usize| {
                let start = hash01(frame as i32, y as i32, key) * Self::NOISE_STARTS as f32;
                &self.noise[start as usize..]
            };
            for (y, (out, row)) in data
                .chunks_exact_mut(width)
                .zip(whole.chunks_exact(width))
                .enumerate()
            {
                self.sense(out, row, noise_of_row(y), strength);
            }
            for patch in patches {
                let (part, (left, top, columns, _)) = values(patch);
                for (row, y) in part.chunks_exact(columns.max(1)).zip(top..) {
                    let out = &mut data[y * width + left..y * width + left + columns];
                    self.sense(out, row, &noise_of_row(y)[left..], strength);
                }
            }
            Grey { width, height, data }
        };
        Picture {
            luma: plane(0, 1.0, &|e| (&e.luma, e.luma_bounds())),
            cb: plane(1, 0.5, &|e| (&e.cb, e.chroma_bounds())),
            cr: plane(2, 0.5, &|e| (&e.cr, e.chroma_bounds())),
            full_range: false,
            matrix: ColourMatrix::Bt709,
        }
    }

    /// One row of values with noise, rounded to bytes.
    fn sense(&self, out: &mut [u8], row: &[f32], noise: &[f32], strength: f32) {
        /// Added to a small number, it leaves the number, rounded, in the last bits.
        const ROUND: f32 = 8_388_608.0;
        let read2 = self.sensor.read_noise.powi(2);
        let shot = self.sensor.shot_noise;
        for ((out, &value), &n) in out.iter_mut().zip(row).zip(noise) {
            let noisy = value + (read2 + shot * value).sqrt() * strength * n;
            *out = (noisy.clamp(0.0, 255.0) + ROUND).to_bits() as u8;
        }
    }
}
