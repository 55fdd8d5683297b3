//! Chains: spots of one phone that move on evenly from frame to frame.

use nalgebra::Vector2;

use crate::ball::glimpses::Look;
use crate::ball::hand::Hand;

/// Frames in a row in which a chain may have no spot: the ball passes something as white as itself.
const MOST_SKIPPED: usize = 2;
/// How far the next spot may be from where an even motion puts it: pixels of a picture 1280 wide, and share of a frame's way.
const OFF_PX: f64 = 3.0;
const OFF_SHARE: f64 = 0.2;
/// A chain moves at least so much a frame, in the ball's diameters: slower things are no throw, seen from the side.
const LEAST_STEP: f64 = 0.4;
/// Most chains that are kept, the longest and most even first.
const MOST: usize = 60;

/// Indices of a spot: frame, and place in its list.
pub(crate) type SpotAt = (usize, usize);

/// Spots in order of time, one a frame at most.
#[derive(Clone, Debug)]
pub(crate) struct Chain {
    pub(crate) spots: Vec<SpotAt>,
    /// Sum of the misses of each spot from where the two before put it, pixels.
    roughness_px: f64,
}

/// The most promising chains of a look; chains of two only when nothing longer was found.
pub(crate) fn chains(look: &Look, hand: &Hand<'_>) -> Vec<Chain> {
    let mut found: Vec<Chain> = Vec::new();
    for first in 0..look.spots.len() {
        for second in first + 1..(first + 2 + MOST_SKIPPED).min(look.spots.len()) {
            for a in 0..look.spots[first].len() {
                for b in 0..look.spots[second].len() {
                    if let Some(chain) = grown(look, hand, [(first, a), (second, b)]) {
                        found.push(chain);
                    }
                }
            }
        }
    }
    found.sort_by(|a, b| {
        let length = b.spots.len().cmp(&a.spots.len());
        length.then(a.roughness_px.total_cmp(&b.roughness_px))
    });
    let mut kept: Vec<Chain> = Vec::new();
    for chain in found {
        if kept.len() == MOST {
            break;
        }
        let inside = |other: &Chain| chain.spots.iter().all(|s| other.spots.contains(s));
        if !kept.iter().any(inside) {
            kept.push(chain);
        }
    }
    kept
}

/// A chain from its first two spots on; `None` when these two are no step of a ball.
fn grown(look: &Look, hand: &Hand<'_>, start: [SpotAt; 2]) -> Option<Chain> {
    let at = |s: SpotAt| look.spots[s.0][s.1].at.vector();
    let time = |s: SpotAt| look.time_s(s.0, look.spots[s.0][s.1].at);
    let frame_s = 1.0 / look.sight.rate_hz;
    let speed = |a: SpotAt, b: SpotAt| (at(b) - at(a)) / (time(b) - time(a));
    let first = speed(start[0], start[1]);
    // Seen from any side, the ball cannot cross more of the picture than at right angles to the line of sight.
    let most_step = hand.speeds_m_s().1 * frame_s / super::BALL_DIAMETER_M * look.ball_px * 1.5;
    let step = first.norm() * frame_s;
    if step > most_step || step < LEAST_STEP * look.ball_px {
        return None;
    }
    let mut chain = Chain {
        spots: start.to_vec(),
        roughness_px: 0.0,
    };
    let scale = f64::from(look.sight.camera.width_px) / 1280.0;
    let mut moving: Vector2<f64> = first;
    let mut last = start[1];
    let mut frame = last.0 + 1;
    while frame < look.spots.len() && frame - last.0 <= 1 + MOST_SKIPPED {
        let frames_on = (frame - last.0) as f64;
        let allowed = OFF_PX * scale + OFF_SHARE * step * frames_on;
        let best = (0..look.spots[frame].len())
            .map(|i| (frame, i))
            .map(|s| (s, (at(s) - at(last) - moving * (time(s) - time(last))).norm()))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, miss)| *miss <= allowed);
        if let Some((spot, miss)) = best {
            moving = speed(last, spot);
            chain.roughness_px += miss;
            chain.spots.push(spot);
            last = spot;
        }
        frame += 1;
    }
    Some(chain)
}
