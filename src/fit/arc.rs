//! Circle by least squares of the distances square to it, from a full round down to an arc that is all but straight.
//!
//! A flat arc has its centre kilometres away and hardly defined, while its curvature is small and well defined. So a flat
//! arc is fitted by (shift across, turn, curvature) in the frame of its own chord, where a straight line is nothing
//! special (curvature zero, passed through without a jump), and a deep one by (centre, radius). Both minimise the same
//! orthogonal distances (Gander, Golub and Strebel 1994).
//!
//! Algebraic fits (Kåsa, Pratt, Taubin; forms after Chernov 2010, from memory) give starts only. On a short arc Kåsa's
//! radius is biased small, and none minimises distances.

use super::line::fit_line;
use super::{FitError, all_finite};
use crate::solve::lm::{LmOptions, Solution, minimise};
use crate::solve::noise::Whitener;
use crate::units::Mm;
use nalgebra::{DMatrix, DVector, Matrix3, Point2, Vector2};

/// A fitted arc.
#[derive(Debug, Clone, PartialEq)]
pub struct Arc {
    /// Curvature, 1/mm, positive when the middle lies toward card +y of the ends (the centre on the other side).
    pub curvature_per_mm: f64,
    /// Its standard uncertainty. The figure to judge a flat arc by: the radius of one has no useful uncertainty.
    pub u_curvature_per_mm: f64,
    /// Radius, mm, never negative; infinite for a straight line.
    pub radius_mm: f64,
    /// Standard uncertainty of the radius, mm, to first order.
    pub u_radius_mm: f64,
    /// Centre; `None` where the curvature is too small to place it within 10⁹ mm.
    pub centre: Option<Mm>,
    /// Distance of each point from the arc, in the order given, mm, positive toward card +y for arcs that run across
    /// the card; along the direction in [`Arc::across`].
    pub deviation_mm: Vec<f64>,
    /// Unit vector square to the chord's direction, toward card +y (or +x where it runs straight down).
    pub across: Vector2<f64>,
    /// Root mean square of the distances, mm.
    pub rms_mm: f64,
    /// Angle the points take up as seen from the centre, degrees.
    pub span_deg: f64,
    /// Covariance: of (shift across, mm; turn, rad; curvature, 1/mm) for a flat arc, of (centre x, centre y, radius),
    /// mm, for a deep one.
    pub covariance: Matrix3<f64>,
    /// Which of the two.
    pub form: ArcForm,
}

/// Which freedoms an arc was fitted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ArcForm {
    /// Shift, turn and curvature.
    Flat,
    /// Centre and radius.
    Deep,
}

/// How sure the points are, and how alike their errors.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PointNoise {
    /// Standard deviation of a point across the line, mm; `None`: taken from the scatter about the form.
    pub sd_mm: Option<f64>,
    /// Correlation length along the line, mm (exponential); 0 for independent points. Above 0 the points must be given
    /// in order along the line.
    pub correlation_mm: f64,
}

/// Flat when the sagitta is below this part of the chord (an arc of 2 · 4 · atan(2 · 0.13) = 58°).
const FLAT: f64 = 0.13;
/// Centres farther off than this are not given, mm.
const FARTHEST_MM: f64 = 1e9;

/// Fits the circle with the least sum of squared distances.
///
/// `points`: card frame, mm, at least 4 (3 when the noise is known), not all at one place; in order along the line when
/// their errors are correlated. Points on a straight line are no error: curvature zero within its uncertainty.
///
/// # Errors
/// [`FitError::TooFew`], [`FitError::NoLength`], [`FitError::NotFinite`]; [`FitError::Unsteady`] when no circle settles.
pub fn fit_arc(points: &[Mm], noise: &PointNoise) -> Result<Arc, FitError> {
    let needed = if noise.sd_mm.is_some() { 3 } else { 4 };
    if points.len() < needed {
        return Err(FitError::TooFew {
            found: points.len(),
            needed,
        });
    }
    all_finite(points)?;
    let frame = Frame::of(points)?;
    let local = frame.to_local(points);
    let how = Weighing::Alike(noise);
    either(&frame, &local, &how).ok_or(FitError::Unsteady { form: "round" })
}

