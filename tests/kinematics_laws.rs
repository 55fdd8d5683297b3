//! Kinematics: analytic bodies, laws, outside references.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "tests, and the functions they share, may fail by panicking"
)]

/// Made motions the other modules measure.
mod motions;

/// Angles: worked cases and the frames behind them.
mod angles;

/// Bodies whose speeds and energies are known in closed form.
mod analytic;

/// A jointed body moved by a physics engine.
mod engine;

/// Speeds by a second route.
mod second_opinion;

/// The four events.
mod events;

/// Release of a ball that was seen.
mod release;

/// Every metric against a second implementation.
mod second_route;

/// Statuses, reasons, missing joints.
mod statuses;

/// Standard deviations.
mod doubt;
