//! The page of a rig: is it good enough, what to redo, how far off a joint may be, and where each phone saw the board.

use std::fmt::Write;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::calibrate::{
    ASSUMED_JOINT_SD_PX, Calibration, JointError, SeenBoard, SeenCorner, Verdict, unseen_parts,
};
use crate::geometry::{Camera, Phone};
use crate::report::html::STYLE;
use crate::report::wording::sentence;

/// Arrows are drawn this many times longer than the miss they show: a usual one is then about this share of the picture.
const ARROW_SHARE: f64 = 0.012;
const MOST_TIMES: f64 = 300.0;
/// A picture whose corners miss by this many times the phone's usual is drawn apart.
const POOR: f64 = 2.0;
/// Misses smaller than this are never poor, pixels.
const FINE_PX: f64 = 0.3;
/// Most of the poorest pictures that are named.
const MOST_NAMED: usize = 3;

const FROM_BOTH: &str = "#2d6a4f";
const FROM_ONE: &str = "#5b6770";
const FROM_POOR: &str = "#b85028";

/// The page as HTML, nothing loaded from elsewhere. `name` is the rig file's.
#[must_use]
pub fn rig_page(calibration: &Calibration, name: &str) -> String {
    let c = calibration;
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (name) ": " (verdict(c.judgement.verdict)) }
                style { (PreEscaped(STYLE)) (PreEscaped(OWN_STYLE)) }
            }
            body {
                header.top {
                    div.inner {
                        p.brand { "twinmound" }
                        h1 { "The rig is " (verdict(c.judgement.verdict)) }
                        p {
                            (name) ": phones " (format!("{:.2}", c.rig.right_from_left.baseline_m())) "\u{a0}m apart, lines of sight "
                            (format!("{:.0}", c.angle_deg)) "° apart at the mound; the board seen by both in " (c.pairs)
                            " pictures; corners miss by " (format!("{:.2}", c.rms_px)) "\u{a0}px."
                        }
                    }
                }
                main {
                    (to_redo(c))
                    div.rig {
                        (joint_error(c.joint_error.as_ref()))
                        (world(c))
                    }
                    (phone(c, Phone::Left))
                    (phone(c, Phone::Right))
                    p.note {
                        "Each dot is a corner of the board in one picture. Its line runs from where the rig puts the corner to where it was "
                        "seen, drawn longer as the scale says. Good pictures have short lines in all directions; long lines that point the "
                        "same way in one part of the picture mean that the board moved, the phone moved, or the lens is not known there."
                    }
                }
            }
        }
    };
    whole.into_string()
}

/// What only this page needs.
const OWN_STYLE: &str = ".rig { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 320px), 1fr)); gap: 12px; }\
 .seen svg { display: block; width: 100%; height: auto; background: #fff; border: 1px solid var(--line); }\
 .seen .legend i.dot { width: 9px; height: 9px; border-radius: 50%; }\
 figure.card.seen { margin: 0 0 12px; }\
 .redo b { color: var(--clay); }";

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Usable => "usable",
        Verdict::Refused => "refused: do not measure with it",
    }
}

/// Reasons with what to do; the parts of a picture that never showed the board are said at the phones.
fn to_redo(c: &Calibration) -> Markup {
    let reasons = &c.judgement.reasons;
    html! {
        @if reasons.is_empty() {
            section.card { h3 { "Nothing to redo" } p.note { "Leave the tripods where they are until the last pitch." } }
        } @else {
            section.card.warnings.redo {
                h3 { "What to redo" }
                ul {
                    @for reason in reasons {
                        li { (sentence(&reason.text)) " " b { (sentence(&reason.hint)) } }
                    }
                }
            }
        }
    }
}

/// Expected error of a joint, by direction.
fn joint_error(error: Option<&JointError>) -> Markup {
    html! {
        section.card {
            h3 { "How far off a joint at the mound may be" }
            @match error {
                None => p.note { "Not known: the pictures do not tell how sure the rig is." },
                Some(e) => {
                    table.single {
                        thead { tr { td {} @for axis in axes(e) { th { (axis) } } } }
                        (error_row("from the calibration alone", &e.calibration_mm))
                        (error_row(&format!("with joints found to {ASSUMED_JOINT_SD_PX:.0} px in each picture"), &e.with_joints_mm))
                    }
                    p.note { "Standard deviations of one joint in one frame, a metre above the rubber." }
                },
            }
        }
    }
}

