//! Smooth: joints in space become a trajectory.
