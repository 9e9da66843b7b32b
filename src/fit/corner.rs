//! Geometry of a rounded corner: flank, arc, flank, tangent continuous. Distances, their derivatives, and where a foot
//! lies along the outline.
//!
//! The corner's own frame: origin where the flanks would meet, y along the bisector away from the arc's centre, x square
//! to it along the outline. Both flanks fall toward -y, leaning half the turn from x. The arc's centre lies at
//! (0, -r / cos(turn/2)).

use super::FitError;
use super::line::fit_line;
use crate::units::Mm;
use nalgebra::{Point2, Vector2};

/// A rounded corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corner {
    /// Where the flanks would meet.
    pub at: Point2<f64>,
    /// Direction of the corner's x axis, radians from card +x toward card +y.
    pub tilt: f64,
    /// Angle between the flanks' directions, radians, above zero.
    pub turn: f64,
    /// Radius of the arc between them, mm; 0 for a sharp corner.
    pub radius: f64,
}

/// Which piece of the outline is nearest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Piece {
    /// Flank on the -x side.
    First,
    /// The arc.
    Arc,
    /// Flank on the +x side.
    Second,
}

/// A point as seen from the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Signed distance, positive on the side away from the arc's centre.
    pub distance: f64,
    /// Its derivatives by corner x, corner y, tilt, turn and radius.
    pub by: [f64; 5],
    /// Place of the foot along the outline, 0 at the arc's middle, rising with x.
    pub along: f64,
    /// Piece the foot lies on.
    pub piece: Piece,
}

impl Corner {
    /// From the five unknowns in the order of [`Seen::by`].
    pub fn from_slice(v: &[f64]) -> Option<Self> {
        let &[x, y, tilt, turn, radius] = v else {
            return None;
        };
        Some(Corner {
            at: Point2::new(x, y),
            tilt,
            turn,
            radius,
        })
    }

    /// The five unknowns.
    pub fn to_array(self) -> [f64; 5] {
        [self.at.x, self.at.y, self.tilt, self.turn, self.radius]
    }

    /// Whether such a corner exists: turn between 0 and a half turn, radius not negative.
    pub fn exists(&self) -> bool {
        self.turn > 1e-6 && self.turn < std::f64::consts::PI - 1e-6 && self.radius >= 0.0
    }

    /// Corner to tangent point, along a flank.
    pub fn tangent_length(&self) -> f64 {
        self.radius * (0.5 * self.turn).tan()
    }

    /// Unit vectors of the corner's frame on the card.
    fn axes(&self) -> (Vector2<f64>, Vector2<f64>) {
        let (s, c) = self.tilt.sin_cos();
        (Vector2::new(c, s), Vector2::new(-s, c))
    }

    /// Unit vector from the corner toward the arc's centre.
    pub fn inward(&self) -> Vector2<f64> {
        -self.axes().1
    }

    /// The arc's centre.
    pub fn centre(&self) -> Point2<f64> {
        self.at + self.inward() * (self.radius / (0.5 * self.turn).cos())
    }

    /// Point of a flank that lies `distance` from the corner.
    pub fn on_flank(&self, second: bool, distance: f64) -> Point2<f64> {
        let (x, y) = self.axes();
        let (s, c) = (0.5 * self.turn).sin_cos();
        let side = if second { 1.0 } else { -1.0 };
        self.at + x * (side * distance * c) - y * (distance * s)
    }

    /// Point of the outline at a place along it, as [`Seen::along`] counts.
    pub fn point(&self, along: f64) -> Point2<f64> {
        let half = 0.5 * self.turn * self.radius;
        if along.abs() <= half && self.radius > 0.0 {
            let (x, y) = self.axes();
            let (s, c) = (along / self.radius).sin_cos();
            self.centre() + x * (self.radius * s) + y * (self.radius * c)
        } else {
            self.on_flank(along > 0.0, along.abs() - half + self.tangent_length())
        }
    }

