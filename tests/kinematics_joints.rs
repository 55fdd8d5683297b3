//! Joints from elsewhere: `measure --joints`, `export`, and what other programs read of them.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

/// Tables of the studio's deliveries.
pub(crate) mod tables;

/// Measured as the exact motion is.
mod measured;

/// Slips that are refused, and what is said.
mod refused;

/// Files for other programs, read by them.
mod read_elsewhere;
