//! Planes seen by a pinhole: the start of every fit (Zhang, "A flexible new technique for camera calibration", IEEE
//! TPAMI 22(11), 2000).

use nalgebra::{Matrix3, Rotation3, SMatrix, SVector, Vector2, Vector3};

use crate::geometry::Rigid;

/// Homography that takes board points (x, y) to pixels, by the normalised direct linear transformation; `None` for fewer
/// than four points or points in a line.
pub(super) fn homography(board: &[Vector3<f64>], pixels: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    if board.len() < 4 || board.len() != pixels.len() {
        return None;
    }
    let flat: Vec<_> = board.iter().map(|p| p.xy()).collect();
    let (from, to) = (normaliser(&flat)?, normaliser(pixels)?);
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (b, p) in flat.iter().zip(pixels) {
        let (b, p) = (from * b.push(1.0), to * p.push(1.0));
        let row_x = SVector::<f64, 9>::from([b.x, b.y, 1.0, 0.0, 0.0, 0.0, -p.x * b.x, -p.x * b.y, -p.x]);
        let row_y = SVector::<f64, 9>::from([0.0, 0.0, 0.0, b.x, b.y, 1.0, -p.y * b.x, -p.y * b.y, -p.y]);
        normal += row_x * row_x.transpose() + row_y * row_y.transpose();
    }
    let eigen = normal.symmetric_eigen();
    let least = eigen.eigenvalues.imin();
    let h = eigen.eigenvectors.column(least);
    let h = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]);
    let h = to.try_inverse()? * h * from;
    let scale = h.norm();
    (scale.is_finite() && scale > 0.0 && (h / scale).determinant().abs() > 1e-15).then(|| h / scale)
}

/// Moves points to mean 0 and mean distance sqrt 2.
fn normaliser(points: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    let count = points.len() as f64;
    let mean = points.iter().sum::<Vector2<f64>>() / count;
    let spread = points.iter().map(|p| (p - mean).norm()).sum::<f64>() / count;
    if spread.is_nan() || spread <= 1e-12 {
        return None;
    }
    let s = std::f64::consts::SQRT_2 / spread;
    Some(Matrix3::new(
        s,
        0.0,
        -s * mean.x,
        0.0,
        s,
        -s * mean.y,
        0.0,
        0.0,
        1.0,
    ))
}

/// Focal length, pixels, from homographies of tilted boards, square pixels and the principal point at `centre`; `None` when
/// the boards are all seen face on, so that nothing is learnt.
pub(super) fn focal_length(homographies: &[Matrix3<f64>], centre: Vector2<f64>) -> Option<f64> {
    // With w = 1 / f^2 the two columns h, v of a homography are orthogonal and of equal length under diag(w, w, 1).
    let scale = centre.norm().max(1.0);
    let to = Matrix3::new(
        1.0 / scale,
        0.0,
        -centre.x / scale,
        0.0,
        1.0 / scale,
        -centre.y / scale,
        0.0,
        0.0,
        1.0,
    );
    let (mut numerator, mut denominator) = (0.0, 0.0);
    for h in homographies {
        let m = to * h;
        let (a, b) = (m.column(0), m.column(1));
        let size = a.norm() * b.norm();
        let (sum, difference) = ((a + b) / 2.0, (a - b) / 2.0);
        for (p, q) in [(a.into_owned(), b.into_owned()), (sum, difference)] {
            let flat = (p.x * q.x + p.y * q.y) / size;
            numerator -= flat * p.z * q.z / size;
            denominator += flat * flat;
        }
    }
    let w = numerator / denominator;
    (w.is_finite() && w > 1e-4 && w < 1e4).then(|| scale / w.sqrt())
}

/// Pose of the board in the camera from a homography to *normalised, undistorted* coordinates.
pub(super) fn pose(h: &Matrix3<f64>) -> Option<Rigid> {
    let scale = 2.0 / (h.column(0).norm() + h.column(1).norm());
    let h = h * if h[(2, 2)] < 0.0 { -scale } else { scale };
    let (x, y) = (h.column(0).into_owned(), h.column(1).into_owned());
    let rough = Matrix3::from_columns(&[x, y, x.cross(&y)]);
    let svd = rough.svd(true, true);
    let rotation = svd.u? * svd.v_t?;
    let translation = h.column(2).into_owned();
    (rotation.determinant() > 0.0 && translation.z > 0.0 && translation.norm().is_finite())
        .then(|| Rigid::new(Rotation3::from_matrix_unchecked(rotation), translation))
}
