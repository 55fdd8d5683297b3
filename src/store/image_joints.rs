//! The table of one phone's joints in the picture: `frame, time_s`, then `NAME_x_px, NAME_y_px, NAME_sd_px`.

use crate::skeleton::Joint;
use crate::store::StoreError;
use crate::track::PoseTrack;
use crate::units::Seconds;

/// The table's bytes; `start` is the clip's first presentation time, from which `time_s` counts. A joint that was not
/// found is an empty cell.
///
/// # Errors
/// When the table cannot be encoded.
pub fn image_joints_csv(track: &PoseTrack, start: Seconds) -> Result<Vec<u8>, StoreError> {
    let mut table = csv::Writer::from_writer(Vec::new());
    let mut header = vec!["frame".to_owned(), "time_s".to_owned()];
    for joint in Joint::ALL {
        header.extend(["x_px", "y_px", "sd_px"].map(|part| format!("{joint}_{part}")));
    }
    table.write_record(&header)?;
    for pose in &track.poses {
        let mut row = vec![pose.frame.to_string(), format!("{:.6}", (pose.pts - start).0)];
        for (_, seen) in pose.joints.iter() {
            match seen {
                Some(j) => row.extend([j.at.x_px, j.at.y_px, j.sd_px].map(|v| format!("{v:.3}"))),
                None => row.extend([const { String::new() }; 3]),
            }
        }
        table.write_record(&row)?;
    }
    table.into_inner().map_err(|e| StoreError::Csv {
        source: e.into_error().into(),
    })
}
