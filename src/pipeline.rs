//! Pipeline: the story from two videos to measured deliveries.
//!
//! [`measure_recording`] names every stage in order; [`calibrate_recording`] and [`make_lens`] do the same for the board.

/// What can stand in the way, and whose problem it is.
mod error;

/// What `measure` was asked to do.
mod request;

/// Files that are given.
mod given;

/// The vertical by dropped balls.
mod plumbed;

/// Recordings of the board become a rig or a lens.
mod board_films;

/// Two videos become two pose tracks.
mod athletes;

/// The same person in both views.
mod same_person;

/// Sound, motion and dropped balls become one clock offset.
mod clocks;

/// The rig checked against the recording.
mod rig_checks;

/// The ball about release.
mod ball;

/// What is given instead of measured.
mod known;

/// Results become records of the files.
mod records;

/// All files of a recording.
mod output;

/// Pictures of the key moments.
mod pictures;

/// One video's joints as a table.
mod keypoints;

/// Joints from anywhere become a measured delivery.
mod joints;

/// What a table of joints must be.
mod joint_table;

/// Several deliveries become one summary.
mod session;

use std::cell::Cell;
use std::path::PathBuf;

pub use board_films::{BoardRequest, calibrate_recording, make_lens, rig_page_path};
pub use error::{Blame, PipelineError};
use given::{given, read_rig, refuse_same_video, shutter};
pub use joint_table::JointTableError;
pub use joints::{JointsRequest, measure_joints};
pub use keypoints::{KeypointsRequest, KeypointsResult, keypoints_of};
pub(crate) use known::Known;
pub(crate) use records::truth as truth_record;
pub use request::MeasureRequest;
pub use session::{SessionRequest, SessionResult, sum_up_session};

use crate::ball::DropClock;
use crate::calibrate::RigFile;
use crate::detect::{Models, Runtime};
use crate::findings::Evidence;
use crate::geometry::{Phone, Shutter, StereoRig};
use crate::ingest::{Clip, IngestOptions, check_pair, open_clip};
use crate::kinematics::{
    Athlete, DeliveryMeasures, DeliverySpan, Options, SecondRoute, find_deliveries, measure, noise_time_s,
};
use crate::quality::{Progress, Warnings};
use crate::reconstruct::{self, Clock, Reconstruction, RigDoubt, View, reconstruct};
use crate::report::DeliveryContent;
use crate::skeleton::PerJoint;
use crate::smooth::{self, JerkDensity, JointSamples, Smoothed, smooth};
use crate::store::DeliveryRecord;
use crate::sync::ClockOffset;
use crate::track::PoseTrack;
use crate::trajectory::Trajectory;
use crate::triangulate::{Gates, TwoTracks, triangulate};
use crate::units::Seconds;

/// Keypoints more doubtful than this are guesses of hidden limbs: no start in space is made of them, pixels.
const GUESSED_PX: f64 = 12.0;

/// When more of the keypoints than this contradict the rest, the two views do not belong together: good recordings have
/// under a tenth, exchanged phones near half.
const WORST_REJECTED_SHARE: f64 = 0.3;

/// One measured delivery.
#[derive(Clone, Debug)]
pub struct MeasuredDelivery {
    /// The joints' paths.
    pub trajectory: Trajectory,
    /// Events, metrics, curves.
    pub measures: DeliveryMeasures,
    /// As written to `delivery.json`.
    pub record: DeliveryRecord,
}

/// A recording, measured and written.
#[derive(Clone, Debug)]
pub struct MeasuredRecording {
    /// Its deliveries in order of time.
    pub deliveries: Vec<MeasuredDelivery>,
    /// The page.
    pub report: PathBuf,
}

/// Everything known of a recording before its deliveries are looked at one by one.
struct Recording {
    clips: [Clip; 2],
    shutters: [Shutter; 2],
    rig_file: RigFile,
    rig: StereoRig,
    /// Times count from LEFT's first frame; RIGHT's are on its own clock less the same amount.
    tracks: [PoseTrack; 2],
    clock: ClockOffset,
    /// What dropped balls say.
    drop: Option<DropClock>,
    smoothed: Smoothed,
    warnings: Warnings,
}

/// One recording pair becomes measured deliveries, written to `request.out`.
///
/// # Errors
/// [`PipelineError`], by stage.
pub fn measure_recording(
    request: &MeasureRequest,
    progress: &dyn Progress,
) -> Result<MeasuredRecording, PipelineError> {
    Ok(measure_knowing(request, &Known::default(), progress)?.0)
}

