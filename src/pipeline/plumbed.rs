//! The vertical that dropped balls tell, joined with the upright board's.

use nalgebra::{Rotation3, Vector3};

use crate::ball::Plumb;
use crate::calibrate::RigFile;
use crate::geometry::{Rigid, StereoRig, WorldFromLeft};
use crate::quality::Warning;

/// A board and a ball that differ by more than this many of their deviations disagree.
const DISAGREE_SD: f64 = 3.5;

/// Turns the world about its origin so that its vertical is the mean of the board's and the ball's, weighted by their doubts,
/// in the rig and in what its file says; when they disagree, the ball's, with a warning. Without a world frame nothing
/// changes: a ball does not tell where the target is.
pub(crate) fn plumbed(rig: &mut StereoRig, file: &mut RigFile, plumb: &Plumb) -> Option<Warning> {
    let (world, entry) = (rig.world_from_left.as_mut()?, file.world_from_left.as_mut()?);
    let up = world.0.rotation * -plumb.down;
    let leans_deg = up.angle(&Vector3::y()).to_degrees();
    let disagree = leans_deg > DISAGREE_SD * entry.sd_tilt_deg.hypot(plumb.sd_deg);
    let weights = [entry.sd_tilt_deg, plumb.sd_deg].map(|sd| 1.0 / sd.max(1e-3).powi(2));
    let (share, sd_tilt_deg) = if disagree {
        (1.0, plumb.sd_deg)
    } else {
        let total = weights[0] + weights[1];
        (weights[1] / total, (1.0 / total).sqrt())
    };
    let turn = Rotation3::rotation_between(&up, &Vector3::y())?;
    let turn = Rotation3::from_scaled_axis(turn.scaled_axis() * share);
    tracing::info!(leans_deg, share, sd_tilt_deg, "vertical from dropped balls");
    *world = WorldFromLeft(Rigid::new(turn, Vector3::zeros()).after(&world.0));
    let rows = world.0.rotation.matrix().transpose();
    entry.rotation = [0, 1, 2].map(|i| [0, 1, 2].map(|j| rows[(j, i)]));
    entry.translation_m = world.0.translation_m.into();
    entry.sd_tilt_deg = sd_tilt_deg;
    disagree.then(|| {
        Warning::new(
            "vertical_disagrees",
            format!(
                "the dropped ball falls {leans_deg:.1} degrees off the vertical of the calibration; the ball is believed"
            ),
            "stand the board upright with a spirit level, several times, and leave the phones where they are between calibration and pitching",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Camera, RightFromLeft};

    fn rig_and_file(lean_deg: f64) -> (StereoRig, RigFile) {
        let lens = Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: 1000.0,
            fy_px: 1000.0,
            cx_px: 640.0,
            cy_px: 360.0,
            distortion: [0.0; 5],
        };
        let lean = Rotation3::from_axis_angle(&Vector3::z_axis(), lean_deg.to_radians());
        let world = Rigid::new(lean, Vector3::new(0.1, 1.3, 5.0));
        let phone = serde_json::json!({
            "width_px": 1280, "height_px": 720, "rate_hz": 240.0, "fx_px": 1000.0, "fy_px": 1000.0, "cx_px": 640.0,
            "cy_px": 360.0, "distortion": [0.0, 0.0, 0.0, 0.0, 0.0], "rms_px": 0.1, "pictures": 20, "sd": null,
        });
        let m = lean.matrix();
        let rows = [0, 1, 2].map(|i| [m[(i, 0)], m[(i, 1)], m[(i, 2)]]);
        let still = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let file = serde_json::json!({
            "schema": "twinmound.rig/1", "phones": [phone, phone],
            "right_from_left": {"rotation": still, "translation_m": [-6.0, 0.0, 0.0], "sd_deg": 0.02, "sd_m": 0.002},
            "world_from_left": {"rotation": rows, "translation_m": [0.1, 1.3, 5.0], "sd_tilt_deg": 1.2, "sd_yaw_deg": 1.2},
            "rms_px": 0.2, "verdict": "good", "reasons": [],
        });
        let rig = StereoRig {
            left: lens,
            right: lens,
            right_from_left: RightFromLeft(Rigid::new(Rotation3::identity(), Vector3::new(-6.0, 0.0, 0.0))),
            world_from_left: Some(WorldFromLeft(world)),
        };
        (rig, RigFile::from_json(&file.to_string()).unwrap())
    }

    #[test]
    fn the_ball_takes_the_boards_lean_out_of_the_vertical_and_leaves_the_origin() {
        // The camera stands level, so down is -y of its own axes here; the board leant by two degrees.
        let (mut rig, mut file) = rig_and_file(2.0);
        let origin_before = rig.world_from_left.unwrap().0.inverse().translation_m;
        let plumb = Plumb {
            down: -Vector3::y(),
            sd_deg: 0.2,
        };
        assert!(plumbed(&mut rig, &mut file, &plumb).is_none());
        let world = rig.world_from_left.unwrap().0;
        let left_over = (world.rotation * Vector3::y()).angle(&Vector3::y()).to_degrees();
        // 0.2 against 1.2 degrees: a 37th of the lean is left.
        assert!((left_over - 2.0 / 37.0).abs() < 1e-6, "{left_over}");
        assert!((world.inverse().translation_m - origin_before).norm() < 1e-12);
        let entry = file.world_from_left.as_ref().unwrap();
        assert!(entry.sd_tilt_deg < 0.2 && entry.sd_yaw_deg == 1.2);
        assert!(
            (file.rig().unwrap().world_from_left.unwrap().0.rotation.matrix() - world.rotation.matrix())
                .norm()
                < 1e-12
        );
    }

    #[test]
    fn a_ball_that_contradicts_the_board_is_believed_and_said() {
        let (mut rig, mut file) = rig_and_file(8.0);
        let plumb = Plumb {
            down: -Vector3::y(),
            sd_deg: 0.2,
        };
        let said = plumbed(&mut rig, &mut file, &plumb).unwrap();
        assert_eq!(said.code, "vertical_disagrees");
        assert!(said.text.contains("8.0 degrees"), "{said:?}");
        let up = rig.world_from_left.unwrap().0.rotation * Vector3::y();
        assert!(up.angle(&Vector3::y()) < 1e-9);
        // Without a world there is nothing to turn.
        rig.world_from_left = None;
        assert!(plumbed(&mut rig, &mut file, &plumb).is_none() && rig.world_from_left.is_none());
    }
}
