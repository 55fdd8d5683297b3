//! Detect: frames become the athlete's joints in the picture.
//!
//! A locator network looks at a whole frame a few times a second and says where people are. Each person who could be the
//! athlete is followed: a crop round the last pose, moved on with its speed, goes through the keypoint network; frames go
//! in batches, because that is faster. At the end the athlete is chosen among those followed, and left and right limbs
//! that the network confused for a few frames are put right.
//!
//! | file | does |
//! |---|---|
//! | `runtime` | finds and runs the ONNX runtime |
//! | `manifest`, `locator_manifest` | what a network takes and gives |
//! | `input_tensor`, `heatmap` | picture -> network, network -> points |
//! | `keypoints`, `locator` | the two networks |
//! | `anchor`, `follower`, `finder` | the next crop; one person as long as he is seen without a break; all people |
//! | `rivals`, `appearance`, `stitch` | two people in one place; what they wear; pieces of track become people |
//! | `choice` | who is the athlete |
//! | `swaps` | left and right put right |
//! | `overlay` | skeletons drawn for people to look at |
//!
//! Assumptions: one athlete a clip, the largest person or the one who throws or the one who stands on the rubber; level
//! ground, on which the nearer of two people stands lower in the picture.
//! Limits: where somebody nearer hides the athlete there is no pose of him. A person lost for more than two seconds is
//! another; of people of the same size in the same clothes who meet where neither is nearer, the tracks may be exchanged.

mod anchor;
mod appearance;
mod boxes;
mod choice;
mod error;
mod finder;
mod follower;
#[cfg(test)]
mod following_tests;
mod heatmap;
mod input_tensor;
mod keypoints;
mod locator;
mod locator_manifest;
mod manifest;
mod overlay;
mod rivals;
mod runtime;
mod stitch;
mod swaps;

use std::path::Path;

use crate::ingest::Frame;
use crate::picture::{Picture, Region};
use crate::quality::{Progress, Warning, Warnings};
use crate::skeleton::{Joint, PerJoint};
use crate::track::{ImageJoint, PoseTrack};
use crate::units::Seconds;

pub use choice::PersonTrack;
pub use error::{DetectError, ManifestError};
pub use finder::AthleteFinder;
pub use input_tensor::CropTransform;
pub use keypoints::{HeatmapDetector, RawOutput};
pub use locator::CentreLocator;
pub use locator_manifest::{LocatorDecoding, LocatorManifest, LocatorOutputs, WholeInput};
pub use manifest::{
    Channels, CropInput, Decoding, DecodingKind, KeypointManifest, KeypointOutputs, Keypoints, NetworkFile,
    NetworkKind, Normalisation,
};
pub use overlay::{draw_skeleton, png};
pub use runtime::{Device, Runtime, shipped_models};
pub use swaps::mend_swaps;

/// A region of a picture in which one person is looked at. Its shape should be the detector's aspect.
#[derive(Clone, Copy, Debug)]
pub struct Crop<'a> {
    /// The picture.
    pub picture: &'a Picture,
    /// Which part of it.
    pub region: Region,
}

/// What a keypoint network saw in one crop.
#[derive(Clone, Debug, PartialEq)]
pub struct Detection {
    /// Joints in pixels of the full picture.
    pub joints: PerJoint<Option<ImageJoint>>,
    /// Joints whose standard deviation is small against the person.
    pub sure: PerJoint<bool>,
    /// Share of the joints that the network can give of which it is sure, 0 to 1.
    pub sureness: f64,
}

/// Finds one person's joints in crops.
pub trait KeypointDetector: Send {
    /// Joints of the person in the middle of each crop.
    ///
    /// # Errors
    /// [`DetectError`] when the network fails.
    fn detect(&mut self, crops: &[Crop<'_>]) -> Result<Vec<Detection>, DetectError>;

    /// Width over height of the crops it was made for.
    fn aspect(&self) -> f64;

    /// Share of the crop that the box round the joints should fill in the tighter direction.
    fn person_share(&self) -> f64;

    /// Whether it can give this joint at all.
    fn gives(&self, joint: Joint) -> bool;
}

/// A person found in a whole picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PersonBox {
    /// The box round the whole person.
    pub region: Region,
    /// Probability that it is a person, 0 to 1.
    pub score: f64,
}

/// Finds people in whole pictures.
pub trait PersonLocator: Send {
    /// The people in the picture, surest first.
    ///
    /// # Errors
    /// [`DetectError`] when the network fails.
    fn locate(&mut self, picture: &Picture) -> Result<Vec<PersonBox>, DetectError>;
}

/// The two networks at work.
pub struct Models {
    /// One person's joints in a crop.
    pub keypoints: Box<dyn KeypointDetector>,
    /// People in whole pictures.
    pub locator: Box<dyn PersonLocator>,
}

impl Models {
    /// Loads the shipped networks, or the keypoint network of a manifest of one's own, each on `threads` threads.
    ///
    /// # Errors
    /// [`DetectError`] when the runtime or a network is missing or does not fit.
    pub fn load(runtime: &Runtime, keypoints: Option<&Path>, threads: usize) -> Result<Self, DetectError> {
        let folder = shipped_models()?;
        let shipped = folder.join("athlete.toml");
        let keypoints = HeatmapDetector::load(runtime, keypoints.unwrap_or(&shipped), threads)?;
        let locator = CentreLocator::load(runtime, &folder.join("locator.toml"), threads)?;
        Ok(Self {
            keypoints: Box::new(keypoints),
            locator: Box::new(locator),
        })
    }
}

/// Where the pitching rubber is in the picture, when the rig is known: the athlete is who stands there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RubberHint {
    /// The ground round the rubber on which the athlete's feet stand before the delivery.
    pub region: Region,
}

