//! A session as a table for the terminal.

use comfy_table::{CellAlignment, Table, TableComponent, presets};

use crate::quality::Status;
use crate::report::advice::lines_of;
use crate::report::numbers::{doubt_of, rounded, unit_sign};
use crate::report::session::words::{about_outliers, figure_name, how_much, outliers};
use crate::store::{SessionMetricRecord, SessionRecord};

/// Means with spread and smallest change; then what stands out, what to work on, and how much the deliveries can say.
#[must_use]
pub fn session_table(record: &SessionRecord) -> String {
    let mut table = Table::new();
    table.load_preset(presets::NOTHING);
    table.set_style(TableComponent::HeaderLines, '─');
    table.set_header(["figure", "mean", "±", "spread", "change", "unit", "n", ""]);
    let mut missing = 0;
    for metric in &record.metrics {
        match metric.mean {
            Some(mean) => {
                table.add_row(row(metric, mean));
            }
            None => missing += 1,
        }
    }
    for column in 1..=4 {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let mut lines = vec![
        table.to_string(),
        "change: the smallest between two single deliveries that is worth believing; the page has that between two sessions"
            .to_owned(),
    ];
    match missing {
        0 => {}
        1 => lines.push("1 figure could not be measured in any delivery; session.json says why.".to_owned()),
        n => lines.push(format!(
            "{n} figures could not be measured in any delivery; session.json says why."
        )),
    }
    lines.extend(outliers(record));
    lines.push(about_outliers(record));
    lines.push(lines_of(record.findings.as_ref()).trim_start().to_owned());
    lines.push(how_much(record).join(" "));
    lines.retain(|line| !line.is_empty());
    lines.join("\n")
}

fn row(metric: &SessionMetricRecord, mean: f64) -> [String; 8] {
    let unit = &metric.unit;
    let known = |number: Option<f64>| number.map_or_else(|| "–".to_owned(), |n| rounded(n, unit));
    let doubt = |sd: Option<f64>| {
        sd.map_or_else(
            || "–".to_owned(),
            |sd| doubt_of(sd, unit).trim_start_matches("± ").to_owned(),
        )
    };
    let note = match metric.status {
        Status::Doubtful => metric.reason.clone().unwrap_or_default(),
        Status::Measured | Status::NotMeasurable => String::new(),
    };
    [
        figure_name(&metric.id),
        rounded(mean, unit),
        doubt(metric.mean_sd),
        doubt(metric.sd),
        known(metric.change_of_deliveries),
        unit_sign(unit).to_owned(),
        metric.n.to_string(),
        note,
    ]
}
