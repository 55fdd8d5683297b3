//! Findings: planted faults are named, clean deliveries are left in peace, doubt is heeded, pages follow the data files.
#![expect(clippy::print_stdout, reason = "tables are for --nocapture")]

mod docs;
mod laws;
mod measured;
mod planted;
mod published;
mod told;
