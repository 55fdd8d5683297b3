//! The vertical and the target line, and their stated doubt, on rendered set-ups whose boards lean.
//!
//! Forty set-ups: the hand's steadiness is drawn between 0.6 and 1.8 degrees for each, every standing's lean and turn from
//! it, and what all standings share (ground, print) of 0.3 degrees. Corners are projected with noise.

use nalgebra::{Rotation3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::calibrate::projected::{BY_CLOCK, Session, settings};
use crate::calibrate::world::{WorldFrame, world_frame};
use crate::calibrate::{CalibrateSettings, Pairing};

/// Errors of one set-up: turns about the target line, the vertical and the crosswise axis, degrees.
fn errors_deg(session: &Session, world: &WorldFrame) -> Vector3<f64> {
    let truth = session.rig.world_from_left.unwrap().0.rotation;
    let off: Rotation3<f64> = world.world_from_left.0.rotation * truth.inverse();
    off.scaled_axis().map(f64::to_degrees)
}

fn leaning(standings: usize, seed: u64) -> Session {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let steady_deg = rng.random_range(0.6..1.8);
    let mut draw = |sd: f64| {
        let mut one = || -> f64 { StandardNormal.sample(&mut rng) };
        [sd * one(), sd * one(), sd * one()]
    };
    let common = draw(0.3);
    let stood = (0..standings)
        .map(|_| {
            let (own, place) = (draw(steady_deg), draw(0.03));
            (std::array::from_fn(|k| common[k] + own[k]), [place[0], place[1]])
        })
        .collect();
    Session {
        near_views: 0,
        mound_views: 3,
        stood,
        ..Session::default()
    }
}

/// Forty set-ups: root mean square of tilt and yaw, and how many errors of each their 90 % intervals hold.
fn forty(standings: usize) -> ([f64; 2], [usize; 2]) {
    let (mut squares, mut inside) = ([0.0; 2], [0; 2]);
    for seed in 0..40 {
        let session = leaning(standings, 700 + seed);
        let films = session.films(seed);
        let world = world_frame([&films[0], &films[1]], BY_CLOCK, &session.rig, &settings()).unwrap();
        assert_eq!(world.standings, standings, "seed {seed}: {world:?}");
        let off = errors_deg(&session, &world);
        for tilt in [off.x, off.z] {
            squares[0] += tilt * tilt / 80.0;
            inside[0] += usize::from(tilt.abs() < 1.645 * world.sd_tilt_deg);
        }
        squares[1] += off.y * off.y / 40.0;
        inside[1] += usize::from(off.y.abs() < 1.645 * world.sd_yaw_deg);
    }
    (squares.map(f64::sqrt), inside)
}

#[test]
fn the_stated_doubt_of_vertical_and_target_line_holds_on_forty_set_ups() {
    for standings in [1, 3, 5] {
        let ([tilt, yaw], [of_80, of_40]) = forty(standings);
        println!(
            "{standings} standings: RMS tilt {tilt:.2}, yaw {yaw:.2} degrees; 90 % intervals hold {:.0} % of 80 tilts, {:.0} % of 40 yaws",
            of_80 as f64 / 0.8,
            of_40 as f64 / 0.4
        );
        // The goal is 85 to 95 %; of 80 draws at 90 % the share scatters by 3.4 %, of 40 by 4.7 %.
        assert!((66..=78).contains(&of_80), "{of_80} of 80");
        assert!((32..=40).contains(&of_40), "{of_40} of 40");
        if standings >= 3 {
            assert!(tilt <= 0.85 && yaw <= 0.85, "{tilt} {yaw}");
        }
        if standings == 5 {
            assert!(tilt <= 0.7 && yaw <= 0.7, "{tilt} {yaw}");
        }
    }
}

#[test]
fn a_board_left_standing_or_held_elsewhere_is_no_second_standing() {
    // Twice the same standing, the view interrupted; before it the board held level in the air in three places.
    let same = ([0.4, -0.8, 1.1], [0.0, 0.0]);
    let session = Session {
        near_views: 0,
        stood: vec![same, same],
        noise_px: 0.02,
        ..Session::default()
    };
    let films = session.films(3);
    let found = |settings: &CalibrateSettings, pairing: Pairing| {
        world_frame([&films[0], &films[1]], pairing, &session.rig, settings).unwrap()
    };
    let world = found(&settings(), BY_CLOCK);
    assert_eq!(world.standings, 1);
    // A spirit level makes the hand's doubt small; a board that stood a metre before the rubber moves the origin alone.
    let levelled = CalibrateSettings {
        board_lean_sd_deg: 0.3,
        board_at_m: [1.0, -0.2],
        ..settings()
    };
    let there = found(&levelled, BY_CLOCK);
    assert!(there.sd_tilt_deg < 0.5 && there.sd_yaw_deg > 1.0, "{there:?}");
    let moved = there.world_from_left.0.translation_m - world.world_from_left.0.translation_m;
    assert!((moved - Vector3::new(1.0, 0.0, -0.2)).norm() < 1e-12, "{moved}");
}
