//! Which card a patch of lattice is, and how it lies on it: the markers vote.
//!
//! A card, a quarter turn and a shift together say what every white square must show. Each marker read proposes
//! one such placing; a placing is judged by all squares: 16 cells each agree or not, at a cell error rate of 3%
//! (log-likelihood against cells by chance). One marker alone is never enough: a quarter of all 4 x 4 patterns is
//! within one cell of some marker.

use super::lattice::Patch;
use super::layout::{self, Layout, MARKER_CELLS};
use super::map::Map;
use super::marker;
use super::plane::Plane;
use nalgebra::Point2;
use std::collections::BTreeSet;

/// How a patch lies on a card: turned by quarter turns, then shifted; lattice places become corner columns and rows
/// (0 at the card's outer edge).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Placing {
    /// Which of the layouts.
    pub layout: usize,
    turn: u8,
    shift: (i32, i32),
}

impl Placing {
    /// Column and row of the card's corner grid for a lattice place.
    pub fn to_card(self, (i, j): (i32, i32)) -> (i32, i32) {
        let (x, y) = marker::turn(self.turn, i, j);
        (x + self.shift.0, y + self.shift.1)
    }

    /// Column and row of the card's square for the lattice square that follows place (i, j).
    fn square(self, (i, j): (i32, i32)) -> (i32, i32) {
        // Twice the middle, so that a half stays whole.
        let (x, y) = marker::turn(self.turn, 2 * i + 1, 2 * j + 1);
        ((x - 1) / 2 + self.shift.0, (y - 1) / 2 + self.shift.1)
    }
}

/// One white square that shows a marker's black border.
#[derive(Debug, Clone, Copy)]
struct Read {
    square: (i32, i32),
    pattern: u16,
}

/// What a cell pattern that agrees in 16 − n of 16 cells adds to a placing's score, natural log; at worst a square
/// that shows something else.
fn weight(wrong: u32) -> f64 {
    let (right, amiss) = ((0.97f64 / 0.5).ln(), (0.03f64 / 0.5).ln());
    (f64::from(16 - wrong) * right + f64::from(wrong) * amiss).max(-5.0)
}

/// Least score: one whole marker (10.6) and one with a wrong cell (7.1). By chance two squares of four do so on a
/// foreign pattern with black borders once in 20 000.
const LEAST_SCORE: f64 = 17.5;

/// Reads the markers of a patch, for a marker of this share of its square.
fn reads(photo: &Plane, patch: &Patch, share: f64) -> Vec<Read> {
    let mut squares = BTreeSet::new();
    for (&(i, j), node) in &patch.corners {
        for (di, dj) in [(0, 0), (-1, 0), (0, -1), (-1, -1)] {
            if node.white_after == ((di + dj) % 2 == 0) {
                squares.insert((i + di, j + dj));
            }
        }
    }
    squares
        .into_iter()
        .filter_map(|square| {
            let map = patch.map_near(square)?;
            pattern(photo, &map, square, share).map(|pattern| Read { square, pattern })
        })
        .collect()
}

impl Patch {
    /// Map from lattice places to the photo about the square that follows place (i, j).
    pub fn map_near(&self, (i, j): (i32, i32)) -> Option<Map> {
        for reach in [2, 4] {
            let pairs: Vec<_> = (j - reach + 1..=j + reach)
                .flat_map(|b| (i - reach + 1..=i + reach).map(move |a| (a, b)))
                .filter_map(|at| self.corners.get(&at).map(|n| (at, n)))
                .map(|((a, b), n)| {
                    let near = if (a == i || a == i + 1) && (b == j || b == j + 1) { 4.0 } else { 1.0 };
                    (Point2::new(f64::from(a), f64::from(b)), Point2::new(f64::from(n.x), f64::from(n.y)), near)
                })
                .collect();
            if pairs.len() >= 4 && let Some(map) = Map::fit(&pairs) {
                return Some(map);
            }
        }
        None
    }
}

