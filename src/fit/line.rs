//! Straight line by least squares of the distances square to it, and by York's method when x and y have uncertainties
//! of their own.
//!
//! The orthogonal line goes through the (weighted) centroid along the principal axis (Pearson 1901), in closed form.
//! Its two freedoms, the shift across at the centroid and the turn about it, are uncorrelated for independent points.

use super::{FitError, all_finite};
use crate::solve::correlated::Chain;
use crate::units::Mm;
use nalgebra::{Matrix2, Point2, Vector2};

/// Points closer together than this have no direction, mm.
const SHORTEST_MM: f64 = 1e-3;

/// A fitted straight line.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Centroid of the points, on the line.
    pub centre: Mm,
    /// Unit vector along it, x > 0 (or straight down, +y).
    pub along: Vector2<f64>,
    /// Unit vector square to it, toward card +y (or +x where the line runs straight down).
    pub across: Vector2<f64>,
    /// Place of each point along the line from the centroid, in the order given, mm.
    pub along_mm: Vec<f64>,
    /// Distance of each point from the line, mm, positive along `across`.
    pub deviation_mm: Vec<f64>,
    /// Root mean square of the distances (weighted), mm.
    pub rms_mm: f64,
    /// Covariance of (shift across at the centroid, mm; turn toward `across`, rad). From the points' stated
    /// uncertainties when given, else from their scatter with n - 2 degrees of freedom, taking them as independent.
    pub covariance: Matrix2<f64>,
    weights: Vec<f64>,
}

impl Line {
    /// Direction, degrees from card +x toward +y, in (-90, 90].
    pub fn direction_deg(&self) -> f64 {
        self.along.y.atan2(self.along.x).to_degrees()
    }

    /// Distance of a place from the line, mm, positive along [`Line::across`].
    pub fn distance_mm(&self, place: &Mm) -> f64 {
        (place.0 - self.centre.0).dot(&self.across)
    }

    /// Standard uncertainty of the line's own position across, `along_mm` from the centroid, mm.
    pub fn u_at(&self, along_mm: f64) -> f64 {
        let c = &self.covariance;
        (c[(0, 0)] + 2.0 * along_mm * c[(0, 1)] + along_mm * along_mm * c[(1, 1)])
            .max(0.0)
            .sqrt()
    }

    /// How the line's height `along_mm` from the centroid answers to each point's height: Σ weight · height. First
    /// order in the turn.
    pub fn response(&self, along_mm: f64) -> Vec<f64> {
        let total: f64 = self.weights.iter().sum();
        let lever: f64 = self
            .weights
            .iter()
            .zip(&self.along_mm)
            .map(|(w, t)| w * t * t)
            .sum();
        self.weights
            .iter()
            .zip(&self.along_mm)
            .map(|(w, t)| w / total + along_mm * w * t / lever)
            .collect()
    }

    /// The covariance as in [`Line::covariance`], but for points with standard deviations `sd_mm` whose errors are
    /// alike over `correlation_mm` along the line. The points must have been given in order along it.
    ///
    /// # Errors
    /// [`FitError::Unmatched`], [`FitError::NotRising`].
    pub fn covariance_correlated(
        &self,
        sd_mm: &[f64],
        correlation_mm: f64,
    ) -> Result<Matrix2<f64>, FitError> {
        let n = self.along_mm.len();
        if sd_mm.len() != n {
            return Err(FitError::Unmatched {
                points: n,
                values: sd_mm.len(),
            });
        }
        let turned = self.along_mm.first() > self.along_mm.last();
        let sign = if turned { -1.0 } else { 1.0 };
        let s: Vec<f64> = self.along_mm.iter().map(|t| sign * t).collect();
        super::rising(&s)?;
        let shift = self.response(0.0);
        let tilted = self.response(1.0);
        let a: Vec<f64> = shift.iter().zip(sd_mm).map(|(r, u)| r * u).collect();
        let b: Vec<f64> = tilted
            .iter()
            .zip(&shift)
            .zip(sd_mm)
            .map(|((r, r0), u)| (r - r0) * u)
            .collect();
        let chain = Chain::new(&s, correlation_mm);
        let cross = chain.covariance(0, &a, &b);
        Ok(Matrix2::new(
            chain.variance(0, &a),
            cross,
            cross,
            chain.variance(0, &b),
        ))
    }
}

