//! Store: results become files, whole or not at all; and files become results again.
//!
//! Formats: `delivery.json` (schema `twinmound.delivery/1`, [`DeliveryRecord`]), `session.json` (schema
//! `twinmound.session/1`, [`SessionRecord`]), `joints.csv` ([`joints_csv`],
//! [`read_joints`]) and `curves.csv` ([`curves_csv`]); for other programs C3D ([`write_c3d`], [`read_c3d`]), one wide
//! table and Parquet ([`Export`]). Truth files of the film studio use the same formats. What is written appears under its name when it
//! is complete ([`write_whole`], [`WholeFolder`]).

/// `delivery.json`.
mod delivery;

/// Its figures.
mod figures;

/// `joints.csv`.
mod joints;

/// Joints in one phone's pictures as a table.
mod image_joints;

/// C3D files.
mod c3d;

/// Joints from files of other programs.
mod import;

/// Figures over time.
mod curves;

/// One delivery as one file for other programs.
mod export;

/// Parquet files.
mod parquet_file;

/// Deliveries in folders.
mod search;

/// `session.json`.
mod session;

/// Writing whole or not at all.
mod whole;

use std::path::PathBuf;

pub use c3d::{C3dContent, read_c3d, write_c3d};
pub use curves::{CurvesTable, curves_csv, read_curves};
pub use delivery::{
    AthleteRecord, DELIVERY_SCHEMA, DeliveryRecord, EVENT_NAMES, EventRecord, EventsRecord, FileRecord,
    RigRecord, SourceRecord, read_delivery, read_events,
};
pub use export::{Export, ExportFormat, Exported};
pub use figures::{
    MetricRecord, ReferenceRecord, SecondFigureRecord, SecondOpinionRecord, SequencePeakRecord,
    SequenceRecord,
};
pub use image_joints::image_joints_csv;
pub use import::read_joints_file;
pub use joints::{JointsTable, joints_csv, read_joints};
pub use search::{FoundDelivery, find_delivery_files};
pub use session::{
    AssumptionsRecord, OutlierRecord, SESSION_SCHEMA, SessionDeliveryRecord, SessionMetricRecord,
    SessionRecord, SessionValueRecord, read_session,
};
pub use whole::{
    WholeFolder, delivery_folder_name, is_delivery_folder, read_bytes, read_text, sha256_hex, sha256_of,
    write_whole,
};

/// What can go wrong with files.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The machine refused a file operation.
    #[error("cannot {action} {}: {source}; check that the disk has room and the folder may be written", path.display())]
    Io {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// A file that was given cannot be read.
    #[error("cannot read {}: {why}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why, in words.
        why: String,
    },
    /// A file is not the JSON expected.
    #[error("{what} cannot be read: {source}")]
    Json {
        /// What the file should be.
        what: &'static str,
        /// What the parser says.
        source: serde_json::Error,
    },
    /// Another schema.
    #[error(
        "the file says schema '{found}' where '{expected}' is needed; it was made by another program or version"
    )]
    Schema {
        /// Schema found.
        found: String,
        /// Schema needed.
        expected: &'static str,
    },
    /// A result breaks the rules of its format; a fault of the program.
    #[error("{id} cannot be written: {rule}")]
    Rule {
        /// Which metric or event.
        id: String,
        /// The rule.
        rule: &'static str,
    },
    /// Not a readable table.
    #[error("the joints file cannot be read as a table: {source}")]
    Csv {
        /// What the parser says.
        #[from]
        source: csv::Error,
    },
    /// Not a C3D file, or one that says too little.
    #[error("the C3D file cannot be used: {why}")]
    C3d {
        /// Why.
        why: String,
    },
    /// A file of a kind that is not known.
    #[error("{}: what kind of file this is must be told by its ending: {known}", path.display())]
    Ending {
        /// The file.
        path: PathBuf,
        /// Endings that are known.
        known: &'static str,
    },
    /// The Parquet library failed.
    #[error("the Parquet file cannot be made: {why}")]
    Parquet {
        /// What the library says.
        why: String,
    },
    /// A needed column is missing.
    #[error(
        "the joints file has no column {column}; its first line must name time_s and NAME_x_m, NAME_y_m, NAME_z_m of each joint"
    )]
    NoColumn {
        /// The column.
        column: String,
    },
    /// A cell is no number.
    #[error("line {line} of the joints file: column {column} says '{text}', a number or nothing is needed")]
    NotANumber {
        /// Line in the file, from 1.
        line: u64,
        /// The column.
        column: String,
        /// What stands there.
        text: String,
    },
    /// Times do not increase.
    #[error(
        "line {line} of the joints file: time_s is not later than in the line before; sort the rows and remove doubles"
    )]
    TimesNotIncreasing {
        /// Line in the file, from 1.
        line: u64,
    },
}

impl StoreError {
    /// Whether the machine is to blame, and not a file that was given.
    #[must_use]
    pub fn is_machine(&self) -> bool {
        matches!(self, Self::Io { .. } | Self::Rule { .. } | Self::Parquet { .. })
    }
}
