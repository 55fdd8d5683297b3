//! Triangulation: laws and references.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on should stop")]

use nalgebra::{Rotation3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal, StandardNormal, Uniform};
use twinmound::geometry::{
    Camera, CameraFromWorld, Phone, PixelPoint, QuarterTurns, RightFromLeft, Rigid, Shutter, StereoRig,
    WorldFromLeft, WorldPoint,
};
use twinmound::skeleton::{Joint, PerJoint};
use twinmound::track::{ImageJoint, Pose2d, PoseTrack};
use twinmound::triangulate::{
    Gates, Missing, Sighting, TriangulateError, Triangulator, TwoTracks, triangulate,
};
use twinmound::units::Seconds;

/// The two phones of `fixtures/triangulation/make.py`.
fn rig() -> StereoRig {
    let at = WorldPoint(Vector3::new(0.5, 1.0, 0.0));
    let pose = |x, y, z| CameraFromWorld::looking_at(WorldPoint(Vector3::new(x, y, z)), at).unwrap();
    let (left, right) = (pose(1.0, 1.3, 6.0), pose(6.5, 1.5, 2.0));
    StereoRig {
        left: Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: 1010.0,
            fy_px: 1007.0,
            cx_px: 644.0,
            cy_px: 355.0,
            distortion: [0.11, -0.23, 0.0008, -0.0006, 0.09],
        },
        right: Camera {
            width_px: 1920,
            height_px: 1080,
            fx_px: 1525.0,
            fy_px: 1522.0,
            cx_px: 955.0,
            cy_px: 548.0,
            distortion: [-0.08, 0.05, -0.0005, 0.0004, 0.0],
        },
        right_from_left: RightFromLeft(right.0.after(&left.0.inverse())),
        world_from_left: Some(WorldFromLeft(left.0.inverse())),
    }
}

/// Both phones' pixels of a world point.
fn project(rig: &StereoRig, p: Vector3<f64>) -> [PixelPoint; 2] {
    [Phone::Left, Phone::Right].map(|phone| {
        let in_camera = rig.camera_from_world(phone).apply(WorldPoint(p));
        rig.camera(phone).project(in_camera).unwrap()
    })
}

fn seen(at: PixelPoint, sd_px: f64) -> Sighting {
    Sighting { at, sd_px }
}

/// Rows of a little-endian float32 NumPy file (format: numpy.org/doc/stable/reference/generated/numpy.lib.format.html).
fn npy_rows<const COLUMNS: usize>(bytes: &[u8]) -> Vec<[f64; COLUMNS]> {
    assert_eq!(&bytes[..6], b"\x93NUMPY");
    let header = usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
    bytes[10 + header..]
        .chunks_exact(4 * COLUMNS)
        .map(|row| {
            std::array::from_fn(|i| f64::from(f32::from_le_bytes(row[4 * i..4 * i + 4].try_into().unwrap())))
        })
        .collect()
}

#[test]
fn ten_thousand_ideal_points_are_where_opencv_puts_them() {
    let rows = npy_rows::<7>(include_bytes!("../fixtures/triangulation/ideal.npy"));
    assert_eq!(rows.len(), 10_000);
    let triangulator = Triangulator::new(&rig(), Gates::default()).unwrap();
    let worst = rows
        .iter()
        .map(|[lx, ly, rx, ry, x, y, z]| {
            let found = triangulator
                .locate(
                    seen(PixelPoint::new(*lx, *ly), 1.0),
                    seen(PixelPoint::new(*rx, *ry), 1.0),
                )
                .unwrap();
            (found.at.0 - Vector3::new(*x, *y, *z)).amax()
        })
        .fold(0.0, f64::max);
    println!("largest difference from OpenCV: {:.2e} m", worst);
    assert!(worst < 1e-6, "{worst} m");
}

#[test]
fn noisy_points_come_out_better_than_opencvs() {
    let rows = npy_rows::<12>(include_bytes!("../fixtures/triangulation/noisy.npy"));
    assert_eq!(rows.len(), 2000);
    let gates = Gates {
        max_miss_sigmas: 100.0,
        ..Gates::default()
    };
    let triangulator = Triangulator::new(&rig(), gates).unwrap();
    let rmse = |half: &[[f64; 12]]| {
        let mut sums = [0.0; 2];
        for [lx, ly, lsd, rx, ry, rsd, cx, cy, cz, x, y, z] in half {
            let truth = Vector3::new(*x, *y, *z);
            let ours = triangulator
                .locate(
                    seen(PixelPoint::new(*lx, *ly), *lsd),
                    seen(PixelPoint::new(*rx, *ry), *rsd),
                )
                .unwrap();
            sums[0] += (ours.at.0 - truth).norm_squared();
            sums[1] += (Vector3::new(*cx, *cy, *cz) - truth).norm_squared();
        }
        sums.map(|s| (s / half.len() as f64).sqrt() * 1e3)
    };
    // Only one of four coordinates is redundant, so there is little to gain: a few hundredths.
    let [equal, opencv_equal] = rmse(&rows[..1000]);
    let [unequal, opencv_unequal] = rmse(&rows[1000..]);
    println!("RMSE mm: equal noise {equal:.3} (OpenCV {opencv_equal:.3})");
    println!("RMSE mm: unequal noise {unequal:.3} (OpenCV {opencv_unequal:.3})");
    assert!(equal < opencv_equal);
    assert!(unequal < opencv_unequal);
}

