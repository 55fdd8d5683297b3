//! Kinematics: analytic bodies, laws, outside references.
