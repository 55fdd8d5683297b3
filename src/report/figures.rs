//! The figures of one delivery, by part of the body: what is taken at several events stands in one row.

use maud::{Markup, html};

use crate::quality::Status;
use crate::report::labels::{Group, Label, event_name, label};
use crate::report::numbers::{doubt, rounded, with_unit};
use crate::report::reservations::reasons;
use crate::report::wording::in_words;
use crate::store::{DeliveryRecord, EVENT_NAMES, MetricRecord, ReferenceRecord};

/// All groups with their tables, and the reasons of what is doubtful or missing.
pub(super) fn tables(record: &DeliveryRecord) -> Markup {
    let mut labelled: Vec<(Label, &MetricRecord)> =
        record.metrics.iter().map(|m| (label(&m.id), m)).collect();
    labelled.sort_by_key(|(label, _)| label.place);
    html! {
        div.groups {
            @for group in Group::ALL {
                @let of_group: Vec<_> = labelled.iter().filter(|(l, _)| l.group == group).collect();
                @if of_group.iter().any(|(_, m)| m.value.is_some()) {
                    section.card {
                        h3 { (group.title()) }
                        (single_rows(&of_group))
                        (event_rows(&of_group))
                    }
                }
            }
        }
        (reasons(labelled.iter().filter(|(_, m)| m.status != Status::Measured).filter_map(|(label, metric)| {
            Some((full_name(label), metric.status, metric.reason.as_deref()?))
        })))
    }
}

/// Figures that belong to no event.
fn single_rows(metrics: &[&(Label, &MetricRecord)]) -> Markup {
    let single: Vec<_> = metrics.iter().filter(|(l, _)| l.event.is_none()).collect();
    html! {
        @if !single.is_empty() {
            table.single {
                @for (label, metric) in single {
                    tr {
                        th scope="row" { (name(label)) }
                        td { (value(metric)) (reference(metric)) }
                    }
                }
            }
        }
    }
}

/// Figures at events: one row a figure, one column an event.
fn event_rows(metrics: &[&(Label, &MetricRecord)]) -> Markup {
    let at_events: Vec<_> = metrics.iter().filter(|(l, _)| l.event.is_some()).collect();
    let columns: Vec<&str> = EVENT_NAMES
        .into_iter()
        .filter(|e| {
            at_events
                .iter()
                .any(|(l, m)| l.event == Some(*e) && m.value.is_some())
        })
        .collect();
    let mut names: Vec<&Label> = Vec::new();
    for (label, _) in &at_events {
        if !names.iter().any(|l| l.name == label.name) {
            names.push(label);
        }
    }
    html! {
        @if !columns.is_empty() {
            table.events {
                thead { tr { td {} @for event in &columns { th scope="col" { (event_name(event)) } } } }
                tbody {
                    @for row in names {
                        tr {
                            th scope="row" { (name(row)) }
                            @for event in &columns {
                                @let found = at_events.iter().find(|(l, _)| l.name == row.name && l.event == Some(*event));
                                td { @if let Some((_, metric)) = found { (value(metric)) (reference(metric)) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn name(label: &Label) -> Markup {
    html! {
        (label.name)
        @if !label.hint.is_empty() { " " small { (unbroken(label.hint)) } }
    }
}

/// A sign stays on one line with the word that it belongs to.
fn unbroken(hint: &str) -> String {
    hint.replace("+ ", "+\u{a0}")
        .replace("\u{2212} ", "\u{2212}\u{a0}")
}

/// A value with its doubt; one that is not safe to act on is marked.
pub(super) fn value(metric: &MetricRecord) -> Markup {
    html! {
        @match metric.value {
            Some(v) => span.value.doubtful[metric.status == Status::Doubtful] title=[metric.reason.as_deref().map(in_words)] {
                b { (with_unit(v, &metric.unit)) } " " span.doubt { (doubt(metric)) }
            },
            None => span.missing title=[metric.reason.as_deref().map(in_words)] { "–" },
        }
    }
}

/// Published values to compare with, and where the figure lies.
fn reference(metric: &MetricRecord) -> Markup {
    published(metric.reference.as_ref(), &metric.unit)
}

/// The same of a figure from anywhere.
pub(super) fn published(reference: Option<&ReferenceRecord>, unit: &str) -> Markup {
    html! {
        @if let Some(r) = reference {
            small.reference title=(r.source) {
                @match r.level { Some(level) => (level.words()), None => "published" }
                " " (rounded(r.low, unit)) " to " (with_unit(r.high, unit))
                @match r.place.as_deref() {
                    Some(place @ ("below" | "above")) => { ": " b { (place) } },
                    Some("within") => ": within",
                    _ => {}
                }
                @if let Some(caveat) = &r.caveat { " (" (caveat.split(':').next().unwrap_or(caveat)) ")" }
            }
        }
    }
}

/// A figure's name with its moment, for instance `Elbow bend (release)`.
fn full_name(label: &Label) -> String {
    match label.event {
        Some(event) => format!("{} ({})", label.name, event_name(event).to_lowercase()),
        None => label.name.clone(),
    }
}
