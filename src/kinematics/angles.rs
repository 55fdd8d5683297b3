//! Joint angles and tilts of the (mirrored) right-hander, degrees, each with its rate where it is used as a speed.

use nalgebra::{Matrix3, Vector3};

use crate::skeleton::Joint;

use super::motion::Motion;
use super::moving::{MovingScalar, MovingVector};
use super::reason::Missing;
use super::segments::{
    Arm, DRIVE, Leg, across_chest, hip_line, pelvis, shoulder_line, spine, thigh, thigh_axis,
};
use super::segments::{trunk, up};

/// Brings an angle into (-180, 180] degrees.
pub(super) fn wrap_deg(angle_deg: f64) -> f64 {
    let turned = angle_deg.rem_euclid(360.0);
    if turned > 180.0 { turned - 360.0 } else { turned }
}

/// Bend at the middle of three joints, degrees: 0 straight.
fn flexion_deg(motion: &Motion<'_>, joints: [Joint; 3], time_s: f64) -> Result<MovingScalar, Missing> {
    let upper = motion.between(joints[0], joints[1], time_s)?;
    let lower = motion.between(joints[1], joints[2], time_s)?;
    Ok(upper.angle_to(lower).degrees())
}

/// Knee flexion, degrees: 180 less the angle between hip - knee and ankle - knee.
pub(super) fn knee_flexion_deg(motion: &Motion<'_>, leg: &Leg, time_s: f64) -> Result<MovingScalar, Missing> {
    flexion_deg(motion, [leg.hip, leg.knee, leg.ankle], time_s)
}

/// Elbow flexion, degrees.
pub(super) fn elbow_flexion_deg(
    motion: &Motion<'_>,
    arm: &Arm,
    time_s: f64,
) -> Result<MovingScalar, Missing> {
    flexion_deg(motion, [arm.shoulder, arm.elbow, arm.wrist], time_s)
}

/// Cardan angles of a distal segment in a proximal one, radians, in the ISB sequence Z-X-Y: about the proximal Z,
/// the floating X, the distal Y; both given as axes in columns.
pub(super) fn cardan_zxy_rad(proximal: &Matrix3<f64>, distal: &Matrix3<f64>) -> Vector3<f64> {
    let r = proximal.transpose() * distal;
    Vector3::new(
        (-r[(0, 1)]).atan2(r[(1, 1)]),
        r[(2, 1)].clamp(-1.0, 1.0).asin(),
        (-r[(2, 0)]).atan2(r[(2, 2)]),
    )
}

/// Abduction of the drive hip, degrees: second angle of femur in pelvis with its sign changed (adduction is positive
/// about a right leg's X). It needs the femur's long axis alone.
pub(super) fn drive_hip_abduction_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    let pelvis = pelvis(motion, time_s)?;
    let femur = thigh_axis(motion, &DRIVE, time_s)?;
    let adduction = pelvis.z.dot(femur).value.clamp(-1.0, 1.0).asin();
    Ok(-adduction.to_degrees())
}

/// External rotation of the drive hip, degrees: third angle with its sign changed (internal rotation is positive
/// about a right leg's Y).
pub(super) fn drive_hip_rotation_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    let pelvis = pelvis(motion, time_s)?.rotation();
    let thigh = thigh(motion, &DRIVE, time_s)?.rotation();
    Ok(-cardan_zxy_rad(&pelvis, &thigh).z.to_degrees())
}

/// Turn of a line from lead to throwing side about the vertical, degrees: 0 side-on, 90 facing the target.
fn facing_deg(line: MovingVector) -> MovingScalar {
    let minus_x = MovingScalar {
        value: -line.value.x,
        rate: -line.rate.x,
    };
    let z = MovingScalar {
        value: line.value.z,
        rate: line.rate.z,
    };
    z.atan2(minus_x).degrees()
}

/// Pelvis rotation, degrees.
pub(super) fn pelvis_rotation_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(facing_deg(hip_line(motion, time_s)?).value)
}

/// Trunk rotation (of the shoulder line), degrees.
pub(super) fn trunk_rotation_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(facing_deg(shoulder_line(motion, time_s)?).value)
}

/// Hip-shoulder separation, degrees: pelvis rotation less trunk rotation, the short way round.
pub(super) fn separation_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    Ok(wrap_deg(
        pelvis_rotation_deg(motion, time_s)? - trunk_rotation_deg(motion, time_s)?,
    ))
}

