//! Detect: frames become the athlete's joints in the picture.
