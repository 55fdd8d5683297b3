//! The world from marks on the ground against a known rig: phones that are not quite level, ground that is not quite even,
//! marks set by eye.

use nalgebra::{Rotation3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::calibrate::CalibrateError;
use crate::calibrate::ground::{GroundMark, ground_world};
use crate::calibrate::projected::rig;
use crate::calibrate::world::WorldFrame;
use crate::geometry::{PixelPoint, RightFromLeft, Rigid, StereoRig, WorldFromLeft, WorldPoint};

/// The rubber's front edge, a ball laid on the line to the plate down the mound's slope, and points behind and beside.
const RUBBER: [f64; 3] = [0.0, 0.0, 0.0];
const LINE: [f64; 3] = [3.0, -0.24, 0.0];
const BEHIND: [[f64; 3]; 3] = [[-3.0, -0.2, 0.0], [-1.5, -0.1, 2.5], [-1.5, -0.1, -2.5]];

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A rig whose phones lean aside as tripods do.
fn leaning_rig(rng: &mut ChaCha8Rng) -> StereoRig {
    let rig = rig(80.0);
    let mut roll = || Rotation3::from_axis_angle(&Vector3::z_axis(), (1.5 * normal(rng)).to_radians());
    let still = |rotation| Rigid::new(rotation, Vector3::zeros());
    let (left, right) = (still(roll()), still(roll()));
    StereoRig {
        right_from_left: RightFromLeft(right.after(&rig.right_from_left.0.after(&left.inverse()))),
        world_from_left: rig
            .world_from_left
            .map(|w| WorldFromLeft(w.0.after(&left.inverse()))),
        ..rig
    }
}

/// Marks of these places, `mark_px` off in each picture, on ground uneven by `uneven_m`.
fn marks(
    rig: &StereoRig,
    places: &[[f64; 3]],
    with_heights: bool,
    [mark_px, uneven_m]: [f64; 2],
    rng: &mut ChaCha8Rng,
) -> Vec<GroundMark> {
    let left = rig.world_from_left.unwrap().left_from_world();
    places
        .iter()
        .map(|place| {
            let off = Vector3::new(0.0, uneven_m * normal(rng), 0.02 / 0.03 * uneven_m * normal(rng));
            let local = left.apply(WorldPoint(Vector3::from(*place) + off));
            let pixels = [
                rig.left.project(local),
                rig.right.project(rig.right_from_left.apply(local)),
            ];
            GroundMark {
                at: pixels.map(|p| {
                    let p = p.unwrap();
                    PixelPoint::new(p.x_px + mark_px * normal(rng), p.y_px + mark_px * normal(rng))
                }),
                height_m: with_heights.then_some(place[1]),
            }
        })
        .collect()
}

/// Turns about the target line, the vertical and the crosswise axis, degrees.
fn off_deg(rig: &StereoRig, world: &WorldFrame) -> Vector3<f64> {
    let truth = rig.world_from_left.unwrap().0.rotation;
    (world.world_from_left.0.rotation * truth.inverse())
        .scaled_axis()
        .map(f64::to_degrees)
}

#[test]
fn exact_marks_give_the_exact_world() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let rig = rig(80.0);
    let places = [RUBBER, LINE, BEHIND[0], BEHIND[1]];
    let world = ground_world(&rig, &marks(&rig, &places, true, [0.0, 0.0], &mut rng), None).unwrap();
    assert!(off_deg(&rig, &world).norm() < 1e-6, "{world:?}");
    let origin = world.world_from_left.0.translation_m - rig.world_from_left.unwrap().0.translation_m;
    assert!(origin.norm() < 1e-6, "{origin}");
    assert_eq!((world.marks, world.standings), (4, 0));
}

