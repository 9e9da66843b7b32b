//! Plane-to-plane homography and the pose it implies, for a start value.
//!
//! Direct linear transform with Hartley's normalisation (Hartley & Zisserman, Multiple View Geometry, 2nd ed.,
//! algorithm 4.2, from memory); pose by the decomposition for a plane (Zhang 2000, section 3.1, from memory).

use nalgebra::{DMatrix, Matrix3, Point2, Rotation3, Vector3};

/// Homography that takes `from` to `to`, least squares in the algebraic sense; `None` under 4 points or when they lie on a line.
pub fn homography(from: &[Point2<f64>], to: &[Point2<f64>]) -> Option<Matrix3<f64>> {
    if from.len() < 4 || from.len() != to.len() {
        return None;
    }
    let (nf, nt) = (normaliser(from)?, normaliser(to)?);
    let mut normal = DMatrix::<f64>::zeros(9, 9);
    for (a, b) in from.iter().zip(to) {
        let (a, b) = (apply(&nf, a), apply(&nt, b));
        let rows = [
            [a.x, a.y, 1.0, 0.0, 0.0, 0.0, -b.x * a.x, -b.x * a.y, -b.x],
            [0.0, 0.0, 0.0, a.x, a.y, 1.0, -b.y * a.x, -b.y * a.y, -b.y],
        ];
        for row in rows {
            for i in 0..9 {
                for j in 0..9 {
                    normal[(i, j)] += row[i] * row[j];
                }
            }
        }
    }
    let eigen = normal.symmetric_eigen();
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
    // A second vanishing eigenvalue means a family of answers: the points lie on a line.
    if eigen.eigenvalues[order[1]].abs() < 1e-9 * eigen.eigenvalues[order[8]].abs() {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    let h = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]);
    let h = nt.try_inverse()? * h * nf;
    let size = h.norm();
    if size.is_finite() && size > 0.0 {
        Some(h / size)
    } else {
        None
    }
}

/// Where a homography takes a point.
pub fn apply(h: &Matrix3<f64>, p: &Point2<f64>) -> Point2<f64> {
    let v = h * Vector3::new(p.x, p.y, 1.0);
    Point2::new(v.x / v.z, v.y / v.z)
}

fn normaliser(points: &[Point2<f64>]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    let (mx, my) = (
        points.iter().map(|p| p.x).sum::<f64>() / n,
        points.iter().map(|p| p.y).sum::<f64>() / n,
    );
    let spread = points
        .iter()
        .map(|p| (p.x - mx).hypot(p.y - my))
        .sum::<f64>()
        / n;
    if spread.is_nan() || spread <= 0.0 {
        return None;
    }
    let s = std::f64::consts::SQRT_2 / spread;
    Some(Matrix3::new(
        s,
        0.0,
        -s * mx,
        0.0,
        s,
        -s * my,
        0.0,
        0.0,
        1.0,
    ))
}

/// Pose of a plane from the homography that takes its millimetres to rays `(x/z, y/z)`.
///
/// Returns the rotation (plane to camera) and the camera-frame place of the plane's origin, mm, in front of the camera.
pub fn pose(h: &Matrix3<f64>) -> Option<(Rotation3<f64>, Vector3<f64>)> {
    let size = 0.5 * (h.column(0).norm() + h.column(1).norm());
    if size.is_nan() || size <= 0.0 {
        return None;
    }
    let sign = if h[(2, 2)] < 0.0 { -1.0 } else { 1.0 };
    let h = h * (sign / size);
    let (a, b, t) = (
        h.column(0).into_owned(),
        h.column(1).into_owned(),
        h.column(2).into_owned(),
    );
    // The nearest pair of unit vectors at right angles, symmetric in both.
    let (mid, off) = ((a + b).try_normalize(1e-12)?, (a - b).try_normalize(1e-12)?);
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let (x, y) = ((mid + off) * half, (mid - off) * half);
    let z = x.cross(&y);
    let m = Matrix3::from_columns(&[x, y, z]);
    let r = Rotation3::from_matrix_eps(&m, 1e-12, 100, Rotation3::identity());
    t.iter().all(|v| v.is_finite()).then_some((r, t))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// checks.md 11.11 (calc).
    #[test]
    fn four_corners_fix_the_homography() {
        let from = [[0.0, 0.0], [180.0, 0.0], [180.0, 30.0], [0.0, 30.0]].map(Point2::from);
        let to = [
            [100.0, 200.0],
            [560.0, 210.0],
            [555.0, 290.0],
            [105.0, 275.0],
        ]
        .map(Point2::from);
        let h = homography(&from, &to).expect("four corners");
        let p = apply(&h, &Point2::new(90.0, 15.0));
        assert!(
            (p.x - 322.25806).abs() < 1e-4 && (p.y - 243.96313).abs() < 1e-4,
            "{p}"
        );
    }

    #[test]
    fn points_on_a_line_fix_nothing() {
        let from: Vec<_> = (0..8).map(|i| Point2::new(15.0 * i as f64, 0.0)).collect();
        let to: Vec<_> = (0..8).map(|i| Point2::new(30.0 * i as f64, 5.0)).collect();
        assert!(homography(&from, &to).is_none());
    }
}
