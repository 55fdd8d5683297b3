//! Sentences about a session, the same on the page and in the terminal.

use crate::report::labels::{event_name, label};
use crate::report::numbers::with_unit;
use crate::store::{OutlierRecord, SessionRecord};

/// From so many deliveries on they say something, and much (common practice, no source).
const SAY_SOMETHING: usize = 5;
const SAY_MUCH: usize = 10;

/// A delivery that stands out in more figures than this has only the first ones named.
const MOST_NAMED: usize = 4;

/// `One delivery`, `3 deliveries`.
pub(super) fn counted(deliveries: usize) -> String {
    match deliveries {
        1 => "One delivery".to_owned(),
        n => format!("{n} deliveries"),
    }
}

/// How much so many deliveries can say.
pub(super) fn how_much(record: &SessionRecord) -> Vec<String> {
    let n = record.deliveries.len();
    if n < 2 {
        return vec![
            "One delivery says little: it has no spread, so nothing here tells a change from chance."
                .to_owned(),
            "Ten say much: film more, as far as the throwing plan allows.".to_owned(),
        ];
    }
    let count = n as f64;
    let verdict = match n {
        n if n >= SAY_MUCH => format!("{} say much; one alone says little.", counted(n)),
        n if n >= SAY_SOMETHING => {
            format!(
                "{} say something: one alone says little, ten say much.",
                counted(n)
            )
        }
        _ => format!(
            "{} say little: hardly more than one alone. Ten say much.",
            counted(n)
        ),
    };
    let mut sentences = vec![
        verdict,
        format!(
            "What differs by chance from delivery to delivery is {:.1} times smaller in the mean than in one delivery. What all of them share (the phones' places, the way the program sees this athlete) stays, however many there are; the ± of the means holds it.",
            count.sqrt()
        ),
        format!(
            "The spreads, and so the smallest changes, are themselves known only to about ±\u{a0}{:.0}\u{a0}%.",
            100.0 / (2.0 * (count - 1.0)).sqrt()
        ),
    ];
    let rules = &record.assumptions;
    if n < rules.fewest_for_change {
        sentences.push("Two are too few for a smallest change.".to_owned());
    }
    if n < rules.fewest_for_outliers {
        sentences.push(format!(
            "With fewer than {} none is named as unlike the others.",
            in_words(rules.fewest_for_outliers)
        ));
    }
    sentences
}

fn in_words(number: usize) -> String {
    match number {
        3 => "three".to_owned(),
        4 => "four".to_owned(),
        5 => "five".to_owned(),
        n => n.to_string(),
    }
}

/// A figure's name with its event, or that it is a peak.
pub(super) fn figure_name(id: &str) -> String {
    let label = label(id);
    match label.event {
        Some(event) => format!("{} at {}", label.name, event_name(event).to_lowercase()),
        None if id.starts_with("peak_") && !label.name.starts_with("Peak") => {
            format!("{}, peak speed", label.name)
        }
        None => label.name,
    }
}

/// One sentence for each delivery unlike the others.
pub(super) fn outliers(record: &SessionRecord) -> Vec<String> {
    record
        .deliveries
        .iter()
        .filter_map(|delivery| {
            let of: Vec<&OutlierRecord> = record
                .outliers
                .iter()
                .filter(|o| o.delivery == delivery.number)
                .collect();
            (!of.is_empty()).then(|| {
                let named: Vec<String> = of.iter().take(MOST_NAMED).map(|o| named(o)).collect();
                let more = match of.len().saturating_sub(MOST_NAMED) {
                    0 => String::new(),
                    1 => "; and one more figure".to_owned(),
                    n => format!("; and {n} more figures"),
                };
                format!(
                    "No. {} ({}) stands out: {}{more}.",
                    delivery.number,
                    delivery.name,
                    named.join("; ")
                )
            })
        })
        .collect()
}

fn named(outlier: &OutlierRecord) -> String {
    format!(
        "{} {}, where the middle one is {}",
        figure_name(&outlier.metric),
        with_unit(outlier.value, &outlier.unit),
        with_unit(outlier.median, &outlier.unit)
    )
}

/// What to make of those, or that there are none.
pub(super) fn about_outliers(record: &SessionRecord) -> String {
    let rules = &record.assumptions;
    if rules.figures_judged == 0 {
        return String::new();
    }
    let chance = match rules.outliers_by_chance {
        about if about < 0.5 => "hardly one".to_owned(),
        about if about < 1.5 => "about one".to_owned(),
        about => format!("about {about:.0}"),
    };
    if record.outliers.is_empty() {
        return format!(
            "In none of {} figures does a delivery stand out from the others.",
            rules.figures_judged
        );
    }
    format!(
        "A delivery that stands out is a question: another pitch, a slip, or a fault of the measuring? Look at its own page. It counts in the means; to leave it out run the command without it. Among {} figures chance alone names {chance}.",
        rules.figures_judged
    )
}
