//! The light that level filler has at every coarse cell: the smooth fall, the shadow's step, the local level, glare on top.

use super::bowl::Bowl;
use super::coarse::{Coarse, mean};
use super::mask::Mask;
use super::soft::smooth;

/// Reach of the local level, mm: wider than filler's mottle, narrower than glare.
const LOCAL_MM: f64 = 9.0;
/// Brightness over the smooth surface that is the filler's own mottle (logarithm); what is more is glare.
const MOTTLE: f32 = 0.3;

/// The level at every coarse cell, and where two lights meet.
pub struct Level {
    /// Logarithm of what level filler has of its own light.
    pub own: Vec<[f32; 3]>,
    /// Glare on top of it, as a share of its own light.
    pub glare: Vec<[f32; 3]>,
    pub meet: Mask,
}

pub fn level(
    coarse: &Coarse,
    within: &Mask,
    bowl: &Bowl,
    shadow: &Mask,
    depth: Option<[f32; 3]>,
) -> Level {
    let (w, h) = (coarse.width, coarse.height);
    let mm = coarse.mm;
    // Where the two lights meet, a place may have either.
    let meet = if depth.is_some() {
        let edge = 5.0 / mm;
        let (near_dark, near_light) = (shadow.distance(), within.without(shadow).distance());
        Mask::from_fn(w, h, |i| {
            within.cells[i] && near_dark[i] < edge && near_light[i] < edge
        })
    } else {
        Mask::new(w, h)
    };
    let base: Vec<[f32; 3]> = (0..w * h)
        .map(|i| {
            let (x, y) = coarse.fine(i);
            let mut level = bowl.at(x, y);
            if shadow.cells[i] {
                level
                    .iter_mut()
                    .zip(depth.unwrap_or_default())
                    .for_each(|(l, d)| *l += d);
            }
            level
        })
        .collect();
    let rough: Vec<[f32; 3]> = (0..w * h)
        .map(|i| [0, 1, 2].map(|c| coarse.log[i][c] - base[i][c]))
        .collect();
    // What is much darker than the surface does not set the level; each round knows the surface better.
    let mut local = vec![[0.0_f32; 3]; w * h];
    let first = reach(&rough, within, &meet);
    for reach in [first, 0.9 * first, 0.85 * first, 0.85 * first] {
        let passes = Mask::from_fn(w, h, |i| {
            within.cells[i] && !meet.cells[i] && mean(rough[i]) - mean(local[i]) > -reach
        });
        // A single cell that passes among many that don't says nothing.
        let share = smooth(
            w,
            h,
            3.0 / mm,
            |i| f32::from(passes.cells[i]),
            |i| f32::from(within.cells[i]),
        );
        let level = Mask::from_fn(w, h, |i| passes.cells[i] && share[i] > 0.5);
        for shaded in [false, true] {
            let weight = |i: usize| f32::from(level.cells[i] && shadow.cells[i] == shaded);
            let held = smooth(w, h, LOCAL_MM / mm, weight, |i| f32::from(within.cells[i]));
            for c in 0..3 {
                let value = |i: usize| rough[i][c];
                let (near, far) = rayon::join(
                    || smooth(w, h, LOCAL_MM / mm, value, weight),
                    || smooth(w, h, 3.0 * LOCAL_MM / mm, value, weight),
                );
                for i in (0..w * h).filter(|i| shadow.cells[*i] == shaded) {
                    // Amid a large patch the level is its surroundings'.
                    let t = ((held[i] - 0.1) / 0.3).clamp(0.0, 1.0);
                    local[i][c] = match (near[i].is_finite(), far[i].is_finite()) {
                        (true, true) => far[i] + (near[i] - far[i]) * t,
                        (true, false) => near[i],
                        (false, true) => far[i],
                        (false, false) => 0.0,
                    };
                }
            }
            if depth.is_none() {
                break;
            }
        }
    }
    let own = (0..w * h)
        .map(|i| [0, 1, 2].map(|c| base[i][c] + local[i][c].min(MOTTLE)))
        .collect();
    let glare = (0..w * h)
        .map(|i| local[i].map(|v| (v - MOTTLE).max(0.0).exp() - 1.0))
        .collect();
    Level { own, glare, meet }
}

/// How far below the surface a cell may lie and still be level (logarithm): over twice the scatter of the bright side, which
/// no coat darkens; never so far that a thin coat would pass.
fn reach(rough: &[[f32; 3]], within: &Mask, meet: &Mask) -> f32 {
    const LEAST: f32 = 0.09;
    const MOST: f32 = 0.17;
    let cells = (0..rough.len()).filter(|i| within.cells[*i] && !meet.cells[*i]);
    let mut off: Vec<f32> = cells
        .map(|i| mean(rough[i]))
        .filter(|v| v.is_finite())
        .collect();
    off.sort_by(f32::total_cmp);
    let at = |share: f64| {
        off.get((share * off.len() as f64) as usize)
            .copied()
            .unwrap_or(0.0)
    };
    // Between these shares of a normal distribution lies 1.03 of its standard deviation.
    let scatter = (at(0.9) - at(0.6)) / 1.03;
    (2.2 * scatter).clamp(LEAST, MOST)
}
