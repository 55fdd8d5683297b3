//! Doubt as data: warnings that travel with a result instead of vanishing in a log.

use serde::{Deserialize, Serialize};

/// Something the reader of a result should know, with what to do about it. Written to `warnings` of `delivery.json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Warning {
    /// Stable identifier in snake case, for machines.
    pub code: String,
    /// One sentence for people, with values.
    pub text: String,
    /// What to do about it.
    pub hint: String,
}

impl Warning {
    /// A warning from its three parts.
    pub fn new(code: &str, text: impl Into<String>, hint: impl Into<String>) -> Self {
        Self {
            code: code.to_owned(),
            text: text.into(),
            hint: hint.into(),
        }
    }
}

/// Collects warnings on the way through the stages; the same code with the same text is kept once.
#[derive(Clone, Debug, Default)]
pub struct Warnings(Vec<Warning>);

impl Warnings {
    /// Adds a warning unless it is already there.
    pub fn add(&mut self, warning: Warning) {
        if !self.0.contains(&warning) {
            tracing::debug!(code = warning.code, text = warning.text, "warning");
            self.0.push(warning);
        }
    }

    /// Adds all of another stage's warnings.
    pub fn extend(&mut self, others: impl IntoIterator<Item = Warning>) {
        for warning in others {
            self.add(warning);
        }
    }

    /// All warnings in the order they came.
    #[must_use]
    pub fn as_slice(&self) -> &[Warning] {
        &self.0
    }

    /// The collected list.
    #[must_use]
    pub fn into_vec(self) -> Vec<Warning> {
        self.0
    }
}

/// How far a printed value may be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// Measured, with the stated standard deviation.
    Measured,
    /// A value exists, but the stated reason makes it unsafe to act on.
    Doubtful,
    /// Two phones cannot see it here; the reason says why.
    NotMeasurable,
}

/// Progress of a long stage; the library never prints.
pub trait Progress: Sync {
    /// A named stage begins; `total` items when known.
    fn start(&self, stage: &str, total: Option<u64>);
    /// Items done since the last call.
    fn advance(&self, items: u64);
    /// The running stage is over.
    fn finish(&self);
}

/// Progress that nobody watches.
pub struct Silent;

impl Progress for Silent {
    fn start(&self, _stage: &str, _total: Option<u64>) {}
    fn advance(&self, _items: u64) {}
    fn finish(&self) {}
}
