//! Whole or not at all: files and folders are built beside their place and moved in when they are complete.

use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};
use tempfile::TempDir;

use crate::store::StoreError;

fn failed<'a>(action: &'static str, path: &'a Path) -> impl FnOnce(std::io::Error) -> StoreError + 'a {
    move |source| StoreError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}

fn unreadable(path: &Path) -> impl Fn(std::io::Error) -> StoreError + '_ {
    |error| StoreError::Unreadable {
        path: path.to_owned(),
        why: match error.kind() {
            ErrorKind::NotFound => "no such file".to_owned(),
            ErrorKind::IsADirectory => "it is a folder".to_owned(),
            ErrorKind::PermissionDenied => "no permission to read it".to_owned(),
            ErrorKind::InvalidData => "it is not a text file".to_owned(),
            _ => error.to_string(),
        },
    }
}

/// The folder in which a path lies.
fn parent(path: &Path) -> PathBuf {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// Temporary names begin with a dot; what is made through this has the usual permissions, not a temporary file's.
#[cfg(unix)]
fn with_usual_permissions<T>(
    mode: u32,
    make: impl FnOnce(&tempfile::Builder<'_, '_>) -> std::io::Result<T>,
) -> std::io::Result<T> {
    use std::os::unix::fs::PermissionsExt;
    let mut builder = tempfile::Builder::new();
    builder
        .prefix(".")
        .suffix(".tmp")
        .permissions(fs::Permissions::from_mode(mode));
    make(&builder)
}

/// Temporary names begin with a dot.
#[cfg(not(unix))]
fn with_usual_permissions<T>(
    _mode: u32,
    make: impl FnOnce(&tempfile::Builder<'_, '_>) -> std::io::Result<T>,
) -> std::io::Result<T> {
    make(tempfile::Builder::new().prefix(".").suffix(".tmp"))
}

/// Writes a file whole: under its name stands the old content or the new, never a part. Makes the folder if needed.
///
/// # Errors
/// What the machine refuses.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let folder = parent(path);
    fs::create_dir_all(&folder).map_err(failed("make the folder", &folder))?;
    let mut file =
        with_usual_permissions(0o666, |b| b.tempfile_in(&folder)).map_err(failed("write into", &folder))?;
    file.write_all(bytes)
        .and_then(|()| file.as_file().sync_all())
        .map_err(failed("write", path))?;
    file.persist(path).map_err(|e| failed("write", path)(e.error))?;
    Ok(())
}

/// A folder in the making: filled under a temporary name beside its place, and moved in by [`WholeFolder::finish`].
/// Dropped before that, it leaves nothing behind.
#[derive(Debug)]
pub struct WholeFolder {
    target: PathBuf,
    building: TempDir,
}

impl WholeFolder {
    /// Begins a folder that will appear as `target`.
    ///
    /// # Errors
    /// What the machine refuses.
    pub fn begin(target: &Path) -> Result<Self, StoreError> {
        let beside = parent(target);
        fs::create_dir_all(&beside).map_err(failed("make the folder", &beside))?;
        let building = with_usual_permissions(0o777, |b| b.tempdir_in(&beside))
            .map_err(failed("write into", &beside))?;
        Ok(Self {
            target: target.to_owned(),
            building,
        })
    }

    /// Where to write until it is finished.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.building.path()
    }

    /// Writes one file of it; `name` may contain folders.
    ///
    /// # Errors
    /// What the machine refuses.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let path = self.path().join(name);
        let folder = parent(&path);
        fs::create_dir_all(&folder).map_err(failed("make the folder", &folder))?;
        fs::write(&path, bytes).map_err(failed("write", &path))
    }

    /// Moves it to its place. Where nothing stands, in one step. Where a folder stands already, entry by entry: each is
    /// replaced in one step, other people's entries stay, and of the old ones those that `ours` names and that were not
    /// written again go.
    ///
    /// # Errors
    /// What the machine refuses.
    pub fn finish(self, ours: impl Fn(&str) -> bool) -> Result<(), StoreError> {
        let target = &self.target;
        if !target.exists() {
            return fs::rename(self.path(), target).map_err(failed("write", target));
        }
        let beside = parent(target);
        let old = with_usual_permissions(0o777, |b| b.tempdir_in(&beside))
            .map_err(failed("write into", &beside))?;
        let fresh = entries(self.path())?;
        for name in entries(target)?
            .iter()
            .filter(|name| ours(name) && !fresh.contains(name))
        {
            let stale = target.join(name);
            fs::rename(&stale, old.path().join(name)).map_err(failed("replace", &stale))?;
        }
        for name in fresh {
            let place = target.join(&name);
            let kept = old.path().join(&name);
            if place.exists() {
                fs::rename(&place, &kept).map_err(failed("replace", &place))?;
            }
            if let Err(error) = fs::rename(self.path().join(&name), &place) {
                // Put the old one back: whole is better than new.
                if kept.exists() {
                    fs::rename(&kept, &place).map_err(failed("restore", &place))?;
                }
                return Err(failed("write", &place)(error));
            }
        }
        Ok(())
    }
}

