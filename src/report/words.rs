//! Figures and directions in the words of the workshop.

use crate::check::line::LineFigures;
use crate::units::Measured;
use crate::verdict::{Outcome, Verdict};
use nalgebra::{Point2, Vector2};

/// Decimals that a half-width of `u95` leaves meaning to: its first two digits, but at least one and at most three
/// decimals (a restorer reads tenths, the best photo gives hundredths).
pub fn decimals(u95: f64) -> usize {
    if u95 >= 1.0 {
        1
    } else if u95 >= 0.0095 {
        2
    } else {
        3
    }
}

/// `1.94 ± 0.12`: a figure with its half-width, both to the decimals that mean something.
pub fn plus_minus(figure: Measured) -> String {
    let places = decimals(figure.u95);
    format!("{} ± {:.places$}", plain(figure.value, places), figure.u95)
}

/// `WITHIN 0.5 mm`.
pub fn verdict(verdict: &Verdict) -> String {
    let tol = short(verdict.tol_mm, 3);
    match verdict.result {
        Outcome::Within => format!("WITHIN {tol} mm"),
        Outcome::Outside => format!("OUTSIDE {tol} mm"),
        Outcome::Undecided => format!("CAN'T TELL for {tol} mm"),
    }
}

/// An answer's first line: the verdict before the figure, or the figure alone with a capital.
pub fn headline(judged: Option<&Verdict>, mut figure: String) -> String {
    match judged {
        Some(judged) => format!("{}: {figure}", verdict(judged)),
        None => {
            if let Some(first) = figure.get_mut(0..1) {
                first.make_ascii_uppercase();
            }
            figure
        }
    }
}

/// A number without a minus before a zero.
pub fn plain(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    if text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
        text.replace('-', "")
    } else {
        text
    }
}

/// A number to at most `places` decimals, without trailing zeros: `2`, `0.5`.
pub fn short(value: f64, places: usize) -> String {
    let text = plain(value, places);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_string()
    } else {
        text
    }
}

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
    fn opposite(self) -> Side {
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
            (Point2::from(*last) - Point2::from(*first)).try_normalize(1e-9)
        };
        let (along, along_mm) = (ends(&line.px)?, ends(&line.points_mm)?);
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

    #[test]
    fn figures_show_what_their_uncertainty_lets_them() {
        let check =
            |value, u95, expected: &str| assert_eq!(plus_minus(Measured { value, u95 }), expected);
        check(1.9449, 0.1234, "1.94 ± 0.12");
        check(12.34, 1.26, "12.3 ± 1.3");
        check(0.0123, 0.0042, "0.012 ± 0.004");
        check(-0.001, 0.05, "0.00 ± 0.05");
        check(-0.31, 0.05, "-0.31 ± 0.05");
    }

    #[test]
    fn short_numbers_lose_their_zeros() {
        assert_eq!(short(2.0, 3), "2");
        assert_eq!(short(0.5, 3), "0.5");
        assert_eq!(short(100.0, 0), "100");
        assert_eq!(short(-0.0001, 2), "0");
    }

    #[test]
    fn the_positive_side_follows_the_card() {
        let line = |px: [[f64; 2]; 2], mm: [[f64; 2]; 2]| LineFigures {
            px: px.to_vec(),
            points_mm: mm.to_vec(),
            run_starts: vec![0],
            length_mm: 1.0,
            reference: crate::check::line::Reference::Straight,
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
