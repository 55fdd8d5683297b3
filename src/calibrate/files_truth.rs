//! Lens and rig files, and recordings that must be refused, against known rigs.

use crate::calibrate::projected::{BY_CLOCK, OFFSET_S, Session, codes, full, pose_miss, rig, run, settings};
use crate::calibrate::{
    Board, CalibrateError, CalibrateSettings, Film, Lens, LensFile, Miss, Pairing, RigFile, RigFileError,
    Verdict, calibrate, lens,
};
use crate::picture::Grey;
use crate::units::Seconds;

#[test]
fn lens_files_make_the_near_part_needless() {
    let session = Session::default();
    let films = session.films(11);
    let made = [
        lens(&films[0], &full()).unwrap(),
        lens(&films[1], &full()).unwrap(),
    ];
    let read: Vec<Lens> = made
        .iter()
        .map(|l| {
            LensFile::from_json(&LensFile::from(l).to_json())
                .unwrap()
                .lens()
                .unwrap()
        })
        .collect();
    let mound = Session {
        near_views: 0,
        ..session.clone()
    }
    .films(12);
    let with = calibrate(
        [&mound[0], &mound[1]],
        BY_CLOCK,
        [Some(&read[0]), Some(&read[1])],
        &settings(),
    )
    .unwrap();
    let (turn, shift) = pose_miss(&with.rig, &session.rig);
    println!(
        "with lens files: {turn:.4} (sd {:.4}) degrees, {:.2} (sd {:.2}) mm; {:?}",
        with.sd_deg.unwrap(),
        1e3 * shift,
        1e3 * with.sd_m.unwrap(),
        with.judgement
    );
    assert!(turn < 0.1 && shift < 0.02, "{turn} degrees, {shift} m");
    assert_eq!(with.judgement.verdict, Verdict::Good, "{:?}", with.judgement);
    let without = run(&mound, &settings()).unwrap();
    assert_eq!(without.judgement.verdict, Verdict::Refused);
    assert!(codes(&without).contains(&"board_far"), "{:?}", codes(&without));
    assert!(without.judgement.reasons.iter().any(|r| r.hint.contains("close")));
    let mut other = mound[0].clone();
    other.height_px = 700;
    let refused = calibrate(
        [&other, &mound[1]],
        BY_CLOCK,
        [Some(&read[0]), Some(&read[1])],
        &settings(),
    );
    assert!(
        matches!(refused, Err(CalibrateError::LensOfOtherSize { .. })),
        "{refused:?}"
    );
}

#[test]
fn bad_recordings_are_refused_with_what_to_redo() {
    let base = Session::default();
    let frontal = Session {
        slant_deg: 0.0,
        mound_views: 0,
        stood: Vec::new(),
        ..base.clone()
    };
    let face_on = lens(&frontal.films(31)[0], &settings()).unwrap();
    assert!(face_on.judgement.verdict >= Verdict::Usable);
    let named: Vec<_> = face_on
        .judgement
        .reasons
        .iter()
        .map(|r| r.code.as_str())
        .collect();
    assert!(named.contains(&"board_frontal"), "{named:?}");
    let narrow = run(
        &Session {
            rig: rig(20.0),
            ..base.clone()
        }
        .films(32),
        &full(),
    )
    .unwrap();
    assert_eq!(narrow.judgement.verdict, Verdict::Refused);
    assert!(codes(&narrow).contains(&"angle"), "{:?}", codes(&narrow));
    let few = run(
        &Session {
            mound_views: 2,
            stood: Vec::new(),
            ..base.clone()
        }
        .films(33),
        &full(),
    )
    .unwrap();
    assert_eq!(few.judgement.verdict, Verdict::Refused);
    assert!(codes(&few).contains(&"few_pairs"), "{:?}", codes(&few));

    let films = base.films(34);
    let one = |film: &Film| {
        let mut film = film.clone();
        film.sightings.truncate(1);
        film
    };
    let single = lens(&one(&films[0]), &settings());
    assert!(
        matches!(single, Err(CalibrateError::TooFewViews { found: 1, .. })),
        "{single:?}"
    );
    let mut none = films[1].clone();
    none.sightings.clear();
    none.misses = vec![Miss::NoBoard, Miss::OtherSize { cols: 8, rows: 5 }, Miss::NoBoard];
    let blind = calibrate([&films[0], &none], BY_CLOCK, [None, None], &settings()).unwrap_err();
    assert!(blind.to_string().contains("8 x 5"), "{blind}");
    let apart = Pairing::ByClock {
        offset: Seconds(500.0),
        offset_sd: Seconds(0.001),
    };
    let never = calibrate([&films[0], &films[1]], apart, [None, None], &settings()).unwrap_err();
    assert_eq!(never, CalibrateError::NoPairs);
    let even = CalibrateSettings::new(Board::new(9, 7, 0.07));
    assert!(matches!(
        lens(&films[0], &even),
        Err(CalibrateError::BoardUnfit { .. })
    ));
}

