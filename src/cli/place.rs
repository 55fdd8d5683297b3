//! `place`: where the phones and the board go.

use std::path::PathBuf;

use clap::Args;

use crate::calibrate::{GOOD_ANGLE_DEG, Placement};
use crate::cli::args::Hand;
use crate::cli::board::{ending, printable};
use crate::cli::terminal::{DONE, Terminal};
use crate::pipeline::PipelineError;
use crate::report::{placement_pdf, placement_svg, placement_words};
use crate::skeleton::Side;
use crate::store::write_whole;

/// Options of `place`.
#[derive(Debug, Args)]
pub(crate) struct PlaceArguments {
    /// Throwing hand.
    #[arg(long, value_enum, default_value_t = Hand::Right)]
    pub(crate) throws: Hand,
    /// Also draw it into this file, .svg or .pdf.
    #[arg(long, short, value_parser = printable)]
    pub(crate) out: Option<PathBuf>,
}

/// Says and draws where the phones and the board go.
pub(crate) fn place(arguments: &PlaceArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let throws = match arguments.throws {
        Hand::Left => Side::Left,
        Hand::Right => Side::Right,
    };
    let placement = Placement::of(throws).ok_or(PipelineError::NoPlace)?;
    if let Some(file) = &arguments.out {
        if ending(file).as_deref() == Some("pdf") {
            write_whole(file, &placement_pdf(&placement))?;
        } else {
            write_whole(file, placement_svg(&placement).as_bytes())?;
        }
    }
    if terminal.json() {
        let phone = |k: usize| {
            let at = placement.phones[k].eye.0;
            serde_json::json!({
                "x_m": at.x, "y_m": at.y, "z_m": at.z,
                "board_slant_deg": placement.phones[k].board_slant_deg,
            })
        };
        let aim = placement.aim.0;
        terminal.result(
            &serde_json::json!({
                "throws": if throws == Side::Left { "left" } else { "right" },
                "left": phone(0), "right": phone(1),
                "aim": {"x_m": aim.x, "y_m": aim.y, "z_m": aim.z},
                "height_m": placement.height_m, "distance_m": placement.distance_m,
                "angle_deg": placement.angle_deg, "good_angle_deg": [GOOD_ANGLE_DEG.0, GOOD_ANGLE_DEG.1],
                "view_deg": placement.view_deg, "rate_hz": 240.0, "longest_exposure_s": 0.001,
                "stabilisation": false, "exposure_locked": true, "focus_locked": true,
                "board": {"x_m": 0.0, "y_m": 0.0, "z_m": 0.0, "faces": "+x"},
                "file": arguments.out,
            })
            .to_string(),
        );
    } else {
        terminal.result(&placement_words(&placement));
        if let Some(file) = &arguments.out {
            terminal.result(&format!("drawn from above: {}", file.display()));
        }
    }
    Ok(DONE)
}
