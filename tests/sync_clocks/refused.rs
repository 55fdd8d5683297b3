//! Motion that does not fix the clocks, or does not belong to the rig.

use nalgebra::Vector3;

use twinmound::geometry::Phone;
use twinmound::skeleton::Joint;
use twinmound::sync::{MotionSearch, SyncError};
use twinmound::track::PoseTrack;

use super::{Noise, Scene, joint_at, scene, solve, track};

#[test]
fn motion_that_does_not_fix_the_clocks_is_refused() {
    let scene = scene();
    let film = |phone, seed, motion: &dyn Fn(Joint, f64) -> Vector3<f64>| {
        track(&scene, phone, 0.0, Noise::White, seed, motion)
    };
    let pair = |seed, motion: &dyn Fn(Joint, f64) -> Vector3<f64>| {
        (film(Phone::Left, seed, motion), film(Phone::Right, seed, motion))
    };
    let search = MotionSearch::default();
    let standing = |joint, _| joint_at(joint, 0.0);
    let error = solve(&scene, &pair(1, &standing), &search).unwrap_err();
    assert!(matches!(error, SyncError::TooStill { .. }), "{error}");
    assert!(solve(&scene, &(PoseTrack::default(), PoseTrack::default()), &search).is_err());
    // Warming up: a swing that repeats fits several offsets.
    let swinging = |joint, t: f64| {
        joint_at(joint, 0.0) + Vector3::new(0.25, 0.2, 0.1) * (std::f64::consts::TAU * 3.7 * t).sin()
    };
    let error = solve(&scene, &pair(2, &swinging), &search).unwrap_err();
    assert!(matches!(error, SyncError::MotionAmbiguous { .. }), "{error}");
    // The true offset outside the search.
    let off = (
        film(Phone::Left, 3, &joint_at),
        track(&scene, Phone::Right, 0.3, Noise::White, 3, &joint_at),
    );
    let narrow = MotionSearch {
        half_width_s: 0.05,
        ..search
    };
    let error = solve(&scene, &off, &narrow).unwrap_err();
    assert!(matches!(error, SyncError::AtTheEdge { .. }), "{error}");
    // A phone that was moved after the calibration.
    let mut moved = scene_with_turned_right();
    let error = solve(&moved, &pair(4, &joint_at), &search).unwrap_err();
    assert!(
        matches!(
            error,
            SyncError::ViewsDisagree { .. } | SyncError::AtTheEdge { .. }
        ),
        "{error}"
    );
    moved.rig = scene.rig.clone();
    assert!(solve(&moved, &pair(4, &joint_at), &search).is_ok());
    // Too exact an answer asked for.
    let strict = MotionSearch {
        max_sd_s: 1e-6,
        ..search
    };
    let error = solve(&scene, &pair(5, &joint_at), &strict).unwrap_err();
    assert!(matches!(error, SyncError::Unconstrained { .. }), "{error}");
}

fn scene_with_turned_right() -> Scene {
    let mut scene = scene();
    let turn = nalgebra::Rotation3::from_euler_angles(0.08, 0.0, 0.05);
    let pose = &mut scene.rig.right_from_left.0;
    pose.rotation = turn * pose.rotation;
    pose.translation_m = turn * pose.translation_m;
    scene
}
