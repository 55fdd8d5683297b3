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

/// Passers-by.
pub mod walk;

/// What really happened.
pub mod truth;

/// What each phone hears.
pub mod sound;

/// Packed bodies: meshes, rigs, skin weights.
pub mod body;

/// A mesh follows its bones.
mod skin;

/// Clothes, cap, glove and colours on a body.
pub mod dress;

/// Colours and number of what a person wears.
pub mod outfit;

/// Shapes worn.
mod garment;

/// Colours and patterns.
pub mod material;

/// The still set and its light.
pub mod set;

/// Triangles become samples.
mod raster;

/// Moving surfaces in one frame.
mod moving;

/// Shadows.
mod shadow;

/// Lens, place, shutter, clock and sensor of a film phone.
pub mod phone;

/// Light becomes coded planes with noise.
mod develop;

/// Films of a delivery.
pub mod film;

/// A ball dropped for the clocks.
pub mod dropped;

/// The checkerboard and films of it.
pub mod board;

/// Where the checkerboard is held.
pub mod board_plan;
