//! Reconstruct: everything becomes one constrained estimate.
