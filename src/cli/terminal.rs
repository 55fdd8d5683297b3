//! The terminal: progress and warnings on stderr, results on stdout, and the table of exit codes.

use std::io::Write;
use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::pipeline::{Blame, PipelineError};
use crate::quality::{Progress, Warning};

/// Exit code: done.
pub(crate) const DONE: u8 = 0;
/// Exit code: the input was refused, or a result is not trustworthy; the message says what to do.
pub(crate) const REFUSED: u8 = 1;
/// Exit code: a fault of the machine or of the program.
pub(crate) const FAULT: u8 = 2;

/// Where output goes, and how much of it.
pub(crate) struct Terminal {
    quiet: bool,
    json: bool,
    bar: Mutex<Option<ProgressBar>>,
}

impl Terminal {
    /// A terminal; `quiet` keeps progress and warnings to itself.
    pub(crate) fn new(quiet: bool, json: bool) -> Self {
        Self {
            quiet,
            json,
            bar: Mutex::new(None),
        }
    }

    /// Whether results are for machines.
    pub(crate) fn json(&self) -> bool {
        self.json
    }

    /// A result, to stdout. A closed pipe is not an error.
    pub(crate) fn result(&self, text: &str) {
        let mut out = std::io::stdout().lock();
        let _ = writeln!(out, "{}", text.trim_end());
    }

    /// A line for the person at the keyboard, to stderr.
    pub(crate) fn say(&self, text: &str) {
        if !self.quiet {
            let _ = writeln!(std::io::stderr().lock(), "{text}");
        }
    }

    /// A warning with its hint, to stderr.
    pub(crate) fn warn(&self, warning: &Warning) {
        self.say(&format!("warning: {}\n   hint: {}", warning.text, warning.hint));
    }

    /// An error with its causes, to stderr, and its exit code.
    pub(crate) fn fail(&self, error: &PipelineError) -> u8 {
        let mut text = format!("error: {error}");
        let mut cause = std::error::Error::source(error);
        while let Some(inner) = cause {
            // Stage errors are shown by their own words once; a transparent wrapper repeats nothing.
            let words = inner.to_string();
            if !text.contains(&words) {
                text.push_str(&format!("\n  because: {words}"));
            }
            cause = inner.source();
        }
        if self.json {
            self.result(&serde_json::json!({ "error": error.to_string() }).to_string());
        }
        let _ = writeln!(std::io::stderr().lock(), "{text}");
        match error.blame() {
            Blame::Input => REFUSED,
            Blame::Machine => FAULT,
        }
    }
}

impl Progress for Terminal {
    fn start(&self, stage: &str, total: Option<u64>) {
        if self.quiet {
            return;
        }
        let bar = ProgressBar::with_draw_target(total, ProgressDrawTarget::stderr_with_hz(5));
        let shape = if total.is_some() {
            "{msg:32} {bar:30} {pos}/{len} {elapsed}"
        } else {
            "{msg:32} {spinner} {pos} {elapsed}"
        };
        if let Ok(style) = ProgressStyle::with_template(shape) {
            bar.set_style(style);
        }
        bar.set_message(stage.to_owned());
        if bar.is_hidden() {
            // Not a terminal (a log file, say): one line a stage.
            self.say(stage);
        }
        if let Ok(mut slot) = self.bar.lock() {
            *slot = Some(bar);
        }
    }

    fn advance(&self, items: u64) {
        if let Ok(slot) = self.bar.lock()
            && let Some(bar) = slot.as_ref()
        {
            bar.inc(items);
        }
    }

    fn finish(&self) {
        if let Ok(mut slot) = self.bar.lock()
            && let Some(bar) = slot.take()
        {
            bar.finish();
        }
    }
}
