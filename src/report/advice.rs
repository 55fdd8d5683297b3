//! What to work on first, what else was found, what is good: the findings in the page and in the terminal.

use maud::{Markup, html};

use crate::findings::{Finding, Findings};
use crate::store::DeliveryRecord;

/// The findings of one delivery.
pub(super) fn advice(record: &DeliveryRecord) -> Markup {
    advice_of(record.findings.as_ref())
}

/// Findings, of one delivery or of the means of several.
pub(super) fn advice_of(findings: Option<&Findings>) -> Markup {
    html! {
        @if let Some(findings) = findings {
            section.card.advice {
                h3 { "What to work on first" }
                (first(findings))
                @let others: Vec<&Finding> = others(findings);
                @if !others.is_empty() {
                    h4 { "Also found" }
                    ul { @for fault in others { li { (other(findings, fault)) } } }
                }
                @if !findings.good.is_empty() {
                    h4 { "Good, and worth keeping" }
                    ul.good { @for good in &findings.good { li { b { (good.title) } ". " (good.text) } } }
                }
                @if !findings.undecided.is_empty() {
                    h4 { "Cannot be told yet" }
                    ul { @for open in &findings.undecided { li { b { (open.title) "?" } " " (open.text) } } }
                }
                @for caution in &findings.cautions { p.caution { (caution) } }
                (sources(findings))
            }
        }
    }
}

fn first(findings: &Findings) -> Markup {
    html! {
        @match findings.to_work_on_first() {
            Some(fault) => {
                p.first { b { (fault.title) } " " (sure(fault)) }
                p { (fault.text) }
                dl {
                    dt { "Work on" }
                    dd { (fault.work_on) }
                    dt { "It got better when" }
                    dd { @for (i, better) in fault.improved_when.iter().enumerate() { @if i > 0 { br; } (better.text) } }
                    @if let Some(caveat) = &fault.caveat {
                        dt { "Mind" }
                        dd { (capital(caveat)) "." }
                    }
                }
            }
            None if findings.faults.is_empty() => {
                p { "No fault that is looked for stands out beyond the doubt of the figures." }
            }
            None => p { "Nothing found here is sure enough to be the one thing to work on." },
        }
    }
}

/// The faults besides the first.
fn others(findings: &Findings) -> Vec<&Finding> {
    let first = findings.first.as_deref();
    let rest = findings.faults.iter();
    rest.filter(|f| Some(f.id.as_str()) != first).collect()
}

fn other(findings: &Findings, fault: &Finding) -> Markup {
    let causes: Vec<&str> = findings
        .faults
        .iter()
        .filter(|f| fault.explained_by.contains(&f.id))
        .map(|f| f.title.as_str())
        .collect();
    html! {
        b { (fault.title) } " " (sure(fault)) " " (fault.text)
        @if causes.is_empty() {
            " " (fault.work_on)
        } @else {
            " " span.hint { "It may follow from: " (causes.join("; ")) "." }
        }
        @if let Some(caveat) = &fault.caveat { " " span.hint { "(" (caveat) ")" } }
    }
}

fn sure(fault: &Finding) -> Markup {
    html! { span.tag { (fault.sure.words()) } }
}

fn sources(findings: &Findings) -> Markup {
    html! {
        @if !findings.faults.is_empty() || !findings.good.is_empty() {
            details {
                summary { "Where these rules come from" }
                dl {
                    @for found in findings.faults.iter().chain(&findings.good) {
                        dt { (found.title) }
                        dd {
                            (capital(&found.source)) "."
                            @if found.provenance.starts_with("MEM") { " From memory, not checked at the source." }
                        }
                    }
                }
            }
        }
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// The findings in a few lines for the terminal; nothing where there are none.
pub(super) fn in_lines(record: &DeliveryRecord) -> String {
    lines_of(record.findings.as_ref())
}

/// The same of findings from anywhere.
pub(super) fn lines_of(findings: Option<&Findings>) -> String {
    let Some(findings) = findings else {
        return String::new();
    };
    let mut lines = match findings.to_work_on_first() {
        Some(fault) => format!(
            "\nWork on first ({}): {}. {}",
            fault.sure.words(),
            fault.title,
            fault.text
        ),
        None => "\nNo one thing to work on first stands out beyond the doubt of the figures.".to_owned(),
    };
    for (what, found) in [
        ("Also found", others(findings)),
        ("Good", findings.good.iter().collect()),
    ] {
        if !found.is_empty() {
            let titles: Vec<&str> = found.iter().map(|f| f.title.as_str()).collect();
            lines.push_str(&format!("\n{what}: {}.", titles.join("; ")));
        }
    }
    if let Some(caution) = findings.cautions.first() {
        lines.push_str(&format!("\n{caution}"));
    }
    lines
}