#[test]
fn a_mirrored_phone_and_a_wrong_clock_are_named() {
    let session = Session::default();
    let mut films = session.films(41);
    let (cols, rows) = (session.board.cols, session.board.rows);
    for sighting in &mut films[1].sightings {
        // As the finder would order a mirrored picture: rows from the other end.
        let seen = sighting.view.corners.clone();
        for (i, corner) in sighting.view.corners.iter_mut().enumerate() {
            *corner = seen[(rows - 1 - i / cols) * cols + i % cols];
            corner.at.x_px = 1919.0 - corner.at.x_px;
        }
    }
    assert_eq!(run(&films, &full()).unwrap_err(), CalibrateError::Mirrored);
    let wrong = Pairing::ByClock {
        offset: Seconds(OFFSET_S + 2.5),
        offset_sd: Seconds(0.001),
    };
    let films = session.films(41);
    let refused = calibrate([&films[0], &films[1]], wrong, [None, None], &full());
    match refused {
        Err(error) => assert!(matches!(error, CalibrateError::PhonesDisagree { .. }), "{error}"),
        Ok(calibration) => assert_eq!(calibration.judgement.verdict, Verdict::Refused),
    }
}

#[test]
fn a_rig_file_reads_back_and_bad_ones_are_refused() {
    let found = run(&Session::default().films(61), &full()).unwrap();
    let file = RigFile::from(&found);
    let text = file.to_json();
    let rig = RigFile::from_json(&text).unwrap().rig().unwrap();
    assert!((rig.left.fx_px - found.rig.left.fx_px).abs() < 1e-9);
    assert!(
        (rig.world_from_left.unwrap().0.translation_m - found.rig.world_from_left.unwrap().0.translation_m)
            .norm()
            < 1e-9
    );
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    for key in [
        "schema",
        "phones",
        "right_from_left",
        "world_from_left",
        "rms_px",
        "verdict",
    ] {
        assert!(value.get(key).is_some(), "{key}");
    }
    for key in [
        "width_px",
        "height_px",
        "rate_hz",
        "fx_px",
        "fy_px",
        "cx_px",
        "cy_px",
        "distortion",
        "rms_px",
        "pictures",
        "sd",
    ] {
        assert!(value["phones"][0].get(key).is_some(), "{key}");
    }
    let unknown_keys = text.replacen('{', "{\"later\": 1,", 1);
    assert!(RigFile::from_json(&unknown_keys).is_ok());
    assert!(matches!(
        RigFile::from_json("not json"),
        Err(RigFileError::NotJson { .. })
    ));
    let other = text.replace("twinmound.rig/1", "twinmound.rig/9");
    assert!(matches!(
        RigFile::from_json(&other),
        Err(RigFileError::Schema { .. })
    ));
    let mut skewed = file;
    skewed.right_from_left.rotation[0][0] = 3.0;
    assert!(matches!(
        RigFile::from_json(&skewed.to_json()),
        Err(RigFileError::Value { .. })
    ));
    for cut in [0, 1, 40, text.len() / 2, text.len() - 3] {
        assert!(RigFile::from_json(&text[..cut]).is_err());
    }
}

#[test]
fn pictures_of_another_size_are_refused() {
    let mut film = Film::new(1280, 720, None);
    let odd = [
        (0, None, Grey::filled(1280, 720, 9)),
        (1, None, Grey::filled(720, 1280, 9)),
    ];
    let refused = film.look(&odd, &Board::default());
    assert!(
        matches!(
            refused,
            Err(CalibrateError::PictureSize {
                found: (720, 1280),
                ..
            })
        ),
        "{refused:?}"
    );
    assert!(film.misses.is_empty() && film.sightings.is_empty());
    film.look(&odd[..1], &Board::default()).unwrap();
    assert_eq!(film.misses, vec![Miss::NoBoard]);
}
