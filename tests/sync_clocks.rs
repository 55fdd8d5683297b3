//! Clocks from sound and motion.
