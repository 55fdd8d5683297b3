//! The rules of the house, executed: module docs, file sizes, names, the layer rule, one home for each foreign library.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

const VOCABULARY: [&str; 7] = [
    "units",
    "skeleton",
    "quality",
    "geometry",
    "picture",
    "track",
    "trajectory",
];

/// The stages in the order data passes through them.
const STAGES: [&str; 11] = [
    "ingest",
    "sync",
    "calibrate",
    "detect",
    "triangulate",
    "smooth",
    "reconstruct",
    "ball",
    "kinematics",
    "findings",
    "session",
];

const MAX_CODE_LINES: usize = 400;

struct Source {
    path: PathBuf,
    /// First folder or file stem under `src`.
    part: String,
    text: String,
}

impl Source {
    /// Lines before the first column-0 `#[cfg(test)]`.
    fn code(&self) -> &str {
        match self.text.find("\n#[cfg(test)]") {
            Some(at) => &self.text[..at],
            None => &self.text,
        }
    }

    fn in_file(&self, suffix: &str) -> bool {
        self.path.to_string_lossy().ends_with(suffix)
    }
}

fn sources() -> Vec<Source> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut open = vec![root.clone()];
    let mut found = Vec::new();
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let first = path.strip_prefix(&root).unwrap().components().next().unwrap();
                let part = first
                    .as_os_str()
                    .to_string_lossy()
                    .trim_end_matches(".rs")
                    .to_owned();
                found.push(Source {
                    part,
                    text: fs::read_to_string(&path).unwrap(),
                    path,
                });
            }
        }
    }
    assert!(
        found.len() > 20,
        "only {} source files found: the test looks in the wrong place",
        found.len()
    );
    found
}

/// Our own top-level modules that a file names with `crate::`.
fn imports(source: &Source) -> Vec<String> {
    source
        .code()
        .lines()
        .filter(|l| !l.trim_start().starts_with("//"))
        .flat_map(|l| {
            l.match_indices("crate::")
                .map(|(at, m)| &l[at + m.len()..])
                .collect::<Vec<_>>()
        })
        .map(|rest| {
            rest.chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect::<String>()
        })
        .filter(|name| !name.is_empty())
        .collect()
}

fn allowed(part: &str) -> Option<Vec<&'static str>> {
    let mut ok = VOCABULARY.to_vec();
    if VOCABULARY.contains(&part) {
        return Some(ok);
    }
    if let Some(at) = STAGES.iter().position(|s| *s == part) {
        ok.extend(&STAGES[..=at]);
        if part == "detect" {
            ok.retain(|m| *m != "calibrate");
        }
        // Plain figures in, plain figures out: it knows no stage.
        if part == "session" {
            ok.retain(|m| !STAGES.contains(m) || *m == part);
        }
        return Some(ok);
    }
    match part {
        "scene" => ok.push("scene"),
        "store" => {
            ok.extend(STAGES);
            ok.push("store");
        }
        "report" => {
            ok.extend(STAGES);
            ok.extend(["store", "report"]);
        }
        // Wiring: knows everything but the command line.
        "pipeline" | "demo" | "accuracy" => {
            ok.extend(STAGES);
            ok.extend(["scene", "store", "report", "pipeline", "demo", "accuracy"]);
        }
        "cli" | "lib" | "main" => return None,
        other => panic!(
            "src/{other} has no place in the layer rule: add it to tests/architecture.rs with a reason"
        ),
    }
    Some(ok)
}

#[test]
fn every_file_imports_only_what_its_layer_may() {
    let mut wrong = Vec::new();
    for source in sources() {
        let Some(ok) = allowed(&source.part) else { continue };
        for import in imports(&source) {
            if !ok.contains(&import.as_str()) {
                wrong.push(format!("{}: crate::{import}", source.path.display()));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "imports against the layer rule:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn every_file_starts_with_its_module_doc() {
    let bare: Vec<_> = sources()
        .into_iter()
        .filter(|s| !s.text.starts_with("//!"))
        .map(|s| s.path.display().to_string())
        .collect();
    assert!(
        bare.is_empty(),
        "files without a module doc on their first line:\n{}",
        bare.join("\n")
    );
}

#[test]
fn no_file_grows_into_a_god() {
    let large: Vec<_> = sources()
        .into_iter()
        .map(|s| (s.code().lines().count(), s.path.display().to_string()))
        .filter(|(lines, _)| *lines > MAX_CODE_LINES)
        .collect();
    assert!(
        large.is_empty(),
        "files over {MAX_CODE_LINES} code lines: {large:?}"
    );
}

#[test]
fn no_module_is_named_for_nothing() {
    for source in sources() {
        for word in ["util", "helper", "common", "misc"] {
            assert!(
                !source
                    .path
                    .to_string_lossy()
                    .to_lowercase()
                    .contains(&format!("/{word}")),
                "{:?}",
                source.path
            );
        }
        assert!(
            !source.code().contains("use super::*"),
            "{:?} hides what it uses",
            source.path
        );
    }
}

#[test]
fn each_foreign_library_has_one_home() {
    let homes: BTreeMap<&str, Vec<&str>> = BTreeMap::from([
        (
            "ffmpeg_next",
            vec!["src/ingest/", "src/scene/encode", "src/scene/film_sound"],
        ),
        ("ort::", vec!["src/detect/"]),
        ("clap::", vec!["src/cli/"]),
        ("indicatif::", vec!["src/cli/"]),
        ("comfy_table::", vec!["src/cli/", "src/report/"]),
        ("adskalman::", vec!["src/smooth/"]),
        ("parquet::", vec!["src/store/"]),
        ("maud::", vec!["src/report/"]),
        ("plotters::", vec!["src/report/"]),
        ("pdf_writer::", vec!["src/report/"]),
        ("ExitCode", vec!["src/main.rs", "src/cli/"]),
        // The program ends by its exit code alone, and runs no other programs.
        ("process::exit", vec![]),
        ("process::abort", vec![]),
        ("process::Command", vec![]),
    ]);
    let mut wrong = Vec::new();
    for source in sources() {
        let path = source.path.to_string_lossy().into_owned();
        for (library, places) in &homes {
            let used = source
                .code()
                .lines()
                .any(|l| !l.trim_start().starts_with("//") && names(l, library));
            if used && !places.iter().any(|p| path.contains(p)) {
                wrong.push(format!("{path}: {library}"));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "foreign libraries outside their home:\n{}",
        wrong.join("\n")
    );
}

/// Whether a line names a library, and not merely a word that ends like it.
fn names(line: &str, library: &str) -> bool {
    line.match_indices(library)
        .any(|(at, _)| !line[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_'))
}

#[test]
fn main_is_a_door_and_not_a_room() {
    let main = sources().into_iter().find(|s| s.in_file("src/main.rs")).unwrap();
    assert!(main.text.lines().count() <= 40);
}

#[test]
fn every_dependency_says_what_it_is_for() {
    let manifest = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml")).unwrap();
    let section = manifest
        .split("[dependencies]")
        .nth(1)
        .unwrap()
        .split("\n[")
        .next()
        .unwrap();
    let mut explained = false;
    for line in section.lines() {
        if line.starts_with('#') {
            explained = true;
        } else if line.trim().is_empty() {
            explained = false;
        } else {
            assert!(explained, "no comment above '{line}'");
        }
    }
}
