//! Sentences: a rule's words with the figures filled in.

use crate::findings::judge::{JudgedClue, LIKELY, Quantity, Verdict, quantity, unit_of};
use crate::findings::rules::{ClueRule, Rule};
use crate::findings::{Direction, Evidence, FindingsError, Improvement};
use crate::units::{rounded_doubt, with_unit};

/// `41° ± 4`.
fn with_doubt(value: f64, sd: Option<f64>, unit: &str) -> String {
    let value = with_unit(value, unit);
    match sd {
        Some(sd) if sd > 0.0 => format!("{value} ± {}", rounded_doubt(sd, unit)),
        _ => value,
    }
}

fn filled(says: &str, q: &Quantity, unit: &str, threshold: Option<f64>) -> String {
    says.replace("{value}", &with_doubt(q.value, q.own_sd, unit))
        .replace("{size}", &with_doubt(q.value.abs(), q.own_sd, unit))
        .replace(
            "{threshold}",
            &threshold.map_or_else(String::new, |t| with_unit(t, unit)),
        )
}

fn clause(rule: &ClueRule, judged: &JudgedClue) -> String {
    let clue = &judged.clue;
    filled(&rule.says, &judged.quantity, &clue.unit, Some(clue.threshold))
}

/// A capital first.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// The evidence, then what it means.
pub(super) fn text(evidence: &Evidence, rule: &Rule, verdict: &Verdict) -> Result<String, FindingsError> {
    let mut clauses: Vec<String> = verdict
        .measured()
        .filter(|(_, c)| !c.quantity.doubtful && c.clue.probability >= LIKELY)
        .map(|(i, c)| clause(&rule.clue[i], c))
        .collect();
    for beside in &rule.beside {
        let found = quantity(evidence, &beside.metric, beside.minus.as_deref())?;
        if let Some(q) = found.filter(|q| !q.doubtful) {
            clauses.push(filled(&beside.says, &q, unit_of(&beside.metric), None));
        }
    }
    Ok(format!("{}. {}", capital(&clauses.join("; ")), rule.text))
}

/// Why a possible fault cannot be told.
pub(super) fn undecided(rule: &Rule, verdict: &Verdict) -> String {
    let clauses: Vec<String> = verdict
        .measured()
        .map(|(i, c)| clause(&rule.clue[i], c))
        .collect();
    let doubtful = verdict.measured().any(|(_, c)| c.quantity.doubtful);
    let why = if doubtful {
        "But a figure behind this is doubtful; its reason stands with the figures."
    } else {
        "That is too close to the line for the doubt there is: more deliveries would tell."
    };
    format!("{}. {why}", capital(&clauses.join("; ")))
}

/// What would show that a fault got less.
pub(super) fn improvement(rule: &ClueRule, judged: &JudgedClue, deliveries: usize) -> Improvement {
    let (clue, unit) = (&judged.clue, judged.clue.unit.as_str());
    // Shared errors are the same both times: only the own ones count against a change.
    let least_change = judged
        .quantity
        .own_sd
        .map(|sd| 2.0 * std::f64::consts::SQRT_2 * sd);
    let (over, goal) = match clue.direction {
        Direction::Above => ("under", clue.threshold),
        Direction::Below => ("over", clue.threshold),
    };
    let mut text = format!(
        "{} comes to {over} {} (now {})",
        capital(&rule.name),
        with_unit(goal, unit),
        with_unit(clue.value, unit)
    );
    if let Some(least) = least_change.filter(|l| *l > 0.0) {
        text.push_str(&format!(
            "; a change of less than {} from one {} to another may be chance",
            with_unit(least, unit),
            if deliveries > 1 { "session" } else { "delivery" }
        ));
    }
    Improvement {
        metric: clue.metric.clone(),
        minus: clue.minus.clone(),
        unit: unit.to_owned(),
        now: clue.value,
        goal,
        least_change,
        text: format!("{text}."),
    }
}
