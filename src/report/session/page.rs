//! The page of a session: one file with everything in it.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::quality::Status;
use crate::report::advice::advice_of;
use crate::report::html::{HEADLINES, STYLE};
use crate::report::notes::cautions;
use crate::report::numbers::doubt_of;
use crate::report::reservations::warnings;
use crate::report::session::tables;
use crate::report::session::words::{about_outliers, counted, figure_name, how_much, outliers};
use crate::report::wording::sentence;
use crate::store::{SessionMetricRecord, SessionRecord};

const SESSION_STYLE: &str = include_str!("session.css");

/// How many large figures stand at the top.
const HEADLINE_COUNT: usize = 8;

/// The whole page as HTML.
#[must_use]
pub fn session_page(record: &SessionRecord) -> String {
    let heading = format!("{} of one athlete", counted(record.deliveries.len()));
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Session: " (heading) }
                style { (PreEscaped(STYLE)) (PreEscaped(SESSION_STYLE)) }
            }
            body {
                header.top {
                    div.inner {
                        p.brand { "twinmound" }
                        h1 { (heading) }
                        p { (athlete(record)) }
                        p { "With pain, stop throwing. " a href="#cautions" { "Read this before you act on a figure." } }
                    }
                }
                main {
                    (say(record))
                    (advice_of(record.findings.as_ref()))
                    (headlines(record))
                    (standing_out(record))
                    (warnings("What to know about this session", &record.warnings))
                    (how_to_read(record))
                    (tables::tables(record))
                    (deliveries(record))
                    (cautions())
                }
            }
        }
    };
    whole.into_string()
}

/// Side, height and mass.
fn athlete(record: &SessionRecord) -> Markup {
    let athlete = &record.athlete;
    html! {
        @match athlete.throws { Some(side) => { "Throws " (side) }, None => { "Throwing side unknown" } }
        @if let Some(h) = athlete.height_m {
            ", " (format!("{h:.2}")) "\u{a0}m"
            @if athlete.height_estimated { " (estimated)" }
        }
        @if let Some(m) = athlete.mass_kg { ", " (format!("{m:.0}")) "\u{a0}kg" }
        @if let Some(level) = athlete.level { ", " (level.words()) }
        "."
    }
}

/// How much these deliveries can say.
fn say(record: &SessionRecord) -> Markup {
    let sentences = how_much(record);
    html! {
        section.card.say {
            @for (i, sentence) in sentences.iter().enumerate() {
                @if i == 0 { b { (sentence) } } @else { " " (sentence) }
            }
        }
    }
}

/// The most telling means, large.
fn headlines(record: &SessionRecord) -> Markup {
    let shown: Vec<&SessionMetricRecord> = HEADLINES
        .into_iter()
        .filter_map(|id| record.metric(id).filter(|m| m.mean.is_some()))
        .take(HEADLINE_COUNT)
        .collect();
    html! {
        div.headlines {
            @for metric in shown {
                div.headline.doubtful[metric.status == Status::Doubtful] {
                    p.number { (tables::mean(metric)) }
                    p.name {
                        (figure_name(&metric.id))
                        @if let Some(sd) = metric.sd { br; "spread " (doubt_of(sd, &metric.unit)) }
                    }
                }
            }
        }
    }
}

/// Deliveries unlike the others, in words.
fn standing_out(record: &SessionRecord) -> Markup {
    let (named, about) = (outliers(record), about_outliers(record));
    html! {
        @if !named.is_empty() {
            section.card.warnings {
                h3 { "Deliveries unlike the others" }
                ul { @for sentence in &named { li { (sentence) } } }
                p.note { (about) }
            }
        } @else if !about.is_empty() {
            p.note { (about) }
        }
    }
}

/// What columns and signs mean, and what was taken for granted.
fn how_to_read(record: &SessionRecord) -> Markup {
    let rules = &record.assumptions;
    html! {
        details.card {
            summary { "How to read this page: mean, spread, the smallest change worth believing" }
            dl {
                dt { "Mean, and its ±" }
                dd {
                    "The mean of the deliveries in which the figure is measured, with one standard deviation of the mean. "
                    "Of the measuring doubt of one delivery " (format!("{:.0}", 100.0 * rules.common_share))
                    " % (of its square) is taken to be common to all deliveries and does not shrink with their number: "
                    (rules.common_share_source) ". Where the deliveries lie closer together than their doubts, more is common."
                }
                dt { "Spread" }
                dd {
                    "Standard deviation between the deliveries: about two out of three lie within this of the mean. It holds "
                    "the athlete's own differences from throw to throw and the part of the measuring doubt that changes. "
                    "Under it the own part: how much of it is the athlete's at least, if none of the doubt were common; "
                    "“may all be doubt”: the measuring doubt alone could make this spread."
                }
                dt { "Smallest change worth believing" }
                dd {
                    "Two single deliveries that differ by less, or two sessions of as many deliveries whose means differ by less, "
                    "cannot be told apart (at " (format!("{:.0}", 100.0 * rules.confidence)) " %): "
                    (format!("{:.2}", rules.change_factor)) " times the spread, or the mean's doubt; "
                    (rules.change_source) ". From fewer than " (rules.fewest_for_change)
                    " deliveries it is not given. What an athlete's form changes from day to day is not in it."
                }
                dt { "Deliveries in order" }
                dd {
                    "One dot a delivery, the first at the left; the upright line through it is its doubt (one standard deviation). "
                    "Across: the mean, and the spread as a band. Amber and hollow: doubtful. Red: unlike the others. "
                    "Each chart has its own scale."
                }
                dt { "Unlike the others" }
                dd {
                    (sentence(&rules.outlier_source)) " A difference that the measuring doubt explains is none. Fewer than "
                    (rules.fewest_for_outliers) " deliveries are not judged."
                }
                dt { span.value.doubtful { b { "amber" } } ", dotted line" }
                dd {
                    "Doubtful: in more deliveries the figure is doubtful than measured. Then all values count. Where the "
                    "measured ones are more, the doubtful ones are left out of the mean."
                }
                dt { "+ and −, sides, moments" }
                dd {
                    "As on the page of one delivery: the small line under a name says what zero is, and which way counts as plus. "
                    "Left-handers are mirrored first."
                }
            }
        }
    }
}

/// What the session was made from.
fn deliveries(record: &SessionRecord) -> Markup {
    html! {
        section.card {
            h3 { "The deliveries" }
            div.wide {
                table.single {
                    thead {
                        tr {
                            th scope="col" { "No." }
                            th.left scope="col" { "Delivery" }
                            th scope="col" { "measured" } th scope="col" { "doubtful" } th scope="col" { "not measurable" }
                        }
                    }
                    tbody {
                        @for delivery in &record.deliveries {
                            tr {
                                td { (delivery.number) }
                                th scope="row" { (delivery.name) small { (files(delivery)) } }
                                td { (delivery.measured) } td { (delivery.doubtful) } td { (delivery.not_measurable) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn files(delivery: &crate::store::SessionDeliveryRecord) -> String {
    let source = &delivery.source;
    let names: Vec<&str> = [&source.left, &source.right, &source.joints]
        .into_iter()
        .flatten()
        .map(|file| file.name.as_str())
        .collect();
    names.join(", ")
}