/// The 4 x 4 cells of the marker in a square, when there is a marker: black border, white strip round it.
fn pattern(photo: &Plane, map: &Map, (i, j): (i32, i32), share: f64) -> Option<u16> {
    const N: usize = MARKER_CELLS;
    let margin = (1.0 - share) / 2.0;
    let cell = share / N as f64;
    let look = |u: f64, v: f64| -> Option<f64> {
        let p = map.apply(Point2::new(f64::from(i) + u, f64::from(j) + v))?;
        let inside = p.x >= 0.0 && p.y >= 0.0 && p.x <= (photo.width - 1) as f64 && p.y <= (photo.height - 1) as f64;
        inside.then(|| f64::from(photo.at(p.x as f32, p.y as f32)))
    };
    let mut cells = [[0.0; N]; N];
    for (row, line) in cells.iter_mut().enumerate() {
        for (column, value) in line.iter_mut().enumerate() {
            let (u, v) = (margin + (column as f64 + 0.5) * cell, margin + (row as f64 + 0.5) * cell);
            let d = 0.2 * cell;
            *value = (look(u - d, v - d)? + look(u + d, v - d)? + look(u - d, v + d)? + look(u + d, v + d)?) / 4.0;
        }
    }
    // White strip, its middle line, away from the corners (there a neighbour's black is near).
    let mut white = Vec::with_capacity(4 * N);
    for k in 0..N {
        let along = margin + (k as f64 + 0.5) * cell;
        for (u, v) in [(along, margin / 2.0), (along, 1.0 - margin / 2.0), (margin / 2.0, along), (1.0 - margin / 2.0, along)] {
            white.push(look(u, v)?);
        }
    }
    let border = |row: usize, column: usize| row == 0 || column == 0 || row == N - 1 || column == N - 1;
    let black: Vec<f64> =
        (0..N * N).filter(|k| border(k / N, k % N)).map(|k| cells[k / N][k % N]).collect();
    let (w, b) = (median(&mut white), median(&mut black.clone()));
    if w - b < 8.0 {
        return None;
    }
    let threshold = (w + b) / 2.0;
    let wrong = black.iter().filter(|&&v| v > threshold).count() + white.iter().filter(|&&v| v < threshold).count();
    if wrong > 4 {
        return None;
    }
    let mut bits = 0;
    for line in &cells[1..N - 1] {
        for &value in &line[1..N - 1] {
            bits = bits << 1 | u16::from(value > threshold);
        }
    }
    // A plain black square is no marker.
    (bits != 0).then_some(bits)
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// The best placing of a patch on one of the layouts that these reads belong to, with its score.
fn place(reads: &[Read], layouts: &[(usize, &Layout)]) -> Option<(Placing, f64)> {
    let mut proposed = BTreeSet::new();
    for read in reads {
        let Some(found) = marker::read(read.pattern) else { continue };
        for &(layout, card) in layouts {
            let Some((column, row)) = card.marker_place(found.id) else { continue };
            let unshifted = Placing { layout, turn: found.turn, shift: (0, 0) }.square(read.square);
            let shift = (column as i32 - unshifted.0, row as i32 - unshifted.1);
            proposed.insert(Placing { layout, turn: found.turn, shift });
        }
    }
    let mut best: Option<(Placing, f64)> = None;
    for placing in proposed {
        let Some((_, card)) = layouts.iter().find(|l| l.0 == placing.layout) else { continue };
        let score = score(reads, placing, card);
        if score >= LEAST_SCORE && best.is_none_or(|b| score > b.1) {
            best = Some((placing, score));
        }
    }
    best
}

/// Score of a placing; minus infinity when as many squares speak against it as half of those that speak for it.
fn score(reads: &[Read], placing: Placing, card: &Layout) -> f64 {
    let (mut sum, mut agree, mut against) = (0.0, 0, 0);
    for read in reads {
        let (x, y) = placing.square(read.square);
        let expected = usize::try_from(x)
            .ok()
            .zip(usize::try_from(y).ok())
            .and_then(|(x, y)| card.marker_at(x, y))
            .and_then(|id| marker::code(id, placing.turn));
        let wrong = expected.map_or(16, |code| (code ^ read.pattern).count_ones());
        sum += weight(wrong);
        match wrong {
            0..=2 => agree += 1,
            3 => {}
            _ => against += 1,
        }
    }
    if agree >= 2 && 2 * against <= agree { sum } else { f64::NEG_INFINITY }
}

/// Which layout a patch belongs to and how it lies on it, with the score; `None` when no layout fits.
pub fn identify(photo: &Plane, patch: &Patch, layouts: &[Layout]) -> Option<(Placing, f64)> {
    let mut best: Option<(Placing, f64)> = None;
    for (share, alike) in shares(layouts) {
        let found = place(&reads(photo, patch, share), &alike);
        if let Some(found) = found
            && best.is_none_or(|b| found.1 > b.1)
        {
            best = Some(found);
        }
    }
    best
}

/// Least and greatest id of the markers in a patch that no layout fits; `None` when they can't be told.
pub fn ids(photo: &Plane, patch: &Patch, layouts: &[Layout]) -> Option<(usize, usize)> {
    let built_in = layout::built_in();
    let mut all = shares(&built_in);
    all.extend(shares(layouts));
    all.into_iter().find_map(|(share, _)| {
        let reads = reads(photo, patch, share);
        (0..4).find_map(|turn| {
            let sure = |r: &Read| marker::read(r.pattern).filter(|m| m.errors == 0 && m.turn == turn).map(|m| m.id);
            let ids: Vec<usize> = reads.iter().filter_map(sure).collect();
            // By chance one square in 260 shows a whole marker that lies this way.
            if ids.len() < 3 || 2 * ids.len() < reads.len() {
                return None;
            }
            ids.iter().copied().min().zip(ids.iter().copied().max())
        })
    })
}

/// The layouts by the share of its square that a marker takes: one reading of the squares serves all alike.
fn shares(layouts: &[Layout]) -> Vec<(f64, Vec<(usize, &Layout)>)> {
    let mut groups: Vec<(f64, Vec<(usize, &Layout)>)> = Vec::new();
    for (n, layout) in layouts.iter().enumerate() {
        let share = layout.marker_mm / layout.square_mm;
        match groups.iter_mut().find(|g| (g.0 - share).abs() < 0.005) {
            Some(group) => group.1.push((n, layout)),
            None => groups.push((share, vec![(n, layout)])),
        }
    }
    groups
}
