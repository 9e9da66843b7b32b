//! The chord of a swage's arc from its two ends in the photo.
//!
//! Coat left on the arc of a swage ends where the flanks begin. The near end lies on the flank that carries the cards, so the
//! card frame tells where; from there the chord leans by half the turn angle out of that flank, away from the camera over
//! a crest, toward it in a root. Its far end is where the ray of the far border meets that plane. The panel's bow is gentle
//! beside a chord of millimetres: depth is taken along the surface's own z, which errs by the square of the bow's slope.

use super::solve::{Scale, State};
use crate::budget::Part;
use crate::units::Px;
use nalgebra::{DMatrix, DVector, Point2, Vector2};

/// Two ends of a chord as seen, and which way things run there.
#[derive(Debug, Clone, Copy)]
pub struct Ends {
    /// On the border at the cards' flank, photo px.
    pub near: Px,
    /// On the other border, photo px.
    pub far: Px,
    /// Unit direction of the near border in the first card's frame.
    pub along: Vector2<f64>,
    /// Unit direction square to the swage, from the near border toward the far one, in the first card's frame.
    pub across: Vector2<f64>,
    /// Angle by which the chord leans into the panel, rad: half the turn over a crest, less than zero in a root.
    pub lean_rad: f64,
}

/// A chord.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chord {
    /// Its length, mm.
    pub length_mm: f64,
    /// Its foot lies this far along the near border from the place given, mm: the two places needn't face each other.
    pub shift_mm: f64,
}

impl Scale {
    /// The chord between two ends; `None` when the ray runs along the chord's plane.
    pub fn chord(&self, ends: &Ends) -> Option<Chord> {
        chord(&self.state, ends)
    }

    /// How the chord's length moves with the scale's parameters, whose covariance by source is [`Scale::by_source`].
    pub fn chord_slope(&self, ends: &Ends) -> Option<DVector<f64>> {
        const STEP: f64 = 1e-3;
        let n = self.parameters.len();
        let mut out = DVector::zeros(n);
        for j in 0..n {
            let mut p = self.parameters.clone();
            p[j] += STEP;
            let up = chord(&self.frame.state(&p), ends)?.length_mm;
            p[j] -= 2.0 * STEP;
            let down = chord(&self.frame.state(&p), ends)?.length_mm;
            out[j] = (up - down) / (2.0 * STEP);
        }
        Some(out)
    }

    /// Covariance of the scale's parameters by source.
    pub fn by_source(&self) -> &[(Part, DMatrix<f64>)] {
        &self.covariance
    }
}

/// Newton's method on length and shift.
fn chord(state: &State, ends: &Ends) -> Option<Chord> {
    let foot = state.mm(ends.near.0)?;
    let (sin, cos) = ends.lean_rad.sin_cos();
    let seen = |length: f64, shift: f64| -> Option<Point2<f64>> {
        let at = foot + ends.along * shift + ends.across * (length * cos);
        state.px_above(at, length * sin)
    };
    const STEP: f64 = 1e-3;
    let (mut length, mut shift) = (0.0, 0.0);
    for _ in 0..12 {
        let here = seen(length, shift)?;
        let l = (seen(length + STEP, shift)? - here) / STEP;
        let s = (seen(length, shift + STEP)? - here) / STEP;
        let miss = ends.far.0 - here;
        let det = l.x * s.y - l.y * s.x;
        if det.abs() < 1e-3 * l.norm().max(1e-9) * s.norm().max(1e-9) {
            return None;
        }
        let (dl, ds) = (
            (miss.x * s.y - miss.y * s.x) / det,
            (l.x * miss.y - l.y * miss.x) / det,
        );
        length += dl;
        shift += ds;
        if dl.abs() + ds.abs() < 1e-7 {
            break;
        }
    }
    (length.is_finite() && shift.is_finite()).then_some(Chord {
        length_mm: length,
        shift_mm: shift,
    })
}
