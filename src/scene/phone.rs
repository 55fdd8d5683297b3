//! A film phone: its lens, place, shutter, clock and sensor, and the way from light to a coded picture.

use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use crate::geometry::{Camera, CameraFromWorld, PixelPoint, QuarterTurns, Shutter};
use crate::picture::{ColourMatrix, Grey, Picture};
use crate::scene::material::{Colour, hash01};
use crate::scene::moving::BoundsPx;
use crate::scene::raster::ScreenVertex;

/// How a phone's clock runs against the scene's.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhoneClock {
    /// Scene time at PTS 0, seconds.
    pub offset_s: f64,
    /// How much faster scene time runs than the phone's PTS, parts per million.
    pub drift_ppm: f64,
}

impl PhoneClock {
    /// Scene time of an instant on this clock, seconds.
    #[must_use]
    pub fn scene_time_s(&self, pts_s: f64) -> f64 {
        self.offset_s + pts_s * (1.0 + self.drift_ppm * 1e-6)
    }

    /// The instant on this clock of a scene time, seconds.
    #[must_use]
    pub fn pts_s(&self, scene_time_s: f64) -> f64 {
        (scene_time_s - self.offset_s) / (1.0 + self.drift_ppm * 1e-6)
    }
}

/// A sensor's response to light and its noise, as it is after the phone's own processing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Factor on the scene's light; at 1 a white sheet in full sun just saturates.
    pub gain: f32,
    /// Factors on red and blue: what is left of a wrong white balance.
    pub red_blue: (f32, f32),
    /// Noise of a black picture, standard deviation in 8-bit steps.
    pub read_noise: f32,
    /// Growth of the noise's variance per 8-bit step of brightness.
    pub shot_noise: f32,
    /// Loss of light in the picture's corner, 0..1.
    pub vignetting: f32,
}

impl Sensor {
    /// A phone in daylight.
    #[must_use]
    pub fn daylight() -> Self {
        Self {
            gain: 0.85,
            red_blue: (1.0, 1.0),
            read_noise: 1.1,
            shot_noise: 0.010,
            vignetting: 0.18,
        }
    }
}

/// A phone on its tripod, filming.
#[derive(Clone, Debug, PartialEq)]
pub struct FilmPhone {
    /// Lens and picture size, as displayed.
    pub camera: Camera,
    /// Where it stands.
    pub pose: CameraFromWorld,
    /// Frames a second.
    pub rate_hz: f64,
    /// PTS of the first frame, seconds.
    pub first_pts_s: f64,
    /// From the first sensor row's start to the last one's, seconds.
    pub readout_s: f64,
    /// Exposure of a row, seconds.
    pub exposure_s: f64,
    /// How the sensor's rows lie in the displayed picture.
    pub turns: QuarterTurns,
    /// Its clock.
    pub clock: PhoneClock,
    /// Its sensor.
    pub sensor: Sensor,
    /// Seed of its noise.
    pub seed: u64,
}

impl FilmPhone {
    /// PTS of a frame, seconds: the start of row 0.
    #[must_use]
    pub fn frame_pts_s(&self, frame: usize) -> f64 {
        self.first_pts_s + frame as f64 / self.rate_hz
    }

    /// The true timing of this phone, without doubt.
    #[must_use]
    pub fn shutter(&self) -> Shutter {
        Shutter {
            readout_s: self.readout_s,
            readout_sd_s: 0.0,
            exposure_s: self.exposure_s,
            exposure_sd_s: 0.0,
            turns: self.turns,
            width_px: self.camera.width_px,
            height_px: self.camera.height_px,
        }
    }

    /// Scene time at which a pixel of a frame is at the given share (0..=1) of its exposure, seconds.
    #[must_use]
    pub fn pixel_time_s(&self, frame: usize, pixel: PixelPoint, exposure_share: f64) -> f64 {
        let row_start = self.readout_s * self.shutter().row_share(pixel);
        self.clock
            .scene_time_s(self.frame_pts_s(frame) + row_start + exposure_share * self.exposure_s)
    }

