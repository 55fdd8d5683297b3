//! Kinematics: a trajectory becomes events and metrics.
