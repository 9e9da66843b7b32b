//! Minimum zone: the narrowest strip between two parallel lines that holds every point.
//!
//! This is the straightness of ISO 1101 (default association) and ISO 12780-1. The strip always rests on one edge of
//! the convex hull (Houle and Toussaint 1988, from memory), so the hull (Andrew's monotone chain) and rotating
//! calipers give the exact answer.

use super::{FitError, all_finite};
use crate::units::Mm;
use nalgebra::{Point2, Vector2};

/// Points closer together than this have no direction, mm.
const SHORTEST_MM: f64 = 1e-3;

/// The narrowest strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    /// Distance between its two lines, mm.
    pub width_mm: f64,
    /// A point on the line midway between them, mm.
    pub middle: Mm,
    /// Unit vector along it, x > 0 (or straight down, +y).
    pub along: Vector2<f64>,
    /// Unit vector square to it, toward card +y (or +x where the line runs straight down).
    pub across: Vector2<f64>,
    /// Deviation of each point from the middle line, in the order given, mm, positive along `across`; the extremes
    /// are ± `width_mm` / 2.
    pub deviation_mm: Vec<f64>,
    /// The three points that hold the zone: two on one border, and between them along the line one on the other border.
    /// Indices into the points given.
    pub held_by: [usize; 3],
}

impl Zone {
    /// Direction of the strip, degrees from card +x toward +y, in (-90, 90].
    pub fn direction_deg(&self) -> f64 {
        self.along.y.atan2(self.along.x).to_degrees()
    }
}

/// Finds the narrowest pair of parallel lines that holds every point: the straightness of ISO 12780-1
/// by minimum zone.
///
/// `points`: card frame, mm, any order, at least 3, not all at one place. Deviations in [`Zone`] are square to it, mm,
/// positive toward the card's +y. Exact, O(n log n); no iteration, no start value.
///
/// Noise alone widens the zone, and more points widen it further: [`zone_noise`](super::zone_noise::zone_noise)
/// says by how much. Never report this value without it.
///
/// # Errors
/// [`FitError::TooFew`] under 3 points; [`FitError::NoLength`] when they span less than 1 µm;
/// [`FitError::NotFinite`].
pub fn minimum_zone(points: &[Mm]) -> Result<Zone, FitError> {
    if points.len() < 3 {
        return Err(FitError::TooFew {
            found: points.len(),
            needed: 3,
        });
    }
    all_finite(points)?;
    // About the middle of the points: a far-off origin must not cost digits.
    let centre = middle_of_box(points);
    let local: Vec<Point2<f64>> = points.iter().map(|p| Point2::from(p.0 - centre)).collect();
    let span = local.iter().fold(0.0f64, |m, p| m.max(p.coords.norm()));
    if span < SHORTEST_MM / 2.0 {
        return Err(FitError::NoLength {
            span_mm: 2.0 * span,
        });
    }
    let hull = hull(&local);
    let rest = narrowest(&local, &hull);
    let (a, b, far) = (local[rest.edge[0]], local[rest.edge[1]], local[rest.far]);
    let mut along = (b - a).normalize();
    if along.x < 0.0 || (along.x == 0.0 && along.y < 0.0) {
        along = -along;
    }
    // With x >= 0 this has y >= 0.
    let mut across = Vector2::new(-along.y, along.x);
    if across.y == 0.0 {
        across.x = across.x.abs();
    }
    // Both sides from the points themselves, so that no point lies outside by a rounding.
    let mut deviation: Vec<f64> = local.iter().map(|p| (p - a).dot(&across)).collect();
    let low = deviation.iter().copied().fold(f64::INFINITY, f64::min);
    let high = deviation.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let half = (low + high) / 2.0;
    for d in &mut deviation {
        *d -= half;
    }
    let foot = a + along * (far - a).dot(&along) + across * half;
    let edge_or_far = [rest.edge[0], rest.far, rest.edge[1]];
    let touching = (high - low) / 2.0 - 1e-12 * span;
    let place = |i: &usize| local[*i].coords.dot(&along);
    let held_by = alternating(&hull, &deviation, touching, place).unwrap_or(edge_or_far);
    Ok(Zone {
        width_mm: high - low,
        middle: Mm(foot + centre.coords),
        along,
        across,
        deviation_mm: deviation,
        held_by,
    })
}

