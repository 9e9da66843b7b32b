//! The plane-to-photo map of a patch of card: a homography by linear least squares, and how smooth the rest is.

use nalgebra::{Matrix3, Point2, SMatrix, SVector, Vector3};

/// A homography from lattice or card places to photo pixels.
#[derive(Debug, Clone, Copy)]
pub struct Map(Matrix3<f64>);

impl Map {
    /// Fits the map to four pairs or more (each with a weight); `None` when they don't determine it.
    ///
    /// Direct linear transform with both sides centred and scaled (Hartley 1997, from memory) and the last element 1:
    /// the origin of the centred places never lies at the horizon of a card that is seen.
    pub fn fit(pairs: &[(Point2<f64>, Point2<f64>, f64)]) -> Option<Map> {
        if pairs.len() < 4 {
            return None;
        }
        let from = Frame::of(pairs.iter().map(|p| (p.0, p.2)))?;
        let to = Frame::of(pairs.iter().map(|p| (p.1, p.2)))?;
        let mut normal = SMatrix::<f64, 8, 8>::zeros();
        let mut right = SVector::<f64, 8>::zeros();
        for (p, q, weight) in pairs {
            let (p, q) = (from.apply(p), to.apply(q));
            let rows = [
                (
                    SVector::<f64, 8>::from([p.x, p.y, 1.0, 0.0, 0.0, 0.0, -q.x * p.x, -q.x * p.y]),
                    q.x,
                ),
                (
                    SVector::<f64, 8>::from([0.0, 0.0, 0.0, p.x, p.y, 1.0, -q.y * p.x, -q.y * p.y]),
                    q.y,
                ),
            ];
            for (row, value) in rows {
                normal += *weight * row * row.transpose();
                right += *weight * value * row;
            }
        }
        let trace = normal.trace();
        let inverse = normal.cholesky()?;
        // A pivot that is rounding noise means that the places don't determine the map (all on one line).
        if inverse
            .l_dirty()
            .diagonal()
            .iter()
            .any(|d| d * d < 1e-10 * trace)
        {
            return None;
        }
        let h = inverse.solve(&right);
        let unit = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0);
        let map = to.back() * unit * from.matrix();
        map.iter().all(|v| v.is_finite()).then_some(Map(map))
    }

    /// Carries a place to the photo; `None` at or beyond the horizon.
    pub fn apply(&self, p: Point2<f64>) -> Option<Point2<f64>> {
        let v = self.0 * Vector3::new(p.x, p.y, 1.0);
        let scale = self.0.abs().max();
        (v.z.abs() > 1e-12 * scale).then(|| Point2::new(v.x / v.z, v.y / v.z))
    }
}

/// Centre and scale of a set of places.
struct Frame {
    centre: Point2<f64>,
    scale: f64,
}

impl Frame {
    fn of(places: impl Iterator<Item = (Point2<f64>, f64)> + Clone) -> Option<Frame> {
        let sum: f64 = places.clone().map(|(_, w)| w).sum();
        let mean =
            |f: fn(&Point2<f64>) -> f64| places.clone().map(|(p, w)| w * f(&p)).sum::<f64>() / sum;
        let centre = Point2::new(mean(|p| p.x), mean(|p| p.y));
        let square = places
            .map(|(p, w)| w * (p - centre).norm_squared())
            .sum::<f64>()
            / sum;
        (square > 0.0 && square.is_finite()).then(|| Frame {
            centre,
            scale: (2.0 / square).sqrt(),
        })
    }

    fn apply(&self, p: &Point2<f64>) -> Point2<f64> {
        ((p - self.centre) * self.scale).into()
    }

    fn matrix(&self) -> Matrix3<f64> {
        let s = self.scale;
        Matrix3::new(
            s,
            0.0,
            -s * self.centre.x,
            0.0,
            s,
            -s * self.centre.y,
            0.0,
            0.0,
            1.0,
        )
    }

    fn back(&self) -> Matrix3<f64> {
        let s = 1.0 / self.scale;
        Matrix3::new(s, 0.0, self.centre.x, 0.0, s, self.centre.y, 0.0, 0.0, 1.0)
    }
}
