//! Results become records of the files.

use std::collections::BTreeMap;
use std::path::Path;

use crate::calibrate::RigFile;
use crate::findings::{Evidence, FindingsError, Reference, find, references};
use crate::kinematics::{Athlete, DeliveryMeasures, Event, EventName, Metric, SecondOpinion, Sex};
use crate::pipeline::{MeasureRequest, PipelineError, Recording};
use crate::quality::Warnings;
use crate::reconstruct::Reconstruction;
use crate::report::{Curve, Curves};
use crate::store::{
    AthleteRecord, CurvesTable, DELIVERY_SCHEMA, DeliveryRecord, EventRecord, EventsRecord, FileRecord,
    MetricRecord, ReferenceRecord, RigRecord, SecondFigureRecord, SecondOpinionRecord, SequencePeakRecord,
    SequenceRecord, SourceRecord, sha256_hex,
};
use crate::trajectory::Trajectory;

/// The files behind a recording.
pub(crate) fn source(
    request: &MeasureRequest,
    recording: &Recording,
    estimate: &Reconstruction,
) -> Result<SourceRecord, PipelineError> {
    let video = |path: &Path, i: usize| file(path, Some(recording.clips[i].info.rate_hz));
    Ok(SourceRecord {
        left: Some(video(&request.left, 0)?),
        right: Some(video(&request.right, 1)?),
        rig: Some(file(&request.rig, None)?),
        joints: None,
        clock_offset_s: Some(estimate.clock.offset_s),
        clock_offset_sd_s: Some(estimate.clock.sd_s),
    })
}

/// The record of one delivery.
pub(crate) fn delivery(
    source: SourceRecord,
    rig: Option<RigRecord>,
    athlete: &Athlete,
    measures: &DeliveryMeasures,
    evidence: &Evidence,
    warnings: Warnings,
) -> Result<DeliveryRecord, FindingsError> {
    let (events, event_reasons) = events(measures);
    let mut references = references(evidence)?;
    Ok(DeliveryRecord {
        schema: DELIVERY_SCHEMA.to_owned(),
        source,
        rig,
        athlete: AthleteRecord {
            throws: Some(measures.throws),
            height_m: measures.height_m,
            height_estimated: athlete.height_m.is_none() && measures.height_m.is_some(),
            mass_kg: athlete.mass_kg,
            sex: Some(match athlete.sex {
                Sex::Male => "male".to_owned(),
                Sex::Female => "female".to_owned(),
            }),
            level: evidence.level,
            age_years: evidence.age_years,
        },
        events,
        event_reasons,
        metrics: measures
            .metrics
            .iter()
            .map(|m| MetricRecord {
                reference: references.remove(m.id).map(reference),
                ..metric(m)
            })
            .collect(),
        findings: Some(find(evidence)?),
        further_events: further_events(measures),
        further_event_reasons: further_event_reasons(measures),
        sequence: sequence(measures),
        second_opinion: measures.second_opinion.as_ref().map(second_opinion),
        warnings: warnings.into_vec(),
    })
}

/// Published values to compare with.
pub(crate) fn reference(band: Reference) -> ReferenceRecord {
    ReferenceRecord {
        low: band.low,
        high: band.high,
        source: band.source,
        mean: Some(band.mean),
        sd: Some(band.sd),
        level: Some(band.level),
        provenance: Some(band.provenance),
        caveat: band.caveat,
        place: Some(band.place.name().to_owned()),
    }
}

/// The record of noise-free joints: no files, no doubt.
pub(crate) fn truth(measures: &DeliveryMeasures, athlete: &Athlete) -> DeliveryRecord {
    let (events, event_reasons) = events(measures);
    DeliveryRecord {
        schema: DELIVERY_SCHEMA.to_owned(),
        source: SourceRecord::default(),
        rig: None,
        athlete: AthleteRecord {
            throws: Some(measures.throws),
            height_m: athlete.height_m,
            height_estimated: false,
            mass_kg: athlete.mass_kg,
            sex: None,
            level: None,
            age_years: None,
        },
        events,
        event_reasons,
        metrics: measures.metrics.iter().map(metric).collect(),
        further_events: further_events(measures),
        further_event_reasons: further_event_reasons(measures),
        sequence: sequence(measures),
        findings: None,
        second_opinion: None,
        warnings: Vec::new(),
    }
}

/// A file by name and content.
pub(crate) fn file(path: &Path, rate_hz: Option<f64>) -> Result<FileRecord, PipelineError> {
    let name = path
        .file_name()
        .map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    Ok(FileRecord {
        name,
        sha256: sha256_hex(path)?,
        rate_hz,
    })
}

