//! Several deliveries of one athlete become one session: read -> session -> findings -> store, report.

/// A session becomes a record.
mod records;

use std::path::{Path, PathBuf};

use crate::findings::{self, Evidence, Peers};
use crate::pipeline::PipelineError;
use crate::quality::{Progress, Status, Warning, Warnings};
use crate::report::session_page;
use crate::session::{Delivery, Figure, Person, Session, summarise};
use crate::store::{
    DeliveryRecord, EventsRecord, FoundDelivery, SessionRecord, SourceRecord, StoreError, WholeFolder,
    find_delivery_files, read_bytes, read_delivery, sha256_of,
};

/// Where such files come from.
const DELIVERY_HINT: &str = "give delivery.json files, or folders that `twinmound measure` wrote; a file of another version: measure the recording again";

/// Two deliveries of one recording are further apart than this, seconds: a pitcher needs longer for the next.
const SAME_THROW_S: f64 = 0.25;

/// What `session` was asked to do.
#[derive(Clone, Debug)]
pub struct SessionRequest {
    /// Files and folders, in order of time.
    pub paths: Vec<PathBuf>,
    /// Folder to write.
    pub out: PathBuf,
    /// Whom the athlete is compared with; what is not given is taken from the deliveries.
    pub peers: Peers,
}

/// A session, summed up and written.
#[derive(Clone, Debug)]
pub struct SessionResult {
    /// As written to `session.json`.
    pub record: SessionRecord,
    /// The page.
    pub page: PathBuf,
}

/// One delivery's file, read.
pub(super) struct Given {
    /// What people call it.
    pub(super) name: String,
    /// SHA-256 of the file.
    pub(super) sha256: String,
    /// What it says.
    pub(super) record: DeliveryRecord,
}

/// Several deliveries become one summary, written to `request.out`.
///
/// # Errors
/// [`PipelineError`]: files that are no deliveries, none at all, or deliveries of several athletes.
pub fn sum_up_session(
    request: &SessionRequest,
    progress: &dyn Progress,
) -> Result<SessionResult, PipelineError> {
    progress.start("read the deliveries", None);
    let mut warnings = Warnings::default();
    let given = one_of_each(read_all(&request.paths)?, &mut warnings);
    if given.is_empty() {
        return Err(PipelineError::NoDeliveries {
            paths: request.paths.clone(),
        });
    }
    let deliveries: Vec<Delivery> = given.iter().map(plain).collect();
    let session = summarise(&deliveries)?;
    warnings.extend(set_up_warnings(&given));
    let evidence = evidence(&session, &given).among(&peers(&request.peers, &given));
    let record = records::session(&session, &given, &evidence, warnings)?;
    let folder = WholeFolder::begin(&request.out)?;
    folder.write("session.json", &record.to_json()?)?;
    folder.write("session.html", session_page(&record).as_bytes())?;
    folder.finish(|_| false)?;
    progress.finish();
    Ok(SessionResult {
        record,
        page: request.out.join("session.html"),
    })
}

fn read_all(paths: &[PathBuf]) -> Result<Vec<Given>, PipelineError> {
    let mut given = Vec::new();
    for path in paths {
        let found = find_delivery_files(path).map_err(|source| PipelineError::GivenFile {
            source,
            hint: DELIVERY_HINT,
        })?;
        if found.is_empty() {
            return Err(PipelineError::NoDeliveries {
                paths: vec![path.clone()],
            });
        }
        for mut file in found {
            // Two recordings' folders are often called alike (`result`): then the whole path tells them apart.
            if given.iter().any(|before: &Given| before.name == file.name)
                && let Some(folder) = file.path.parent()
            {
                file.name = folder.display().to_string();
            }
            given.push(read(file)?);
        }
    }
    Ok(given)
}

fn read(found: FoundDelivery) -> Result<Given, PipelineError> {
    let wrong = |path: &Path, source: StoreError| PipelineError::GivenDelivery {
        path: path.to_owned(),
        source,
        hint: DELIVERY_HINT,
    };
    let bytes = read_bytes(&found.path).map_err(|source| PipelineError::GivenFile {
        source,
        hint: DELIVERY_HINT,
    })?;
    let record = read_delivery(&bytes).map_err(|source| wrong(&found.path, source))?;
    Ok(Given {
        name: found.name,
        sha256: sha256_of(&bytes),
        record,
    })
}

/// Leaves out what is there twice: the same file, or the same throw of the same recording measured twice.
fn one_of_each(all: Vec<Given>, warnings: &mut Warnings) -> Vec<Given> {
    let mut kept: Vec<Given> = Vec::new();
    for delivery in all {
        match kept.iter().find(|k| same_throw(k, &delivery)) {
            Some(first) => {
                let differs = if first.sha256 == delivery.sha256 {
                    ""
                } else {
                    ", though measured another time"
                };
                warnings.add(Warning::new(
                    "delivery_twice",
                    format!(
                        "{} is the same throw as {}{differs}: it counts once, as {}",
                        delivery.name, first.name, first.name
                    ),
                    "give each delivery once, in the measurement that you trust",
                ));
            }
            None => kept.push(delivery),
        }
    }
    kept
}

