//! What comes out: findings with their evidence, as `delivery.json` has them.

use serde::{Deserialize, Serialize};

use crate::findings::Level;

/// Everything found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    /// Whose published values the figures were compared with; null: with none.
    #[serde(default)]
    pub level: Option<Level>,
    /// How many deliveries the figures are means of.
    pub deliveries: usize,
    /// The one to work on first: the id of one of `faults`; null when there is none.
    pub first: Option<String>,
    /// What is worth working on: the first one first, then what it explains, then the rest from the ground up.
    pub faults: Vec<Finding>,
    /// What is good and worth keeping.
    pub good: Vec<Finding>,
    /// What could be a fault, but cannot be told.
    pub undecided: Vec<Undecided>,
    /// What to mind before acting on any of it.
    pub cautions: Vec<String>,
}

impl Findings {
    /// The one to work on first.
    #[must_use]
    pub fn to_work_on_first(&self) -> Option<&Finding> {
        let first = self.first.as_ref()?;
        self.faults.iter().find(|f| f.id == *first)
    }
}

/// One thing found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable identifier, as `docs/findings.md` lists it.
    pub id: String,
    /// A few words.
    pub title: String,
    /// The sentence with the evidence.
    pub text: String,
    /// How sure, in words.
    pub sure: Sureness,
    /// Least probability, given the doubts, that the rule's condition holds, 0 to 1.
    pub probability: f64,
    /// The figures it rests on.
    pub clues: Vec<Clue>,
    /// Faults found here that this one explains, by id.
    pub explains: Vec<String>,
    /// Faults found here that explain this one, by id.
    pub explained_by: Vec<String>,
    /// What to work on; empty for what is good.
    pub work_on: String,
    /// What would show that it improved; empty for what is good.
    pub improved_when: Vec<Improvement>,
    /// Where the threshold comes from.
    pub source: String,
    /// How it came here: `SEEN` read at the source, `MEM-H`, `MEM-M` from memory, `common practice` without a source.
    pub provenance: String,
    /// Why not to lean on it, where there is a reason.
    #[serde(default)]
    pub caveat: Option<String>,
}

/// How sure a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sureness {
    /// Four times in five at least.
    Likely,
    /// Nineteen times in twenty at least.
    VeryLikely,
}

impl Sureness {
    /// In words, for a sentence.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Likely => "likely",
            Self::VeryLikely => "very likely",
        }
    }
}

/// Which side of a threshold is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Larger.
    Above,
    /// Smaller.
    Below,
}

/// A figure, or a difference of two, beside its threshold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Clue {
    /// Metric id.
    pub metric: String,
    /// Metric id of what is taken from it, where the clue is a difference.
    #[serde(default)]
    pub minus: Option<String>,
    /// The value.
    pub value: f64,
    /// Its standard deviation, with the errors that all recordings share; null for exact joints.
    pub sd: Option<f64>,
    /// Unit of value, standard deviation and threshold.
    pub unit: String,
    /// Which side of the threshold was looked for.
    pub direction: Direction,
    /// The threshold.
    pub threshold: f64,
    /// Probability that the true value lies on that side.
    pub probability: f64,
}

/// A change that would show progress.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Improvement {
    /// Metric id.
    pub metric: String,
    /// Metric id of what is taken from it, where a difference is meant.
    #[serde(default)]
    pub minus: Option<String>,
    /// Unit of the numbers.
    pub unit: String,
    /// Value now.
    pub now: f64,
    /// Where it should come to: the threshold's other side.
    pub goal: f64,
    /// Least change between two measurements like this one that is worth believing (two standard deviations of their
    /// difference); null for exact joints.
    pub least_change: Option<f64>,
    /// All of that as a sentence.
    pub text: String,
}

/// A fault that cannot be told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Undecided {
    /// Stable identifier.
    pub id: String,
    /// A few words.
    pub title: String,
    /// Why it cannot be told, and what would help.
    pub text: String,
}
