//! What one phone's recording showed of the board: a compact list of sightings, so that the pictures need not be kept.

use rayon::prelude::*;

use crate::calibrate::CalibrateError;
use crate::calibrate::board::Board;
use crate::calibrate::corners::{BoardView, Miss, find_board, median};
use crate::geometry::Phone;
use crate::picture::Grey;
use crate::units::Seconds;

/// Sightings farther apart in time than this tell nothing of motion, seconds.
const MAX_GAP_S: f64 = 0.35;

/// The board in one picture of a film or folder.
#[derive(Clone, Debug)]
pub struct Sighting {
    /// Which picture, from 0: pairs folders of pictures.
    pub picture: usize,
    /// The picture's middle instant on its phone's clock; `None` for loose pictures.
    pub time: Option<Seconds>,
    /// The corners.
    pub view: BoardView,
}

/// All sightings of one phone, in order.
#[derive(Clone, Debug)]
pub struct Film {
    /// Picture width, pixels.
    pub width_px: u32,
    /// Picture height, pixels.
    pub height_px: u32,
    /// Frame rate of the recording; `None` for loose pictures.
    pub rate_hz: Option<f64>,
    /// Pictures with the whole board.
    pub sightings: Vec<Sighting>,
    /// Reasons of the pictures without.
    pub misses: Vec<Miss>,
}

impl Film {
    /// An empty film of pictures of one size.
    #[must_use]
    pub fn new(width_px: u32, height_px: u32, rate_hz: Option<f64>) -> Self {
        Self {
            width_px,
            height_px,
            rate_hz,
            sightings: Vec::new(),
            misses: Vec::new(),
        }
    }

    /// Looks for the board in the next pictures, on all cores; each comes with its number and instant.
    ///
    /// # Errors
    /// [`CalibrateError::PictureSize`] for a picture of another size than the film's; nothing is added then.
    pub fn look(
        &mut self,
        pictures: &[(usize, Option<Seconds>, Grey)],
        board: &Board,
    ) -> Result<(), CalibrateError> {
        for (_, _, picture) in pictures {
            if (picture.width, picture.height) != (self.width_px as usize, self.height_px as usize) {
                return Err(CalibrateError::PictureSize {
                    expected: self.size(),
                    found: (picture.width as u32, picture.height as u32),
                });
            }
        }
        let seen: Vec<_> = pictures
            .par_iter()
            .map(|(_, _, picture)| find_board(picture, board))
            .collect();
        for ((number, time, _), seen) in pictures.iter().zip(seen) {
            self.add(*number, *time, seen);
        }
        Ok(())
    }

    /// Adds what [`find_board`] said of the next picture.
    pub fn add(&mut self, number: usize, time: Option<Seconds>, seen: Result<BoardView, Miss>) {
        match seen {
            Ok(view) => self.sightings.push(Sighting {
                picture: number,
                time,
                view,
            }),
            Err(miss) => self.misses.push(miss),
        }
    }

    /// Size of the pictures, pixels.
    #[must_use]
    pub fn size(&self) -> (u32, u32) {
        (self.width_px, self.height_px)
    }

    /// The reason that says most about why boards were missed: another size if it was seen repeatedly.
    #[must_use]
    pub fn usual_miss(&self) -> Option<Miss> {
        let count = |miss: &Miss| self.misses.iter().filter(|m| *m == miss).count();
        let other = self
            .misses
            .iter()
            .filter(|m| matches!(m, Miss::OtherSize { .. }))
            .max_by_key(|m| count(m));
        other
            .or_else(|| self.misses.iter().max_by_key(|m| count(m)))
            .copied()
    }

    /// Whether a board of one other size was seen at least so often, and the one looked for never.
    #[must_use]
    pub fn shows_other_board(&self, times: usize) -> bool {
        let other = self.usual_miss().filter(|m| matches!(m, Miss::OtherSize { .. }));
        self.sightings.is_empty()
            && other.is_some_and(|m| self.misses.iter().filter(|n| **n == m).count() >= times)
    }

    /// Refuses a film that never shows the board.
    ///
    /// # Errors
    /// [`CalibrateError::BoardNotSeen`] with what was seen instead.
    pub fn refuse_unseen(&self, phone: Phone) -> Result<(), CalibrateError> {
        if self.sightings.is_empty() {
            return Err(CalibrateError::BoardNotSeen {
                phone,
                miss: self.usual_miss(),
            });
        }
        Ok(())
    }

    /// How fast the board moved at each sighting, pixels per second: the median corner's motion to the nearer neighbour in
    /// time; `None` for loose pictures and sightings alone in time.
    #[must_use]
    pub fn speeds_px_s(&self) -> Vec<Option<f64>> {
        let between = |a: &Sighting, b: &Sighting| {
            let gap = (b.time? - a.time?).0.abs();
            (gap > 1e-6 && gap <= MAX_GAP_S).then(|| motion_px(&a.view, &b.view) / gap)
        };
        (0..self.sightings.len())
            .map(|i| {
                let before = (i > 0)
                    .then(|| between(&self.sightings[i - 1], &self.sightings[i]))
                    .flatten();
                let after = self
                    .sightings
                    .get(i + 1)
                    .and_then(|next| between(&self.sightings[i], next));
                match (before, after) {
                    (Some(a), Some(b)) => Some(a.max(b)),
                    (a, b) => a.or(b),
                }
            })
            .collect()
    }
}

/// Median distance by which corners moved between two views, pixels.
pub(super) fn motion_px(a: &BoardView, b: &BoardView) -> f64 {
    median(
        a.corners
            .iter()
            .zip(&b.corners)
            .map(|(p, q)| p.at.distance_px(q.at)),
    )
}