/// Fits the straight line with the least sum of squared distances.
///
/// `points`: card frame, mm, any order, at least 3 (2 when `u_mm` is given), not all at one place. `u_mm`: standard
/// uncertainty of each point across the line; weights are 1/u².
///
/// # Errors
/// [`FitError::TooFew`], [`FitError::NoLength`] when they span less than 1 µm, [`FitError::NotFinite`],
/// [`FitError::Unmatched`], [`FitError::OutOfRange`] for an uncertainty that is not above zero.
pub fn fit_line(points: &[Mm], u_mm: Option<&[f64]>) -> Result<Line, FitError> {
    let n = points.len();
    let needed = if u_mm.is_some() { 2 } else { 3 };
    if n < needed {
        return Err(FitError::TooFew { found: n, needed });
    }
    all_finite(points)?;
    let weights = weights(n, u_mm)?;
    let total: f64 = weights.iter().sum();
    let origin = points[0].0;
    let mean = points
        .iter()
        .zip(&weights)
        .map(|(p, w)| (p.0 - origin) * *w)
        .sum::<Vector2<f64>>()
        / total;
    let centre = origin + mean;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (p, w) in points.iter().zip(&weights) {
        let d = p.0 - centre;
        xx += w * d.x * d.x;
        xy += w * d.x * d.y;
        yy += w * d.y * d.y;
    }
    let span = points
        .iter()
        .fold(0.0f64, |m, p| m.max((p.0 - centre).norm()));
    if span < SHORTEST_MM / 2.0 {
        return Err(FitError::NoLength {
            span_mm: 2.0 * span,
        });
    }
    let (along, across) = frame(0.5 * (2.0 * xy).atan2(xx - yy));
    let along_mm: Vec<f64> = points.iter().map(|p| (p.0 - centre).dot(&along)).collect();
    let deviation_mm: Vec<f64> = points.iter().map(|p| (p.0 - centre).dot(&across)).collect();
    let squares: f64 = weighted(&weights, &deviation_mm);
    let lever = weighted(&weights, &along_mm);
    let scale = match u_mm {
        Some(_) => 1.0,
        None => squares / (n - 2) as f64,
    };
    Ok(Line {
        centre: Mm(centre),
        along,
        across,
        along_mm,
        deviation_mm,
        rms_mm: (squares / total).sqrt(),
        covariance: Matrix2::new(scale / total, 0.0, 0.0, scale / lever),
        weights,
    })
}

/// Unit vectors along and across a direction, by this module's sign rule.
fn frame(angle: f64) -> (Vector2<f64>, Vector2<f64>) {
    let (s, c) = angle.sin_cos();
    let mut along = Vector2::new(c, s);
    if c < 0.0 || (c == 0.0 && s < 0.0) {
        along = -along;
    }
    let mut across = Vector2::new(-along.y, along.x);
    if across.y == 0.0 {
        across.x = across.x.abs();
    }
    (along, across)
}

fn weighted(weights: &[f64], values: &[f64]) -> f64 {
    weights.iter().zip(values).map(|(w, v)| w * v * v).sum()
}

fn weights(n: usize, u_mm: Option<&[f64]>) -> Result<Vec<f64>, FitError> {
    let Some(u) = u_mm else {
        return Ok(vec![1.0; n]);
    };
    if u.len() != n {
        return Err(FitError::Unmatched {
            points: n,
            values: u.len(),
        });
    }
    u.iter().map(|&u| weight(u)).collect()
}

fn weight(u: f64) -> Result<f64, FitError> {
    if u > 0.0 && u.is_finite() {
        Ok(1.0 / (u * u))
    } else {
        Err(FitError::OutOfRange {
            what: "the uncertainty of a point",
            value: u,
            most: f64::INFINITY,
        })
    }
}

