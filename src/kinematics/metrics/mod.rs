//! The metrics by part of the body: each file holds its rows of the catalogue and the functions that compute them.

/// Stride, knees, drive hip and heel.
pub(super) mod legs;

/// Rotations, separation and tilts of pelvis and trunk.
pub(super) mod trunk;

/// Shoulder and elbow of the throwing arm.
pub(super) mod arm;

/// Peak speeds and the delays between them.
pub(super) mod speeds;

/// Ball, release point and the pelvis before its rotation.
pub(super) mod release;

/// Kinetic energies.
pub(super) mod energies;
