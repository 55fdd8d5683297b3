//! All people of a clip who could be the athlete, followed together; at the end, who he is.

use super::boxes::{contains, middle, overlap};
use super::choice::{PersonTrack, choose, person_track};
use super::follower::{CropShape, Follower};
use super::{Crop, DetectError, DetectSettings, Detection, Models};
use crate::ingest::Frame;
use crate::picture::Region;
use crate::units::Seconds;

/// A box that overlaps a followed person's place by less (intersection over union) is somebody else.
const SAME_PERSON_OVERLAP: f64 = 0.15;

/// A lost person is taken up again within this many body heights of the loss, at a size within this factor.
const FIND_AGAIN_HEIGHTS: f64 = 1.0;
const FIND_AGAIN_SIZE: f64 = 1.6;

/// A person of less than this share of the largest one's height is not the athlete (unless on the rubber).
const LEAST_SIZE_SHARE: f64 = 0.5;

/// When nobody is followed the whole frame is searched this often at most.
const SEARCH_AGAIN: Seconds = Seconds(0.1);

/// Follows everybody who could be the athlete, and chooses.
pub struct AthleteFinder {
    settings: DetectSettings,
    followers: Vec<Follower>,
    located: Option<Seconds>,
    width_px: f64,
}

impl AthleteFinder {
    /// Nobody followed yet.
    #[must_use]
    pub fn new(settings: DetectSettings) -> Self {
        Self {
            settings,
            followers: Vec::new(),
            located: None,
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
        for (look, detection) in looks.iter().zip(found) {
            let frame = &frames[look.frame];
            let follower = &mut self.followers[look.who];
            if !follower.is_lost() {
                follower.take(frame.index, frame.pts, detection, shape);
            }
        }
        Ok(())
    }

    /// How many people were followed for a while.
    #[must_use]
    pub fn people(&self) -> usize {
        let longest = self
            .followers
            .iter()
            .map(|f| f.track().poses.len())
            .max()
            .unwrap_or(0);
        self.followers
            .iter()
            .filter(|f| f.track().poses.len() * 5 > longest)
            .count()
    }

    /// Everybody who was followed.
    #[must_use]
    pub fn tracks(&self) -> Vec<PersonTrack> {
        self.followers.iter().filter_map(person_track).collect()
    }

    /// The athlete: who stands on the rubber, when that is known; else who throws; else the largest person, at similar
    /// sizes the one nearest the middle. `None` when nobody was followed.
    #[must_use]
    pub fn choose(self) -> Option<PersonTrack> {
        choose(&self.tracks(), self.settings.rubber.as_ref(), self.width_px)
    }

    fn search_is_due(&self, now: Seconds) -> bool {
        let idle = self.followers.iter().all(Follower::is_lost);
        let pause = if idle {
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
            follower.not_seen();
        }
        for (b, person) in people.iter().enumerate() {
            if given[b].is_none()
                && !self.find_again(person, now, shape)
                && self.may_be_athlete(person, people)
            {
                self.followers.push(Follower::new(person, now, shape));
            }
        }
    }

    fn find_again(&mut self, person: &Region, now: Seconds, shape: CropShape) -> bool {
        let (x, y) = middle(person);
        let fits = |follower: &Follower| {
            let place = follower.person_at(now, shape);
            let (px, py) = middle(&place);
            let size = person.height_px / place.height_px;
            let near = (x - px).hypot(y - py) <= FIND_AGAIN_HEIGHTS * place.height_px;
            near && (FIND_AGAIN_SIZE.recip()..=FIND_AGAIN_SIZE).contains(&size)
        };
        match self.followers.iter_mut().find(|f| f.is_lost() && fits(f)) {
            Some(follower) => {
                follower.seen(person, now, shape);
                true
            }
            None => false,
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
        feet_on_rubber
            || (watched < self.settings.most_people && person.height_px >= LEAST_SIZE_SHARE * largest)
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
