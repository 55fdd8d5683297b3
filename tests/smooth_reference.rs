//! The smoother against reference implementations.