/// As [`fit_arc`] for points whose noise is known well enough to whiten: the best linear fit. With the sum of squares of
/// the whitened distances.
pub(super) fn fit_arc_whitened(points: &[Mm], whitener: &Whitener) -> Option<(Arc, f64)> {
    let frame = Frame::of(points).ok()?;
    let local = frame.to_local(points);
    let arc = either(&frame, &local, &Weighing::Whitened(whitener))?;
    let mut white = arc.deviation_mm.clone();
    whitener.apply(&mut white);
    let squares = white.iter().map(|w| w * w).sum();
    Some((arc, squares))
}

/// How distances are weighed.
enum Weighing<'a> {
    /// Each like the other; the noise only for the covariance.
    Alike(&'a PointNoise),
    /// Through a whitener.
    Whitened(&'a Whitener),
}

impl Weighing<'_> {
    fn minimise(
        &self,
        start: [f64; 3],
        size: [f64; 3],
        local: &[Point2<f64>],
        mut fill: impl FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>),
    ) -> Option<Solution> {
        let model = |at: &DVector<f64>,
                     residuals: &mut DVector<f64>,
                     mut jacobian: Option<&mut DMatrix<f64>>| {
            fill(at, residuals, jacobian.as_deref_mut());
            if let Weighing::Whitened(whitener) = self {
                whitener.apply(residuals.as_mut_slice());
                if let Some(j) = jacobian {
                    for mut column in j.column_iter_mut() {
                        whitener.apply(column.as_mut_slice());
                    }
                }
            }
        };
        minimise(&start, &size, local.len(), model, &settling(local)).ok()
    }

    fn covariance(&self, solution: &Solution, local: &[Point2<f64>]) -> Matrix3<f64> {
        let full = match self {
            Weighing::Alike(noise) => noise_covariance(solution, &lengths_along(local), noise),
            Weighing::Whitened(_) => solution.covariance.clone(),
        };
        full.fixed_view::<3, 3>(0, 0).into_owned()
    }
}

fn either(frame: &Frame, local: &[Point2<f64>], how: &Weighing) -> Option<Arc> {
    let half = local.iter().fold(0.0f64, |m, p| m.max(p.x.abs()));
    let bow = local.iter().fold(0.0f64, |m, p| m.max(p.y.abs()));
    let deep = bow > 2.0 * FLAT * half;
    (!deep)
        .then(|| flat(frame, local, how))
        .flatten()
        .or_else(|| deep_arc(frame, local, how))
}

/// The chord's frame: x along, y across.
struct Frame {
    centre: Point2<f64>,
    along: Vector2<f64>,
    across: Vector2<f64>,
}

impl Frame {
    fn of(points: &[Mm]) -> Result<Self, FitError> {
        let line = fit_line(points, None)?;
        Ok(Frame {
            centre: line.centre.0,
            along: line.along,
            across: line.across,
        })
    }

    fn to_local(&self, points: &[Mm]) -> Vec<Point2<f64>> {
        points
            .iter()
            .map(|p| {
                let d = p.0 - self.centre;
                Point2::new(d.dot(&self.along), d.dot(&self.across))
            })
            .collect()
    }

    fn to_card(&self, p: Point2<f64>) -> Mm {
        Mm(self.centre + self.along * p.x + self.across * p.y)
    }
}

/// Distance of (u, v) from the arc that touches the u axis at the origin and bends toward +v with curvature k, positive
/// toward +v; and its derivatives by v, u and k. Exact, and smooth through k = 0.
fn from_arc(u: f64, v: f64, k: f64) -> (f64, [f64; 3]) {
    let q = k * (u * u + v * v) - 2.0 * v;
    let root = (1.0 + k * q).max(0.0).sqrt();
    let e = -q / (1.0 + root);
    let by_q = -0.5 / root;
    // By the k inside the root: e² / (2 root); by the k inside q.
    let by_k = by_q * (u * u + v * v) + e * e * 0.5 / root;
    (e, [by_q * (2.0 * k * v - 2.0), by_q * 2.0 * k * u, by_k])
}