proptest::proptest! {
    #[test]
    fn a_triangulated_point_projects_to_the_same_pixels(
        x in -1.0..2.0f64, y in 0.0..2.4f64, z in -1.0..1.0f64, sd_left in 0.3..5.0f64, sd_right in 0.3..5.0f64,
    ) {
        let rig = rig();
        let pixels = project(&rig, Vector3::new(x, y, z));
        let found = Triangulator::new(&rig, Gates::default())
            .unwrap()
            .locate(seen(pixels[0], sd_left), seen(pixels[1], sd_right))
            .unwrap();
        for (again, before) in project(&rig, found.at.0).iter().zip(&pixels) {
            proptest::prop_assert!(again.distance_px(*before) < 1e-9);
        }
    }
}

#[test]
fn moving_both_phones_together_moves_the_point_alike() {
    let rig = rig();
    let motion = Rigid::new(
        Rotation3::from_euler_angles(0.4, -0.3, 1.0),
        Vector3::new(3.0, -1.0, 0.5),
    );
    let moved_rig = StereoRig {
        world_from_left: rig.world_from_left.map(|w| WorldFromLeft(motion.after(&w.0))),
        ..rig.clone()
    };
    let mut pixels = project(&rig, Vector3::new(0.3, 1.4, 0.2));
    pixels[0].y_px += 2.0; // not ideal: the law holds for the compromise and its doubt too
    let locate = |rig: &StereoRig| {
        Triangulator::new(rig, Gates::default())
            .unwrap()
            .locate(seen(pixels[0], 1.0), seen(pixels[1], 2.0))
            .unwrap()
    };
    let (before, after) = (locate(&rig), locate(&moved_rig));
    assert!((after.at.0 - motion.apply(&before.at.0)).norm() < 1e-10);
    let turned = motion.rotation * before.covariance_m2 * motion.rotation.inverse();
    assert!((after.covariance_m2 - turned).norm() < 1e-10 * turned.norm().max(1.0));
    assert!((after.miss_sigmas - before.miss_sigmas).abs() < 1e-9);
}

#[test]
fn the_stated_doubt_is_the_scatter_that_happens() {
    let rig = rig();
    let triangulator = Triangulator::new(
        &rig,
        Gates {
            max_miss_sigmas: 100.0,
            ..Gates::default()
        },
    )
    .unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let place = Uniform::new(-1.0_f64, 1.0).unwrap();
    let (trials, mut chi_square, mut miss_square, mut inside) = (20_000, 0.0, 0.0, 0);
    for _ in 0..trials {
        let truth = Vector3::new(
            0.5 + place.sample(&mut rng),
            1.2 + place.sample(&mut rng),
            place.sample(&mut rng),
        );
        let sds = [
            1.0 + place.sample(&mut rng).abs(),
            1.0 + place.sample(&mut rng).abs(),
        ];
        let mut pixels = project(&rig, truth);
        for (pixel, sd) in pixels.iter_mut().zip(sds) {
            pixel.x_px += sd * Distribution::<f64>::sample(&StandardNormal, &mut rng);
            pixel.y_px += sd * Distribution::<f64>::sample(&StandardNormal, &mut rng);
        }
        let found = triangulator
            .locate(seen(pixels[0], sds[0]), seen(pixels[1], sds[1]))
            .unwrap();
        let error = found.at.0 - truth;
        let distance = error.dot(&found.covariance_m2.cholesky().unwrap().solve(&error));
        chi_square += distance;
        inside += u32::from(distance < 6.251); // 90 % point of chi-square with 3 degrees of freedom (SciPy chi2.ppf)
        miss_square += found.miss_sigmas.powi(2);
    }
    let n = f64::from(trials);
    println!(
        "chi-square per trial {:.3} (3), miss {:.3} (1), inside 90 %: {:.3}",
        chi_square / n,
        miss_square / n,
        f64::from(inside) / n
    );
    // Standard errors over 20,000 trials: sqrt(6/n) = 0.017, sqrt(2/n) = 0.010, 0.002; four of each.
    assert!((chi_square / n - 3.0).abs() < 0.07);
    assert!((miss_square / n - 1.0).abs() < 0.04);
    assert!((f64::from(inside) / n - 0.9).abs() < 0.009);
}

