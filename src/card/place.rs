//! Which card a patch of lattice is, and how it lies on it: the markers vote.
//!
//! A card, a quarter turn and a shift together say what every white square must show. Each marker read proposes
//! one such placing; a placing is judged by all squares: 16 cells each agree or not, at a cell error rate of 3%
//! (log-likelihood against cells by chance). One marker alone is never enough: a quarter of all 4 x 4 patterns is
//! within one cell of some marker.

use super::faint;
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

    /// Quarter turns from the lattice's axes to the card's.
    pub fn turn(self) -> u8 {
        self.turn
    }

    /// Every way a patch can lie on a layout with all its corners on inner corners.
    pub fn all(layout: usize, card: &Layout, patch: &Patch) -> Vec<Placing> {
        let mut all = Vec::new();
        for turn in 0..4 {
            let unshifted = Placing {
                layout,
                turn,
                shift: (0, 0),
            };
            let places: Vec<(i32, i32)> = patch
                .corners
                .keys()
                .map(|at| unshifted.to_card(*at))
                .collect();
            let range = |f: fn(&(i32, i32)) -> i32| {
                places.iter().map(f).min().zip(places.iter().map(f).max())
            };
            let Some(((left, right), (top, bottom))) = range(|p| p.0).zip(range(|p| p.1)) else {
                continue;
            };
            for y in 1 - top..card.squares_y as i32 - bottom {
                all.extend((1 - left..card.squares_x as i32 - right).map(|x| Placing {
                    layout,
                    turn,
                    shift: (x, y),
                }));
            }
        }
        all
    }

    /// Whether the patch's corners lie on the card's inner corners, all but one in twelve (a link gone astray). At the
    /// card's rim and beyond there is no checker corner.
    fn holds(self, patch: &Patch, card: &Layout) -> bool {
        let (right, bottom) = (card.squares_x as i32, card.squares_y as i32);
        let inner = |at: &&(i32, i32)| {
            let (x, y) = self.to_card(**at);
            (1..right).contains(&x) && (1..bottom).contains(&y)
        };
        let count = patch.corners.len();
        12 * (count - patch.corners.keys().filter(inner).count()) <= count
    }

    /// Id of the marker in a lattice square, if the card has one there.
    pub fn marker(self, square: (i32, i32), card: &Layout) -> Option<usize> {
        let (x, y) = self.square(square);
        card.marker_at(usize::try_from(x).ok()?, usize::try_from(y).ok()?)
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

/// The 4 x 4 cells of a white square's marker, row by row: 0 as its border, 1 as the strip round it.
#[derive(Debug, Clone, Copy)]
pub struct Square {
    /// Lattice place of the corner before it.
    pub at: (i32, i32),
    /// Brightness of each cell.
    pub cells: [f64; 16],
}

/// Least difference of strip and border, grey levels.
const LEAST_CONTRAST: f64 = 8.0;

/// Most places of 44 on border and strip that may look wrong (a speck, a shadow's edge) where a marker is taken to be.
const MOST_WRONG: usize = 4;

/// What a cell pattern that agrees in 16 − n of 16 cells adds to a placing's score, natural log; at worst a square
/// that shows something else.
fn weight(wrong: u32) -> f64 {
    let (right, amiss) = ((0.97f64 / 0.5).ln(), (0.03f64 / 0.5).ln());
    (f64::from(16 - wrong) * right + f64::from(wrong) * amiss).max(-5.0)
}

/// Least score: one whole marker (10.6) and one with a wrong cell (7.1). By chance two squares of four do so on a
/// foreign pattern with black borders once in 20 000.
const LEAST_SCORE: f64 = 17.5;

/// The white squares of a patch, its rim included, each with the map about it.
fn white_squares(patch: &Patch) -> Vec<((i32, i32), Map)> {
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
        .filter_map(|square| Some((square, patch.map_near(square)?)))
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
                    let near = if (a == i || a == i + 1) && (b == j || b == j + 1) {
                        4.0
                    } else {
                        1.0
                    };
                    (
                        Point2::new(f64::from(a), f64::from(b)),
                        Point2::new(f64::from(n.x), f64::from(n.y)),
                        near,
                    )
                })
                .collect();
            if pairs.len() >= 4
                && let Some(map) = Map::fit(&pairs)
            {
                return Some(map);
            }
        }
        None
    }
}

