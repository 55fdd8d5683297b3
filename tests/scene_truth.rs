//! The film studio's own truth.
