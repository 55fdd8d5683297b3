//! A film phone: its lens, place, shutter, clock and sensor.

use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use crate::geometry::{Camera, CameraFromWorld, PixelPoint, QuarterTurns, Shutter};
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
