//! How sure a rule is: the probability that the true values lie past its thresholds, given the figures' doubts.
//!
//! A figure's error is taken as normal. Of several clues nothing is known about how their errors hang together, so the least
//! probability that any dependence allows is stated (Fréchet's bounds): where a rule fires, wider doubt can only lower it.

use crate::findings::rules::{ClueRule, Rule};
use crate::findings::shared_errors::shared_sd;
use crate::findings::{Clue, Direction, Evidence, FindingsError, Sureness};
use crate::kinematics::catalogue;

/// From this probability on a finding is stated: four times in five.
pub(super) const LIKELY: f64 = 0.8;
/// From this on it is called very likely: nineteen times in twenty.
pub(super) const VERY_LIKELY: f64 = 0.95;
/// From this on a fault that is not stated is named as one that cannot be told.
const POSSIBLE: f64 = 0.5;

/// A figure, or the difference of two.
#[derive(Clone, Copy, Debug)]
pub(super) struct Quantity {
    pub(super) value: f64,
    /// Standard deviation of this measurement alone; `None` for exact joints.
    pub(super) own_sd: Option<f64>,
    /// The same with the errors that all recordings share.
    pub(super) sd: Option<f64>,
    /// Unsafe to act on.
    pub(super) doubtful: bool,
}

/// A figure, or the difference of two whose errors are taken as independent; `None` where one was not measured.
pub(super) fn quantity(
    evidence: &Evidence,
    metric: &str,
    minus: Option<&str>,
) -> Result<Option<Quantity>, FindingsError> {
    let one = |id: &str| -> Result<Option<Quantity>, FindingsError> {
        let Some(figure) = evidence.figures.get(id) else {
            return Ok(None);
        };
        let shared = if evidence.from_pictures {
            shared_sd(id)?
        } else {
            0.0
        };
        Ok(Some(Quantity {
            value: figure.value,
            own_sd: figure.sd,
            sd: both(figure.sd, (shared > 0.0).then_some(shared)),
            doubtful: figure.doubtful,
        }))
    };
    let (Some(first), Some(id)) = (one(metric)?, minus) else {
        return one(metric);
    };
    Ok(one(id)?.map(|second| Quantity {
        value: first.value - second.value,
        own_sd: both(first.own_sd, second.own_sd),
        sd: both(first.sd, second.sd),
        doubtful: first.doubtful || second.doubtful,
    }))
}

fn both(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (None, None) => None,
        (a, b) => Some(a.unwrap_or(0.0).hypot(b.unwrap_or(0.0))),
    }
}

/// One clue, judged.
#[derive(Clone, Debug)]
pub(super) struct JudgedClue {
    pub(super) clue: Clue,
    pub(super) quantity: Quantity,
}

fn judged(evidence: &Evidence, rule: &ClueRule) -> Result<Option<JudgedClue>, FindingsError> {
    let found = quantity(evidence, &rule.metric, rule.minus.as_deref())?;
    Ok(found.map(|quantity| {
        let (direction, threshold) = rule.threshold();
        let past = match direction {
            Direction::Above => quantity.value - threshold,
            Direction::Below => threshold - quantity.value,
        };
        JudgedClue {
            clue: Clue {
                metric: rule.metric.clone(),
                minus: rule.minus.clone(),
                value: quantity.value,
                sd: quantity.sd,
                unit: unit_of(&rule.metric).to_owned(),
                direction,
                threshold,
                probability: probability(past, quantity.sd),
            },
            quantity,
        }
    }))
}

/// Symbol of a metric's unit.
pub(super) fn unit_of(metric: &str) -> &'static str {
    catalogue()
        .find(|d| d.id == metric)
        .map_or("", |d| d.unit.symbol())
}

/// Probability that a true value which was measured `past` a threshold lies past it.
pub(super) fn probability(past: f64, sd: Option<f64>) -> f64 {
    match sd {
        Some(sd) if sd > 0.0 => 0.5 * libm::erfc(-past / (sd * std::f64::consts::SQRT_2)),
        _ if past > 0.0 => 1.0,
        _ => 0.0,
    }
}