fn flat(frame: &Frame, local: &[Point2<f64>], how: &Weighing) -> Option<Arc> {
    let start = parabola(local)?;
    let size = local.iter().fold(0.0f64, |m, p| m.max(p.x.abs()));
    // Unknowns in lengths of like size: shift, turn · size, curvature · size².
    let fill = |at: &DVector<f64>,
                residuals: &mut DVector<f64>,
                mut jacobian: Option<&mut DMatrix<f64>>| {
        let (shift, turn, k) = (at[0], at[1] / size, at[2] / (size * size));
        let (s, c) = turn.sin_cos();
        for (i, p) in local.iter().enumerate() {
            let (u, w) = (c * p.x + s * p.y, -s * p.x + c * p.y);
            let (e, [by_v, by_u, by_k]) = from_arc(u, w - shift, k);
            residuals[i] = e;
            if let Some(j) = jacobian.as_deref_mut() {
                j[(i, 0)] = -by_v;
                j[(i, 1)] = (by_u * w - by_v * u) / size;
                j[(i, 2)] = by_k / (size * size);
            }
        }
    };
    let from = [start[0], start[1] * size, 2.0 * start[2] * size * size];
    let solution = how.minimise(from, [0.1 * size; 3], local, fill)?;
    let deviation_mm = raw(&solution, fill);
    let scaled = how.covariance(&solution, local);
    let units = Matrix3::from_diagonal(&nalgebra::Vector3::new(
        1.0,
        1.0 / size,
        1.0 / (size * size),
    ));
    let covariance = units * scaled * units;
    let (shift, turn, k) = (
        solution.at[0],
        solution.at[1] / size,
        solution.at[2] / (size * size),
    );
    let u_k = covariance[(2, 2)].sqrt();
    let (s, c) = turn.sin_cos();
    let centre = (k.abs() > 1.0 / FARTHEST_MM).then(|| {
        let w = shift + 1.0 / k;
        frame.to_card(Point2::new(-s * w, c * w))
    });
    Some(Arc {
        // Bending toward +across puts the centre there and the middle on the other side.
        curvature_per_mm: -k,
        u_curvature_per_mm: u_k,
        radius_mm: 1.0 / k.abs(),
        u_radius_mm: u_k / (k * k),
        centre,
        span_deg: span_deg(centre, frame, local),
        rms_mm: rms(&deviation_mm),
        deviation_mm,
        across: frame.across,
        covariance,
        form: ArcForm::Flat,
    })
}

