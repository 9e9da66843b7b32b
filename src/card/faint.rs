//! Which card a patch is when its markers are too blurred to be read one by one: all of them together.
//!
//! Blur mixes neighbouring cells until no threshold tells them apart, but a whole card of blurred markers still looks like
//! no other. Each way the patch can lie on a layout foretells every cell; the one whose blurred codes correlate best with
//! what is seen is taken, if it does so far beyond chance, far better than the next, and in every part of the patch (a
//! card of another layout, or of the older pattern, agrees in part).

use super::lattice::Patch;
use super::layout::Layout;
use super::marker;
use super::place::{Placing, Square};

/// Fewest markers that are compared.
const LEAST_SQUARES: usize = 6;

/// Least correlation, and least in each part as a share of the whole's.
const LEAST_CORRELATION: f64 = 0.35;
const LEAST_SHARE: f64 = 0.5;

/// How many standard deviations of chance the best must reach, and by how many it must beat the next. Some hundred ways
/// are tried; six happen by chance once in 10⁹.
const BEYOND_CHANCE: f64 = 6.0;
const BEYOND_NEXT: f64 = 4.0;

/// Share of the 16 cells of a marker that are independent once blurred.
const INDEPENDENT: f64 = 0.3;

/// What a cell and its neighbour on either side give to a cell, at a blur of 0.6 cells (standard deviation).
const KERNEL: [f64; 3] = [0.2, 0.6, 0.2];

/// One way a patch may lie on a layout, and how well the markers agree with it.
#[derive(Debug, Clone, Copy)]
struct Way {
    placing: Placing,
    correlation: f64,
}

/// The placing that the markers together speak for, with a score like that of markers read.
pub fn identify(
    patch: &Patch,
    squares: &[Square],
    layouts: &[(usize, &Layout)],
) -> Option<(Placing, f64)> {
    if squares.len() < LEAST_SQUARES {
        return None;
    }
    let seen = deviations(squares);
    let mut best: Option<Way> = None;
    let mut next = 0.0f64;
    for &(n, layout) in layouts {
        for placing in Placing::all(n, layout, patch) {
            let Some(expected) = expected(squares, placing, layout) else {
                continue;
            };
            let way = Way {
                placing,
                correlation: correlation(&seen, &expected, |_| true),
            };
            match best {
                Some(b) if b.correlation >= way.correlation => next = next.max(way.correlation),
                _ => {
                    next = best.map_or(next, |b| next.max(b.correlation));
                    best = Some(way);
                }
            }
        }
    }
    let best = best?;
    let chance = 1.0 / (16.0 * INDEPENDENT * squares.len() as f64).sqrt();
    let sure = best.correlation >= LEAST_CORRELATION
        && best.correlation >= BEYOND_CHANCE * chance
        && best.correlation - next >= BEYOND_NEXT * chance;
    let layout = layouts.iter().find(|l| l.0 == best.placing.layout)?.1;
    let expected = expected(squares, best.placing, layout)?;
    let middle = |f: fn(&(i32, i32)) -> i32| {
        let mut all: Vec<i32> = squares.iter().map(|s| f(&s.at)).collect();
        all.sort_unstable();
        all[all.len() / 2]
    };
    let (mi, mj) = (middle(|a| a.0), middle(|a| a.1));
    let parts: [&dyn Fn((i32, i32)) -> bool; 8] = [
        &|a| a.0 < mi,
        &|a| a.0 >= mi,
        &|a| a.1 < mj,
        &|a| a.1 >= mj,
        &|a| a.0.rem_euclid(2) == 0,
        &|a| a.0.rem_euclid(2) == 1,
        &|a| a.1.rem_euclid(2) == 0,
        &|a| a.1.rem_euclid(2) == 1,
    ];
    let everywhere = parts.iter().all(|part| {
        let here = |k: usize| part(squares[k].at);
        let count = (0..squares.len()).filter(|&k| here(k)).count();
        count < 3 || correlation(&seen, &expected, here) >= LEAST_SHARE * best.correlation
    });
    // As a log-likelihood: half the square of the standard deviations beyond chance.
    (sure && everywhere).then(|| (best.placing, 0.5 * (best.correlation / chance).powi(2)))
}

/// Cell values less what squares show there on average: all markers are darker at their rim.
fn deviations(squares: &[Square]) -> Vec<[f64; 16]> {
    let mut mean = [0.0; 16];
    for square in squares {
        for (m, v) in mean.iter_mut().zip(square.cells) {
            *m += v / squares.len() as f64;
        }
    }
    squares
        .iter()
        .map(|s| std::array::from_fn(|k| s.cells[k] - mean[k]))
        .collect()
}

/// The same for the codes that a placing foretells; `None` when it puts a marker on a square that has none.
fn expected(squares: &[Square], placing: Placing, layout: &Layout) -> Option<Vec<[f64; 16]>> {
    let blurred: Option<Vec<Square>> = squares
        .iter()
        .map(|s| {
            let id = placing.marker(s.at, layout)?;
            Some(Square {
                at: s.at,
                cells: blur(marker::code(id, placing.turn())?),
            })
        })
        .collect();
    blurred.map(|b| deviations(&b))
}

fn blur(code: u16) -> [f64; 16] {
    let cell = |u: usize, v: usize| {
        let inside = (1..5).contains(&u) && (1..5).contains(&v);
        if inside {
            f64::from(code >> (15 - (v - 1) * 4 - (u - 1)) & 1)
        } else {
            0.0
        }
    };
    std::array::from_fn(|k| {
        let (u, v) = (k % 4, k / 4);
        (0..3)
            .map(|b| {
                (0..3)
                    .map(|a| KERNEL[a] * KERNEL[b] * cell(u + a, v + b))
                    .sum::<f64>()
            })
            .sum()
    })
}

fn correlation(seen: &[[f64; 16]], expected: &[[f64; 16]], part: impl Fn(usize) -> bool) -> f64 {
    let (mut both, mut s, mut e) = (0.0, 0.0, 0.0);
    for (_, (a, b)) in seen
        .iter()
        .zip(expected)
        .enumerate()
        .filter(|(k, _)| part(*k))
    {
        for (x, y) in a.iter().zip(b) {
            both += x * y;
            s += x * x;
            e += y * y;
        }
    }
    both / (s * e).sqrt().max(1e-12)
}
