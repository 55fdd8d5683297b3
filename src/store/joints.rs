//! `joints.csv`: `time_s`, then `NAME_x_m, NAME_y_m, NAME_z_m, NAME_sd_m` of every joint; unknown joints are empty cells.

use nalgebra::Vector3;

use crate::skeleton::{Joint, PerJoint};
use crate::smooth::ImportedPosition;
use crate::store::StoreError;
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// A table of joints as it stands in a file.
#[derive(Clone, Debug, PartialEq)]
pub struct JointsTable {
    /// Increasing instants.
    pub times: Vec<Seconds>,
    /// `joints[j][i]` at `times[i]`; a joint without columns is unknown throughout.
    pub joints: PerJoint<Vec<Option<ImportedPosition>>>,
}

impl JointsTable {
    /// The rows from one instant to another, both included.
    #[must_use]
    pub fn between(&self, from: Seconds, to: Seconds) -> Self {
        let first = self.times.partition_point(|t| *t < from);
        let end = self.times.partition_point(|t| *t <= to).max(first);
        Self {
            times: self.times[first..end].to_vec(),
            joints: PerJoint::from_fn(|joint| self.joints[joint][first..end].to_vec()),
        }
    }
}

/// A trajectory as the bytes of `joints.csv`; without the columns of standard deviations when `with_sd` is false.
///
/// # Errors
/// When the table cannot be built; a fault of the machine.
pub fn joints_csv(trajectory: &Trajectory, with_sd: bool) -> Result<Vec<u8>, StoreError> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut header = vec!["time_s".to_owned()];
    for joint in Joint::ALL {
        header.extend(["x", "y", "z"].map(|axis| format!("{joint}_{axis}_m")));
        if with_sd {
            header.push(format!("{joint}_sd_m"));
        }
    }
    writer.write_record(&header)?;
    for (i, time) in trajectory.times.iter().enumerate() {
        // A tenth of a microsecond and of a micrometre: finer than any doubt, and short.
        let mut row = vec![format!("{:.7}", time.0)];
        for joint in Joint::ALL {
            let state = trajectory.joints[joint][i];
            row.extend(
                (0..3).map(|axis| state.map_or_else(String::new, |s| format!("{:.7}", s.position_m[axis]))),
            );
            if with_sd {
                let sd_m = state.and_then(|s| s.sd_m);
                row.push(sd_m.map_or_else(String::new, |sd| format!("{sd:.6}")));
            }
        }
        writer.write_record(&row)?;
    }
    writer.into_inner().map_err(|e| StoreError::Csv {
        source: e.into_error().into(),
    })
}

/// Columns of one joint.
struct JointColumns {
    joint: Joint,
    axes: [usize; 3],
    sd: Option<usize>,
}

/// Reads the bytes of a `joints.csv`; columns that are not known are ignored.
///
/// # Errors
/// Not a table, no time or no joint in it, a cell that is no number, times that do not increase.
pub fn read_joints(bytes: &[u8]) -> Result<JointsTable, StoreError> {
    // Spreadsheets like to begin a file with a byte order mark.
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bytes);
    let header = reader.headers()?.clone();
    let place = |name: &str| header.iter().position(|h| h == name);
    let needed = |name: String| place(&name).ok_or(StoreError::NoColumn { column: name });
    let time_column = needed("time_s".to_owned())?;
    let mut columns = Vec::new();
    for joint in Joint::ALL {
        let names = ["x", "y", "z"].map(|axis| format!("{joint}_{axis}_m"));
        if names.iter().any(|n| place(n).is_some()) {
            let [x, y, z] = names;
            columns.push(JointColumns {
                joint,
                axes: [needed(x)?, needed(y)?, needed(z)?],
                sd: place(&format!("{joint}_sd_m")),
            });
        }
    }
    if columns.is_empty() {
        return Err(StoreError::NoColumn {
            column: "right_wrist_x_m (or any other joint's)".to_owned(),
        });
    }
    let mut table = JointsTable {
        times: Vec::new(),
        joints: PerJoint::from_fn(|_| Vec::new()),
    };
    for record in reader.records() {
        let record = record?;
        let line = record.position().map_or(0, csv::Position::line);
        let number = |column: usize| number(&record, column, line, &header);
        let time = number(time_column)?.ok_or_else(|| StoreError::NotANumber {
            line,
            column: "time_s".to_owned(),
            text: String::new(),
        })?;
        if table.times.last().is_some_and(|last| time <= last.0) {
            return Err(StoreError::TimesNotIncreasing { line });
        }
        table.times.push(Seconds(time));
        for JointColumns { joint, axes, sd } in &columns {
            let [x, y, z] = [number(axes[0])?, number(axes[1])?, number(axes[2])?];
            let sd_m = sd.map(number).transpose()?.flatten().filter(|sd| *sd > 0.0);
            table.joints[*joint].push(match (x, y, z) {
                (Some(x), Some(y), Some(z)) => Some(ImportedPosition {
                    position_m: Vector3::new(x, y, z),
                    sd_m,
                }),
                _ => None,
            });
        }
    }
    let rows = table.times.len();
    for joint in Joint::ALL {
        table.joints[joint].resize(rows, None);
    }
    Ok(table)
}