/// A line y = intercept + slope · x through points uncertain in both coordinates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct York {
    /// Slope.
    pub slope: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Standard uncertainty of the slope, from the stated uncertainties.
    pub u_slope: f64,
    /// Standard uncertainty of the intercept.
    pub u_intercept: f64,
    /// Weighted sum of squares; near n - 2 when the stated uncertainties are right.
    pub chi2: f64,
}

/// Fits a line to points with their own standard uncertainties in x and in y, uncorrelated (York, Evensen, Martínez and
/// Delgado 2004, from memory; York 1966). Any unit. For two partners' stations, a reading against a reading.
///
/// # Errors
/// [`FitError::TooFew`] under 3, [`FitError::Unmatched`], [`FitError::OutOfRange`], and [`FitError::Unsteady`] when the
/// slope does not settle (a steep line: swap x and y).
pub fn york(x: &[f64], y: &[f64], u_x: &[f64], u_y: &[f64]) -> Result<York, FitError> {
    let n = x.len();
    for values in [y.len(), u_x.len(), u_y.len()] {
        if values != n {
            return Err(FitError::Unmatched { points: n, values });
        }
    }
    let points: Vec<Mm> = x.iter().zip(y).map(|(&x, &y)| Mm::new(x, y)).collect();
    let start = fit_line(&points, None)?;
    let wx = weights(n, Some(u_x))?;
    let wy = weights(n, Some(u_y))?;
    let unsteady = FitError::Unsteady {
        form: "straight line",
    };
    let mut slope = start.along.y / start.along.x;
    for _ in 0..200 {
        let step = york_step(x, y, &wx, &wy, slope);
        if !step.slope.is_finite() {
            return Err(unsteady);
        }
        let change = (step.slope - slope).abs();
        slope = step.slope;
        if change <= 1e-13 * (1.0 + slope.abs()) {
            return Ok(step);
        }
    }
    Err(unsteady)
}

fn york_step(x: &[f64], y: &[f64], wx: &[f64], wy: &[f64], slope: f64) -> York {
    let w: Vec<f64> = wx
        .iter()
        .zip(wy)
        .map(|(wx, wy)| wx * wy / (wx + slope * slope * wy))
        .collect();
    let total: f64 = w.iter().sum();
    let mean = |v: &[f64]| w.iter().zip(v).map(|(w, v)| w * v).sum::<f64>() / total;
    let (mx, my) = (mean(x), mean(y));
    let (mut above, mut below) = (0.0, 0.0);
    let mut adjusted = Vec::with_capacity(x.len());
    for i in 0..x.len() {
        let (u, v) = (x[i] - mx, y[i] - my);
        let beta = w[i] * (u / wy[i] + slope * v / wx[i]);
        above += w[i] * beta * v;
        below += w[i] * beta * u;
        adjusted.push(beta);
    }
    let slope = above / below;
    let intercept = my - slope * mx;
    let shift = mean(&adjusted);
    let lever: f64 = w
        .iter()
        .zip(&adjusted)
        .map(|(w, a)| w * (a - shift).powi(2))
        .sum();
    let u_slope = (1.0 / lever).sqrt();
    let chi2 = (0..x.len())
        .map(|i| w[i] * (y[i] - intercept - slope * x[i]).powi(2))
        .sum();
    York {
        slope,
        intercept,
        u_slope,
        u_intercept: (1.0 / total + (mx + shift).powi(2) * u_slope * u_slope).sqrt(),
        chi2,
    }
}

