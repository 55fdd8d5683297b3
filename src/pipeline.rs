//! Pipeline: the story from two videos to one measured delivery.

/// Whose problem an error is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Blame {
    /// The input or the set-up: the person at the keyboard can act.
    Input,
    /// The machine or the program.
    Machine,
}

/// Placeholder.
#[derive(Debug, thiserror::Error)]
#[error("x")]
pub struct PipelineError;

impl PipelineError {
    /// Whose problem it is.
    #[must_use]
    pub fn blame(&self) -> Blame {
        Blame::Input
    }
}
