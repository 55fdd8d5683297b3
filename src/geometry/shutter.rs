//! When a row of the picture was exposed: the instant of an image point.

use serde::{Deserialize, Serialize};

use crate::geometry::PixelPoint;
use crate::units::Seconds;

/// How far the sensor's picture is turned clockwise to be displayed, in quarter turns.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum QuarterTurns {
    /// As the sensor reads it.
    #[default]
    Zero,
    /// Displayed turned 90 degrees clockwise.
    One,
    /// Displayed upside down.
    Two,
    /// Displayed turned 270 degrees clockwise.
    Three,
}

/// Timing of one phone's rolling shutter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shutter {
    /// Time from the first sensor row's start to the last row's, seconds.
    pub readout_s: f64,
    /// Its standard deviation, seconds.
    pub readout_sd_s: f64,
    /// Exposure of one row, seconds.
    pub exposure_s: f64,
    /// Its standard deviation, seconds.
    pub exposure_sd_s: f64,
    /// How the sensor's rows lie in the displayed picture.
    pub turns: QuarterTurns,
    /// Displayed picture width, pixels.
    pub width_px: u32,
    /// Displayed picture height, pixels.
    pub height_px: u32,
}

impl Shutter {
    /// A phone of which nothing is known: readout 3.5 +- 1 ms, exposure 1 +- 0.5 ms.
    #[must_use]
    pub fn unknown(width_px: u32, height_px: u32, turns: QuarterTurns) -> Self {
        Self {
            readout_s: 0.0035,
            readout_sd_s: 0.001,
            exposure_s: 0.001,
            exposure_sd_s: 0.0005,
            turns,
            width_px,
            height_px,
        }
    }

    /// Share of the readout at which a displayed pixel's sensor row begins, 0 at the sensor's first row.
    #[must_use]
    pub fn row_share(&self, pixel: PixelPoint) -> f64 {
        let (w, h) = (f64::from(self.width_px), f64::from(self.height_px));
        match self.turns {
            QuarterTurns::Zero => pixel.y_px / h,
            // Turned clockwise: the sensor's top row stands at the displayed right edge.
            QuarterTurns::One => (w - 1.0 - pixel.x_px) / w,
            QuarterTurns::Two => (h - 1.0 - pixel.y_px) / h,
            QuarterTurns::Three => pixel.x_px / w,
        }
    }

    /// What to add to a frame's PTS to get the middle of this pixel's exposure.
    #[must_use]
    pub fn delay(&self, pixel: PixelPoint) -> Seconds {
        Seconds(self.readout_s * self.row_share(pixel) + self.exposure_s / 2.0)
    }

    /// What to add to a frame's PTS to get its middle instant: half the readout and half the exposure.
    #[must_use]
    pub fn middle_delay(&self) -> Seconds {
        Seconds(self.readout_s / 2.0 + self.exposure_s / 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_row_is_exposed_at_the_middle_instant_whatever_the_rotation() {
        for turns in [
            QuarterTurns::Zero,
            QuarterTurns::One,
            QuarterTurns::Two,
            QuarterTurns::Three,
        ] {
            let shutter = Shutter::unknown(1000, 1000, turns);
            let centre = shutter.delay(PixelPoint::new(499.5, 499.5));
            assert!((centre - shutter.middle_delay()).abs().0 < 4e-6, "{turns:?}");
        }
    }

    #[test]
    fn a_clockwise_turn_puts_the_first_sensor_row_at_the_right_edge() {
        let shutter = Shutter::unknown(720, 1280, QuarterTurns::One);
        assert!(shutter.row_share(PixelPoint::new(719.0, 3.0)) < 1e-9);
        assert!(shutter.row_share(PixelPoint::new(0.0, 900.0)) > 0.99);
    }
}
