//! Doubt: how events and metrics spread over noisy versions of the delivery.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;

use super::angles::wrap_deg;
use super::assemble::evaluate;
use super::athlete::ESTIMATED_HEIGHT_SD;
use super::catalogue::{Unit, catalogue};
use super::delivery::{Delivery, Figures, Given, Thrown};
use super::energy::Inertia;
use super::events::{EventName, HELD_AT_SD, PerEvent, RELEASE_ABOUT_PEAK_SD_S, RELEASE_FROM_HAND_SD_S};
use super::landmarks::LANDMARKS;
use super::perturb::Perturber;
use super::sequence::{SEGMENTS, peak_times};
use super::subject::Subject;

/// What one noisy version gives.
pub(super) struct Draw {
    pub(super) events: [Option<f64>; EventName::ALL.len()],
    pub(super) metrics: Vec<Option<f64>>,
    pub(super) landmarks: [Option<f64>; LANDMARKS.len()],
    pub(super) sequence: [Option<f64>; SEGMENTS.len()],
}

/// Measures `count` noisy versions of the subject, in parallel; the same seed gives the same draws.
pub(super) fn draws(subject: &Subject, count: usize, seed: u64) -> Vec<Draw> {
    let perturber = Perturber::new(
        &subject.trajectory,
        &subject.noise_time_s,
        subject.tilt_sd_deg,
        subject.yaw_sd_deg,
        subject.clock,
    );
    let count = if subject.versions.is_empty() {
        count
    } else {
        subject.versions.len()
    };
    (0..count)
        .into_par_iter()
        .map(|index| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(index as u64);
            draw(subject, index, &perturber, &mut rng)
        })
        .collect()
}

fn draw(subject: &Subject, index: usize, perturber: &Perturber<'_>, rng: &mut ChaCha8Rng) -> Draw {
    let mut normal = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
    let given =
        Given {
            events: subject.events.map(|events| {
                PerEvent(events.0.map(|event| {
                    event.map(|event| event.time_s.0 + normal(event.sd_s.map_or(0.0, |sd| sd.0)))
                }))
            }),
            release_s: subject
                .release
                .map(|event| event.time_s.0 + normal(event.sd_s.map_or(0.0, |sd| sd.0))),
            release_shift_s: normal(RELEASE_FROM_HAND_SD_S),
        };
    let figures = Figures {
        height: subject.figures.height.jittered(1.0 + normal(ESTIMATED_HEIGHT_SD)),
        mass_kg: subject.figures.mass_kg,
    };
    let (held_off, usual_off_s) = (normal(HELD_AT_SD), normal(RELEASE_ABOUT_PEAK_SD_S));
    let (drawn, turn) = match subject.versions.get(index) {
        Some(version) => perturber.turned(version, rng),
        None => perturber.draw(rng),
    };
    // Version by version: the clock's error moves hand and ball alike.
    let ball = subject.ball.as_ref().map_err(Clone::clone).map(|flight| Thrown {
        epoch_s: flight.epoch.0,
        state: flight
            .versions
            .get(index)
            .unwrap_or(&flight.state)
            .mapped(|v| turn * v),
        held_off,
        usual_off_s,
    });
    let motion = subject.motion(&drawn);
    let mut inertia = Inertia::new(&motion, subject.sex);
    if subject.figures.height.young().is_some() {
        inertia = inertia.moved(|| rng.sample(StandardNormal));
    }
    let delivery = Delivery::new(motion, inertia, figures, ball, &given);
    Draw {
        events: EventName::ALL.map(|event| delivery.events[event].as_ref().ok().copied()),
        metrics: catalogue()
            .map(|definition| evaluate(definition, &delivery).ok().map(|r| r.value))
            .collect(),
        landmarks: LANDMARKS.map(|(_, find)| find(&delivery).ok()),
        sequence: peak_times(&delivery).map(|time| time.ok()),
    }
}

/// How a figure spreads over noisy repetitions.
pub(super) struct Spread {
    /// Half the range from the 16th to the 84th percentile; `None` for fewer than two values.
    pub(super) sd: Option<f64>,
    /// Median of the repetitions less the figure itself: what noise does to it on average.
    pub(super) shift: Option<f64>,
    /// Share of the repetitions that give no value.
    pub(super) failed_share: f64,
}

/// The spread of repetitions around `value`; angles are taken the short way round from it.
pub(super) fn spread(draws: impl Iterator<Item = Option<f64>>, value: f64, unit: Unit) -> Spread {
    let (mut known, mut count) = (Vec::new(), 0.0);
    for drawn in draws {
        count += 1.0;
        known.extend(drawn.map(|drawn| match unit {
            Unit::Degrees => wrap_deg(drawn - value),
            _ => drawn - value,
        }));
    }
    known.sort_by(f64::total_cmp);
    let ends = quantile(&known, 0.8413).zip(quantile(&known, 0.1587));
    Spread {
        sd: ends.map(|(high, low)| 0.5 * (high - low)),
        shift: quantile(&known, 0.5),
        failed_share: if count > 0.0 {
            1.0 - known.len() as f64 / count
        } else {
            0.0
        },
    }
}

/// Quantile of sorted values, linear between neighbours; `None` for fewer than two.
fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1).filter(|&last| last > 0)?;
    let place = share * last as f64;
    let below = (place.floor() as usize).min(last - 1);
    let part = place - below as f64;
    Some(sorted[below] * (1.0 - part) + sorted[below + 1] * part)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spread_of_normal_draws_is_their_sd_and_outliers_do_not_matter() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let mut values: Vec<Option<f64>> = (0..4000)
            .map(|_| Some(5.0 + 2.0 * rng.sample::<f64, _>(StandardNormal)))
            .collect();
        values.extend([Some(1e6), Some(-1e6), None]);
        let around = spread(values.into_iter(), 4.0, Unit::Seconds);
        assert!((around.sd.unwrap() - 2.0).abs() < 0.1);
        assert!((around.shift.unwrap() - 1.0).abs() < 0.1);
        assert!((around.failed_share - 1.0 / 4003.0).abs() < 1e-9);
    }

    #[test]
    fn angles_spread_the_short_way_round() {
        let around = spread([Some(179.0), Some(-179.0)].into_iter(), 180.0, Unit::Degrees);
        assert!(around.sd.unwrap() < 1.5 && around.shift.unwrap().abs() < 1e-9);
    }
}
