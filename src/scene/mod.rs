//! Scene: the film studio, rendered recordings with exact truth.

/// Bones and forward kinematics.
pub mod rig;

/// Rotation in a film's track header.
mod track_header;

/// A film's sound track.
mod film_sound;

/// Pictures and sound into a video file.
pub mod encode;

/// A body of average proportions without a mesh.
mod rig_proportions;

/// A pitching delivery with exact truth.
pub mod motion;

/// What really happened.
pub mod truth;

/// What each phone hears.
pub mod sound;
