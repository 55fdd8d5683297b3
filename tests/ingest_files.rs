//! Video files good and bad.
//!
//! Outside reference for time stamps: `ffprobe` of the installed FFmpeg package. Odd inputs (HEVC, variable rate,
//! delayed tracks, trimmed and truncated files) are made by its `ffmpeg` program.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test stops at the first surprise"
)]

/// Files with something wrong.
mod bad;

use std::fs;
use std::path::Path;
use std::process::Command;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tempfile::TempDir;

use twinmound::geometry::{PixelPoint, QuarterTurns};
use twinmound::ingest::{Clip, IngestOptions, open_clip};
use twinmound::picture::{ColourMatrix, Grey, Picture};
use twinmound::scene::encode::{FilmCodec, FilmOptions, FilmSound, FilmWriter};
use twinmound::units::Seconds;

const WIDTH: usize = 96;
const HEIGHT: usize = 64;

/// A picture that tells its own number: sixteen columns of blocks, black or white by the bits of `number`, with a bright
/// band along the top so that up can be told from down.
fn numbered(number: usize) -> Picture {
    let mut luma = Grey::filled(WIDTH, HEIGHT, 60);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let bit = x / (WIDTH / 16);
            luma.data[y * WIDTH + x] = match (y < HEIGHT / 4, number >> bit & 1) {
                (true, _) => 235,
                (false, 1) => 200,
                (false, _) => 30,
            };
        }
    }
    Picture {
        luma,
        cb: Grey::filled(WIDTH / 2, HEIGHT / 2, 90),
        cr: Grey::filled(WIDTH / 2, HEIGHT / 2, 160),
        full_range: false,
        matrix: ColourMatrix::Bt709,
    }
}

fn number_in(picture: &Picture) -> usize {
    let step = WIDTH / 16;
    (0..16)
        .filter(|bit| picture.luma.at(bit * step + step / 2, HEIGHT / 2) > 115)
        .map(|bit| 1 << bit)
        .sum()
}

/// Clicks of one sample's width, band-limited, at the given times.
fn clicks(times_s: &[f64], rate_hz: u32, length_s: f64) -> Vec<f32> {
    let mut samples = vec![0.0_f32; (length_s * f64::from(rate_hz)) as usize];
    for &t in times_s {
        for (i, sample) in samples.iter_mut().enumerate() {
            let dt = i as f64 / f64::from(rate_hz) - t;
            *sample += (0.8 * (-(dt / 0.0004).powi(2)).exp()) as f32;
        }
    }
    samples
}

fn film(path: &Path, pts_s: &[f64], sound: Option<&FilmSound>, options: FilmOptions) {
    let mut writer = FilmWriter::create(path, WIDTH, HEIGHT, (240, 1), sound, options).unwrap();
    for (number, &pts) in pts_s.iter().enumerate() {
        writer.push(&numbered(number), Seconds(pts)).unwrap();
    }
    writer.finish().unwrap();
}

fn steady(frames: usize) -> Vec<f64> {
    (0..frames).map(|i| 0.0123 + i as f64 / 240.0).collect()
}

fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn open(path: &Path) -> Clip {
    open_clip(path, &IngestOptions::default()).unwrap()
}

fn ffmpeg(arguments: &[&str]) {
    let out = Command::new("ffmpeg")
        .args(["-hide_banner", "-loglevel", "error", "-y"])
        .args(arguments)
        .output()
        .expect("ffmpeg is installed");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
}

/// Presentation times by ffprobe, seconds with six decimals.
fn ffprobe_times(path: &Path) -> Vec<f64> {
    let out = Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", "v:0", "-show_entries"])
        .args(["frame=best_effort_timestamp_time", "-of", "csv=p=0"])
        .arg(path)
        .output()
        .expect("ffprobe is installed");
    String::from_utf8_lossy(&out.stdout)
        .lines()
        .filter_map(|line| line.trim_end_matches(',').parse().ok())
        .collect()
}

