//! Outlines of straight lines and arcs.
//!
//! An arc is kept as its centre and sweep, so its ends can't disagree with its radius, and every writer gives it in
//! the best form its file knows: arcs in DXF and SVG, Bézier curves in PDF, short chords in STL.

use nalgebra::Point2;

/// A place on a sheet, mm from the top-left corner, x right, y down.
pub type At = Point2<f64>;

/// One piece of a [`Path`], from where the piece before it ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seg {
    /// Straight to this place.
    Line(At),
    /// Round `centre` by `sweep_deg`: positive from x toward y, clockwise as seen on the sheet.
    Arc {
        /// Centre of the arc.
        centre: At,
        /// Angle turned, degrees, -360 to 360.
        sweep_deg: f64,
    },
}

/// Lines and arcs joined end to end.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// Where it begins.
    pub start: At,
    /// Its pieces in order.
    pub segs: Vec<Seg>,
    /// Whether a last straight line leads back to the start (of no length when it is there already).
    pub closed: bool,
}

/// An upright rectangle, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Left edge.
    pub x0: f64,
    /// Top edge.
    pub y0: f64,
    /// Right edge.
    pub x1: f64,
    /// Bottom edge.
    pub y1: f64,
}

/// A piece with both its ends, as the writers want it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Piece {
    /// A straight line.
    Line {
        /// From here.
        from: At,
        /// To here.
        to: At,
    },
    /// An arc.
    Arc {
        /// From here.
        from: At,
        /// To here.
        to: At,
        /// Centre.
        centre: At,
        /// Radius, mm.
        radius_mm: f64,
        /// Direction of `from` as seen from the centre, degrees, from x toward y.
        start_deg: f64,
        /// Angle turned, degrees, positive from x toward y.
        sweep_deg: f64,
    },
}

impl Frame {
    /// From left, top, width and height, mm.
    pub fn from_size(x0: f64, y0: f64, width_mm: f64, height_mm: f64) -> Self {
        Frame {
            x0,
            y0,
            x1: x0 + width_mm,
            y1: y0 + height_mm,
        }
    }

    /// Width, mm.
    pub fn width_mm(&self) -> f64 {
        self.x1 - self.x0
    }

    /// Height, mm.
    pub fn height_mm(&self) -> f64 {
        self.y1 - self.y0
    }

    /// The smallest frame round both.
    pub fn union(self, other: Frame) -> Frame {
        Frame {
            x0: least(self.x0, other.x0),
            y0: least(self.y0, other.y0),
            x1: most(self.x1, other.x1),
            y1: most(self.y1, other.y1),
        }
    }

    /// Whether the two share any area or edge.
    pub fn meets(&self, other: &Frame) -> bool {
        self.x0 <= other.x1 && other.x0 <= self.x1 && self.y0 <= other.y1 && other.y0 <= self.y1
    }

    /// Whether the other lies whole in this.
    pub fn holds(&self, other: &Frame) -> bool {
        self.x0 <= other.x0 && other.x1 <= self.x1 && self.y0 <= other.y0 && other.y1 <= self.y1
    }

    /// This frame with `by_mm` more on every side.
    pub fn grown(&self, by_mm: f64) -> Frame {
        Frame {
            x0: self.x0 - by_mm,
            y0: self.y0 - by_mm,
            x1: self.x1 + by_mm,
            y1: self.y1 + by_mm,
        }
    }
}

/// The lesser, but a value that is not a number stays one (`f64::min` would hide it).
fn least(a: f64, b: f64) -> f64 {
    if a.is_nan() || a < b { a } else { b }
}

/// The greater, but a value that is not a number stays one.
fn most(a: f64, b: f64) -> f64 {
    if a.is_nan() || a > b { a } else { b }
}

/// `from` turned about `centre` by `deg`, from x toward y.
fn turned(from: At, centre: At, deg: f64) -> At {
    let (sin, cos) = deg.to_radians().sin_cos();
    let d = from - centre;
    At::new(
        centre.x + d.x * cos - d.y * sin,
        centre.y + d.x * sin + d.y * cos,
    )
}

impl Path {
    /// An open path that begins here; add to it with [`Path::line`] and [`Path::arc`].
    pub fn from(start: At) -> Self {
        Path {
            start,
            segs: Vec::new(),
            closed: false,
        }
    }

    /// Goes straight to a place.
    pub fn line(mut self, to: At) -> Self {
        self.segs.push(Seg::Line(to));
        self
    }

    /// Goes round a centre by an angle, degrees, positive from x toward y.
    pub fn arc(mut self, centre: At, sweep_deg: f64) -> Self {
        self.segs.push(Seg::Arc { centre, sweep_deg });
        self
    }

