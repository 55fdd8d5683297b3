//! Accuracy: many rendered deliveries, measured by the whole program and compared with their truth.
//!
//! [`add`] films one numbered delivery ([`Scenario`]), measures it as a coach would, compares, deletes the films and adds
//! one line to the folder's log; [`read_log`] and [`page`] turn the log into `docs/accuracy.md`. A number always means the
//! same delivery, so that a run may be broken off, go on later, or be made in pieces. Boards are filmed and calibrated
//! once for each pair of phones.
//!
//! With [`Variant`]s other than the first, one source of error at a time is taken away: the error budget.

/// Who throws, how, in what light, filmed by which phones.
mod scenario;

/// One delivery filmed, measured, compared.
mod trial;

/// What a variant takes as known.
mod perfect;

/// The log, and what a line holds.
mod log;

/// Errors gathered figure by figure.
mod figures;

/// What each figure should reach.
mod goals;

/// The page of documentation.
mod page;

/// Where the errors come from.
mod budget;

pub use log::{Trial, read_log};
pub use page::page;
pub use scenario::Scenario;
pub use trial::{Variant, add};
