//! Scene: the film studio, rendered recordings with exact truth.

/// Bones and forward kinematics.
pub mod rig;

/// Rotation in a film's track header.
mod track_header;

/// Pictures and sound into a video file.
pub mod encode;
