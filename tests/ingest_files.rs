//! Video files good and bad.