/// Every frame's time equals ffprobe's, and the numbers in the pictures go up one by one.
fn agrees_with_ffprobe(path: &Path) -> Vec<f64> {
    let clip = open(path);
    let expected = ffprobe_times(path);
    let mut frames = clip.frames().unwrap();
    let times: Vec<f64> = frames.by_ref().map(|f| f.unwrap().pts.0).collect();
    assert!(frames.warnings().is_empty(), "{:?}", frames.warnings());
    assert!(times.len() > 5);
    assert_eq!(times.len(), expected.len());
    for (ours, theirs) in times.iter().zip(&expected) {
        assert!((ours - theirs).abs() < 1e-6, "{ours} against ffprobe's {theirs}");
    }
    assert_eq!(clip.info.start.0, times[0]);
    times
}

#[test]
fn a_film_comes_back_frame_by_frame_with_its_times() {
    let dir = folder();
    let path = dir.path().join("film.mp4");
    let pts = steady(90);
    film(&path, &pts, None, FilmOptions::default());
    let clip = open(&path);
    assert_eq!((clip.info.width_px, clip.info.height_px), (96, 64));
    assert_eq!(clip.info.codec, "h264");
    assert_eq!(clip.info.frames_estimate, 90);
    assert!((clip.info.rate_hz - 240.0).abs() < 0.5, "{}", clip.info.rate_hz);
    assert!(!clip.info.has_sound && clip.sound().unwrap().is_none());
    let frames: Vec<_> = clip.frames().unwrap().map(Result::unwrap).collect();
    assert_eq!(frames.len(), 90);
    for (i, frame) in frames.iter().enumerate() {
        assert_eq!(frame.index, i);
        assert_eq!(number_in(&frame.picture), i);
        assert!(
            (frame.pts.0 - pts[i]).abs() < 1.1e-6,
            "{} {}",
            frame.pts.0,
            pts[i]
        );
    }
    let picture = &frames[40].picture;
    assert_eq!((picture.full_range, picture.matrix), (false, ColourMatrix::Bt709));
    let sent = numbered(40).rgb(PixelPoint::new(50.0, 5.0));
    let got = picture.rgb(PixelPoint::new(50.0, 5.0));
    for (a, b) in sent.iter().zip(got) {
        assert!((a - b).abs() < 12.0, "{sent:?} {got:?}");
    }
    agrees_with_ffprobe(&path);
    assert_eq!(
        fs::read_dir(dir.path()).unwrap().count(),
        1,
        "nothing else is left behind"
    );
}

#[test]
fn only_wanted_frames_are_converted_and_keep_their_index() {
    let dir = folder();
    let path = dir.path().join("film.mp4");
    film(&path, &steady(50), None, FilmOptions::default());
    let clip = open(&path);
    let mut asked = 0;
    let got: Vec<_> = clip
        .frames_where(|index, _| {
            asked += 1;
            index % 7 == 3
        })
        .unwrap()
        .map(|f| f.unwrap())
        .map(|f| (f.index, number_in(&f.picture)))
        .collect();
    assert_eq!(
        got,
        (0..50).filter(|i| i % 7 == 3).map(|i| (i, i)).collect::<Vec<_>>()
    );
    assert_eq!(asked, 50);
}

#[test]
fn a_stretch_holds_the_same_frames_as_the_whole_film_wherever_it_lies() {
    let dir = folder();
    let path = dir.path().join("film.mp4");
    film(&path, &steady(400), None, FilmOptions::default());
    let clip = open(&path);
    let all: Vec<_> = clip
        .frames()
        .unwrap()
        .map(|f| f.unwrap())
        .map(|f| (f.pts, number_in(&f.picture)))
        .collect();
    for (from, to) in [(0, 5), (3, 30), (200, 214), (390, 399)] {
        let got: Vec<_> = clip
            .frames_between(all[from].0, all[to].0)
            .unwrap()
            .map(|f| f.unwrap())
            .map(|f| (f.pts, number_in(&f.picture)))
            .collect();
        assert_eq!(got, all[from..=to], "{from}..={to}");
    }
}

