//! How a line lies in the upright photo, and which side of it a deviation goes to: what is up, down, left or right there.

use super::LineFigures;
use nalgebra::{Point2, Vector2};

/// A direction in the upright photo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Toward the top of the photo.
    Up,
    /// Toward the bottom.
    Down,
    /// Toward the left.
    Left,
    /// Toward the right.
    Right,
}

impl Side {
    /// The nearest of the four to a direction in the photo (x right, y down).
    fn nearest(way: Vector2<f64>) -> Side {
        match (way.x.abs() > way.y.abs(), way.x > 0.0, way.y > 0.0) {
            (true, true, _) => Side::Right,
            (true, false, _) => Side::Left,
            (false, _, true) => Side::Down,
            (false, _, false) => Side::Up,
        }
    }

    /// The other way.
    pub fn opposite(self) -> Side {
        match self {
            Side::Up => Side::Down,
            Side::Down => Side::Up,
            Side::Left => Side::Right,
            Side::Right => Side::Left,
        }
    }

    /// `up`, `down`, `to the left`, `to the right`.
    pub fn word(self) -> &'static str {
        match self {
            Side::Up => "up",
            Side::Down => "down",
            Side::Left => "to the left",
            Side::Right => "to the right",
        }
    }

    /// What lies off that way: `too high`, `too low`, `too far left`, `too far right`.
    pub fn off(self) -> &'static str {
        match self {
            Side::Up => "too high",
            Side::Down => "too low",
            Side::Left => "too far left",
            Side::Right => "too far right",
        }
    }

    /// What lies on that side of a line: `above`, `below`, `left of`, `right of`.
    pub fn beside(self) -> &'static str {
        match self {
            Side::Up => "above",
            Side::Down => "below",
            Side::Left => "left of",
            Side::Right => "right of",
        }
    }
}

/// How a line lies in the photo, from its first and last points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lie {
    /// Unit direction along the line, photo frame, s rising.
    pub along: Vector2<f64>,
    /// Unit direction square to it, photo frame, toward which deviations are positive (card +y).
    pub positive: Vector2<f64>,
}

impl Lie {
    /// From the traced points: `None` under two points or when they fall together.
    ///
    /// A photo shows a card turned, never mirrored, so the square direction that has card +y on its side in the
    /// card's frame is the same turn of the line in the photo's.
    pub fn of(line: &LineFigures) -> Option<Lie> {
        let ends = |points: &[[f64; 2]]| {
            let (first, last) = (points.first()?, points.last()?);
            Some([Point2::from(*first), Point2::from(*last)])
        };
        Lie::between(ends(&line.px)?, ends(&line.points_mm)?)
    }

    /// The same from the first and the last point alone, in the photo and in the card's frame.
    pub fn between(px: [Point2<f64>; 2], mm: [Point2<f64>; 2]) -> Option<Lie> {
        let way = |[first, last]: [Point2<f64>; 2]| (last - first).try_normalize(1e-9);
        let (along, along_mm) = (way(px)?, way(mm)?);
        // The quarter turn of (x, y) is (-y, x); its y in the card's frame is the x of the line's direction.
        let turn = if along_mm.x >= 0.0 { 1.0 } else { -1.0 };
        Some(Lie {
            along,
            positive: Vector2::new(-along.y, along.x) * turn,
        })
    }

    /// The side of the photo toward which a deviation of this sign goes.
    pub fn side(self, deviation: f64) -> Side {
        let side = Side::nearest(self.positive);
        if deviation < 0.0 {
            side.opposite()
        } else {
            side
        }
    }

    /// Whether the line runs steeper than 45° in the photo, so that s starts at its top.
    pub fn is_steep(self) -> bool {
        self.along.y.abs() > self.along.x.abs()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measured;

    #[test]
    fn the_positive_side_follows_the_card() {
        let line = |px: [[f64; 2]; 2], mm: [[f64; 2]; 2]| LineFigures {
            px: px.to_vec(),
            points_mm: mm.to_vec(),
            run_starts: vec![0],
            length_mm: 1.0,
            reference: super::super::Reference::Straight,
            shortest_mm: 20.0,
            deviation: Vec::new(),
            straightness_mm: Measured {
                value: 0.0,
                u95: 1.0,
            },
            rms_mm: 0.0,
            ragged_rms_mm: 0.0,
            waves: Vec::new(),
        };
        let check = |px, mm, expected: Side| {
            assert_eq!(
                Lie::of(&line(px, mm)).map(|lie| lie.side(1.0)),
                Some(expected)
            );
        };
        // Card upright: +y is down. Card upside down: the line runs from right to left in its frame, +y is up.
        check(
            [[0.0, 9.0], [100.0, 0.0]],
            [[0.0, 0.0], [60.0, 1.0]],
            Side::Down,
        );
        check(
            [[0.0, 9.0], [100.0, 0.0]],
            [[60.0, 0.0], [0.0, 1.0]],
            Side::Up,
        );
        // Photo on its side, the line runs down it, card x down too: +y is left.
        check(
            [[0.0, 0.0], [9.0, 100.0]],
            [[0.0, 0.0], [60.0, 1.0]],
            Side::Left,
        );
        assert_eq!(
            Lie::of(&line([[1.0, 1.0]; 2], [[0.0, 0.0], [1.0, 0.0]])),
            None
        );
    }
}