fn same_throw(a: &Given, b: &Given) -> bool {
    let files = |source: &SourceRecord| {
        [&source.left, &source.right, &source.joints]
            .map(|file| file.as_ref().map(|file| file.sha256.clone()))
    };
    let (ours, theirs) = (files(&a.record.source), files(&b.record.source));
    let one_recording = ours == theirs && ours.iter().any(Option::is_some);
    a.sha256 == b.sha256
        || (one_recording
            && apart_s(&a.record.events, &b.record.events).is_some_and(|apart_s| apart_s < SAME_THROW_S))
}

/// Time between two deliveries of one recording, by the last event that both have.
fn apart_s(a: &EventsRecord, b: &EventsRecord) -> Option<f64> {
    let both = a.named().into_iter().zip(b.named());
    both.rev()
        .find_map(|((_, a), (_, b))| Some((a?.time_s - b?.time_s).abs()))
}

/// The figures alone.
fn plain(given: &Given) -> Delivery {
    let athlete = &given.record.athlete;
    let figures = given.record.metrics.iter().map(|metric| Figure {
        id: metric.id.clone(),
        unit: metric.unit.clone(),
        value: metric.value,
        sd: metric.sd,
        status: metric.status,
        reason: metric.reason.clone(),
    });
    Delivery {
        name: given.name.clone(),
        person: Person {
            throws: athlete.throws,
            height_m: athlete.height_m,
            height_estimated: athlete.height_estimated,
            mass_kg: athlete.mass_kg,
            sex: athlete.sex.clone(),
        },
        figures: figures.collect(),
    }
}

/// Whom the athlete is compared with: as asked, else as the deliveries agree.
fn peers(asked: &Peers, given: &[Given]) -> Peers {
    let mut levels = given.iter().filter_map(|g| g.record.athlete.level);
    let first = levels.next().filter(|first| levels.all(|level| level == *first));
    let mut ages = given.iter().filter_map(|g| g.record.athlete.age_years);
    Peers {
        // An age that is given tells the level, unless a level is given too.
        level: asked.level.or(first.filter(|_| asked.age_years.is_none())),
        age_years: asked.age_years.or_else(|| ages.next()),
    }
}

/// The means as evidence. Their doubt holds what all deliveries of a session have in common; findings widen it by what all
/// recordings have in common, so a little counts twice: on the careful side.
fn evidence(session: &Session, given: &[Given]) -> Evidence {
    let figures = session.summaries.iter().filter_map(|summary| {
        let spread = summary.spread?;
        let figure = findings::Figure {
            value: spread.mean,
            sd: spread.mean_sd,
            doubtful: summary.status != Status::Measured,
            bandwidth_hz: records::bandwidth_hz(&summary.id, given),
        };
        Some((summary.id.clone(), figure))
    });
    Evidence {
        figures: figures.collect(),
        from_pictures: given.iter().any(|g| g.record.source.left.is_some()),
        deliveries: given.len(),
        ..Evidence::default()
    }
}

/// What makes deliveries hard to compare.
fn set_up_warnings(given: &[Given]) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut rigs: Vec<&str> = given
        .iter()
        .filter_map(|g| Some(g.record.source.rig.as_ref()?.sha256.as_str()))
        .collect();
    rigs.sort_unstable();
    rigs.dedup();
    if rigs.len() > 1 {
        warnings.push(Warning::new(
            "several_rigs",
            format!(
                "the deliveries were measured with {} different rigs: the spread holds the difference between their calibrations too",
                rigs.len()
            ),
            "for the athlete's own spread sum up the deliveries of one set-up",
        ));
    }
    let videos = given.iter().filter(|g| g.record.source.left.is_some()).count();
    if videos != 0 && videos != given.len() {
        warnings.push(Warning::new(
            "several_methods",
            format!(
                "{videos} deliveries come from videos, {} from joints of another system",
                given.len() - videos
            ),
            "two systems see joints in different places: sum up each alone",
        ));
    }
    let mut heights: Vec<f64> = given
        .iter()
        .filter(|g| !g.record.athlete.height_estimated)
        .filter_map(|g| g.record.athlete.height_m)
        .collect();
    heights.sort_by(f64::total_cmp);
    if let (Some(least), Some(most)) = (heights.first(), heights.last())
        && most > least
    {
        warnings.push(Warning::new(
            "several_heights",
            format!(
                "the heights given differ: {least:.2} to {most:.2} m; shares of body height differ by as much"
            ),
            "measure the deliveries again with one --height-m",
        ));
    }
    warnings
}
