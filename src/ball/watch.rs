//! A watch kept on a whole recording, beside its detection: in every picture, shrunk, small spots that are there now and
//! neither a little earlier nor a little later. It costs a little of each frame that is decoded anyway, and keeps numbers
//! only.

use std::collections::VecDeque;

use crate::ball::glimpses::Whiteness;
use crate::ball::spots::{self, Threshold};
use crate::picture::Picture;
use crate::units::Seconds;

/// Width that pictures are shrunk to, about, pixels: a ball ten metres off is still three pixels wide.
const SHRUNK_WIDTH_PX: usize = 640;
/// A picture is compared with those this long before and after it, seconds: a ball that falls faster than 3 m/s is then off
/// its place.
const GAP_S: f64 = 0.025;
/// Threshold of a spot.
const CLEAR: Threshold = Threshold {
    deviations: 6.0,
    least: 10.0,
};
/// Least and most extent of a spot, shrunk pixels: a ball from twelve metres to two.
const WIDE_PX: (f64, f64) = (1.0, 18.0);
const LONG_PX: f64 = 26.0;
/// Most spots that are kept of one picture, the heaviest first.
const MOST: usize = 30;

/// A spot of one picture, in the pixels of the video.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SmallSpot {
    pub(crate) x_px: f32,
    pub(crate) y_px: f32,
    /// Its longest extent.
    pub(crate) long_px: f32,
}

/// What moved in one picture.
#[derive(Clone, Debug)]
pub(crate) struct Seen {
    /// Presentation time on the phone's own clock.
    pub(crate) pts: Seconds,
    pub(crate) spots: Vec<SmallSpot>,
}

/// The watch over one phone's recording: give it every picture in order.
#[derive(Clone, Debug)]
pub struct FallWatch {
    gap: usize,
    shrunk: VecDeque<(Seconds, Whiteness)>,
    /// How many pixels of the video one shrunk pixel is wide.
    pub(crate) shrink: usize,
    pub(crate) seen: Vec<Seen>,
}

impl FallWatch {
    /// A watch over a recording of this rate, hertz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        Self {
            gap: (GAP_S * rate_hz).round().max(1.0) as usize,
            shrunk: VecDeque::new(),
            shrink: 1,
            seen: Vec::new(),
        }
    }

    /// Looks at the next picture.
    pub fn look(&mut self, pts: Seconds, picture: &Picture) {
        self.shrink = (picture.width() / SHRUNK_WIDTH_PX).max(1);
        self.shrunk.push_back((pts, shrunk(picture, self.shrink)));
        let many = 2 * self.gap + 1;
        if self.shrunk.len() > many {
            self.shrunk.pop_front();
        }
        if self.shrunk.len() < many {
            return;
        }
        let three = [0, self.gap, 2 * self.gap].map(|i| &self.shrunk[i].1);
        let mut found = spots::moved_anywhere(three, CLEAR);
        found.retain(|spot| {
            (WIDE_PX.0..=WIDE_PX.1).contains(&spot.wide_px.max(1.0)) && spot.long_px <= LONG_PX && !spot.cut
        });
        found.sort_by(|a, b| b.mass.total_cmp(&a.mass));
        found.truncate(MOST);
        // The middle of a shrunk pixel is that of the pixels it stands for.
        let scale = self.shrink as f64;
        let whole = |v: f64| ((v + 0.5) * scale - 0.5) as f32;
        self.seen.push(Seen {
            pts: self.shrunk[self.gap].0,
            spots: found
                .iter()
                .map(|spot| SmallSpot {
                    x_px: whole(spot.at.x_px),
                    y_px: whole(spot.at.y_px),
                    long_px: (spot.long_px * scale) as f32,
                })
                .collect(),
        });
    }
}

/// Mean brightness of blocks of pixels, less colourfulness.
fn shrunk(picture: &Picture, by: usize) -> Whiteness {
    let (width, height) = (picture.width() / by, picture.height() / by);
    let mut values = Vec::with_capacity(width * height);
    let mut sums = vec![0_u32; width];
    for y in 0..height {
        sums.fill(0);
        for row in y * by..(y + 1) * by {
            let start = row * picture.width();
            let line = &picture.luma.data[start..start + width * by];
            for (sum, block) in sums.iter_mut().zip(line.chunks_exact(by)) {
                *sum += block.iter().map(|v| u32::from(*v)).sum::<u32>();
            }
        }
        let chroma_row = (y * by + by / 2) / 2 * picture.cb.width;
        let many = (by * by) as u32;
        for (x, sum) in sums.iter().enumerate() {
            let i = chroma_row + (x * by + by / 2) / 2;
            let colour = |plane: &crate::picture::Grey| (i16::from(plane.data[i]) - 128).abs();
            values.push((sum / many) as i16 - colour(&picture.cb) - colour(&picture.cr));
        }
    }
    Whiteness {
        left: 0,
        top: 0,
        width,
        height,
        values,
    }
}
