//! The table of figures that findings are made of.

use std::collections::BTreeMap;

use crate::findings::{FindingsError, Level, Peers};
use crate::kinematics::DeliveryMeasures;
use crate::quality::Status;

/// One figure: of a delivery, or the mean of several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// In the unit that its id ends with.
    pub value: f64,
    /// Standard deviation; of a mean, its standard error. `None` counts as exact (a scene's truth).
    pub sd: Option<f64>,
    /// A value exists, but is unsafe to act on: no finding rests on it.
    pub doubtful: bool,
    /// For speeds: what the smoothing let through, hertz, where known.
    pub bandwidth_hz: Option<f64>,
}

/// What is known of a delivery, or of the mean of several.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// Metric id -> figure; one that could not be measured is left out.
    pub figures: BTreeMap<String, Figure>,
    /// Whose published values are comparable; `None`: no band is judged.
    pub level: Option<Level>,
    /// Age, years, where given: whether cautions for the young are due.
    pub age_years: Option<f64>,
    /// Joints come from two phones' pictures: errors that every such recording shares, which no mean over deliveries takes
    /// away, are added to the doubt.
    pub from_pictures: bool,
    /// How many deliveries the figures are means of.
    pub deliveries: usize,
}

impl Evidence {
    /// One measured delivery's figures.
    #[must_use]
    pub fn of(measures: &DeliveryMeasures) -> Self {
        let figures = measures.metrics.iter().filter_map(|metric| {
            let figure = Figure {
                value: metric.value?,
                sd: metric.sd,
                doubtful: metric.status != Status::Measured,
                bandwidth_hz: metric.bandwidth_hz,
            };
            Some((metric.id.to_owned(), figure))
        });
        Self {
            figures: figures.collect(),
            deliveries: 1,
            ..Self::default()
        }
    }

    /// The same figures of an athlete who is compared with these.
    #[must_use]
    pub fn among(self, peers: &Peers) -> Self {
        Self {
            level: peers.level(),
            age_years: peers.age_years,
            ..self
        }
    }

    /// The same figures, of joints that come from two phones' pictures.
    #[must_use]
    pub fn seen_in_pictures(self) -> Self {
        Self {
            from_pictures: true,
            ..self
        }
    }

    /// Whether the athlete still grows, as far as is known.
    #[must_use]
    pub fn young(&self) -> bool {
        self.level.is_some_and(Level::young) || self.age_years.is_some_and(|years| years < 19.0)
    }

    pub(super) fn check(&self) -> Result<(), FindingsError> {
        let wrong = self.figures.iter().find(|(_, f)| {
            let numbers = [Some(f.value), f.sd, f.bandwidth_hz];
            numbers.iter().flatten().any(|n| !n.is_finite()) || f.sd.is_some_and(|sd| sd < 0.0)
        });
        match wrong {
            Some((id, _)) => Err(FindingsError::NotFinite { id: id.clone() }),
            None => Ok(()),
        }
    }
}
