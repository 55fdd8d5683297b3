//! A table of joints from elsewhere: is it what it should be? Slips of units, axes and columns are refused before they
//! become figures.

use nalgebra::Vector3;

use crate::kinematics::EventName;
use crate::quality::{Warning, Warnings};
use crate::skeleton::{Joint, Joint::*};
use crate::store::{EventsRecord, JointsTable};

/// Fewer rows than this are no delivery: a tenth of a second at 240 Hz.
const LEAST_ROWS: usize = 24;

/// A delivery filmed slower than this loses its fast parts; common practice, no source.
const LOW_RATE_HZ: f64 = 100.0;

/// Median length of a person's upper arms, forearms, thighs and shanks lies within these bounds, metres: wide about a
/// small child and the tallest adult.
const BONE_M: (f64, f64) = (0.12, 0.75);

/// The bones of a body's limbs.
const BONES: [(Joint, Joint); 8] = [
    (LeftShoulder, LeftElbow),
    (RightShoulder, RightElbow),
    (LeftElbow, LeftWrist),
    (RightElbow, RightWrist),
    (LeftHip, LeftKnee),
    (RightHip, RightKnee),
    (LeftKnee, LeftAnkle),
    (RightKnee, RightAnkle),
];

/// Units that are mistaken for metres: how many of them make one.
const UNITS: [(f64, &str); 4] = [
    (1000.0, "millimetres"),
    (100.0, "centimetres"),
    (39.37, "inches"),
    (3.281, "feet"),
];

/// Joints no metric needs.
const NOT_NEEDED: [Joint; 5] = [Nose, LeftEye, RightEye, LeftEar, RightEar];

/// What is wrong with a table of joints.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum JointTableError {
    /// Too short.
    #[error(
        "the joints file has {rows} rows; at least {LEAST_ROWS} are needed\nhint: one row per frame, from wind-up to follow-through"
    )]
    TooFewRows {
        /// Rows there.
        rows: usize,
    },
    /// Another unit than metres.
    #[error(
        "the joints file is not in metres: the median bone of arms and legs measures {bone:.3}, between {} and {} m is possible{}\nhint: columns NAME_x_m hold metres; a C3D file must state its unit truly",
        BONE_M.0, BONE_M.1, seems(*bone)
    )]
    Units {
        /// Median length of the limbs' bones as the file has it.
        bone: f64,
    },
    /// Another direction is up.
    #[error(
        "in the joints file the body stands along {up}, not along +y\nhint: +x points to the target, +y up, +z to the right of a person who faces the target; turn the axes first"
    )]
    NotUpright {
        /// The axis along which the shoulders lie from the ankles.
        up: &'static str,
    },
    /// Release cannot be found.
    #[error(
        "the joints file has no values in {}: ball release is found from the throwing hand's knuckle\nhint: add its columns (the middle finger's knuckle), or give the events with --events",
        columns.join(", ")
    )]
    NoKnuckle {
        /// Columns that would do.
        columns: Vec<String>,
    },
    /// A file without an event.
    #[error(
        "the events file holds none of {}\nhint: --events takes a delivery.json, or its `events` object",
        EventName::ALL.map(EventName::id).join(", ")
    )]
    NoEvents,
}

/// What the unit may be.
fn seems(bone: f64) -> String {
    UNITS
        .iter()
        .find(|(per_metre, _)| (BONE_M.0..BONE_M.1).contains(&(bone / per_metre)))
        .map_or_else(String::new, |(_, name)| format!("; it seems to be in {name}"))
}

/// Refuses a table that cannot be joints of a delivery in our frame and units; says what is poor about it.
pub(super) fn check(
    table: &JointsTable,
    events: Option<&EventsRecord>,
    warnings: &mut Warnings,
) -> Result<(), JointTableError> {
    let rows = table.times.len();
    if rows < LEAST_ROWS {
        return Err(JointTableError::TooFewRows { rows });
    }
    if let Some(bone) = median_bone(table)
        && !(BONE_M.0..=BONE_M.1).contains(&bone)
    {
        return Err(JointTableError::Units { bone });
    }
    check_upright(table)?;
    let unknown = |joint: Joint| table.joints[joint].iter().all(Option::is_none);
    if events.is_none() && unknown(LeftKnuckle) && unknown(RightKnuckle) {
        let columns = [RightKnuckle, LeftKnuckle].map(|j| format!("{j}_x_m")).to_vec();
        return Err(JointTableError::NoKnuckle { columns });
    }
    if events.is_some_and(|e| e.named().iter().all(|(_, event)| event.is_none())) {
        return Err(JointTableError::NoEvents);
    }
    let missing: Vec<&str> = Joint::ALL
        .into_iter()
        .filter(|j| unknown(*j) && !NOT_NEEDED.contains(j))
        .map(Joint::name)
        .collect();
    if !missing.is_empty() {
        warnings.add(Warning::new(
            "joints_missing",
            format!("the joints file has no values for {}", missing.join(", ")),
            "figures that need them are not measurable; each says so",
        ));
    }
    if let Some(rate_hz) = rate_hz(table)
        && rate_hz < LOW_RATE_HZ
    {
        warnings.add(Warning::new(
            "low_rate",
            format!("the joints come {rate_hz:.0} times a second: fast motion between two rows is guessed"),
            "record at 240 times a second or more",
        ));
    }
    Ok(())
}

/// Rows per second, by the median interval.
pub(super) fn rate_hz(table: &JointsTable) -> Option<f64> {
    median(table.times.windows(2).map(|w| (w[1] - w[0]).0).collect()).map(|step_s| 1.0 / step_s)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

fn median_bone(table: &JointsTable) -> Option<f64> {
    let bones = BONES.into_iter().filter_map(|(a, b)| {
        let ends = table.joints[a].iter().zip(&table.joints[b]);
        median(
            ends.filter_map(|(a, b)| Some((a.as_ref()?.position_m - b.as_ref()?.position_m).norm()))
                .collect(),
        )
    });
    median(bones.collect())
}

/// Shoulders lie above ankles in the median row, by more than they lie to any side.
fn check_upright(table: &JointsTable) -> Result<(), JointTableError> {
    let middle = |a: Joint, b: Joint, row: usize| -> Option<Vector3<f64>> {
        let [a, b] = [a, b].map(|j| table.joints[j][row].map(|p| p.position_m));
        Some((a? + b?) * 0.5)
    };
    let spans: Vec<Vector3<f64>> = (0..table.times.len())
        .filter_map(|row| {
            Some(middle(LeftShoulder, RightShoulder, row)? - middle(LeftAnkle, RightAnkle, row)?)
        })
        .collect();
    let axis = |i: usize| median(spans.iter().map(|s| s[i]).collect());
    let (Some(x), Some(y), Some(z)) = (axis(0), axis(1), axis(2)) else {
        return Ok(());
    };
    if y > x.abs().max(z.abs()) {
        return Ok(());
    }
    let named = [(x, "+x", "-x"), (y, "+y", "-y"), (z, "+z", "-z")];
    let largest = named.into_iter().max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    let up = largest.map_or(
        "+z",
        |(along, plus, minus)| if along > 0.0 { plus } else { minus },
    );
    Err(JointTableError::NotUpright { up })
}
