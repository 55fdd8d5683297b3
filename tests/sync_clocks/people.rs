//! Two tracks of one person, and of two.

use nalgebra::Vector3;

use twinmound::geometry::Phone;
use twinmound::skeleton::Joint;
use twinmound::sync::{MotionSearch, MotionViews, views_apart_px};
use twinmound::track::PoseTrack;

use super::{Noise, Scene, joint_at, scene, track};

fn apart_px(scene: &Scene, left: &PoseTrack, right: &PoseTrack) -> Option<f64> {
    let views = MotionViews {
        left,
        right,
        rig: &scene.rig,
        left_shutter: &scene.left,
        right_shutter: &scene.right,
    };
    views_apart_px(&views, &MotionSearch::default())
}

/// One metre from the pitcher, at any side, stands another; their clocks are unknown.
#[test]
fn one_person_fits_the_rig_and_two_do_not() {
    let scene = scene();
    let beside = |x: f64, z: f64| move |joint: Joint, _: f64| joint_at(joint, 0.0) + Vector3::new(x, 0.0, z);
    let film = |phone, motion: &dyn Fn(Joint, f64) -> Vector3<f64>| {
        track(&scene, phone, 0.17, Noise::Coloured, 5, motion)
    };
    let pitcher = [film(Phone::Left, &joint_at), film(Phone::Right, &joint_at)];
    let same = apart_px(&scene, &pitcher[0], &pitcher[1]).unwrap();
    println!("the same person: {same:.1} px");
    assert!(same < 6.0, "{same}");
    for (x, z) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0), (0.7, 0.7)] {
        let other = [
            film(Phone::Left, &beside(x, z)),
            film(Phone::Right, &beside(x, z)),
        ];
        let same = apart_px(&scene, &other[0], &other[1]).unwrap();
        let across = apart_px(&scene, &pitcher[0], &other[1]).unwrap();
        let back = apart_px(&scene, &other[0], &pitcher[1]).unwrap();
        println!("{x:+.1}, {z:+.1} m: himself {same:.1} px, with the pitcher {across:.1} and {back:.1} px");
        assert!(same < 6.0, "{same}");
    }
    assert_eq!(apart_px(&scene, &pitcher[0], &PoseTrack::default()), None);
}