/// Names in a folder.
fn entries(folder: &Path) -> Result<Vec<String>, StoreError> {
    let read = || -> std::io::Result<Vec<String>> {
        fs::read_dir(folder)?
            .map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()))
            .collect()
    };
    read().map_err(failed("read", folder))
}

/// Name of a delivery's folder, `number` from 1.
#[must_use]
pub fn delivery_folder_name(number: usize) -> String {
    format!("delivery-{number:02}")
}

/// Whether a name is that of a delivery's folder.
#[must_use]
pub fn is_delivery_folder(name: &str) -> bool {
    name.strip_prefix("delivery-")
        .is_some_and(|n| n.len() >= 2 && n.bytes().all(|b| b.is_ascii_digit()))
}

/// A text file that was given.
///
/// # Errors
/// When it cannot be read, or is not text.
pub fn read_text(path: &Path) -> Result<String, StoreError> {
    fs::read_to_string(path).map_err(unreadable(path))
}

/// The bytes of a file that was given.
///
/// # Errors
/// When it cannot be read.
pub fn read_bytes(path: &Path) -> Result<Vec<u8>, StoreError> {
    fs::read(path).map_err(unreadable(path))
}

/// SHA-256 of a file's content, hexadecimal; read piece by piece.
///
/// # Errors
/// When it cannot be read.
pub fn sha256_hex(path: &Path) -> Result<String, StoreError> {
    let mut file = fs::File::open(path).map_err(unreadable(path))?;
    let mut hash = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    loop {
        match file.read(&mut piece).map_err(unreadable(path))? {
            0 => break,
            n => hash.update(&piece[..n]),
        }
    }
    Ok(hash.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

/// SHA-256 of bytes, hexadecimal.
#[must_use]
pub fn sha256_of(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_appears_whole_and_leaves_foreign_files_alone() {
        let place = tempfile::tempdir().unwrap();
        let out = place.path().join("result");
        let folder = WholeFolder::begin(&out).unwrap();
        folder.write("delivery-01/joints.csv", b"a").unwrap();
        folder.write("delivery-02/joints.csv", b"b").unwrap();
        assert!(!out.exists());
        folder.finish(is_delivery_folder).unwrap();
        assert_eq!(fs::read(out.join("delivery-02/joints.csv")).unwrap(), b"b");
        fs::write(out.join("notes.txt"), b"mine").unwrap();

        let again = WholeFolder::begin(&out).unwrap();
        again.write("delivery-01/joints.csv", b"new").unwrap();
        again.finish(is_delivery_folder).unwrap();
        assert_eq!(fs::read(out.join("delivery-01/joints.csv")).unwrap(), b"new");
        assert!(!out.join("delivery-02").exists(), "a stale delivery is gone");
        assert_eq!(fs::read(out.join("notes.txt")).unwrap(), b"mine");
        assert_eq!(
            entries(place.path()).unwrap(),
            ["result"],
            "nothing temporary is left"
        );
    }

    #[test]
    fn a_folder_that_is_given_up_leaves_nothing() {
        let place = tempfile::tempdir().unwrap();
        let folder = WholeFolder::begin(&place.path().join("result")).unwrap();
        folder.write("report.html", b"half").unwrap();
        drop(folder);
        assert!(entries(place.path()).unwrap().is_empty());
    }

    #[test]
    fn a_file_is_replaced_whole() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("deep/rig.json");
        write_whole(&path, b"one").unwrap();
        write_whole(&path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        assert_eq!(entries(&place.path().join("deep")).unwrap(), ["rig.json"]);
        // FIPS 180-4 example: SHA-256 of "abc".
        write_whole(&path, b"abc").unwrap();
        assert_eq!(
            sha256_hex(&path).unwrap(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert!(write_whole(Path::new("/proc/none/x"), b"").is_err());
    }

    #[test]
    fn names_of_deliveries_are_recognised() {
        assert!(is_delivery_folder(&delivery_folder_name(7)) && is_delivery_folder("delivery-123"));
        assert!(!is_delivery_folder("delivery-x1") && !is_delivery_folder("delivery-1"));
    }
}