/// Quality of the rig.
pub(crate) fn rig(file: &RigFile) -> RigRecord {
    let world = file.world_from_left.as_ref();
    RigRecord {
        verdict: match file.verdict {
            crate::calibrate::Verdict::Good => "good",
            crate::calibrate::Verdict::Usable => "usable",
            crate::calibrate::Verdict::Refused => "refused",
        }
        .to_owned(),
        reasons: file.reasons.iter().map(|r| r.text.clone()).collect(),
        rms_px: file.rms_px,
        baseline_m: file.baseline_m,
        world_known: world.is_some(),
        world_reason: file.world_reason.clone(),
        sd_tilt_deg: world.map(|w| w.sd_tilt_deg),
        sd_yaw_deg: world.map(|w| w.sd_yaw_deg),
    }
}

fn events(measures: &DeliveryMeasures) -> (EventsRecord, BTreeMap<String, String>) {
    let mut reasons = BTreeMap::new();
    let mut take = |name: EventName| match &measures.events[name] {
        Ok(found) => Some(event(found)),
        Err(missing) => {
            reasons.insert(name.id().to_owned(), missing.to_string());
            None
        }
    };
    let events = EventsRecord {
        peak_knee_lift: take(EventName::PeakKneeLift),
        foot_contact: take(EventName::FootContact),
        max_external_rotation: take(EventName::MaxExternalRotation),
        ball_release: take(EventName::BallRelease),
    };
    (events, reasons)
}

fn event(found: &Event) -> EventRecord {
    EventRecord {
        time_s: found.time_s.0,
        sd_s: found.sd_s.map(|sd| sd.0),
    }
}

fn further_events(measures: &DeliveryMeasures) -> BTreeMap<String, Option<EventRecord>> {
    let named = measures.landmarks.iter();
    named
        .map(|l| (l.name.to_owned(), l.event.as_ref().ok().map(event)))
        .collect()
}

fn further_event_reasons(measures: &DeliveryMeasures) -> BTreeMap<String, String> {
    let named = measures.landmarks.iter();
    named
        .filter_map(|l| Some((l.name.to_owned(), l.event.as_ref().err()?.to_string())))
        .collect()
}

fn sequence(measures: &DeliveryMeasures) -> SequenceRecord {
    SequenceRecord {
        peaks: measures
            .sequence
            .peaks
            .iter()
            .map(|peak| SequencePeakRecord {
                segment: peak.segment.to_owned(),
                time_s: peak.time_s,
                sd_s: peak.sd_s,
                speed_deg_s: peak.speed_deg_s,
            })
            .collect(),
        order_probability: measures.sequence.order_probability,
    }
}

fn second_opinion(second: &SecondOpinion) -> SecondOpinionRecord {
    SecondOpinionRecord {
        filter: "Butterworth, second order forward and backward (fourth order, no delay), then five-point differences"
            .to_owned(),
        cutoff_hz: second.cutoff_hz,
        metrics: second
            .metrics
            .iter()
            .map(|figure| SecondFigureRecord {
                id: figure.id.to_owned(),
                value: figure.value.as_ref().ok().copied(),
                unit: figure.unit.to_owned(),
                reason: figure.value.as_ref().err().cloned(),
            })
            .collect(),
    }
}

fn metric(metric: &Metric) -> MetricRecord {
    MetricRecord {
        id: metric.id.to_owned(),
        value: metric.value,
        sd: metric.sd,
        unit: metric.unit.to_owned(),
        event: metric.event.map(|e| e.id().to_owned()),
        status: metric.status,
        reason: metric.reason.clone(),
        reference: None,
        bandwidth_hz: metric.bandwidth_hz,
    }
}

/// Figures over time, for the page.
pub(crate) fn curves(trajectory: &Trajectory, measures: &DeliveryMeasures) -> Curves {
    let series = measures
        .curves
        .iter()
        .map(|c| Curve {
            id: c.id.clone().into_owned(),
            unit: c.unit.to_owned(),
            values: c.values.clone(),
        })
        .collect();
    Curves {
        times: trajectory.times.clone(),
        series,
    }
}

/// Figures over time, as `curves.csv` has them.
pub(crate) fn curves_table(trajectory: &Trajectory, measures: &DeliveryMeasures) -> CurvesTable {
    CurvesTable {
        times: trajectory.times.clone(),
        columns: measures
            .curves
            .iter()
            .map(|c| (c.id.clone().into_owned(), c.values.clone()))
            .collect(),
    }
}
