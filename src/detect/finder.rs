//! All people of a clip who could be the athlete, followed together; at the end, who he is.

use super::boxes::{contains, middle, overlap};
use super::follower::{CropShape, Follower};
use super::{Crop, DetectError, DetectSettings, Detection, Models, RubberHint};
use crate::ingest::Frame;
use crate::picture::Region;
use crate::skeleton::Joint;
use crate::track::{ImageJoint, Pose2d, PoseTrack};
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

/// A wrist that moves faster against the hips than this many body heights a second throws. A thrown ball leaves the hand
/// at more than ten; a walker's wrist stays below two (common practice, no source).
const THROW_HEIGHTS_PER_S: f64 = 4.5;

/// The wrist's speed is its way over at least this time, so that noise does not make it.
const THROW_SPAN: Seconds = Seconds(0.02);

/// One followed person.
#[derive(Clone, Debug, PartialEq)]
pub struct PersonTrack {
    /// His joints.
    pub track: PoseTrack,
    /// Median height of the box round his joints, pixels.
    pub height_px: f64,
    /// Fastest motion of a wrist against the hips, box heights per second, the few fastest readings left out.
    pub throw_heights_per_s: f64,
}

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
        let people: Vec<PersonTrack> = self.tracks();
        if let Some(rubber) = self.settings.rubber
            && let Some(person) = best(&people, |p| share_on_rubber(&p.track, &rubber), 0.05)
        {
            return Some(person);
        }
        if let Some(person) = best(&people, |p| p.throw_heights_per_s, THROW_HEIGHTS_PER_S) {
            return Some(person);
        }
        let longest = people.iter().map(|p| p.track.poses.len()).max()? as f64;
        let half_width = (self.width_px / 2.0).max(1.0);
        best(
            &people,
            |p| {
                let off_middle = (mean_x(&p.track).unwrap_or(half_width) - half_width).abs() / half_width;
                let shown = (p.track.poses.len() as f64 / longest).sqrt();
                p.height_px * (1.0 - 0.3 * off_middle) * shown
            },
            0.0,
        )
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

fn best(people: &[PersonTrack], score: impl Fn(&PersonTrack) -> f64, least: f64) -> Option<PersonTrack> {
    let scored = people.iter().map(|p| (score(p), p)).filter(|(s, _)| *s >= least);
    scored.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, p)| p.clone())
}

fn person_track(follower: &Follower) -> Option<PersonTrack> {
    let mut heights: Vec<f64> = follower.boxes().iter().map(|b| b.height_px).collect();
    heights.sort_by(f64::total_cmp);
    let height_px = *heights.get(heights.len() / 2)?;
    Some(PersonTrack {
        track: follower.track().clone(),
        height_px,
        throw_heights_per_s: throw_speed(&follower.track().poses, height_px),
    })
}

fn share_on_rubber(track: &PoseTrack, rubber: &RubberHint) -> f64 {
    let on_it = track.poses.iter().filter(|pose| {
        let ankles = [Joint::LeftAnkle, Joint::RightAnkle];
        ankles
            .iter()
            .any(|j| pose.joints[*j].is_some_and(|found| contains(&rubber.region, found.at)))
    });
    on_it.count() as f64 / track.poses.len().max(1) as f64
}

fn mean_x(track: &PoseTrack) -> Option<f64> {
    let (mut total, mut count) = (0.0, 0.0);
    for pose in &track.poses {
        if let Some((x, _)) = hips(pose) {
            total += x;
            count += 1.0;
        }
    }
    (count > 0.0).then(|| total / count)
}

fn hips(pose: &Pose2d) -> Option<(f64, f64)> {
    let (left, right) = (pose.joints[Joint::LeftHip]?, pose.joints[Joint::RightHip]?);
    Some((
        (left.at.x_px + right.at.x_px) / 2.0,
        (left.at.y_px + right.at.y_px) / 2.0,
    ))
}

/// The wrists' highest speed against the hips, box heights per second, the few fastest readings left out.
fn throw_speed(poses: &[Pose2d], height_px: f64) -> f64 {
    let mut speeds = Vec::new();
    let mut before = 0;
    for pose in poses {
        while before + 1 < poses.len() && pose.pts - poses[before + 1].pts >= THROW_SPAN {
            before += 1;
        }
        let earlier = &poses[before];
        let dt = (pose.pts - earlier.pts).0;
        if dt < THROW_SPAN.0 || dt > 5.0 * THROW_SPAN.0 {
            continue;
        }
        for joint in [Joint::LeftWrist, Joint::RightWrist] {
            if let (Some(now), Some(then), Some(hips_now), Some(hips_then)) = (
                certain(pose, joint),
                certain(earlier, joint),
                hips(pose),
                hips(earlier),
            ) {
                let dx = (now.at.x_px - hips_now.0) - (then.at.x_px - hips_then.0);
                let dy = (now.at.y_px - hips_now.1) - (then.at.y_px - hips_then.1);
                speeds.push(dx.hypot(dy) / dt / height_px.max(1.0));
            }
        }
    }
    speeds.sort_by(f64::total_cmp);
    // The fastest hundredth of a minute's clip is more than a throw lasts, so at most ten samples are dropped.
    let dropped = (speeds.len() / 100).min(10);
    speeds.len().checked_sub(1 + dropped).map_or(0.0, |i| speeds[i])
}

fn certain(pose: &Pose2d, joint: Joint) -> Option<ImageJoint> {
    pose.joints[joint].filter(|j| j.visible > 0.3)
}
