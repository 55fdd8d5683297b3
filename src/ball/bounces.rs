//! The ball of one drop, followed exactly through one phone's pictures: down, off the ground, up again.
//!
//! The pictures of the drop are read once more, only the part about its path. What is there without the ball is each pixel's
//! median over them. The ball is what differs from that; a pixel counts as covered once it differs clearly, whether it is
//! brighter or darker, so that the middle is that of the outline and not that of the ball's lit side.

use nalgebra::Vector2;

use crate::ball::Unseen;
use crate::ball::drops::Drop;
use crate::geometry::{Phone, PixelPoint};
use crate::ingest::{Frame, IngestError};
use crate::picture::Picture;
use crate::sync::Spot;
use crate::units::Seconds;

/// Pictures are read from this long before a fall is first seen, and until this long after it ends, seconds.
const BEFORE_S: f64 = 0.30;
const AFTER_S: f64 = 0.75;
/// Pictures of which the still background is the median.
const BACKGROUNDS: usize = 41;
/// Room about the path, in the ball's diameters.
const ROOM: f64 = 4.0;
/// The ball is looked for within this of where it is expected, in its diameters, and this share of its way in a frame.
const REACH: f64 = 0.95;
const REACH_WAY: f64 = 0.7;
/// The ball's middle is taken within this of itself, in its diameters.
const AROUND: f64 = 0.85;
/// What is covered over the area of a disc, least and most; and the most of it just around the ball: a leg, a shadow.
const COVERED: (f64, f64) = (0.4, 2.0);
const MOST_AROUND: f64 = 0.35;
/// Differences from the background that do not count, in their own median and in steps of brightness; and from which on a
/// pixel is covered whole, as a multiple.
const NOISE_MEDIANS: f64 = 4.0;
const LEAST_STEPS: f64 = 14.0;
const WHOLE: f64 = 2.0;
/// Frames in a row without the ball after which it is lost.
const MOST_LOST: usize = 8;
/// How far the ball must be seen to rise again, in its diameters, at most from its lowest place.
const RISE: f64 = 0.7;
/// Standard deviation of the found middle, pixels: a share of the ball's diameter, and no less than this.
const SD_SHARE: f64 = 0.02;
const LEAST_SD_PX: f64 = 0.15;

/// What one phone saw of a drop.
#[derive(Clone, Debug)]
pub(crate) struct Bounce {
    /// The ball, frame by frame; times are presentation times less `zero`.
    pub(crate) spots: Vec<Spot>,
    /// Whether it was seen to rise again after its lowest place.
    pub(crate) turned: bool,
}

impl Drop {
    /// First and last presentation time of the pictures to read, on the phone's own clock.
    pub(crate) fn span(&self, phone: Phone) -> (Seconds, Seconds) {
        let fall = &self.falls[phone as usize];
        let from_s = fall.from_s.min(fall.began_s().max(fall.from_s - BEFORE_S)) - 0.02;
        (Seconds(from_s), Seconds(fall.to_s + AFTER_S))
    }

    /// Follows the ball through one phone's pictures of the drop ([`Drop::span`]).
    ///
    /// # Errors
    /// When a frame cannot be read.
    pub(crate) fn follow(
        &self,
        phone: Phone,
        frames: impl Iterator<Item = Result<Frame, IngestError>>,
        zero: Seconds,
    ) -> Result<Bounce, Unseen> {
        let mut parts: Vec<Part> = Vec::new();
        for frame in frames {
            let frame = frame.map_err(|error| Unseen::Video {
                why: error.to_string(),
            })?;
            parts.push(self.part(phone, frame.pts, &frame.picture));
        }
        let Some(still) = background(&parts) else {
            return Ok(Bounce {
                spots: Vec::new(),
                turned: false,
            });
        };
        let found = self.followed(phone, &parts, &still);
        let sd_px = (SD_SHARE * self.ball_px[phone as usize]).max(LEAST_SD_PX);
        let lowest = found.iter().map(|f| f.1.y).fold(f64::NEG_INFINITY, f64::max);
        let after = found.iter().skip_while(|f| f.1.y < lowest);
        let highest = after.map(|f| f.1.y).fold(f64::INFINITY, f64::min);
        Ok(Bounce {
            turned: lowest - highest >= RISE * self.ball_px[phone as usize],
            spots: found
                .into_iter()
                .map(|(pts, at)| Spot {
                    pts: pts - zero,
                    at: PixelPoint::from(at),
                    sd_px,
                })
                .collect(),
        })
    }

