//! The demo's table: measured against true.

use std::fmt::Write;

use comfy_table::{CellAlignment, Table, presets};

use crate::demo::Comparison;

/// The comparison as text.
pub(crate) fn text(c: &Comparison) -> String {
    let mut out =
        String::from("Measured against the truth of this rendered recording (peak knee lift to release)\n");
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "  joints: mean {:.1} mm, median {:.1} mm; after rigid alignment {:.1} / {:.1} mm; {:.1} % missing",
        c.joint_mean_mm,
        c.joint_median_mm,
        c.aligned_mean_mm,
        c.aligned_median_mm,
        100.0 * c.missing_share
    );
    let _ = writeln!(out, "  clock: {:+.2} ms", 1e3 * c.clock_error_s);
    for (name, error) in c.event_errors_s.iter() {
        match error {
            Some(s) => {
                let _ = writeln!(out, "  {}: {:+.1} ms", name.id(), 1e3 * s);
            }
            None => {
                let _ = writeln!(out, "  {}: not found", name.id());
            }
        }
    }
    let mut table = Table::new();
    table
        .load_preset(presets::NOTHING)
        .set_header(["metric", "unit", "measured", "true", "error", "sd", "status"]);
    for m in &c.metrics {
        let number = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.3}"));
        let error = m.measured.zip(m.truth).map(|(a, b)| a - b);
        let status = serde_json::to_value(m.status)
            .ok()
            .and_then(|v| v.as_str().map(str::to_owned));
        table.add_row([
            m.id.clone(),
            m.unit.clone(),
            number(m.measured),
            number(m.truth),
            number(error),
            number(m.sd),
            status.unwrap_or_default(),
        ]);
    }
    for column in 2..6 {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    out.push_str(&table.to_string());
    out
}
