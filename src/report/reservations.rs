//! What stands against a result, said alike on every page: why figures are doubtful or missing, and the warnings.

use maud::{Markup, html};

use crate::quality::{Status, Warning};
use crate::report::wording::{sentence, shape};

/// Why figures are doubtful or missing, from `(figure, status, reason)`; figures whose reasons differ in numbers alone stand
/// together.
pub(super) fn reasons<'a>(figures: impl Iterator<Item = (String, Status, &'a str)>) -> Markup {
    let mut by_reason: Vec<(String, Status, Vec<String>)> = Vec::new();
    for (name, status, reason) in figures {
        match by_reason
            .iter_mut()
            .find(|(shown, of, _)| shape(shown) == shape(reason) && *of == status)
        {
            Some((shown, _, names)) => {
                if shown != reason {
                    *shown = shape(reason);
                }
                names.push(name);
            }
            None => by_reason.push((reason.to_owned(), status, vec![name])),
        }
    }
    html! {
        @if !by_reason.is_empty() {
            details.card {
                summary { "Why some figures are doubtful or missing (" (by_reason.iter().map(|r| r.2.len()).sum::<usize>()) ")" }
                dl {
                    @for (reason, status, names) in &by_reason {
                        dt {
                            span.tag.amber[*status == Status::Doubtful] {
                                @if *status == Status::Doubtful { "doubtful" } @else { "not measurable" }
                            }
                            " " (sentence(reason))
                        }
                        dd { (names.join(", ")) }
                    }
                }
            }
        }
    }
}

/// Warnings with their hints under a heading; nothing where there are none.
pub(super) fn warnings(heading: &str, warnings: &[Warning]) -> Markup {
    html! {
        @if !warnings.is_empty() {
            section.card.warnings {
                h3 { (heading) }
                ul {
                    @for warning in warnings {
                        li { (sentence(&warning.text)) " " span.hint { (sentence(&warning.hint)) } }
                    }
                }
            }
        }
    }
}
