//! Cards seen so far: patches that were read, those of one card joined.

use super::map::Map;
use super::settle::Known;
use nalgebra::{Point2, Vector2};

/// One card as it was seen, before its corners are refined.
#[derive(Debug, Clone)]
pub struct Sight {
    /// Which of the layouts.
    pub layout: usize,
    /// How surely: log-likelihood of the markers read.
    pub score: f64,
    /// Corners by column and row of the card's corner grid (0 its outer edge), photo px.
    pub known: Known,
}

/// Score from which a second sight of a card counts as a second card: three whole markers less a cell or two. Less
/// may be chance, and must not spoil a good photo.
const SURE: f64 = 26.0;

impl Sight {
    fn map(&self) -> Option<Map> {
        let pairs: Vec<_> = self
            .known
            .iter()
            .map(|(at, p)| (grid(*at), *p, 1.0))
            .collect();
        Map::fit(&pairs)
    }

    /// Whether another sight of the same layout is the same card in the photo, not a second copy of it.
    fn is_same_card(&self, other: &Sight) -> bool {
        let (large, small) = if self.known.len() >= other.known.len() {
            (self, other)
        } else {
            (other, self)
        };
        let Some(map) = large.map() else { return false };
        let mut off: Vec<f64> = small
            .known
            .iter()
            .filter_map(|(at, p)| {
                let here = map.apply(grid(*at))?;
                let side: Vector2<f64> = map.apply(grid((at.0 + 1, at.1)))? - here;
                let far = large
                    .known
                    .keys()
                    .map(|k| (k.0 - at.0).abs().max((k.1 - at.1).abs()))
                    .min()?;
                // What the map foretells gets worse with the distance (in squares) from what it was made from.
                Some((p - here).norm() / side.norm() / (0.5 + 0.15 * f64::from(far)))
            })
            .collect();
        off.sort_by(f64::total_cmp);
        off.get(off.len() / 2).is_some_and(|&middle| middle < 1.0)
    }
}

fn grid(at: (i32, i32)) -> Point2<f64> {
    Point2::new(f64::from(at.0), f64::from(at.1))
}

/// All cards seen.
#[derive(Debug, Default)]
pub struct Sights {
    /// The cards, each layout once at most.
    pub cards: Vec<Sight>,
    /// The first layout that lies in the photo twice.
    pub twice: Option<usize>,
}

impl Sights {
    /// Adds what a patch shows: a new card, more of one seen before, or a second copy.
    pub fn add(&mut self, new: Sight) {
        let Some(old) = self.cards.iter_mut().find(|s| s.layout == new.layout) else {
            self.cards.push(new);
            return;
        };
        if old.is_same_card(&new) {
            for (at, p) in new.known {
                old.known.entry(at).or_insert(p);
            }
            old.score = old.score.max(new.score);
        } else if old.score.min(new.score) >= SURE {
            self.twice.get_or_insert(new.layout);
        } else if new.score > old.score {
            *old = new;
        }
    }
}