    /// Centre of projection, world, metres.
    pub(crate) fn eye(&self) -> Vector3<f32> {
        self.pose.centre().0.cast()
    }

    /// World ray of unit length through a pixel; `None` where the lens has no inverse.
    pub(crate) fn ray(&self, pixel: PixelPoint) -> Option<Vector3<f64>> {
        let n = self.camera.undistort(pixel)?;
        let to_world = self.pose.0.rotation.inverse();
        Some((to_world * Vector3::new(n.x, n.y, 1.0)).normalize())
    }

    /// Single-precision projector of many points.
    pub(crate) fn projector(&self) -> Projector {
        Projector {
            rotation: self.pose.0.rotation.into_inner().cast(),
            translation: self.pose.0.translation_m.cast(),
            focal: (self.camera.fx_px as f32, self.camera.fy_px as f32),
            centre: (self.camera.cx_px as f32, self.camera.cy_px as f32),
            distortion: self.camera.distortion.map(|d| d as f32),
        }
    }
}

/// [`Camera::project`] after [`CameraFromWorld::apply`], in single precision (good to about 0.0005 px).
pub(crate) struct Projector {
    rotation: nalgebra::Matrix3<f32>,
    translation: Vector3<f32>,
    focal: (f32, f32),
    centre: (f32, f32),
    distortion: [f32; 5],
}

impl Projector {
    /// Nearest depth that is drawn, metres.
    const NEAR_M: f32 = 0.2;

    pub(crate) fn project(&self, world: Vector3<f32>) -> ScreenVertex {
        let p = self.rotation * world + self.translation;
        if p.z < Self::NEAR_M {
            return ScreenVertex::default();
        }
        let inverse_depth = 1.0 / p.z;
        let (x, y) = (p.x * inverse_depth, p.y * inverse_depth);
        let [k1, k2, p1, p2, k3] = self.distortion;
        let r2 = x * x + y * y;
        if r2 > 4.0 {
            return ScreenVertex::default(); // far outside: the polynomial folds back there
        }
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        let u = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x);
        let v = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y;
        ScreenVertex {
            x_px: self.focal.0 * u + self.centre.0,
            y_px: self.focal.1 * v + self.centre.1,
            inverse_depth,
        }
    }
}

/// Undistorted, normalised coordinates of all pixels, and how they change within a pixel.
pub(crate) struct PixelRays {
    width: usize,
    rays: Vec<PixelRay>,
}

#[derive(Clone, Copy, Default)]
struct PixelRay {
    at: [f32; 2],
    per_x: [f32; 2],
    per_y: [f32; 2],
}

impl PixelRays {
    pub(crate) fn of(camera: &Camera) -> Self {
        let (width, height) = (camera.width_px as usize, camera.height_px as usize);
        let of_pixel = |i: usize| {
            let pixel = PixelPoint::new((i % width) as f64, (i / width) as f64);
            let at = camera.undistort(pixel)?;
            let back = camera.distort_jacobian(at).try_inverse()?;
            let single = |v: Vector2<f64>| v.map(|c| c as f32).into();
            Some(PixelRay {
                at: single(at),
                per_x: single(back.column(0) / camera.fx_px),
                per_y: single(back.column(1) / camera.fy_px),
            })
        };
        Self {
            width,
            // A lens without an inverse in a corner shows there what lies straight ahead.
            rays: (0..width * height)
                .into_par_iter()
                .map(|i| of_pixel(i).unwrap_or_default())
                .collect(),
        }
    }

    /// Normalised coordinates (x/z, y/z) of a place in a pixel, given from the pixel's centre.
    pub(crate) fn at(&self, x: usize, y: usize, dx: f64, dy: f64) -> (f64, f64) {
        let PixelRay { at, per_x, per_y } = &self.rays[y * self.width + x];
        let k = |i: usize| f64::from(at[i]) + dx * f64::from(per_x[i]) + dy * f64::from(per_y[i]);
        (k(0), k(1))
    }
}

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
