//! One measured delivery as one file for other programs: C3D, or one wide table as CSV or Parquet.

use std::path::{Path, PathBuf};

use nalgebra::Vector3;

use crate::skeleton::Joint;
use crate::smooth::ImportedPosition;
use crate::store::curves::cell;
use crate::store::parquet_file::parquet_bytes;
use crate::store::{
    C3dContent, CurvesTable, DeliveryRecord, JointsTable, StoreError, read_bytes, read_curves, read_delivery,
    read_joints, write_c3d,
};
use crate::units::Seconds;

/// C3D knows one rate; instants further from even than this are brought to it, seconds.
const UNEVEN_S: f64 = 0.1e-3;

/// A kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExportFormat {
    /// Joint centres and events for motion laboratories.
    C3d,
    /// Joints and figures over time as one table of text.
    Csv,
    /// The same as typed columns, with `delivery.json` among the metadata.
    Parquet,
}

impl ExportFormat {
    /// By a file's ending.
    ///
    /// # Errors
    /// Another ending.
    pub fn of(path: &Path) -> Result<Self, StoreError> {
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        match ending.as_deref() {
            Some("c3d") => Ok(Self::C3d),
            Some("csv") => Ok(Self::Csv),
            Some("parquet") => Ok(Self::Parquet),
            _ => Err(StoreError::Ending {
                path: path.to_owned(),
                known: ".c3d, .csv or .parquet",
            }),
        }
    }
}

/// A measured delivery, read back from its folder.
#[derive(Clone, Debug)]
pub struct Export {
    /// `delivery.json`.
    pub record: DeliveryRecord,
    /// `joints.csv`.
    pub joints: JointsTable,
    /// `curves.csv`, where there is one.
    pub curves: Option<CurvesTable>,
}

/// An exported file.
#[derive(Clone, Debug)]
pub struct Exported {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// True when the instants were uneven and the joints were interpolated at even ones, as C3D needs.
    pub made_even: bool,
}

/// The `delivery.json` of a delivery's folder, or of a result that holds one delivery alone.
fn json_in(folder: &Path) -> Result<PathBuf, StoreError> {
    let json = folder.join("delivery.json");
    if json.exists() {
        return Ok(json);
    }
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut within: Vec<PathBuf> = entries.map(|e| e.path().join("delivery.json")).collect();
    within.retain(|path| path.exists());
    within.sort();
    match within.as_slice() {
        [only] => Ok(only.clone()),
        _ => Err(StoreError::Unreadable {
            path: json,
            why: format!(
                "no such file; {} deliveries lie in the folder\nhint: give one delivery's folder, for instance {}",
                within.len(),
                folder.join("delivery-01").display()
            ),
        }),
    }
}

impl Export {
    /// Reads a delivery's folder, a result that holds one delivery alone, or the folder of the `delivery.json` that is given.
    ///
    /// # Errors
    /// A file that is missing or refused.
    pub fn read(delivery: &Path) -> Result<Self, StoreError> {
        let json: PathBuf = if delivery.is_dir() {
            json_in(delivery)?
        } else {
            delivery.to_owned()
        };
        let curves = json.with_file_name("curves.csv");
        Ok(Self {
            record: read_delivery(&read_bytes(&json)?)?,
            joints: read_joints(&read_bytes(&json.with_file_name("joints.csv"))?)?,
            curves: if curves.exists() {
                Some(read_curves(&read_bytes(&curves)?)?)
            } else {
                None
            },
        })
    }

    /// As the bytes of one file.
    ///
    /// # Errors
    /// Too few rows for a rate, or a fault of a library.
    pub fn to_bytes(&self, format: ExportFormat) -> Result<Exported, StoreError> {
        let whole = |bytes| Exported {
            bytes,
            made_even: false,
        };
        match format {
            ExportFormat::C3d => {
                let even = made_even(&self.joints);
                let bytes = write_c3d(&C3dContent {
                    table: even.as_ref().unwrap_or(&self.joints),
                    events: &self.record.events,
                    side: self.record.athlete.throws,
                })?;
                Ok(Exported {
                    bytes,
                    made_even: even.is_some(),
                })
            }
            ExportFormat::Csv => self.csv().map(whole),
            ExportFormat::Parquet => {
                let delivery = serde_json::to_string(&self.record).map_err(|source| StoreError::Json {
                    what: "delivery.json",
                    source,
                })?;
                parquet_bytes(&self.joints.times, &self.columns(), &delivery).map(whole)
            }
        }
    }

