//! `delivery.json`: everything that is known of one delivery, as other programs may rely on it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::findings::{Findings, Level};
use crate::quality::Warning;
use crate::skeleton::Side;
use crate::store::StoreError;
use crate::store::figures::{MetricRecord, SecondOpinionRecord, SequenceRecord};

/// The schema that is written and read.
pub const DELIVERY_SCHEMA: &str = "twinmound.delivery/1";

/// Names of the four events, in order of time.
pub const EVENT_NAMES: [&str; 4] = [
    "peak_knee_lift",
    "foot_contact",
    "max_external_rotation",
    "ball_release",
];

/// One delivery: what `delivery.json` holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DeliveryRecord {
    /// [`DELIVERY_SCHEMA`].
    pub schema: String,
    /// What it was measured from.
    pub source: SourceRecord,
    /// Quality of the rig; null for imported joints.
    #[serde(default)]
    pub rig: Option<RigRecord>,
    /// Whom.
    #[serde(default)]
    pub athlete: AthleteRecord,
    /// When.
    pub events: EventsRecord,
    /// Why the null events are null, by name.
    #[serde(default)]
    pub event_reasons: BTreeMap<String, String>,
    /// What was measured.
    pub metrics: Vec<MetricRecord>,
    /// Further instants, for pages; null where one was not found.
    #[serde(default)]
    pub further_events: BTreeMap<String, Option<EventRecord>>,
    /// Why the null ones are null, by name.
    #[serde(default)]
    pub further_event_reasons: BTreeMap<String, String>,
    /// The order in which segments turn fastest.
    #[serde(default)]
    pub sequence: SequenceRecord,
    /// What the figures say: what to work on, with its evidence, and what is good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub findings: Option<Findings>,
    /// Speeds by a second route, where one was asked for; never in place of `metrics`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second_opinion: Option<SecondOpinionRecord>,
    /// What the reader should know.
    #[serde(default)]
    pub warnings: Vec<Warning>,
}

/// The files behind a delivery and how their clocks relate.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SourceRecord {
    /// The left phone's video.
    #[serde(default)]
    pub left: Option<FileRecord>,
    /// The right phone's video.
    #[serde(default)]
    pub right: Option<FileRecord>,
    /// The rig file.
    #[serde(default)]
    pub rig: Option<FileRecord>,
    /// Imported joints, instead of videos.
    #[serde(default)]
    pub joints: Option<FileRecord>,
    /// Left time = right time + offset, at release, seconds.
    #[serde(default)]
    pub clock_offset_s: Option<f64>,
    /// Its standard deviation, seconds.
    #[serde(default)]
    pub clock_offset_sd_s: Option<f64>,
}

/// A file by name and content.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileRecord {
    /// Name without its folder.
    pub name: String,
    /// SHA-256 of the content, hexadecimal.
    pub sha256: String,
    /// Frame rate, where it has one, hertz.
    #[serde(default)]
    pub rate_hz: Option<f64>,
}

/// How good the rig is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RigRecord {
    /// `good`, `usable` or `refused`.
    pub verdict: String,
    /// Why not `good`.
    #[serde(default)]
    pub reasons: Vec<String>,
    /// Root mean square distance of a corner, pixels.
    pub rms_px: f64,
    /// Distance between the phones, metres.
    pub baseline_m: f64,
    /// Whether tilts and directions mean something.
    pub world_known: bool,
    /// Why not.
    #[serde(default)]
    pub world_reason: Option<String>,
    /// Standard deviation of the vertical, degrees.
    #[serde(default)]
    pub sd_tilt_deg: Option<f64>,
    /// Standard deviation of the target line, degrees.
    #[serde(default)]
    pub sd_yaw_deg: Option<f64>,
}

/// What is known of the athlete.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AthleteRecord {
    /// Throwing side, given or found.
    #[serde(default)]
    pub throws: Option<Side>,
    /// Body height, metres.
    #[serde(default)]
    pub height_m: Option<f64>,
    /// True when the height was estimated from the joints.
    #[serde(default)]
    pub height_estimated: bool,
    /// Body mass, kilograms.
    #[serde(default)]
    pub mass_kg: Option<f64>,
    /// `male` or `female`, when given.
    #[serde(default)]
    pub sex: Option<String>,
    /// Level of play, when given or told by the age.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<Level>,
    /// Age, years, when given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub age_years: Option<f64>,
}