/// The cells of a white square, before anything is decided about them.
struct Cells {
    at: (i32, i32),
    cells: [[f64; MARKER_CELLS]; MARKER_CELLS],
    white: Vec<f64>,
    black: Vec<f64>,
    /// Median of the white strip and of the black border.
    levels: (f64, f64),
}

impl Cells {
    /// Samples a square for a marker of this share of its side; `None` when part of it lies outside the photo.
    fn look(photo: &Plane, map: &Map, at: (i32, i32), share: f64) -> Option<Cells> {
        const N: usize = MARKER_CELLS;
        let margin = (1.0 - share) / 2.0;
        let cell = share / N as f64;
        let (right, bottom) = ((photo.width - 1) as f64, (photo.height - 1) as f64);
        let look = |u: f64, v: f64| -> Option<f64> {
            let p = map.apply(Point2::new(f64::from(at.0) + u, f64::from(at.1) + v))?;
            let inside = p.x >= 0.0 && p.y >= 0.0 && p.x <= right && p.y <= bottom;
            inside.then(|| f64::from(photo.at(p.x as f32, p.y as f32)))
        };
        let mut cells = [[0.0; N]; N];
        for (row, line) in cells.iter_mut().enumerate() {
            for (column, value) in line.iter_mut().enumerate() {
                let (u, v) = (
                    margin + (column as f64 + 0.5) * cell,
                    margin + (row as f64 + 0.5) * cell,
                );
                let d = 0.2 * cell;
                *value = (look(u - d, v - d)?
                    + look(u + d, v - d)?
                    + look(u - d, v + d)?
                    + look(u + d, v + d)?)
                    / 4.0;
            }
        }
        // The strip's middle line, away from the corners of the square (there a neighbour's black is near).
        let (near, far) = (margin / 2.0, 1.0 - margin / 2.0);
        let mut white = Vec::with_capacity(4 * N);
        for k in 0..N {
            let along = margin + (k as f64 + 0.5) * cell;
            for (u, v) in [(along, near), (along, far), (near, along), (far, along)] {
                white.push(look(u, v)?);
            }
        }
        let border = |k: &usize| [k / N, k % N].iter().any(|&v| v == 0 || v == N - 1);
        let black: Vec<f64> = (0..N * N)
            .filter(border)
            .map(|k| cells[k / N][k % N])
            .collect();
        let levels = (median(&mut white.clone()), median(&mut black.clone()));
        Some(Cells {
            at,
            cells,
            white,
            black,
            levels,
        })
    }

