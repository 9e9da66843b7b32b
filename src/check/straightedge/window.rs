//! The stretch of the card's plane that is searched: its frame, and the photo on it row by row.

use super::StraightedgeError;
use super::find::LEAST_MM;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::trace::seek::Candidate;
use crate::trace::strip::{Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2};

/// Frame of the search in the card's plane.
#[derive(Debug, Clone, Copy)]
pub struct Frame {
    origin: Point2<f64>,
    pub along: Vector2<f64>,
    pub across: Vector2<f64>,
}

impl Frame {
    pub fn of(
        scale: &Scale,
        tapped: &[Mm],
        middle: Point2<f64>,
    ) -> Result<Frame, StraightedgeError> {
        let (origin, mut along) = if let [first, .., last] = tapped {
            let n = tapped.len() as f64;
            let mean = tapped.iter().fold(Vector2::zeros(), |s, p| s + p.0.coords) / n;
            // Farthest from the first and farthest from that one: their direction.
            let far = |from: &Mm| {
                tapped
                    .iter()
                    .max_by(|a, b| (a.0 - from.0).norm().total_cmp(&(b.0 - from.0).norm()))
                    .copied()
                    .unwrap_or(*last)
            };
            let one = far(first);
            let other = far(&one);
            let d = other.0 - one.0;
            if d.norm() < 5.0 {
                return Err(StraightedgeError::PointsTogether);
            }
            (Point2::from(mean), d.normalize())
        } else {
            let (s, c) = scale.laid_axis_rad().sin_cos();
            let here = scale
                .mm_from_px(Px(middle))
                .ok_or(StraightedgeError::OffPlane)?;
            (
                tapped.first().copied().unwrap_or(here).0,
                Vector2::new(c, s),
            )
        };
        // Left to right in the photo, or top to bottom when steeper than 45°.
        let px = |t: f64| scale.px_from_mm(Mm(origin + along * t));
        if let (Some(a), Some(b)) = (px(-20.0), px(20.0)) {
            let d = b.0 - a.0;
            let forward = if d.y.abs() > d.x.abs() { d.y } else { d.x };
            if forward < 0.0 {
                along = -along;
            }
        }
        Ok(Frame {
            origin,
            along,
            across: Vector2::new(-along.y, along.x),
        })
    }

    /// The same frame turned about its origin.
    pub fn turned(&self, by_rad: f64) -> Frame {
        let (s, c) = by_rad.sin_cos();
        Frame {
            origin: self.origin,
            along: self.along * c + self.across * s,
            across: self.across * c - self.along * s,
        }
    }

    pub fn mm(&self, a: f64, b: f64) -> Mm {
        Mm(self.origin + self.along * a + self.across * b)
    }

    pub fn ab(&self, mm: Mm) -> (f64, f64) {
        let d = mm.0 - self.origin;
        (d.dot(&self.along), d.dot(&self.across))
    }
}

/// Rows and columns of the coarse look, mm.
pub struct Window {
    pub from_a: f64,
    pub from_b: f64,
    pub pitch_a: f64,
    pub pitch_b: f64,
    pub columns: usize,
    rows: usize,
}

/// Longest straightedge looked at, mm, either way from the card.
const MOST_MM: f64 = 4000.0;

impl Window {
    pub fn of(
        photo: &Photo,
        scale: &Scale,
        frame: &Frame,
        (low, high): (f64, f64),
        mm_per_px: f64,
    ) -> Result<Window, StraightedgeError> {
        let any = |a: f64| {
            (0..=8).any(|k| {
                let b = low + (high - low) * f64::from(k) / 8.0;
                scale
                    .px_from_mm(frame.mm(a, b))
                    .is_some_and(|p| inside(photo, p.0))
            })
        };
        let (from, to) = reach(any);
        if to - from < LEAST_MM {
            return Err(StraightedgeError::OffPlane);
        }
        let pitch_b = (1.3 * mm_per_px).clamp(0.25, 1.0);
        let pitch_a = 3.0 * pitch_b;
        Ok(Window {
            from_a: from,
            from_b: low,
            pitch_a,
            pitch_b,
            columns: ((to - from) / pitch_a) as usize + 1,
            rows: ((high - low) / pitch_b) as usize + 1,
        })
    }

    /// Where a line runs at a place along the window, mm across.
    pub fn b_at(&self, line: &Candidate, a: f64) -> f64 {
        let column = ((a - self.from_a) / self.pitch_a).clamp(0.0, self.columns as f64 - 1.0);
        self.from_b + self.pitch_b * f64::from(line.row_at(column as usize, self.columns))
    }

    /// Columns averaged to a block.
    pub fn block(&self) -> usize {
        (12.0 / self.pitch_a).round().max(1.0) as usize
    }

    pub fn sample(&self, photo: &Photo, scale: &Scale, frame: &Frame, quads: &[Quad]) -> Strip {
        const EVERY: usize = 24;
        let knots = self.rows / EVERY + 2;
        // A column's places, straight between every so many rows: the lens bends less than a cell between.
        let places: Vec<Vec<Option<Point2<f64>>>> = (0..self.columns)
            .map(|c| {
                let a = self.from_a + c as f64 * self.pitch_a;
                (0..knots)
                    .map(|k| {
                        let b = self.from_b + (k * EVERY) as f64 * self.pitch_b;
                        scale.px_from_mm(frame.mm(a, b)).map(|p| p.0)
                    })
                    .collect()
            })
            .collect();
        Strip::sample(photo, self.columns, self.rows, Coding::Gamma, |c, r| {
            let (k, t) = (r / EVERY, (r % EVERY) as f64 / EVERY as f64);
            let (p, q) = (places[c][k]?, places[c][k + 1]?);
            let p = p + (q - p) * t;
            (!masked(quads, p)).then_some(p)
        })
    }
}

pub fn inside(photo: &Photo, p: Point2<f64>) -> bool {
    p.x >= 1.0 && p.y >= 1.0 && p.x <= photo.width as f64 - 3.0 && p.y <= photo.height as f64 - 3.0
}

/// From zero both ways as long as `seen` says so, in steps of 4 mm.
pub fn reach(seen: impl Fn(f64) -> bool) -> (f64, f64) {
    const STEP: f64 = 4.0;
    let mut from = 0.0;
    while from > -MOST_MM && seen(from - STEP) {
        from -= STEP;
    }
    let mut to = 0.0;
    while to < MOST_MM && seen(to + STEP) {
        to += STEP;
    }
    (from, to)
}
