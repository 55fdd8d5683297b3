//! All integration tests in one binary, one module a theme.

mod accuracy_page;
mod architecture;
mod bad_recordings;
mod ball_hazards;
mod ball_studio;
mod calibrate_board;
mod calibrate_import;
mod calibrate_outside;
mod calibrate_refused;
mod cli_stories;
mod detect_real_people;
mod ingest_files;
mod kinematics_docs;
mod kinematics_joints;
mod kinematics_laws;
mod kinematics_schema;
mod pipeline_end_to_end;
mod real_people;
mod reconstruct_laws;
mod reference_python;
mod scene_pictures;
mod scene_truth;
mod smooth_reference;
mod stereo_pictures;
mod sync_clocks;
mod triangulate_laws;
