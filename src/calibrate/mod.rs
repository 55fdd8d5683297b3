//! Calibrate: views of a checkerboard become a stereo rig.
