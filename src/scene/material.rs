//! Colours and patterns of surfaces, in linear light, and the noise that roughens them.

use nalgebra::Vector3;

/// A colour in linear light, red, green, blue; 1 is a white sheet.
pub type Colour = [f32; 3];

/// What a surface is painted with. Patterned ones are functions of the place in rest pose, metres.
#[derive(Clone, Debug)]
pub(crate) enum Material {
    /// One colour.
    Plain(Colour),
    /// Cloth: a colour with soft folds.
    Cloth(Colour),
    /// Trousers with a belt and loops.
    Trousers {
        /// The cloth.
        ground: Colour,
        /// Pinstripes, if it has them.
        stripe: Option<Colour>,
        /// Waist.
        waist: Waist,
        /// The shoes, which reach up to the cuff.
        shoe: Colour,
        /// Height of the cuff, metres.
        cuff_y_m: f32,
    },
    /// A shoe with its sole; above the cuff it is trousers.
    Shoe {
        /// The upper.
        colour: Colour,
        /// Height of the sole's upper edge, metres.
        sole_y_m: f32,
        /// Height of the cuff, metres.
        cuff_y_m: f32,
        /// The trousers.
        trousers: Colour,
    },
    /// A cap; below its edge there is hair.
    Cap {
        /// The cloth.
        colour: Colour,
        /// The hair.
        hair: Colour,
        /// Height of the edge at depth 0 and its rise per metre forward.
        edge_m: (f32, f32),
    },
    /// The jersey's trunk with a number on chest and back.
    Numbered(Jersey),
    /// An eyeball.
    Eye {
        /// Centre of the iris, x of the left eye; the right eye is its mirror image.
        iris_m: Vector3<f32>,
        /// The iris.
        colour: Colour,
    },
}

/// Where jersey, belt and trousers meet; all heights in rest pose, metres.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Waist {
    /// Lower edge of the belt.
    pub(crate) belt_y_m: f32,
    /// Lower edge of the jersey.
    pub(crate) hem_y_m: f32,
    /// The jersey's colour.
    pub(crate) jersey: Colour,
}

impl Waist {
    /// The belt and its buckle.
    fn belt(rest: Vector3<f32>) -> Colour {
        if rest.x.abs() < 0.022 && rest.z > 0.0 {
            [0.35, 0.33, 0.28]
        } else {
            [0.02, 0.02, 0.02]
        }
    }
}

/// The numbered part of a jersey.
#[derive(Clone, Debug)]
pub(crate) struct Jersey {
    /// The cloth.
    pub(crate) ground: Colour,
    /// Number and piping.
    pub(crate) print: Colour,
    /// Pinstripes, if it has them.
    pub(crate) stripe: Option<Colour>,
    /// Where it ends.
    pub(crate) hem_y_m: f32,
    /// 0..=99.
    pub(crate) number: u8,
    /// Height of the number's middle, metres.
    pub(crate) middle_y_m: f32,
    /// Depth that separates chest from back, metres.
    pub(crate) middle_z_m: f32,
    /// Height of a digit on the back, metres.
    pub(crate) digit_m: f32,
}

