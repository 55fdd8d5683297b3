//! Calibration against the outside: OpenCV and its real pictures.
