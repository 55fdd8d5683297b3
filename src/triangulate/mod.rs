//! Triangulate: two pose tracks become joints in space.
