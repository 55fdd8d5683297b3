//! All people of a clip who could be the athlete, followed together; at the end, who he is.
//!
//! Crops of two people who are near each other may show the same one. Then the pose is the nearer one's, who hides the
//! other: on level ground he stands lower in the picture. Joints inside the nearer one's body are not the other's.

use std::collections::BTreeSet;

use super::anchor::CropShape;
use super::boxes::{contains, middle, overlap};
use super::choice::{PersonTrack, person_track, ranked};
use super::follower::Follower;
use super::rivals::{SAME_POSE, Silhouette, TWO_PEOPLE, apart};
use super::stitch::stitched;
use super::{Crop, DetectError, DetectSettings, Detection, Models};
use crate::ingest::Frame;
use crate::picture::Region;
use crate::units::Seconds;

/// A box that overlaps a followed person's place by less (intersection over union) is somebody else.
const SAME_PERSON_OVERLAP: f64 = 0.15;

/// A person of less than this share of the largest one's height is not the athlete (unless on the rubber, or of the size
/// of somebody who was lost). The largest may be half way to the phone.
const LEAST_SIZE_SHARE: f64 = 0.35;
const SIZE_OF_LOST: f64 = 1.4;

/// When nobody is followed, or somebody was lost since [`SEARCH_FOR`], the whole frame is searched this often.
const SEARCH_AGAIN: Seconds = Seconds(0.1);
const SEARCH_FOR: Seconds = Seconds(1.5);

/// Located boxes whose middles are further apart than this share of the smaller one's height are of two people.
const BOXES_APART: f64 = 0.25;

/// Who never was seen apart from somebody for so long is the same person.
const ONE_PERSON_AFTER: Seconds = Seconds(0.25);

/// Who stands lower by this share of a person's height is the nearer; else who is larger by this factor.
const NEARER_SHARE: f64 = 0.03;
const NEARER_SIZE: f64 = 1.12;

/// Follows everybody who could be the athlete, and chooses.
pub struct AthleteFinder {
    settings: DetectSettings,
    followers: Vec<Follower>,
    /// Pairs of followers that were seen apart: they are two people.
    parted: BTreeSet<(usize, usize)>,
    located: Option<Seconds>,
    last_loss: Option<Seconds>,
    width_px: f64,
}

impl AthleteFinder {
    /// Nobody followed yet.
    #[must_use]
    pub fn new(settings: DetectSettings) -> Self {
        Self {
            settings,
            followers: Vec::new(),
            parted: BTreeSet::new(),
            located: None,
            last_loss: None,
            width_px: 0.0,
        }
    }

    /// Looks at the next frames, a few and close together in time: their crops come from the poses before them.
    ///
    /// # Errors
    /// [`DetectError`] when a network fails.
    pub fn take(&mut self, frames: &[Frame], models: &mut Models) -> Result<(), DetectError> {
        let Some(first) = frames.first() else {
            return Ok(());
        };
        let shape = CropShape::of(models.keypoints.as_ref());
        self.width_px = first.picture.width() as f64;
        if self.search_is_due(first.pts) {
            let people = models.locator.locate(&first.picture)?;
            self.located = Some(first.pts);
            let regions: Vec<Region> = people.iter().map(|p| p.region).collect();
            self.match_people(&regions, first.pts, shape);
        }
        let mut looks: Vec<Look> = Vec::new();
        for (who, follower) in self.followers.iter().enumerate().filter(|(_, f)| !f.is_lost()) {
            looks.extend(frames.iter().enumerate().map(|(frame, f)| Look {
                who,
                frame,
                region: follower.crop_at(f.pts, shape),
            }));
        }
        let mut found = self.look(&looks, frames, models)?;
        let mut again: Vec<(usize, Look)> = Vec::new();
        for (i, (look, detection)) in looks.iter().zip(&found).enumerate() {
            if let Some(region) = self.followers[look.who].better_crop(&look.region, detection, shape) {
                again.push((i, Look { region, ..*look }));
            }
        }
        let second: Vec<Look> = again.iter().map(|(_, look)| *look).collect();
        for ((i, _), detection) in again.iter().zip(self.look(&second, frames, models)?) {
            // The second look counts when it shows at least as much.
            if detection.sureness >= found[*i].sureness - 0.1 {
                found[*i] = detection;
            }
        }
        let mut found: Vec<Option<Detection>> = found.into_iter().map(Some).collect();
        for (index, frame) in frames.iter().enumerate() {
            let here = looks
                .iter()
                .zip(&mut found)
                .filter(|(look, _)| look.frame == index)
                .filter_map(|(look, detection)| Some((look.who, detection.take()?)));
            self.settle(frame, here.collect(), shape);
        }
        if looks.iter().any(|look| self.followers[look.who].is_lost()) {
            self.last_loss = frames.last().map(|f| f.pts);
        }
        Ok(())
    }