/// Settings of this stage.
#[derive(Clone, Debug, PartialEq)]
pub struct DetectSettings {
    /// How many people are followed at the same time at most. Each costs as much as the athlete.
    pub most_people: usize,
    /// How often the whole frame is searched for people.
    pub locate_every: Seconds,
    /// Crops per run of the network.
    pub batch: usize,
    /// Frames of one batch span at most this time, because their crops come from the pose before the batch.
    pub batch_span: Seconds,
    /// Where the rubber is, when known.
    pub rubber: Option<RubberHint>,
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self {
            most_people: 4,
            locate_every: Seconds(0.25),
            batch: 8,
            // The fastest body part but the arm, the lead leg, moves about 0.2 body heights in this time.
            batch_span: Seconds(0.04),
            rubber: None,
        }
    }
}

/// The athlete through one clip.
#[derive(Clone, Debug, PartialEq)]
pub struct Followed {
    /// His joints; frames without him are left out.
    pub track: PoseTrack,
    /// How many frames were looked at.
    pub frames: usize,
    /// What the reader should know.
    pub warnings: Vec<Warning>,
}

/// Everybody in one clip who could be the athlete.
#[derive(Clone, Debug, PartialEq)]
pub struct People {
    /// The people, likeliest athlete first; at least one.
    pub people: Vec<PersonTrack>,
    /// How many frames were looked at.
    pub frames: usize,
    /// How many of them were there for a while.
    staying: usize,
    /// Joints that the network does not give.
    absent: Vec<Joint>,
}

impl People {
    /// One of them as the athlete, left and right put right; the last where there are fewer.
    #[must_use]
    pub fn athlete(&self, which: usize) -> Followed {
        let person = self.people.get(which).or(self.people.last());
        let (track, mended) = person.map_or_else(Default::default, |p| mend_swaps(&p.track));
        Followed {
            warnings: self.warnings(&track, mended),
            track,
            frames: self.frames,
        }
    }
}

/// Follows everybody through a clip who could be the athlete. Memory stays flat: at most one batch of pictures is held.
///
/// # Errors
/// [`DetectError::Frames`] when a frame is an error, [`DetectError::NoFrames`] and
/// [`DetectError::NoPerson`] when there is nothing to follow, and the networks' own errors.
pub fn follow_people<E>(
    frames: impl Iterator<Item = Result<Frame, E>>,
    models: &mut Models,
    settings: &DetectSettings,
    progress: &dyn Progress,
) -> Result<People, DetectError>
where
    E: std::error::Error + Send + Sync + 'static,
{
    let mut finder = AthleteFinder::new(settings.clone());
    let mut frames = frames.peekable();
    let mut count = 0;
    progress.start("detect", None);
    while let Some(first) = frames.next() {
        let first = first.map_err(|e| DetectError::Frames(Box::new(e)))?;
        let last = first.pts + settings.batch_span;
        let mut batch = vec![first];
        let together = |next: &Result<Frame, E>| next.as_ref().is_ok_and(|f| f.pts <= last);
        while batch.len() < settings.batch.max(1)
            && let Some(Ok(frame)) = frames.next_if(together)
        {
            batch.push(frame);
        }
        finder.take(&batch, models)?;
        count += batch.len();
        progress.advance(batch.len() as u64);
    }
    progress.finish();
    if count == 0 {
        return Err(DetectError::NoFrames);
    }
    let staying = finder.people();
    let people = finder.ranked();
    if people.is_empty() {
        return Err(DetectError::NoPerson { frames: count });
    }
    let given = |joint: &Joint| models.keypoints.gives(*joint);
    Ok(People {
        people,
        frames: count,
        staying,
        absent: Joint::ALL.into_iter().filter(|j| !given(j)).collect(),
    })
}

/// Follows the athlete through a clip: the likeliest of [`follow_people`].
///
/// # Errors
/// Those of [`follow_people`].
pub fn follow_athlete<E>(
    frames: impl Iterator<Item = Result<Frame, E>>,
    models: &mut Models,
    settings: &DetectSettings,
    progress: &dyn Progress,
) -> Result<Followed, DetectError>
where
    E: std::error::Error + Send + Sync + 'static,
{
    Ok(follow_people(frames, models, settings, progress)?.athlete(0))
}

impl People {
    fn warnings(&self, track: &PoseTrack, mended: usize) -> Vec<Warning> {
        let frames = self.frames;
        let mut warnings = Warnings::default();
        let without = frames - track.poses.len().min(frames);
        if without * 50 > frames {
            warnings.add(Warning::new(
                "athlete_lost",
                format!("the athlete was not found in {without} of {frames} frames"),
                "keep the whole body in the picture during the delivery, and others out of the way",
            ));
        }
        let people = self.staying;
        if people > 1 {
            warnings.add(Warning::new(
                "several_people",
                format!("{people} people were followed; the athlete was chosen among them"),
                "check in a key picture that the right person was measured",
            ));
        }
        if mended > 0 {
            warnings.add(Warning::new(
                "sides_mended",
                format!("left and right limbs were confused and put right in {mended} frames"),
                "look at the key pictures when the legs or arms cross",
            ));
        }
        let absent: Vec<&str> = self.absent.iter().map(|j| j.name()).collect();
        if !absent.is_empty() {
            warnings.add(Warning::new(
                "joints_not_given",
                format!("the network does not give {}", absent.join(", ")),
                "metrics that need them are not measurable; use the shipped network for all joints",
            ));
        }
        warnings.as_slice().to_vec()
    }
}
