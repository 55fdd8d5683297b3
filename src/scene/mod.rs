//! Scene: the film studio, rendered recordings with exact truth.