/// The same with parts of it given; and the joints in both phones' pictures.
pub(crate) fn measure_knowing(
    request: &MeasureRequest,
    known: &Known,
    progress: &dyn Progress,
) -> Result<(MeasuredRecording, [PoseTrack; 2]), PipelineError> {
    let recording = look_at(request, known, progress)?;
    let spans = find_deliveries(&recording.smoothed.trajectory, request.athlete.throws);
    if spans.is_empty() {
        return Err(PipelineError::NothingThrown);
    }
    progress.start("reconstruct and measure", Some(spans.len() as u64));
    let mut deliveries = Vec::new();
    let mut contents = Vec::new();
    for (span, clock) in spans.iter().zip(clocks::by_delivery(&recording, &spans)) {
        let (delivery, content) = measure_delivery(request, &recording, (span, &clock), known)?;
        deliveries.push(delivery);
        contents.push(content);
        progress.advance(1);
    }
    progress.finish();
    let title = request
        .left
        .file_stem()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    output::write(&request.out, title, &deliveries, contents)?;
    let measured = MeasuredRecording {
        deliveries,
        report: request.out.join("report.html"),
    };
    Ok((measured, recording.tracks))
}

/// ingest -> detect -> sync -> triangulate -> smooth, for the whole recording.
fn look_at(
    request: &MeasureRequest,
    known: &Known,
    progress: &dyn Progress,
) -> Result<Recording, PipelineError> {
    let (mut rig_file, rig) = read_rig(&request.rig)?;
    let rig = known.rig.clone().unwrap_or(rig);
    let options = IngestOptions {
        capture_fps: request.capture_fps,
        ..IngestOptions::default()
    };
    let clips = [
        open_clip(&request.left, &options)?,
        open_clip(&request.right, &options)?,
    ];
    refuse_same_video(&request.left, &request.right)?;
    let mut warnings = Warnings::default();
    warnings.extend(clips.iter().flat_map(|c| c.warnings.clone()));
    warnings.extend(check_pair(&clips[0].info, &clips[1].info)?);
    for (phone, clip) in [Phone::Left, Phone::Right].into_iter().zip(&clips) {
        let (seen, made) = ((clip.info.width_px, clip.info.height_px), rig.camera(phone));
        if seen != (made.width_px, made.height_px) {
            return Err(PipelineError::OtherPictureSize {
                phone,
                seen,
                calibrated: (made.width_px, made.height_px),
            });
        }
    }
    let shutters = [0, 1].map(|i| shutter(&clips[i], i, request));
    let (tracks, watches) = match &known.tracks {
        Some(tracks) => (tracks.clone(), None),
        None => {
            let runtime = Runtime::load()?.on(request.device)?;
            let load = || Models::load(&runtime, request.model.as_deref(), 1);
            let (models, offset_s) = ([load()?, load()?], request.offset_s);
            let (tracks, watches) =
                athletes::follow_both(&clips, models, &rig, &shutters, offset_s, progress, &mut warnings)?;
            (tracks, Some(watches))
        }
    };
    rig_checks::phones_stand_still(&clips, &tracks, &mut warnings)?;
    let drop = Cell::new(None);
    let clock = |rig: &_, w: &mut _| match known.offset_s {
        Some(offset_s) => Ok(ClockOffset::by_hand(offset_s, 0.0)),
        None => {
            let seen = clocks::Seen {
                clips: &clips,
                tracks: &tracks,
                watches: watches.as_ref(),
                rig,
                shutters: &shutters,
            };
            let found = clocks::find(request.offset_s, &seen, w)?;
            drop.set(found.drop);
            Ok(found.clock)
        }
    };
    let (mut rig, clock) = rig_checks::joints_fit(request, rig, &tracks, &shutters, clock, &mut warnings)?;
    if let Some(plumb) = drop.get().and_then(|d| d.plumb) {
        warnings.extend(plumbed::plumbed(&mut rig, &mut rig_file, &plumb));
    }
    let keypoints = triangulate(
        &rig,
        &TwoTracks {
            left: &tracks[0],
            right: &tracks[1],
            left_shutter: shutters[0],
            right_shutter: shutters[1],
            clock_offset: Seconds(clock.offset_s),
            left_first_pts: Seconds(0.0),
        },
        &Gates {
            min_visible: 0.0,
            max_sd_px: GUESSED_PX,
            ..Gates::default()
        },
    )?;
    let settings = smooth::Settings {
        jerk: JerkDensity::for_thrower(request.athlete.throws),
        timing_sd_s: clock.sd_s,
        ..smooth::Settings::default()
    };
    let smoothed = smooth(&JointSamples::from(&keypoints), &settings)?;
    Ok(Recording {
        clips,
        shutters,
        rig_file,
        rig,
        tracks,
        clock,
        drop: drop.get(),
        smoothed,
        warnings,
    })
}

