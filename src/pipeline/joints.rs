//! Joints from anywhere become a measured delivery: smooth -> kinematics -> store, report, without any video.

use std::path::PathBuf;

use crate::findings::{Evidence, Peers};
use crate::kinematics::{
    Athlete, DeliverySpan, Event, Options, PerEvent, SecondRoute, faster_hand, find_deliveries, measure,
    noise_time_s,
};
use crate::pipeline::joint_table;
use crate::pipeline::{MeasuredDelivery, MeasuredRecording, PipelineError, output, records};
use crate::quality::{Progress, Warning, Warnings};
use crate::report::DeliveryContent;
use crate::skeleton::{Joint, PerJoint, Side};
use crate::smooth::{JerkDensity, Settings, SmoothedImport, smooth_imported};
use crate::store::{EventsRecord, JointsTable, SourceRecord, read_bytes, read_events, read_joints_file};
use crate::units::Seconds;

/// Where a table of joints comes from.
const JOINTS_HINT: &str = "--joints takes a table with the columns of joints.csv (time_s, then NAME_x_m, NAME_y_m, NAME_z_m of each joint), or a C3D file whose points are named as those joints";
/// Where events come from.
const EVENTS_HINT: &str = "--events takes a delivery.json, or its `events` object: {\"foot_contact\": {\"time_s\": 1.9, \"sd_s\": 0.002}, ...}";

/// What `measure --joints` was asked to do.
#[derive(Clone, Debug)]
pub struct JointsRequest {
    /// The joints, `.csv` or `.c3d`.
    pub joints: PathBuf,
    /// The events, instead of finding them.
    pub events: Option<PathBuf>,
    /// Folder to write.
    pub out: PathBuf,
    /// Who throws.
    pub athlete: Athlete,
    /// Cut-off of a second opinion on the speeds, hertz.
    pub cutoff_hz: Option<f64>,
    /// Whom the athlete is compared with.
    pub peers: Peers,
}

/// One file of joints becomes one measured delivery, written to `request.out`.
///
/// # Errors
/// [`PipelineError`], by stage.
pub fn measure_joints(
    request: &JointsRequest,
    progress: &dyn Progress,
) -> Result<MeasuredRecording, PipelineError> {
    let given = |source, hint| PipelineError::GivenFile { source, hint };
    let mut table = read_joints_file(&request.joints).map_err(|e| given(e, JOINTS_HINT))?;
    let events = match &request.events {
        Some(path) => Some(
            read_bytes(path)
                .and_then(|bytes| read_events(&bytes))
                .map_err(|e| given(e, EVENTS_HINT))?,
        ),
        None => None,
    };
    let mut warnings = Warnings::default();
    joint_table::check(&table, events.as_ref(), &mut warnings)?;
    let rate_hz = joint_table::rate_hz(&table);
    progress.start("smooth and measure", None);
    let mut import = smoothed(&table, request.athlete.throws)?;
    if events.is_none() {
        let found = find_deliveries(&import.smoothed.trajectory, request.athlete.throws);
        warnings.extend(throw_warning(found.len(), &import));
        if found.len() > 1
            && let Some(span) = fastest(&found, &import)
        {
            table = table.between(span.from, span.to);
            import = smoothed(&table, request.athlete.throws.or(Some(span.throws)))?;
        }
    }
    let trajectory = &import.smoothed.trajectory;
    warnings.extend(import.smoothed.warnings());
    warnings.extend(doubt_warning(&import));
    let options = Options {
        second_route: request.cutoff_hz.map(|cutoff_hz| SecondRoute {
            cutoff_hz,
            measured: Some(PerJoint::from_fn(|joint| {
                let path = table.joints[joint].iter();
                path.map(|p| p.map(|p| p.position_m)).collect()
            })),
        }),
        ..options(&import, rate_hz, events.as_ref())
    };
    let measures = measure(trajectory, &request.athlete, &options);
    warnings.extend(measures.warnings.clone());
    let source = SourceRecord {
        joints: Some(records::file(&request.joints, rate_hz)?),
        ..SourceRecord::default()
    };
    let record = records::delivery(
        source,
        None,
        &request.athlete,
        &measures,
        &Evidence::of(&measures).among(&request.peers),
        warnings,
    )?;
    let content = DeliveryContent {
        record: record.clone(),
        curves: records::curves(trajectory, &measures),
        pictures: Vec::new(),
    };
    let delivery = MeasuredDelivery {
        trajectory: import.smoothed.trajectory,
        measures,
        record,
    };
    let title = request
        .joints
        .file_name()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let deliveries = vec![delivery];
    output::write(&request.out, title, &deliveries, vec![content])?;
    progress.finish();
    Ok(MeasuredRecording {
        deliveries,
        report: request.out.join("report.html"),
    })
}

