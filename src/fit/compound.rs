//! A corner rounded by two arcs of different radius that run into each other: flank, arc, arc, flank, tangent continuous.
//!
//! Frame and the first four unknowns are those of [`Corner`]; each arc has its radius, and the first takes a share of the
//! turn. Where one arc serves, two fit no better, and the share means nothing: the section's fit reports them only where
//! they are clearly better.

use super::corner::Corner;
use crate::solve::lm::{LmOptions, Solution, minimise};
use crate::solve::noise::Whitener;
use crate::units::Mm;
use nalgebra::{DMatrix, DVector, Point2, Vector2};

/// A corner with two arcs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compound {
    /// Where the flanks would meet.
    pub at: Point2<f64>,
    /// Direction of the corner's x axis, radians from card +x toward card +y.
    pub tilt: f64,
    /// Angle between the flanks' directions, radians.
    pub turn: f64,
    /// Radii of the arc on the -x side and of that on the +x side, mm.
    pub radii: [f64; 2],
    /// Part of the turn that the first arc takes, between 0 and 1.
    pub share: f64,
}

/// Number of unknowns.
pub const FREEDOMS: usize = 7;

/// The pieces of a compound corner in its own frame.
struct Pieces {
    /// Ends of the arcs: first flank to first arc, first to second, second arc to second flank.
    joints: [Vector2<f64>; 3],
    /// Directions there.
    ways: [Vector2<f64>; 3],
    centres: [Vector2<f64>; 2],
}

impl Compound {
    /// From the unknowns in order: x, y, tilt, turn, both radii, share.
    pub fn from_slice(v: &[f64]) -> Option<Compound> {
        let &[x, y, tilt, turn, first, second, share] = v else {
            return None;
        };
        Some(Compound {
            at: Point2::new(x, y),
            tilt,
            turn,
            radii: [first, second],
            share,
        })
    }

    /// The unknowns in order.
    pub fn to_array(self) -> [f64; FREEDOMS] {
        let [first, second] = self.radii;
        [
            self.at.x, self.at.y, self.tilt, self.turn, first, second, self.share,
        ]
    }

    /// Whether such a corner exists.
    pub fn exists(&self) -> bool {
        self.turn > 1e-6
            && self.turn < std::f64::consts::PI - 1e-6
            && self.radii.iter().all(|r| *r >= 0.0)
            && self.share > 0.02
            && self.share < 0.98
    }

    fn pieces(&self) -> Pieces {
        let half = 0.5 * self.turn;
        let heading = [half, half - self.share * self.turn, -half];
        let ways = heading.map(|h| Vector2::new(h.cos(), h.sin()));
        let out = ways.map(|w| Vector2::new(-w.y, w.x));
        // From one joint to the next, and so to where both flanks meet at the origin.
        let first = (out[1] - out[0]) * self.radii[0];
        let second = (out[2] - out[1]) * self.radii[1];
        let whole = first + second;
        let before = 0.5 * (whole.x / half.cos() + whole.y / half.sin());
        let start = -ways[0] * before;
        let middle = start + first;
        Pieces {
            joints: [start, middle, middle + second],
            centres: [
                start - out[0] * self.radii[0],
                middle - out[1] * self.radii[1],
            ],
            ways,
        }
    }

    /// Signed distance of a point, positive on the side away from the arcs' centres.
    fn distance(&self, pieces: &Pieces, point: Point2<f64>) -> f64 {
        let (s, c) = self.tilt.sin_cos();
        let d = point - self.at;
        let p = Vector2::new(d.x * c + d.y * s, d.y * c - d.x * s);
        let beyond = |k: usize| (p - pieces.joints[k]).dot(&pieces.ways[k]) > 0.0;
        let from_line = |k: usize| pieces.ways[k].perp(&(p - pieces.joints[k]));
        let from_arc = |k: usize| (p - pieces.centres[k]).norm() - self.radii[k];
        match (beyond(0), beyond(1), beyond(2)) {
            (false, _, _) => from_line(0),
            (_, _, true) => from_line(2),
            (_, false, _) => from_arc(0),
            _ => from_arc(1),
        }
    }

    /// Signed distances of points, mm.
    pub fn distances(&self, points: &[Mm]) -> Vec<f64> {
        let pieces = self.pieces();
        points.iter().map(|p| self.distance(&pieces, p.0)).collect()
    }
}

