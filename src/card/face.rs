//! The printed face of a card: its black squares and the black of its markers, as areas on a sheet.

use super::layout::{Layout, MARKER_CELLS};
use super::marker;
use crate::sheet::{At, Frame, Ink, Item, Path};
use std::collections::BTreeMap;

/// Squares and markers of a card whose first square has its outer corner at `origin`.
pub fn areas(layout: &Layout, origin: At) -> Vec<Item> {
    let mut items = Vec::new();
    let side = layout.square_mm;
    for row in 0..layout.squares_y {
        for column in 0..layout.squares_x {
            let corner = At::new(
                origin.x + column as f64 * side,
                origin.y + row as f64 * side,
            );
            match layout.marker_at(column, row) {
                None => items.push(Item::fill(
                    Path::rect(Frame::from_size(corner.x, corner.y, side, side)),
                    Ink::BLACK,
                )),
                Some(id) => {
                    let inset = (side - layout.marker_mm) / 2.0;
                    let corner = At::new(corner.x + inset, corner.y + inset);
                    items.push(Item::Fill {
                        paths: black_of(marker::code(id, 0).unwrap_or(0), corner, layout.marker_mm),
                        ink: Ink::BLACK,
                    });
                }
            }
        }
    }
    items
}

/// Outlines of the black part of a marker, so that no two areas share an edge that a printer could show as a seam.
///
/// `code` is row by row, first cell highest, 1 = white. Each border between a black and a white cell is walked with black on the right; the loops close by themselves.
fn black_of(code: u16, corner: At, side_mm: f64) -> Vec<Path> {
    const N: usize = MARKER_CELLS;
    let black = |column: Option<usize>, row: Option<usize>| match (column, row) {
        (Some(c @ 1..=4), Some(r @ 1..=4)) => code >> (15 - (4 * (r - 1) + c - 1)) & 1 == 0,
        (Some(c), Some(r)) => c < N && r < N,
        _ => false,
    };
    let mut ways: BTreeMap<(usize, usize), Vec<(usize, usize)>> = BTreeMap::new();
    let mut way = |from: (usize, usize), to: (usize, usize)| ways.entry(from).or_default().push(to);
    for r in 0..N {
        for c in 0..N {
            if !black(Some(c), Some(r)) {
                continue;
            }
            if !black(Some(c), r.checked_sub(1)) {
                way((c, r), (c + 1, r));
            }
            if !black(Some(c + 1), Some(r)) {
                way((c + 1, r), (c + 1, r + 1));
            }
            if !black(Some(c), Some(r + 1)) {
                way((c + 1, r + 1), (c, r + 1));
            }
            if !black(c.checked_sub(1), Some(r)) {
                way((c, r + 1), (c, r));
            }
        }
    }
    let cell = side_mm / N as f64;
    let place =
        |(c, r): (usize, usize)| At::new(corner.x + c as f64 * cell, corner.y + r as f64 * cell);
    let mut paths = Vec::new();
    while let Some(start) = ways
        .iter()
        .find(|(_, to)| !to.is_empty())
        .map(|(from, _)| *from)
    {
        let mut loop_ = vec![start];
        let mut at = start;
        while let Some(next) = ways.get_mut(&at).and_then(Vec::pop) {
            at = next;
            if at == start {
                break;
            }
            loop_.push(at);
        }
        paths.extend(
            Path::polyline(&corners(&loop_).into_iter().map(place).collect::<Vec<_>>())
                .map(Path::close),
        );
    }
    paths
}

/// The places of a closed grid walk where it turns.
fn corners(walk: &[(usize, usize)]) -> Vec<(usize, usize)> {
    let n = walk.len();
    (0..n)
        .filter_map(|i| {
            let (before, at, after) = (
                walk.get((i + n - 1) % n)?,
                walk.get(i)?,
                walk.get((i + 1) % n)?,
            );
            let straight =
                (before.0 == at.0 && at.0 == after.0) || (before.1 == at.1 && at.1 == after.1);
            (!straight).then_some(*at)
        })
        .collect()
}