    /// Leads back to the start.
    pub fn close(mut self) -> Self {
        self.closed = true;
        self
    }

    /// An upright rectangle.
    pub fn rect(f: Frame) -> Self {
        Path::from(At::new(f.x0, f.y0))
            .line(At::new(f.x1, f.y0))
            .line(At::new(f.x1, f.y1))
            .line(At::new(f.x0, f.y1))
            .close()
    }

    /// One straight line.
    pub fn segment(from: At, to: At) -> Self {
        Path::from(from).line(to)
    }

    /// Straight lines through all these places; `None` when there are none.
    pub fn polyline(places: &[At]) -> Option<Self> {
        let (first, rest) = places.split_first()?;
        Some(Path {
            start: *first,
            segs: rest.iter().map(|p| Seg::Line(*p)).collect(),
            closed: false,
        })
    }

    /// A full circle, closed.
    pub fn circle(centre: At, radius_mm: f64) -> Self {
        Path::from(At::new(centre.x + radius_mm, centre.y))
            .arc(centre, 360.0)
            .close()
    }

    /// The path with every place moved by (`dx_mm`, `dy_mm`).
    pub fn moved(&self, dx_mm: f64, dy_mm: f64) -> Self {
        let shift = |p: At| At::new(p.x + dx_mm, p.y + dy_mm);
        Path {
            start: shift(self.start),
            segs: self
                .segs
                .iter()
                .map(|seg| match *seg {
                    Seg::Line(to) => Seg::Line(shift(to)),
                    Seg::Arc { centre, sweep_deg } => Seg::Arc {
                        centre: shift(centre),
                        sweep_deg,
                    },
                })
                .collect(),
            closed: self.closed,
        }
    }

    /// The pieces with both ends; a closed path ends with the line that closes it unless that has no length (1 nm).
    pub fn pieces(&self) -> Vec<Piece> {
        let mut at = self.start;
        let mut pieces = Vec::with_capacity(self.segs.len() + 1);
        for seg in &self.segs {
            let from = at;
            match *seg {
                Seg::Line(to) => {
                    at = to;
                    pieces.push(Piece::Line { from, to });
                }
                Seg::Arc { centre, sweep_deg } => {
                    at = turned(from, centre, sweep_deg);
                    let d = from - centre;
                    pieces.push(Piece::Arc {
                        from,
                        to: at,
                        centre,
                        radius_mm: d.norm(),
                        start_deg: d.y.atan2(d.x).to_degrees(),
                        sweep_deg,
                    });
                }
            }
        }
        if self.closed && (at - self.start).norm() > 1e-6 {
            pieces.push(Piece::Line {
                from: at,
                to: self.start,
            });
        }
        pieces
    }

    /// Where the last piece ends (the start, for a closed path).
    pub fn end(&self) -> At {
        match (self.closed, self.pieces().last()) {
            (true, _) | (_, None) => self.start,
            (_, Some(Piece::Line { to, .. } | Piece::Arc { to, .. })) => *to,
        }
    }

    /// The smallest upright frame round the path, arcs taken as arcs.
    pub fn bounds(&self) -> Frame {
        let dot = |p: At| Frame {
            x0: p.x,
            y0: p.y,
            x1: p.x,
            y1: p.y,
        };
        let mut frame = dot(self.start);
        for piece in self.pieces() {
            match piece {
                Piece::Line { to, .. } => frame = frame.union(dot(to)),
                Piece::Arc {
                    to,
                    centre,
                    radius_mm,
                    start_deg,
                    sweep_deg,
                    ..
                } => {
                    frame = frame.union(dot(to));
                    let (low, high) = if sweep_deg < 0.0 {
                        (start_deg + sweep_deg, start_deg)
                    } else {
                        (start_deg, start_deg + sweep_deg)
                    };
                    // Extremes lie where the arc passes a quarter turn: at most nine within a full turn either way.
                    for quarter in -8..=8_i32 {
                        let deg = f64::from(quarter) * 90.0;
                        if deg >= low && deg <= high {
                            let (sin, cos) = deg.to_radians().sin_cos();
                            frame = frame.union(dot(At::new(
                                centre.x + radius_mm * cos,
                                centre.y + radius_mm * sin,
                            )));
                        }
                    }
                }
            }
        }
        frame
    }