/// Rise of a line above the horizontal, degrees.
fn rise_deg(line: MovingVector, segment: &'static str, time_s: f64) -> Result<f64, Missing> {
    let direction = line.unit().ok_or(Missing::Degenerate { segment, time_s })?;
    Ok(direction.value.y.clamp(-1.0, 1.0).asin().to_degrees())
}

/// Tilt of the hip line, degrees: + with the throwing-side hip higher.
pub(super) fn pelvis_tilt_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    rise_deg(hip_line(motion, time_s)?, "pelvis", time_s)
}

/// Tilt of the shoulder line, degrees: + with the throwing shoulder higher.
pub(super) fn shoulder_line_tilt_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    rise_deg(shoulder_line(motion, time_s)?, "shoulder line", time_s)
}

/// Lean of the spine line to the glove side, in the plane across the chest, degrees.
pub(super) fn trunk_contralateral_tilt_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    let trunk = trunk(motion, time_s)?;
    let across = across_chest(&trunk, time_s)?;
    Ok((-trunk.y.dot(across).value).atan2(trunk.y.value.y).to_degrees())
}

/// Lean of the spine line to where the chest faces, degrees.
pub(super) fn trunk_forward_tilt_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    let trunk = trunk(motion, time_s)?;
    let forward = up().cross(across_chest(&trunk, time_s)?);
    Ok(trunk.y.dot(forward).value.atan2(trunk.y.value.y).to_degrees())
}

/// Lean of the spine line to the glove side as the catcher sees it, degrees.
pub(super) fn trunk_lean_from_target_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    let spine = spine(motion, time_s)?.value;
    Ok((-spine.z).atan2(spine.y).to_degrees())
}

/// Lean of the spine line toward the target, degrees.
pub(super) fn trunk_tilt_toward_target_deg(motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
    let spine = spine(motion, time_s)?.value;
    Ok(spine.x.atan2(spine.y).to_degrees())
}

/// Angle between the upper arm and the trunk's downward axis, degrees.
pub(super) fn shoulder_abduction_deg(motion: &Motion<'_>, arm: &Arm, time_s: f64) -> Result<f64, Missing> {
    let upper_arm = motion.between(arm.shoulder, arm.elbow, time_s)?;
    let down = trunk(motion, time_s)?.y * -1.0;
    Ok(upper_arm.angle_to(down).degrees().value)
}

/// Upper arm behind the line of the shoulders, degrees.
pub(super) fn shoulder_horizontal_abduction_deg(
    motion: &Motion<'_>,
    arm: &Arm,
    time_s: f64,
) -> Result<f64, Missing> {
    let upper_arm = motion.between(arm.shoulder, arm.elbow, time_s)?;
    let trunk = trunk(motion, time_s)?;
    Ok(-upper_arm
        .dot(trunk.x)
        .value
        .atan2(upper_arm.dot(trunk.z).value)
        .to_degrees())
}

/// External rotation of the throwing shoulder, degrees, -180 to 180, with its rate: 0 forearm forward, 90 up, 180 back.
pub(super) fn external_rotation_deg(
    motion: &Motion<'_>,
    arm: &Arm,
    time_s: f64,
) -> Result<MovingScalar, Missing> {
    let degenerate = Missing::Degenerate {
        segment: "upper arm",
        time_s,
    };
    let along = motion
        .between(arm.shoulder, arm.elbow, time_s)?
        .unit()
        .ok_or(degenerate.clone())?;
    let upward = trunk(motion, time_s)?.y.across(along).unit().ok_or(degenerate)?;
    let forward = upward.cross(along);
    let forearm = motion.between(arm.elbow, arm.wrist, time_s)?.across(along);
    Ok(forearm.dot(upward).atan2(forearm.dot(forward)).degrees())
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Quaternion, UnitQuaternion};

    /// SciPy's `Rotation.as_euler("ZXY")`; `fixtures/kinematics/README.md` has the recipe.
    #[test]
    fn cardan_angles_agree_with_scipy() {
        let text = include_str!("../../fixtures/kinematics/scipy_zxy.csv");
        let mut rows = 0;
        for line in text.lines().skip(1) {
            let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let axes = |q: &[f64]| {
                let unit = UnitQuaternion::from_quaternion(Quaternion::new(q[3], q[0], q[1], q[2]));
                *unit.to_rotation_matrix().matrix()
            };
            let got = cardan_zxy_rad(&axes(&v[0..4]), &axes(&v[4..8])).map(f64::to_degrees);
            for axis in 0..3 {
                assert!(
                    wrap_deg(got[axis] - v[8 + axis]).abs() < 1e-9,
                    "{got:?} against {v:?}"
                );
            }
            rows += 1;
        }
        assert_eq!(rows, 60);
    }
}
