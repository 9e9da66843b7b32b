//! What the cards cover in the photo: nothing is looked for there.

use super::homography::{apply, homography};
use crate::card::Card;
use nalgebra::Point2;

/// Four corners in order, photo px.
pub type Quad = [Point2<f64>; 4];

/// Quads of the cards with their margins: nothing is looked for there.
pub fn masks(cards: &[Card]) -> Vec<Quad> {
    // The white margin is half a square; a quarter more for its shadow and a cut that isn't true.
    quads(cards, |square_mm| 0.75 * square_mm)
}

/// Quads of the cards, grown beyond the printed squares by `beyond` (mm, from the side of one square, mm).
pub fn quads(cards: &[Card], beyond: impl Fn(f64) -> f64) -> Vec<Quad> {
    cards
        .iter()
        .filter_map(|card| {
            let mm: Vec<_> = card.corners.iter().map(|c| c.mm.0).collect();
            let px: Vec<_> = card.corners.iter().map(|c| c.px.0).collect();
            let h = homography(&mm, &px)?;
            let m = beyond(card.layout.square_mm);
            let (w, d) = (
                card.layout.squares_x as f64 * card.layout.square_mm,
                card.layout.squares_y as f64 * card.layout.square_mm,
            );
            Some(
                [(-m, -m), (w + m, -m), (w + m, d + m), (-m, d + m)]
                    .map(|(x, y)| apply(&h, &Point2::new(x, y))),
            )
        })
        .collect()
}

/// Whether a photo place lies in one of the quads.
pub fn masked(quads: &[Quad], p: Point2<f64>) -> bool {
    quads.iter().any(|q| {
        let side =
            |a: Point2<f64>, b: Point2<f64>| (b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x);
        let s = [
            side(q[0], q[1]),
            side(q[1], q[2]),
            side(q[2], q[3]),
            side(q[3], q[0]),
        ];
        s.iter().all(|v| *v >= 0.0) || s.iter().all(|v| *v <= 0.0)
    })
}
