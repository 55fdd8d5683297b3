//! The figures of a session by part of the body, one row each; and why some are doubtful or missing.

use maud::{Markup, html};

use crate::quality::Status;
use crate::report::figures::published;
use crate::report::labels::{Group, Label, event_name, label};
use crate::report::numbers::{doubt_of, with_unit};
use crate::report::reservations::reasons;
use crate::report::session::strip::strip;
use crate::report::session::words::figure_name;
use crate::report::wording::in_words;
use crate::store::{EVENT_NAMES, SessionMetricRecord, SessionRecord};

/// All groups.
pub(super) fn tables(record: &SessionRecord) -> Markup {
    let mut labelled: Vec<(Label, &SessionMetricRecord)> =
        record.metrics.iter().map(|m| (label(&m.id), m)).collect();
    labelled.sort_by_key(|(label, _)| (label.place, moment(label)));
    let deliveries = record.deliveries.len();
    let columns = Columns {
        spread: deliveries > 1,
        change: deliveries >= record.assumptions.fewest_for_change,
    };
    html! {
        @for group in Group::ALL {
            @let rows: Vec<_> = labelled.iter().filter(|(l, m)| l.group == group && m.mean.is_some()).collect();
            @if !rows.is_empty() {
                section.card {
                    h3 { (group.title()) }
                    table.session {
                        (head(deliveries, columns))
                        tbody { @for (label, metric) in rows { (row(label, metric, record, columns)) } }
                    }
                }
            }
        }
        (reasons(labelled.iter().filter_map(|(_, metric)| {
            Some((figure_name(&metric.id), metric.status, metric.reason.as_deref()?))
        })))
    }
}

/// Which columns so few deliveries can fill.
#[derive(Clone, Copy)]
struct Columns {
    spread: bool,
    change: bool,
}

fn head(deliveries: usize, columns: Columns) -> Markup {
    html! {
        thead {
            tr {
                td rowspan="2" {}
                th scope="col" rowspan="2" { @if columns.spread { "Mean" } @else { "Value" } }
                @if columns.spread { th scope="col" rowspan="2" { "Spread" } }
                @if columns.change { th scope="colgroup" colspan="2" { "Smallest change worth believing" } }
                @if columns.spread { th scope="col" rowspan="2" { "Deliveries in order" } }
            }
            tr {
                @if columns.change {
                    th scope="col" { "one delivery" }
                    th scope="col" { "mean of " (deliveries) }
                }
            }
        }
    }
}

/// Rank of the event at which a figure is taken.
fn moment(label: &Label) -> Option<usize> {
    EVENT_NAMES.iter().position(|e| Some(*e) == label.event)
}

fn row(label: &Label, metric: &SessionMetricRecord, record: &SessionRecord, columns: Columns) -> Markup {
    let odd: Vec<usize> = record
        .outliers
        .iter()
        .filter(|o| o.metric == metric.id)
        .map(|o| o.delivery)
        .collect();
    let total = record.deliveries.len();
    html! {
        tr {
            th scope="row" {
                (label.name) @if let Some(event) = label.event { ", " (event_name(event).to_lowercase()) }
                @if !label.hint.is_empty() { " " small { (label.hint) } }
                (published(metric.reference.as_ref(), &metric.unit))
            }
            td data-of="mean" {
                (mean(metric))
                @if metric.n < total { small { (metric.n) " of " (total) } }
            }
            @if columns.spread {
                td data-of="spread" {
                    @if let Some(sd) = metric.sd {
                        span.value { (doubt_of(sd, &metric.unit)) }
                        @if let Some(own) = metric.athlete_sd_at_least { small { (own_share(own, &metric.unit)) } }
                    } @else { span.missing { "–" } }
                }
            }
            @if columns.change {
                td data-of="change, one" { (change(metric.change_of_deliveries, &metric.unit)) }
                td data-of="change, mean" { (change(metric.change_of_sessions, &metric.unit)) }
            }
            @if columns.spread { td.strip { (strip(&figure_name(&metric.id), metric, &odd)) } }
        }
    }
}

/// What of the spread is the athlete's at least.
fn own_share(own: f64, unit: &str) -> String {
    match doubt_of(own, unit).strip_prefix("± ") {
        Some(least) if own > 0.0 => format!("own part ≥\u{a0}{least}"),
        _ => "may all be doubt".to_owned(),
    }
}

/// A mean with its doubt; one that is not safe to act on is marked.
pub(super) fn mean(metric: &SessionMetricRecord) -> Markup {
    html! {
        @if let Some(mean) = metric.mean {
            span.value.doubtful[metric.status == Status::Doubtful] title=[metric.reason.as_deref().map(in_words)] {
                b { (with_unit(mean, &metric.unit)) }
                @if let Some(sd) = metric.mean_sd { " " span.doubt { (doubt_of(sd, &metric.unit)) } }
            }
        }
    }
}

fn change(change: Option<f64>, unit: &str) -> Markup {
    html! {
        @match change {
            Some(change) => span.value { (with_unit(change, unit)) },
            None => span.missing { "–" },
        }
    }
}