/// Least squares for two arcs, begun from one: a smaller and a larger radius about it, either way round; the better.
/// `whitener`: as for the one arc. `None` where neither settles.
pub fn two_arcs(
    points: &[Mm],
    one: &Corner,
    whitener: Option<&Whitener>,
) -> Option<(Compound, Solution)> {
    /// Radii tried, parts of the one arc's.
    const APART: [[f64; 2]; 2] = [[0.6, 1.7], [1.7, 0.6]];
    APART
        .iter()
        .filter_map(|apart| {
            let start = Compound {
                at: one.at,
                tilt: one.tilt,
                turn: one.turn,
                radii: apart.map(|a| a * one.radius),
                share: 0.5,
            };
            let solution = refined(points, start, whitener)?;
            let found = Compound::from_slice(solution.at.as_slice())?;
            Some((found, solution))
        })
        .min_by(|a, b| a.1.squares.total_cmp(&b.1.squares))
}

/// Least squares from a start, derivatives by central differences.
pub fn refined(points: &[Mm], start: Compound, whitener: Option<&Whitener>) -> Option<Solution> {
    let radius = start.radii[0].max(start.radii[1]).max(0.5);
    let size = [1.0, 1.0, 0.02, 0.02, 0.2 * radius, 0.2 * radius, 0.1];
    let model =
        |at: &DVector<f64>, residuals: &mut DVector<f64>, jacobian: Option<&mut DMatrix<f64>>| {
            let found = Compound::from_slice(at.as_slice()).filter(Compound::exists);
            let Some(found) = found else {
                residuals.fill(f64::NAN);
                return;
            };
            residuals.copy_from_slice(&found.distances(points));
            if let Some(whitener) = whitener {
                whitener.apply(residuals.as_mut_slice());
            }
            let Some(j) = jacobian else {
                return;
            };
            for (k, mut column) in j.column_iter_mut().enumerate() {
                let step = 1e-5 * size[k];
                let moved = |by: f64| {
                    let mut v = at.clone();
                    v[k] += by;
                    Compound::from_slice(v.as_slice()).map(|c| c.distances(points))
                };
                if let (Some(above), Some(below)) = (moved(step), moved(-step)) {
                    for (c, (a, b)) in column.iter_mut().zip(above.iter().zip(&below)) {
                        *c = (a - b) / (2.0 * step);
                    }
                }
                if let Some(whitener) = whitener {
                    whitener.apply(column.as_mut_slice());
                }
            }
        };
    let options = LmOptions {
        steps: 60,
        rounding: 1e-9 * (points.len() as f64).sqrt(),
        ..LmOptions::default()
    };
    minimise(&start.to_array(), &size, points.len(), model, &options).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const PAIR: Compound = Compound {
        at: Point2::new(3.0, -2.0),
        tilt: 0.4,
        turn: 1.1,
        radii: [4.0, 15.0],
        share: 0.6,
    };

    /// Two arcs of one radius are one arc: distances as [`Corner`]'s.
    #[test]
    fn equal_radii_are_one_arc() {
        let pair = Compound {
            radii: [7.0, 7.0],
            ..PAIR
        };
        let one = Corner {
            at: pair.at,
            tilt: pair.tilt,
            turn: pair.turn,
            radius: 7.0,
        };
        let points: Vec<Mm> = (-60..60)
            .map(|k| Mm(one.point(0.3 * f64::from(k)) + Vector2::new(0.2, 0.4)))
            .collect();
        for (p, d) in points.iter().zip(pair.distances(&points)) {
            assert_abs_diff_eq!(d, one.see(p.0).distance, epsilon = 1e-9);
        }
    }

    /// The outline is continuous in place and direction: the arcs end where their neighbours begin, on the flanks' lines.
    #[test]
    fn pieces_join() {
        let p = PAIR.pieces();
        for k in 0..2 {
            assert_abs_diff_eq!(
                (p.joints[k] - p.centres[k]).norm(),
                PAIR.radii[k],
                epsilon = 1e-12
            );
            assert_abs_diff_eq!(
                (p.joints[k + 1] - p.centres[k]).norm(),
                PAIR.radii[k],
                epsilon = 1e-12
            );
            assert_abs_diff_eq!(
                (p.joints[k] - p.centres[k]).dot(&p.ways[k]),
                0.0,
                epsilon = 1e-12
            );
        }
        // Both flanks' lines pass through the corner.
        assert_abs_diff_eq!(p.joints[0].perp(&p.ways[0]), 0.0, epsilon = 1e-12);
        assert_abs_diff_eq!(p.joints[2].perp(&p.ways[2]), 0.0, epsilon = 1e-12);
    }
}
