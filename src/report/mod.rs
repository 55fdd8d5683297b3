//! Report: results become pages and tables.
//!
//! Input: the records of [`crate::store`], figures over time and key pictures ([`ReportContent`]). Output: one
//! self-contained page for all deliveries of a recording ([`page`]), readable on a phone, without network; and a table
//! for the terminal ([`terminal_table`]). Nothing is computed here but rounding.

/// What is said.
mod content;

/// Curves as pictures.
mod chart;

/// Words for metrics and events.
mod labels;

/// Numbers as people read them.
mod numbers;

/// The figures of one delivery, by part of the body.
mod figures;

/// The page.
mod html;

/// Fixed texts of the page.
mod notes;

/// The table for the terminal.
mod table;

pub use content::{Curve, Curves, DeliveryContent, KeyPicture, ReportContent};
pub use html::page;
pub use table::terminal_table;

/// What can go wrong with a page.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A chart could not be drawn; a fault of the program.
    #[error("the chart '{title}' could not be drawn: {why}")]
    Chart {
        /// Which one.
        title: &'static str,
        /// What the drawing library says.
        why: String,
    },
}