#[test]
fn variable_rate_keeps_every_frames_own_time() {
    let dir = folder();
    let path = dir.path().join("film.mp4");
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut t = 0.3;
    let pts: Vec<f64> = (0..70)
        .map(|_| {
            t += rng.random_range(0.002..0.03);
            t
        })
        .collect();
    film(&path, &pts, None, FilmOptions::default());
    let times = agrees_with_ffprobe(&path);
    for (a, b) in times.iter().zip(&pts) {
        assert!((a - b).abs() < 1.1e-6);
    }
    // And one made by the outside program, in MOV with a coarse time unit.
    let other = dir.path().join("vfr.mov");
    let stretch = "setpts=(N+0.3*sin(N))/(30*TB)";
    ffmpeg(&[
        "-f",
        "lavfi",
        "-i",
        "testsrc2=size=96x64:rate=30:duration=3",
        "-vf",
        stretch,
        "-vsync",
        "vfr",
        "-video_track_timescale",
        "600",
        "-c:v",
        "libx264",
        other.to_str().unwrap(),
    ]);
    agrees_with_ffprobe(&other);
}

#[test]
fn rotation_is_applied_and_remembered() {
    for (turns, band) in [
        (QuarterTurns::Zero, (48, 4)),
        (QuarterTurns::One, (59, 48)),
        (QuarterTurns::Two, (48, 59)),
        (QuarterTurns::Three, (4, 48)),
    ] {
        let dir = folder();
        let path = dir.path().join("film.mp4");
        let options = FilmOptions {
            turns,
            ..Default::default()
        };
        film(&path, &steady(12), None, options);
        let clip = open(&path);
        assert_eq!(clip.info.turns, turns);
        let frame = clip.frames().unwrap().next().unwrap().unwrap();
        let size = (frame.picture.width(), frame.picture.height());
        assert_eq!(size, (clip.info.width_px as usize, clip.info.height_px as usize));
        assert_eq!(
            size.0 > size.1,
            matches!(turns, QuarterTurns::Zero | QuarterTurns::Two)
        );
        assert!(
            frame.picture.luma.at(band.0, band.1) > 220,
            "{turns:?}: the top band is elsewhere"
        );
        // The outside program turns by the same matrix when it converts.
        let turned = dir.path().join("turned.mp4");
        ffmpeg(&[
            "-i",
            path.to_str().unwrap(),
            "-c:v",
            "libx264",
            "-crf",
            "10",
            turned.to_str().unwrap(),
        ]);
        let theirs = open(&turned);
        assert_eq!(theirs.info.turns, QuarterTurns::Zero);
        let theirs = theirs.frames().unwrap().next().unwrap().unwrap();
        assert_eq!((theirs.picture.width(), theirs.picture.height()), size);
        assert!(
            theirs.picture.luma.at(band.0, band.1) > 215,
            "{turns:?}: ffmpeg turns otherwise"
        );
    }
}

#[test]
fn hevc_ten_bits_and_other_pixel_formats_are_read() {
    let dir = folder();
    let film_path = dir.path().join("hevc.mp4");
    let options = FilmOptions {
        codec: FilmCodec::Hevc,
        crf: 12,
        ..Default::default()
    };
    film(&film_path, &steady(30), None, options);
    let clip = open(&film_path);
    assert_eq!(clip.info.codec, "hevc");
    for (i, frame) in clip.frames().unwrap().enumerate() {
        assert_eq!(number_in(&frame.unwrap().picture), i);
    }
    agrees_with_ffprobe(&film_path);
    for (codec, format) in [
        ("libx265", "yuv420p10le"),
        ("libx264", "yuv422p"),
        ("libx264", "yuvj420p"),
    ] {
        let path = dir.path().join(format!("{format}.mp4"));
        ffmpeg(&[
            "-i",
            film_path.to_str().unwrap(),
            "-c:v",
            codec,
            "-pix_fmt",
            format,
            "-crf",
            "12",
            path.to_str().unwrap(),
        ]);
        let clip = open(&path);
        let frames: Vec<_> = clip.frames().unwrap().map(Result::unwrap).collect();
        assert_eq!(frames.len(), 30, "{format}");
        for (i, frame) in frames.iter().enumerate() {
            assert_eq!(number_in(&frame.picture), i, "{format}");
        }
        let picture = &frames[3].picture;
        assert_eq!(picture.full_range, format == "yuvj420p");
        let white = picture.rgb(PixelPoint::new(48.0, 5.0));
        let sent = numbered(3).rgb(PixelPoint::new(48.0, 5.0));
        for (a, b) in sent.iter().zip(white) {
            assert!((a - b).abs() < 14.0, "{format}: {sent:?} {white:?}");
        }
    }
}