    /// The part of a picture about the path.
    fn part(&self, phone: Phone, pts: Seconds, picture: &Picture) -> Part {
        let fall = &self.falls[phone as usize];
        let room = ROOM * self.ball_px[phone as usize];
        let (from, to) = self.span(phone);
        let ends = [from.0.max(fall.began_s()), fall.to_s, to.0].map(|t| fall.at(t));
        let least = |f: fn(&Vector2<f64>) -> f64| ends.iter().map(f).fold(f64::INFINITY, f64::min) - room;
        let most = |f: fn(&Vector2<f64>) -> f64| ends.iter().map(f).fold(f64::NEG_INFINITY, f64::max) + room;
        let edge = |v: f64, size: usize| v.clamp(0.0, size as f64) as usize;
        let (left, right) = (
            edge(least(|p| p.x), picture.width()),
            edge(most(|p| p.x), picture.width()),
        );
        // Below the ground there is nothing: the parabola goes on where the ball turns back.
        let (top, bottom) = (
            edge(least(|p| p.y), picture.height()),
            edge(ends[1].y + 1.5 * room, picture.height()),
        );
        let mut values = Vec::with_capacity((right - left) * (bottom - top));
        for y in top..bottom {
            for x in left..right {
                let chroma = |plane: &crate::picture::Grey| plane.data[(y / 2) * plane.width + x / 2];
                values.push([picture.luma.at(x, y), chroma(&picture.cb), chroma(&picture.cr)]);
            }
        }
        Part {
            pts,
            left,
            top,
            width: right - left,
            values,
        }
    }

    /// The ball's middle in every part in which it stands clear.
    fn followed(&self, phone: Phone, parts: &[Part], still: &[[u8; 3]]) -> Vec<(Seconds, Vector2<f64>)> {
        let fall = &self.falls[phone as usize];
        let ball_px = self.ball_px[phone as usize];
        let mut found: Vec<(Seconds, Vector2<f64>)> = Vec::new();
        let mut lost = 0;
        for part in parts.iter().filter(|p| p.pts.0 >= fall.began_s()) {
            let expected = match found.last() {
                _ if part.pts.0 <= fall.to_s => fall.at(part.pts.0),
                None => continue,
                Some((last_s, last)) => {
                    // Where it goes on to; at the ground it goes elsewhere, but not far.
                    let before = found.len().checked_sub(3).map(|i| found[i]);
                    let speed = before.map_or_else(Vector2::zeros, |(t, at)| (last - at) / (*last_s - t).0);
                    last + speed * (part.pts - *last_s).0
                }
            };
            let way = found.last().map_or(0.0, |(_, last)| (expected - last).norm());
            let reach = REACH * ball_px + REACH_WAY * way;
            match part.ball_at(still, expected, reach, ball_px) {
                Some(at) => {
                    tracing::trace!(
                        phone = phone as usize,
                        pts_s = part.pts.0,
                        x_px = at.x,
                        y_px = at.y,
                        "ball"
                    );
                    found.push((part.pts, at));
                    lost = 0;
                }
                None if part.pts.0 > fall.to_s => lost += 1,
                None => {}
            }
            if lost > MOST_LOST {
                break;
            }
        }
        found
    }
}

/// Part of one picture: luma and both chromas of each pixel.
struct Part {
    pts: Seconds,
    left: usize,
    top: usize,
    width: usize,
    values: Vec<[u8; 3]>,
}