fn axes(error: &JointError) -> [&'static str; 3] {
    if error.in_world {
        ["toward the plate", "up", "sideways"]
    } else {
        ["across LEFT's picture", "down it", "away from LEFT"]
    }
}

fn error_row(name: &str, mm: &[f64; 3]) -> Markup {
    html! {
        tr {
            th scope="row" { (name) }
            @for value in mm { td { (format!("{value:.1}")) "\u{a0}mm" } }
        }
    }
}

/// What gave the vertical and the target line.
fn world(c: &Calibration) -> Markup {
    html! {
        section.card {
            h3 { "Vertical and target line" }
            @match &c.world {
                Err(reason) => p { (sentence(&format!("not known: {reason}"))) " Tilts and directions will not be measurable." },
                Ok(w) => {
                    p {
                        @if w.marks > 0 { "From " (w.marks) " marks on the ground" @if w.standings > 0 { " and the upright board" } }
                        @else { "From the upright board, stood " (if w.standings == 1 { "once".to_owned() } else { format!("{} times", w.standings) }) }
                        ": vertical to ± " (format!("{:.1}", w.sd_tilt_deg)) "°, target line to ± " (format!("{:.1}", w.sd_yaw_deg)) "°."
                    }
                    @if w.marks == 0 && w.standings < 3 {
                        p.note { "Set the board down anew three to five times: each time it leans a little, and the mean leans less." }
                    }
                },
            }
        }
    }
}

/// One phone's picture with every corner seen.
fn phone(c: &Calibration, phone: Phone) -> Markup {
    let (camera, boards) = (c.rig.camera(phone), &c.boards[phone as usize]);
    let lens = &c.lenses[phone as usize];
    let whose = if phone == Phone::Left { "LEFT" } else { "RIGHT" };
    let times = (ARROW_SHARE * f64::from(camera.width_px) / lens.rms_px.max(1e-3)).clamp(1.0, MOST_TIMES);
    let empty = unseen_parts(boards, camera);
    html! {
        figure.card.seen {
            figcaption {
                b { (whose) " phone: where it saw the board" }
                span.legend {
                    span { i.dot style=(format!("background:{FROM_BOTH}")) {} "seen by both" }
                    span { i.dot style=(format!("background:{FROM_ONE}")) {} "by this phone alone" }
                    span { i.dot style=(format!("background:{FROM_POOR}")) {} "misses much, or left out" }
                }
            }
            (PreEscaped(picture(camera, boards, lens.rms_px, times, &empty)))
            p.note {
                (boards.len()) " pictures, " (camera.width_px) " x " (camera.height_px) " pixels; corners miss by "
                (format!("{:.2}", lens.rms_px)) "\u{a0}px"
                @if lens.max_slant_deg > 0.0 { ", board slanted up to " (format!("{:.0}", lens.max_slant_deg)) "°" }
                ". Lines are " (format!("{times:.0}")) " times as long as the miss."
            }
            @if !empty.is_empty() {
                p.note { b { (sentence(&format!("the board was never seen {}", places(&empty)))) } " Hold it there too, close to this phone; without that the lens is guessed there. It does no harm with a lens file." }
            }
            @if let Some(words) = poorest(boards, lens.rms_px) { p.note { (words) } }
        }
    }
}

/// The pictures that miss most, by number.
fn poorest(boards: &[SeenBoard], usual_px: f64) -> Option<String> {
    let mut poor: Vec<(usize, &SeenBoard)> = boards
        .iter()
        .enumerate()
        .filter(|(_, b)| b.rms_px > (POOR * usual_px).max(FINE_PX))
        .collect();
    poor.sort_by(|a, b| b.1.rms_px.total_cmp(&a.1.rms_px));
    let named: Vec<String> = poor
        .iter()
        .take(MOST_NAMED)
        .map(|(number, board)| format!("{} ({:.2} px)", number + 1, board.rms_px))
        .collect();
    (!named.is_empty()).then(|| {
        format!(
            "{} of {} pictures miss more than {POOR:.0} times the usual, most of all number {}. Hold the board still in each place.",
            poor.len(),
            boards.len(),
            named.join(", ")
        )
    })
}

