//! Session: several deliveries of one athlete become one summary with its doubt.
//!
//! Input: the figures of each delivery as plain numbers ([`Delivery`]); nothing is known here of files or of how the
//! figures were made. Output, for each figure ([`Summary`]): mean, spread between deliveries, the part of it that is not
//! measuring doubt, the smallest change worth believing; and the deliveries that stand out ([`Outlier`]).
//!
//! # What averages out, and what does not
//! The doubt of one delivery has two parts: one that differs from delivery to delivery, and one that all deliveries of a
//! session share (the same rig, the same network that sees the same hip too far inside). Only the first part shrinks with
//! more deliveries. How large the second is cannot be seen in the spread; [`COMMON_SHARE`] of the variance is taken for it,
//! and more where the deliveries lie closer together than the rest allows ([`Spread::mean_sd`]).

/// One athlete, or several by mistake.
mod athlete;

/// Deliveries unlike the others.
mod outliers;

/// Mean, spread, doubt of one figure.
mod spread;

use std::collections::BTreeMap;

pub use athlete::{Person, SessionError};
pub use outliers::{FALSE_ALARM_SHARE, FEWEST_FOR_OUTLIERS, Outlier, outlier_limit};
pub use spread::{CHANGE_FACTOR, COMMON_SHARE, FEWEST_FOR_CHANGE, Spread, spread};

use crate::quality::Status;

/// One delivery as plain figures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Delivery {
    /// By which people know it.
    pub name: String,
    /// Who threw.
    pub person: Person,
    /// What was measured.
    pub figures: Vec<Figure>,
}

/// One figure of one delivery.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Identifier of the metric.
    pub id: String,
    /// Unit of value and doubt.
    pub unit: String,
    /// The value; `None` where it is not measurable.
    pub value: Option<f64>,
    /// Its standard deviation, where one is stated.
    pub sd: Option<f64>,
    /// How far it may be trusted.
    pub status: Status,
    /// Why it is doubtful or missing.
    pub reason: Option<String>,
}

/// A session, summed up.
#[derive(Clone, Debug, PartialEq)]
pub struct Session {
    /// Who threw, from all deliveries together.
    pub person: Person,
    /// The figures, in the order in which the deliveries name them.
    pub summaries: Vec<Summary>,
    /// Deliveries unlike the others, by delivery and then in the order of the figures.
    pub outliers: Vec<Outlier>,
    /// In how many figures outliers were looked for.
    pub figures_judged: usize,
}

/// One figure over all deliveries.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Identifier of the metric.
    pub id: String,
    /// Unit of all its numbers.
    pub unit: String,
    /// How far the summary may be trusted.
    pub status: Status,
    /// Why it is doubtful or missing.
    pub reason: Option<String>,
    /// Deliveries in which it is measured.
    pub measured: usize,
    /// Deliveries in which it is doubtful.
    pub doubtful: usize,
    /// Deliveries in which it is not measurable.
    pub not_measurable: usize,
    /// Which deliveries the numbers come from, as indices into the session's.
    pub used: Vec<usize>,
    /// The numbers; `None` where no delivery has a value.
    pub spread: Option<Spread>,
}

/// Sums up several deliveries of one athlete.
///
/// A figure's numbers come from the deliveries in which it is `measured`. Where the doubtful ones are more than those, all
/// values count and the summary is doubtful: a mean of the few that went well would look better than it is.
///
/// # Errors
/// [`SessionError`] when the deliveries cannot be of one athlete, or give one figure in two units.
pub fn summarise(deliveries: &[Delivery]) -> Result<Session, SessionError> {
    let person = athlete::one_person(deliveries)?;
    let mut order: Vec<&Figure> = Vec::new();
    let mut seen: BTreeMap<&str, (&str, &str)> = BTreeMap::new();
    for delivery in deliveries {
        for figure in &delivery.figures {
            let (unit, first) = *seen.entry(&figure.id).or_insert_with(|| {
                order.push(figure);
                (&figure.unit, &delivery.name)
            });
            if unit != figure.unit {
                return Err(SessionError::Units {
                    id: figure.id.clone(),
                    first: first.to_owned(),
                    first_unit: unit.to_owned(),
                    other: delivery.name.clone(),
                    other_unit: figure.unit.clone(),
                });
            }
        }
    }
    let mut summaries = Vec::new();
    let mut found = Vec::new();
    let mut figures_judged = 0;
    for figure in order {
        let summary = summary(figure, deliveries);
        let values: Vec<(usize, f64, Option<f64>)> = summary
            .used
            .iter()
            .filter_map(|&i| {
                let figure = of(&deliveries[i], &figure.id)?;
                Some((i, figure.value?, figure.sd))
            })
            .collect();
        if let Some(outliers) = outliers::outliers(&figure.id, &values) {
            figures_judged += 1;
            found.extend(outliers);
        }
        summaries.push(summary);
    }
    found.sort_by_key(|outlier| outlier.delivery);
    Ok(Session {
        person,
        summaries,
        outliers: found,
        figures_judged,
    })
}

fn of<'a>(delivery: &'a Delivery, id: &str) -> Option<&'a Figure> {
    delivery.figures.iter().find(|f| f.id == id)
}

