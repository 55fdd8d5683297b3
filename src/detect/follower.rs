//! One person as long as he is seen without a break: the crop goes with the pose, a doubtful pose is left out.
//!
//! A pose that jumps as no body can is another person's. Who is hidden by somebody nearer is waited for; who was lost is
//! not taken up again here: what follows is another piece of track, and `stitch` says whose.

use super::Detection;
use super::anchor::{Anchor, CropShape};
use super::appearance::Appearance;
use super::boxes::{around, around_points, crop_height, middle};
use super::rivals::{bottom_px, median_of};
use crate::geometry::PixelPoint;
use crate::picture::{Picture, Region};
use crate::skeleton::Joint;
use crate::track::{Pose2d, PoseTrack};
use crate::units::Seconds;

/// A pose with a smaller share of sure joints is left out.
const LEAST_SURENESS: f64 = 0.35;

/// Without an accepted pose for this long the person is lost.
const PATIENCE: Seconds = Seconds(0.15);

/// Hidden by somebody nearer a person is waited for so long.
const HIDDEN_PATIENCE: Seconds = Seconds(1.0);

/// So many searches of the whole frame in a row without a person where the pose is, and the person is lost.
const CONTRADICTIONS: u32 = 2;

/// The speed of the crop is measured over at least this time, if frames are that close.
const SPEED_SPAN: Seconds = Seconds(0.02);

/// A sure joint nearer to the crop's border than this share of its size asks for another look.
const BORDER_SHARE: f64 = 0.03;

/// A pose whose middle lies further than this share of the person's size (plus so many sizes per second) from where it
/// was expected is another person's or none.
const JUMP_SHARE: f64 = 0.35;
const JUMP_RATE_HZ: f64 = 2.0;

/// The joints' middle deviation from where their own speeds put them, person heights, plus so much for each second since
/// the last pose: more is a jump that no body makes. A pitcher's trunk moves at under two heights a second.
const MISFIT_SHARE: f64 = 0.05;
const MISFIT_RATE_HZ: f64 = 1.5;

/// The joints' own speeds hold for at most this time.
const JOINT_PREDICTION: Seconds = Seconds(0.05);

/// After a wait longer than [`PATIENCE`] a pose must be of the person's size within these factors: he may have bent.
const SIZE_AFTER_WAIT: std::ops::RangeInclusive<f64> = 0.55..=1.3;

/// A person's size is that of the tallest box of about this time.
const SIZE_MEMORY: Seconds = Seconds(1.5);

/// The lowest point of a person is a mean over about this time.
const BOTTOM_MEMORY: Seconds = Seconds(0.2);

/// Clothes are looked at this often.
const LOOK_EVERY: Seconds = Seconds(0.03);

/// A person's box (from a locator or round the joints) fills this much more than the joints alone: head and feet.
const BOX_GROWTH: f64 = 1.15;