/// Empty thirds of a picture in words.
fn places(parts: &[(usize, usize)]) -> String {
    let name = |&(column, row): &(usize, usize)| match (column, row) {
        (1, 1) => "in the middle".to_owned(),
        (_, 1) => format!("at the {} edge", ["left", "", "right"][column]),
        (1, _) => format!("at the {} edge", ["upper", "", "lower"][row]),
        _ => format!(
            "in the {} {} corner",
            ["upper", "", "lower"][row],
            ["left", "", "right"][column]
        ),
    };
    let names: Vec<String> = parts.iter().map(name).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The picture as SVG: empty thirds grey, corners as dots, misses as lines.
fn picture(
    camera: &Camera,
    boards: &[SeenBoard],
    usual_px: f64,
    times: f64,
    empty: &[(usize, usize)],
) -> String {
    let (width, height) = (f64::from(camera.width_px), f64::from(camera.height_px));
    let dot = width / 400.0;
    let mut svg = format!(
        "<svg viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"corners of the board in the picture\">"
    );
    // Writing to a String cannot fail.
    for (column, row) in empty {
        let (w, h) = (width / 3.0, height / 3.0);
        let _ = write!(
            svg,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{w:.1}\" height=\"{h:.1}\" fill=\"#fbe7c4\"/>",
            w * *column as f64,
            h * *row as f64
        );
    }
    let groups: [(&str, Box<Chosen<'_>>); 3] = [
        (FROM_ONE, Box::new(|b, c| !is_poor(b, c, usual_px) && !b.by_both)),
        (FROM_BOTH, Box::new(|b, c| !is_poor(b, c, usual_px) && b.by_both)),
        (FROM_POOR, Box::new(|b, c| is_poor(b, c, usual_px))),
    ];
    for (colour, chosen) in groups {
        let (mut dots, mut lines) = (String::new(), String::new());
        for board in boards {
            for corner in board.corners.iter().filter(|c| chosen(board, c)) {
                let (x, y) = (corner.at.x_px, corner.at.y_px);
                // A dot is a line of no length with round ends: one path for all.
                let _ = write!(dots, "M{x:.1} {y:.1}h0");
                let line = corner.miss_px * times;
                let _ = write!(lines, "M{x:.1} {y:.1}l{:.1} {:.1}", line.x, line.y);
            }
        }
        if !dots.is_empty() {
            let _ = write!(
                svg,
                "<path d=\"{lines}\" stroke=\"{colour}\" stroke-width=\"{:.2}\" fill=\"none\" opacity=\"0.7\"/>\
                 <path d=\"{dots}\" stroke=\"{colour}\" stroke-width=\"{:.2}\" stroke-linecap=\"round\" fill=\"none\"/>",
                dot / 2.0,
                1.6 * dot
            );
        }
    }
    // The scale: a miss of so much.
    let scale_px = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0]
        .into_iter()
        .find(|px| px * times > width / 40.0)
        .unwrap_or(5.0);
    let (x, y, size) = (width / 60.0, height - height / 30.0, width / 55.0);
    let _ = write!(
        svg,
        "<path d=\"M{x:.1} {y:.1}h{:.1}\" stroke=\"#1d2a33\" stroke-width=\"{:.2}\"/>\
         <text x=\"{:.1}\" y=\"{:.1}\" font-size=\"{size:.1}\" fill=\"#1d2a33\" font-family=\"sans-serif\">{scale_px} px</text></svg>",
        scale_px * times,
        dot,
        x + scale_px * times + size / 2.0,
        y + size / 3.0
    );
    svg
}

/// Which corners a group draws.
type Chosen<'a> = dyn Fn(&SeenBoard, &SeenCorner) -> bool + 'a;

fn is_poor(board: &SeenBoard, corner: &SeenCorner, usual_px: f64) -> bool {
    corner.left_out || board.rms_px > (POOR * usual_px).max(FINE_PX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn empty_parts_are_named_by_where_they_are() {
        assert_eq!(places(&[(0, 0)]), "in the upper left corner");
        assert_eq!(
            places(&[(1, 0), (2, 1), (2, 2)]),
            "at the upper edge, at the right edge and in the lower right corner"
        );
    }
}
