//! Points, one type per frame, so that a point of the wrong frame does not compile.

use nalgebra::{Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// A point of the picture in pixels; (0, 0) is the centre of the top left pixel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PixelPoint {
    /// To the right, pixels.
    pub x_px: f64,
    /// Down, pixels.
    pub y_px: f64,
}

impl PixelPoint {
    /// A point from its two coordinates in pixels.
    #[must_use]
    pub fn new(x_px: f64, y_px: f64) -> Self {
        Self { x_px, y_px }
    }

    /// As a vector, pixels.
    #[must_use]
    pub fn vector(self) -> Vector2<f64> {
        Vector2::new(self.x_px, self.y_px)
    }

    /// Distance to another point of the same picture, pixels.
    #[must_use]
    pub fn distance_px(self, other: Self) -> f64 {
        (self.vector() - other.vector()).norm()
    }
}

impl From<Vector2<f64>> for PixelPoint {
    fn from(v: Vector2<f64>) -> Self {
        Self::new(v.x, v.y)
    }
}

/// A point in a camera's frame, metres (x right, y down, z forward).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CameraPoint(pub Vector3<f64>);

/// A point in the world frame, metres (x toward the target, y up, z right).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorldPoint(pub Vector3<f64>);

impl WorldPoint {
    /// Distance to another world point, metres.
    #[must_use]
    pub fn distance_m(self, other: Self) -> f64 {
        (self.0 - other.0).norm()
    }
}