    /// Corner places of chords that stay within `chord_mm` of the path; a closed path does not repeat its start.
    pub fn flattened(&self, chord_mm: f64) -> Vec<At> {
        let mut places = vec![self.start];
        for piece in self.pieces() {
            match piece {
                Piece::Line { to, .. } => places.push(to),
                Piece::Arc {
                    from,
                    to,
                    centre,
                    radius_mm,
                    sweep_deg,
                    ..
                } => {
                    let steps = chords(radius_mm, sweep_deg, chord_mm);
                    for i in 1..steps {
                        places.push(turned(from, centre, sweep_deg * i as f64 / steps as f64));
                    }
                    places.push(to);
                }
            }
        }
        if self.closed
            && places.len() > 1
            && places
                .last()
                .is_some_and(|p| (p - self.start).norm() <= 1e-6)
        {
            places.pop();
        }
        places
    }
}

/// How many chords keep an arc's sagitta, r (1 - cos(step/2)), under `chord_mm`; 1 to 2000, and no step over 30°.
fn chords(radius_mm: f64, sweep_deg: f64, chord_mm: f64) -> usize {
    let part = (1.0 - chord_mm / radius_mm.max(chord_mm)).clamp(-1.0, 1.0);
    let step_deg = (2.0 * part.acos().to_degrees()).clamp(0.18, 30.0);
    ((sweep_deg.abs() / step_deg).ceil() as usize).clamp(1, 2000)
}

/// The Bézier curves (two handles and the end) that follow an arc.
///
/// Pieces of at most 45°, handle length 4/3 tan(step/4) r: off by under 5e-6 of the radius (calculated from the
/// mid-point error of the usual cubic approximation).
pub fn arc_curves(from: At, centre: At, sweep_deg: f64) -> Vec<[At; 3]> {
    let steps = ((sweep_deg.abs() / 45.0).ceil() as usize).max(1);
    let step_deg = sweep_deg / steps as f64;
    let handle = 4.0 / 3.0 * (step_deg.to_radians() / 4.0).tan();
    let mut a = from;
    (1..=steps)
        .map(|i| {
            let b = turned(from, centre, step_deg * i as f64);
            let (ra, rb) = (a - centre, b - centre);
            let first = At::new(a.x - handle * ra.y, a.y + handle * ra.x);
            let second = At::new(b.x + handle * rb.y, b.y - handle * rb.x);
            a = b;
            [first, second, b]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_half_circle_bulges_to_its_radius() {
        // From (10,0) about the origin by +180°: through (0,10), y down.
        let path = Path::from(At::new(10.0, 0.0)).arc(At::new(0.0, 0.0), 180.0);
        let f = path.bounds();
        assert_relative_eq!(f.x0, -10.0, epsilon = 1e-12);
        assert_relative_eq!(f.y0, 0.0, epsilon = 1e-12);
        assert_relative_eq!(f.y1, 10.0, epsilon = 1e-12);
        assert_relative_eq!(path.end().x, -10.0, epsilon = 1e-12);
    }

    #[test]
    fn chords_stay_within_the_stated_distance() {
        for (radius_mm, chord_mm) in [(3.0, 0.01), (25.0, 0.01), (5000.0, 0.02)] {
            let places = Path::circle(At::new(1.0, 2.0), radius_mm).flattened(chord_mm);
            for pair in places.windows(2) {
                let middle = nalgebra::center(&pair[0], &pair[1]);
                let sagitta = radius_mm - (middle - At::new(1.0, 2.0)).norm();
                assert!(
                    sagitta <= chord_mm * (1.0 + 1e-9),
                    "sagitta {sagitta} of r {radius_mm}"
                );
            }
        }
    }

    #[test]
    fn curves_follow_the_arc_to_five_millionths_of_its_radius() {
        let (from, centre) = (At::new(20.0, 0.0), At::new(0.0, 0.0));
        let mut a = from;
        for [p, q, b] in arc_curves(from, centre, -133.0) {
            for i in 0..=10 {
                let t = f64::from(i) / 10.0;
                let s = 1.0 - t;
                let at = a.coords * (s * s * s)
                    + p.coords * (3.0 * s * s * t)
                    + q.coords * (3.0 * s * t * t)
                    + b.coords * (t * t * t);
                assert!((at.norm() - 20.0).abs() < 20.0 * 5e-6, "r {}", at.norm());
            }
            a = b;
        }
        assert_relative_eq!(a.y, -20.0 * 133f64.to_radians().sin(), epsilon = 1e-9);
    }

    #[test]
    fn a_closed_path_comes_home_once() {
        let square = Path::rect(Frame::from_size(1.0, 2.0, 3.0, 4.0));
        assert_eq!(square.pieces().len(), 4);
        assert_eq!(square.flattened(0.01).len(), 4);
        assert_eq!(Path::circle(At::new(0.0, 0.0), 5.0).pieces().len(), 1);
    }
}
