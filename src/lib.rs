//! twinmound measures a baseball pitcher's delivery from two phone videos and a printed checkerboard.
//!
//! The flow, one folder a stage:
//!
//! | stage | takes | gives |
//! |---|---|---|
//! | [`ingest`] | a phone's video file | frames with exact times, sound |
//! | [`sync`] | two sound tracks, later two pose tracks | the offset between the two clocks |
//! | [`calibrate`] | two views of the checkerboard | the stereo rig and its quality |
//! | [`detect`] | frames | the athlete's joints in the picture, with doubt |
//! | [`triangulate`] | two pose tracks, rig, clocks | joints in space, with covariance |
//! | [`smooth`] | joints in space | a trajectory: position, velocity, acceleration |
//! | [`reconstruct`] | everything above | one constrained estimate per delivery |
//! | [`ball`] | the frames about release, the throwing hand | the ball's flight, or why it was not seen |
//! | [`kinematics`] | a trajectory | events and metrics, each with its doubt |
//! | [`findings`] | metrics, or their means over deliveries | what to work on, with evidence and sources |
//! | [`session`] | the metrics of several deliveries | mean, spread, the smallest change worth believing |
//! | [`report`], [`store`] | results | pages, tables, files |
//!
//! [`pipeline`] tells that story in code. [`scene`] is the film studio: rendered recordings whose truth is known.
//! Conventions of frames, pixels and time are fixed in [`geometry`].

/// Seconds, radians, degrees as types.
pub mod units;

/// The joints we track.
pub mod skeleton;

/// Warnings, statuses, progress.
pub mod quality;

/// Frames, cameras, rigs, shutters: the conventions.
pub mod geometry;

/// Pictures as planes.
pub mod picture;

/// Joints in one phone's pictures over time.
pub mod track;

/// Joints in space over time.
pub mod trajectory;

/// A phone's video file becomes frames with exact times, and sound.
pub mod ingest;

/// Two phones' clocks become one.
pub mod sync;

/// Views of a checkerboard become a stereo rig.
pub mod calibrate;

/// Frames become the athlete's joints in the picture.
pub mod detect;

/// Two pose tracks become joints in space.
pub mod triangulate;

/// Joints in space become a trajectory.
pub mod smooth;

/// Everything becomes one constrained estimate.
pub mod reconstruct;

/// The first frames of the ball's flight become one path in space.
pub mod ball;

/// A trajectory becomes events and metrics.
pub mod kinematics;

/// Metrics become sentences with evidence.
pub mod findings;

/// Several deliveries of one athlete become one summary.
pub mod session;

/// The film studio: rendered recordings with exact truth.
pub mod scene;

/// Results become pages and tables.
pub mod report;

/// Results become files, whole or not at all.
pub mod store;

/// The story: from two videos to one measured delivery.
pub mod pipeline;

/// Films a scenario, runs the whole job on it, compares with the truth.
pub mod demo;

/// Many rendered deliveries, measured and compared: how true the figures are.
pub mod accuracy;

/// The command line.
pub mod cli;
