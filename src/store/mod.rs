//! Store: results become files, whole or not at all.
