//! Files with something wrong, and the films that must not be written.

use std::fs;
use std::path::{Path, PathBuf};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use twinmound::ingest::{IngestError, IngestOptions, Limits, check_pair, open_clip};
use twinmound::picture::Grey;
use twinmound::scene::encode::{FilmError, FilmOptions, FilmSound, FilmWriter};
use twinmound::units::Seconds;

use super::{HEIGHT, WIDTH, clicks, ffmpeg, film, folder, number_in, numbered, open, steady};

#[test]
fn slow_motion_is_undone_when_told_and_suspected_when_not() {
    let dir = folder();
    let path = dir.path().join("slow.mp4");
    let mut writer = FilmWriter::create(&path, WIDTH, HEIGHT, (30, 1), None, FilmOptions::default()).unwrap();
    for i in 0..80 {
        writer.push(&numbered(i), Seconds(i as f64 / 30.0)).unwrap();
    }
    writer.finish().unwrap();
    let plain = open(&path);
    assert!(plain.warnings.iter().any(|w| w.code == "low_frame_rate"));
    let options = IngestOptions {
        capture_fps: Some(240.0),
        ..Default::default()
    };
    let told = open_clip(&path, &options).unwrap();
    assert!(told.warnings.is_empty(), "{:?}", told.warnings);
    assert!((told.info.slow_motion_factor - 8.0).abs() < 1e-9);
    assert!((told.info.rate_hz - 240.0).abs() < 1e-9);
    for (i, frame) in told.frames().unwrap().enumerate() {
        assert!((frame.unwrap().pts.0 - i as f64 / 240.0).abs() < 1e-9);
    }
    let short_sound = dir.path().join("short.mp4");
    let noted = dir.path().join("noted.mp4");
    let file = path.to_str().unwrap();
    ffmpeg(&[
        "-i",
        file,
        "-f",
        "lavfi",
        "-i",
        "sine=duration=0.9",
        "-c:v",
        "copy",
        "-c:a",
        "aac",
        short_sound.to_str().unwrap(),
    ]);
    ffmpeg(&[
        "-i",
        file,
        "-c",
        "copy",
        "-movflags",
        "use_metadata_tags",
        "-metadata",
        "com.android.capture.fps=240.000000",
        noted.to_str().unwrap(),
    ]);
    for odd in [short_sound, noted] {
        let clip = open(&odd);
        let warning = clip.warnings.iter().find(|w| w.code == "slow_motion_suspected");
        assert!(
            warning.is_some_and(|w| w.hint.contains("--capture-fps")),
            "{:?}",
            clip.warnings
        );
    }
    let wrong = IngestOptions {
        capture_fps: Some(3.0),
        ..Default::default()
    };
    assert!(matches!(
        open_clip(&path, &wrong),
        Err(IngestError::CaptureRate { .. })
    ));
    assert!(matches!(
        check_pair(&plain.info, &told.info),
        Err(IngestError::LengthsDiffer { .. })
    ));
    assert!(check_pair(&plain.info, &plain.info).unwrap().is_empty());
}

#[test]
fn bad_input_has_its_own_error_each() {
    let dir = folder();
    let at = |name: &str| -> PathBuf { dir.path().join(name) };
    let error = |path: &Path| open_clip(path, &IngestOptions::default()).unwrap_err();
    assert!(matches!(error(&at("none.mp4")), IngestError::NoSuchFile { .. }));
    assert!(matches!(error(dir.path()), IngestError::NotAFile { .. }));
    assert!(matches!(
        error(Path::new("a\0b.mp4")),
        IngestError::NotAFile { .. }
    ));
    fs::write(at("empty.mp4"), b"").unwrap();
    assert!(matches!(error(&at("empty.mp4")), IngestError::Empty { .. }));
    for name in ["notes.txt", "notes.mp4"] {
        fs::write(
            at(name),
            "Bullpen on Tuesday, 20 throws, two phones.\n".repeat(200),
        )
        .unwrap();
        assert!(
            matches!(error(&at(name)), IngestError::NotAVideo { .. }),
            "{name}"
        );
    }
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for length in [1, 7, 100, 5000, 300_000] {
        let noise: Vec<u8> = (0..length).map(|_| rng.random()).collect();
        fs::write(at("noise.mp4"), noise).unwrap();
        assert!(matches!(
            error(&at("noise.mp4")),
            IngestError::NotAVideo { .. } | IngestError::NoPictures { .. }
        ));
    }
    for name in ["sound.m4a", "sound.mp3", "sound.wav"] {
        let path = at(name);
        ffmpeg(&["-f", "lavfi", "-i", "sine=duration=1", path.to_str().unwrap()]);
        assert!(
            matches!(error(&path), IngestError::NoPictures { .. }),
            "{name}: {}",
            error(&path)
        );
    }
    let png = at("picture.png");
    ffmpeg(&[
        "-f",
        "lavfi",
        "-i",
        "testsrc2=size=96x64",
        "-frames:v",
        "1",
        png.to_str().unwrap(),
    ]);
    assert!(error(&png).to_string().contains("MP4"), "{}", error(&png));
    let film_path = at("film.mp4");
    film(&film_path, &steady(10), None, FilmOptions::default());
    let tight = |limits: Limits| {
        open_clip(
            &film_path,
            &IngestOptions {
                capture_fps: None,
                limits,
            },
        )
        .unwrap_err()
    };
    let small = tight(Limits {
        max_pixels: 1000,
        ..Limits::default()
    });
    assert!(
        matches!(small, IngestError::TooLarge { .. } | IngestError::Decoder { .. }),
        "{small}"
    );
    let short = tight(Limits {
        max_duration_s: 0.01,
        ..Limits::default()
    });
    assert!(matches!(short, IngestError::TooLong { .. }), "{short}");
}