/// reconstruct -> ball -> kinematics, for one delivery.
fn measure_delivery(
    request: &MeasureRequest,
    recording: &Recording,
    (span, clock): (&DeliverySpan, &ClockOffset),
    known: &Known,
) -> Result<(MeasuredDelivery, DeliveryContent), PipelineError> {
    let mut warnings = recording.warnings.clone();
    let estimate = if known.each_joint_alone {
        known::joints_alone(recording, span)
    } else {
        estimated(recording, span, clock)?
    };
    if estimate.rejected_share > WORST_REJECTED_SHARE {
        return Err(PipelineError::ViewsDoNotFit {
            percent: 100.0 * estimate.rejected_share,
        });
    }
    warnings.extend(recording.smoothed.warnings());
    warnings.extend(rig_checks::fit_warning(&estimate));
    let athlete = Athlete {
        throws: request.athlete.throws.or(Some(span.throws)),
        ..request.athlete
    };
    let options = Options {
        second_route: request.cutoff_hz.map(|cutoff_hz| SecondRoute {
            cutoff_hz,
            measured: None,
        }),
        ball: ball::flight(recording, span, &estimate),
        ..doubts(recording, &estimate)
    };
    let mut measures = measure(&estimate.trajectory, &athlete, &options);
    warnings.extend(rig_checks::hand_smear(&recording.shutters, &mut measures));
    warnings.extend(measures.warnings.clone());
    let evidence = Evidence::of(&measures).among(&request.peers).seen_in_pictures();
    let record = records::delivery(
        records::source(request, recording, &estimate)?,
        Some(records::rig(&recording.rig_file)),
        &athlete,
        &measures,
        &evidence,
        warnings,
    )?;
    let pictures = pictures::key_pictures(recording, &record.events);
    let content = DeliveryContent {
        record: record.clone(),
        curves: records::curves(&estimate.trajectory, &measures),
        pictures,
    };
    Ok((
        MeasuredDelivery {
            trajectory: estimate.trajectory,
            measures,
            record,
        },
        content,
    ))
}

/// The body's estimate of one delivery.
fn estimated(
    recording: &Recording,
    span: &DeliverySpan,
    clock: &ClockOffset,
) -> Result<Reconstruction, PipelineError> {
    let view = |i: usize| View {
        track: &recording.tracks[i],
        shutter: recording.shutters[i],
    };
    Ok(reconstruct(
        view(0),
        view(1),
        &recording.rig,
        Clock {
            offset_s: clock.offset_s,
            sd_s: clock.sd_s,
        },
        &recording.smoothed.trajectory,
        &reconstruct::Delivery {
            from: span.from,
            to: span.to,
            fastest: span.fastest,
            throws: span.throws,
        },
        &reconstruct::Settings {
            rig_doubt: rig_doubt(&recording.rig_file),
            ..reconstruct::Settings::default()
        },
    )?)
}

/// How well the rig knows the pose between the phones; exact where the file does not say.
fn rig_doubt(rig: &RigFile) -> RigDoubt {
    RigDoubt {
        turn_sd_deg: rig.right_from_left.sd_deg.unwrap_or(0.0),
        shift_sd_m: rig.right_from_left.sd_m.unwrap_or(0.0),
    }
}

/// What the doubt of the figures comes from.
fn doubts(recording: &Recording, estimate: &Reconstruction) -> Options {
    let world = recording.rig_file.world_from_left.as_ref();
    let usual = Options::default();
    Options {
        bandwidth_hz: PerJoint::from_fn(|j| {
            recording.smoothed.quality[j]
                .as_ref()
                .and_then(|quality| quality.bandwidth_hz)
        }),
        noise_time_s: PerJoint::from_fn(|j| {
            estimate.error_rate_per_s[j].map_or(usual.noise_time_s[j], noise_time_s)
        }),
        tilt_sd_deg: world.map_or(0.0, |w| w.sd_tilt_deg),
        yaw_sd_deg: world.map_or(0.0, |w| w.sd_yaw_deg),
        versions: estimate.versions.clone(),
        ..usual
    }
}