impl Material {
    /// Colour at a place in rest pose.
    pub(crate) fn colour(&self, rest: Vector3<f32>) -> Colour {
        match self {
            Material::Plain(c) => *c,
            Material::Cloth(c) => scaled(*c, folds(rest)),
            Material::Trousers {
                ground,
                stripe,
                waist,
                shoe,
                cuff_y_m,
            } => {
                if rest.y > waist.hem_y_m {
                    return scaled(waist.jersey, folds(rest));
                }
                if rest.y > waist.belt_y_m {
                    return Waist::belt(rest);
                }
                if rest.y < *cuff_y_m {
                    return *shoe;
                }
                let cloth = stripe.map_or(*ground, |stripe| pinstripe(*ground, stripe, rest));
                scaled(cloth, folds(rest))
            }
            Material::Shoe {
                colour,
                sole_y_m,
                cuff_y_m,
                trousers,
            } => match rest.y {
                y if y < *sole_y_m => [0.40, 0.39, 0.37],
                y if y > *cuff_y_m => scaled(*trousers, folds(rest)),
                _ => *colour,
            },
            Material::Cap { colour, hair, edge_m } => {
                if rest.y > edge_m.0 + edge_m.1 * rest.z {
                    *colour
                } else {
                    *hair
                }
            }
            Material::Numbered(jersey) => scaled(jersey.colour(rest), folds(rest)),
            Material::Eye { iris_m, colour } => {
                let off = (rest.x.abs() - iris_m.x).hypot(rest.y - iris_m.y);
                match off {
                    d if d < 0.0026 => [0.01, 0.01, 0.01],
                    d if d < 0.0062 => *colour,
                    _ => [0.62, 0.60, 0.58],
                }
            }
        }
    }

    /// Whether the colour changes from place to place.
    pub(crate) fn is_plain(&self) -> bool {
        matches!(self, Material::Plain(_))
    }
}

impl Jersey {
    fn colour(&self, rest: Vector3<f32>) -> Colour {
        if rest.y < self.hem_y_m {
            return Waist::belt(rest);
        }
        let back = rest.z < self.middle_z_m;
        let size = if back { self.digit_m } else { 0.55 * self.digit_m };
        // Read from behind, the wearer's left is at the reader's left; from the front at the right.
        let across = if back { -rest.x } else { rest.x };
        let (shift_x, shift_y) = if back { (0.0, 0.0) } else { (-0.055, 0.02) };
        if digits_cover(
            self.number,
            (across - shift_x) / size,
            (self.middle_y_m + shift_y - rest.y) / size,
        ) {
            return self.print;
        }
        if !back && rest.x.abs() < 0.004 {
            return self.print; // the button line
        }
        self.stripe
            .map_or(self.ground, |stripe| pinstripe(self.ground, stripe, rest))
    }
}

fn pinstripe(ground: Colour, stripe: Colour, rest: Vector3<f32>) -> Colour {
    if (rest.x / 0.030).rem_euclid(1.0) < 0.12 {
        stripe
    } else {
        ground
    }
}

fn folds(rest: Vector3<f32>) -> f32 {
    0.80 + 0.40 * noise3(rest.x * 18.0, rest.y * 8.0, rest.z * 18.0)
}

/// Strokes of the digits in a 5 x 7 grid, rows from the top, bit 4 is the left column.
const DIGITS: [[u8; 7]; 10] = [
    [0x0E, 0x11, 0x11, 0x11, 0x11, 0x11, 0x0E],
    [0x04, 0x0C, 0x04, 0x04, 0x04, 0x04, 0x0E],
    [0x0E, 0x11, 0x01, 0x06, 0x08, 0x10, 0x1F],
    [0x0E, 0x11, 0x01, 0x06, 0x01, 0x11, 0x0E],
    [0x02, 0x06, 0x0A, 0x12, 0x1F, 0x02, 0x02],
    [0x1F, 0x10, 0x1E, 0x01, 0x01, 0x11, 0x0E],
    [0x06, 0x08, 0x10, 0x1E, 0x11, 0x11, 0x0E],
    [0x1F, 0x01, 0x02, 0x04, 0x08, 0x08, 0x08],
    [0x0E, 0x11, 0x11, 0x0E, 0x11, 0x11, 0x0E],
    [0x0E, 0x11, 0x11, 0x0F, 0x01, 0x02, 0x0C],
];

/// Whether the number's print covers a place given in digit heights from its middle (right, down).
fn digits_cover(number: u8, right: f32, down: f32) -> bool {
    let row = (down + 0.5) * 7.0;
    if !(0.0..7.0).contains(&row) {
        return false;
    }
    const PITCH: f32 = 6.0; // columns from digit to digit
    let column = right * 7.0;
    let (digit, column) = if number < 10 {
        (number, column + 2.5)
    } else if column < 0.0 {
        (number / 10, column + PITCH - 0.5)
    } else {
        (number % 10, column - 0.5)
    };
    (0.0..5.0).contains(&column)
        && DIGITS[usize::from(digit % 10)][row as usize] >> (4 - column as u32) & 1 == 1
}

