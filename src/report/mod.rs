//! Report: results become pages and tables.
