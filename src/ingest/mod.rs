//! Ingest: a phone's video file becomes frames with exact presentation times and mono sound.
