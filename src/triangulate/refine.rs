//! Least weighted reprojection error by Gauss-Newton, with the covariance at the minimum.
//!
//! With Gaussian pixel noise this is the most likely point (Hartley & Zisserman, *Multiple View Geometry*, section 12.3).

use nalgebra::{Matrix3, Matrix4x3, Vector3, Vector4};

use crate::geometry::{Camera, CameraFromWorld, WorldPoint};
use crate::triangulate::Sighting;

/// Steps at most; from the linear start three or four are enough.
const MAX_STEPS: usize = 25;

/// A step shorter than this ends the search, metres.
const STEP_END_M: f64 = 1e-12;

/// The most likely point.
pub(super) struct Refined {
    /// Position in the world, metres.
    pub(super) point_m: Vector3<f64>,
    /// Its covariance, square metres.
    pub(super) covariance_m2: Matrix3<f64>,
    /// What is left of the four image coordinates: one degree of freedom, in standard deviations.
    pub(super) miss_sigmas: f64,
}

/// Finds the least reprojection error near `start`; `None` when the point lies behind a camera or has no finite doubt.
pub(super) fn refine(
    start: Vector3<f64>,
    cameras: &[Camera; 2],
    poses: &[CameraFromWorld; 2],
    sightings: &[Sighting; 2],
) -> Option<Refined> {
    let mut point = start;
    let (mut misses, mut slopes) = linearise(&point, cameras, poses, sightings)?;
    for _ in 0..MAX_STEPS {
        let normal = slopes.transpose() * slopes;
        let mut step = normal.cholesky()?.solve(&(slopes.transpose() * misses));
        // Halve a step that makes things worse; near the minimum rounding decides, and the step is tiny anyway.
        let mut next = linearise(&(point + step), cameras, poses, sightings);
        while step.norm() > STEP_END_M
            && next
                .as_ref()
                .is_none_or(|(m, _)| m.norm_squared() > misses.norm_squared())
        {
            step /= 2.0;
            next = linearise(&(point + step), cameras, poses, sightings);
        }
        point += step;
        (misses, slopes) = next?;
        if step.norm() <= STEP_END_M {
            break;
        }
    }
    Some(Refined {
        point_m: point,
        covariance_m2: (slopes.transpose() * slopes).try_inverse()?,
        miss_sigmas: misses.dot(&unreachable_direction(&slopes)?),
    })
}

/// Observed minus projected over both views, and the projections' derivative, both in standard deviations.
fn linearise(
    point: &Vector3<f64>,
    cameras: &[Camera; 2],
    poses: &[CameraFromWorld; 2],
    sightings: &[Sighting; 2],
) -> Option<(Vector4<f64>, Matrix4x3<f64>)> {
    let mut misses = Vector4::zeros();
    let mut slopes = Matrix4x3::zeros();
    for view in 0..2 {
        let in_camera = poses[view].apply(WorldPoint(*point));
        let projected = cameras[view].project(in_camera)?;
        let miss = (sightings[view].at.vector() - projected.vector()) / sightings[view].sd_px;
        misses.fixed_rows_mut::<2>(2 * view).copy_from(&miss);
        let slope = cameras[view].project_jacobian(in_camera)? * poses[view].0.rotation.matrix();
        slopes
            .fixed_rows_mut::<2>(2 * view)
            .copy_from(&(slope / sightings[view].sd_px));
    }
    Some((misses, slopes))
}

/// The unit vector of image space that no motion of the point reaches: the generalised cross product of the three
/// columns, whose sign changes continuously with them.
fn unreachable_direction(slopes: &Matrix4x3<f64>) -> Option<Vector4<f64>> {
    let minor = |row: usize| slopes.remove_row(row).determinant();
    Vector4::new(minor(0), -minor(1), minor(2), -minor(3)).try_normalize(0.0)
}
