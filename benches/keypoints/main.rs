//! How well keypoint networks do: `make keypoints-bench`.
//!
//! `cargo bench --bench keypoints -- [MANIFEST ...] [--no-films] [--write FILE]`; without a manifest the shipped network and
//! the unmodified general-purpose one. Prints, for each: figures on the labelled real people of `fixtures/real_people`, on
//! films of the studio, and times; for each but the first, how far its answers lie from the first's on the same crops (an
//! 8-bit network against its float form). `--write` keeps the first network's errors on film for later stages.

/// Labelled real people.
mod people;

/// Answers against labels.
mod score;

/// Answers against filmed truth.
mod films;

/// Figures of filmed errors.
mod error_file;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

use twinmound::detect::{
    CentreLocator, Crop, Detection, HeatmapDetector, KeypointDetector, KeypointManifest, PersonLocator,
    Runtime, shipped_models,
};
use twinmound::skeleton::Joint;

use people::{Person, people, pictures};
use score::Score;

/// Whatever stops a bench.
type Failure = Box<dyn std::error::Error>;

/// Crops that go through the network together, and threads it may use, as the goals for its speed say.
const BATCH: usize = 8;
const THREADS: usize = 2;

/// Runs whose median time is printed.
const RUNS: usize = 15;

struct Arguments {
    manifests: Vec<PathBuf>,
    with_films: bool,
    write: Option<PathBuf>,
}

fn arguments() -> Result<Arguments, Failure> {
    let mut found = Arguments {
        manifests: Vec::new(),
        with_films: true,
        write: None,
    };
    let mut given = std::env::args().skip(1);
    while let Some(argument) = given.next() {
        match argument.as_str() {
            "--bench" => {} // cargo's own
            "--no-films" => found.with_films = false,
            "--write" => found.write = Some(given.next().ok_or("--write needs a file")?.into()),
            _ => found.manifests.push(argument.into()),
        }
    }
    if found.manifests.is_empty() {
        let models = shipped_models()?;
        found.manifests = ["athlete.toml", "general.toml"]
            .map(|name| models.join(name))
            .to_vec();
    }
    Ok(found)
}

fn main() -> Result<(), Failure> {
    let arguments = arguments()?;
    let runtime = Runtime::load()?;
    let mut out = std::io::stdout().lock();
    let people = people()?;
    let pictures = pictures(&people)?;
    let sight = |person: &Person| pictures.get(&(person.source.clone(), person.frame));
    let mut first: Option<Vec<Detection>> = None;
    for path in &arguments.manifests {
        let mut detector = HeatmapDetector::load(&runtime, path, THREADS)?;
        writeln!(
            out,
            "{}: {} real people, share of visible points within so much of the trunk's length",
            path.display(),
            people.len()
        )?;
        let mut score = Score::default();
        let mut answers = Vec::new();
        for person in &people {
            let picture = sight(person).ok_or_else(|| format!("no picture of person {}", person.number))?;
            let region = person.region(&detector);
            answers.extend(detector.detect(&[Crop { picture, region }])?);
        }
        for (person, found) in people.iter().zip(&answers) {
            score.add(person, found);
        }
        score.print(&mut out)?;
        if let Some(first) = &first {
            apart(&people, first, &answers, &detector, &mut out)?;
        }
        first.get_or_insert(answers);
        times(&mut detector, &people, &pictures, &mut out)?;
    }
    let picture = pictures.values().next().ok_or("no pictures")?;
    let mut locator = CentreLocator::load(&runtime, &shipped_models()?.join("locator.toml"), THREADS)?;
    let locator_ms = median_ms(|| Ok(locator.locate(picture)?))?;
    writeln!(out, "locator: {locator_ms:.1} ms a frame on {THREADS} threads")?;
    if !arguments.with_films {
        return Ok(());
    }
    let folder = tempfile::tempdir()?;
    let filmed = films::film_all(folder.path())?;
    for (i, path) in arguments.manifests.iter().enumerate() {
        writeln!(
            out,
            "{}: films of the studio (rendered recordings)",
            path.display()
        )?;
        let errors = films::compare(&filmed, &runtime, path)?;
        error_file::print(&errors, &mut out)?;
        if let (0, Some(file)) = (i, &arguments.write) {
            std::fs::write(file, error_file::text(&errors, &sha256_of(path)?)?)?;
        }
    }
    Ok(())
}

fn sha256_of(manifest: &Path) -> Result<String, Failure> {
    let manifest: KeypointManifest = toml::from_str(&std::fs::read_to_string(manifest)?)?;
    Ok(manifest.network.sha256)
}

/// How far two networks' answers lie from each other, pixels of a crop of 256 px.
fn apart(
    people: &[Person],
    first: &[Detection],
    second: &[Detection],
    detector: &HeatmapDetector,
    out: &mut impl Write,
) -> Result<(), Failure> {
    let mut distances = Vec::new();
    for (person, (a, b)) in people.iter().zip(first.iter().zip(second)) {
        let scale = 256.0 / person.region(detector).height_px;
        for joint in Joint::ALL {
            if let (Some(a), Some(b)) = (a.joints[joint], b.joints[joint]) {
                distances.push(a.at.distance_px(b.at) * scale);
            }
        }
    }
    distances.sort_by(f64::total_cmp);
    let at = |share: f64| distances[((distances.len() - 1) as f64 * share) as usize];
    if !distances.is_empty() {
        writeln!(
            out,
            "  from the first network's answers, pixels of a 256 px high crop: median {:.2}, 90 % {:.2}, 99 % {:.2}",
            at(0.5),
            at(0.9),
            at(0.99)
        )?;
    }
    Ok(())
}

/// Prints the time a crop.
fn times(
    detector: &mut HeatmapDetector,
    people: &[Person],
    pictures: &std::collections::BTreeMap<(String, usize), twinmound::picture::Picture>,
    out: &mut impl Write,
) -> Result<(), Failure> {
    let crops: Vec<Crop<'_>> = people
        .iter()
        .rev()
        .filter_map(|person| {
            let picture = pictures.get(&(person.source.clone(), person.frame))?;
            let region = person.region(detector);
            Some(Crop { picture, region })
        })
        .take(BATCH)
        .collect();
    let batch_ms = median_ms(|| Ok(detector.detect(&crops)?))?;
    writeln!(
        out,
        "  {:.1} ms a crop, batch of {BATCH} on {THREADS} threads, cutting and decoding included",
        batch_ms / crops.len() as f64
    )?;
    Ok(())
}

fn median_ms<T>(mut run: impl FnMut() -> Result<T, Failure>) -> Result<f64, Failure> {
    let mut times_ms = Vec::with_capacity(RUNS);
    for _ in 0..RUNS {
        let start = Instant::now();
        run()?;
        times_ms.push(start.elapsed().as_secs_f64() * 1e3);
    }
    times_ms.sort_by(f64::total_cmp);
    Ok(times_ms[RUNS / 2])
}