/// Middle of a set of places, for callers that need a nearby origin.
pub fn centroid(points: &[Mm]) -> Option<Mm> {
    let first = points.first()?.0;
    let sum: Vector2<f64> = points.iter().map(|p| p.0 - first).sum();
    Some(Mm(Point2::from(first.coords + sum / points.len() as f64)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::testset::{ANSCOMBE, NORRIS_X, NORRIS_Y, PEARSON, THERMOMETER, mm};
    use approx::assert_abs_diff_eq;
    use proptest::prelude::*;

    fn peak_to_valley(values: &[f64]) -> f64 {
        let high = values.iter().copied().fold(f64::MIN, f64::max);
        high - values.iter().copied().fold(f64::MAX, f64::min)
    }

    /// Pearson 1901, who prints y = 5.784 - 0.5456 x; digits recomputed with numpy 2.4.6.
    #[test]
    fn pearson() {
        let (x, y) = PEARSON;
        let line = fit_line(&mm(&x, &y), None).unwrap();
        let slope = line.along.y / line.along.x;
        assert_abs_diff_eq!(slope, -0.545561197521, epsilon = 1e-8);
        let intercept = line.centre.0.y - slope * line.centre.0.x;
        assert_abs_diff_eq!(intercept, 5.784043774530, epsilon = 1e-8);
        let squares: f64 = line.deviation_mm.iter().map(|d| d * d).sum();
        assert_abs_diff_eq!(squares, 0.618572759437, epsilon = 1e-8);
    }

    /// Peak to valley about the orthogonal least-squares line, numpy 2.4.6, for the sets of the zone tests.
    #[test]
    fn peak_to_valley_of_published_sets() {
        let check = |points: &[Mm], expected: f64, tolerance: f64| {
            let line = fit_line(points, None).unwrap();
            assert_abs_diff_eq!(
                peak_to_valley(&line.deviation_mm),
                expected,
                epsilon = tolerance
            );
        };
        check(&mm(&PEARSON.0, &PEARSON.1), 0.726488652819, 1e-9);
        let expected = [3.336021827764, 3.010201053663, 3.896077755609];
        for (set, expected) in ANSCOMBE.1.iter().zip(expected) {
            check(&mm(&ANSCOMBE.0, set), expected, 1e-9);
        }
        check(&mm(&THERMOMETER.0, &THERMOMETER.1), 0.008765208081, 1e-11);
        check(&mm(&NORRIS_X, &NORRIS_Y), 2.926103020434, 1e-9);
    }

    /// Pearson's points with York's weights: York 1966, Neri and others 1989 (from memory), recomputed with scipy 1.17.1.
    #[test]
    fn york_weights() {
        let (x, y) = PEARSON;
        let wx = [
            1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0,
        ];
        let wy = [1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0];
        let u = |w: [f64; 10]| w.map(|w: f64| w.sqrt().recip());
        let line = york(&x, &y, &u(wx), &u(wy)).unwrap();
        assert_abs_diff_eq!(line.slope, -0.480533407, epsilon = 1e-8);
        assert_abs_diff_eq!(line.intercept, 5.479910224, epsilon = 1e-8);
        assert_abs_diff_eq!(line.chi2, 11.866353, epsilon = 1e-6);
    }

    proptest! {
        /// Turning and moving the points turns and moves the line.
        #[test]
        fn turned_and_moved(
            raw in proptest::collection::vec((-50.0f64..50.0, -1.0f64..1.0), 3..20),
            angle in -1.5f64..1.5, dx in -200.0f64..200.0
        ) {
            let points: Vec<Mm> = raw.iter().map(|&(x, y)| Mm::new(x, y)).collect();
            let line = fit_line(&points, None).unwrap();
            let (s, c) = angle.sin_cos();
            let turned: Vec<Mm> = points.iter()
                .map(|p| Mm::new(c * p.0.x - s * p.0.y + dx, s * p.0.x + c * p.0.y - dx)).collect();
            let other = fit_line(&turned, None).unwrap();
            prop_assert!((line.rms_mm - other.rms_mm).abs() < 1e-9);
            let (a, b) = (&line.covariance, &other.covariance);
            prop_assert!((a - b).amax() < 1e-9 * (1.0 + a.amax()));
            for (a, b) in line.deviation_mm.iter().zip(&other.deviation_mm) {
                prop_assert!((a.abs() - b.abs()).abs() < 1e-8);
            }
        }
    }

    /// The sign rule: a point further down the card than the line deviates positive, whichever way the line leans.
    #[test]
    fn positive_is_toward_plus_y() {
        for (dx, dy) in [
            (1.0, 0.0),
            (1.0, 2.0),
            (1.0, -2.0),
            (-1.0, 3.0),
            (1.0, -1e-9),
        ] {
            let mut points: Vec<Mm> = (0..10)
                .map(|i| Mm::new(f64::from(i) * dx, f64::from(i) * dy))
                .collect();
            points[5].0.y += 0.01;
            let line = fit_line(&points, None).unwrap();
            assert!(line.deviation_mm[5] > 0.0, "{dx} {dy}");
        }
    }

    /// Covariance against the dense formula (XᵀX)⁻¹ Xᵀ C X (XᵀX)⁻¹ with exponential C.
    #[test]
    fn covariance_of_correlated_points() {
        let n = 60;
        let points: Vec<Mm> = (0..n)
            .map(|i| Mm::new(2.0 * f64::from(i), 0.01 * f64::from(i % 7)))
            .collect();
        let line = fit_line(&points, None).unwrap();
        let sd: Vec<f64> = (0..n).map(|i| 0.02 + 0.0005 * f64::from(i)).collect();
        for length in [0.0, 5.0, 40.0] {
            let got = line.covariance_correlated(&sd, length).unwrap();
            let count = n as usize;
            let x =
                nalgebra::DMatrix::from_fn(
                    count,
                    2,
                    |i, j| {
                        if j == 0 { 1.0 } else { line.along_mm[i] }
                    },
                );
            let c = nalgebra::DMatrix::from_fn(count, count, |i, j| {
                let d = (line.along_mm[i] - line.along_mm[j]).abs();
                let r = if i == j {
                    1.0
                } else if length > 0.0 {
                    (-d / length).exp()
                } else {
                    0.0
                };
                sd[i] * sd[j] * r
            });
            let inverse = (x.transpose() * &x).try_inverse().unwrap();
            let expected = &inverse * x.transpose() * c * &x * &inverse;
            for i in 0..2 {
                for j in 0..2 {
                    let tolerance = 1e-9 * expected[(i, i)].max(expected[(j, j)]);
                    assert!((got[(i, j)] - expected[(i, j)]).abs() < tolerance);
                }
            }
        }
    }

    /// White noise of 0.05 mm: the spread of fitted lines is the stated one.
    #[test]
    fn spread_is_the_stated_uncertainty() {
        let mut rng = crate::solve::random::Random::new(11);
        let u = vec![0.05; 40];
        let (mut shift, mut turn, mut stated) = (0.0, 0.0, Matrix2::zeros());
        let trials = 2000;
        for _ in 0..trials {
            let points: Vec<Mm> = (0..40)
                .map(|i| {
                    Mm::new(
                        f64::from(i),
                        0.3 * f64::from(i) + 0.05 * 1.09f64.sqrt() * rng.normal(),
                    )
                })
                .collect();
            let line = fit_line(&points, Some(&u)).unwrap();
            stated = line.covariance;
            shift += line.distance_mm(&Mm::new(19.5, 0.3 * 19.5)).powi(2);
            turn += ((line.along.y / line.along.x).atan() - 0.3f64.atan()).powi(2);
        }
        let count = f64::from(trials);
        // A variance from 2000 trials is good to 3%; five of those.
        assert!((shift / count / stated[(0, 0)] - 1.0).abs() < 0.16);
        assert!((turn / count / stated[(1, 1)] - 1.0).abs() < 0.16);
    }

    #[test]
    fn too_little() {
        let p = |x, y| Mm::new(x, y);
        assert!(matches!(
            fit_line(&[p(0.0, 0.0), p(1.0, 0.0)], None),
            Err(FitError::TooFew {
                found: 2,
                needed: 3
            })
        ));
        assert!(fit_line(&[p(0.0, 0.0), p(1.0, 0.0)], Some(&[0.1, 0.1])).is_ok());
        assert!(matches!(
            fit_line(&[p(1.0, 0.0); 4], None),
            Err(FitError::NoLength { .. })
        ));
        assert!(matches!(
            fit_line(&[p(0.0, 0.0), p(1.0, 0.0), p(2.0, f64::INFINITY)], None),
            Err(FitError::NotFinite { index: 2 })
        ));
        assert!(matches!(
            fit_line(&[p(0.0, 0.0), p(1.0, 0.0)], Some(&[0.1, 0.0])),
            Err(FitError::OutOfRange { .. })
        ));
    }
}
