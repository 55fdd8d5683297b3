//! Units: the few quantities that travel between stages as types.
//!
//! Times and angles are easy to confuse (seconds or frames, degrees or radians), so they are newtypes. Lengths,
//! pixels and rates carry their unit in the name of the field instead: `_m`, `_px`, `_hz`. How a number with its unit is
//! written for people stands here too.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The size without its sign.
            #[must_use]
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// The smaller of two.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// The larger of two.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }

        /// The ratio of two like quantities.
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

quantity! {
    /// A time or a duration in seconds.
    Seconds
}

quantity! {
    /// An angle in radians: what the code computes with.
    Radians
}

quantity! {
    /// An angle in degrees: what files and pages show.
    Degrees
}

impl Radians {
    /// The same angle in degrees.
    #[must_use]
    pub fn degrees(self) -> Degrees {
        Degrees(self.0.to_degrees())
    }
}

impl Degrees {
    /// The same angle in radians.
    #[must_use]
    pub fn radians(self) -> Radians {
        Radians(self.0.to_radians())
    }
}

/// A value with its unit, for instance `112°` or `21.4 m/s`; they never part at a line end.
pub(crate) fn with_unit(value: f64, unit: &str) -> String {
    match unit {
        "deg" => format!("{}°", rounded(value, unit)),
        "deg/s" => format!("{}\u{a0}°/s", rounded(value, unit)),
        "%" => format!("{}\u{a0}%", rounded(value, unit)),
        _ => format!("{}\u{a0}{unit}", rounded(value, unit)),
    }
}

/// The sign of a unit on a page.
pub(crate) fn unit_sign(unit: &str) -> &str {
    match unit {
        "deg" => "°",
        "deg/s" => "°/s",
        other => other,
    }
}

/// A value without its unit, with a real minus sign and as many digits as its unit deserves.
pub(crate) fn rounded(value: f64, unit: &str) -> String {
    let digits = match unit {
        "deg" | "deg/s" | "J" => 0,
        "m/s" | "%" => 1,
        "m" | "J/kg" => 2,
        _ => 3,
    };
    let text = format!("{:.digits$}", value.abs());
    // A minus before nothing but zeros says nothing.
    if value < 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("\u{2212}{text}")
    } else {
        text
    }
}

/// A standard deviation without its unit, for instance `4`; one that rounds to nothing is still a doubt: one unit of the
/// last digit.
pub(crate) fn rounded_doubt(sd: f64, unit: &str) -> String {
    let mut text = rounded(sd, unit);
    let zero = !text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if zero && sd > 0.0 {
        text.pop();
        text.push('1');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_right_angle_is_ninety_degrees() {
        assert!((Radians(std::f64::consts::FRAC_PI_2).degrees().0 - 90.0).abs() < 1e-12);
        assert!((Degrees(180.0).radians().0 - std::f64::consts::PI).abs() < 1e-12);
    }

    #[test]
    fn seconds_add_and_divide() {
        assert_eq!(Seconds(1.5) - Seconds(0.5), Seconds(1.0));
        assert_eq!(Seconds(3.0) / Seconds(1.5), 2.0);
    }
}
