//! What can stand in the way of a calibration, in words that say what to redo.

use crate::calibrate::corners::Miss;
use crate::geometry::Phone;

/// Why no calibration could be made. Bad but computable calibrations are not errors: their verdict says `refused`.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrateError {
    /// The board's counts or sizes cannot be used.
    #[error(
        "the board of {cols} x {rows} inner corners cannot be used: {reason}; print the default board (9 x 6) or correct --squares"
    )]
    BoardUnfit {
        /// Inner corners along a row.
        cols: usize,
        /// Inner corners along a column.
        rows: usize,
        /// What is wrong.
        reason: &'static str,
    },
    /// One phone never saw the whole board.
    #[error("the {} phone never shows the whole board{}; {}", side(*phone), seen_instead(miss), show_instead(miss))]
    BoardNotSeen {
        /// Which phone.
        phone: Phone,
        /// What was mostly seen instead.
        miss: Option<Miss>,
    },
    /// Too few views for a lens.
    #[error("the {} phone shows the board in only {found} different views, {needed} are needed; show it close (1.5-3 m), in all parts of the picture, slanted to and fro", side(*phone))]
    TooFewViews {
        /// Which phone.
        phone: Phone,
        /// Views found.
        found: usize,
        /// Views needed.
        needed: usize,
    },
    /// No instant at which both phones saw the board.
    #[error(
        "the two phones never see the board at the same time; show it at the mound, turned half-way to both phones, and check that the recordings belong together"
    )]
    NoPairs,
    /// Both see a board, but no pose between the phones explains it.
    #[error(
        "the two phones' views of the board contradict each other (by {miss_px:.0} px); check that both recordings are of the same moment and the same board, and that neither phone was moved"
    )]
    PhonesDisagree {
        /// Median distance between what one phone saw and what the other says it should see, pixels.
        miss_px: f64,
    },
    /// The pose given does not explain what the phones saw.
    #[error(
        "the pose between the phones in the given file does not fit the board that both see (by {miss_px:.0} px); check that the file's first camera is LEFT, that it is of this set-up, and the length of its unit"
    )]
    PoseDisagrees {
        /// Median distance between what one phone saw and what the other says it should see, pixels.
        miss_px: f64,
    },
    /// The views agree when one phone's pictures are mirrored.
    #[error(
        "one of the two recordings is mirrored (a front camera or an app does that); switch mirroring off and record again"
    )]
    Mirrored,
    /// Too few marks of the ground.
    #[error(
        "{found} point of the ground is marked, two at least are needed: the middle of the rubber's front edge, and one straight toward home plate; give --ground once for each"
    )]
    TooFewMarks {
        /// Marks given.
        found: usize,
    },
    /// A mark's two views are not of one point.
    #[error(
        "mark {number} of the ground is not one point in both pictures: its lines of sight miss each other by {:.0} px; mark the same point in LEFT's and in RIGHT's picture, in that order, in pixels of the full-size picture", miss_px.min(9999.0)
    )]
    MarkApart {
        /// Which mark, from 1.
        number: usize,
        /// Root mean square miss in the pictures, pixels.
        miss_px: f64,
    },
    /// The target line is too short.
    #[error(
        "the first two marks of the ground are only {apart_m:.2} m apart; mark the middle of the rubber's front edge first, then a point some metres on toward home plate"
    )]
    MarksClose {
        /// Distance along the ground, metres.
        apart_m: f64,
    },
    /// The fit has no solution.
    #[error(
        "the board's views do not determine the phones' lenses and positions; record again with more different slants and distances"
    )]
    NotSolved,
    /// Pictures of different sizes in one film.
    #[error("a picture of {}x{} among pictures of {}x{}; record all with the same video mode and orientation", found.0, found.1, expected.0, expected.1)]
    PictureSize {
        /// Width and height so far, pixels.
        expected: (u32, u32),
        /// Width and height of the odd one, pixels.
        found: (u32, u32),
    },
    /// A lens file made for pictures of another size.
    #[error("the lens file of the {} phone is for pictures of {}x{}, the recording has {}x{}; use the video mode of the lens file or make a new one", side(*phone), lens.0, lens.1, film.0, film.1)]
    LensOfOtherSize {
        /// Which phone.
        phone: Phone,
        /// Width and height in the lens file, pixels.
        lens: (u32, u32),
        /// Width and height of the recording, pixels.
        film: (u32, u32),
    },
}

fn side(phone: Phone) -> &'static str {
    match phone {
        Phone::Left => "left",
        Phone::Right => "right",
    }
}

fn seen_instead(miss: &Option<Miss>) -> String {
    miss.map_or_else(String::new, |m| format!(" ({m})"))
}

fn show_instead(miss: &Option<Miss>) -> String {
    match miss {
        Some(Miss::OtherSize { cols, rows }) => {
            format!("if that is the board, give --squares {cols}x{rows} (inner corners, not squares)")
        }
        _ => "record again with the whole board in the picture, held still".to_owned(),
    }
}
