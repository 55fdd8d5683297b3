//! Places as they are typed: on the ground, and in both phones' pictures.

use std::str::FromStr;

use crate::calibrate::GroundMark;
use crate::cli::numbers::within;
use crate::geometry::PixelPoint;

/// `X,Z`: a place on the ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Place {
    /// Toward home plate, metres.
    pub(crate) toward_m: f64,
    /// To the right of one who faces it, metres.
    pub(crate) right_m: f64,
}

impl FromStr for Place {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let number = |t: &str| within(t, -30.0, 30.0, "m");
        let (x, z) = text
            .split_once(',')
            .ok_or_else(|| format!("'{text}' is not two numbers as X,Z, e.g. 1.5,0"))?;
        Ok(Self {
            toward_m: number(x)?,
            right_m: number(z)?,
        })
    }
}

/// `LX,LY:RX,RY[@H]`: a point of the ground in both pictures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct GroundPoint(pub(crate) GroundMark);

impl FromStr for GroundPoint {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || {
            format!(
                "'{text}' is not LEFT's and RIGHT's pixels as LX,LY:RX,RY (and @HEIGHT), e.g. 412,655:903,700@-0.25"
            )
        };
        let (pixels, height_m) = match text.split_once('@') {
            Some((pixels, height)) => (pixels, Some(within(height, -3.0, 3.0, "m")?)),
            None => (text, None),
        };
        let pixel = |t: &str| {
            let (x, y) = t.split_once(',').ok_or_else(wrong)?;
            let number = |v: &str| within(v, -1.0, 20_000.0, "px");
            Ok::<_, String>(PixelPoint::new(number(x)?, number(y)?))
        };
        let (left, right) = pixels.split_once(':').ok_or_else(wrong)?;
        Ok(Self(GroundMark {
            at: [pixel(left)?, pixel(right)?],
            height_m,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_read_with_and_without_its_height() {
        let mark = "412,655.5:903,700@-0.25".parse::<GroundPoint>().unwrap().0;
        assert_eq!(
            mark.at,
            [PixelPoint::new(412.0, 655.5), PixelPoint::new(903.0, 700.0)]
        );
        assert_eq!(mark.height_m, Some(-0.25));
        assert_eq!("1,2:3,4".parse::<GroundPoint>().unwrap().0.height_m, None);
        for slip in ["1,2", "1,2:3", "1,2:3,4@low", "1,2:3,4@9", "nan,2:3,4", ""] {
            assert!(slip.parse::<GroundPoint>().is_err(), "{slip}");
        }
    }
}
