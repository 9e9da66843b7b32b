//! Finding cards in a photo.
//!
//! Coarse to fine: checker corners are linked into patches of lattice, the markers in a patch say which card it is and
//! how it lies, patches of one card are joined, and every inner corner is refined at full size. A plane of about four
//! megapixels is searched first, then one of half its size, where blur and grain matter less; finer ones only where
//! corners crowd together and no card was read, or when nothing was found. Nothing is assumed about how many cards
//! there are, how they lie or how large they are.

use super::lattice::{self, Patch};
use super::layout::Layout;
use super::map::Map;
use super::place;
use super::plane::{Box, Plane};
use super::reason::reason;
use super::saddle;
use super::settle::settle;
use super::sight::{Sight, Sights};
use super::{Card, CardError};
use crate::photo::Photo;
use nalgebra::Point2;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Fewest corners a card must show: four fix the map to the photo, two more check it.
pub const LEAST_CORNERS: usize = 6;

/// Most pixels of the plane that is searched first.
const FIRST_PX: usize = 4_500_000;

/// Fewest corners of a patch that is worth reading.
const LEAST_PATCH: usize = 4;

/// Fewest corners of a patch that was not read that make a closer look worth while.
const PART_PATCH: usize = 5;

/// Squares narrower than this, px of the plane searched, may be read at twice the size where they were not.
const SMALL_SQUARE_PX: f32 = 24.0;

/// Most such patches looked at: a photo full of checks must not cost more than a few cards.
const MOST_PARTS: usize = 8;

/// Coarsest plane worth a look, px.
const LEAST_PX: usize = 40_000;

/// Finds the cards of these layouts in a photo: refined inner corners, outliers dropped, in the order of `layouts`.
///
/// A mirrored card, one of the older ('legacy') pattern or of another dictionary is never taken for one of these. The
/// cost is that of a pass over four megapixels of brightness; memory beside the photo a third of its brightness.
///
/// # Errors
/// [`CardError::Twice`] when one card lies in the photo twice; when no card shows [`LEAST_CORNERS`] corners, the
/// reason as far as the photo tells it.
pub fn find(photo: &Photo, layouts: &[Layout]) -> Result<Vec<Card>, CardError> {
    let Some(full) = Plane::new(&photo.luma, photo.width, photo.height) else {
        return Err(CardError::NoCard);
    };
    // Full size, half, a quarter … down to the plane searched first, and one more.
    let mut planes = vec![full];
    while planes.last().is_some_and(|p| p.pixels() > FIRST_PX) {
        planes.extend(planes.last().map(Plane::half));
    }
    let first = planes.len() - 1;
    planes.extend(planes.last().map(Plane::half));
    let mut search = Search {
        full: &planes[0],
        layouts,
        sights: Sights::default(),
        unread: Vec::new(),
    };

    search.look(&planes[first]);
    search.look(&planes[first + 1]);
    let parts = search.parts(SMALL_SQUARE_PX * planes[first].step);
    for finer in planes[..first].iter().rev() {
        if search.sights.cards.is_empty() {
            search.look(finer);
        } else {
            parts
                .iter()
                .filter_map(|part| finer.crop(*part))
                .for_each(|part| search.look(&part));
        }
    }
    if search.sights.cards.is_empty() {
        // Small squares, larger; then blurred ones, coarser and coarser.
        let parts = search.parts(SMALL_SQUARE_PX);
        parts
            .iter()
            .filter_map(|part| planes[0].crop(*part))
            .for_each(|part| search.look(&part.double()));
        let mut coarse = planes[first + 1].half();
        while search.sights.cards.is_empty() && coarse.pixels() > LEAST_PX {
            search.look(&coarse);
            coarse = coarse.half();
        }
    }
    search.cards()
}

/// A search in progress.
struct Search<'a> {
    full: &'a Plane<'a>,
    layouts: &'a [Layout],
    sights: Sights,
    unread: Vec<Patch>,
}

impl Search<'_> {
    /// Looks for cards in one plane, or part of it.
    fn look(&mut self, plane: &Plane) {
        let saddles = saddle::saddles(plane);
        let patches = lattice::patches(plane, &saddles, LEAST_PATCH);
        let read: Vec<Option<Sight>> = patches.par_iter().map(|patch| self.read(patch)).collect();
        for (patch, sight) in patches.into_iter().zip(read) {
            match sight {
                Some(sight) => self.sights.add(sight),
                None => self.unread.push(patch),
            }
        }
    }

    /// Parts of the photo worth a closer look: about the largest patches of squares below `side_px` that were not read,
    /// and cards seen in part.
    fn parts(&self, side_px: f32) -> Vec<Box> {
        let worth = |p: &&Patch| p.corners.len() >= PART_PATCH && p.side_px() < f64::from(side_px);
        let mut patches: Vec<&Patch> = self.unread.iter().filter(worth).collect();
        patches.sort_by_key(|p| std::cmp::Reverse(p.corners.len()));
        let partial = self.sights.cards.iter().filter(|s| {
            self.layouts
                .get(s.layout)
                .is_some_and(|layout| 2 * s.known.len() < layout.corners())
        });
        let unread = patches
            .iter()
            .take(MOST_PARTS)
            .map(|p| Box::about(p.corners.values().map(|n| n.place())));
        unread
            .chain(partial.map(|s| Box::about(s.known.values().copied())))
            .collect()
    }

    /// Which card a patch is part of.
    fn read(&self, patch: &Patch) -> Option<Sight> {
        let (placing, score) = place::identify(self.full, patch, self.layouts)?;
        let known = patch
            .corners
            .iter()
            .map(|(at, n)| (placing.to_card(*at), n.place()))
            .collect();
        Some(Sight {
            layout: placing.layout,
            score,
            known,
        })
    }

    /// The cards seen, refined; or why there are none.
    fn cards(self) -> Result<Vec<Card>, CardError> {
        if let Some(layout) = self.sights.twice.and_then(|n| self.layouts.get(n)) {
            return Err(CardError::Twice(layout.name.clone()));
        }
        let mut sights = self.sights.cards;
        sights.sort_by_key(|s| s.layout);
        let settled: Vec<Card> = sights
            .par_iter()
            .filter_map(|s| Some(settle(self.full, self.layouts.get(s.layout)?, &s.known)))
            .collect();
        let (cards, few): (Vec<Card>, Vec<Card>) = settled.into_iter().partition(shows_enough);
        if !cards.is_empty() {
            return Ok(cards);
        }
        let most = few.iter().max_by_key(|c| c.corners.len());
        Err(reason(self.full, self.layouts, most, &self.unread))
    }
}

/// Whether the corners found fix the card's place: enough of them, and not all but one on one line.
fn shows_enough(card: &Card) -> bool {
    let pairs: Vec<(Point2<f64>, Point2<f64>, f64)> =
        card.corners.iter().map(|c| (c.mm.0, c.px.0, 1.0)).collect();
    let fullest = |along: fn(&Point2<f64>) -> f64| {
        let mut lines: BTreeMap<i64, usize> = BTreeMap::new();
        for (mm, _, _) in &pairs {
            *lines
                .entry((along(mm) * 1000.0).round() as i64)
                .or_default() += 1;
        }
        lines.into_values().max().unwrap_or(0)
    };
    let off_line = pairs.len() - fullest(|p| p.x).max(fullest(|p| p.y));
    pairs.len() >= LEAST_CORNERS && off_line >= 2 && Map::fit(&pairs).is_some()
}