/// A cell's number; `None` for an empty cell.
fn number(
    record: &csv::StringRecord,
    column: usize,
    line: u64,
    header: &csv::StringRecord,
) -> Result<Option<f64>, StoreError> {
    let text = record.get(column).unwrap_or("");
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse::<f64>() {
        Ok(x) if x.is_finite() => Ok(Some(x)),
        _ => Err(StoreError::NotANumber {
            line,
            column: header.get(column).unwrap_or("").to_owned(),
            text: text.to_owned(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trajectory::JointState;

    fn trajectory() -> Trajectory {
        let times: Vec<Seconds> = (0..5).map(|i| Seconds(0.0021 + f64::from(i) / 240.0)).collect();
        Trajectory {
            joints: PerJoint::from_fn(|joint| {
                (0..5)
                    .map(|i| {
                        (joint != Joint::Nose || i > 2).then(|| JointState {
                            position_m: Vector3::new(joint.index() as f64, f64::from(i) * 0.1, -1.25),
                            velocity_m_s: Vector3::zeros(),
                            acceleration_m_s2: Vector3::zeros(),
                            sd_m: Some(0.0045),
                        })
                    })
                    .collect()
            }),
            times,
            world_known: true,
        }
    }

    #[test]
    fn what_is_written_is_read_again() {
        let trajectory = trajectory();
        let bytes = joints_csv(&trajectory, true).unwrap();
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert!(text.starts_with("time_s,nose_x_m,nose_y_m,nose_z_m,nose_sd_m,head_top_x_m,"));
        assert!(
            text.lines()
                .nth(1)
                .unwrap()
                .starts_with("0.0021000,,,,,1.0000000,")
        );
        let table = read_joints(&bytes).unwrap();
        assert_eq!(table.times.len(), 5);
        for joint in Joint::ALL {
            for i in 0..5 {
                let (wrote, read) = (trajectory.joints[joint][i], table.joints[joint][i]);
                assert_eq!(wrote.is_some(), read.is_some());
                if let (Some(w), Some(r)) = (wrote, read) {
                    assert!((w.position_m - r.position_m).norm() < 1e-7);
                    assert_eq!(r.sd_m, Some(0.0045));
                }
            }
        }
        let bare = read_joints(&joints_csv(&trajectory, false).unwrap()).unwrap();
        assert_eq!(bare.joints[Joint::Neck][0].unwrap().sd_m, None);
    }

    #[test]
    fn foreign_columns_order_and_spaces_do_not_matter() {
        let text = "\u{feff}left_knee_z_m, left_knee_x_m,note,left_knee_y_m,time_s\r\n0.3,0.1,hello,0.2,0.5\r\n,,,,0.6\r\n";
        let table = read_joints(text.as_bytes()).unwrap();
        assert_eq!(
            table.joints[Joint::LeftKnee][0].unwrap().position_m,
            Vector3::new(0.1, 0.2, 0.3)
        );
        assert_eq!(table.joints[Joint::LeftKnee][1], None);
        assert_eq!(table.joints[Joint::Nose], vec![None, None]);
    }

    #[test]
    fn bad_tables_are_refused_with_line_and_column() {
        let refused = |text: &str| read_joints(text.as_bytes()).unwrap_err().to_string();
        assert!(refused("a,b\n1,2\n").contains("time_s"));
        assert!(refused("time_s,x\n1,2\n").contains("right_wrist_x_m"));
        assert!(refused("time_s,neck_x_m,neck_y_m\n1,2,3\n").contains("neck_z_m"));
        let message = refused("time_s,neck_x_m,neck_y_m,neck_z_m\n0,1,1,1\n1,1,two,1\n");
        assert!(
            message.contains("line 3") && message.contains("neck_y_m") && message.contains("two"),
            "{message}"
        );
        assert!(refused("time_s,neck_x_m,neck_y_m,neck_z_m\n0,1,1,1\n0,1,1,1\n").contains("line 3"));
        assert!(refused("time_s,neck_x_m,neck_y_m,neck_z_m\n0,1,1,NaN\n").contains("NaN"));
        assert!(refused("time_s,neck_x_m,neck_y_m,neck_z_m\n0,1,1\n").contains("table"));
    }
}