    /// Distance of a point from the outline, and what it depends on.
    pub fn see(&self, point: Point2<f64>) -> Seen {
        let (ax, ay) = self.axes();
        let d = point - self.at;
        let (x, y) = (d.dot(&ax), d.dot(&ay));
        let (s, c) = (0.5 * self.turn).sin_cos();
        let depth = self.radius / c;
        let up = y + depth;
        let angle = x.atan2(up);
        let side = if x < 0.0 { -1.0 } else { 1.0 };
        let on_arc = angle.abs() <= 0.5 * self.turn;
        // Derivatives by the local place and by turn and radius.
        let (distance, by_x, by_y, by_turn, by_radius, along, piece) = if on_arc {
            let far = x.hypot(up).max(f64::MIN_POSITIVE);
            let (nx, ny) = (x / far, up / far);
            (
                far - self.radius,
                nx,
                ny,
                0.5 * ny * depth * s / c,
                ny / c - 1.0,
                self.radius * angle,
                Piece::Arc,
            )
        } else {
            let run = x.abs() * c - y * s;
            let out = run - self.tangent_length() + 0.5 * self.turn * self.radius;
            (
                x.abs() * s + y * c,
                side * s,
                c,
                0.5 * run,
                0.0,
                side * out,
                if x < 0.0 { Piece::First } else { Piece::Second },
            )
        };
        let by_place = ax * by_x + ay * by_y;
        Seen {
            distance,
            by: [
                -by_place.x,
                -by_place.y,
                by_x * y - by_y * x,
                by_turn,
                by_radius,
            ],
            along,
            piece,
        }
    }

    /// Sharp corners that the ends of an outline suggest: lines through the first and the last part of the points, for
    /// several sizes of part. Points in order along the outline.
    pub fn guesses(points: &[Mm]) -> Result<Vec<Corner>, FitError> {
        let n = points.len();
        let mut found = Vec::new();
        for part in [0.06, 0.12, 0.2, 0.3, 0.4] {
            let m = ((n as f64 * part) as usize).max(4);
            if 2 * m > n {
                break;
            }
            let first = directed(&points[..m])?;
            let last = directed(&points[n - m..])?;
            if let Some(corner) = between(first, last) {
                found.push(corner);
            }
        }
        Ok(found)
    }
}

/// A line with the direction in which its points run.
fn directed(points: &[Mm]) -> Result<(Point2<f64>, Vector2<f64>), FitError> {
    let line = fit_line(points, None)?;
    let runs_back = line.along_mm.first() > line.along_mm.last();
    let along = if runs_back { -line.along } else { line.along };
    Ok((line.centre.0, along))
}

