//! Runs the scripts of `fixtures` that make reference values in the test itself, with the Python of the set-up.
#![expect(clippy::panic, reason = "a test stops at the first surprise")]

use std::path::Path;
use std::process::Command;

/// What a script of this repository prints.
pub(crate) fn python(script: &str, arguments: &[&str]) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let output = Command::new(root.join(".setup/venv/bin/python"))
        .arg(root.join(script))
        .args(arguments)
        .output()
        .unwrap_or_else(|e| panic!("{e}: `make setup` makes the Python that this test needs"));
    assert!(
        output.status.success(),
        "{script}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}
