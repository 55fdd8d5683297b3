//! Gates: what is refused, and why; a refused joint keeps its reason instead of a position.

use crate::geometry::Phone;
use crate::triangulate::{SpacePoint, name};

/// Limits beyond which a joint counts as missing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gates {
    /// Image points with a larger standard deviation are not used, pixels.
    pub max_sd_px: f64,
    /// Image points that are seen with a smaller probability are not used.
    pub min_visible: f64,
    /// Longest stretch between two image points that is interpolated, in median frame intervals.
    pub max_gap_frames: f64,
    /// Least angle between the two lines of sight, degrees.
    pub min_parallax_deg: f64,
    /// Largest miss of the two image points, standard deviations.
    pub max_miss_sigmas: f64,
    /// Largest standard deviation of the position (root mean square of the axes), metres.
    pub max_sd_m: f64,
    /// Least distance between the two cameras, metres.
    pub min_baseline_m: f64,
}

impl Default for Gates {
    /// Chosen for phones 5-7 m from the athlete (12 mm a pixel at most); common practice, no source.
    fn default() -> Self {
        Self {
            max_sd_px: 40.0,
            min_visible: 0.05,
            max_gap_frames: 2.5,
            min_parallax_deg: 5.0,
            max_miss_sigmas: 6.0,
            max_sd_m: 0.25,
            min_baseline_m: 0.1,
        }
    }
}

/// Why a joint has no position at an instant.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Missing {
    /// One phone has no image point near enough in time.
    #[error("not found in the {} video near this instant", name(*.0))]
    NotSeen(Phone),
    /// The image points near this instant are too doubtful to use.
    #[error("too blurred in the {} video ({sd_px:.0} px)", name(*.phone))]
    Blurred {
        /// The phone.
        phone: Phone,
        /// Their standard deviation, pixels.
        sd_px: f64,
    },
    /// The image points near this instant are probably hidden.
    #[error("hidden in the {} video (seen with probability {visible:.2})", name(*.phone))]
    Hidden {
        /// The phone.
        phone: Phone,
        /// Probability of being seen.
        visible: f64,
    },
    /// The lens model has no inverse there.
    #[error("lies outside the {} lens's calibrated field", name(*.0))]
    OutsideLens(Phone),
    /// The lines of sight meet behind a camera.
    #[error("the two lines of sight meet behind a camera")]
    BehindCamera,
    /// The lines of sight are nearly parallel.
    #[error("the two lines of sight are only {parallax_deg:.1} degrees apart")]
    SmallParallax {
        /// Their angle, degrees.
        parallax_deg: f64,
    },
    /// The lines of sight miss each other.
    #[error("the two lines of sight miss each other by {sigmas:.1} standard deviations")]
    Disagree {
        /// The miss, standard deviations.
        sigmas: f64,
    },
    /// The position is too doubtful.
    #[error("known to {sd_m:.2} m only")]
    Uncertain {
        /// Root mean square of the axes' standard deviations, metres.
        sd_m: f64,
    },
}

impl Gates {
    /// Refuses a located point by parallax, miss and doubt, in this order.
    pub(super) fn check(&self, point: &SpacePoint) -> Result<(), Missing> {
        let parallax_deg = point.parallax.degrees().0;
        // Nearly opposite lines of sight are as blind along themselves as nearly equal ones.
        if parallax_deg.min(180.0 - parallax_deg) < self.min_parallax_deg {
            return Err(Missing::SmallParallax { parallax_deg });
        }
        let sigmas = point.miss_sigmas.abs();
        if sigmas > self.max_miss_sigmas {
            return Err(Missing::Disagree { sigmas });
        }
        let sd_m = point.sd_m();
        if sd_m.is_nan() || sd_m > self.max_sd_m {
            return Err(Missing::Uncertain { sd_m });
        }
        Ok(())
    }
}