/// A colour times a factor.
pub(crate) fn scaled(c: Colour, k: f32) -> Colour {
    [c[0] * k, c[1] * k, c[2] * k]
}

/// From one colour to another, `t` in 0..=1.
pub(crate) fn mixed(a: Colour, b: Colour, t: f32) -> Colour {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * t)
}

/// Colour of the usual 8-bit notation (sRGB, 0xRRGGBB) in linear light.
pub(crate) fn srgb(hex: u32) -> Colour {
    [16, 8, 0].map(|shift| {
        let v = (hex >> shift & 0xFF) as f32 / 255.0;
        if v <= 0.04045 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// A hash of two whole numbers and a seed, 0..1.
pub(crate) fn hash01(x: i32, y: i32, seed: u32) -> f32 {
    let mut h = (x as u32)
        .wrapping_mul(0x9E37_79B1)
        .wrapping_add((y as u32).wrapping_mul(0x85EB_CA77))
        .wrapping_add(seed.wrapping_mul(0xC2B2_AE3D));
    h ^= h >> 15;
    h = h.wrapping_mul(0x2C1B_3C6D);
    h ^= h >> 12;
    h = h.wrapping_mul(0x297A_2D39);
    h ^= h >> 15;
    (h >> 8) as f32 / 16_777_216.0
}

/// The largest whole number not above; quicker than the library's on processors without a rounding instruction.
pub(crate) fn whole(v: f32) -> i32 {
    let cut = v as i32;
    cut - i32::from(v < cut as f32)
}

fn ease(t: f32) -> f32 {
    t * t * (3.0 - 2.0 * t)
}

/// Value noise in the plane, 0..1, one lump a unit.
pub(crate) fn noise2(x: f32, y: f32, seed: u32) -> f32 {
    let (i, j) = (whole(x), whole(y));
    let (fx, fy) = (ease(x - i as f32), ease(y - j as f32));
    let h = |di: i32, dj: i32| hash01(i + di, j + dj, seed);
    let top = h(0, 0) + (h(1, 0) - h(0, 0)) * fx;
    let bottom = h(0, 1) + (h(1, 1) - h(0, 1)) * fx;
    top + (bottom - top) * fy
}

/// Several octaves of [`noise2`], 0..1.
pub(crate) fn rough2(x: f32, y: f32, octaves: u32, seed: u32) -> f32 {
    let (mut sum, mut weight, mut total, mut scale) = (0.0, 1.0, 0.0, 1.0);
    for octave in 0..octaves {
        sum += weight * noise2(x * scale, y * scale, seed.wrapping_add(octave * 101));
        total += weight;
        weight *= 0.55;
        scale *= 2.1;
    }
    sum / total
}

/// Value noise in space, 0..1.
fn noise3(x: f32, y: f32, z: f32) -> f32 {
    let layer = whole(z);
    let seed = layer as u32;
    let a = noise2(x, y, seed);
    let b = noise2(x, y, seed.wrapping_add(1));
    a + (b - a) * ease(z - layer as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seven_has_its_bar_on_top_and_reads_the_right_way() {
        assert!(digits_cover(7, 0.0, -0.45));
        assert!(digits_cover(7, 0.3, -0.3), "the stem starts at the right");
        assert!(!digits_cover(7, -0.3, 0.0));
        assert!(digits_cover(17, -0.43, 0.0), "the 1 stands at the left");
    }

    #[test]
    fn srgb_mid_grey_is_about_a_fifth() {
        let c = srgb(0x80_80_80)[0];
        assert!((c - 0.2158605).abs() < 1e-5, "IEC 61966-2-1: {c}");
    }
}