/// One figure over all deliveries; one that a delivery does not name at all is not measurable in it.
fn summary(figure: &Figure, deliveries: &[Delivery]) -> Summary {
    let with = |status: Status| -> Vec<usize> {
        let is = |i: &usize| {
            of(&deliveries[*i], &figure.id).is_some_and(|f| f.status == status && f.value.is_some())
        };
        (0..deliveries.len()).filter(is).collect()
    };
    let (measured, doubtful) = (with(Status::Measured), with(Status::Doubtful));
    let counts = (measured.len(), doubtful.len());
    let not_measurable = deliveries.len() - counts.0 - counts.1;
    let reason = |wanted: Status| {
        let of_status = |d: &Delivery| of(d, &figure.id).filter(|f| f.status == wanted)?.reason.clone();
        deliveries.iter().find_map(of_status)
    };
    let told = |why: Option<String>| why.map_or_else(String::new, |why| format!(": {why}"));
    let (status, reason, used) = match counts {
        (0, 0) => {
            let why = reason(Status::NotMeasurable);
            let text = format!("not measurable in any delivery{}", told(why));
            (Status::NotMeasurable, Some(text), Vec::new())
        }
        (sure, unsure) if unsure > sure => {
            let text = format!(
                "doubtful in {unsure} of {} deliveries{}",
                deliveries.len(),
                told(reason(Status::Doubtful))
            );
            let mut all: Vec<usize> = measured.into_iter().chain(doubtful).collect();
            all.sort_unstable();
            (Status::Doubtful, Some(text), all)
        }
        _ => (Status::Measured, None, measured),
    };
    let values: Vec<(f64, Option<f64>)> = used
        .iter()
        .filter_map(|&i| of(&deliveries[i], &figure.id).and_then(|f| Some((f.value?, f.sd))))
        .collect();
    let spread = spread(&values);
    let (status, reason) = match &spread {
        Some(spread) if spread.measurement_sd.is_none() && status == Status::Measured => (
            Status::Doubtful,
            Some("no delivery states a doubt: what all of them have in common is not known".to_owned()),
        ),
        _ => (status, reason),
    };
    Summary {
        id: figure.id.clone(),
        unit: figure.unit.clone(),
        status,
        reason,
        measured: counts.0,
        doubtful: counts.1,
        not_measurable,
        used,
        spread,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn delivery(name: &str, value: Option<f64>, status: Status) -> Delivery {
        Delivery {
            name: name.to_owned(),
            person: Person::default(),
            figures: vec![Figure {
                id: "arm_slot_at_ball_release_deg".to_owned(),
                unit: "deg".to_owned(),
                value,
                sd: value.map(|_| 2.0),
                status,
                reason: (status != Status::Measured).then(|| format!("reason of {name}")),
            }],
        }
    }

    fn only(deliveries: &[Delivery]) -> Summary {
        let session = summarise(deliveries).unwrap();
        assert_eq!(session.summaries.len(), 1);
        session.summaries[0].clone()
    }

    #[test]
    fn doubtful_ones_stand_apart_while_they_are_few() {
        use Status::{Doubtful, Measured, NotMeasurable};
        let summary = only(&[
            delivery("a", Some(40.0), Measured),
            delivery("b", Some(44.0), Measured),
            delivery("c", Some(90.0), Doubtful),
            delivery("d", None, NotMeasurable),
            Delivery::default(),
        ]);
        assert_eq!(
            (summary.measured, summary.doubtful, summary.not_measurable),
            (2, 1, 2)
        );
        assert_eq!(
            (summary.status, &summary.reason, summary.used),
            (Measured, &None, vec![0, 1])
        );
        assert_eq!(summary.spread.unwrap().mean, 42.0);
    }

    #[test]
    fn more_doubtful_than_measured_makes_the_whole_doubtful() {
        use Status::{Doubtful, Measured};
        let summary = only(&[
            delivery("a", Some(40.0), Doubtful),
            delivery("b", Some(44.0), Measured),
            delivery("c", Some(48.0), Doubtful),
        ]);
        assert_eq!(
            (summary.status, summary.used.as_slice()),
            (Doubtful, [0, 1, 2].as_slice())
        );
        assert_eq!(
            summary.reason.unwrap(),
            "doubtful in 2 of 3 deliveries: reason of a"
        );
        assert_eq!(summary.spread.unwrap().mean, 44.0);
    }

    #[test]
    fn nowhere_measurable_has_a_reason_and_no_numbers() {
        let summary = only(&[delivery("a", None, Status::NotMeasurable)]);
        assert_eq!((summary.status, summary.spread), (Status::NotMeasurable, None));
        assert_eq!(
            summary.reason.unwrap(),
            "not measurable in any delivery: reason of a"
        );
    }

    #[test]
    fn a_figure_in_two_units_is_refused() {
        let mut other = delivery("b", Some(0.7), Status::Measured);
        other.figures[0].unit = "rad".to_owned();
        let error = summarise(&[delivery("a", Some(40.0), Status::Measured), other]).unwrap_err();
        assert!(error.to_string().contains("rad"), "{error}");
    }
}
