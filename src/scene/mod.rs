//! Scene: the film studio, rendered recordings with exact truth.

/// Bones and forward kinematics.
pub mod rig;
