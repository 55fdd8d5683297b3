//! Report: results become pages and tables.
//!
//! Input: the records of [`crate::store`], figures over time and key pictures ([`ReportContent`]). Output: one
//! self-contained page for all deliveries of a recording ([`page`]), readable on a phone, without network; one for a rig
//! ([`rig_page`]); a table for the terminal ([`terminal_table`]); and both for several deliveries of one athlete
//! ([`session_page`], [`session_table`]). Nothing is computed here but rounding.

/// Drawings true to scale.
mod drawing;

/// The checkerboard to print.
mod board;

/// The board cut into small pages.
mod tiles;

/// Where phones and board go.
mod placement;

/// The findings in words.
mod advice;

/// The page of a rig.
mod rig_page;

/// What stands against a result.
mod reservations;

/// What is said.
mod content;

/// Curves as pictures.
mod chart;

/// Words for metrics and events.
mod labels;

/// Numbers as people read them.
mod numbers;

/// The figures of one delivery, by part of the body.
mod figures;

/// The page.
mod html;

/// Pictures of the key moments.
mod pictures;

/// Fixed texts of the page.
mod notes;

/// Several deliveries of one athlete.
mod session;

/// The table for the terminal.
mod table;

/// Other stages' texts as sentences.
mod wording;

pub use board::{BoardSheet, BoardUndrawable, Paper};
pub use content::{Curve, Curves, DeliveryContent, KeyPicture, ReportContent};
pub use html::page;
pub use placement::{placement_pdf, placement_svg, placement_words};
pub use rig_page::rig_page;
pub use session::{session_page, session_table};
pub use table::terminal_table;
pub use tiles::Tiling;

/// What can go wrong with a page.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A chart could not be drawn; a fault of the program.
    #[error("the chart '{title}' could not be drawn: {why}")]
    Chart {
        /// Which one.
        title: &'static str,
        /// What the drawing library says.
        why: String,
    },
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::{Status, Warning};
    use crate::store::{
        AthleteRecord, DELIVERY_SCHEMA, DeliveryRecord, EventRecord, EventsRecord, MetricRecord, SourceRecord,
    };
    use crate::units::Seconds;

    fn metric(id: &str, unit: &str, value: Option<f64>, status: Status) -> MetricRecord {
        MetricRecord {
            id: id.to_owned(),
            value,
            sd: value.map(|_| 3.2),
            unit: unit.to_owned(),
            event: None,
            status,
            reason: (status != Status::Measured).then(|| format!("reason of {id}")),
            reference: None,
            bandwidth_hz: None,
        }
    }

    fn content() -> ReportContent {
        let at = |time_s| {
            Some(EventRecord {
                time_s,
                sd_s: Some(0.004),
            })
        };
        let record = DeliveryRecord {
            schema: DELIVERY_SCHEMA.to_owned(),
            source: SourceRecord::default(),
            rig: None,
            athlete: AthleteRecord::default(),
            events: EventsRecord {
                peak_knee_lift: None,
                foot_contact: at(1.5),
                max_external_rotation: at(1.61),
                ball_release: at(1.65),
            },
            event_reasons: [("peak_knee_lift".to_owned(), "before the video".to_owned())].into(),
            metrics: vec![
                metric(
                    "elbow_flexion_at_ball_release_deg",
                    "deg",
                    Some(27.4),
                    Status::Measured,
                ),
                metric(
                    "max_shoulder_external_rotation_deg",
                    "deg",
                    Some(171.6),
                    Status::Doubtful,
                ),
                metric("peak_trunk_kinetic_energy_j", "J", None, Status::NotMeasurable),
            ],
            further_events: std::collections::BTreeMap::new(),
            further_event_reasons: std::collections::BTreeMap::new(),
            sequence: crate::store::SequenceRecord::default(),
            findings: None,
            second_opinion: None,
            warnings: vec![Warning::new("code", "Clocks <drift>", "Clap again")],
        };
        let times: Vec<Seconds> = (0..500).map(|i| Seconds(f64::from(i) / 240.0)).collect();
        let hand = Curve {
            id: "hand_speed_m_s".to_owned(),
            unit: "m/s".to_owned(),
            values: times
                .iter()
                .map(|t| (t.0 < 1.6 || t.0 > 1.63).then_some(20.0 * t.0))
                .collect(),
        };
        ReportContent {
            title: "Mound <script>alert(1)</script>".to_owned(),
            deliveries: vec![DeliveryContent {
                record,
                curves: Curves {
                    times,
                    series: vec![hand],
                },
                pictures: vec![KeyPicture {
                    event: "ball_release".to_owned(),
                    view: "left phone".to_owned(),
                    png: vec![1, 2, 3],
                }],
            }],
        }
    }

    #[test]
    fn the_page_is_self_contained_and_safe() {
        let page = page(&content()).unwrap();
        assert!(page.starts_with("<!DOCTYPE html>"));
        for loader in ["<script", "<link", "src=\"http", "href=\"http", "url(", "@import"] {
            assert!(!page.contains(loader), "{loader} would run or fetch something");
        }
        assert!(page.contains("Mound &lt;script&gt;") && page.contains("Clocks &lt;drift&gt;"));
        assert!(page.contains("src=\"data:image/png;base64,AQID\""));
        assert!(page.contains("name=\"viewport\""));
    }

    #[test]
    fn the_page_says_values_doubts_reasons_and_cautions() {
        let page = page(&content()).unwrap();
        for text in [
            "27°",
            "± 3",
            "172°",
            "reason of max_shoulder_external_rotation_deg",
            "Reason of peak_trunk_kinetic_energy_j.",
            "Before the video.",
            "1 measured, 1 doubtful",
            "1 not measurable",
            "0.110 s",
            "Clap again",
            "licensed clinician",
            "Pitch counts",
        ] {
            assert!(page.contains(text), "{text}");
        }
        assert!(!page.contains("NaN") && !page.contains("None"));
    }

    #[test]
    fn a_chart_shows_the_curves_there_are_and_breaks_where_one_is_unknown() {
        let page = page(&content()).unwrap();
        assert_eq!(
            page.matches("<svg").count(),
            1,
            "one figure is known, so one chart"
        );
        assert!(page.contains("aria-label=\"Hand speed over time\""));
        // Clay is the colour of the hand's curve.
        let stretches = page.matches("stroke=\"#B85028\"").count();
        assert_eq!(stretches, 2, "one before the gap and one after it");
    }

    #[test]
    fn a_recording_without_deliveries_says_so() {
        let empty = ReportContent {
            title: "Nothing".to_owned(),
            deliveries: Vec::new(),
        };
        assert!(page(&empty).unwrap().contains("No delivery was found"));
    }

    #[test]
    fn the_terminal_table_has_every_measured_figure() {
        let table = terminal_table(&content().deliveries[0].record);
        for text in [
            "Foot contact",
            "1.500",
            "Elbow bend at release",
            "27",
            "172",
            "before the video",
            "1 figure could",
        ] {
            assert!(table.contains(text), "{text} in\n{table}");
        }
    }
}
