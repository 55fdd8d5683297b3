//! One person through a clip: the crop goes with the pose, a doubtful pose is left out, a lost person is found again.

use super::boxes::{around, around_points, crop_height, middle};
use super::{Detection, KeypointDetector};
use crate::picture::Region;
use crate::skeleton::Joint;
use crate::track::{Pose2d, PoseTrack};
use crate::units::Seconds;

/// A pose with a smaller share of sure joints is left out.
const LEAST_SURENESS: f64 = 0.35;

/// Without an accepted pose for this long the person is lost.
const PATIENCE: Seconds = Seconds(0.15);

/// So many searches of the whole frame in a row without a person where the pose is, and the person is lost.
const CONTRADICTIONS: u32 = 2;

/// The speed of the crop is measured over at least this time, if frames are that close.
const SPEED_SPAN: Seconds = Seconds(0.02);

/// The crop is moved on by its speed over at most this time.
const LONGEST_PREDICTION: Seconds = Seconds(0.15);

/// A sure joint nearer to the crop's border than this share of its size asks for another look.
const BORDER_SHARE: f64 = 0.03;

/// A pose whose middle lies further than this share of the person's size (plus so many sizes per second) from where it
/// was expected is another person's or none.
const JUMP_SHARE: f64 = 0.35;
const JUMP_RATE_HZ: f64 = 2.0;

/// A person's box (from a locator or round the joints) fills this much more than the joints alone: head and feet.
const BOX_GROWTH: f64 = 1.15;

/// The crop is at most this much higher than the one that suited the person when a locator last saw him: a long stride
/// with both arms out is 1.6 times as wide in the crop as standing is high; more is a neighbour's limb.
const LARGEST_GROWTH: f64 = 1.6;

/// The detector's wishes about crops.
#[derive(Clone, Copy, Debug)]
pub(super) struct CropShape {
    aspect: f64,
    share: f64,
}

impl CropShape {
    pub(super) fn of(detector: &dyn KeypointDetector) -> Self {
        Self {
            aspect: detector.aspect(),
            share: detector.person_share(),
        }
    }
}

/// One person being followed.
#[derive(Clone, Debug)]
pub(super) struct Follower {
    track: PoseTrack,
    /// The box round the sure joints of each pose of the track.
    boxes: Vec<Region>,
    /// The crop's middle and height at the last accepted pose, or where a locator saw the person.
    anchor: Anchor,
    /// Height of the crop that suited the person when a locator last saw him.
    located_px: f64,
    lost: bool,
    contradictions: u32,
}

#[derive(Clone, Copy, Debug)]
struct Anchor {
    middle: (f64, f64),
    height_px: f64,
    at: Seconds,
    /// Pixels per second.
    speed: (f64, f64),
}

impl Follower {
    /// A person where a locator saw one.
    pub(super) fn new(person: &Region, at: Seconds, shape: CropShape) -> Self {
        let anchor = Anchor::on_box(person, at, shape);
        Self {
            track: PoseTrack::default(),
            boxes: Vec::new(),
            anchor,
            located_px: anchor.height_px,
            lost: false,
            contradictions: 0,
        }
    }

    pub(super) fn is_lost(&self) -> bool {
        self.lost
    }

    pub(super) fn track(&self) -> &PoseTrack {
        &self.track
    }

    pub(super) fn boxes(&self) -> &[Region] {
        &self.boxes
    }

    /// The crop for a frame to come.
    pub(super) fn crop_at(&self, at: Seconds, shape: CropShape) -> Region {
        around(self.anchor.middle_at(at), self.anchor.height_px, shape.aspect)
    }

    /// Where the whole person is expected.
    pub(super) fn person_at(&self, at: Seconds, shape: CropShape) -> Region {
        let last = self.boxes.last();
        let (height, aspect) = match last {
            Some(b) => (
                b.height_px * BOX_GROWTH,
                b.width_px.max(0.2 * b.height_px) / b.height_px.max(1.0),
            ),
            None => (self.anchor.height_px * shape.share, 0.4),
        };
        around(self.anchor.middle_at(at), height, aspect)
    }

