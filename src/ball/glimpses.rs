//! The pictures about release, one phone: only the part in which the ball may be, and only how white it is.

use crate::ball::hand::Hand;
use crate::ball::spots::{self, Spot};
use crate::ball::{Sight, Unseen};
use crate::geometry::PixelPoint;
use crate::ingest::{Frame, IngestError};
use crate::picture::Picture;

/// Room round the part of the picture that is kept, pixels.
const ROOM_PX: f64 = 24.0;

/// Part of one picture: brightness less colourfulness, which sets a white ball off from sky, grass, dirt and skin.
#[derive(Clone, Debug)]
pub(crate) struct Whiteness {
    pub(crate) left: usize,
    pub(crate) top: usize,
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Row by row.
    pub(crate) values: Vec<i16>,
}

/// One frame about release.
#[derive(Clone, Debug)]
pub(crate) struct Glimpse {
    /// Presentation time, counted from LEFT's first frame, on the phone's own clock, seconds.
    pub(crate) pts_s: f64,
    pub(crate) part: Whiteness,
}

/// What one phone saw about release.
#[derive(Clone, Debug)]
pub struct Look {
    pub(crate) sight: Sight,
    pub(crate) glimpses: Vec<Glimpse>,
    /// Spots of each glimpse that may be the ball; none in those without pictures to compare with.
    pub(crate) spots: Vec<Vec<Spot>>,
    /// Diameter of the ball at release, pixels.
    pub(crate) ball_px: f64,
}

/// Columns and rows of a picture.
#[derive(Clone, Copy, Debug)]
struct Part {
    left: usize,
    top: usize,
    width: usize,
    height: usize,
}

/// Looks for what may be the ball in one phone's frames about release (those that [`Hand::wants`]); memory holds the few
/// frames' parts.
///
/// # Errors
/// When a frame cannot be read, or the hand is behind the phone.
pub fn look(
    frames: impl Iterator<Item = Result<Frame, IngestError>>,
    hand: &Hand<'_>,
    sight: &Sight,
) -> Result<Look, Unseen> {
    let ball_px = hand.ball_px(sight).ok_or(Unseen::NoHand)?;
    let part = part_to_keep(hand, sight);
    let mut glimpses = Vec::new();
    for frame in frames {
        let frame = frame.map_err(|error| Unseen::Video {
            why: error.to_string(),
        })?;
        if let Some(part) = part {
            glimpses.push(Glimpse {
                pts_s: (frame.pts - sight.zero).0,
                part: whiteness(&frame.picture, part),
            });
        }
    }
    let mut look = Look {
        sight: *sight,
        spots: Vec::new(),
        glimpses,
        ball_px,
    };
    look.spots = (0..look.glimpses.len())
        .map(|frame| look.candidates(hand, frame))
        .collect();
    Ok(look)
}

impl Look {
    /// The instant of an image point of a glimpse, on LEFT's clock, seconds.
    pub(crate) fn time_s(&self, frame: usize, at: PixelPoint) -> f64 {
        self.glimpses[frame].pts_s + self.sight.shutter.delay(at).0 + self.sight.shift_s
    }

    fn candidates(&self, hand: &Hand<'_>, frame: usize) -> Vec<Spot> {
        let middle_s = self.glimpses[frame].pts_s + self.sight.shutter.middle_delay().0 + self.sight.shift_s;
        let Some(gate) = hand.gate(&self.sight, middle_s) else {
            return Vec::new();
        };
        let mut found = spots::moved(&self.glimpses, frame, None, spots::CLEAR);
        found.retain(|spot| {
            spot.is_ball_sized(self.ball_px) && spot.at.distance_px(gate.centre) <= gate.radius_px
        });
        found.sort_by(|a, b| b.mass.total_cmp(&a.mass));
        found.truncate(spots::MOST);
        found
    }
}

/// The box around all places where the ball may be while it is looked for.
fn part_to_keep(hand: &Hand<'_>, sight: &Sight) -> Option<Part> {
    let (from, to) = hand.span(sight);
    let mut bounds: Option<[f64; 4]> = None;
    for i in 0..=20 {
        let own_s = from.0 + (to.0 - from.0) * f64::from(i) / 20.0;
        let time_s = own_s - sight.zero.0 + sight.shutter.middle_delay().0 + sight.shift_s;
        if let Some(gate) = hand.gate(sight, time_s) {
            let (x, y, r) = (gate.centre.x_px, gate.centre.y_px, gate.radius_px + ROOM_PX);
            let b = bounds.get_or_insert([f64::MAX, f64::MAX, f64::MIN, f64::MIN]);
            *b = [b[0].min(x - r), b[1].min(y - r), b[2].max(x + r), b[3].max(y + r)];
        }
    }
    let [left, top, right, bottom] = bounds?;
    // Chroma has half the rows and columns: the part starts at an even one.
    let edge = |v: f64, most: u32| v.clamp(0.0, f64::from(most)) as usize & !1;
    let (x0, x1) = (
        edge(left, sight.camera.width_px),
        edge(right, sight.camera.width_px),
    );
    let (y0, y1) = (
        edge(top, sight.camera.height_px),
        edge(bottom, sight.camera.height_px),
    );
    (x1 > x0 && y1 > y0).then_some(Part {
        left: x0,
        top: y0,
        width: x1 - x0,
        height: y1 - y0,
    })
}

fn whiteness(picture: &Picture, part: Part) -> Whiteness {
    // A picture of another size than the camera's never gets here; one that is smaller is cut short.
    let width = part.width.min(picture.width().saturating_sub(part.left));
    let height = part.height.min(picture.height().saturating_sub(part.top));
    let mut values = Vec::with_capacity(width * height);
    for y in part.top..part.top + height {
        for x in part.left..part.left + width {
            let chroma = |plane: &crate::picture::Grey| {
                (i16::from(plane.data[(y / 2) * plane.width + x / 2]) - 128).abs()
            };
            values.push(i16::from(picture.luma.at(x, y)) - chroma(&picture.cb) - chroma(&picture.cr));
        }
    }
    Whiteness {
        left: part.left,
        top: part.top,
        width,
        height,
        values,
    }
}
