//! Where checker corners crowd together and no card was read: worth a closer look.

use super::plane::{Box, Plane};
use super::saddle::Saddle;
use super::sight::is_inside;
use nalgebra::Point2;
use std::collections::{BTreeMap, BTreeSet};

/// Side of a tile, px of the plane searched.
const TILE_PX: f32 = 48.0;

/// Corners that make a tile crowded: a card with squares of 20 px shows five in a tile, grain next to none.
const CROWDED: usize = 4;

/// Most crowds looked at: a photo full of checks must not cost more than a few cards' worth.
const MOST: usize = 8;

/// Parts of the photo with a crowd of corners outside these outlines, the largest crowds first.
pub fn crowds(plane: &Plane, saddles: &[Saddle], known: &[[Point2<f64>; 4]]) -> Vec<Box> {
    let mut tiles: BTreeMap<(i32, i32), usize> = BTreeMap::new();
    for s in saddles {
        let (x, y) = plane.to_photo(s.x, s.y);
        if !known.iter().any(|outline| is_inside(outline, x.into(), y.into())) {
            *tiles.entry(((s.x / TILE_PX) as i32, (s.y / TILE_PX) as i32)).or_default() += 1;
        }
    }
    let mut left: BTreeSet<(i32, i32)> = tiles.iter().filter(|t| *t.1 >= CROWDED).map(|t| *t.0).collect();
    let mut found = Vec::new();
    while let Some(start) = left.pop_first() {
        let mut group = vec![start];
        let mut next = 0;
        while let Some(&(i, j)) = group.get(next) {
            next += 1;
            for (di, dj) in (-1..=1).flat_map(|dj| (-1..=1).map(move |di| (di, dj))) {
                if left.remove(&(i + di, j + dj)) {
                    group.push((i + di, j + dj));
                }
            }
        }
        let count: usize = group.iter().filter_map(|t| tiles.get(t)).sum();
        let edge = |f: fn(&(i32, i32)) -> i32| {
            let least = group.iter().map(f).min().unwrap_or(0);
            let most = group.iter().map(f).max().unwrap_or(0);
            // A tile more on each side: the rim of a card may show few corners.
            ((least - 1) as f32 * TILE_PX, (most + 2) as f32 * TILE_PX)
        };
        let ((l, r), (t, b)) = (edge(|g| g.0), edge(|g| g.1));
        let ((left_px, top), (right, bottom)) = (plane.to_photo(l, t), plane.to_photo(r, b));
        found.push((count, Box { left: left_px, top, right, bottom }));
    }
    found.sort_by_key(|c| std::cmp::Reverse(c.0));
    found.into_iter().take(MOST).map(|c| c.1).collect()
}