    /// Whether a look at another crop would show the person better, and which.
    pub(super) fn better_crop(&self, used: &Region, found: &Detection, shape: CropShape) -> Option<Region> {
        if found.sureness < LEAST_SURENESS {
            return None;
        }
        let person = joints_box(found)?;
        let near_border = |start: f64, length: f64, crop_start: f64, crop_length: f64| {
            let margin = BORDER_SHARE * crop_length;
            start < crop_start + margin || start + length > crop_start + crop_length - margin
        };
        let outside = near_border(person.left_px, person.width_px, used.left_px, used.width_px)
            || near_border(person.top_px, person.height_px, used.top_px, used.height_px);
        let height = crop_height(&person, shape.aspect, shape.share).min(LARGEST_GROWTH * self.located_px);
        let better = around(middle(&person), height, shape.aspect);
        (outside || height < 0.6 * used.height_px).then_some(better)
    }

    /// Takes up what the detector saw in a frame; a pose that cannot be this person is left out.
    pub(super) fn take(&mut self, frame: usize, pts: Seconds, found: Detection, shape: CropShape) {
        let person = joints_box(&found).filter(|_| found.sureness >= LEAST_SURENESS);
        let expected = self.anchor.middle_at(pts);
        let waited = pts - self.anchor.at;
        let accepted = person.filter(|p| {
            let (x, y) = middle(p);
            let jump = (x - expected.0).hypot(y - expected.1);
            jump <= (JUMP_SHARE + JUMP_RATE_HZ * waited.0) * self.anchor.height_px * shape.share
        });
        let Some(person) = accepted else {
            self.lost |= waited > PATIENCE;
            return;
        };
        self.track.poses.push(Pose2d {
            frame,
            pts,
            joints: found.joints,
        });
        self.boxes.push(person);
        let wish = crop_height(&person, shape.aspect, shape.share);
        // Grows at once, so that a limb is never cut; shrinks slowly, so that the crop is steady.
        let height_px = wish
            .max(self.anchor.height_px * 0.9)
            .min(LARGEST_GROWTH * self.located_px)
            .max(16.0);
        self.anchor = Anchor {
            middle: middle(&person),
            height_px,
            at: pts,
            speed: self.speed(),
        };
    }

    /// A locator saw a person here who is this one.
    pub(super) fn seen(&mut self, person: &Region, at: Seconds, shape: CropShape) {
        self.contradictions = 0;
        let anchor = Anchor::on_box(person, at, shape);
        self.located_px = anchor.height_px;
        if self.lost {
            self.anchor = anchor;
            self.lost = false;
        }
    }

    /// A locator saw nobody where this person should be.
    pub(super) fn not_seen(&mut self) {
        self.contradictions += 1;
        if self.contradictions >= CONTRADICTIONS {
            self.lost = true;
            self.contradictions = 0;
        }
    }

    fn speed(&self) -> (f64, f64) {
        let poses = &self.track.poses;
        let Some((now, here)) = poses.last().map(|p| p.pts).zip(self.boxes.last().map(middle)) else {
            return (0.0, 0.0);
        };
        let before = (0..poses.len() - 1)
            .rev()
            .find(|&i| now - poses[i].pts >= SPEED_SPAN);
        let Some(i) = before.filter(|&i| now - poses[i].pts <= Seconds(0.3)) else {
            return (0.0, 0.0);
        };
        let (there, dt) = (middle(&self.boxes[i]), now - poses[i].pts);
        ((here.0 - there.0) / dt.0, (here.1 - there.1) / dt.0)
    }
}

impl Anchor {
    fn on_box(person: &Region, at: Seconds, shape: CropShape) -> Self {
        Self {
            middle: middle(person),
            height_px: crop_height(person, shape.aspect, shape.share.max(0.85)),
            at,
            speed: (0.0, 0.0),
        }
    }

    fn middle_at(&self, at: Seconds) -> (f64, f64) {
        let ahead = (at - self.at).min(LONGEST_PREDICTION).max(Seconds(0.0)).0;
        (
            self.middle.0 + self.speed.0 * ahead,
            self.middle.1 + self.speed.1 * ahead,
        )
    }
}

/// The box round the joints of which the network is sure.
fn joints_box(found: &Detection) -> Option<Region> {
    let sure = Joint::ALL.into_iter().filter(|j| found.sure[*j]);
    around_points(sure.filter_map(|j| found.joints[j]).map(|j| j.at))
}
