//! The page of documentation about findings and bands, made from the data files.

use std::fmt::Write as _;

use crate::findings::bands::bands;
use crate::findings::judge::{LIKELY, VERY_LIKELY, unit_of};
use crate::findings::rules::{Rule, rules};
use crate::findings::shared_errors::shared_errors;
use crate::findings::{Direction, FindingsError};
use crate::units::{unit_sign, with_unit};

const HEAD: &str = "# Findings and published bands\n\nMade from `src/findings/rules.toml`, `bands.toml` and \
`shared_errors.toml`.\n\nA rule looks at one or more figures, each against a threshold. From a figure's value and its standard \
deviation follows the probability that the true value lies past the threshold; of several figures the least probability \
that any dependence between their errors allows is taken.";

/// The page (Markdown), without what was measured of it.
///
/// # Errors
/// [`FindingsError::Table`]: a fault of the program.
pub fn findings_markdown() -> Result<String, FindingsError> {
    let rules = rules()?;
    let mut page = String::from(HEAD);
    // Writing to a string cannot fail.
    let _ = writeln!(
        page,
        " A finding is stated from {:.0} % on (\"likely\"), from {:.0} % on as \"very likely\". A figure marked doubtful \
         supports no finding. Nothing here is a diagnosis; no joint torque is compared with anything.\n\n\
         Of the faults found, first comes one that no other found fault explains; the others follow in the order of what \
         explains what, then from the ground up, as in this table.\n\n## Faults\n",
        100.0 * LIKELY,
        100.0 * VERY_LIKELY
    );
    page.push_str("| id | fault | looked at | explains | source | provenance |\n|---|---|---|---|---|---|\n");
    for rule in &rules.fault {
        let explains: Vec<String> = rule.explains.iter().map(|id| format!("`{id}`")).collect();
        let explains = if explains.is_empty() {
            "-".to_owned()
        } else {
            explains.join(", ")
        };
        let caveat = rule
            .caveat
            .as_ref()
            .map_or_else(String::new, |c| format!(" ({c})"));
        let _ = writeln!(
            page,
            "| `{}` | {}{} | {} | {explains} | {}{caveat} | {} |",
            rule.id,
            rule.title,
            if rule.never_first {
                " (never the first)"
            } else {
                ""
            },
            looked_at(rule),
            rule.source,
            rule.provenance
        );
    }
    page.push_str(
        "\n## What is good\n\n| id | finding | looked at | source | provenance |\n|---|---|---|---|---|\n",
    );
    for rule in &rules.good {
        let _ = writeln!(
            page,
            "| `{}` | {} | {} | {} | {} |",
            rule.id,
            rule.title,
            looked_at(rule),
            rule.source,
            rule.provenance
        );
    }
    page.push_str(
        "\n## Errors that recordings by two phones share\n\nOn rendered recordings (two of them, right-hander and \
         left-hander): a mean over deliveries does not take these away, so they are added to the doubt of a figure from \
         videos before a finding rests on it. On real people nobody has measured them yet.\n\n\
         | figure | errors seen | added, sd |\n|---|---|---|\n",
    );
    for error in shared_errors()?.values() {
        let unit = unit_of(&error.metric);
        let _ = writeln!(
            page,
            "| `{}` | {} | {} |",
            error.metric,
            error.seen,
            with_unit(error.sd, unit)
        );
    }
    page.push_str(
        "\n## Published bands\n\nCompared only with `--level` (or an `--age` of 12 to 18), where definition and bandwidth match. \
         Shown: the mean less and plus two standard deviations between athletes. *MEM* means from memory: shown as such, and no \
         check rests on it. Without a level no band is judged.\n\n\
         | level | figure | mean (sd) | of whom | converted | bandwidth | provenance |\n|---|---|---|---|---|---|---|\n",
    );
    for (band, source) in bands()? {
        let unsure = band
            .unsure
            .as_ref()
            .map_or_else(String::new, |u| format!("; definition unsure, not judged: {u}"));
        let bandwidth = band
            .bandwidth_hz
            .map_or_else(|| "-".to_owned(), |[a, b]| format!("{a:.0} to {b:.0} Hz"));
        let _ = writeln!(
            page,
            "| {} | `{}` | {} ({}) | {}; {source} | {}{unsure} | {bandwidth} | {} |",
            band.level.words(),
            band.metric,
            band.mean,
            band.sd,
            band.whom,
            band.conversion,
            band.provenance
        );
    }
    Ok(page)
}

fn looked_at(rule: &Rule) -> String {
    let clues: Vec<String> = rule
        .clue
        .iter()
        .map(|clue| {
            let (direction, threshold) = clue.threshold();
            let side = match direction {
                Direction::Above => "over",
                Direction::Below => "under",
            };
            let minus = clue
                .minus
                .as_ref()
                .map_or_else(String::new, |m| format!(" less `{m}`"));
            let unit = unit_sign(unit_of(&clue.metric));
            let gap = if unit == "°" { "" } else { " " };
            format!("`{}`{minus} {side} {threshold}{gap}{unit}", clue.metric)
        })
        .collect();
    if clues.len() > 1 && rule.least() < clues.len() {
        format!(
            "{} of: {}; to be the first, {} of them",
            rule.least(),
            clues.join("; "),
            rule.least_to_be_first()
        )
    } else {
        clues.join(" and ")
    }
}