    /// How many people were followed for a while.
    #[must_use]
    pub fn people(&self) -> usize {
        let tracks = self.tracks();
        let longest = tracks.iter().map(|p| p.track.poses.len()).max().unwrap_or(0);
        tracks
            .iter()
            .filter(|p| p.track.poses.len() * 5 > longest)
            .count()
    }

    /// Everybody who was followed, pieces of one person joined.
    #[must_use]
    pub fn tracks(&self) -> Vec<PersonTrack> {
        let people = stitched(&self.followers).into_iter();
        people
            .filter_map(|pieces| {
                let pieces: Vec<&Follower> = pieces.into_iter().map(|i| &self.followers[i]).collect();
                person_track(&pieces)
            })
            .collect()
    }

    /// Everybody, the likeliest athlete first: who stands on the rubber, when that is known; else who throws; else the
    /// largest person, at similar sizes the one nearest the middle.
    #[must_use]
    pub fn ranked(&self) -> Vec<PersonTrack> {
        ranked(self.tracks(), self.settings.rubber.as_ref(), self.width_px)
    }

    /// One frame's poses find their people.
    fn settle(&mut self, frame: &Frame, seen: Vec<(usize, Detection)>, shape: CropShape) {
        let alive = seen
            .into_iter()
            .filter(|(who, _)| !self.followers[*who].is_lost());
        let mut seen: Vec<(usize, Option<Detection>)> = alive.map(|(who, d)| (who, Some(d))).collect();
        for i in 0..seen.len() {
            for j in i + 1..seen.len() {
                if let (Some(a), Some(b)) = (&seen[i].1, &seen[j].1)
                    && let Some(loser) = self.shared(frame.pts, (seen[i].0, a), (seen[j].0, b))
                {
                    let at = if loser == seen[i].0 { i } else { j };
                    seen[at].1 = None;
                }
            }
        }
        let bodies: Vec<(usize, Silhouette)> = seen
            .iter()
            .filter_map(|(who, d)| {
                let size_px = self.followers[*who].size_px();
                Some((*who, Silhouette::of(d.as_ref()?, size_px)))
            })
            .collect();
        for (who, detection) in seen {
            let Some(mut detection) = detection else {
                self.followers[who].hidden(frame.pts);
                continue;
            };
            let mut covered = 0;
            for (other, body) in &bodies {
                if *other != who && self.nearer(*other, who) == Some(true) {
                    let (rest, hidden) = body.uncovered(detection);
                    detection = rest;
                    covered += hidden;
                }
            }
            let look = (covered == 0).then(|| detection.clone());
            let follower = &mut self.followers[who];
            let taken = follower.take(frame.index, frame.pts, detection, covered, shape);
            if let Some(look) = look.filter(|_| taken) {
                follower.look_at(&frame.picture, frame.pts, &look);
            }
        }
    }

    /// Whether two followers see the same person in a frame; if so, who of them must do without the pose.
    fn shared(&mut self, now: Seconds, a: (usize, &Detection), b: (usize, &Detection)) -> Option<usize> {
        let (first, second) = (&self.followers[a.0], &self.followers[b.0]);
        let size_px = first.size_px().min(second.size_px());
        let apart = apart(a.1, b.1, size_px)?;
        let pair = (a.0.min(b.0), a.0.max(b.0));
        if apart > TWO_PEOPLE {
            self.parted.insert(pair);
        }
        if apart > SAME_POSE {
            return None;
        }
        if !self.parted.contains(&pair) {
            // Never seen apart: one person followed twice, or somebody whose crop does not show him yet.
            if self.followers[pair.1].waited(now) > ONE_PERSON_AFTER {
                self.followers[pair.1].end();
            }
            return Some(pair.1);
        }
        Some(match self.nearer(a.0, b.0) {
            Some(true) => b.0,
            Some(false) => a.0,
            None => {
                let (first, second) = (&self.followers[a.0], &self.followers[b.0]);
                let misfits = (first.misfit(now, a.1), second.misfit(now, b.1));
                if misfits.0.unwrap_or(1.0) <= misfits.1.unwrap_or(1.0) {
                    b.0
                } else {
                    a.0
                }
            }
        })
    }

