//! All files of a recording.

use std::path::Path;

use crate::pipeline::{MeasuredDelivery, PipelineError, records};
use crate::report::{DeliveryContent, ReportContent, page};
use crate::store::{WholeFolder, curves_csv, delivery_folder_name, is_delivery_folder, joints_csv};

/// All files of the recording, whole or not at all.
pub(super) fn write(
    out: &Path,
    title: String,
    deliveries: &[MeasuredDelivery],
    contents: Vec<DeliveryContent>,
) -> Result<(), PipelineError> {
    let folder = WholeFolder::begin(out)?;
    for (i, delivery) in deliveries.iter().enumerate() {
        let name = delivery_folder_name(i + 1);
        folder.write(&format!("{name}/delivery.json"), &delivery.record.to_json()?)?;
        folder.write(
            &format!("{name}/joints.csv"),
            &joints_csv(&delivery.trajectory, true)?,
        )?;
        let curves = records::curves_table(&delivery.trajectory, &delivery.measures);
        folder.write(&format!("{name}/curves.csv"), &curves_csv(&curves)?)?;
    }
    let html = page(&ReportContent {
        title,
        deliveries: contents,
    })?;
    folder.write("report.html", html.as_bytes())?;
    folder.finish(is_delivery_folder)?;
    Ok(())
}
