//! The page about the metrics is the catalogue's: nobody edits it by hand, and it cannot fall behind the code.

use std::fs;
use std::path::Path;

use twinmound::kinematics::{catalogue, catalogue_markdown};

/// Set to any text, the test writes the page instead of comparing it.
const WRITE: &str = "TWINMOUND_WRITE_DOCS";

#[test]
fn the_committed_page_of_metrics_is_the_catalogue() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/metrics.md");
    let generated = catalogue_markdown();
    if std::env::var_os(WRITE).is_some() {
        fs::write(&path, &generated).unwrap();
    }
    let committed = fs::read_to_string(&path).unwrap_or_default();
    let differs = generated
        .lines()
        .zip(committed.lines())
        .find(|(new, old)| new != old);
    assert!(
        committed == generated,
        "docs/metrics.md is not what the catalogue says; first line that differs (new, old): {differs:?}\n\
         hint: {WRITE}=1 cargo test --release page_of_metrics writes it"
    );
}

/// A `|` or a line end inside a cell would break the table, and a cell without text would explain nothing.
#[test]
fn every_metric_is_one_whole_row_of_the_page() {
    let page = catalogue_markdown();
    let rows: Vec<&str> = page.lines().filter(|l| l.starts_with("| `")).collect();
    assert_eq!(rows.len(), catalogue().count());
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        assert_eq!(cells.len(), 7, "{row}");
        assert!(cells.iter().all(|cell| !cell.is_empty()), "{row}");
    }
}