/// Time of each click by its centre of mass.
fn click_times(clip: &Clip, near_s: &[f64]) -> Vec<f64> {
    let track = clip.sound().unwrap().expect("a sound track");
    near_s
        .iter()
        .map(|&near| {
            let (mut mass, mut moment) = (0.0, 0.0);
            for (i, &s) in track.samples.iter().enumerate() {
                let t = track.time_of(i as f64).0;
                if (t - near).abs() < 0.004 {
                    let power = f64::from(s) * f64::from(s);
                    mass += power;
                    moment += power * t;
                }
            }
            assert!(mass > 0.1, "a click near {near}");
            moment / mass
        })
        .collect()
}

#[test]
fn sound_and_pictures_stand_on_one_clock() {
    let dir = folder();
    for (rate_hz, start_s) in [(48_000, 0.0), (44_100, 0.0), (48_000, 0.25), (44_100, -0.1)] {
        let path = dir.path().join("film.mp4");
        let at: Vec<f64> = [0.40001, 0.713, 1.1].to_vec();
        let relative: Vec<f64> = at.iter().map(|t| t - start_s).collect();
        let sound = FilmSound {
            samples: clicks(&relative, rate_hz, 1.5),
            rate_hz,
            start: Seconds(start_s),
        };
        film(&path, &steady(240), Some(&sound), FilmOptions::default());
        let clip = open(&path);
        assert!(clip.info.has_sound);
        for (got, sent) in click_times(&clip, &at).iter().zip(&at) {
            assert!(
                (got - sent).abs() < 3e-5,
                "{rate_hz} Hz from {start_s} s: {got} for {sent}"
            );
        }
        // A delayed track, as phones write when the microphone starts late; and the same in MOV and PCM.
        let file = path.to_str().unwrap();
        for (name, options) in [
            ("late.mp4", vec!["-c", "copy"]),
            ("late.mov", vec!["-c:v", "copy", "-c:a", "pcm_s16le"]),
        ] {
            let late = dir.path().join(name);
            let mut arguments = vec![
                "-i",
                file,
                "-itsoffset",
                "0.2",
                "-i",
                file,
                "-map",
                "0:v",
                "-map",
                "1:a",
            ];
            arguments.extend(options);
            arguments.push(late.to_str().unwrap());
            ffmpeg(&arguments);
            let moved: Vec<f64> = at.iter().map(|t| t + 0.2).collect();
            for (got, sent) in click_times(&open(&late), &moved).iter().zip(&moved) {
                // The outside program writes delays in whole milliseconds.
                assert!((got - sent).abs() < 1e-3, "{name}: {got} for {sent}");
            }
            agrees_with_ffprobe(&late);
        }
    }
}

#[test]
fn a_clip_trimmed_without_re_encoding_keeps_both_clocks() {
    let dir = folder();
    let path = dir.path().join("film.mp4");
    let at = [0.40001, 0.713, 1.1];
    let sound = FilmSound {
        samples: clicks(&at, 48_000, 1.5),
        rate_hz: 48_000,
        start: Seconds(0.0),
    };
    let pts: Vec<f64> = (0..300).map(|i| i as f64 / 240.0).collect();
    film(&path, &pts, Some(&sound), FilmOptions::default());
    // Cut inside a group of pictures: an edit list hides what comes before.
    let cut = dir.path().join("cut.mp4");
    ffmpeg(&[
        "-ss",
        "0.5",
        "-i",
        path.to_str().unwrap(),
        "-c",
        "copy",
        cut.to_str().unwrap(),
    ]);
    let times = agrees_with_ffprobe(&cut);
    let clip = open(&cut);
    let first = clip.frames().unwrap().next().unwrap().unwrap();
    let lag = first.pts.0 - number_in(&first.picture) as f64 / 240.0;
    let clicks_now: Vec<f64> = at[1..].iter().map(|t| t + lag).collect();
    for (got, sent) in click_times(&clip, &clicks_now).iter().zip(&clicks_now) {
        assert!((got - sent).abs() < 1.1e-3, "{got} for {sent}");
    }
    assert!(times.len() < 300);
}