/// The crop is at most this much higher than the one that suited the person when a locator last saw him: a long stride
/// with both arms out is 1.6 times as wide in the crop as standing is high; more is a neighbour's limb.
const LARGEST_GROWTH: f64 = 1.6;

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
    /// Height of the person, upright or nearly.
    size_px: f64,
    /// Lowest point in the picture.
    bottom_px: f64,
    /// When somebody nearer last had this person's pose, or a part of it.
    hidden_at: Option<Seconds>,
    looks: Appearance,
    looked_at: Option<Seconds>,
    lost: bool,
    contradictions: u32,
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
            size_px: person.height_px / BOX_GROWTH,
            bottom_px: person.top_px + person.height_px,
            hidden_at: None,
            looks: Appearance::new(),
            looked_at: None,
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

    /// Height of the person, upright or nearly, pixels.
    pub(super) fn size_px(&self) -> f64 {
        self.size_px
    }

    /// Lowest point of the person, pixels from the top of the picture.
    pub(super) fn bottom_px(&self) -> f64 {
        self.bottom_px
    }

    /// What the person wears.
    pub(super) fn looks(&self) -> &Appearance {
        &self.looks
    }

    /// Looks at the person's clothes, now and then.
    pub(super) fn look_at(&mut self, picture: &Picture, at: Seconds, found: &Detection) {
        if self.looked_at.is_none_or(|last| at - last >= LOOK_EVERY) {
            self.looked_at = Some(at);
            self.looks.add(picture, found);
        }
    }

    /// Median distance of the sure joints from where their own speeds put them, person heights; `None` where there is too
    /// little to compare with.
    pub(super) fn misfit(&self, pts: Seconds, found: &Detection) -> Option<f64> {
        let last = self.track.poses.last()?;
        let before = self.earlier_pose();
        let ahead = (pts - last.pts).min(JOINT_PREDICTION).max(Seconds(0.0)).0;
        let expected = |joint: Joint| {
            let at = last.joints[joint]?.at;
            let speed = before.and_then(|i| {
                let then = &self.track.poses[i];
                let from = then.joints[joint]?.at;
                let dt = (last.pts - then.pts).0;
                Some(((at.x_px - from.x_px) / dt, (at.y_px - from.y_px) / dt))
            });
            let (vx, vy) = speed.unwrap_or((0.0, 0.0));
            Some(PixelPoint::new(at.x_px + vx * ahead, at.y_px + vy * ahead))
        };
        let sure = Joint::ALL.into_iter().filter(|j| found.sure[*j]);
        let ways = sure.filter_map(|j| Some(found.joints[j]?.at.distance_px(expected(j)?) / self.size_px));
        median_of(ways.collect())
    }

    /// Takes up what the detector saw in a frame, less `covered` joints that somebody nearer hides; a pose that cannot be
    /// this person is left out. Says whether it was taken.
    pub(super) fn take(
        &mut self,
        frame: usize,
        pts: Seconds,
        found: Detection,
        covered: usize,
        shape: CropShape,
    ) -> bool {
        if covered > 0 {
            self.hidden_at = Some(pts);
        }
        let person = joints_box(&found).filter(|_| found.sureness >= LEAST_SURENESS);
        let Some(person) = person.filter(|p| self.may_be(p, pts, &found, shape)) else {
            self.miss(pts);
            return false;
        };
        let waited = (pts - self.anchor.at).0.max(0.0);
        let moved = self.shift_px(&found);
        let bottom = bottom_px(&found);
        self.track.poses.push(Pose2d {
            frame,
            pts,
            joints: found.joints,
        });
        self.boxes.push(person);
        let (middle, height_px) = match (covered > 0, moved) {
            // A part of him: it says how he moves, not where his middle is.
            (true, Some((dx, dy))) => (
                (self.anchor.middle.0 + dx, self.anchor.middle.1 + dy),
                self.anchor.height_px,
            ),
            _ => {
                let wish = crop_height(&person, shape.aspect, shape.share);
                // Grows at once, so that a limb is never cut; shrinks slowly, so that the crop is steady.
                let height_px = wish
                    .max(self.anchor.height_px * 0.9)
                    .min(LARGEST_GROWTH * self.located_px)
                    .max(16.0);
                (middle(&person), height_px)
            }
        };
        let kept = (-waited / SIZE_MEMORY.0).exp();
        self.size_px = person.height_px.max(self.size_px * kept);
        if let Some(bottom_px) = bottom.filter(|_| covered == 0) {
            // A locator's box ends lower than the joints do.
            let first = self.track.poses.len() < 2;
            let kept = if first {
                0.0
            } else {
                (-waited / BOTTOM_MEMORY.0).exp()
            };
            self.bottom_px = kept * self.bottom_px + (1.0 - kept) * bottom_px;
        }
        self.anchor = Anchor {
            middle,
            height_px,
            at: pts,
            speed: self.speed(),
        };
        true
    }

    /// Somebody nearer has the pose that was seen here.
    pub(super) fn hidden(&mut self, pts: Seconds) {
        self.hidden_at = Some(pts);
        self.miss(pts);
    }

    fn miss(&mut self, pts: Seconds) {
        let patience = if self.is_hidden(pts) {
            HIDDEN_PATIENCE
        } else {
            PATIENCE
        };
        self.lost |= pts - self.anchor.at > patience;
    }

    fn is_hidden(&self, pts: Seconds) -> bool {
        self.hidden_at.is_some_and(|at| pts - at <= PATIENCE)
    }

    fn may_be(&self, person: &Region, pts: Seconds, found: &Detection, shape: CropShape) -> bool {
        let waited = self.waited(pts);
        let (expected, (x, y)) = (self.anchor.middle_at(pts), middle(person));
        let jump = (x - expected.0).hypot(y - expected.1);
        let near = jump <= (JUMP_SHARE + JUMP_RATE_HZ * waited.0) * self.anchor.height_px * shape.share;
        let misfit = self.misfit(pts, found).unwrap_or(0.0);
        let steady = misfit <= MISFIT_SHARE + MISFIT_RATE_HZ * waited.0.max(0.0);
        let size = waited <= PATIENCE || SIZE_AFTER_WAIT.contains(&(person.height_px / self.size_px));
        near && steady && size
    }

    /// Median way of the sure joints since the last pose, pixels.
    fn shift_px(&self, found: &Detection) -> Option<(f64, f64)> {
        let last = self.track.poses.last()?;
        let ways = |part: fn(PixelPoint) -> f64| {
            let sure = Joint::ALL.into_iter().filter(|j| found.sure[*j]);
            let ways = sure.filter_map(|j| Some(part(found.joints[j]?.at) - part(last.joints[j]?.at)));
            median_of(ways.collect())
        };
        Some((ways(|p| p.x_px)?, ways(|p| p.y_px)?))
    }

    /// A locator saw a person here who is this one.
    pub(super) fn seen(&mut self, person: &Region, at: Seconds, shape: CropShape) {
        self.contradictions = 0;
        if !self.is_hidden(at) {
            self.located_px = Anchor::on_box(person, at, shape).height_px;
        }
    }

    /// A locator saw nobody where this person should be.
    pub(super) fn not_seen(&mut self, at: Seconds) {
        if self.is_hidden(at) {
            return;
        }
        self.contradictions += 1;
        self.lost |= self.contradictions >= CONTRADICTIONS;
    }

    /// Time since the last pose, or since the person was located.
    pub(super) fn waited(&self, now: Seconds) -> Seconds {
        now - self.anchor.at
    }

    /// Another follower has had this person all along.
    pub(super) fn end(&mut self) {
        self.lost = true;
    }

    /// The latest pose at least [`SPEED_SPAN`] before the last one, not too long ago.
    fn earlier_pose(&self) -> Option<usize> {
        let poses = &self.track.poses;
        let now = poses.last()?.pts;
        let before = (0..poses.len() - 1)
            .rev()
            .find(|&i| now - poses[i].pts >= SPEED_SPAN)?;
        (now - poses[before].pts <= Seconds(0.3)).then_some(before)
    }

    /// Speed of the joints, pixels per second: the median, so that a limb that is hidden or swings does not move the crop.
    fn speed(&self) -> (f64, f64) {
        let (Some(now), Some(before)) = (self.track.poses.last(), self.earlier_pose()) else {
            return (0.0, 0.0);
        };
        let then = &self.track.poses[before];
        let dt = (now.pts - then.pts).0;
        let speed = |part: fn(PixelPoint) -> f64| {
            let ways = Joint::ALL
                .into_iter()
                .filter_map(|j| Some((part(now.joints[j]?.at) - part(then.joints[j]?.at)) / dt));
            median_of(ways.collect()).unwrap_or(0.0)
        };
        (speed(|p| p.x_px), speed(|p| p.y_px))
    }
}

/// The box round the joints of which the network is sure.
fn joints_box(found: &Detection) -> Option<Region> {
    let sure = Joint::ALL.into_iter().filter(|j| found.sure[*j]);
    around_points(sure.filter_map(|j| found.joints[j]).map(|j| j.at))
}