#[test]
fn the_stated_doubt_of_the_marks_world_holds_on_eighty_set_ups() {
    let sets: [(&str, Vec<[f64; 3]>, bool); 2] = [
        ("two marks", vec![RUBBER, LINE], false),
        (
            "five marks of known height",
            [vec![RUBBER, LINE], BEHIND.to_vec()].concat(),
            true,
        ),
    ];
    for (name, places, with_heights) in sets {
        let (mut tilts, mut yaws, mut tilt_in, mut yaw_in, mut stated) = (0.0, 0.0, 0, 0, [0.0; 2]);
        for seed in 0..80 {
            let mut rng = ChaCha8Rng::seed_from_u64(50 + seed);
            let rig = leaning_rig(&mut rng);
            let world = ground_world(
                &rig,
                &marks(&rig, &places, with_heights, [1.5, 0.03], &mut rng),
                None,
            )
            .unwrap();
            let off = off_deg(&rig, &world);
            // The tilt's stated deviation is that of one axis on average: both axes' squares together are held against it.
            tilts += (off.x * off.x + off.z * off.z) / 160.0;
            yaws += off.y * off.y / 80.0;
            tilt_in += [off.x, off.z]
                .iter()
                .filter(|t| t.abs() < 1.645 * world.sd_tilt_deg)
                .count();
            yaw_in += usize::from(off.y.abs() < 1.645 * world.sd_yaw_deg);
            stated[0] += world.sd_tilt_deg / 80.0;
            stated[1] += world.sd_yaw_deg / 80.0;
        }
        let (tilt, yaw) = (tilts.sqrt(), yaws.sqrt());
        println!(
            "{name}: RMS tilt {tilt:.2}, yaw {yaw:.2} degrees, stated {:.2} and {:.2}; 90 % intervals hold {tilt_in} of 160 tilts, {yaw_in} of 80 yaws",
            stated[0], stated[1]
        );
        // Squares of 160 and 80 draws scatter by 11 and 16 %.
        assert!(
            (tilt / stated[0]).powi(2) < 1.35 && (tilt / stated[0]).powi(2) > 0.65,
            "{tilt}"
        );
        assert!(
            (yaw / stated[1]).powi(2) < 1.5 && (yaw / stated[1]).powi(2) > 0.5,
            "{yaw}"
        );
        assert!((66..=80).contains(&yaw_in), "{yaw_in}");
        assert!(yaw < 0.8, "{yaw}");
        assert!(tilt < if with_heights { 1.0 } else { 1.9 }, "{tilt}");
    }
}

#[test]
fn an_upright_board_makes_the_vertical_of_two_marks_surer() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let rig = rig(80.0);
    let two = marks(&rig, &[RUBBER, LINE], false, [1.0, 0.0], &mut rng);
    let alone = ground_world(&rig, &two, None).unwrap();
    let board = WorldFrame {
        world_from_left: rig.world_from_left.unwrap(),
        sd_tilt_deg: 0.6,
        sd_yaw_deg: 0.6,
        phones: 2,
        standings: 5,
        marks: 0,
    };
    let both = ground_world(&rig, &two, Some(&board)).unwrap();
    assert!(
        both.sd_tilt_deg < 0.6 && alone.sd_tilt_deg > 0.9,
        "{both:?} {alone:?}"
    );
    assert_eq!(both.standings, 5);
}

#[test]
fn marks_that_cannot_be_are_refused_with_what_to_do() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let rig = rig(80.0);
    let good = marks(&rig, &[RUBBER, LINE], false, [0.0, 0.0], &mut rng);
    let refused = |marks: &[GroundMark]| ground_world(&rig, marks, None).unwrap_err();
    let few = refused(&good[..1]);
    assert!(matches!(few, CalibrateError::TooFewMarks { found: 1 }), "{few}");
    let mut exchanged = good.clone();
    exchanged[1].at.swap(0, 1);
    let apart = refused(&exchanged);
    assert!(
        matches!(apart, CalibrateError::MarkApart { number: 2, .. }),
        "{apart}"
    );
    assert!(apart.to_string().contains("LEFT's"));
    let mut off = good.clone();
    off[0].at[1].y_px += rng.random_range(30.0..40.0);
    assert!(matches!(
        refused(&off),
        CalibrateError::MarkApart { number: 1, .. }
    ));
    let close = marks(&rig, &[RUBBER, [0.4, 0.0, 0.1]], false, [0.0, 0.0], &mut rng);
    assert!(matches!(refused(&close), CalibrateError::MarksClose { .. }));
}
