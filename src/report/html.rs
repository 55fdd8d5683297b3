//! The page: one file with everything in it.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::quality::Status;
use crate::report::ReportError;
use crate::report::advice::advice;
use crate::report::chart::{self, PANELS};
use crate::report::content::{DeliveryContent, ReportContent};
use crate::report::figures;
use crate::report::labels::{event_letter, event_name, label};
use crate::report::notes::{cautions, how_to_read};
use crate::report::numbers::{doubt, rounded, with_unit};
use crate::report::pictures::pictures;
use crate::report::reservations::warnings;
use crate::report::wording::{in_words, sentence};
use crate::store::{DeliveryRecord, FileRecord, MetricRecord};

pub(super) const STYLE: &str = include_str!("style.css");

/// The figures at the top of a delivery, from the ground up; the first eight that have a value.
pub(super) const HEADLINES: [&str; 10] = [
    "ball_speed_m_s",
    "peak_hand_speed_m_s",
    "stride_length_pct_height",
    "pelvis_rotation_onset_before_foot_contact_s",
    "max_hip_shoulder_separation_deg",
    "pelvis_to_trunk_peak_delay_s",
    "max_shoulder_external_rotation_deg",
    "lead_knee_extension_foot_contact_to_release_deg",
    "trunk_forward_tilt_at_ball_release_deg",
    "foot_contact_to_ball_release_s",
];

/// How many of them are shown: rows of four, or of two on a phone.
const HEADLINE_COUNT: usize = 8;

/// The whole page as HTML.
///
/// # Errors
/// When a chart cannot be drawn; a fault of the program.
pub fn page(content: &ReportContent) -> Result<String, ReportError> {
    let mut sections = Vec::new();
    for (i, delivery) in content.deliveries.iter().enumerate() {
        sections.push(delivery_section(i + 1, delivery)?);
    }
    let several = content.deliveries.len() > 1;
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (content.title) ": " (counted(content.deliveries.len())) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header.top {
                    div.inner {
                        p.brand { "twinmound" }
                        h1 { (counted(content.deliveries.len())) }
                        p { (recording(content)) }
                        p {
                            "With pain, stop throwing. " a href="#cautions" { "Read this before you act on a figure." }
                        }
                    }
                }
                main {
                    @if content.deliveries.is_empty() {
                        section.card { p { "No delivery was found in this recording." } }
                    }
                    (how_to_read())
                    @if several { (overview(content)) }
                    @for section in &sections { (section) }
                    (cautions())
                }
            }
        }
    };
    Ok(whole.into_string())
}

fn counted(deliveries: usize) -> String {
    match deliveries {
        0 => "No pitching delivery".to_owned(),
        1 => "One pitching delivery".to_owned(),
        n => format!("{n} pitching deliveries"),
    }
}

/// What was recorded, and of whom.
fn recording(content: &ReportContent) -> Markup {
    let record = content.deliveries.first().map(|d| &d.record);
    let source = record.map(|r| &r.source);
    html! {
        "Recording "
        @match source.and_then(|s| s.left.as_ref().zip(s.right.as_ref())) {
            Some((left, right)) => { (left.name) " with " (right.name) },
            None => (content.title),
        }
        @if let Some(record) = record { "; " (athlete(record)) }
        "."
    }
}

/// Side, height and mass.
fn athlete(record: &DeliveryRecord) -> Markup {
    html! {
        @match record.athlete.throws { Some(side) => { "throws " (side) }, None => { "throwing side unknown" } }
        @if let Some(h) = record.athlete.height_m {
            ", " (format!("{h:.2}")) "\u{a0}m"
            @if record.athlete.height_estimated { " (estimated)" }
        }
        @if let Some(m) = record.athlete.mass_kg { ", " (format!("{m:.0}")) "\u{a0}kg" }
        @if let Some(level) = record.athlete.level { ", " (level.words()) }
    }
}

