//! `session`: several deliveries of one athlete.

use std::path::PathBuf;

use clap::Args;

use crate::cli::args::PeersArguments;
use crate::cli::commands::peers;
use crate::cli::terminal::{DONE, Terminal};
use crate::pipeline::{PipelineError, SessionRequest, sum_up_session};
use crate::report::session_table;

/// Options of `session`.
#[derive(Debug, Args)]
pub(crate) struct SessionArguments {
    /// In order of time: delivery.json files, result folders of `measure`, or folders with several of these (searched in
    /// order of name).
    #[arg(required = true, value_name = "FILE|FOLDER")]
    pub(crate) paths: Vec<PathBuf>,
    /// Folder to write to.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
    /// Whom the athlete is compared with [default: as the deliveries say].
    #[command(flatten)]
    pub(crate) peers: PeersArguments,
}

pub(crate) fn session(arguments: &SessionArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let summed = sum_up_session(
        &SessionRequest {
            paths: arguments.paths.clone(),
            out: arguments.out.clone(),
            peers: peers(arguments.peers),
        },
        terminal,
    )?;
    summed.record.warnings.iter().for_each(|w| terminal.warn(w));
    if terminal.json() {
        if let Ok(text) = serde_json::to_string_pretty(&summed.record) {
            terminal.result(&text);
        }
        return Ok(DONE);
    }
    terminal.result(&session_table(&summed.record));
    terminal.result(&format!("page: {}", summed.page.display()));
    Ok(DONE)
}
