//! How long each stage takes, as a share of the time it has: `make bench`.
//!
//! All stages are timed in one run, so that their ratios can be compared between machines where seconds cannot. A ratio
//! under 1 keeps pace with what it is compared to. Times are medians.

/// What the stages are given: pictures, a film, a filmed delivery.
mod material;

use std::io::Write;
use std::time::Instant;

use twinmound::calibrate::{Board, find_board};
use twinmound::detect::{Crop, Models, Runtime};
use twinmound::ingest::{IngestOptions, open_clip};
use twinmound::kinematics::{Athlete, Options, find_deliveries, measure};
use twinmound::picture::Region;
use twinmound::reconstruct::{self, Clock, reconstruct};
use twinmound::skeleton::Side;
use twinmound::smooth::{self, JerkDensity, JointSamples, smooth};
use twinmound::triangulate::{Gates, TwoTracks, triangulate};
use twinmound::units::Seconds;

use material::{FILM_S, FilmedDelivery, RATE_HZ, board_picture, write_film};

/// Whatever stops a bench.
type Failure = Box<dyn std::error::Error>;

/// `calibrate` looks for the board this often.
const BOARD_LOOKS_S: f64 = 1.0 / 30.0;

/// Crops that go through the network together.
const BATCH: usize = 8;

/// One line of the table.
struct Row {
    stage: &'static str,
    took_s: f64,
    reference: &'static str,
    reference_s: f64,
}

/// Median time of `runs` runs, seconds, and the last result.
fn timed<T>(runs: usize, mut stage: impl FnMut() -> Result<T, Failure>) -> Result<(f64, T), Failure> {
    let mut times_s = Vec::with_capacity(runs);
    let mut run = || {
        let start = Instant::now();
        let result = stage()?;
        times_s.push(start.elapsed().as_secs_f64());
        Ok::<T, Failure>(result)
    };
    let mut last = run()?;
    for _ in 1..runs {
        last = run()?;
    }
    times_s.sort_by(f64::total_cmp);
    Ok((times_s[times_s.len() / 2], last))
}

/// Reading a film, finding the board, joints in the picture.
fn pictures() -> Result<Vec<Row>, Failure> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("film.mp4");
    write_film(&path)?;
    let (decode_s, _) = timed(5, || {
        let mut frames = 0;
        for frame in open_clip(&path, &IngestOptions::default())?.frames()? {
            frames += usize::from(frame?.picture.width() > 0);
        }
        Ok(frames)
    })?;

    let picture = board_picture(0);
    let board = Board::new(9, 6, 0.07);
    let (board_s, _) = timed(9, || {
        find_board(&picture.luma, &board).map_err(|miss| format!("the board was missed: {miss:?}").into())
    })?;

    let mut models = Models::load(&Runtime::load()?, None, 1)?;
    let height_px = 600.0;
    let region = Region {
        left_px: 300.0,
        top_px: 60.0,
        width_px: height_px * models.keypoints.aspect(),
        height_px,
    };
    let crops = [Crop {
        picture: &picture,
        region,
    }; BATCH];
    let (crops_s, _) = timed(5, || Ok(models.keypoints.detect(&crops)?))?;

    let row = |stage, took_s, reference, reference_s| Row {
        stage,
        took_s,
        reference,
        reference_s,
    };
    Ok(vec![
        row("decode 0.5 s of 720p at 240 Hz", decode_s, "real time", FILM_S),
        row(
            "find_board, one 720p picture",
            board_s,
            "time between looks",
            BOARD_LOOKS_S,
        ),
        row(
            "one keypoint crop, of 8, one thread",
            crops_s / BATCH as f64,
            "one frame at 240 Hz",
            1.0 / RATE_HZ,
        ),
    ])
}

/// From two tracks to figures.
fn space() -> Result<Vec<Row>, Failure> {
    let filmed = FilmedDelivery::new()?;
    let [left, right] = filmed.views();
    let (triangulate_s, keypoints) = timed(5, || {
        let tracks = TwoTracks {
            left: left.track,
            right: right.track,
            left_shutter: left.shutter,
            right_shutter: right.shutter,
            clock_offset: Seconds(0.0),
            left_first_pts: Seconds(0.0),
        };
        Ok(triangulate(&filmed.rig, &tracks, &Gates::default())?)
    })?;
    let settings = smooth::Settings {
        jerk: JerkDensity::for_thrower(Some(Side::Right)),
        ..smooth::Settings::default()
    };
    let (smooth_s, smoothed) = timed(3, || Ok(smooth(&JointSamples::from(&keypoints), &settings)?))?;
    let span = find_deliveries(&smoothed.trajectory, Some(Side::Right))
        .into_iter()
        .next()
        .ok_or("no delivery was found in the synthetic recording")?;
    let (reconstruct_s, estimate) = timed(3, || {
        let clock = Clock {
            offset_s: 0.0,
            sd_s: 0.0005,
        };
        let delivery = reconstruct::Delivery {
            from: span.from,
            to: span.to,
            fastest: span.fastest,
            throws: span.throws,
        };
        let usual = reconstruct::Settings::default();
        Ok(reconstruct(
            left,
            right,
            &filmed.rig,
            clock,
            &smoothed.trajectory,
            &delivery,
            &usual,
        )?)
    })?;
    let athlete = Athlete {
        throws: Some(Side::Right),
        ..Athlete::default()
    };
    let options = Options {
        versions: estimate.versions.clone(),
        ..Options::default()
    };
    let (measure_s, _) = timed(3, || Ok(measure(&estimate.trajectory, &athlete, &options)))?;

    let duration_s = (span.to - span.from).0;
    let row = |stage, took_s| Row {
        stage,
        took_s,
        reference: "the delivery",
        reference_s: duration_s,
    };
    Ok(vec![
        row("triangulate", triangulate_s),
        row("smooth", smooth_s),
        row("reconstruct", reconstruct_s),
        row("kinematics, with doubts", measure_s),
    ])
}

fn main() -> Result<(), Failure> {
    let mut rows = pictures()?;
    rows.extend(space()?);
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{:<36} {:>10}  {:<30} {:>8}",
        "stage", "time", "compared with", "ratio"
    )?;
    for row in rows {
        let against = format!("{} ({:.1} ms)", row.reference, 1e3 * row.reference_s);
        writeln!(
            out,
            "{:<36} {:>7.1} ms  {:<30} {:>8.2}",
            row.stage,
            1e3 * row.took_s,
            against,
            row.took_s / row.reference_s
        )?;
    }
    Ok(())
}