/// A track of the right wrist along `path` (left clock), every image point at its own row's instant.
fn film(
    rig: &StereoRig,
    phone: Phone,
    shutter: &Shutter,
    first_pts: f64,
    offset: f64,
    path: &dyn Fn(f64) -> Vector3<f64>,
) -> PoseTrack {
    let poses = (0..60)
        .map(|frame| {
            let pts = first_pts + frame as f64 / 240.0;
            let mut instant = pts;
            let mut pixel = PixelPoint::new(0.0, 0.0);
            for _ in 0..50 {
                pixel = project(rig, path(instant + offset))[phone as usize];
                instant = pts + shutter.delay(pixel).0;
            }
            let mut joints = PerJoint::from_fn(|_| None);
            joints[Joint::RightWrist] = Some(ImageJoint {
                at: pixel,
                sd_px: 1.0,
                visible: 1.0,
            });
            Pose2d {
                frame,
                pts: Seconds(pts),
                joints,
            }
        })
        .collect();
    PoseTrack { poses }
}

fn shutters() -> [Shutter; 2] {
    [
        Shutter {
            readout_s: 0.0036,
            ..Shutter::unknown(1280, 720, QuarterTurns::Zero)
        },
        Shutter {
            readout_s: 0.0041,
            exposure_s: 0.0005,
            ..Shutter::unknown(1920, 1080, QuarterTurns::Two)
        },
    ]
}

/// Largest error over the frames in which the wrist was located, metres, and how many frames those were.
fn film_and_triangulate(path: &dyn Fn(f64) -> Vector3<f64>) -> (f64, usize) {
    let rig = rig();
    let [left_shutter, right_shutter] = shutters();
    let offset = 3.2718;
    let left = film(&rig, Phone::Left, &left_shutter, 10.0, 0.0, path);
    let right = film(
        &rig,
        Phone::Right,
        &right_shutter,
        10.0 - offset - 0.0213,
        offset,
        path,
    );
    let tracks = TwoTracks {
        left: &left,
        right: &right,
        left_shutter,
        right_shutter,
        clock_offset: Seconds(offset),
        left_first_pts: Seconds(9.0),
    };
    let found = triangulate(&rig, &tracks, &Gates::default()).unwrap();
    let errors: Vec<f64> = found
        .times
        .iter()
        .zip(&found.joints[Joint::RightWrist])
        .filter_map(|(t, p)| Some((p.ok()?.at.0 - path(t.0 + 9.0)).norm()))
        .collect();
    (errors.iter().copied().fold(0.0, f64::max), errors.len())
}

#[test]
fn a_moving_point_seen_by_two_rolling_shutters_is_exact() {
    let steady = |t: f64| Vector3::new(0.4, 1.1, 0.1) + Vector3::new(1.2, 0.4, -0.8) * (t - 10.1);
    let (worst, count) = film_and_triangulate(&steady);
    println!("steady 1.5 m/s: {worst:.2e} m over {count} frames");
    assert!(count >= 52 && worst < 1e-6, "{worst} m over {count} frames");

    // A leg's motion: 0.4 m at 2 Hz.
    let leg = |t: f64| Vector3::new(0.4, 1.1, 0.1) + Vector3::new(0.4, 0.3, 0.2) * (12.6 * t).sin();
    let (worst, _) = film_and_triangulate(&leg);
    println!("leg: {worst:.2e} m");
    assert!(worst < 1e-6, "{worst} m");
}

#[test]
fn the_interpolation_error_of_a_pitching_hand_is_small() {
    // 30 m/s on an arc of 0.7 m: 43 rad/s.
    let hand = |t: f64| {
        let angle = 43.0 * (t - 10.1);
        Vector3::new(0.4, 1.3, 0.0) + Vector3::new(angle.sin(), angle.cos(), 0.3 * angle.sin()) * 0.7
    };
    let (worst, _) = film_and_triangulate(&hand);
    println!("hand at 30 m/s: {worst:.2e} m");
    assert!(worst < 1e-4, "{worst} m");
}

