//! The set: sky, trees, fence, grass, a mound of dirt with its rubber, and the sun.
//!
//! The ground is level (y = 0) on the mound's plateau, where the athlete stands, strides and lands, and falls away to
//! the grass around it.

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::scene::material::{Colour, mixed, noise2, rough2, scaled, srgb};

/// Middle of the plateau, x, metres.
const PLATEAU_X_M: f32 = 0.75;
/// Radius of the level ground, metres.
const PLATEAU_RADIUS_M: f32 = 2.3;
/// Width of the slope around it, metres.
const SLOPE_M: f32 = 1.6;
/// How much lower the grass lies, metres.
const DROP_M: f32 = 0.16;
/// Half length (z) and depth (x) of the rubber, metres: 24 by 6 inches (Official Baseball Rules 2.04, from memory).
const RUBBER_M: (f32, f32) = (0.305, 0.152);

/// Where things stand and how they are lit.
#[derive(Clone, Debug)]
pub struct Stage {
    /// Toward the sun, of unit length.
    pub sun: Vector3<f32>,
    /// Light of the sun on a surface that faces it.
    pub sun_light: Colour,
    /// Light of the whole sky on a surface that faces up.
    pub sky_light: Colour,
    fence_x_m: (f32, f32),
    fence_z_m: (f32, f32),
    fence_height_m: f32,
    windscreen: Colour,
    grass: Colour,
    dirt: Colour,
    haze: f32,
    seed: u32,
}

