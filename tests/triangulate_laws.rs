//! Triangulation: laws and references.
