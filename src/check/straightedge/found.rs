//! Where the straightedge meets the panel, as found: a line in the card's plane with its ends.

use crate::units::Mm;
use nalgebra::{Point2, Vector2};

/// Where the straightedge meets the panel: a straight line in the card's plane.
#[derive(Debug, Clone)]
pub struct Found {
    /// A place on it, card frame, mm.
    pub origin: Point2<f64>,
    /// Along it, left to right in the upright photo (top to bottom when steep).
    pub along: Vector2<f64>,
    /// Square to it, from the straightedge to the panel.
    pub across: Vector2<f64>,
    /// First seen place of the straightedge along it, mm.
    pub from_mm: f64,
    /// Last.
    pub to_mm: f64,
    /// Whether the first and the last are its ends (else the photo's).
    pub ends: [bool; 2],
    /// What lies behind the gap as seen beyond its ends: where along, mm; linear red, green, blue.
    pub behind: Vec<(f64, [f64; 3])>,
    /// What lies behind the straightedge as seen above its back.
    pub above: Option<[f64; 3]>,
}

impl Found {
    /// Place in the card frame.
    pub fn mm(&self, a: f64, b: f64) -> Mm {
        Mm(self.origin + self.along * a + self.across * b)
    }

    /// The same with its line laid through two places of the card frame, the first of them first along it.
    pub fn relined(&self, p: Mm, q: Mm) -> Found {
        let (p, q) = (p.0, q.0);
        let along = (q - p).normalize();
        let mut across = Vector2::new(-along.y, along.x);
        if across.dot(&self.across) < 0.0 {
            across = -across;
        }
        let origin = nalgebra::center(&p, &q);
        let to = |a: f64| (self.mm(a, 0.0).0 - origin).dot(&along);
        Found {
            origin,
            along,
            across,
            from_mm: to(self.from_mm),
            to_mm: to(self.to_mm),
            ends: self.ends,
            behind: self.behind.iter().map(|(a, c)| (to(*a), *c)).collect(),
            above: self.above,
        }
    }
}
