//! The page about findings: made of the data files, with the table of planted faults as it was measured.

use std::fs;
use std::path::{Path, PathBuf};

use twinmound::findings::findings_markdown;

const WRITE: &str = "TWINMOUND_WRITE_DOCS";
/// The measured part of the page stands between these.
const BEGIN: &str = "<!-- measured: begin; written by the test of planted faults -->";
const END: &str = "<!-- measured: end -->";

fn page_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/findings.md")
}

/// The committed page: before, between and after the marks.
fn parts() -> (String, String, String) {
    let page = fs::read_to_string(page_path()).unwrap_or_default();
    let Some((before, rest)) = page.split_once(BEGIN) else {
        return (page, String::new(), String::new());
    };
    let (between, after) = rest.split_once(END).unwrap_or((rest, ""));
    (before.to_owned(), between.to_owned(), after.to_owned())
}

fn write(generated: &str, measured: &str) {
    fs::write(page_path(), format!("{generated}\n{BEGIN}{measured}{END}\n")).unwrap();
}

#[test]
fn the_committed_page_of_findings_is_made_of_the_data_files() {
    let generated = findings_markdown().unwrap();
    let (before, between, _) = parts();
    if std::env::var_os(WRITE).is_some() {
        write(&generated, &between);
        return;
    }
    let differs = generated
        .lines()
        .zip(before.lines())
        .find(|(new, old)| new != old);
    assert!(
        before.trim_end() == generated.trim_end(),
        "docs/findings.md is not what the data files say; first line that differs (new, old): {differs:?}\n\
         hint: {WRITE}=1 cargo test --release page_of_findings writes it"
    );
}

/// Whether the measured part of the page is to be written.
pub(super) fn writing() -> bool {
    std::env::var_os(WRITE).is_some()
}

/// The tables of planted faults in the page: written whole, or compared row by row (a count may differ by one: other machines
/// round otherwise).
pub(super) fn tables_of_the_page(planted: &[String], clean: &[String]) {
    let (before, between, _) = parts();
    if writing() {
        let text = format!(
            "\n\n## Planted faults\n\nOf the film studio's deliveries, whose faults are known; right-hander / left-hander, of 24 \
             each, another body and natural variation every time: how often the planted fault came first. **No films**: *exact \
             joints*, of which a standard deviation of 10 mm a coordinate is stated (a mean distance of 16 mm); *noisy joints*, \
             with errors of that size that last 50 ms; *as from films*, noisy joints with the errors added that two rendered \
             recordings shared, and with their doubt. The third strength is near the threshold. A plain fault must come first in \
             22 of 24 with exact joints, and nothing may come first in a clean delivery; the other columns are stated, not \
             demanded. A heel that pops up less plainly rises slowly: with 10 mm of doubt its instant is doubtful, so nothing is \
             said (in the two films its standard deviation was 5 to 7 ms).\n\n| style | strength | exact joints | noisy joints | as from films |\n|---|---|---|---|---|\n{}\n\n\
             Clean deliveries in which something came first all the same:\n\n| style | exact joints | noisy joints | as from \
             films |\n|---|---|---|---|\n{}\n",
            planted.join("\n"),
            clean.join("\n")
        );
        fs::write(page_path(), format!("{before}{BEGIN}{text}{END}\n")).unwrap();
        return;
    }
    for (row, names) in planted.iter().map(|r| (r, 2)).chain(clean.iter().map(|r| (r, 1))) {
        let cells =
            |row: &str| -> Vec<String> { row.split(['|', '/']).map(|c| c.trim().to_owned()).collect() };
        let new = cells(row);
        let alike = |old: &Vec<String>| {
            old.len() == new.len()
                && new[..=names] == old[..=names]
                && new[names + 1..].iter().zip(&old[names + 1..]).all(|(a, b)| {
                    match (a.parse::<i32>(), b.parse::<i32>()) {
                        (Ok(a), Ok(b)) => a.abs_diff(b) <= 1,
                        _ => a == b,
                    }
                })
        };
        assert!(
            between.lines().map(cells).any(|old| alike(&old)),
            "docs/findings.md does not say what was measured now: {row}\n\
             hint: {WRITE}=1 cargo test --release --features long-tests planted_faults writes it"
        );
    }
}
