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

/// The page about segments names every figure over time and every further event, each on its own or by its pattern.
#[test]
fn the_page_about_segments_names_every_figure_over_time() {
    use twinmound::kinematics::{Athlete, Options, SecondRoute, measure};
    use twinmound::scene::motion::{Delivery, Style};
    use twinmound::scene::rig::Rig;

    let page = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/segments.md")).unwrap();
    let delivery = Delivery::new(&Style::default(), &Rig::proportioned(1.8));
    let times: Vec<f64> = (0..(delivery.phases().end_s * 120.0) as usize)
        .map(|i| i as f64 / 120.0)
        .collect();
    let options = Options {
        second_route: Some(SecondRoute {
            cutoff_hz: 15.0,
            measured: None,
        }),
        ..Options::without_doubt()
    };
    let measures = measure(&delivery.trajectory(&times), &Athlete::default(), &options);
    assert!(measures.curves.len() > 100, "{}", measures.curves.len());
    for curve in &measures.curves {
        let id = curve.id.as_ref();
        let patterns = [
            "_velocity_x_m_s",
            "_velocity_y_m_s",
            "_velocity_z_m_s",
            "_linear_energy_j_kg",
            "_rotational_energy_j_kg",
        ];
        let named = match id.strip_prefix("butterworth_") {
            Some(first) => page.contains(&format!("`{first}`")),
            None => {
                page.contains(&format!("`{id}`"))
                    || patterns
                        .iter()
                        .filter_map(|p| id.strip_suffix(p))
                        .any(|segment| page.contains(&format!("`{segment}`")) || segment == "pelvis")
            }
        };
        assert!(named, "docs/segments.md does not name {id}");
        assert!(
            id.ends_with(
                &curve
                    .unit
                    .replace(['/', ' '], "_")
                    .replace('%', "pct")
                    .to_lowercase()
            ),
            "{id} in {}",
            curve.unit
        );
    }
    for landmark in &measures.landmarks {
        assert!(
            page.contains(&format!("`{}`", landmark.name)),
            "{}",
            landmark.name
        );
        assert!(landmark.event.is_ok(), "{landmark:?}");
    }
}
