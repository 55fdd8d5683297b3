//! Motion: a pitching delivery with exact truth, from joint-angle curves of our own making.
//!
//! A [`Style`] and a [`Rig`] give a [`Delivery`]: the rig's posture at any instant, the joints, the ball. Curves are keyed
//! to [`Phases`] and smooth to the third derivative. The lead foot does not move once it has landed: legs are solved from
//! hips and feet, arms from the angles that the metrics define. A left-hander is the exact mirror image.

/// Curves from smooth moves.
mod curves;

/// Orientations from directions.
mod orient;

/// Instants that curves are keyed to.
mod phases;

/// How somebody pitches.
mod style;

/// Pelvis, trunk, head.
mod trunk;

/// Two-bone legs.
mod leg_chain;

/// Hips and feet.
mod legs;

/// Arm bones from angles.
mod arm_chain;

/// Arm angles over time.
mod arm;

/// The ball.
mod ball;

/// All curves together, for a right-hander.
mod choreography;

/// One delivery.
mod delivery;

pub use ball::{CATCHER_X_M, Flight};
pub use delivery::Delivery;
pub use phases::Phases;
pub use style::{Level, Style, UnknownStyle};
