//! `board`: the checkerboard to print.

use std::path::PathBuf;
use std::str::FromStr;

use clap::Args;

use crate::cli::args::Grid;
use crate::cli::numbers::{margin_mm, square_mm};
use crate::cli::terminal::{DONE, Terminal};
use crate::pipeline::PipelineError;
use crate::report::{BoardSheet, Paper};
use crate::store::write_whole;

/// Options of `board`.
#[derive(Debug, Args)]
pub(crate) struct BoardSheetArguments {
    /// File to write; its ending says which format: .pdf or .svg. May be given twice [default: board.pdf and board.svg].
    #[arg(long, short, value_parser = printable)]
    pub(crate) out: Vec<PathBuf>,
    /// Inner corners, columns x rows (one less than the squares each way).
    #[arg(long, value_name = "COLSxROWS", default_value = "9x6")]
    pub(crate) squares: Grid,
    /// Edge of one square, millimetres.
    #[arg(long, value_name = "MM", default_value_t = 70.0, value_parser = square_mm)]
    pub(crate) square_mm: f64,
    /// White edge below the lowest squares, millimetres [default: one square].
    #[arg(long, value_name = "MM", value_parser = margin_mm)]
    pub(crate) margin_mm: Option<f64>,
    /// Sheet, landscape: a0 to a4, letter, tabloid, or WIDTHxHEIGHT in millimetres [default: the smallest of a4 to a0
    /// that takes the board].
    #[arg(long, value_name = "SHEET")]
    pub(crate) sheet: Option<NamedPaper>,
    /// Cut the sheet into pages of this paper (a4, letter, ...) to glue together; PDF only.
    #[arg(long, value_name = "PAPER")]
    pub(crate) tile: Option<NamedPaper>,
}

/// A paper by name or by its two sides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct NamedPaper(Paper);

impl FromStr for NamedPaper {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let name = text.trim().to_lowercase();
        if let Some((_, paper)) = Paper::NAMED.iter().find(|(known, _)| *known == name) {
            return Ok(Self(*paper));
        }
        let sides = name.split_once('x').and_then(|(w, h)| {
            let side = |s: &str| {
                s.trim()
                    .parse::<f64>()
                    .ok()
                    .filter(|v| (50.0..=5000.0).contains(v))
            };
            Some((side(w)?, side(h)?))
        });
        let (w, h) = sides.ok_or_else(|| {
            let names: Vec<_> = Paper::NAMED.iter().map(|(name, _)| *name).collect();
            format!(
                "'{text}' is none of {} nor WIDTHxHEIGHT in millimetres (50 to 5000), e.g. 900x640",
                names.join(", ")
            )
        })?;
        Ok(Self(Paper::new(w.max(h), w.min(h))))
    }
}

pub(crate) fn ending(path: &std::path::Path) -> Option<String> {
    Some(path.extension()?.to_string_lossy().to_lowercase())
}

pub(crate) fn printable(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    match ending(&path).as_deref() {
        Some("pdf" | "svg") => Ok(path),
        _ => Err("the file's ending must be .pdf or .svg".to_owned()),
    }
}

/// Writes the board in each format asked for.
pub(crate) fn board_sheet(arguments: &BoardSheetArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let margin = arguments.margin_mm.unwrap_or(arguments.square_mm);
    let (cols, rows) = (arguments.squares.cols + 1, arguments.squares.rows + 1);
    let mut sheet = BoardSheet::fitting(cols, rows, arguments.square_mm, margin, arguments.tile.is_some());
    if let Some(NamedPaper(paper)) = arguments.sheet {
        (sheet.sheet_width_mm, sheet.sheet_height_mm) = (paper.long_mm, paper.short_mm);
    }
    let mut files = arguments.out.clone();
    if files.is_empty() {
        files.push("board.pdf".into());
        if arguments.tile.is_none() {
            files.push("board.svg".into());
        }
    }
    // All is drawn before anything is written.
    let mut drawn = Vec::new();
    for file in &files {
        let svg = ending(file).as_deref() == Some("svg");
        drawn.push(match (svg, arguments.tile) {
            (true, None) => sheet.to_svg()?.into_bytes(),
            (true, Some(_)) => return Err(PipelineError::TiledSvg { file: file.clone() }),
            (false, None) => sheet.to_pdf()?,
            (false, Some(NamedPaper(paper))) => sheet.to_tiled_pdf(paper)?,
        });
    }
    for (file, bytes) in files.iter().zip(&drawn) {
        write_whole(file, bytes)?;
    }
    let tiling = arguments.tile.map(|NamedPaper(paper)| sheet.tiling(paper));
    let squares = format!("{}x{}", arguments.squares.cols, arguments.squares.rows);
    if terminal.json() {
        let [left, top] = sheet.squares_at_mm();
        let mut said = serde_json::json!({
            "file": files[0], "files": files, "squares": squares, "square_mm": sheet.square_mm,
            "margin_mm": sheet.margin_mm, "sheet_mm": [sheet.sheet_width_mm, sheet.sheet_height_mm],
            "squares_at_mm": [left, top], "ruler_mm": sheet.ruler_mm(),
        });
        if let Some(t) = &tiling {
            said["tiles"] = serde_json::json!({
                "cols": t.cols, "rows": t.rows, "page_mm": [t.page_width_mm, t.page_height_mm],
                "border_mm": t.border_mm, "overlap_mm": t.overlap_mm,
            });
        }
        terminal.result(&said.to_string());
        return Ok(DONE);
    }
    let names: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
    let how = match &tiling {
        None => format!(
            "print it on a sheet of {} x {} mm at 100 % (not \"fit to page\") and glue it flat on a stiff board",
            sheet.sheet_width_mm, sheet.sheet_height_mm
        ),
        Some(t) => format!(
            "print its {} pages at 100 % (not \"fit to page\"), cut each left and top edge at the outer ticks, lay it on its \
             neighbour's inner ticks so that the squares run on straight, and glue all flat on a stiff board",
            t.cols * t.rows
        ),
    };
    terminal.result(&format!(
        "{}: {how}; the ruler must measure {} mm.\n\
         Then calibrate with --squares {squares} --square-mm {}{} (measure a printed square: its true edge counts).",
        names.join(", "),
        sheet.ruler_mm(),
        sheet.square_mm,
        if sheet.margin_mm == sheet.square_mm {
            String::new()
        } else {
            format!(" --margin-mm {}", sheet.margin_mm)
        }
    ));
    Ok(DONE)
}