    fn code(&self) -> impl Iterator<Item = f64> + '_ {
        self.cells[1..MARKER_CELLS - 1]
            .iter()
            .flat_map(|line| &line[1..MARKER_CELLS - 1])
            .copied()
    }

    /// The marker's pattern, when there is a marker: black border, white strip round it, not black all over.
    fn read(&self) -> Option<Read> {
        let (w, b) = self.levels;
        let threshold = (w + b) / 2.0;
        let wrong = self.black.iter().filter(|&&v| v > threshold).count()
            + self.white.iter().filter(|&&v| v < threshold).count();
        let pattern = self
            .code()
            .fold(0u16, |bits, v| bits << 1 | u16::from(v > threshold));
        (w - b >= LEAST_CONTRAST && wrong <= MOST_WRONG && pattern != 0).then_some(Read {
            square: self.at,
            pattern,
        })
    }

    /// The cells as shares of the step from border to strip.
    fn shares(&self) -> Option<Square> {
        let (w, b) = self.levels;
        let mut cells = [0.0; 16];
        for (cell, v) in cells.iter_mut().zip(self.code()) {
            *cell = ((v - b) / (w - b)).clamp(-1.0, 2.0);
        }
        (w - b >= LEAST_CONTRAST / 2.0).then_some(Square { at: self.at, cells })
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// The best placing of a patch on one of the layouts that these reads belong to, with its score.
fn place(reads: &[Read], patch: &Patch, layouts: &[(usize, &Layout)]) -> Option<(Placing, f64)> {
    let mut proposed = BTreeSet::new();
    for read in reads {
        let Some(found) = marker::read(read.pattern) else {
            continue;
        };
        for &(layout, card) in layouts {
            let Some((column, row)) = card.marker_place(found.id) else {
                continue;
            };
            let unshifted = Placing {
                layout,
                turn: found.turn,
                shift: (0, 0),
            }
            .square(read.square);
            let shift = (column as i32 - unshifted.0, row as i32 - unshifted.1);
            proposed.insert(Placing {
                layout,
                turn: found.turn,
                shift,
            });
        }
    }
    let mut best: Option<(Placing, f64)> = None;
    for placing in proposed {
        let Some((_, card)) = layouts.iter().find(|l| l.0 == placing.layout) else {
            continue;
        };
        if !placing.holds(patch, card) {
            continue;
        }
        let score = score(reads, placing, card);
        if score >= LEAST_SCORE && best.is_none_or(|b| score > b.1) {
            best = Some((placing, score));
        }
    }
    best
}

/// Score of a placing; minus infinity when the squares contradict it: half as many show something else as agree, or two
/// show, without a fault, a marker of this very card elsewhere than it should be (the older pattern does, at its rim).
fn score(reads: &[Read], placing: Placing, card: &Layout) -> f64 {
    let (mut sum, mut agree, mut against, mut elsewhere) = (0.0, 0, 0, 0);
    for read in reads {
        let expected = placing
            .marker(read.square, card)
            .and_then(|id| marker::code(id, placing.turn));
        let wrong = expected.map_or(16, |code| (code ^ read.pattern).count_ones());
        sum += weight(wrong);
        match wrong {
            0..=2 => agree += 1,
            3 => {}
            _ => against += 1,
        }
        let own = |m: &marker::Match| {
            m.errors == 0 && m.turn == placing.turn && card.marker_place(m.id).is_some()
        };
        elsewhere += usize::from(wrong > 3 && marker::read(read.pattern).as_ref().is_some_and(own));
    }
    if agree >= 2 && 2 * against <= agree && elsewhere < 2 {
        sum
    } else {
        f64::NEG_INFINITY
    }
}

/// Which layout a patch belongs to and how it lies on it, with the score; `None` when no layout fits.
pub fn identify(photo: &Plane, patch: &Patch, layouts: &[Layout]) -> Option<(Placing, f64)> {
    let squares = white_squares(patch);
    let mut best: Option<(Placing, f64)> = None;
    for (share, alike) in shares(layouts) {
        let cells: Vec<Cells> = squares
            .iter()
            .filter_map(|(at, map)| Cells::look(photo, map, *at, share))
            .collect();
        let reads: Vec<Read> = cells.iter().filter_map(Cells::read).collect();
        let found = place(&reads, patch, &alike).or_else(|| {
            let faint: Vec<Square> = cells.iter().filter_map(Cells::shares).collect();
            faint::identify(patch, &faint, &alike)
        });
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
    let squares = white_squares(patch);
    all.into_iter().find_map(|(share, _)| {
        let read = |(at, map): &((i32, i32), Map)| Cells::look(photo, map, *at, share)?.read();
        let reads: Vec<Read> = squares.iter().filter_map(read).collect();
        (0..4).find_map(|turn| {
            let sure = |r: &Read| {
                marker::read(r.pattern)
                    .filter(|m| m.errors == 0 && m.turn == turn)
                    .map(|m| m.id)
            };
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
