//! The mirror: a left-hander becomes a right-hander (z changes sign, left and right change names).

use nalgebra::Vector3;

use crate::skeleton::{Handedness, PerJoint, Side};
use crate::trajectory::{JointState, Trajectory};

/// The vector as the right-hander's.
pub(super) fn vector(v: Vector3<f64>, throws: Handedness) -> Vector3<f64> {
    match throws.0 {
        Side::Right => v,
        Side::Left => Vector3::new(v.x, v.y, -v.z),
    }
}

/// Values per joint as the right-hander's.
pub(super) fn per_joint<T: Clone>(values: &PerJoint<T>, throws: Handedness) -> PerJoint<T> {
    PerJoint::from_fn(|joint| values[throws.joint_as_right_hander(joint)].clone())
}

/// The trajectory as the right-hander's.
pub(super) fn trajectory(original: &Trajectory, throws: Handedness) -> Trajectory {
    let mut joints = per_joint(&original.joints, throws);
    for state in joints.0.iter_mut().flatten().flatten() {
        *state = JointState {
            position_m: vector(state.position_m, throws),
            velocity_m_s: vector(state.velocity_m_s, throws),
            acceleration_m_s2: vector(state.acceleration_m_s2, throws),
            sd_m: state.sd_m,
        };
    }
    Trajectory {
        times: original.times.clone(),
        joints,
        world_known: original.world_known,
    }
}