fn between(
    (a, from): (Point2<f64>, Vector2<f64>),
    (b, to): (Point2<f64>, Vector2<f64>),
) -> Option<Corner> {
    let cross = from.perp(&to);
    let turn = cross.atan2(from.dot(&to)).abs();
    if !(0.01..3.0).contains(&turn) {
        return None;
    }
    let at = a + from * ((b - a).perp(&to) / cross);
    let inward = (to - from).normalize();
    // inward is minus the y axis (-sin, cos).
    Some(Corner {
        at,
        tilt: inward.x.atan2(-inward.y),
        turn,
        radius: 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The derivatives are those of the distance, by differences.
        #[test]
        fn derivatives(
            x in -20.0f64..20.0, y in -20.0f64..12.0, tilt in -3.0f64..3.0, turn in 0.2f64..2.6, radius in 0.1f64..9.0
        ) {
            let corner = Corner { at: Point2::new(3.0, -2.0), tilt, turn, radius };
            let (ax, ay) = corner.axes();
            let p = corner.at + ax * x + ay * y;
            let seen = corner.see(p);
            let start = corner.to_array();
            for j in 0..5 {
                let at = |h: f64| {
                    let mut v = start;
                    v[j] += h;
                    Corner::from_slice(&v).unwrap().see(p)
                };
                let (above, below) = (at(1e-6), at(-1e-6));
                // Not across a seam, nor at the arc's centre.
                if above.piece == below.piece && (p - corner.centre()).norm() > 0.1 && x.abs() > 1e-3 {
                    let slope = (above.distance - below.distance) / 2e-6;
                    prop_assert!((slope - seen.by[j]).abs() < 1e-5 * (1.0 + slope.abs()), "{} {} {}", j, slope, seen.by[j]);
                }
            }
        }

        /// Distance and foot against a dense walk along the outline.
        #[test]
        fn nearest_of_many(x in -12.0f64..12.0, off in -1.5f64..1.5, turn in 0.3f64..2.2, radius in 2.0f64..6.0) {
            let corner = Corner { at: Point2::new(1.0, 2.0), tilt: 0.7, turn, radius };
            let walk: Vec<(f64, Point2<f64>)> = (-6000..=6000).map(|i| {
                let s = 0.005 * f64::from(i);
                let half = 0.5 * turn * radius;
                if s.abs() <= half {
                    let (sn, cs) = (s / radius).sin_cos();
                    let (ax, ay) = corner.axes();
                    (s, corner.centre() + ax * (radius * sn) + ay * (radius * cs))
                } else {
                    (s, corner.on_flank(s > 0.0, s.abs() - half + corner.tangent_length()))
                }
            }).collect();
            let (ax, ay) = corner.axes();
            let base = walk[6000 + (x * 200.0) as usize % 6000].1;
            let p = base + ax * (0.3 * off) + ay * off;
            let near = walk.iter().min_by(|a, b| (a.1 - p).norm().total_cmp(&(b.1 - p).norm())).unwrap();
            let seen = corner.see(p);
            // Half a step of the walk.
            prop_assert!((seen.distance.abs() - (near.1 - p).norm()).abs() < 2.6e-3);
            prop_assert!((seen.along - near.0).abs() < 0.02);
        }
    }

    /// Lines through the ends of a sharp corner's points give that corner back, whichever way it points and runs.
    #[test]
    fn guesses_of_a_sharp_corner() {
        for tilt in [-2.5, -0.4, 0.0, 1.1, 3.0] {
            for turn in [0.3, 1.0, 2.0] {
                let corner = Corner {
                    at: Point2::new(5.0, 6.0),
                    tilt,
                    turn,
                    radius: 0.0,
                };
                let mut points: Vec<Mm> = (-50..=50)
                    .map(|i| Mm(corner.on_flank(i > 0, f64::from(i).abs() * 0.2)))
                    .collect();
                for _ in 0..2 {
                    for guess in Corner::guesses(&points).unwrap() {
                        assert!((guess.at - corner.at).norm() < 1e-9);
                        assert!((guess.turn - turn).abs() < 1e-9);
                        assert!((guess.inward() - corner.inward()).norm() < 1e-9);
                    }
                    points.reverse();
                }
            }
        }
    }

    /// Arc rφ, tangent length r tan(φ/2), corner to arc r(1/cos(φ/2) - 1) (mpmath 1.3.0).
    #[test]
    fn lengths() {
        for (radius, deg, tangent, gap) in [
            (5.0, 60.0, 2.886751346, 0.773502692),
            (8.0, 45.0, 3.313708499, 0.659137602),
        ] {
            let turn = f64::to_radians(deg);
            let corner = Corner {
                at: Point2::origin(),
                tilt: 0.0,
                turn,
                radius,
            };
            assert!((corner.tangent_length() - tangent).abs() < 1e-9);
            assert!((corner.see(Point2::origin()).distance - gap).abs() < 1e-9);
            let end = corner.see(corner.on_flank(true, corner.tangent_length()));
            assert!((2.0 * end.along - radius * turn).abs() < 1e-9);
        }
    }
}