/// Distances at the solution, not whitened.
fn raw(
    solution: &Solution,
    mut fill: impl FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>),
) -> Vec<f64> {
    let mut residuals = solution.residuals.clone();
    fill(&solution.at, &mut residuals, None);
    residuals.iter().copied().collect()
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

/// Rounding of coordinates of this size, over all points together.
pub(super) fn settling(points: &[Point2<f64>]) -> LmOptions {
    let size = points.iter().fold(0.0f64, |m, p| m.max(p.coords.amax()));
    LmOptions {
        rounding: 8.0 * f64::EPSILON * size * (points.len() as f64).sqrt(),
        ..LmOptions::default()
    }
}

/// Least-squares parabola y = a + b x + c x².
fn parabola(local: &[Point2<f64>]) -> Option<[f64; 3]> {
    let size = local.iter().fold(0.0f64, |m, p| m.max(p.x.abs()));
    let mut normal = Matrix3::zeros();
    let mut side = nalgebra::Vector3::zeros();
    for p in local {
        let x = p.x / size;
        let row = nalgebra::Vector3::new(1.0, x, x * x);
        normal += row * row.transpose();
        side += row * p.y;
    }
    let at = normal.cholesky()?.solve(&side);
    Some([at[0], at[1] / size, at[2] / (size * size)])
}

fn deep_arc(frame: &Frame, local: &[Point2<f64>], how: &Weighing) -> Option<Arc> {
    let start = algebraic(local, Algebraic::Taubin)?;
    let fill = |at: &DVector<f64>,
                residuals: &mut DVector<f64>,
                mut jacobian: Option<&mut DMatrix<f64>>| {
        for (i, p) in local.iter().enumerate() {
            let d = Vector2::new(p.x - at[0], p.y - at[1]);
            let far = d.norm();
            residuals[i] = far - at[2];
            if let Some(j) = jacobian.as_deref_mut() {
                j[(i, 0)] = -d.x / far;
                j[(i, 1)] = -d.y / far;
                j[(i, 2)] = -1.0;
            }
        }
    };
    let from = [start.centre.x, start.centre.y, start.radius];
    let solution = how.minimise(from, [0.1 * start.radius; 3], local, fill)?;
    let radius = solution.at[2];
    if radius <= 0.0 {
        return None;
    }
    let own = how.covariance(&solution, local);
    // From the chord's frame to the card's.
    let turn = Matrix3::new(
        frame.along.x,
        frame.across.x,
        0.0,
        frame.along.y,
        frame.across.y,
        0.0,
        0.0,
        0.0,
        1.0,
    );
    let covariance = turn * own * turn.transpose();
    let here = Point2::new(solution.at[0], solution.at[1]);
    let centre = Some(frame.to_card(here));
    let u_radius = covariance[(2, 2)].sqrt();
    // Outward is toward +across when the centre lies on the other side of the chord.
    let outward = if here.y > 0.0 { -1.0 } else { 1.0 };
    let deviation_mm: Vec<f64> = raw(&solution, fill).iter().map(|e| outward * e).collect();
    Some(Arc {
        curvature_per_mm: outward / radius,
        u_curvature_per_mm: u_radius / (radius * radius),
        radius_mm: radius,
        u_radius_mm: u_radius,
        centre,
        span_deg: span_deg(centre, frame, local),
        rms_mm: rms(&deviation_mm),
        deviation_mm,
        across: frame.across,
        covariance,
        form: ArcForm::Deep,
    })
}

/// Covariance of a fit to points at rising places `s`, under the stated noise.
pub(super) fn noise_covariance(solution: &Solution, s: &[f64], noise: &PointNoise) -> DMatrix<f64> {
    let variance = noise
        .sd_mm
        .map_or_else(|| solution.variance(), |sd| sd * sd);
    if noise.correlation_mm > 0.0 {
        let sd = vec![variance.sqrt(); s.len()];
        solution.covariance_correlated(s, &sd, noise.correlation_mm)
    } else {
        &solution.covariance * variance
    }
}

/// Length run from the first point to each, along the points in order.
pub fn lengths_along(points: &[Point2<f64>]) -> Vec<f64> {
    let mut run = 0.0;
    let mut last = points.first().copied();
    points
        .iter()
        .map(|p| {
            run += last.map_or(0.0, |before| (p - before).norm());
            last = Some(*p);
            run
        })
        .collect()
}

/// Angle from the first to the last point round the centre: a full turn less the widest gap.
fn span_deg(centre: Option<Mm>, frame: &Frame, local: &[Point2<f64>]) -> f64 {
    let Some(centre) = centre else { return 0.0 };
    let mut angles: Vec<f64> = local
        .iter()
        .map(|p| {
            let d = frame.to_card(*p).0 - centre.0;
            d.y.atan2(d.x)
        })
        .collect();
    angles.sort_by(f64::total_cmp);
    let turn = 2.0 * std::f64::consts::PI;
    let around = match (angles.first(), angles.last()) {
        (Some(first), Some(last)) => first + turn - last,
        _ => turn,
    };
    let widest = angles
        .windows(2)
        .fold(around, |widest, pair| widest.max(pair[1] - pair[0]));
    (turn - widest).to_degrees()
}

/// A circle by an algebraic fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circle {
    /// Centre.
    pub centre: Point2<f64>,
    /// Radius.
    pub radius: f64,
}

/// Which constraint an algebraic fit holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Algebraic {
    /// Linear in x, y and r²: fast, biased small on short arcs.
    Kasa,
    /// Pratt 1987.
    Pratt,
    /// Taubin 1991: least biased of the three.
    Taubin,
}

