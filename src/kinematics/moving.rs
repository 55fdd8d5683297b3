//! Vectors and numbers that carry their own rate of change: one formula gives an angle and its speed, both exact.
//!
//! Every operation applies the rules of differentiation to the rate (forward differentiation), so no angle is ever
//! differenced over time.

use std::ops::{Add, Mul, Sub};

use nalgebra::Vector3;

/// Below this length a vector has no direction, metres (or metres squared for a cross product).
const NO_LENGTH: f64 = 1e-9;

/// A vector and its time derivative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct MovingVector {
    /// The vector.
    pub(super) value: Vector3<f64>,
    /// Its change per second.
    pub(super) rate: Vector3<f64>,
}

/// A number and its time derivative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct MovingScalar {
    /// The number.
    pub(super) value: f64,
    /// Its change per second.
    pub(super) rate: f64,
}

impl MovingVector {
    /// A vector that stays as it is.
    pub(super) fn fixed(value: Vector3<f64>) -> Self {
        Self {
            value,
            rate: Vector3::zeros(),
        }
    }

    pub(super) fn dot(self, other: Self) -> MovingScalar {
        MovingScalar {
            value: self.value.dot(&other.value),
            rate: self.rate.dot(&other.value) + self.value.dot(&other.rate),
        }
    }

    pub(super) fn cross(self, other: Self) -> Self {
        Self {
            value: self.value.cross(&other.value),
            rate: self.rate.cross(&other.value) + self.value.cross(&other.rate),
        }
    }

    /// Length; a vanishing vector's length changes at rate 0.
    pub(super) fn norm(self) -> MovingScalar {
        let value = self.value.norm();
        let rate = if value > NO_LENGTH {
            self.value.dot(&self.rate) / value
        } else {
            0.0
        };
        MovingScalar { value, rate }
    }

    /// Direction; `None` for a vector without length.
    pub(super) fn unit(self) -> Option<Self> {
        let length = self.norm();
        (length.value > NO_LENGTH).then(|| {
            let value = self.value / length.value;
            Self {
                value,
                rate: (self.rate - value * length.rate) / length.value,
            }
        })
    }

    /// What is left after the part along the unit vector `axis` is taken away.
    pub(super) fn across(self, axis: Self) -> Self {
        self - axis * self.dot(axis)
    }

    /// The angle to another vector, 0 to pi; accurate also near 0 and pi, where an arc cosine is not.
    pub(super) fn angle_to(self, other: Self) -> MovingScalar {
        self.cross(other).norm().atan2(self.dot(other))
    }
}

impl MovingScalar {
    /// The angle of the point (`x`, `self`), radians, -pi to pi.
    pub(super) fn atan2(self, x: Self) -> Self {
        let square = self.value * self.value + x.value * x.value;
        let rate = if square > 0.0 {
            (self.rate * x.value - self.value * x.rate) / square
        } else {
            0.0
        };
        Self {
            value: self.value.atan2(x.value),
            rate,
        }
    }

    /// Radians to degrees, the rate with it.
    pub(super) fn degrees(self) -> Self {
        Self {
            value: self.value.to_degrees(),
            rate: self.rate.to_degrees(),
        }
    }
}

impl Add for MovingVector {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            rate: self.rate + other.rate,
        }
    }
}

impl Sub for MovingVector {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self {
            value: self.value - other.value,
            rate: self.rate - other.rate,
        }
    }
}

impl Mul<f64> for MovingVector {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            rate: self.rate * factor,
        }
    }
}

impl Mul<MovingScalar> for MovingVector {
    type Output = Self;
    fn mul(self, factor: MovingScalar) -> Self {
        Self {
            value: self.value * factor.value,
            rate: self.rate * factor.value + self.value * factor.rate,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(t: f64, phase: f64) -> MovingVector {
        MovingVector {
            value: Vector3::new((3.0 * t + phase).sin(), (2.0 * t - phase).cos(), 0.4 + t * t),
            rate: Vector3::new(
                3.0 * (3.0 * t + phase).cos(),
                -2.0 * (2.0 * t - phase).sin(),
                2.0 * t,
            ),
        }
    }

    #[test]
    fn every_operation_differentiates_as_the_numbers_do() {
        let step = 1e-6;
        for t in [0.1, 0.7, 1.9] {
            let at = |t: f64| {
                let (a, b) = (path(t, 0.3), path(t, 1.4));
                let unit = a.unit().unwrap();
                [
                    a.dot(b),
                    a.norm(),
                    a.angle_to(b),
                    b.across(unit).norm(),
                    a.cross(b).norm(),
                    unit.dot(b).atan2(a.dot(b)),
                    unit.dot(MovingVector::fixed(Vector3::x())),
                ]
            };
            for ((now, before), after) in at(t).iter().zip(at(t - step)).zip(at(t + step)) {
                let differenced = (after.value - before.value) / (2.0 * step);
                assert!(
                    (now.rate - differenced).abs() < 1e-7,
                    "{} against {differenced}",
                    now.rate
                );
            }
        }
    }

    #[test]
    fn a_vector_without_length_has_no_direction() {
        assert!(MovingVector::fixed(Vector3::zeros()).unit().is_none());
    }
}
