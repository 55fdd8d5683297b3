//! What to work on, from the means.

use maud::{Markup, html};

use crate::findings::{Finding, Findings};
use crate::report::wording::sentence;

/// The first thing to work on, what else was found, and what to mind.
pub(super) fn advice(findings: &Findings) -> Markup {
    let nothing = findings.faults.is_empty() && findings.good.is_empty() && findings.undecided.is_empty();
    let first = findings.to_work_on_first();
    let others: Vec<&Finding> = findings
        .faults
        .iter()
        .filter(|f| Some(&f.id) != findings.first.as_ref())
        .collect();
    html! {
        @if !nothing {
            section.card.advice {
                h2 { "To work on first" }
                @match first {
                    Some(finding) => (whole(finding)),
                    None => p { "Nothing in the means calls for work, as far as their doubts allow to tell." },
                }
                (short("Also found", &others))
                (short("Good, and worth keeping", &findings.good.iter().collect::<Vec<_>>()))
                @if !findings.undecided.is_empty() {
                    details {
                        summary { "What cannot be told from these means (" (findings.undecided.len()) ")" }
                        ul { @for undecided in &findings.undecided { li { b { (undecided.title) } ": " (sentence(&undecided.text)) } } }
                    }
                }
                @for caution in &findings.cautions { p.note { (sentence(caution)) } }
            }
        }
    }
}

fn whole(finding: &Finding) -> Markup {
    html! {
        p { b { (finding.title) } " (" (finding.sure.words()) "). " (sentence(&finding.text)) }
        @if !finding.work_on.is_empty() { p { (sentence(&finding.work_on)) } }
        @if !finding.improved_when.is_empty() {
            p { "It has improved when:" }
            ul { @for better in &finding.improved_when { li { (sentence(&better.text)) } } }
        }
        @if let Some(caveat) = &finding.caveat { p { (sentence(caveat)) } }
        p.note { "Where the threshold comes from: " (finding.source) " (" (finding.provenance) ")." }
    }
}

fn short(heading: &str, findings: &[&Finding]) -> Markup {
    html! {
        @if !findings.is_empty() {
            h3 { (heading) }
            ul { @for finding in findings { li { b { (finding.title) } " (" (finding.sure.words()) "): " (sentence(&finding.text)) } } }
        }
    }
}