/// Three corners on the borders: the outermost two of one side and one of the other between them. The hull edge and its
/// farthest corner are such a triple unless the far side is an edge too, parallel to the first.
fn alternating(
    hull: &[usize],
    deviation: &[f64],
    touching: f64,
    place: impl Fn(&usize) -> f64,
) -> Option<[usize; 3]> {
    [1.0, -1.0].iter().find_map(|side| {
        let here = || hull.iter().filter(|i| side * deviation[**i] >= touching);
        let first = here().min_by(|a, b| place(a).total_cmp(&place(b)))?;
        let last = here().max_by(|a, b| place(a).total_cmp(&place(b)))?;
        let inside = |i: &&usize| place(first) <= place(i) && place(i) <= place(last);
        let between = (hull.iter())
            .filter(|i| -side * deviation[**i] >= touching)
            .find(inside)?;
        (first != last).then_some([*first, *between, *last])
    })
}

/// Width of the narrowest strip alone, in the points' unit; 0 under 3 points or when all lie on one line. For drawing
/// thousands of them. The points must be finite; O(n) when they come in order along x.
pub fn zone_width(points: &[Point2<f64>]) -> f64 {
    let hull = hull(points);
    if hull.len() < 3 {
        return 0.0;
    }
    let rest = narrowest(points, &hull);
    let (a, b, far) = (points[rest.edge[0]], points[rest.edge[1]], points[rest.far]);
    turn(a, b, far).abs() / (b - a).norm()
}

fn middle_of_box(points: &[Mm]) -> Point2<f64> {
    let mut low = points[0].0;
    let mut high = low;
    for p in points {
        low = low.inf(&p.0);
        high = high.sup(&p.0);
    }
    nalgebra::center(&low, &high)
}

/// Twice the signed area of the triangle.
fn turn(o: Point2<f64>, a: Point2<f64>, b: Point2<f64>) -> f64 {
    (a - o).perp(&(b - o))
}

/// Indices of the convex hull, counter-clockwise (x right, y up), strictly convex; 2 when all points are on one line.
fn hull(points: &[Point2<f64>]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..points.len()).collect();
    let before = |a: &Point2<f64>, b: &Point2<f64>| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y));
    if !points.is_sorted_by(|a, b| before(a, b).is_lt()) {
        order.sort_by(|a, b| before(&points[*a], &points[*b]).then(a.cmp(b)));
        order.dedup_by(|a, b| points[*a] == points[*b]);
    }
    let mut lower = chain(points, order.iter().copied());
    lower.extend(chain(points, order.iter().rev().copied()));
    lower
}

/// One side of the hull, without its last corner.
fn chain(points: &[Point2<f64>], order: impl Iterator<Item = usize>) -> Vec<usize> {
    let mut side: Vec<usize> = Vec::new();
    for i in order {
        while let [.., o, a] = side[..]
            && turn(points[o], points[a], points[i]) <= 0.0
        {
            side.pop();
        }
        side.push(i);
    }
    side.pop();
    side
}

struct Rest {
    edge: [usize; 2],
    far: usize,
}

