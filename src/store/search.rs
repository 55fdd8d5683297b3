//! Deliveries in folders: every `delivery.json` below a folder, in the order in which people number things.

use std::cmp::Ordering;
use std::fs;
use std::path::{Path, PathBuf};

use crate::store::StoreError;

/// Name of a delivery's file.
const DELIVERY_FILE: &str = "delivery.json";

/// A delivery's file, found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FoundDelivery {
    /// Where it lies.
    pub path: PathBuf,
    /// What people call it: the folders that lead to it from the one that was given, for instance `bullpen/delivery-02`.
    pub name: String,
}

/// All deliveries at a path: the file itself, or every `delivery.json` in a folder and the folders in it, by name, with
/// numbers in names in order of number. Folders that begin with a dot or are links are left out.
///
/// # Errors
/// No such file or folder, or a folder that cannot be read.
pub fn find_delivery_files(path: &Path) -> Result<Vec<FoundDelivery>, StoreError> {
    let unreadable = |path: &Path, why: String| StoreError::Unreadable {
        path: path.to_owned(),
        why,
    };
    if path.is_file() {
        return Ok(vec![FoundDelivery {
            path: path.to_owned(),
            name: name_of_file(path),
        }]);
    }
    if !path.is_dir() {
        return Err(unreadable(path, "no such file or folder".to_owned()));
    }
    let top = path
        .file_name()
        .map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let mut open = vec![(path.to_owned(), top)];
    let mut found = Vec::new();
    while let Some((folder, name)) = open.pop() {
        let mut inner = Vec::new();
        for entry in fs::read_dir(&folder).map_err(|e| unreadable(&folder, e.to_string()))? {
            let entry = entry.map_err(|e| unreadable(&folder, e.to_string()))?;
            let kind = entry
                .file_type()
                .map_err(|e| unreadable(&entry.path(), e.to_string()))?;
            let own = entry.file_name().to_string_lossy().into_owned();
            if own == DELIVERY_FILE && entry.path().is_file() {
                found.push(FoundDelivery {
                    path: entry.path(),
                    name: if name.is_empty() {
                        DELIVERY_FILE.to_owned()
                    } else {
                        name.clone()
                    },
                });
            } else if kind.is_dir() && !own.starts_with('.') {
                let full = if name.is_empty() {
                    own
                } else {
                    format!("{name}/{own}")
                };
                inner.push((entry.path(), full));
            }
        }
        open.extend(inner);
    }
    found.sort_by(|a, b| by_number(&a.name, &b.name));
    Ok(found)
}

/// The folder's name for a `delivery.json` in its own folder, with the folder above; else the file's without its ending.
fn name_of_file(path: &Path) -> String {
    let last = |path: Option<&Path>| {
        let name = path.and_then(Path::file_name)?;
        Some(name.to_string_lossy().into_owned())
    };
    let ours = last(Some(path)).is_some_and(|name| name == DELIVERY_FILE);
    let own = if ours {
        last(path.parent())
    } else {
        path.file_stem().map(|s| s.to_string_lossy().into_owned())
    };
    let above = path.parent().filter(|_| ours).and_then(Path::parent);
    match (last(above), own) {
        (Some(above), Some(own)) => format!("{above}/{own}"),
        (_, Some(own)) => own,
        _ => DELIVERY_FILE.to_owned(),
    }
}

/// Compares names so that `pitch-2` comes before `pitch-10`.
fn by_number(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let (x, y) = (piece(a), piece(b));
        if x.is_empty() || y.is_empty() {
            return x.len().cmp(&y.len());
        }
        let digits = |t: &str| t.starts_with(|c: char| c.is_ascii_digit());
        let order = if digits(x) && digits(y) {
            let (m, n) = (x.trim_start_matches('0'), y.trim_start_matches('0'));
            m.len()
                .cmp(&n.len())
                .then_with(|| m.cmp(n))
                .then_with(|| x.len().cmp(&y.len()))
        } else {
            x.cmp(y)
        };
        if order != Ordering::Equal {
            return order;
        }
        (a, b) = (&a[x.len()..], &b[y.len()..]);
    }
}

/// The first run of digits, or of anything else.
fn piece(text: &str) -> &str {
    let digit = text.starts_with(|c: char| c.is_ascii_digit());
    let end = text.find(|c: char| c.is_ascii_digit() != digit);
    &text[..end.unwrap_or(text.len())]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_searched_in_order_of_number() {
        let desk = tempfile::tempdir().unwrap();
        let day = desk.path().join("day");
        for name in [
            "pitch-10/delivery-01",
            "pitch-2/delivery-02",
            "pitch-2/delivery-01",
            ".gone/delivery-01",
        ] {
            fs::create_dir_all(day.join(name)).unwrap();
            fs::write(day.join(name).join("delivery.json"), "{}").unwrap();
        }
        fs::write(day.join("session.json"), "{}").unwrap();
        let names = |path: &Path| -> Vec<String> {
            find_delivery_files(path)
                .unwrap()
                .into_iter()
                .map(|f| f.name)
                .collect()
        };
        assert_eq!(
            names(&day),
            [
                "day/pitch-2/delivery-01",
                "day/pitch-2/delivery-02",
                "day/pitch-10/delivery-01"
            ]
        );
        assert_eq!(
            names(&day.join("pitch-2/delivery-01/delivery.json")),
            ["pitch-2/delivery-01"]
        );
        assert_eq!(names(&day.join("session.json")), ["session"]);
        assert!(find_delivery_files(&day.join("none")).is_err());
    }

    #[test]
    fn numbers_in_names_are_numbers() {
        for pair in [
            ("a2", "a10"),
            ("a02", "a10"),
            ("a", "a1"),
            ("a1b", "a1c"),
            ("a9/x", "a10/b"),
            ("2", "b"),
        ] {
            assert_eq!(by_number(pair.0, pair.1), Ordering::Less, "{pair:?}");
            assert_eq!(by_number(pair.1, pair.0), Ordering::Greater, "{pair:?}");
        }
        assert_eq!(by_number("a1", "a1"), Ordering::Equal);
    }
}
