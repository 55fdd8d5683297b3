//! Clocks from dropped balls: what was seen in the whole recording, read again about each drop, becomes one offset.

use crate::ball::bounces::Bounce;
use crate::ball::drops::{Drop, drops};
use crate::ball::falls::falls;
use crate::ball::plumb::{Plumb, plumb};
use crate::ball::watch::FallWatch;
use crate::geometry::{Phone, Shutter, StereoRig};
use crate::ingest::Clip;
use crate::sync::{DropViews, MotionOffset, MotionSearch, Spot, SyncError, offset_from_drop};
use crate::units::Seconds;

/// A drop tells the offset beforehand to better than this, seconds.
const ABOUT_S: f64 = 0.022;

/// Fewest frames of each phone in which something that falls must stand clear and be as large as a ball, to be taken for one.
const FEWEST: usize = 20;

/// The offset between the clocks from balls dropped in view of both phones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DropClock {
    /// The offset with its doubt.
    pub found: MotionOffset,
    /// How many drops it rests on.
    pub drops: usize,
    /// Which way is down, by the same balls.
    pub plumb: Option<Plumb>,
}

/// Why dropped balls do not tell the offset.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoDrop {
    /// Nobody dropped one.
    #[error("no ball was dropped in view of both phones")]
    NotSeen,
    /// It fell, but its way up again was not seen.
    #[error(
        "a ball was dropped {at_s:.1} s into LEFT's recording, but both phones did not see it bounce clear of everything else"
    )]
    NoBounce {
        /// When, on LEFT's clock from its first frame, seconds.
        at_s: f64,
    },
    /// The videos.
    #[error("the video could not be read again about the drop: {why}")]
    Video {
        /// What the reader said.
        why: String,
    },
    /// The two views of the ball do not fix the clocks.
    #[error("a ball was dropped {at_s:.1} s into LEFT's recording, but it does not fix the clocks: {why}")]
    Unfit {
        /// When, on LEFT's clock from its first frame, seconds.
        at_s: f64,
        /// What stood in the way.
        why: SyncError,
    },
}

/// The offset from all balls dropped in a recording, where both phones saw them fall and bounce; only the pictures about
/// the drops are read again.
///
/// # Errors
/// [`NoDrop`], with the reason.
pub fn clock_from_drops(
    clips: &[Clip; 2],
    watches: &[FallWatch; 2],
    rig: &StereoRig,
    shutters: &[Shutter; 2],
    search: &MotionSearch,
) -> Result<DropClock, NoDrop> {
    let seen = [Phone::Left, Phone::Right].map(|phone| {
        let camera = rig.camera(phone);
        falls(
            &watches[phone as usize],
            (camera.fx_px * camera.fy_px).sqrt(),
            clips[phone as usize].info.rate_hz,
        )
    });
    let dropped = drops([&seen[0], &seen[1]], rig, search.centre_s, search.half_width_s);
    tracing::info!(
        left = seen[0].len(),
        right = seen[1].len(),
        drops = dropped.len(),
        "falls"
    );
    let first = dropped.first().ok_or(NoDrop::NotSeen)?;
    let zero = clips[0].info.start;
    let mut seen_s = None;
    let mut used = Vec::new();
    let mut followed_to = Seconds(f64::NEG_INFINITY);
    for drop in &dropped {
        // The fall after a bounce belongs to the drop before it.
        if drop.landed_s() - zero.0 < followed_to.0 {
            continue;
        }
        let [left, right] = followed(drop, clips)?;
        tracing::info!(
            at_s = drop.landed_s() - zero.0,
            offset_s = drop.offset_s,
            frames = ?[left.spots.len(), right.spots.len()],
            turned = ?[left.turned, right.turned],
            "drop"
        );
        if left.spots.len().min(right.spots.len()) < FEWEST {
            continue;
        }
        seen_s.get_or_insert(drop.landed_s() - zero.0);
        if left.turned && right.turned {
            followed_to = left.spots.last().map_or(followed_to, |spot| spot.pts);
            used.push(([left.spots, right.spots], drop.about_m));
        }
    }
    let at_s = seen_s.ok_or(NoDrop::NotSeen)?;
    if used.is_empty() {
        return Err(NoDrop::NoBounce { at_s });
    }
    let all =
        |phone: usize| -> Vec<Spot> { used.iter().flat_map(|(spots, _)| spots[phone].clone()).collect() };
    let (left, right) = (all(0), all(1));
    let views = DropViews {
        left: &left,
        right: &right,
        rig,
        left_shutter: &shutters[0],
        right_shutter: &shutters[1],
    };
    let about = MotionSearch {
        centre_s: first.offset_s,
        half_width_s: ABOUT_S,
        ..*search
    };
    let found = offset_from_drop(&views, &about).map_err(|why| NoDrop::Unfit { at_s, why })?;
    Ok(DropClock {
        plumb: plumb(&used, rig, shutters, found.clock.offset_s),
        drops: used.len(),
        found,
    })
}

/// One drop in both phones' pictures.
fn followed(drop: &Drop, clips: &[Clip; 2]) -> Result<[Bounce; 2], NoDrop> {
    let one = |phone: Phone| -> Result<Bounce, NoDrop> {
        let video = |error: &dyn std::fmt::Display| NoDrop::Video {
            why: error.to_string(),
        };
        let (from, to) = drop.span(phone);
        let frames = clips[phone as usize]
            .frames_between(from, to)
            .map_err(|e| video(&e))?;
        drop.follow(phone, frames, clips[0].info.start)
            .map_err(|e| video(&e))
    };
    let (left, right) = rayon::join(|| one(Phone::Left), || one(Phone::Right));
    Ok([left?, right?])
}
