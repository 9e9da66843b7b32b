//! From a placed patch to a card: every inner corner refined, the hidden ones left out, outliers dropped.

use super::layout::Layout;
use super::map::Map;
use super::plane::Plane;
use super::refine::refine;
use super::smooth::drop_outliers;
use super::{Card, Corner};
use crate::units::Px;
use nalgebra::{Point2, Vector2};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Corners by column and row of the card's corner grid.
pub type Known = BTreeMap<(i32, i32), Point2<f64>>;

/// Least difference of black and white, grey levels of 255.
const LEAST_CONTRAST: f64 = 8.0;

/// Most that may be left of the half-turn differences, as a share of the contrast: something else lies in the window.
const MOST_UNLIKE: f64 = 0.2;

/// How far (in squares) corners help to foretell another.
const NEAR: i32 = 3;

/// Refines what was found (by corner column and row of the card's grid, 0 its outer edge) and finds what was missed.
pub fn settle(photo: &Plane, layout: &Layout, found: &Known) -> Card {
    let (across, down) = (layout.squares_x as i32 - 1, layout.squares_y as i32 - 1);
    let inner: Vec<(i32, i32)> = (1..=down)
        .flat_map(|y| (1..=across).map(move |x| (x, y)))
        .collect();
    let seen: Vec<_> = inner
        .par_iter()
        .filter_map(|at| {
            let ((_, right, below), start) = foretell(found, *at).zip(found.get(at))?;
            Some((*at, look(photo, *at, start.coords, right, below)?))
        })
        .collect();
    let mut contrasts: Vec<f64> = seen.iter().map(|(_, (_, contrast))| *contrast).collect();
    let least = 0.25 * median(&mut contrasts);
    let mut known: Known = seen
        .into_iter()
        .map(|(at, (place, _))| (at, place))
        .collect();
    drop_outliers(&mut known);
    // Outward from what is known (over gaps, as far as that foretells), as long as it finds more.
    loop {
        let new: Vec<_> = inner
            .iter()
            .filter(|at| !known.contains_key(at))
            .filter_map(|at| {
                let (guess, right, below) = foretell(&known, *at)?;
                let (place, contrast) = look(photo, *at, guess.coords, right, below)?;
                (contrast > least).then_some((*at, place))
            })
            .collect();
        if new.is_empty() {
            break;
        }
        known.extend(new);
    }
    let sigma_px = drop_outliers(&mut known);
    let corners = inner
        .iter()
        .enumerate()
        .filter_map(|(id, at)| {
            Some(Corner {
                id,
                px: Px(*known.get(at)?),
                mm: layout.corner(id)?,
            })
        })
        .collect();
    Card {
        layout: layout.clone(),
        corners,
        sigma_px,
    }
}

/// Refines one corner; its place and contrast when it is a corner of this card's pattern.
fn look(
    photo: &Plane,
    at: (i32, i32),
    start: Vector2<f64>,
    right: Vector2<f64>,
    below: Vector2<f64>,
) -> Option<(Point2<f64>, f64)> {
    let refined = refine(photo, start, right, below)?;
    // The square that follows corner (x, y) is white when x + y is odd.
    let contrast = if (at.0 + at.1) % 2 == 1 {
        refined.contrast
    } else {
        -refined.contrast
    };
    (contrast > LEAST_CONTRAST && refined.unlike < MOST_UNLIKE)
        .then(|| (Point2::new(refined.x, refined.y), contrast))
}

/// Where a corner should be and what one square right and down is there, from the corners about it.
fn foretell(known: &Known, at: (i32, i32)) -> Option<(Point2<f64>, Vector2<f64>, Vector2<f64>)> {
    let place = |p: (i32, i32)| Point2::new(f64::from(p.0), f64::from(p.1));
    let pairs: Vec<_> = (at.1 - NEAR..=at.1 + NEAR)
        .flat_map(|y| (at.0 - NEAR..=at.0 + NEAR).map(move |x| (x, y)))
        .filter(|p| *p != at)
        .filter_map(|p| {
            known
                .get(&p)
                .map(|q| (place(p), *q, 1.0 / (place(p) - place(at)).norm_squared()))
        })
        .collect();
    let map = Map::fit(&pairs)?;
    let p = place(at);
    let here = map.apply(p)?;
    let half = |dx: f64, dy: f64| map.apply(Point2::new(p.x + dx, p.y + dy));
    Some((
        here,
        half(0.5, 0.0)? - half(-0.5, 0.0)?,
        half(0.0, 0.5)? - half(0.0, -0.5)?,
    ))
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