#[test]
fn a_truncated_file_gives_what_is_readable_and_never_panics() {
    let dir = folder();
    let whole = dir.path().join("film.mp4");
    let sound = FilmSound {
        samples: clicks(&[0.2], 48_000, 1.0),
        rate_hz: 48_000,
        start: Seconds(0.0),
    };
    film(&whole, &steady(240), Some(&sound), FilmOptions::default());
    let fast = dir.path().join("fast.mp4");
    ffmpeg(&[
        "-i",
        whole.to_str().unwrap(),
        "-c",
        "copy",
        "-movflags",
        "faststart",
        fast.to_str().unwrap(),
    ]);
    let cut = dir.path().join("cut.mp4");
    let (mut delivered, mut refused) = (0, 0);
    for source in [&whole, &fast] {
        let bytes = fs::read(source).unwrap();
        for step in 0..60 {
            let length = bytes.len() * step / 60;
            fs::write(&cut, &bytes[..length]).unwrap();
            match open_clip(&cut, &IngestOptions::default()) {
                Err(error) => {
                    refused += 1;
                    assert!(!error.to_string().is_empty());
                    if source == &whole && length > 64 {
                        // Cut inside the index, its first entries may be there and the pictures' own not.
                        let cut_short =
                            matches!(error, IngestError::CutShort { .. } | IngestError::NoFrames { .. });
                        assert!(cut_short, "{length}: {error}");
                    }
                }
                Ok(clip) => {
                    let mut frames = clip.frames().unwrap();
                    let numbers: Vec<usize> = frames
                        .by_ref()
                        .filter_map(Result::ok)
                        // Frames may be missing at the cut, but each stands at its own time (the outside program
                        // rounds the delay of the first picture to a millisecond).
                        .inspect(|f| {
                            let due = 0.0123 + number_in(&f.picture) as f64 / 240.0;
                            assert!((f.pts.0 - due).abs() < 1e-3, "{length}: {} {due}", f.pts.0);
                        })
                        .map(|f| number_in(&f.picture))
                        .collect();
                    delivered += 1;
                    assert!(
                        numbers
                            .iter()
                            .take(numbers.len().saturating_sub(5))
                            .enumerate()
                            .all(|(i, &n)| i == n)
                    );
                    if numbers.len() < 238 {
                        let codes: Vec<_> = frames.warnings().iter().map(|w| w.code.as_str()).collect();
                        assert!(
                            codes.contains(&"truncated_video"),
                            "{length}: {} {codes:?}",
                            numbers.len()
                        );
                    }
                    let _ = clip.sound().unwrap();
                }
            }
        }
    }
    assert!(delivered > 20 && refused > 60, "{delivered} {refused}");
    // Bytes flipped anywhere: an error or frames, never a panic.
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let bytes = fs::read(&fast).unwrap();
    for _ in 0..60 {
        let mut broken = bytes.clone();
        for _ in 0..rng.random_range(1..40) {
            let at = rng.random_range(0..broken.len());
            broken[at] = rng.random();
        }
        fs::write(&cut, &broken).unwrap();
        if let Ok(clip) = open_clip(&cut, &IngestOptions::default()) {
            let _ = clip.frames().map(Iterator::count);
            let _ = clip.sound();
        }
    }
}

#[test]
fn the_film_writer_refuses_what_does_not_fit_and_leaves_nothing_behind() {
    let dir = folder();
    let path = dir.path().join("film.mp4");
    let create = |w, h, rate| FilmWriter::create(&path, w, h, rate, None, FilmOptions::default());
    assert!(matches!(create(95, 64, (240, 1)), Err(FilmError::Shape { .. })));
    assert!(matches!(create(96, 64, (0, 1)), Err(FilmError::Shape { .. })));
    let mut writer = create(96, 64, (240, 1)).unwrap();
    writer.push(&numbered(0), Seconds(0.1)).unwrap();
    assert!(matches!(
        writer.push(&numbered(1), Seconds(0.1)),
        Err(FilmError::Backwards { .. })
    ));
    let mut grey = numbered(1);
    grey.full_range = true;
    assert!(matches!(
        writer.push(&grey, Seconds(0.2)),
        Err(FilmError::Colour { .. })
    ));
    grey.luma = Grey::filled(10, 10, 0);
    assert!(matches!(
        writer.push(&grey, Seconds(0.2)),
        Err(FilmError::PictureSize { .. })
    ));
    drop(writer);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
    let nowhere = dir.path().join("no").join("film.mp4");
    let error = FilmWriter::create(&nowhere, 96, 64, (240, 1), None, FilmOptions::default());
    assert!(matches!(error, Err(FilmError::Disk { .. })));
}