    /// The columns after `time_s`: joints as in `joints.csv`, then the figures of `curves.csv`.
    fn columns(&self) -> Vec<(String, Vec<Option<f64>>)> {
        let mut columns = Vec::new();
        for joint in Joint::ALL {
            let path = &self.joints.joints[joint];
            let column = |value: &dyn Fn(&ImportedPosition) -> Option<f64>| {
                path.iter().map(|p| value(p.as_ref()?)).collect()
            };
            for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
                columns.push((format!("{joint}_{name}_m"), column(&|p| Some(p.position_m[axis]))));
            }
            columns.push((format!("{joint}_sd_m"), column(&|p| p.sd_m)));
        }
        // Both tables have one row per instant of the same trajectory.
        let rows = self.joints.times.len();
        if let Some(curves) = self.curves.as_ref().filter(|c| c.times.len() == rows) {
            columns.extend(curves.columns.iter().cloned());
        }
        columns
    }

    fn csv(&self) -> Result<Vec<u8>, StoreError> {
        let columns = self.columns();
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(std::iter::once("time_s").chain(columns.iter().map(|c| c.0.as_str())))?;
        for (i, time) in self.joints.times.iter().enumerate() {
            let cells = columns.iter().map(|(_, values)| cell(values[i]));
            writer.write_record(std::iter::once(format!("{:.7}", time.0)).chain(cells))?;
        }
        writer.into_inner().map_err(|e| StoreError::Csv {
            source: e.into_error().into(),
        })
    }
}

/// The table at even times; `None` where its times are even already.
fn made_even(table: &JointsTable) -> Option<JointsTable> {
    let times = &table.times;
    let (first, last) = (times.first()?.0, times.last()?.0);
    let step_s = (last - first) / (times.len().checked_sub(1)? as f64);
    let even: Vec<f64> = (0..times.len()).map(|i| first + step_s * i as f64).collect();
    if times.iter().zip(&even).all(|(t, e)| (t.0 - e).abs() < UNEVEN_S) {
        return None;
    }
    let mut joints = table.joints.clone();
    for joint in Joint::ALL {
        joints[joint] = even
            .iter()
            .map(|t| between(times, &table.joints[joint], *t))
            .collect();
    }
    Some(JointsTable {
        times: even.into_iter().map(Seconds).collect(),
        joints,
    })
}

/// A position between samples: the cubic through the two on either side, the straight line where only two are known.
fn between(times: &[Seconds], path: &[Option<ImportedPosition>], time_s: f64) -> Option<ImportedPosition> {
    let after = times.partition_point(|t| t.0 < time_s).clamp(1, times.len() - 1);
    let (before, at) = (path[after - 1]?, path[after]?);
    let nearest = |i: usize| Some((times.get(i)?.0, path.get(i).copied().flatten()?.position_m));
    let outer = (after >= 2)
        .then(|| nearest(after - 2))
        .flatten()
        .zip(nearest(after + 1));
    let inner = [
        (times[after - 1].0, before.position_m),
        (times[after].0, at.position_m),
    ];
    let nodes = match outer {
        Some((a, b)) => vec![a, inner[0], inner[1], b],
        None => inner.to_vec(),
    };
    // Lagrange's form.
    let mut position_m = Vector3::zeros();
    for (i, (own_s, p)) in nodes.iter().enumerate() {
        let weight: f64 = nodes
            .iter()
            .enumerate()
            .filter(|(k, _)| *k != i)
            .map(|(_, (other_s, _))| (time_s - other_s) / (own_s - other_s))
            .product();
        position_m += p * weight;
    }
    Some(ImportedPosition {
        position_m,
        sd_m: before.sd_m.zip(at.sd_m).map(|(a, b)| a.max(b)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::skeleton::PerJoint;

    #[test]
    fn uneven_times_are_made_even_along_the_path() {
        let at = |t: f64| Vector3::new((2.0 * t).sin(), t * t, 1.0);
        let times: Vec<Seconds> = (0..60)
            .map(|i| Seconds(f64::from(i) / 240.0 + 0.001 * f64::from(i % 3)))
            .collect();
        let table = JointsTable {
            joints: PerJoint::from_fn(|_| {
                times
                    .iter()
                    .map(|t| {
                        Some(ImportedPosition {
                            position_m: at(t.0),
                            sd_m: Some(0.004),
                        })
                    })
                    .collect()
            }),
            times,
        };
        let even = made_even(&table).unwrap();
        for (t, p) in even.times.iter().zip(&even.joints[Joint::Neck]) {
            assert!((p.unwrap().position_m - at(t.0)).norm() < 1e-5, "{t:?}");
        }
        assert!(made_even(&even).is_none());
    }

    #[test]
    fn a_result_with_one_delivery_is_that_delivery_and_several_are_refused_with_a_hint() {
        let result = tempfile::tempdir().unwrap();
        let add = |name: &str| {
            let folder = result.path().join(name);
            std::fs::create_dir(&folder).unwrap();
            std::fs::write(folder.join("delivery.json"), "{}").unwrap();
            folder.join("delivery.json")
        };
        let only = add("delivery-01");
        assert_eq!(json_in(result.path()).unwrap(), only);
        add("delivery-02");
        let refused = json_in(result.path()).unwrap_err().to_string();
        assert!(
            refused.contains("2 deliveries") && refused.contains("hint: "),
            "{refused}"
        );
    }

    #[test]
    fn the_ending_decides() {
        assert_eq!(ExportFormat::of(Path::new("a.C3D")).unwrap(), ExportFormat::C3d);
        assert_eq!(
            ExportFormat::of(Path::new("a.b.parquet")).unwrap(),
            ExportFormat::Parquet
        );
        assert!(ExportFormat::of(Path::new("a.xlsx")).is_err());
    }
}