/// Fits a circle by solving for its equation's coefficients: a start for [`fit_arc`], not an answer. Any unit.
///
/// `None` under 3 points or when they lie on a straight line.
pub fn algebraic(points: &[Point2<f64>], which: Algebraic) -> Option<Circle> {
    if points.len() < 3 {
        return None;
    }
    let n = points.len() as f64;
    let mean = points
        .iter()
        .fold(Vector2::zeros(), |sum: Vector2<f64>, p| sum + p.coords)
        / n;
    let (mut xx, mut yy, mut xy, mut xz, mut yz, mut zz) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for p in points {
        let d = p.coords - mean;
        let z = d.norm_squared();
        xx += d.x * d.x / n;
        yy += d.y * d.y / n;
        xy += d.x * d.y / n;
        xz += d.x * z / n;
        yz += d.y * z / n;
        zz += z * z / n;
    }
    let mz = xx + yy;
    let cov = xx * yy - xy * xy;
    // Characteristic polynomial of the constrained problem; its least root that is not negative.
    let a0 = xz * xz * yy + yz * yz * xx - zz * cov - 2.0 * xz * yz * xy + mz * mz * cov;
    let a1 = zz * mz + 4.0 * cov * mz - xz * xz - yz * yz - mz * mz * mz;
    let root = match which {
        Algebraic::Kasa => 0.0,
        Algebraic::Pratt => newton(&[a0, a1, 4.0 * cov - 3.0 * mz * mz - zz, 0.0, 4.0])?,
        Algebraic::Taubin => newton(&[a0, a1, -3.0 * mz * mz - zz, 4.0 * mz])?,
    };
    let det = root * root - root * mz + cov;
    let centre = Vector2::new(xz * (yy - root) - yz * xy, yz * (xx - root) - xz * xy) / (2.0 * det);
    let more = if which == Algebraic::Pratt {
        2.0 * root
    } else {
        0.0
    };
    let radius = (centre.norm_squared() + mz + more).sqrt();
    (radius.is_finite() && det.abs() > 1e-14 * mz * mz).then(|| Circle {
        centre: Point2::from(centre + mean),
        radius,
    })
}

