//! A session becomes a record.

use crate::findings::{Evidence, FindingsError, Reference, find, references};
use crate::pipeline::records;
use crate::pipeline::session::Given;
use crate::quality::{Status, Warnings};
use crate::session::{
    CHANGE_FACTOR, COMMON_SHARE, FALSE_ALARM_SHARE, FEWEST_FOR_CHANGE, FEWEST_FOR_OUTLIERS, Session, Summary,
};
use crate::store::{
    AssumptionsRecord, AthleteRecord, OutlierRecord, SESSION_SCHEMA, SessionDeliveryRecord,
    SessionMetricRecord, SessionRecord, SessionValueRecord,
};

/// The record of a session; what the means say is found here, from `evidence`.
pub(super) fn session(
    session: &Session,
    given: &[Given],
    evidence: &Evidence,
    warnings: Warnings,
) -> Result<SessionRecord, FindingsError> {
    let person = &session.person;
    let mut references = references(evidence)?;
    Ok(SessionRecord {
        schema: SESSION_SCHEMA.to_owned(),
        athlete: AthleteRecord {
            throws: person.throws,
            height_m: person.height_m,
            height_estimated: person.height_estimated,
            mass_kg: person.mass_kg,
            sex: person.sex.clone(),
            level: evidence.level,
            age_years: evidence.age_years,
        },
        deliveries: given.iter().enumerate().map(delivery).collect(),
        assumptions: assumptions(session),
        metrics: session
            .summaries
            .iter()
            .map(|s| metric(s, given, references.remove(&s.id)))
            .collect(),
        outliers: session
            .outliers
            .iter()
            .map(|outlier| OutlierRecord {
                delivery: outlier.delivery + 1,
                metric: outlier.id.clone(),
                value: outlier.value,
                median: outlier.median,
                unit: unit(session, &outlier.id),
                modified_z: outlier.modified_z,
            })
            .collect(),
        findings: Some(find(evidence)?),
        warnings: warnings.into_vec(),
    })
}

fn unit(session: &Session, id: &str) -> String {
    let summary = session.summaries.iter().find(|s| s.id == id);
    summary.map_or_else(String::new, |s| s.unit.clone())
}

fn delivery((index, given): (usize, &Given)) -> SessionDeliveryRecord {
    let count = |status| given.record.metrics.iter().filter(|m| m.status == status).count();
    SessionDeliveryRecord {
        number: index + 1,
        name: given.name.clone(),
        sha256: given.sha256.clone(),
        source: given.record.source.clone(),
        measured: count(Status::Measured),
        doubtful: count(Status::Doubtful),
        not_measurable: count(Status::NotMeasurable),
    }
}

fn metric(summary: &Summary, given: &[Given], band: Option<Reference>) -> SessionMetricRecord {
    let values = given.iter().enumerate().map(|(i, given)| {
        let of = given.record.metric(&summary.id);
        SessionValueRecord {
            delivery: i + 1,
            value: of.and_then(|m| m.value),
            sd: of.and_then(|m| m.sd),
            status: of.map_or(Status::NotMeasurable, |m| m.status),
            used: summary.used.contains(&i),
        }
    });
    let spread = summary.spread.as_ref();
    SessionMetricRecord {
        id: summary.id.clone(),
        unit: summary.unit.clone(),
        status: summary.status,
        reason: summary.reason.clone(),
        n: summary.used.len(),
        measured: summary.measured,
        doubtful: summary.doubtful,
        not_measurable: summary.not_measurable,
        mean: spread.map(|s| s.mean),
        mean_sd: spread.and_then(|s| s.mean_sd),
        sd: spread.and_then(|s| s.sd),
        measurement_sd: spread.and_then(|s| s.measurement_sd),
        athlete_sd_at_least: spread.and_then(|s| s.athlete_sd_at_least),
        median: spread.map(|s| s.median),
        min: spread.map(|s| s.min),
        max: spread.map(|s| s.max),
        change_of_deliveries: spread.and_then(|s| s.change_of_deliveries),
        change_of_sessions: spread.and_then(|s| s.change_of_sessions),
        bandwidth_hz: bandwidth_hz(&summary.id, given),
        reference: band.map(records::reference),
        values: values.collect(),
    }
}

/// The least bandwidth of a figure that any delivery states, hertz.
pub(super) fn bandwidth_hz(id: &str, given: &[Given]) -> Option<f64> {
    given
        .iter()
        .filter_map(|g| g.record.metric(id))
        .filter_map(|m| m.bandwidth_hz)
        .min_by(f64::total_cmp)
}

fn assumptions(session: &Session) -> AssumptionsRecord {
    AssumptionsRecord {
        common_share: COMMON_SHARE,
        common_share_source: "a choice of ours, after two rendered recordings: 79 % of the mean square error of 13 angles is common to both".to_owned(),
        confidence: 0.95,
        change_factor: CHANGE_FACTOR,
        change_source: "1.96 x root of 2 (minimal detectable change at 95 %; Weir 2005, Bland and Altman 1996, from memory)".to_owned(),
        fewest_for_change: FEWEST_FOR_CHANGE,
        fewest_for_outliers: FEWEST_FOR_OUTLIERS,
        figures_judged: session.figures_judged,
        outliers_by_chance: FALSE_ALARM_SHARE * session.figures_judged as f64,
        outlier_source: "modified z-score by median and median distance (Iglewicz and Hoaglin 1993, from memory), limits raised for few values by simulation".to_owned(),
    }
}