impl Stage {
    /// A field drawn from a seed.
    #[must_use]
    pub fn seeded(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x57A6_E000);
        let elevation = rng.random_range(0.65..1.1_f32);
        let azimuth = rng.random_range(0.0..std::f32::consts::TAU);
        let warm = rng.random_range(0.0..1.0_f32);
        Self {
            sun: Vector3::new(
                elevation.cos() * azimuth.cos(),
                elevation.sin(),
                elevation.cos() * azimuth.sin(),
            ),
            sun_light: mixed([0.98, 0.96, 0.90], [1.05, 0.92, 0.76], warm),
            sky_light: mixed([0.40, 0.45, 0.54], [0.46, 0.48, 0.52], warm),
            fence_x_m: (rng.random_range(-17.0..-11.0), rng.random_range(19.0..24.0)),
            fence_z_m: (rng.random_range(-16.0..-11.0), rng.random_range(11.0..16.0)),
            fence_height_m: rng.random_range(2.0..3.0),
            windscreen: srgb([0x1F4A35, 0x23395C, 0x3A3D40][rng.random_range(0..3)]),
            grass: srgb([0x5E8C3C, 0x6F9140, 0x4F7F3B][rng.random_range(0..3)]),
            dirt: srgb([0xA8764C, 0xB58A5E, 0x94603C][rng.random_range(0..3)]),
            haze: rng.random_range(0.0..0.6),
            seed: rng.random(),
        }
    }

    /// Height of the ground, metres.
    #[must_use]
    pub fn ground_m(&self, x: f32, z: f32) -> f32 {
        let out = (from_plateau_m(x, z) - PLATEAU_RADIUS_M) / SLOPE_M;
        let t = out.clamp(0.0, 1.0);
        -DROP_M * t * t * (3.0 - 2.0 * t)
    }

    /// Where a line along the sun's rays meets the ground: the shadow of a point.
    #[must_use]
    pub fn shadow_of(&self, p: Vector3<f32>) -> Vector3<f32> {
        let mut foot = p - self.sun * (p.y / self.sun.y);
        for _ in 0..2 {
            let ground = self.ground_m(foot.x, foot.z);
            foot = p - self.sun * ((p.y - ground) / self.sun.y);
        }
        foot
    }

    /// Share of a sunlit level ground's light that is left in shadow, per colour.
    #[must_use]
    pub fn shade(&self) -> Colour {
        std::array::from_fn(|c| {
            let sky = 0.85 * self.sky_light[c]; // the one who casts the shadow also hides some sky
            sky / (self.sky_light[c] + self.sun_light[c] * self.sun.y)
        })
    }

    /// Light on a surface with a normal of unit length; `sunlit` 0..=1.
    #[must_use]
    pub fn light(&self, normal: Vector3<f32>, sunlit: f32) -> Colour {
        let up = 0.5 + 0.5 * normal.y;
        let direct = normal.dot(&self.sun).max(0.0) * sunlit;
        std::array::from_fn(|c| {
            let bounce = 0.28 * self.dirt[c] * (self.sun_light[c] * self.sun.y + self.sky_light[c]);
            self.sky_light[c] * up + bounce * (1.0 - up) + self.sun_light[c] * direct
        })
    }

    /// Light that comes along a ray of unit length.
    #[must_use]
    pub fn radiance(&self, eye: Vector3<f32>, ray: Vector3<f32>) -> Colour {
        let wall = self.fence_distance(eye, ray);
        if ray.y < 0.0 {
            let distance = self.ground_distance(eye, ray);
            if distance < wall {
                return self.ground_colour(eye + ray * distance, distance);
            }
        }
        self.fence_or_beyond(eye, ray, wall)
    }

    /// Distance along the ray to the first wall of the fence.
    fn fence_distance(&self, eye: Vector3<f32>, ray: Vector3<f32>) -> f32 {
        let to = |at: f32, from: f32, speed: f32| {
            let t = (at - from) / speed;
            if t.is_finite() && t > 0.0 { t } else { f32::MAX }
        };
        let x = if ray.x > 0.0 {
            self.fence_x_m.1
        } else {
            self.fence_x_m.0
        };
        let z = if ray.z > 0.0 {
            self.fence_z_m.1
        } else {
            self.fence_z_m.0
        };
        to(x, eye.x, ray.x).min(to(z, eye.z, ray.z))
    }

    fn ground_distance(&self, eye: Vector3<f32>, ray: Vector3<f32>) -> f32 {
        let (mut near, mut far) = (-eye.y / ray.y, -(eye.y + DROP_M) / ray.y);
        let above = |d: f32| {
            let p = eye + ray * d;
            p.y - self.ground_m(p.x, p.z)
        };
        if above(near) <= 1e-5 {
            return near;
        }
        if above(far - 1e-3) > 0.0 {
            return far;
        }
        for _ in 0..12 {
            let middle = (near + far) / 2.0;
            if above(middle) > 0.0 {
                near = middle;
            } else {
                far = middle;
            }
        }
        (near + far) / 2.0
    }

    fn ground_colour(&self, p: Vector3<f32>, distance: f32) -> Colour {
        let step = 0.02;
        let normal = Vector3::new(
            self.ground_m(p.x - step, p.z) - self.ground_m(p.x + step, p.z),
            2.0 * step,
            self.ground_m(p.x, p.z - step) - self.ground_m(p.x, p.z + step),
        )
        .normalize();
        let light = self.light(normal, 1.0);
        if p.x <= 0.0 && p.x >= -RUBBER_M.1 && p.z.abs() <= RUBBER_M.0 {
            let worn = 0.72 + 0.14 * noise2(p.x * 40.0, p.z * 40.0, self.seed);
            return lit(scaled([1.0, 0.99, 0.96], worn), light);
        }
        // Fine grain fades with distance: it would only flicker.
        let fine = 1.0 / (1.0 + 0.05 * distance * distance);
        let edge = PLATEAU_RADIUS_M + SLOPE_M * 0.92 + 0.35 * (noise2(p.x * 2.0, p.z * 2.0, self.seed) - 0.5);
        let out = from_plateau_m(p.x, p.z) - edge;
        let paint = if out < 0.0 {
            let broad = rough2(p.x * 1.3, p.z * 1.3, 3, self.seed ^ 7) - 0.5;
            let grain = rough2(p.x * 30.0, p.z * 30.0, 3, self.seed ^ 8) - 0.5;
            scaled(
                self.dirt,
                0.86 + 0.35 * broad + 0.45 * grain * (0.35 + 0.65 * fine),
            )
        } else {
            let mown = if (p.x / 2.4).rem_euclid(2.0) < 1.0 {
                0.94
            } else {
                1.06
            };
            let broad = rough2(p.x * 0.6, p.z * 0.6, 3, self.seed ^ 9) - 0.5;
            let blades = rough2(p.x * 24.0, p.z * 24.0, 3, self.seed ^ 10) - 0.5;
            let colour = scaled(self.grass, mown * (0.80 + 0.35 * broad + 0.8 * blades * fine));
            mixed(self.dirt, colour, (out / 0.06).min(1.0))
        };
        lit(paint, light)
    }

    fn fence_or_beyond(&self, eye: Vector3<f32>, ray: Vector3<f32>, wall: f32) -> Colour {
        let p = eye + ray * wall;
        let across = if (p.x - self.fence_x_m.0).abs() < 0.01 || (p.x - self.fence_x_m.1).abs() < 0.01 {
            p.z
        } else {
            p.x
        };
        let up = p.y + DROP_M;
        let shade = scaled(self.sky_light, 0.8);
        let front: Colour = std::array::from_fn(|c| shade[c] + 0.35 * self.sun_light[c]);
        if up < self.fence_height_m {
            let post = (across / 3.0).rem_euclid(1.0);
            if post < 0.022 || (self.fence_height_m - up) < 0.06 {
                return lit([0.42, 0.43, 0.44], front);
            }
            if up < self.fence_height_m * 0.72 {
                let billow = 0.85 + 0.3 * noise2(across * 0.9, up * 0.8, self.seed ^ 3);
                return lit(scaled(self.windscreen, billow), front);
            }
            // Wire: from here it is a veil over what lies behind.
            return mixed(self.beyond(ray), lit([0.40, 0.41, 0.42], front), 0.22);
        }
        self.beyond(ray)
    }

    /// Trees and sky behind the fence.
    fn beyond(&self, ray: Vector3<f32>) -> Colour {
        let azimuth = ray.z.atan2(ray.x) * 20.0;
        let elevation = ray.y / ray.x.hypot(ray.z);
        let tops = 0.13 + 0.14 * rough2(azimuth * 0.45, 3.7, 5, self.seed ^ 5);
        let haze: Colour = [0.60, 0.68, 0.80];
        if elevation < tops {
            let leaves = rough2(azimuth * 9.0, elevation * 180.0, 4, self.seed ^ 6);
            let crown = noise2(azimuth * 1.1, elevation * 20.0, self.seed ^ 16);
            let tree = scaled(
                srgb(0x4A6E34),
                0.15 + 1.5 * (leaves - 0.3).max(0.0) * (0.4 + crown) + 0.35 * crown,
            );
            return mixed(tree, haze, 0.05 + 0.15 * self.haze);
        }
        let height = (elevation * 1.2).clamp(0.0, 1.0);
        let sky = mixed(
            [0.68, 0.78, 0.92],
            [0.22, 0.42, 0.80],
            height * (1.0 - 0.5 * self.haze),
        );
        let cloud = rough2(azimuth * 0.16, elevation * 5.0, 5, self.seed ^ 11);
        mixed(sky, [0.95, 0.95, 0.96], ((cloud - 0.52) * 4.0).clamp(0.0, 0.9))
    }
}

/// Distance of a place from the middle of the plateau.
fn from_plateau_m(x: f32, z: f32) -> f32 {
    let x = x - PLATEAU_X_M;
    (x * x + z * z).sqrt()
}

fn lit(paint: Colour, light: Colour) -> Colour {
    std::array::from_fn(|c| paint[c] * light[c])
}
