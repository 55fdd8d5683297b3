//! Several deliveries of one athlete: a page ([`session_page`]) and a table for the terminal ([`session_table`]).
//! Nothing is computed here but rounding.

/// The page.
mod page;

/// Small charts of the deliveries in order.
mod strip;

/// The figures by part of the body.
mod tables;

/// The table for the terminal.
mod terminal;

/// Sentences.
mod words;

pub use page::session_page;
pub use terminal::session_table;