/// The headline figures of all deliveries side by side.
fn overview(content: &ReportContent) -> Markup {
    let ids: Vec<&str> = HEADLINES
        .into_iter()
        .filter(|id| {
            content
                .deliveries
                .iter()
                .any(|d| d.record.metric(id).is_some_and(|m| m.value.is_some()))
        })
        .collect();
    html! {
        section.card {
            h2 { "All deliveries" }
            div.wide {
                table.events {
                    thead {
                        tr {
                            td {}
                            @for i in 1..=content.deliveries.len() {
                                th scope="col" { a href={ "#delivery-" (i) } { "No. " (i) } }
                            }
                        }
                    }
                    tbody {
                        @for id in ids {
                            tr {
                                th scope="row" { (headline_name(id)) }
                                @for delivery in &content.deliveries {
                                    td { @if let Some(metric) = delivery.record.metric(id) { (figures::value(metric)) } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn headline_name(id: &str) -> String {
    let label = label(id);
    match (label.event, id.starts_with("peak_")) {
        (Some(event), _) => format!("{} at {}", label.name, event_name(event).to_lowercase()),
        (None, true) => format!("{}, peak speed", label.name),
        (None, false) => label.name,
    }
}

/// One delivery.
fn delivery_section(number: usize, delivery: &DeliveryContent) -> Result<Markup, ReportError> {
    let record = &delivery.record;
    let mut charts = Vec::new();
    for panel in &PANELS {
        if let Some(svg) = chart::draw(panel, delivery)? {
            charts.push((panel, svg));
        }
    }
    let zero = delivery.zero().map_or("its event", |(name, _)| name);
    Ok(html! {
        article id={ "delivery-" (number) } {
            h2.delivery { "Delivery " (number) }
            (phases(record))
            (advice(record))
            (headlines(record))
            (trust(record))
            (warnings("What to know about this measurement", &record.warnings))
            (pictures(delivery))
            @if !charts.is_empty() {
                p.note {
                    "Charts: time runs to the right, in seconds, 0 at " (zero)
                    ". Upright lines: K knee lift, C foot contact, L layback, R release."
                }
                div.charts {
                    @for (panel, svg) in &charts {
                        figure.card {
                            figcaption {
                                b { (panel.title) }
                                span.legend {
                                    @for line in panel.lines {
                                        @let (r, g, b) = line.colour;
                                        span { i style={ "background:rgb(" (r) "," (g) "," (b) ")" } {} (line.name) }
                                    }
                                }
                            }
                            p.note { (panel.meaning) }
                            (PreEscaped(svg))
                        }
                    }
                }
            }
            (figures::tables(record))
            (source(record))
        }
    })
}

/// The events in order, with the time between them.
fn phases(record: &DeliveryRecord) -> Markup {
    let named = record.events.named();
    html! {
        ol.phases {
            @for (i, (name, event)) in named.iter().enumerate() {
                @let before = i.checked_sub(1).and_then(|k| named[k].1);
                @if i > 0 {
                    li.gap {
                        @if let (Some(a), Some(b)) = (before, event) { (rounded(b.time_s - a.time_s, "s")) " s" }
                    }
                }
                li.lost[event.is_none()] title=[record.event_reasons.get(*name)] {
                    span { b { (event_letter(name)) } " " (event_name(name)) }
                    small {
                        @match event {
                            Some(e) => {
                                (rounded(e.time_s, "s")) " s"
                                @if let Some(sd) = e.sd_s { " ± " (rounded(sd, "s")) }
                            }
                            None => { "not found" }
                        }
                    }
                }
            }
        }
        @for (name, reason) in &record.event_reasons {
            p.note { (event_name(name)) " was not found: " (sentence(reason)) }
        }
    }
}

/// The most telling figures, large.
fn headlines(record: &DeliveryRecord) -> Markup {
    let shown: Vec<(&str, &MetricRecord, f64)> = HEADLINES
        .into_iter()
        .filter_map(|id| {
            let metric = record.metric(id)?;
            Some((id, metric, metric.value?))
        })
        .take(HEADLINE_COUNT)
        .collect();
    html! {
        div.headlines {
            @for (id, metric, value) in shown {
                div.headline.doubtful[metric.status == Status::Doubtful] title=[metric.reason.as_deref().map(in_words)] {
                    p.number { (with_unit(value, &metric.unit)) " " span.doubt { (doubt(metric)) } }
                    p.name { (headline_name(id)) }
                }
            }
        }
    }
}

/// How many figures may be trusted.
fn trust(record: &DeliveryRecord) -> Markup {
    let count = |status| record.metrics.iter().filter(|m| m.status == status).count();
    let (sound, doubtful, missing) = (
        count(Status::Measured),
        count(Status::Doubtful),
        count(Status::NotMeasurable),
    );
    html! {
        p.trust.poor[doubtful > sound] {
            @if doubtful > sound { b { "Most figures here are doubtful: do not act on them. " } }
            (sound) " measured, " (doubtful) " doubtful " span.value.doubtful { b { "(amber, dotted)" } } ", "
            (missing) " not measurable. The reasons stand below the figures."
        }
    }
}

/// Where the figures come from.
fn source(record: &DeliveryRecord) -> Markup {
    let source = &record.source;
    let file = |what: &str, file: &Option<FileRecord>| {
        html! {
            @if let Some(f) = file {
                dt { (what) }
                dd {
                    (f.name)
                    @if let Some(rate) = f.rate_hz { ", " (format!("{rate:.1}")) " pictures a second" }
                    br; code { (f.sha256.get(..16).unwrap_or(&f.sha256)) "…" }
                }
            }
        }
    };
    html! {
        details.card {
            summary { "Where these figures come from" }
            dl {
                (file("Left phone", &source.left))
                (file("Right phone", &source.right))
                (file("Joints", &source.joints))
                (file("Rig", &source.rig))
                @if let Some(offset_s) = source.clock_offset_s {
                    dt { "Clocks" }
                    dd {
                        "left = right " (if offset_s < 0.0 { "\u{2212}" } else { "+" }) " " (format!("{:.4}", offset_s.abs())) " s"
                        @if let Some(sd) = source.clock_offset_sd_s { " ± " (format!("{sd:.4}")) " s" }
                    }
                }
                @if let Some(rig) = &record.rig {
                    dt { "Rig quality" }
                    dd {
                        (rig.verdict) ", corners to " (format!("{:.2}", rig.rms_px)) " px, phones "
                        (format!("{:.2}", rig.baseline_m)) " m apart"
                        @for reason in &rig.reasons { br; (reason) }
                        @if let Some(reason) = &rig.world_reason { br; (reason) }
                    }
                }
                dt { "Athlete" }
                dd { (athlete(record)) }
            }
        }
    }
}
