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

/// A wrist that moves faster against the hips than this many body heights a second throws. A pitcher's hand moves at more
/// than eight, seen aslant still six; a walker's wrist stays below two, but small people's joints jump by more (common
/// practice, no source).
const THROW_HEIGHTS_PER_S: f64 = 5.5;

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
        if !(THROW_SPAN.0..=5.0 * THROW_SPAN.0).contains(&dt) {
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
    // Jumps of a doubtful wrist; few, because the fast part of a throw lasts only some ten frames at 240 Hz.
    let dropped = (speeds.len() / 40).min(5);
    speeds.len().checked_sub(1 + dropped).map_or(0.0, |i| speeds[i])
}

fn certain(pose: &Pose2d, joint: Joint) -> Option<ImageJoint> {
    pose.joints[joint].filter(|j| j.visible > 0.3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{KeypointDetector, PersonBox, PersonLocator, follow_athlete};
    use crate::geometry::PixelPoint;
    use crate::picture::{ColourMatrix, Grey, Picture};
    use crate::quality::Silent;
    use crate::skeleton::PerJoint;

    const RATE_HZ: f64 = 240.0;

    /// A person of a height whose hips are somewhere at a time (or nowhere), and whose right hand swings so many heights.
    #[derive(Clone, Copy)]
    struct Actor {
        height_px: f64,
        hips: fn(f64) -> Option<(f64, f64)>,
        swing: f64,
    }

    /// A world seen through perfect networks: the frame's number is written into the picture's first two pixels.
    #[derive(Clone)]
    struct World(Vec<Actor>);

    fn time_of(picture: &Picture) -> f64 {
        (f64::from(picture.luma.data[0]) + 256.0 * f64::from(picture.luma.data[1])) / RATE_HZ
    }

    fn frame(index: usize) -> Frame {
        let mut luma = Grey::filled(1280, 2, 0);
        luma.data[0] = (index % 256) as u8;
        luma.data[1] = (index / 256) as u8;
        let chroma = Grey::filled(640, 1, 128);
        Frame {
            index,
            pts: Seconds(index as f64 / RATE_HZ),
            picture: Picture {
                luma,
                cb: chroma.clone(),
                cr: chroma,
                full_range: true,
                matrix: ColourMatrix::Bt709,
            },
        }
    }

    impl Actor {
        fn joint(&self, joint: Joint, t: f64) -> Option<PixelPoint> {
            let (x, y) = (self.hips)(t)?;
            let reach = self.swing * (t * 6.0 * std::f64::consts::TAU).sin();
            let (dx, dy) = match joint {
                Joint::HeadTop => (0.0, -0.5),
                Joint::LeftShoulder => (0.1, -0.3),
                Joint::RightShoulder => (-0.1, -0.3),
                Joint::LeftHip => (0.05, 0.0),
                Joint::RightHip => (-0.05, 0.0),
                Joint::LeftAnkle => (0.1, 0.5),
                Joint::RightAnkle => (-0.1, 0.5),
                Joint::RightWrist => (-0.1 - reach, -0.3),
                Joint::LeftWrist => (0.15, 0.0),
                _ => return None,
            };
            Some(PixelPoint::new(x + dx * self.height_px, y + dy * self.height_px))
        }
    }

    impl KeypointDetector for World {
        fn detect(&mut self, crops: &[Crop<'_>]) -> Result<Vec<Detection>, DetectError> {
            let look = |crop: &Crop<'_>| {
                let (t, (x, y)) = (time_of(crop.picture), middle(&crop.region));
                let distance = |a: &&Actor| (a.hips)(t).map_or(f64::MAX, |(ax, ay)| (ax - x).hypot(ay - y));
                let nearest = self.0.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)));
                let joints = PerJoint::from_fn(|joint| {
                    let at = nearest
                        .and_then(|a| a.joint(joint, t))
                        .filter(|p| contains(&crop.region, *p))?;
                    Some(ImageJoint {
                        at,
                        sd_px: 1.0,
                        visible: 1.0,
                    })
                });
                let sure = PerJoint::from_fn(|joint| joints[joint].is_some());
                let sureness = sure.0.iter().filter(|s| **s).count() as f64 / 9.0;
                Detection {
                    joints,
                    sure,
                    sureness,
                }
            };
            Ok(crops.iter().map(look).collect())
        }

        fn aspect(&self) -> f64 {
            0.75
        }

        fn person_share(&self) -> f64 {
            0.8
        }

        fn gives(&self, _joint: Joint) -> bool {
            true
        }
    }

    impl PersonLocator for World {
        fn locate(&mut self, picture: &Picture) -> Result<Vec<PersonBox>, DetectError> {
            let t = time_of(picture);
            let seen = self
                .0
                .iter()
                .filter_map(|a| (a.hips)(t).map(|m| (m, a.height_px)));
            let boxes = seen.map(|((x, y), h)| PersonBox {
                region: Region {
                    left_px: x - 0.2 * h,
                    top_px: y - h / 2.0,
                    width_px: 0.4 * h,
                    height_px: h,
                },
                score: 0.9,
            });
            Ok(boxes.collect())
        }
    }

    fn follow(actors: &[Actor], frames: usize, rubber: Option<RubberHint>) -> crate::detect::Followed {
        let world = World(actors.to_vec());
        let mut models = Models {
            keypoints: Box::new(world.clone()),
            locator: Box::new(world),
        };
        let settings = DetectSettings {
            rubber,
            ..DetectSettings::default()
        };
        let film = (0..frames).map(|i| Ok::<_, std::io::Error>(frame(i)));
        follow_athlete(film, &mut models, &settings, &Silent).unwrap()
    }

    fn first_hip_x(followed: &crate::detect::Followed) -> f64 {
        followed.track.poses[0].joints[Joint::RightHip].unwrap().at.x_px
    }

    const PITCHER: Actor = Actor {
        height_px: 300.0,
        hips: |t| Some((400.0 + 700.0 * t, 360.0)),
        swing: 0.3,
    };
    const COACH: Actor = Actor {
        height_px: 380.0,
        hips: |_| Some((1000.0, 380.0)),
        swing: 0.01,
    };

    #[test]
    fn a_fast_person_is_followed_in_every_frame_exactly() {
        let followed = follow(&[PITCHER], 240, None);
        assert_eq!(followed.track.poses.len(), 240);
        assert!(followed.warnings.is_empty(), "{:?}", followed.warnings);
        for pose in &followed.track.poses {
            for (joint, found) in pose.joints.iter() {
                assert_eq!(
                    found.map(|f| f.at),
                    PITCHER.joint(joint, pose.pts.0),
                    "{joint} at {:?}",
                    pose.pts
                );
            }
        }
    }

    #[test]
    fn who_throws_is_the_athlete_even_beside_a_larger_person() {
        let followed = follow(&[COACH, PITCHER], 120, None);
        assert!(first_hip_x(&followed) < 500.0);
        assert!(followed.warnings.iter().any(|w| w.code == "several_people"));
    }

    #[test]
    fn without_a_throw_the_largest_person_is_the_athlete_and_on_the_rubber_anyone() {
        let still = Actor {
            swing: 0.0,
            ..PITCHER
        };
        assert!(first_hip_x(&follow(&[still, COACH], 60, None)) > 900.0);
        let feet = Region {
            left_px: 330.0,
            top_px: 480.0,
            width_px: 140.0,
            height_px: 60.0,
        };
        let followed = follow(&[still, COACH], 60, Some(RubberHint { region: feet }));
        assert!(first_hip_x(&followed) < 500.0);
    }

    #[test]
    fn a_hidden_person_is_found_again_and_the_gap_is_said() {
        let hidden = |t: f64| (!(0.3..0.7).contains(&t)).then_some((500.0, 360.0));
        let followed = follow(
            &[Actor {
                hips: hidden,
                ..PITCHER
            }],
            360,
            None,
        );
        let (before, after) = (72, 360 - 168);
        let found = followed.track.poses.len();
        // Searching again takes up to a tenth of a second.
        assert!(found <= before + after && found >= before + after - 30, "{found}");
        assert!(
            followed
                .track
                .poses
                .iter()
                .all(|p| !(0.3..0.7).contains(&p.pts.0))
        );
        assert!(followed.warnings.iter().any(|w| w.code == "athlete_lost"));
    }

    #[test]
    fn nobody_and_nothing_are_errors() {
        let mut models = Models {
            keypoints: Box::new(World(vec![])),
            locator: Box::new(World(vec![])),
        };
        let settings = DetectSettings::default();
        let film = (0..30).map(|i| Ok::<_, std::io::Error>(frame(i)));
        let nobody = follow_athlete(film, &mut models, &settings, &Silent);
        assert!(matches!(nobody, Err(DetectError::NoPerson { frames: 30 })));
        let nothing = std::iter::empty::<Result<Frame, std::io::Error>>();
        assert!(matches!(
            follow_athlete(nothing, &mut models, &settings, &Silent),
            Err(DetectError::NoFrames)
        ));
        let broken = std::iter::once(Err(std::io::Error::other("torn")));
        assert!(matches!(
            follow_athlete(broken, &mut models, &settings, &Silent),
            Err(DetectError::Frames(_))
        ));
    }
}
