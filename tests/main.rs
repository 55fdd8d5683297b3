//! All integration tests in one binary, one module a theme.

mod architecture;
mod calibrate_outside;
mod detect_real_people;
mod ingest_files;
mod kinematics_docs;
mod kinematics_laws;
mod reconstruct_laws;
mod scene_pictures;
mod scene_truth;
mod smooth_reference;
mod sync_clocks;
mod triangulate_laws;
