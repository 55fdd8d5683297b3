//! The rules as data: what each looks at, its threshold with its source, its words. `rules.toml` is the only place where a
//! threshold of a finding stands.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::findings::{Direction, FindingsError};
use crate::kinematics::catalogue;

const FILE: &str = "rules.toml";
const TEXT: &str = include_str!("rules.toml");

/// All rules.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Rules {
    /// What is worth working on, from the ground up.
    pub(super) fault: Vec<Rule>,
    /// What is worth keeping.
    pub(super) good: Vec<Rule>,
    /// What to mind.
    #[serde(default)]
    pub(super) caution: Vec<Caution>,
}

/// What to mind, and when.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Caution {
    pub(super) when: When,
    pub(super) text: String,
}

/// When a caution is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum When {
    /// Always.
    Always,
    /// The athlete still grows.
    Young,
    /// Few deliveries stand behind the figures.
    Few,
    /// Enough of them.
    Several,
}

/// One rule.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Rule {
    pub(super) id: String,
    pub(super) title: String,
    /// What it looks at.
    pub(super) clue: Vec<ClueRule>,
    /// How many of the clues must hold; all when not given.
    #[serde(default)]
    least: Option<usize>,
    /// How many must hold before this may be the one to work on first; as many as `least` when not given.
    #[serde(default)]
    least_to_be_first: Option<usize>,
    /// It follows from others and is never the one to work on first.
    #[serde(default)]
    pub(super) never_first: bool,
    /// Figures that are stated along with it where they are known; nothing hangs on them.
    #[serde(default)]
    pub(super) beside: Vec<Beside>,
    /// Faults that follow from this one.
    #[serde(default)]
    pub(super) explains: Vec<String>,
    /// What it means, after the evidence.
    pub(super) text: String,
    /// What to work on.
    #[serde(default)]
    pub(super) work_on: String,
    pub(super) source: String,
    pub(super) provenance: String,
    #[serde(default)]
    pub(super) caveat: Option<String>,
}

/// One threshold.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ClueRule {
    pub(super) metric: String,
    /// Taken from it.
    #[serde(default)]
    pub(super) minus: Option<String>,
    #[serde(default)]
    above: Option<f64>,
    #[serde(default)]
    below: Option<f64>,
    /// The evidence as a clause; `{value}`, `{size}` (without its sign) and `{threshold}` are filled in.
    pub(super) says: String,
    /// What the figure is called in a sentence.
    pub(super) name: String,
}

/// A figure stated along.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Beside {
    pub(super) metric: String,
    #[serde(default)]
    pub(super) minus: Option<String>,
    /// A clause; `{value}` is filled in.
    pub(super) says: String,
}

impl Rule {
    /// How many clues must hold.
    pub(super) fn least(&self) -> usize {
        self.least.unwrap_or(self.clue.len())
    }

    /// How many must hold before it may be first.
    pub(super) fn least_to_be_first(&self) -> usize {
        self.least_to_be_first.unwrap_or(self.least())
    }
}

impl ClueRule {
    /// Threshold and side; the tables are checked to have just one of both.
    pub(super) fn threshold(&self) -> (Direction, f64) {
        match (self.above, self.below) {
            (Some(limit), _) => (Direction::Above, limit),
            (None, limit) => (Direction::Below, limit.unwrap_or(f64::NEG_INFINITY)),
        }
    }
}

/// The rules that come with the program.
pub(super) fn rules() -> Result<&'static Rules, FindingsError> {
    static RULES: LazyLock<Result<Rules, FindingsError>> = LazyLock::new(|| parsed(TEXT));
    RULES.as_ref().map_err(Clone::clone)
}

fn parsed(text: &str) -> Result<Rules, FindingsError> {
    let broken = |why: String| FindingsError::Table { file: FILE, why };
    let rules: Rules = toml::from_str(text).map_err(|e| broken(e.to_string()))?;
    let ids: BTreeSet<&str> = rules.fault.iter().map(|r| r.id.as_str()).collect();
    for rule in rules.fault.iter().chain(&rules.good) {
        let wrong = |why: &str| Err(broken(format!("{}: {why}", rule.id)));
        if rule.clue.is_empty() || rule.least() == 0 || rule.least() > rule.clue.len() {
            return wrong("it needs clues, and as many as must hold");
        }
        if rule.clue.iter().any(|c| c.above.is_some() == c.below.is_some()) {
            return wrong("each clue has one of `above` and `below`");
        }
        let metrics = rule.clue.iter().map(|c| (&c.metric, &c.minus));
        let beside = rule.beside.iter().map(|b| (&b.metric, &b.minus));
        for (metric, minus) in metrics.chain(beside) {
            for id in [Some(metric), minus.as_ref()].into_iter().flatten() {
                if !catalogue().any(|d| d.id == id) {
                    return wrong(&format!("{id} is not a metric"));
                }
            }
        }
        if rule.explains.iter().any(|id| !ids.contains(id.as_str())) {
            return wrong("it explains a fault that is not there");
        }
    }
    if ids.len() != rules.fault.len() {
        return Err(broken("an id stands twice".to_owned()));
    }
    // What nothing left explains is taken away; a circle stays.
    let mut left: Vec<&Rule> = rules.fault.iter().collect();
    while let Some(at) = left
        .iter()
        .position(|rule| !left.iter().any(|cause| cause.explains.contains(&rule.id)))
    {
        left.remove(at);
    }
    if let Some(rule) = left.first() {
        return Err(broken(format!("{}: it explains itself in a circle", rule.id)));
    }
    Ok(rules)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONE: &str = r#"
good = []
[[fault]]
id = "a"
title = "t"
text = "x"
source = "s"
provenance = "SEEN"
explains = []
clue = [{ metric = "stride_length_pct_height", below = 60.0, says = "{value}", name = "n" }]
"#;

    #[test]
    fn the_rules_that_come_along_hold_together() {
        let rules = rules().unwrap();
        assert!(rules.fault.len() >= 10 && rules.good.len() >= 5);
    }

    #[test]
    fn a_broken_table_says_what_is_wrong() {
        assert!(parsed(ONE).is_ok());
        for (from, to, what) in [
            ("below = 60.0", "below = 60.0, above = 1.0", "one of"),
            ("below = 60.0, ", "", "one of"),
            ("stride_length_pct_height", "stride", "not a metric"),
            ("explains = []", "explains = [\"b\"]", "not there"),
            ("provenance", "provenence", "provenence"),
            ("explains = []", "least = 2", "as many"),
            ("explains = []", "explains = [\"a\"]", "circle"),
        ] {
            let error = parsed(&ONE.replace(from, to)).unwrap_err();
            assert!(error.to_string().contains(what), "{error}");
        }
    }
}
