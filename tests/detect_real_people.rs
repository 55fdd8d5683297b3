//! The detector on real people.
