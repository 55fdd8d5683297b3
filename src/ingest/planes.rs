//! Planes of a decoded frame into a picture, turned as displayed.

use crate::geometry::QuarterTurns;
use crate::picture::Grey;

/// Copies a plane out of a buffer whose rows are `stride` bytes apart and turns it; `None` when the buffer is shorter
/// than the size claims.
pub(in crate::ingest) fn turned(
    data: &[u8],
    stride: usize,
    width: usize,
    height: usize,
    turns: QuarterTurns,
) -> Option<Grey> {
    if width == 0 || height == 0 || stride < width || data.len() < stride * (height - 1) + width {
        return None;
    }
    let rows = || data.chunks(stride).take(height).map(|row| &row[..width]);
    let (out_width, out_height) = match turns {
        QuarterTurns::Zero | QuarterTurns::Two => (width, height),
        QuarterTurns::One | QuarterTurns::Three => (height, width),
    };
    let mut out = Vec::with_capacity(width * height);
    match turns {
        QuarterTurns::Zero => rows().for_each(|row| out.extend_from_slice(row)),
        QuarterTurns::Two => {
            rows().for_each(|row| out.extend_from_slice(row));
            out.reverse();
        }
        QuarterTurns::One | QuarterTurns::Three => {
            out.resize(width * height, 0);
            turn_quarter(data, stride, width, height, turns, &mut out);
        }
    }
    Some(Grey {
        width: out_width,
        height: out_height,
        data: out,
    })
}

/// Side of the square tiles in which a quarter turn is made, so that reads and writes both stay in the cache.
const TILE: usize = 32;

fn turn_quarter(
    data: &[u8],
    stride: usize,
    width: usize,
    height: usize,
    turns: QuarterTurns,
    out: &mut [u8],
) {
    let clockwise = turns == QuarterTurns::One;
    for top in (0..height).step_by(TILE) {
        for left in (0..width).step_by(TILE) {
            for x in left..(left + TILE).min(width) {
                for y in top..(top + TILE).min(height) {
                    // Clockwise: the stored top row becomes the displayed right column.
                    let to = if clockwise {
                        x * height + (height - 1 - y)
                    } else {
                        (width - 1 - x) * height + y
                    };
                    out[to] = data[y * stride + x];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two rows of three, in a buffer with a byte of padding per row.
    const STORED: [u8; 8] = [1, 2, 3, 99, 4, 5, 6, 99];

    fn displayed(turns: QuarterTurns) -> (usize, Vec<u8>) {
        let grey = turned(&STORED, 4, 3, 2, turns).unwrap();
        (grey.width, grey.data)
    }

    #[test]
    fn quarter_turns_are_clockwise() {
        assert_eq!(displayed(QuarterTurns::Zero), (3, vec![1, 2, 3, 4, 5, 6]));
        assert_eq!(displayed(QuarterTurns::One), (2, vec![4, 1, 5, 2, 6, 3]));
        assert_eq!(displayed(QuarterTurns::Two), (3, vec![6, 5, 4, 3, 2, 1]));
        assert_eq!(displayed(QuarterTurns::Three), (2, vec![3, 6, 2, 5, 1, 4]));
    }

    #[test]
    fn a_buffer_that_is_too_short_is_refused() {
        assert!(turned(&STORED[..6], 4, 3, 2, QuarterTurns::Zero).is_none());
        assert!(turned(&STORED, 2, 3, 2, QuarterTurns::Zero).is_none());
    }
}