/// The paths; when the throwing hand is not given it is found first, as the two arms are smoothed differently.
fn smoothed(table: &JointsTable, throws: Option<Side>) -> Result<SmoothedImport, PipelineError> {
    let smooth = |throws| {
        let settings = Settings {
            jerk: JerkDensity::for_thrower(throws),
            ..Settings::default()
        };
        smooth_imported(&table.times, &table.joints, &settings)
    };
    let import = smooth(throws)?;
    match throws.or_else(|| faster_hand(&import.smoothed.trajectory)) {
        Some(found) if throws.is_none() => Ok(smooth(Some(found))?),
        _ => Ok(import),
    }
}

fn options(import: &SmoothedImport, rate_hz: Option<f64>, events: Option<&EventsRecord>) -> Options {
    let usual = Options::default();
    Options {
        // Where the smoother passes all that the rows can carry, they are the limit.
        bandwidth_hz: PerJoint::from_fn(|j| {
            let quality = import.smoothed.quality[j].as_ref()?;
            quality.bandwidth_hz.or(rate_hz.map(|rate| 0.5 * rate))
        }),
        noise_time_s: PerJoint::from_fn(|j| {
            import.noise[j].map_or(usual.noise_time_s[j], |n| noise_time_s(n.error_rate_per_s))
        }),
        events: events.map(|events| {
            let named = events.named();
            PerEvent::from_fn(|event| {
                let (_, at) = named.iter().find(|(name, _)| *name == event.id())?;
                at.map(|at| Event {
                    time_s: Seconds(at.time_s),
                    sd_s: at.sd_s.map(Seconds),
                })
            })
        }),
        ..usual
    }
}

/// Says that the joints' doubt was estimated, and how large it is.
fn doubt_warning(import: &SmoothedImport) -> Option<Warning> {
    let mut estimated: Vec<f64> = import
        .noise
        .iter()
        .filter_map(|(_, n)| n.filter(|n| !n.stated).map(|n| n.white_sd_m))
        .collect();
    estimated.sort_by(f64::total_cmp);
    let median_m = *estimated.get(estimated.len() / 2)?;
    Some(Warning::new(
        "doubt_estimated",
        format!(
            "the joints file states no standard deviation for {} joints: {:.1} mm (median) is estimated from how the positions scatter about a smooth path",
            estimated.len(),
            1000.0 * median_m
        ),
        "errors that change slowly cannot be seen this way, so the doubts here are the least possible; add columns NAME_sd_m where they are known",
    ))
}

/// The delivery with the fastest hand.
fn fastest(found: &[DeliverySpan], import: &SmoothedImport) -> Option<DeliverySpan> {
    let speed_m_s = |span: &DeliverySpan| {
        let [knuckle, wrist] = match span.throws {
            Side::Left => [Joint::LeftKnuckle, Joint::LeftWrist],
            Side::Right => [Joint::RightKnuckle, Joint::RightWrist],
        };
        let at = |joint| import.smoothed.trajectory.at(joint, span.fastest);
        at(knuckle)
            .or(at(wrist))
            .map_or(0.0, |state| state.velocity_m_s.norm())
    };
    found
        .iter()
        .max_by(|a, b| speed_m_s(a).total_cmp(&speed_m_s(b)))
        .copied()
}

/// Says so when the file holds no throw, or more than one.
fn throw_warning(throws: usize, import: &SmoothedImport) -> Option<Warning> {
    match throws {
        0 if import.noise[Joint::LeftKnuckle].is_some() || import.noise[Joint::RightKnuckle].is_some() => {
            Some(Warning::new(
                "no_throw",
                "no hand in the joints file is as fast as a throw (8 m/s)",
                "check that times are in seconds and positions in metres",
            ))
        }
        0 | 1 => None,
        count => Some(Warning::new(
            "several_deliveries",
            format!("the joints file holds {count} throws: the fastest is measured"),
            "cut the file into one delivery each, or give the events of the one meant with --events",
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kinematics::EventName;

    #[test]
    fn given_events_reach_the_measure_under_their_names() {
        let bytes = br#"{"events": {"foot_contact": {"time_s": 1.5, "sd_s": 0.002}, "ball_release": {"time_s": 1.7}}}"#;
        let events = read_events(bytes).unwrap();
        let empty = SmoothedImport {
            smoothed: crate::smooth::Smoothed {
                trajectory: crate::trajectory::Trajectory {
                    times: Vec::new(),
                    joints: PerJoint::from_fn(|_| Vec::new()),
                    world_known: true,
                },
                quality: PerJoint::from_fn(|_| None),
            },
            noise: PerJoint::from_fn(|_| None),
        };
        let given = options(&empty, Some(240.0), Some(&events)).events.unwrap();
        assert_eq!(given[EventName::FootContact].unwrap().sd_s, Some(Seconds(0.002)));
        assert_eq!(given[EventName::BallRelease].unwrap().time_s, Seconds(1.7));
        assert_eq!(given[EventName::PeakKneeLift], None);
    }
}