/// Rotating calipers: as the edge goes round the hull, its farthest corner only ever moves on.
fn narrowest(points: &[Point2<f64>], hull: &[usize]) -> Rest {
    let n = hull.len();
    let corner = |k: usize| points[hull[k % n]];
    let mut far = 1;
    let mut best: Option<(f64, Rest)> = None;
    for k in 0..n {
        let (a, b) = (corner(k), corner(k + 1));
        far = far.max(k + 1);
        // Rounding can make two corners of a nearly straight stretch look equally far: look one past.
        while far < k + n && turn(a, b, corner(far + 1)) >= turn(a, b, corner(far)) {
            far += 1;
        }
        let height = turn(a, b, corner(far)) / (b - a).norm();
        if best.as_ref().is_none_or(|(least, _)| height < *least) {
            let rest = Rest {
                edge: [hull[k], hull[(k + 1) % n]],
                far: hull[far % n],
            };
            best = Some((height, rest));
        }
    }
    // n >= 2 because the points span a length.
    best.map_or(
        Rest {
            edge: [hull[0], hull[n - 1]],
            far: hull[0],
        },
        |(_, rest)| rest,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::line::fit_line;
    use crate::fit::testset::{ANSCOMBE, NORRIS_X, NORRIS_Y, PEARSON, THERMOMETER, mm};
    use proptest::prelude::*;

    /// Every edge of the hull against every point: slow and obvious, O(n³).
    fn by_trying(points: &[Mm]) -> f64 {
        let mut best = f64::INFINITY;
        for (i, a) in points.iter().enumerate() {
            for b in &points[i + 1..] {
                let d = b.0 - a.0;
                if d.norm() == 0.0 {
                    continue;
                }
                let across = Vector2::new(-d.y, d.x).normalize();
                let side = points.iter().map(|p| (p.0 - a.0).dot(&across));
                let high = side.clone().fold(f64::NEG_INFINITY, f64::max);
                best = best.min(high - side.fold(f64::INFINITY, f64::min));
            }
        }
        best
    }

    /// Facts that hold for any minimum zone, then the width and direction expected.
    fn check(points: &[Mm], width: f64, direction_deg: Option<f64>, tolerance: f64) {
        let zone = minimum_zone(points).unwrap();
        assert!(
            (zone.width_mm - width).abs() <= tolerance,
            "{} {width}",
            zone.width_mm
        );
        if let Some(expected) = direction_deg {
            assert!((zone.direction_deg() - expected).abs() < 2e-6);
        }
        // Alternating: one side, the other, the first again, in order along the line.
        let [a, b, c] = zone.held_by;
        let (da, db, dc) = (
            zone.deviation_mm[a],
            zone.deviation_mm[b],
            zone.deviation_mm[c],
        );
        let half = zone.width_mm / 2.0;
        for d in [da, db, dc] {
            assert!((d.abs() - half).abs() < 1e-9 * (1.0 + half));
        }
        if half > 1e-9 {
            assert!(da * db < 0.0 && db * dc < 0.0);
            let at = |i: usize| (points[i].0 - points[a].0).dot(&zone.along);
            assert!((at(b) - at(a)) * (at(c) - at(b)) >= -1e-9);
        }
        for (p, d) in points.iter().zip(&zone.deviation_mm) {
            assert!(((p.0 - zone.middle.0).dot(&zone.across) - d).abs() < 1e-9 * (1.0 + half));
        }
        // Never wider than the least-squares line's peak to valley.
        let ls = fit_line(points, None).unwrap();
        let high = ls.deviation_mm.iter().copied().fold(f64::MIN, f64::max);
        let low = ls.deviation_mm.iter().copied().fold(f64::MAX, f64::min);
        assert!(zone.width_mm <= (high - low) * (1.0 + 1e-12) + 1e-12);
    }

    /// Zone widths from two methods that share no code (hull edges; linear programs), scipy 1.17.1, on published point
    /// sets: Pearson 1901, Anscombe 1973 I-III, GUM (JCGM 100:2008) table H.6, NIST StRD Norris.
    #[test]
    fn published_point_sets() {
        let (x, y) = PEARSON;
        let width = 1.5 / 5f64.sqrt();
        check(&mm(&x, &y), width, Some(-26.565051), 1e-9);
        let (x, sets) = ANSCOMBE;
        let widths = [3.309922693250, 2.835334195470, 3.653209868450];
        let turns = [30.963757, 26.565051, 39.237367];
        for i in 0..3 {
            check(&mm(&x, &sets[i]), widths[i], Some(turns[i]), 1e-9);
        }
        let (x, y) = THERMOMETER;
        check(&mm(&x, &y), 0.008733044914, Some(0.126303), 1e-11);
        check(
            &mm(&NORRIS_X, &NORRIS_Y),
            2.805906716310,
            Some(45.017362),
            1e-9,
        );
    }

    /// A flat arc's zone is its sagitta: R 50001.25 on a chord of 1000 stands 2.5 high (R = c²/8h + h/2).
    #[test]
    fn a_flat_arc() {
        let r: f64 = 50001.25;
        let points: Vec<Mm> = (0..=200)
            .map(|i| {
                let x = 5.0 * f64::from(i) - 500.0;
                Mm::new(x + 500.0, r - (r * r - x * x).sqrt())
            })
            .collect();
        check(&points, 2.5, Some(0.0), 1e-9);
    }

    fn moved(points: &[Mm], angle: f64, shift: (f64, f64), mirror: bool) -> Vec<Mm> {
        let (s, c) = angle.sin_cos();
        let place = |p: &Mm| {
            let x = if mirror { -p.0.x } else { p.0.x };
            Mm::new(c * x - s * p.0.y + shift.0, s * x + c * p.0.y + shift.1)
        };
        points.iter().map(place).collect()
    }

    proptest! {
        #[test]
        fn any_points_turned_moved_mirrored_shuffled_doubled(
            raw in proptest::collection::vec((-5.0f64..5.0, -1.0f64..1.0), 3..14),
            angle in -3.2f64..3.2, dx in -300.0f64..300.0, dy in -300.0f64..300.0,
            mirror in any::<bool>(), start in 0usize..14
        ) {
            let points: Vec<Mm> = raw.iter().map(|&(x, y)| Mm::new(x, y)).collect();
            let width = by_trying(&points);
            check(&points, width, None, 1e-9);
            let mut other = moved(&points, angle, (dx, dy), mirror);
            let n = other.len();
            other.rotate_left(start % n);
            other.push(other[n / 2]);
            other.swap(0, n / 2);
            check(&other, width, None, 1e-9);
            let bare: Vec<Point2<f64>> = other.iter().map(|p| p.0).collect();
            assert!((zone_width(&bare) - width).abs() < 1e-9);
        }

        #[test]
        fn points_on_a_coarse_grid(raw in proptest::collection::vec((0i8..5, 0i8..3), 3..12)) {
            let points: Vec<Mm> = raw.iter().map(|&(x, y)| Mm::new(x.into(), y.into())).collect();
            if raw.iter().any(|p| p != &raw[0]) {
                check(&points, by_trying(&points), None, 1e-9);
            }
        }
    }

    #[test]
    fn a_smooth_line_of_many_points() {
        let points: Vec<Mm> = (0..1500)
            .map(|i| {
                let s = f64::from(i);
                Mm::new(s, 1e-4 * (s * 0.004).sin() + 0.02 * s)
            })
            .collect();
        let few: Vec<Mm> = points.iter().copied().step_by(10).collect();
        let zone = minimum_zone(&points).unwrap();
        assert!(zone.width_mm >= by_trying(&few) - 1e-12);
        check(&few, by_trying(&few), None, 1e-12);
    }

    #[test]
    fn too_little() {
        let at = |x| Mm::new(x, 2.0);
        let few = minimum_zone(&[at(0.0), at(1.0)]);
        assert_eq!(
            few,
            Err(FitError::TooFew {
                found: 2,
                needed: 3
            })
        );
        let one_place = minimum_zone(&[at(0.0), at(1e-5), at(2e-5)]);
        assert!(matches!(one_place, Err(FitError::NoLength { .. })));
        let lost = minimum_zone(&[at(0.0), at(f64::NAN), at(1.0)]);
        assert_eq!(lost, Err(FitError::NotFinite { index: 1 }));
        let straight = minimum_zone(&[at(0.0), at(5.0), at(1.0)]).unwrap();
        assert_eq!(straight.width_mm, 0.0);
    }
}