/// Each pixel's median over pictures spread over the drop; `None` without pictures of one size.
fn background(parts: &[Part]) -> Option<Vec<[u8; 3]>> {
    let first = parts.first()?;
    if first.values.is_empty() || parts.iter().any(|p| p.values.len() != first.values.len()) {
        return None;
    }
    let step = (parts.len() / BACKGROUNDS).max(1);
    let chosen: Vec<&Part> = parts.iter().step_by(step).collect();
    let mut column = vec![0_u8; chosen.len()];
    Some(
        (0..first.values.len())
            .map(|i| {
                std::array::from_fn(|channel| {
                    for (value, part) in column.iter_mut().zip(&chosen) {
                        *value = part.values[i][channel];
                    }
                    let middle = column.len() / 2;
                    *column.select_nth_unstable(middle).1
                })
            })
            .collect(),
    )
}

impl Part {
    /// How far a pixel is from the still background, steps of brightness and colour together.
    fn change(&self, still: &[[u8; 3]], i: usize) -> f64 {
        self.values[i]
            .iter()
            .zip(&still[i])
            .map(|(a, b)| f64::from(a.abs_diff(*b)))
            .sum()
    }

    /// The middle of what covers the background near a place, if it is as large as the ball and stands clear.
    fn ball_at(
        &self,
        still: &[[u8; 3]],
        expected: Vector2<f64>,
        reach: f64,
        ball_px: f64,
    ) -> Option<Vector2<f64>> {
        let mut changes: Vec<f64> = (0..self.values.len())
            .step_by(5)
            .map(|i| self.change(still, i))
            .collect();
        let middle = changes.len() / 2;
        let usual = *changes.select_nth_unstable_by(middle, f64::total_cmp).1;
        let least = (NOISE_MEDIANS * usual).max(LEAST_STEPS);
        let cover = |i: usize| {
            let beyond = (self.change(still, i) - least) / (WHOLE * least - least);
            beyond.clamp(0.0, 1.0)
        };
        let mut at = expected;
        for radius in [reach, AROUND * ball_px, AROUND * ball_px, AROUND * ball_px] {
            at = self.covered(at, radius, &cover)?.1;
        }
        let (area, at) = self.covered(at, AROUND * ball_px, &cover)?;
        let wider = self.covered(at, 1.5 * AROUND * ball_px, &cover)?.0;
        let disc = std::f64::consts::PI / 4.0 * ball_px * ball_px;
        ((COVERED.0 * disc..=COVERED.1 * disc).contains(&area) && wider - area <= MOST_AROUND * area)
            .then_some(at)
    }

    /// Covered area within a circle that lies in the part, and its middle.
    fn covered(
        &self,
        at: Vector2<f64>,
        radius: f64,
        cover: &impl Fn(usize) -> f64,
    ) -> Option<(f64, Vector2<f64>)> {
        let height = self.values.len() / self.width.max(1);
        let (x, y) = (at.x - self.left as f64, at.y - self.top as f64);
        let inside = |v: f64, size: usize| v - radius >= 0.0 && v + radius <= size as f64 - 1.0;
        if !inside(x, self.width) || !inside(y, height) {
            return None;
        }
        let (mut area, mut sum) = (0.0, Vector2::zeros());
        for row in (y - radius).ceil() as usize..=(y + radius) as usize {
            for column in (x - radius).ceil() as usize..=(x + radius) as usize {
                let off = Vector2::new(column as f64 - x, row as f64 - y);
                // A soft edge: what enters the circle does so little by little.
                let share = (radius + 0.5 - off.norm()).clamp(0.0, 1.0);
                if share > 0.0 {
                    let weight = share * cover(row * self.width + column);
                    area += weight;
                    sum += off * weight;
                }
            }
        }
        (area > 0.0).then(|| (area, at + sum / area))
    }
}
