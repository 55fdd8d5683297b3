//! The table for the terminal.

use comfy_table::{CellAlignment, Table, TableComponent, presets};

use crate::quality::Status;
use crate::report::advice::in_lines;
use crate::report::labels::{event_name, label};
use crate::report::numbers::{doubt, rounded, unit_sign};
use crate::store::DeliveryRecord;

/// Events and measured figures of one delivery, with what is missing counted in the last line.
#[must_use]
pub fn terminal_table(record: &DeliveryRecord) -> String {
    let mut table = Table::new();
    table.load_preset(presets::NOTHING);
    table.set_style(TableComponent::HeaderLines, '─');
    table.set_header(["figure", "value", "±", "unit", ""]);
    for (name, event) in record.events.named() {
        let (time, sd) = match event {
            Some(e) => (
                rounded(e.time_s, "s"),
                e.sd_s.map_or_else(String::new, |sd| rounded(sd, "s")),
            ),
            None => ("–".to_owned(), String::new()),
        };
        let note = record.event_reasons.get(name).cloned().unwrap_or_default();
        table.add_row([event_name(name).to_owned(), time, sd, "s".to_owned(), note]);
    }
    let mut missing = 0;
    for metric in &record.metrics {
        let Some(value) = metric.value else {
            missing += 1;
            continue;
        };
        let label = label(&metric.id);
        let mut name = match label.event {
            Some(event) => format!("{} at {}", label.name, event_name(event).to_lowercase()),
            None => label.name,
        };
        if metric.id.starts_with("peak_") && !name.starts_with("Peak") {
            name.push_str(", peak");
        }
        let note = match metric.status {
            Status::Doubtful => metric.reason.as_deref().unwrap_or("doubtful").to_owned(),
            Status::Measured | Status::NotMeasurable => String::new(),
        };
        table.add_row([
            name,
            rounded(value, &metric.unit),
            doubt(metric).trim_start_matches("± ").to_owned(),
            unit_sign(&metric.unit).to_owned(),
            note,
        ]);
    }
    for column in [1, 2] {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let missing = match missing {
        0 => String::new(),
        1 => "\n1 figure could not be measured; delivery.json says why.".to_owned(),
        n => format!("\n{n} figures could not be measured; delivery.json says why."),
    };
    format!("{table}{missing}{}", in_lines(record))
}
