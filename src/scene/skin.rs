//! Skinning: a mesh follows its bones (linear blend), with the upper arm's twist spread along the arm.
//!
//! Plain linear blending lets the shoulder collapse when the upper arm turns about its own axis by 170 degrees, as it
//! does in layback. As in real arms, skin near the shoulder turns little and skin near the elbow turns fully: the upper
//! arm is split into slices that take a growing share of its twist.

use nalgebra::{Matrix3, UnitQuaternion, Vector3};

use crate::scene::rig::{BONE_COUNT, Bone, Posture, Rig};

/// Slices of each upper arm beside the bone itself, which takes the full twist.
const SLICES: usize = 3;
/// Transforms a skin vertex may follow: the bones, then the slices of the left and of the right upper arm.
pub(crate) const SKIN_BONE_COUNT: usize = BONE_COUNT + 2 * SLICES;
/// Twist is taken from half a turn before to half a turn after this angle of external rotation, radians: layback
/// (nearly 180 degrees) and full internal rotation both stay clear of the seam.
const TWIST_CENTRE_RAD: f64 = 1.0;

/// `x -> m x + t` for skin vertices in rest pose, world coordinates out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BoneTransform {
    m: Matrix3<f32>,
    t: Vector3<f32>,
}

impl BoneTransform {
    fn new(orientation: UnitQuaternion<f64>, rest_head: Vector3<f64>, posed_head: Vector3<f64>) -> Self {
        let t = posed_head - orientation * rest_head;
        Self {
            m: orientation.to_rotation_matrix().into_inner().cast(),
            t: t.cast(),
        }
    }
}

/// The bones whose skin follows slices, with the joint at their far end and the sign of external rotation about the
/// axis from shoulder to elbow.
const SLICED: [(Bone, Bone, f64); 2] = [
    (Bone::LeftUpperArm, Bone::LeftForearm, -1.0),
    (Bone::RightUpperArm, Bone::RightForearm, 1.0),
];

/// Splits skin weights of the upper arms into weights of their slices by the vertex's place along the arm. Weights are
/// `(transform index, weight)`, zeros allowed.
pub(crate) fn split_twist(rig: &Rig, vertex_m: Vector3<f32>, skin: [(u8, f32); 4]) -> Vec<(u8, f32)> {
    let mut out = Vec::with_capacity(6);
    for (bone, weight) in skin.into_iter().filter(|(_, w)| *w > 1e-4) {
        let Some(arm) = SLICED
            .iter()
            .position(|(sliced, ..)| *sliced as usize == usize::from(bone))
        else {
            out.push((bone, weight));
            continue;
        };
        let (upper, fore, _) = SLICED[arm];
        let shoulder = rig.heads_m[upper as usize];
        let axis = rig.heads_m[fore as usize] - shoulder;
        let along = (vertex_m.cast::<f64>() - shoulder).dot(&axis) / axis.norm_squared();
        let place = (along.clamp(0.0, 1.0) * SLICES as f64).min(SLICES as f64 - 1e-6);
        let (slice, share) = (place as usize, place.fract() as f32);
        let index = |s: usize| {
            if s == SLICES {
                bone
            } else {
                (BONE_COUNT + arm * SLICES + s) as u8
            }
        };
        out.push((index(slice), weight * (1.0 - share)));
        out.push((index(slice + 1), weight * share));
    }
    out
}

/// The transforms of all bones and slices for a posture.
pub(crate) fn bone_transforms(rig: &Rig, posture: &Posture) -> [BoneTransform; SKIN_BONE_COUNT] {
    let posed = rig.pose(posture);
    let mut out =
        [BoneTransform::new(UnitQuaternion::identity(), Vector3::zeros(), Vector3::zeros()); SKIN_BONE_COUNT];
    for (bone, transform) in out.iter_mut().enumerate().take(BONE_COUNT) {
        *transform = BoneTransform::new(posed.orientations[bone], rig.heads_m[bone], posed.heads_m[bone]);
    }
    for (arm, (upper, fore, external)) in SLICED.into_iter().enumerate() {
        let u = upper as usize;
        let axis = nalgebra::Unit::new_normalize(rig.heads_m[fore as usize] - rig.heads_m[u]);
        let turn = posture.turns[u];
        let twist = twist_rad(&turn, &axis, external * TWIST_CENTRE_RAD);
        let swing = turn * UnitQuaternion::from_axis_angle(&axis, -twist);
        let parent = upper
            .parent()
            .map_or(UnitQuaternion::identity(), |p| posed.orientations[p as usize]);
        for slice in 0..SLICES {
            let share = slice as f64 / SLICES as f64;
            let local = swing * UnitQuaternion::from_axis_angle(&axis, share * twist);
            out[BONE_COUNT + arm * SLICES + slice] =
                BoneTransform::new(parent * local, rig.heads_m[u], posed.heads_m[u]);
        }
    }
    out
}

/// The part of a rotation about an axis (swing-twist decomposition), within half a turn of `centre_rad`.
fn twist_rad(turn: &UnitQuaternion<f64>, axis: &nalgebra::Unit<Vector3<f64>>, centre_rad: f64) -> f64 {
    let twist = 2.0 * turn.imag().dot(axis).atan2(turn.scalar());
    let full = std::f64::consts::TAU;
    twist - full * ((twist - centre_rad) / full).round()
}

/// One vertex and its normal in the world; `weights` as [`split_twist`] gives them.
pub(crate) fn skin_vertex(
    transforms: &[BoneTransform; SKIN_BONE_COUNT],
    weights: &[(u8, f32)],
    rest: Vector3<f32>,
) -> Vector3<f32> {
    let mut p = Vector3::zeros();
    for &(bone, w) in weights {
        let b = &transforms[usize::from(bone)];
        p += (b.m * rest + b.t) * w;
    }
    p
}

/// A direction (a normal) carried by the same bones; not of unit length.
pub(crate) fn skin_direction(
    transforms: &[BoneTransform; SKIN_BONE_COUNT],
    weights: &[(u8, f32)],
    rest: Vector3<f32>,
) -> Vector3<f32> {
    let mut n = Vector3::zeros();
    for &(bone, w) in weights {
        n += transforms[usize::from(bone)].m * rest * w;
    }
    n
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twist_and_swing_make_the_whole_turn() {
        let axis = nalgebra::Unit::new_normalize(Vector3::new(0.6, -0.7, 0.1));
        let swing = UnitQuaternion::from_scaled_axis(axis.cross(&Vector3::x()).normalize() * 0.9);
        for twist in [-1.5, 0.3, 2.9, 3.6] {
            let turn = swing * UnitQuaternion::from_axis_angle(&axis, twist);
            assert!((twist_rad(&turn, &axis, 1.0) - twist).abs() < 1e-9, "{twist}");
        }
    }
}
