//! Rigid motions with named ends; only compositions that make sense exist.

use nalgebra::{Rotation3, Vector3};

use crate::geometry::{CameraPoint, WorldPoint};

/// A rigid motion `x -> R x + t`, metres. The named poses wrap it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rigid {
    /// R.
    pub rotation: Rotation3<f64>,
    /// t, metres.
    pub translation_m: Vector3<f64>,
}

impl Rigid {
    /// From its two parts.
    #[must_use]
    pub fn new(rotation: Rotation3<f64>, translation_m: Vector3<f64>) -> Self {
        Self {
            rotation,
            translation_m,
        }
    }

    /// `R x + t`.
    #[must_use]
    pub fn apply(&self, x: &Vector3<f64>) -> Vector3<f64> {
        self.rotation * x + self.translation_m
    }

    /// The motion that undoes this one.
    #[must_use]
    pub fn inverse(&self) -> Self {
        let back = self.rotation.inverse();
        Self {
            rotation: back,
            translation_m: -(back * self.translation_m),
        }
    }

    /// This motion after `first`.
    #[must_use]
    pub fn after(&self, first: &Rigid) -> Self {
        Self {
            rotation: self.rotation * first.rotation,
            translation_m: self.apply(&first.translation_m),
        }
    }
}

/// Takes points of the left camera's frame to the right camera's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RightFromLeft(pub Rigid);

/// Takes points of the left camera's frame to the world.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorldFromLeft(pub Rigid);

/// Takes points of the world to one camera's frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CameraFromWorld(pub Rigid);

impl RightFromLeft {
    /// A left camera point seen from the right camera.
    #[must_use]
    pub fn apply(&self, left: CameraPoint) -> CameraPoint {
        CameraPoint(self.0.apply(&left.0))
    }

    /// Distance between the two centres of projection, metres.
    #[must_use]
    pub fn baseline_m(&self) -> f64 {
        self.0.translation_m.norm()
    }
}

impl WorldFromLeft {
    /// A left camera point in the world.
    #[must_use]
    pub fn apply(&self, left: CameraPoint) -> WorldPoint {
        WorldPoint(self.0.apply(&left.0))
    }

    /// The left camera's pose.
    #[must_use]
    pub fn left_from_world(&self) -> CameraFromWorld {
        CameraFromWorld(self.0.inverse())
    }
}

impl CameraFromWorld {
    /// A world point in this camera's frame.
    #[must_use]
    pub fn apply(&self, world: WorldPoint) -> CameraPoint {
        CameraPoint(self.0.apply(&world.0))
    }

    /// Where the centre of projection stands in the world.
    #[must_use]
    pub fn centre(&self) -> WorldPoint {
        WorldPoint(self.0.inverse().translation_m)
    }

    /// A camera that stands at `eye` and looks at `at`, held level (world +y up); `None` when the view is vertical or
    /// the two points coincide.
    #[must_use]
    pub fn looking_at(eye: WorldPoint, at: WorldPoint) -> Option<Self> {
        let forward = (at.0 - eye.0).try_normalize(1e-9)?;
        let right = forward.cross(&Vector3::y()).try_normalize(1e-9)?;
        let down = forward.cross(&right);
        let rotation = Rotation3::from_matrix_unchecked(nalgebra::Matrix3::from_rows(&[
            right.transpose(),
            down.transpose(),
            forward.transpose(),
        ]));
        Some(Self(Rigid::new(rotation, -(rotation * eye.0))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_motion_after_its_inverse_is_the_identity() {
        let m = Rigid::new(
            Rotation3::from_euler_angles(0.3, -0.8, 1.1),
            Vector3::new(0.2, -4.0, 1.5),
        );
        let one = m.after(&m.inverse());
        assert!(one.translation_m.norm() < 1e-12);
        assert!(one.rotation.angle() < 1e-7);
    }

    #[test]
    fn a_camera_that_looks_at_the_mound_sees_up_as_up_and_the_target_side_correctly() {
        // From the third-base side (-z is left of a person who faces the target), +x lies to the left in the picture...
        let eye = WorldPoint(Vector3::new(0.0, 1.3, 6.0));
        let pose = CameraFromWorld::looking_at(eye, WorldPoint(Vector3::new(0.0, 1.0, 0.0))).unwrap();
        let up = pose.apply(WorldPoint(Vector3::new(0.0, 1.5, 0.0))).0;
        assert!(
            up.y < 0.0 && up.z > 5.0,
            "higher in the world is smaller y in the picture: {up}"
        );
        // The camera stands at +z and looks along -z; x right = forward x up = (-z) x y = +x.
        let target = pose.apply(WorldPoint(Vector3::new(1.0, 1.0, 0.0))).0;
        assert!(target.x > 0.9, "{target}");
        assert!((pose.centre().0 - eye.0).norm() < 1e-12);
        assert!((pose.0.rotation.matrix().determinant() - 1.0).abs() < 1e-12);
    }
}