/// The least probability that `count` of the clues hold, whatever their errors have to do with each other.
fn at_least(count: usize, probabilities: &[f64]) -> f64 {
    let mut sorted = probabilities.to_vec();
    sorted.sort_by(|a, b| b.total_cmp(a));
    let Some(surest) = sorted.get(..count) else {
        return 0.0;
    };
    let sum: f64 = surest.iter().sum();
    (sum - (count as f64 - 1.0)).max(0.0)
}

/// What became of a rule.
pub(super) struct Verdict {
    /// Probability that it holds, by figures that are safe to act on.
    pub(super) probability: f64,
    /// Its clues in the rule's order; `None` for what was not measured.
    pub(super) clues: Vec<Option<JudgedClue>>,
    /// Probability that so many clues hold that it may be the first.
    to_be_first: f64,
    /// Probability that it holds, doubtful figures taken at their word.
    at_their_word: f64,
}

impl Verdict {
    /// How sure, if it is stated at all.
    pub(super) fn sureness(&self) -> Option<Sureness> {
        sureness(self.probability)
    }

    /// Whether it may be the one to work on first.
    pub(super) fn may_be_first(&self) -> bool {
        sureness(self.to_be_first).is_some()
    }

    /// Whether it could be, but cannot be told.
    pub(super) fn possible(&self) -> bool {
        self.sureness().is_none() && self.at_their_word >= POSSIBLE
    }

    /// The clues that were measured.
    pub(super) fn measured(&self) -> impl Iterator<Item = (usize, &JudgedClue)> {
        let clues = self.clues.iter().enumerate();
        clues.filter_map(|(i, c)| Some((i, c.as_ref()?)))
    }
}

fn sureness(probability: f64) -> Option<Sureness> {
    match probability {
        p if p >= VERY_LIKELY => Some(Sureness::VeryLikely),
        p if p >= LIKELY => Some(Sureness::Likely),
        _ => None,
    }
}

/// Judges a rule.
pub(super) fn judge(evidence: &Evidence, rule: &Rule) -> Result<Verdict, FindingsError> {
    let clues = rule.clue.iter().map(|c| judged(evidence, c));
    let clues: Vec<Option<JudgedClue>> = clues.collect::<Result<_, _>>()?;
    let probabilities = |doubtful_too: bool| -> Vec<f64> {
        let known = clues.iter().flatten();
        known
            .filter(|c| doubtful_too || !c.quantity.doubtful)
            .map(|c| c.clue.probability)
            .collect()
    };
    let (safe, all) = (probabilities(false), probabilities(true));
    Ok(Verdict {
        probability: at_least(rule.least(), &safe),
        to_be_first: if rule.never_first {
            0.0
        } else {
            at_least(rule.least_to_be_first(), &safe)
        },
        at_their_word: at_least(rule.least(), &all),
        clues,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table of the normal distribution: 0.8413, 0.9772, 0.0228 (any textbook of statistics).
    #[test]
    fn probabilities_are_the_normal_distributions() {
        for (past, p) in [
            (1.0, 0.841_344_746),
            (2.0, 0.977_249_868),
            (-2.0, 0.022_750_132),
            (0.0, 0.5),
        ] {
            assert!((probability(past * 3.0, Some(3.0)) - p).abs() < 1e-8, "{past}");
        }
        assert_eq!(probability(0.1, None), 1.0);
        assert_eq!(probability(-0.1, Some(0.0)), 0.0);
    }

    #[test]
    fn several_clues_are_no_surer_than_any_dependence_allows() {
        assert!((at_least(2, &[0.9, 0.95]) - 0.85).abs() < 1e-12);
        assert!((at_least(1, &[0.3, 0.95]) - 0.95).abs() < 1e-12);
        assert_eq!(at_least(2, &[0.99]), 0.0);
        assert_eq!(at_least(2, &[0.4, 0.5]), 0.0);
    }
}
