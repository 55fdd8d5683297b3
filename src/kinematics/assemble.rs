//! Values, reasons and spreads put together: metrics, events and sequence with their doubt.

use crate::quality::Status;
use crate::units::Seconds;

use super::Metric;
use super::catalogue::{Compute, Definition, Unit};
use super::delivery::Delivery;
use super::doubt::{Draw, Spread, spread};
use super::events::{Event, EventName, PerEvent, RELEASE_FROM_HAND_SD_S};
use super::landmarks::{LANDMARKS, Landmark};
use super::reason::{Caution, Missing, Outcome};
use super::sequence::{self, SEGMENTS, Sequence, SequencePeak};
use super::subject::Subject;

/// Above this share of noisy repetitions without a value a metric is doubtful.
const MOST_FAILED: f64 = 0.1;
/// A metric that noise shifts, on average, by more than this many of its standard deviations is doubtful: a peak that
/// hardly rises above the noise reads too high.
const MOST_SHIFT: f64 = 1.0;

/// One metric of a delivery, before its doubt.
pub(super) fn evaluate(definition: &Definition, delivery: &Delivery<'_>) -> Outcome {
    if definition.needs_world && !delivery.motion.trajectory.world_known {
        return Err(Missing::World);
    }
    match (definition.compute, definition.event) {
        (Compute::At(figure), Some(event)) => figure(delivery, delivery.at(event)?),
        (Compute::At(_), None) => Err(Missing::NotGiven),
        (Compute::Whole(figure), _) => figure(delivery),
    }
}

/// One metric with its spread, status and reason.
pub(super) fn metric(
    definition: &Definition,
    index: usize,
    subject: &Subject,
    delivery: &Delivery<'_>,
    draws: &[Draw],
) -> Metric {
    let bandwidths = definition.joints.iter().map(|&joint| subject.bandwidth_hz[joint]);
    let bandwidth_hz = bandwidths
        .reduce(|a, b| a.zip(b).map(|(a, b)| a.min(b)))
        .flatten();
    let mut metric = Metric {
        id: definition.id,
        value: None,
        sd: None,
        unit: definition.unit.symbol(),
        event: definition.event,
        status: Status::NotMeasurable,
        reason: None,
        bandwidth_hz: bandwidth_hz.filter(|_| definition.unit.is_speed()),
    };
    // A value that is no number would poison every file it is written to.
    let finite = evaluate(definition, delivery).and_then(|reading| {
        let number = reading.value.is_finite();
        number.then_some(reading).ok_or(Missing::Degenerate {
            segment: "body",
            time_s: 0.0,
        })
    });
    match finite {
        Err(why) => metric.reason = Some(why.to_string()),
        Ok(reading) => {
            let noise = spread(
                draws.iter().map(|d| d.metrics[index]),
                reading.value,
                definition.unit,
            );
            let caution = reading
                .caution
                .or_else(|| caution_of(&noise, reading.value, definition.unit));
            metric.value = Some(reading.value);
            metric.sd = noise.sd;
            metric.status = caution.as_ref().map_or(Status::Measured, |_| Status::Doubtful);
            metric.reason = caution.map(|c| c.to_string());
        }
    }
    metric
}

/// Why a value should be doubted for what noise does to it, if so.
fn caution_of(noise: &Spread, value: f64, unit: Unit) -> Option<Caution> {
    if noise.failed_share > MOST_FAILED {
        return Some(Caution::Fragile {
            failed_pct: 100.0 * noise.failed_share,
        });
    }
    let (sd, shift) = (noise.sd?, noise.shift?);
    // Rounding alone shifts a figure that noise does not touch.
    let shifted = shift.abs() > MOST_SHIFT * sd && sd > 1e-9;
    unit.caution(value, sd).or_else(|| {
        shifted.then_some(Caution::Shifted {
            shift,
            sd,
            unit: unit.symbol(),
        })
    })
}

/// The events with their spread.
pub(super) fn events(
    subject: &Subject,
    delivery: &Delivery<'_>,
    draws: &[Draw],
) -> PerEvent<Result<Event, Missing>> {
    PerEvent::from_fn(|event| {
        let time_s = delivery.events[event].clone()?;
        let given = match subject.events {
            Some(events) => events[event],
            None => subject.release.filter(|_| event == EventName::BallRelease),
        };
        let spread_s = spread(
            draws.iter().map(|d| d.events[event as usize]),
            time_s,
            Unit::Seconds,
        )
        .sd;
        let sd_s = match given {
            Some(given) => given.sd_s.map(|sd| sd.0),
            // A release from the hand alone is never surer than this, however steady the hand.
            None if event == EventName::BallRelease && subject.ball.is_err() => {
                Some(spread_s.unwrap_or(0.0).max(RELEASE_FROM_HAND_SD_S))
            }
            None => spread_s,
        };
        Ok(Event {
            time_s: Seconds(time_s),
            sd_s: sd_s.map(Seconds),
        })
    })
}

/// The peaks in order, with their spread and how often the order comes out the same.
pub(super) fn sequence(delivery: &Delivery<'_>, draws: &[Draw]) -> Sequence {
    let peaks = sequence::peaks(delivery);
    let times: Vec<Option<f64>> = peaks.iter().map(|p| p.as_ref().ok().map(|p| p.time_s)).collect();
    let order = sequence::order(&times);
    let agreeing = draws
        .iter()
        .filter(|d| sequence::order(&d.sequence) == order)
        .count();
    Sequence {
        peaks: order
            .iter()
            .filter_map(|&i| {
                let peak = peaks[i].as_ref().ok()?;
                Some(SequencePeak {
                    segment: SEGMENTS[i],
                    time_s: peak.time_s,
                    sd_s: spread(draws.iter().map(|d| d.sequence[i]), peak.time_s, Unit::Seconds).sd,
                    speed_deg_s: peak.value,
                })
            })
            .collect(),
        order_probability: (!draws.is_empty()).then(|| agreeing as f64 / draws.len() as f64),
    }
}

/// The further instants with their spread, or why one was not found.
pub(super) fn landmarks(delivery: &Delivery<'_>, draws: &[Draw]) -> Vec<Landmark> {
    LANDMARKS
        .into_iter()
        .enumerate()
        .map(|(index, (name, find))| Landmark {
            name,
            event: find(delivery).map(|time_s| {
                let around = spread(draws.iter().map(|d| d.landmarks[index]), time_s, Unit::Seconds);
                Event {
                    time_s: Seconds(time_s),
                    sd_s: around.sd.map(Seconds),
                }
            }),
        })
        .collect()
}
