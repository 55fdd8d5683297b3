//! One video becomes a table of the athlete's joints in its pictures.

use std::path::PathBuf;

use crate::detect::{DetectSettings, Device, Models, Runtime, draw_skeleton, follow_athlete, png};
use crate::ingest::{Clip, IngestOptions, open_clip};
use crate::pipeline::PipelineError;
use crate::quality::{Progress, Warning, Warnings};
use crate::store::{WholeFolder, image_joints_csv, write_whole};
use crate::track::PoseTrack;

/// A picture with the skeleton is drawn every so many frames.
const OVERLAY_EVERY: usize = 24;

/// What `keypoints` was asked to do.
#[derive(Clone, Debug)]
pub struct KeypointsRequest {
    /// The video.
    pub video: PathBuf,
    /// File to write.
    pub out: PathBuf,
    /// Manifest of another keypoint network.
    pub model: Option<PathBuf>,
    /// True rate of a slow-motion clip, hertz.
    pub capture_fps: Option<f64>,
    /// What the networks run on.
    pub device: Device,
    /// Folder for pictures with the skeleton drawn.
    pub overlay: Option<PathBuf>,
}

/// What was found.
#[derive(Clone, Debug)]
pub struct KeypointsResult {
    /// Frames of the video.
    pub frames: usize,
    /// Frames in which the athlete was found.
    pub found: usize,
    /// What the reader should know.
    pub warnings: Vec<Warning>,
}

/// Follows the athlete through one video and writes the table.
///
/// # Errors
/// [`PipelineError`], by stage.
pub fn keypoints_of(
    request: &KeypointsRequest,
    progress: &dyn Progress,
) -> Result<KeypointsResult, PipelineError> {
    let options = IngestOptions {
        capture_fps: request.capture_fps,
        ..IngestOptions::default()
    };
    let clip = open_clip(&request.video, &options)?;
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let runtime = Runtime::load()?.on(request.device)?;
    let mut models = Models::load(&runtime, request.model.as_deref(), threads)?;
    let mut frames = clip.frames()?;
    let followed = follow_athlete(&mut frames, &mut models, &DetectSettings::default(), progress)?;
    let mut warnings = Warnings::default();
    warnings.extend(clip.warnings.clone());
    warnings.extend(frames.warnings().to_vec());
    warnings.extend(followed.warnings);
    if let Some(folder) = &request.overlay {
        overlay(&clip, &followed.track, folder)?;
    }
    write_whole(&request.out, &image_joints_csv(&followed.track, clip.info.start)?)?;
    Ok(KeypointsResult {
        frames: followed.frames,
        found: followed.track.poses.len(),
        warnings: warnings.into_vec(),
    })
}

fn overlay(clip: &Clip, track: &PoseTrack, folder: &std::path::Path) -> Result<(), PipelineError> {
    let pictures = WholeFolder::begin(folder)?;
    for frame in clip.frames_where(|index, _| index % OVERLAY_EVERY == 0)? {
        let frame = frame?;
        if let Some(pose) = track.poses.iter().find(|p| p.frame == frame.index)
            && let Ok(bytes) = png(&draw_skeleton(&frame.picture, &[&pose.joints]))
        {
            pictures.write(&format!("frame-{:06}.png", frame.index), &bytes)?;
        }
    }
    pictures.finish(|name| name.starts_with("frame-"))?;
    Ok(())
}