/// An instant with its doubt.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EventRecord {
    /// On LEFT's clock, counted from its first frame, seconds.
    pub time_s: f64,
    /// Standard deviation, seconds; null in truth files.
    #[serde(default)]
    pub sd_s: Option<f64>,
}

/// The four events; null where one was not found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EventsRecord {
    /// Lead knee highest.
    #[serde(default)]
    pub peak_knee_lift: Option<EventRecord>,
    /// Lead foot on the ground.
    #[serde(default)]
    pub foot_contact: Option<EventRecord>,
    /// Layback.
    #[serde(default)]
    pub max_external_rotation: Option<EventRecord>,
    /// The ball leaves the hand.
    #[serde(default)]
    pub ball_release: Option<EventRecord>,
}

impl EventsRecord {
    /// The events with their names ([`EVENT_NAMES`]), in order of time.
    #[must_use]
    pub fn named(&self) -> [(&'static str, Option<EventRecord>); 4] {
        let events = [
            self.peak_knee_lift,
            self.foot_contact,
            self.max_external_rotation,
            self.ball_release,
        ];
        std::array::from_fn(|i| (EVENT_NAMES[i], events[i]))
    }
}

impl DeliveryRecord {
    /// The metric with this id.
    #[must_use]
    pub fn metric(&self, id: &str) -> Option<&MetricRecord> {
        self.metrics.iter().find(|m| m.id == id)
    }

    /// As the bytes of `delivery.json`.
    ///
    /// # Errors
    /// When a rule of the format is broken: a number that is not finite, a null without its reason.
    pub fn to_json(&self) -> Result<Vec<u8>, StoreError> {
        self.check()?;
        let mut bytes = serde_json::to_vec_pretty(self).map_err(|source| StoreError::Json {
            what: "delivery.json",
            source,
        })?;
        bytes.push(b'\n');
        Ok(bytes)
    }

