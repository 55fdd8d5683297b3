//! The command line: arguments in, results on stdout, progress and warnings on stderr, an exit code out.

/// What may be typed.
mod args;

/// `board`.
mod board;

/// `place`.
mod place;

/// Places as they are typed.
mod points;

/// Numbers as they are typed.
mod numbers;

/// Progress, warnings, errors, exit codes.
mod terminal;

/// The commands.
mod commands;

/// `session`.
mod session;

/// The demo's table.
mod demo_table;

use std::process::ExitCode;

use clap::Parser;
use tracing_subscriber::EnvFilter;

use args::Arguments;
use terminal::Terminal;

/// Runs the program with the process' arguments.
#[must_use]
pub fn run() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return typed_wrong(&error),
    };
    let level = match arguments.verbose {
        0 => "off",
        1 => "twinmound=info",
        _ => "twinmound=debug",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .init();
    let terminal = Terminal::new(arguments.quiet, arguments.json);
    ExitCode::from(match commands::run(&arguments.command, &terminal) {
        Ok(code) => code,
        Err(error) => terminal.fail(&error),
    })
}

/// Help and version are done; anything else was typed wrong. A closed pipe is not an error.
fn typed_wrong(error: &clap::Error) -> ExitCode {
    let _ = error.print();
    ExitCode::from(if error.use_stderr() {
        terminal::REFUSED
    } else {
        terminal::DONE
    })
}
