//! Finding cards in a photo.
use super::lattice::{self, Patch};
use super::layout::Layout;
use super::place;
use super::plane::Plane;
use super::saddle;
use super::{Card, CardError};
use crate::photo::Photo;

/// find
pub fn find(photo: &Photo, layouts: &[Layout]) -> Result<Vec<Card>, CardError> {
    let full = Plane::new(&photo.luma, photo.width, photo.height).ok_or(CardError::Missing("photo"))?;
    let mut cards = Vec::new();
    let half;
    let plane = if photo.luma.len() > 4_500_000 { half = full.half(); &half } else { &full };
    let t = std::time::Instant::now();
    let s = saddle::saddles(plane);
    let t1 = t.elapsed();
    let patches = lattice::patches(plane, &s, 6);
    let t2 = t.elapsed();
    for p in &patches {
        let mut best: Option<(place::Placing, f64, usize)> = None;
        for share in [0.7, 0.75] {
            let reads = place::reads(&full, p, share);
            let l: Vec<(usize, &Layout)> = layouts.iter().enumerate().filter(|(_, l)| (l.marker_mm / l.square_mm - share).abs() < 0.001).collect();
            if let Some((pl, sc)) = place::place(&reads, &l) && best.is_none_or(|b| sc > b.1) {
                best = Some((pl, sc, reads.len()));
            }
        }
        if let Some((pl, _, _)) = best {
            let layout = &layouts[pl.layout];
            let found = p.corners.iter().map(|(at, n)| (pl.to_card(*at), n.place())).collect();
            cards.push(super::settle::settle(&full, layout, &found));
        }
    }
    let t3 = t.elapsed();
    eprintln!("  {} saddles {:?}  {} patches {:?} {:?}  {:?}", s.len(), t1, patches.len(), patches.iter().map(|p: &Patch| p.corners.len()).collect::<Vec<_>>(), t2, t3);
    Ok(cards)
}
