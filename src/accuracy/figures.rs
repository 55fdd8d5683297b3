//! Errors of one figure over many deliveries.

use crate::accuracy::goals::{Goal, Group};
use crate::accuracy::log::{MetricError, Outcome};
use crate::demo::HALF_OF_90;

/// Root mean square; `None` of nothing.
pub(crate) fn rms(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt())
}

/// Mean; `None` of nothing.
pub(crate) fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Median, the upper of two middles; `None` of nothing.
pub(crate) fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// Errors with the deviations that were stated.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stated {
    /// Error and stated standard deviation, same unit.
    pub(crate) pairs: Vec<(f64, f64)>,
}

impl Stated {
    /// Adds one, when a deviation was stated.
    pub(crate) fn add(&mut self, error: Option<f64>, sd: Option<f64>) {
        self.pairs.extend(error.zip(sd));
    }

    /// Share of errors within the 90 % interval.
    pub(crate) fn within_90(&self) -> Option<f64> {
        let within: Vec<f64> = self
            .pairs
            .iter()
            .map(|(error, sd)| f64::from(error.abs() <= HALF_OF_90 * sd))
            .collect();
        mean(&within)
    }

    /// Median stated deviation over the root mean square error.
    pub(crate) fn sd_over_rms(&self) -> Option<f64> {
        let (errors, sds): (Vec<f64>, Vec<f64>) = self.pairs.iter().copied().unzip();
        Some(median(&sds)? / rms(&errors).filter(|rms| *rms > 0.0)?)
    }
}

/// One metric over all deliveries.
pub(crate) struct Figure<'a> {
    pub(crate) id: &'a str,
    pub(crate) unit: &'a str,
    pub(crate) group: Group,
    pub(crate) goal: Option<Goal>,
    /// Deliveries in which the truth has it.
    pub(crate) wanted: usize,
    /// Measured less true, at the events found; percent of the truth where the goal is so.
    pub(crate) found: Vec<f64>,
    /// The same at the true events.
    pub(crate) at_truth: Vec<f64>,
    /// Errors in the figure's own unit with their stated deviations.
    pub(crate) stated: Stated,
}

/// All metrics, in the order of the first delivery's.
pub(crate) fn figures<'a>(outcomes: &[&'a Outcome]) -> Vec<Figure<'a>> {
    let Some(first) = outcomes.first() else {
        return Vec::new();
    };
    first
        .metrics
        .iter()
        .map(|metric| {
            let all = outcomes
                .iter()
                .filter_map(|o| o.metrics.iter().find(|m| m.id == metric.id));
            figure(metric, all)
        })
        .collect()
}

fn figure<'a>(of: &'a MetricError, all: impl Iterator<Item = &'a MetricError>) -> Figure<'a> {
    let mut figure = Figure {
        id: &of.id,
        unit: &of.unit,
        group: Group::of(&of.id, &of.unit),
        goal: Goal::of(&of.id, &of.unit),
        wanted: 0,
        found: Vec::new(),
        at_truth: Vec::new(),
        stated: Stated::default(),
    };
    let relative = matches!(figure.goal, Some(Goal::Percent(_)));
    for metric in all {
        let Some(truth) = metric.truth else { continue };
        figure.wanted += 1;
        let off = |value: f64| match metric.unit.as_str() {
            // The short way round.
            "deg" => (value - truth + 180.0).rem_euclid(360.0) - 180.0,
            _ => value - truth,
        };
        let scaled = |value: f64| {
            if relative {
                100.0 * off(value) / truth.abs()
            } else {
                off(value)
            }
        };
        figure.found.extend(metric.measured.map(scaled));
        figure.at_truth.extend(metric.with_true_events.map(scaled));
        figure.stated.add(metric.measured.map(off), metric.sd);
    }
    figure
}

impl Figure<'_> {
    /// Unit of the errors.
    pub(crate) fn error_unit(&self) -> &str {
        match self.goal {
            Some(Goal::Percent(_)) => "% of it",
            _ => self.unit,
        }
    }

    /// Whether the errors at true events and at those found reach their goals; `None` without a goal or without values.
    pub(crate) fn reaches(&self) -> Option<bool> {
        let (at_truth, found) = match self.goal? {
            Goal::Own(at_truth, found) => (at_truth, found),
            Goal::Percent(most) => (most, most),
        };
        let by_truth = rms(&self.at_truth).is_none_or(|rms| rms <= at_truth);
        Some(rms(&self.found)? <= found && by_truth)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::Status;

    fn metric(id: &str, unit: &str, truth: f64, measured: f64, sd: f64) -> MetricError {
        MetricError {
            id: id.to_owned(),
            unit: unit.to_owned(),
            truth: Some(truth),
            measured: Some(measured),
            with_true_events: Some(truth),
            sd: Some(sd),
            status: Status::Measured,
            reason: None,
        }
    }

    #[test]
    fn errors_of_angles_go_the_short_way_and_speeds_are_shares() {
        let turned = metric("trunk_rotation_at_foot_contact_deg", "deg", 179.0, -179.0, 1.5);
        let angle = figure(&turned, std::iter::once(&turned));
        assert!((angle.found[0] - 2.0).abs() < 1e-9);
        assert_eq!(angle.stated.within_90(), Some(1.0));
        let thrown = metric("ball_speed_m_s", "m/s", 40.0, 39.0, 0.5);
        let speed = figure(&thrown, std::iter::once(&thrown));
        assert!((speed.found[0] + 2.5).abs() < 1e-9);
        assert_eq!(
            (speed.reaches(), speed.stated.within_90()),
            (Some(false), Some(0.0))
        );
        assert_eq!(speed.stated.sd_over_rms(), Some(0.5));
    }

    #[test]
    fn a_root_mean_square_is_that_of_the_book() {
        // sqrt((9 + 16) / 2)
        assert!((rms(&[3.0, -4.0]).unwrap() - 12.5_f64.sqrt()).abs() < 1e-12);
        assert_eq!((rms(&[]), median(&[3.0, 1.0, 2.0])), (None, Some(2.0)));
    }
}