    /// Whether the first of two people is nearer to the phone; `None` where they are about equally near.
    fn nearer(&self, first: usize, second: usize) -> Option<bool> {
        let (a, b) = (&self.followers[first], &self.followers[second]);
        let lower = (a.bottom_px() - b.bottom_px()) / a.size_px().min(b.size_px()).max(1.0);
        if lower.abs() > NEARER_SHARE {
            return Some(lower > 0.0);
        }
        let larger = a.size_px() / b.size_px().max(1.0);
        if (NEARER_SIZE.recip()..=NEARER_SIZE).contains(&larger) {
            None
        } else {
            Some(larger > 1.0)
        }
    }

    fn search_is_due(&self, now: Seconds) -> bool {
        let idle = self.followers.iter().all(Follower::is_lost);
        let missed = self.last_loss.is_some_and(|at| now - at <= SEARCH_FOR);
        let pause = if idle || missed {
            self.settings.locate_every.min(SEARCH_AGAIN)
        } else {
            self.settings.locate_every
        };
        self.located.is_none_or(|last| now - last >= pause)
    }

    /// Gives each located person to the follower whose place fits best; the others are found again or new.
    fn match_people(&mut self, people: &[Region], now: Seconds, shape: CropShape) {
        let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
        for (who, follower) in self.followers.iter().enumerate().filter(|(_, f)| !f.is_lost()) {
            let place = follower.person_at(now, shape);
            pairs.extend(
                people
                    .iter()
                    .enumerate()
                    .map(|(b, person)| (overlap(&place, person), who, b)),
            );
        }
        pairs.retain(|(fit, _, _)| *fit >= SAME_PERSON_OVERLAP);
        pairs.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut given: Vec<Option<usize>> = vec![None; people.len()];
        let mut served = vec![false; self.followers.len()];
        for (_, who, b) in pairs {
            if given[b].is_none() && !served[who] {
                given[b] = Some(who);
                served[who] = true;
                self.followers[who].seen(&people[b], now, shape);
            }
        }
        for (follower, _) in self
            .followers
            .iter_mut()
            .zip(&served)
            .filter(|(f, s)| !f.is_lost() && !**s)
        {
            follower.not_seen(now);
        }
        let mut by_size: Vec<(usize, &Region)> = people.iter().enumerate().collect();
        by_size.sort_by(|a, b| b.1.height_px.total_cmp(&a.1.height_px));
        for (b, person) in by_size {
            if given[b].is_none() && self.may_be_athlete(person, people) {
                let new = self.followers.len();
                self.followers.push(Follower::new(person, now, shape));
                // Two boxes well apart are two people.
                for (other, who) in people
                    .iter()
                    .zip(&given)
                    .filter_map(|(o, who)| Some((o, (*who)?)))
                {
                    let ((x, y), (ox, oy)) = (middle(person), middle(other));
                    let size_px = person.height_px.min(other.height_px);
                    if (x - ox).hypot(y - oy) > BOXES_APART * size_px {
                        self.parted.insert((who, new));
                    }
                }
                given[b] = Some(new);
            }
        }
    }

    fn may_be_athlete(&self, person: &Region, people: &[Region]) -> bool {
        let feet_on_rubber = self.settings.rubber.is_some_and(|rubber| {
            let (x, _) = middle(person);
            let feet = crate::geometry::PixelPoint::new(x, person.top_px + 0.97 * person.height_px);
            contains(&rubber.region, feet)
        });
        let largest = people.iter().map(|p| p.height_px).fold(0.0, f64::max);
        let watched = self.followers.iter().filter(|f| !f.is_lost()).count();
        let as_lost = self.followers.iter().any(|f| {
            let size = person.height_px / f.size_px().max(1.0);
            f.is_lost() && (SIZE_OF_LOST.recip()..=SIZE_OF_LOST).contains(&size)
        });
        let large = as_lost || person.height_px >= LEAST_SIZE_SHARE * largest;
        feet_on_rubber || (watched < self.settings.most_people && large)
    }

    fn look(
        &self,
        looks: &[Look],
        frames: &[Frame],
        models: &mut Models,
    ) -> Result<Vec<Detection>, DetectError> {
        let mut found = Vec::with_capacity(looks.len());
        for some in looks.chunks(self.settings.batch.max(1)) {
            let crops: Vec<Crop<'_>> = some
                .iter()
                .map(|look| Crop {
                    picture: &frames[look.frame].picture,
                    region: look.region,
                })
                .collect();
            found.extend(models.keypoints.detect(&crops)?);
        }
        Ok(found)
    }
}

/// One person's crop in one frame.
#[derive(Clone, Copy)]
struct Look {
    who: usize,
    frame: usize,
    region: Region,
}