    fn check(&self) -> Result<(), StoreError> {
        let broken = |id: &str, rule| {
            Err(StoreError::Rule {
                id: id.to_owned(),
                rule,
            })
        };
        for metric in &self.metrics {
            if metric.value.is_none() && metric.reason.is_none() {
                return broken(&metric.id, "a missing value needs a reason");
            }
            let numbers = [metric.value, metric.sd, metric.bandwidth_hz];
            if numbers.iter().flatten().any(|x| !x.is_finite()) {
                return broken(&metric.id, "a number has to be finite");
            }
        }
        let further = self.further_events.iter();
        let further =
            further.filter(|(name, e)| e.is_none() && !self.further_event_reasons.contains_key(*name));
        if let Some((name, _)) = further.into_iter().next() {
            return broken(name, "a missing event needs a reason");
        }
        for (name, event) in self.events.named() {
            match event {
                None if !self.event_reasons.contains_key(name) => {
                    return broken(name, "a missing event needs a reason");
                }
                Some(e) if !e.time_s.is_finite() || e.sd_s.is_some_and(|s| !s.is_finite()) => {
                    return broken(name, "a number has to be finite");
                }
                _ => {}
            }
        }
        Ok(())
    }
}

/// Reads the bytes of a `delivery.json`; keys that are not known are ignored.
///
/// # Errors
/// Not JSON of this form, or another schema.
pub fn read_delivery(bytes: &[u8]) -> Result<DeliveryRecord, StoreError> {
    let what = "delivery.json";
    let value: serde_json::Value =
        serde_json::from_slice(bytes).map_err(|source| StoreError::Json { what, source })?;
    let found = value.get("schema").and_then(|s| s.as_str()).unwrap_or("none");
    if found != DELIVERY_SCHEMA {
        return Err(StoreError::Schema {
            found: found.to_owned(),
            expected: DELIVERY_SCHEMA,
        });
    }
    serde_json::from_value(value).map_err(|source| StoreError::Json { what, source })
}

/// Reads an `events` object as `delivery.json` has it; a whole `delivery.json` is taken too.
///
/// # Errors
/// Not JSON of this form.
pub fn read_events(bytes: &[u8]) -> Result<EventsRecord, StoreError> {
    let what = "the events file";
    let mut value: serde_json::Value =
        serde_json::from_slice(bytes).map_err(|source| StoreError::Json { what, source })?;
    if let Some(inner) = value.get_mut("events") {
        value = inner.take();
    }
    serde_json::from_value(value).map_err(|source| StoreError::Json { what, source })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::Status;

    pub(crate) fn record() -> DeliveryRecord {
        let at = |time_s| {
            Some(EventRecord {
                time_s,
                sd_s: Some(0.004),
            })
        };
        DeliveryRecord {
            schema: DELIVERY_SCHEMA.to_owned(),
            source: SourceRecord {
                clock_offset_s: Some(1.25),
                ..SourceRecord::default()
            },
            rig: None,
            athlete: AthleteRecord::default(),
            events: EventsRecord {
                foot_contact: at(1.5),
                ball_release: at(1.65),
                ..EventsRecord::default()
            },
            event_reasons: [
                ("peak_knee_lift".to_owned(), "before the video".to_owned()),
                (
                    "max_external_rotation".to_owned(),
                    "the elbow was hidden".to_owned(),
                ),
            ]
            .into(),
            metrics: vec![MetricRecord {
                id: "peak_hand_speed_m_s".to_owned(),
                value: Some(21.5),
                sd: Some(0.7),
                unit: "m/s".to_owned(),
                event: None,
                status: Status::Measured,
                reason: None,
                reference: None,
                bandwidth_hz: Some(36.0),
            }],
            further_events: BTreeMap::new(),
            further_event_reasons: BTreeMap::new(),
            sequence: SequenceRecord::default(),
            findings: None,
            second_opinion: None,
            warnings: vec![Warning::new("code", "text", "hint")],
        }
    }

    #[test]
    fn what_is_written_is_read_again() {
        let record = record();
        assert_eq!(read_delivery(&record.to_json().unwrap()).unwrap(), record);
    }

    #[test]
    fn the_json_has_the_keys_of_the_contract() {
        let json: serde_json::Value = serde_json::from_slice(&record().to_json().unwrap()).unwrap();
        for key in [
            "schema",
            "source",
            "rig",
            "athlete",
            "events",
            "event_reasons",
            "metrics",
            "warnings",
        ] {
            assert!(json.get(key).is_some(), "{key}");
        }
        assert!(json["events"]["peak_knee_lift"].is_null());
        assert_eq!(json["events"]["foot_contact"]["sd_s"], 0.004);
        for key in [
            "id",
            "value",
            "sd",
            "unit",
            "event",
            "status",
            "reason",
            "reference",
            "bandwidth_hz",
        ] {
            assert!(json["metrics"][0].get(key).is_some(), "{key}");
        }
        assert_eq!(json["metrics"][0]["status"], "measured");
        assert_eq!(json["source"]["clock_offset_s"], 1.25);
    }

    #[test]
    fn a_record_that_breaks_the_rules_is_not_written() {
        let mut no_reason = record();
        no_reason.metrics[0].value = None;
        assert!(no_reason.to_json().is_err());
        let mut not_finite = record();
        not_finite.metrics[0].sd = Some(f64::NAN);
        assert!(not_finite.to_json().is_err());
        let mut silent = record();
        silent.event_reasons.clear();
        assert!(silent.to_json().is_err());
    }

    #[test]
    fn unknown_keys_are_ignored_and_other_schemas_refused() {
        let mut json: serde_json::Value = serde_json::from_slice(&record().to_json().unwrap()).unwrap();
        json["something_new"] = 1.into();
        json["metrics"][0]["more"] = "x".into();
        assert_eq!(read_delivery(json.to_string().as_bytes()).unwrap(), record());
        json["schema"] = "twinmound.delivery/9".into();
        assert!(matches!(
            read_delivery(json.to_string().as_bytes()),
            Err(StoreError::Schema { .. })
        ));
    }

    #[test]
    fn events_are_read_bare_or_inside_a_delivery() {
        let bare = br#"{"foot_contact": {"time_s": 1.5, "sd_s": 0.004}, "ball_release": {"time_s": 1.65}}"#;
        let events = read_events(bare).unwrap();
        assert_eq!(
            events.ball_release,
            Some(EventRecord {
                time_s: 1.65,
                sd_s: None
            })
        );
        assert_eq!(events.peak_knee_lift, None);
        assert_eq!(
            read_events(&record().to_json().unwrap()).unwrap(),
            record().events
        );
    }
}