#[test]
fn frames_that_one_phone_lost_are_missing_with_their_reason() {
    let rig = rig();
    let [left_shutter, right_shutter] = shutters();
    let still = |_: f64| Vector3::new(0.4, 1.1, 0.1);
    let left = film(&rig, Phone::Left, &left_shutter, 0.0, 0.0, &still);
    let mut right = film(&rig, Phone::Right, &right_shutter, -0.01, 0.0, &still);
    for pose in &mut right.poses[20..26] {
        pose.joints[Joint::RightWrist] = None;
    }
    for pose in &mut right.poses[40..43] {
        pose.joints[Joint::RightWrist].as_mut().unwrap().sd_px = 80.0;
    }
    let tracks = TwoTracks {
        left: &left,
        right: &right,
        left_shutter,
        right_shutter,
        clock_offset: Seconds(0.0),
        left_first_pts: Seconds(0.0),
    };
    let found = triangulate(&rig, &tracks, &Gates::default()).unwrap();
    let wrist = &found.joints[Joint::RightWrist];
    let count =
        |f: &dyn Fn(&Missing) -> bool| wrist.iter().filter(|p| p.as_ref().err().is_some_and(f)).count();
    assert!(count(&|m| *m == Missing::NotSeen(Phone::Right)) >= 6);
    assert!(
        count(&|m| matches!(
            m,
            Missing::Blurred {
                phone: Phone::Right,
                ..
            }
        )) >= 3
    );
    assert!(wrist.iter().filter(|p| p.is_ok()).count() >= 45);
    assert!(
        found.joints[Joint::Nose]
            .iter()
            .all(|p| *p == Err(Missing::NotSeen(Phone::Left)))
    );

    let nothing = PoseTrack::default();
    let empty = triangulate(
        &rig,
        &TwoTracks {
            right: &nothing,
            ..tracks
        },
        &Gates::default(),
    );
    assert_eq!(empty, Err(TriangulateError::EmptyTrack(Phone::Right)));
    let apart = triangulate(
        &rig,
        &TwoTracks {
            clock_offset: Seconds(50.0),
            ..tracks
        },
        &Gates::default(),
    );
    assert!(matches!(apart, Err(TriangulateError::NoOverlap { .. })));
}

#[test]
fn each_gate_refuses_what_it_should() {
    let rig = rig();
    let triangulator = Triangulator::new(&rig, Gates::default()).unwrap();
    let pixels = project(&rig, Vector3::new(0.4, 1.1, 0.1));
    let locate = |dx: f64, dy: f64, sd_px: f64| {
        let left = PixelPoint::new(pixels[0].x_px + dx, pixels[0].y_px + dy);
        triangulator.locate(seen(left, sd_px), seen(pixels[1], sd_px))
    };
    assert!(locate(0.0, 0.0, 1.0).is_ok());
    // Across the epipolar line, 20 standard deviations.
    assert!(matches!(locate(0.0, 30.0, 1.0), Err(Missing::Disagree { sigmas }) if sigmas > 15.0));
    // The same miss within the doubt passes, but a doubt of 35 px is 0.2 m.
    assert!(locate(0.0, 30.0, 10.0).is_ok());
    assert!(matches!(locate(0.0, 0.0, 80.0), Err(Missing::Uncertain { sd_m }) if sd_m > 0.25));
    // Both phones side by side see no depth.
    let beside = StereoRig {
        right: rig.left,
        right_from_left: RightFromLeft(Rigid::new(Rotation3::identity(), Vector3::new(-0.2, 0.0, 0.0))),
        ..rig.clone()
    };
    let centre = seen(PixelPoint::new(640.0, 360.0), 1.0);
    let shifted = seen(PixelPoint::new(610.0, 360.0), 1.0);
    let flat = Triangulator::new(&beside, Gates::default())
        .unwrap()
        .locate(centre, shifted);
    assert!(matches!(flat, Err(Missing::SmallParallax { .. })), "{flat:?}");
    // Lines of sight that part in front of the cameras meet behind them.
    let parting = Triangulator::new(&beside, Gates::default())
        .unwrap()
        .locate(centre, seen(PixelPoint::new(940.0, 360.0), 1.0));
    assert_eq!(parting, Err(Missing::BehindCamera));
    let one_place = StereoRig {
        right_from_left: RightFromLeft(Rigid::new(Rotation3::identity(), Vector3::zeros())),
        ..rig
    };
    assert!(matches!(
        Triangulator::new(&one_place, Gates::default()),
        Err(TriangulateError::ShortBaseline { .. })
    ));
}

#[test]
fn more_pixel_noise_never_gives_less_doubt() {
    let rig = rig();
    let triangulator = Triangulator::new(&rig, Gates::default()).unwrap();
    let pixels = project(&rig, Vector3::new(0.0, 1.6, 0.4));
    let jitter = Normal::new(0.0, 1.0).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let mut last = 0.0;
    for step in 1..20 {
        let sd = f64::from(step) * 0.5;
        let right = PixelPoint::new(pixels[1].x_px + jitter.sample(&mut rng), pixels[1].y_px);
        let sd_m = triangulator
            .locate(seen(pixels[0], sd), seen(right, 1.0))
            .unwrap()
            .sd_m();
        assert!(sd_m > last - 1e-5, "{sd_m} after {last}");
        last = sd_m;
    }
}