/// The root that Newton's steps reach from zero; the polynomial falls monotonically up to it.
fn newton(coefficients: &[f64]) -> Option<f64> {
    let mut x = 0.0;
    for _ in 0..100 {
        let (mut value, mut slope) = (0.0, 0.0);
        for c in coefficients.iter().rev() {
            slope = slope * x + value;
            value = value * x + c;
        }
        let next = x - value / slope;
        if !next.is_finite() {
            return (value == 0.0).then_some(x);
        }
        if (next - x).abs() <= 1e-14 * next.abs() {
            return Some(next);
        }
        x = next;
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solve::random::Random;
    use approx::assert_abs_diff_eq;
    use proptest::prelude::*;

    /// The six points of Gander, Golub and Strebel 1994.
    const SIX: [(f64, f64); 6] = [
        (1.0, 7.0),
        (2.0, 6.0),
        (5.0, 8.0),
        (7.0, 7.0),
        (9.0, 5.0),
        (3.0, 7.0),
    ];

    /// They print centre (4.7398, 2.9835), radius 4.7142, sum of squares 1.2276 (from memory); digits by mpmath 1.3.0.
    #[test]
    fn six_points() {
        let points: Vec<Mm> = SIX.iter().map(|&(x, y)| Mm::new(x, y)).collect();
        let arc = fit_arc(&points, &PointNoise::default()).unwrap();
        let centre = arc.centre.unwrap().0;
        assert_abs_diff_eq!(centre.x, 4.739782410906, epsilon = 1e-7);
        assert_abs_diff_eq!(centre.y, 2.983532699292, epsilon = 1e-7);
        assert_abs_diff_eq!(arc.radius_mm, 4.714226037792, epsilon = 1e-7);
        let squares: f64 = arc.deviation_mm.iter().map(|d| d * d).sum();
        assert_abs_diff_eq!(squares, 1.227599078184, epsilon = 1e-7);
    }

    /// Algebraic fits of the same points, computed with numpy 2.4.6 (Chernov's forms).
    #[test]
    fn algebraic_starts() {
        let points: Vec<Point2<f64>> = SIX.iter().map(|&(x, y)| Point2::new(x, y)).collect();
        let check = |which, x, y, r| {
            let c = algebraic(&points, which).unwrap();
            assert_abs_diff_eq!(c.centre.x, x, epsilon = 1e-6);
            assert_abs_diff_eq!(c.centre.y, y, epsilon = 1e-6);
            assert_abs_diff_eq!(c.radius, r, epsilon = 1e-6);
        };
        check(Algebraic::Kasa, 4.742331, 3.835123, 4.108762);
        check(Algebraic::Taubin, 4.613933, 2.795209, 4.879213);
        check(Algebraic::Pratt, 4.615482, 2.807354, 4.911302);
        let line: Vec<Point2<f64>> = (0..5).map(|i| Point2::new(f64::from(i), 2.0)).collect();
        assert_eq!(algebraic(&line, Algebraic::Taubin), None);
    }

    /// n points spread over an arc, noise across it.
    fn arc(radius: f64, n: usize, span: f64, sd: f64, random: &mut Random) -> Vec<Mm> {
        (0..n)
            .map(|i| {
                let t = ((i as f64 + 0.5) / n as f64 - 0.5) * span;
                let r = radius + sd * random.normal();
                Mm::new(40.0 + r * t.sin(), 7.0 - r * t.cos())
            })
            .collect()
    }

    /// Cramér–Rao bound of the radius for n points, and the spread of 400 fits: the bound's formula
    /// σ/√n · √(E[c²]/(E[c²] - E[c]²)), c = cos t over the arc, prints 0.486, 0.1193, 0.0514, 0.01149 and 0.0050 for n = 100,
    /// σ = 0.05 (numpy 2.4.6). A standard deviation from 400 fits is good to 3.5%; the bars are three of those, and the
    /// short arc's radius has a skew that widens it beyond the bound.
    #[test]
    fn radius_reaches_its_bound() {
        let mut random = Random::new(41);
        let bounds = [
            (30.0, 0.486),
            (60.0, 0.1193),
            (90.0, 0.0514),
            (180.0, 0.01149),
            (360.0, 0.0050),
        ];
        for (deg, bound) in bounds {
            let (mut sum, mut squares, mut stated) = (0.0, 0.0, 0.0);
            let trials = 400.0;
            for _ in 0..trials as usize {
                let points = arc(10.0, 100, f64::to_radians(deg), 0.05, &mut random);
                let noise = PointNoise {
                    sd_mm: Some(0.05),
                    correlation_mm: 0.0,
                };
                let found = fit_arc(&points, &noise).unwrap();
                sum += found.radius_mm - 10.0;
                squares += (found.radius_mm - 10.0).powi(2);
                stated += found.u_radius_mm;
            }
            let mean = sum / trials;
            let sd = (squares / trials - mean * mean).sqrt();
            assert!((sd / bound - 1.0).abs() < 0.12, "{deg} {sd} {bound}");
            assert!(mean.abs() < 0.2 * bound, "{deg} {mean} {bound}");
            assert!(
                (stated / trials / bound - 1.0).abs() < 0.05,
                "{deg} {}",
                stated / trials
            );
        }
    }

    /// Radius from 8 mm to dead straight, both ways round, without noise: the exact circle comes back.
    #[test]
    fn from_round_to_straight() {
        for k in [
            0.125, 0.01, 1e-3, 1e-4, 2e-5, 1e-6, 1e-8, 0.0, -1e-6, -1e-3, -0.02,
        ] {
            let points: Vec<Mm> = (-60..=60)
                .map(|i| {
                    let t = 0.2 * f64::from(i);
                    let turned = k * t;
                    let x = if k == 0.0 { t } else { turned.sin() / k };
                    // Middle toward +y of the ends for k > 0.
                    let y = -k * t * t / 2.0 * sinc2(turned / 2.0);
                    Mm::new(x + 3.0, y - 5.0)
                })
                .collect();
            let found = fit_arc(&points, &PointNoise::default()).unwrap();
            assert_abs_diff_eq!(found.curvature_per_mm, k, epsilon = 1e-11);
            assert!(found.rms_mm < 1e-12, "{k} {}", found.rms_mm);
            if k.abs() > 1e-7 {
                let centre = found.centre.unwrap().0;
                assert!((centre.x - 3.0).abs() < 1e-5 / k.abs());
                assert!((centre.y + 5.0 + 1.0 / k).abs() < 1e-5 / k.abs());
            }
        }
    }

    fn sinc2(x: f64) -> f64 {
        if x == 0.0 { 1.0 } else { (x.sin() / x).powi(2) }
    }

    /// The bow of a panel: R = 50001.25 on a chord of 1 m with 0.05 mm noise. The curvature's stated uncertainty is that of
    /// a parabola, √720 σ / (√n L²).
    #[test]
    fn uncertainty_of_a_flat_arc() {
        let mut random = Random::new(6);
        let points = arc(50_001.25, 500, 1000.0 / 50_001.25, 0.05, &mut random);
        let noise = PointNoise {
            sd_mm: Some(0.05),
            correlation_mm: 0.0,
        };
        let found = fit_arc(&points, &noise).unwrap();
        let u = 720f64.sqrt() * 0.05 / (500f64.sqrt() * 1e6);
        assert!((found.u_curvature_per_mm / u - 1.0).abs() < 0.02);
        // The middle lies toward -y: these arcs open downward.
        assert!((found.curvature_per_mm + 1.0 / 50_001.25).abs() < 4.0 * u);
        assert_eq!(found.form, ArcForm::Flat);
        let alike = PointNoise {
            sd_mm: Some(0.05),
            correlation_mm: 10.0,
        };
        let wider = fit_arc(&points, &alike).unwrap();
        // Ten correlation lengths a hundredth of the whole: white noise of 2 · 10 mm / 2 mm times the power.
        let factor = wider.u_curvature_per_mm / found.u_curvature_per_mm;
        assert!((factor - 10f64.sqrt()).abs() < 0.15, "{factor}");
    }

    proptest! {
        /// Turning, moving and mirroring the points leaves radius, spread and distances alone.
        #[test]
        fn turned_and_moved(
            seed in 0u64..1000, span in 0.05f64..6.2, angle in -3.1f64..3.1, mirror in any::<bool>()
        ) {
            let mut random = Random::new(seed);
            let points = arc(30.0, 40, span, 0.02, &mut random);
            let (s, c) = angle.sin_cos();
            let moved: Vec<Mm> = points.iter().map(|p| {
                let x = if mirror { -p.0.x } else { p.0.x };
                Mm::new(c * x - s * p.0.y + 100.0, s * x + c * p.0.y - 60.0)
            }).collect();
            let a = fit_arc(&points, &PointNoise::default()).unwrap();
            let b = fit_arc(&moved, &PointNoise::default()).unwrap();
            let close = |x: f64, y: f64| (x - y).abs() <= 1e-5 * x.abs().max(y.abs()) + 1e-9;
            prop_assert!(close(a.curvature_per_mm.abs(), b.curvature_per_mm.abs()));
            prop_assert!(close(a.u_radius_mm, b.u_radius_mm));
            prop_assert!(close(a.rms_mm, b.rms_mm));
            prop_assert!(close(a.span_deg, b.span_deg));
            for (x, y) in a.deviation_mm.iter().zip(&b.deviation_mm) {
                prop_assert!((x.abs() - y.abs()).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn too_little() {
        let p = |x, y| Mm::new(x, y);
        let few = fit_arc(
            &[p(0.0, 0.0), p(1.0, 1.0), p(2.0, 0.0)],
            &PointNoise::default(),
        );
        assert!(matches!(
            few,
            Err(FitError::TooFew {
                found: 3,
                needed: 4
            })
        ));
        let known = PointNoise {
            sd_mm: Some(0.1),
            correlation_mm: 0.0,
        };
        let three = fit_arc(&[p(0.0, 0.0), p(1.0, 1.0), p(2.0, 0.0)], &known).unwrap();
        assert_abs_diff_eq!(three.radius_mm, 1.0, epsilon = 1e-9);
        let one_place = fit_arc(&[p(1.0, 1.0); 5], &PointNoise::default());
        assert!(matches!(one_place, Err(FitError::NoLength { .. })));
    }
}
