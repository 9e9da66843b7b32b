//! The light on the filled area: how bright level filler is, or would be, at every place.
//!
//! Light falls off smoothly (a surface of third order in the logarithm follows a gradient of 4 : 1), and on top of that
//! there are a cast shadow's steps and glare's bright patches. A step that is a shadow darkens the rim outside the filler
//! as much as the filler inside, so it is told from a coat by where the two meet; what is dark inside only is never taken
//! for a shadow. Near a shadow's edge whatever lies between its two levels counts as level. Glare adds light instead of
//! scaling it, and is subtracted.

use super::bowl::{Bowl, Sample};
use super::coarse::{Coarse, mean};
use super::level::{Level, level};
use super::mask::Mask;
use super::median;
use super::plan::Plan;
use super::repair::Repair;
use super::shadow::{doubtful, rim_step, shadow_cells, shadow_depth};
use super::soft::smooth;
use rayon::prelude::*;

/// The light on an area.
#[derive(Debug, Clone)]
pub struct Light {
    /// Light that each channel of a cell has, as a share of what level filler has there, glare taken off; NaN outside
    /// the photo or on a card.
    pub share: Vec<[f32; 3]>,
    /// Logarithm of the mean of the channels' shares before smoothing.
    pub raw: Vec<f32>,
    /// Where glare washes colours out.
    pub glare: Mask,
    /// Where the light says nothing: saturated, or glare that outshines the filler.
    pub blind: Mask,
    /// Cast shadow.
    pub shadow: Mask,
    /// Where the shadow ends: a place may have either light.
    pub meet: Mask,
    /// How the rim outside differs from level filler (logarithm), from the clearest part of its width.
    pub rim: Option<[f32; 3]>,
    /// Standard deviation of a level cell's share (mean of the channels), after smoothing.
    pub noise: f32,
}

/// Least and largest step of light between neighbouring coarse cells that ends the smooth ground (logarithm): light over a
/// panel falls off by a hundredth a cell even at 4 : 1, a soft shadow's edge by a tenth. Between them noise decides.
const STEP: [f32; 2] = [0.05, 0.12];
/// Blur of the share, mm: finer than a low that counts, coarser than the coat's grain.
pub const BLUR_MM: f64 = 0.8;
/// Glare this many times the filler's own light leaves too little contrast to judge by.
const OUTSHONE: f32 = 2.5;

/// Works out the light on an area. `inside`: the filled area's cells.
///
/// `None` when too little of the area is smooth ground.
pub fn light(plan: &Plan, repair: &Repair, inside: &Mask) -> Option<Light> {
    let coarse = Coarse::new(plan);
    let within = Mask::from_fn(coarse.width, coarse.height, |i| {
        let (x, y) = coarse.fine(i);
        inside.cells[y.round() as usize * plan.width + x.round() as usize]
            && coarse.log[i][0].is_finite()
    });
    let core = within.shrunk(1.5);
    let ground = largest_ground(&coarse, &core)?;
    let samples = |shadow: &Mask, ground: &Mask| -> Vec<Sample> {
        let (deep, edge) = (shadow.shrunk(2.5), shadow.grown(2.5));
        (0..coarse.log.len())
            .filter(|i| deep.cells[*i] || (ground.cells[*i] && !edge.cells[*i]))
            // A surface of ten terms needs no more.
            .step_by(3)
            .map(|i| {
                let (x, y) = coarse.fine(i);
                Sample {
                    x,
                    y,
                    log: coarse.log[i],
                    shaded: deep.cells[i],
                }
            })
            .collect()
    };
    let none = Mask::new(coarse.width, coarse.height);
    let mut bowl = Bowl::fit(plan.width, plan.height, &samples(&none, &ground))?;
    let rim = rim_step(plan, repair);
    let mut shadow = none.clone();
    let mut depth = None;
    let mut crossed = Vec::new();
    if let Some(rim) = rim {
        // Each round knows the surface better where the shadow hides it.
        for _ in 0..3 {
            let Some((found, touches)) = shadow_depth(plan, &coarse, repair, &bowl, rim) else {
                break;
            };
            crossed.clone_from(&touches);
            shadow = shadow_cells(&coarse, &within, &bowl, found, &touches);
            if shadow.count() == 0 {
                break;
            }
            depth = Some(found);
            let Some(better) = Bowl::fit(plan.width, plan.height, &samples(&shadow, &ground))
            else {
                break;
            };
            if better.shade != [0.0; 3] {
                depth = Some(better.shade.map(|v| v as f32));
            }
            bowl = better;
        }
    }
    if shadow.count() == 0 {
        depth = None;
    }
    let doubtful = doubtful(&coarse, &within, &bowl, &shadow, &crossed);
    let level = level(&coarse, &within, &bowl, &shadow, depth);
    let mut light = shares(plan, inside, &coarse, &level, &shadow, depth, rim);
    for (i, blind) in light.blind.cells.iter_mut().enumerate() {
        *blind |= coarse.of_fine(plan, i).is_some_and(|k| doubtful.cells[k]);
    }
    Some(light)
}

/// The largest part of the area over which the light changes smoothly.
fn largest_ground(coarse: &Coarse, core: &Mask) -> Option<Mask> {
    let steps = (1..core.cells.len())
        .filter(|i| core.cells[*i] && core.cells[i - 1])
        .map(|i| mean([0, 1, 2].map(|c| coarse.log[i][c] - coarse.log[i - 1][c])).abs());
    let usual = median(steps)?;
    let step = (7.0 * usual).clamp(STEP[0], STEP[1]);
    let mut seen = vec![false; core.cells.len()];
    let mut best: Vec<usize> = Vec::new();
    let w = core.width;
    for start in 0..core.cells.len() {
        if !core.cells[start] || seen[start] {
            continue;
        }
        let mut part = vec![start];
        seen[start] = true;
        let mut at = 0;
        while at < part.len() {
            let i = part[at];
            at += 1;
            let (x, y) = (i % w, i / w);
            let near = [
                (x > 0).then(|| i - 1),
                (x + 1 < w).then(|| i + 1),
                (y > 0).then(|| i - w),
                (y + 1 < core.height).then(|| i + w),
            ];
            for j in near.into_iter().flatten() {
                let smooth = || {
                    coarse.log[i]
                        .iter()
                        .zip(coarse.log[j])
                        .all(|(a, b)| (a - b).abs() < step)
                };
                if core.cells[j] && !seen[j] && smooth() {
                    seen[j] = true;
                    part.push(j);
                }
            }
        }
        if part.len() > best.len() {
            best = part;
        }
    }
    let mut mask = Mask::new(core.width, core.height);
    best.iter().for_each(|i| mask.cells[*i] = true);
    (best.len() >= 60).then_some(mask)
}

/// The share of light at every fine cell.
fn shares(
    plan: &Plan,
    inside: &Mask,
    coarse: &Coarse,
    level: &Level,
    shadow: &Mask,
    depth: Option<[f32; 3]>,
    rim: Option<[f32; 3]>,
) -> Light {
    let (w, h) = (plan.width, plan.height);
    let of = |mask: &Mask| {
        Mask::from_fn(w, h, |i| {
            coarse.of_fine(plan, i).is_some_and(|k| mask.cells[k])
        })
    };
    let (dark, meet) = (of(shadow), of(&level.meet));
    let other = depth.unwrap_or_default();
    // Burnt out over a patch: single saturated cells between others are noise, and what is dark beside them is seen.
    let burnt = smooth(w, h, 1.5 / plan.mm, |i| f32::from(plan.burnt[i]), |_| 1.0);
    let mut raw = vec![[f32::NAN; 3]; w * h];
    let mut glare = vec![0.0_f32; w * h];
    raw.par_chunks_mut(w)
        .zip(glare.par_chunks_mut(w))
        .enumerate()
        .for_each(|(y, (raw, glares))| {
            for x in 0..w {
                let i = y * w + x;
                let light = plan.light[i];
                if light[0].is_nan() {
                    continue;
                }
                // The two lights are not mixed: beyond the shadow's edge the nearest cell stands.
                let near = coarse.between(x, y, |k| shadow.cells[k] == dark.cells[i]);
                let mut own = [0.0_f32; 3];
                let mut shine = [0.0_f32; 3];
                for (k, t) in near {
                    for c in 0..3 {
                        own[c] += t * level.own[k][c];
                        shine[c] += t * level.glare[k][c];
                    }
                }
                glares[x] = mean(shine);
                for c in 0..3 {
                    let own = own[c].exp();
                    let light = light[c] - shine[c] * own;
                    raw[x][c] = if meet.cells[i] {
                        // Between the two levels: level.
                        let shift = if dark.cells[i] { -other[c] } else { other[c] };
                        let (low, high) = (own * shift.min(0.0).exp(), own * shift.max(0.0).exp());
                        if light < low {
                            light / low
                        } else if light > high {
                            light / high
                        } else {
                            1.0
                        }
                    } else {
                        light / own
                    };
                }
            }
        });
    let blind = Mask::from_fn(w, h, |i| burnt[i] > 0.6 || glare[i] > OUTSHONE);
    let planes: Vec<Vec<f32>> = (0..3)
        .into_par_iter()
        .map(|c| {
            smooth(
                w,
                h,
                BLUR_MM / plan.mm,
                |i| raw[i][c],
                |i| f32::from(raw[i][c].is_finite()),
            )
        })
        .collect();
    let share: Vec<[f32; 3]> = (0..w * h)
        .map(|i| {
            if raw[i][0].is_finite() {
                [0, 1, 2].map(|c| planes[c][i])
            } else {
                [f32::NAN; 3]
            }
        })
        .collect();
    let noise = noise(&share, inside, &blind);
    let raw = raw.iter().map(|s| mean(*s).max(0.02).ln()).collect();
    let glare = Mask::from_fn(w, h, |i| glare[i] > WASHED);
    Light {
        share,
        raw,
        blind,
        glare,
        shadow: dark,
        meet,
        rim,
        noise,
    }
}

/// Glare (share of the filler's own light) from which colours are washed out.
const WASHED: f32 = 0.3;

/// Scatter of level cells: from the bright side of the distribution alone, where no coat is.
fn noise(share: &[[f32; 3]], inside: &Mask, blind: &Mask) -> f32 {
    let above: Vec<f32> = share
        .iter()
        .zip(&inside.cells)
        .zip(&blind.cells)
        .filter(|((_, inside), blind)| **inside && !**blind)
        .map(|((s, _), _)| mean(*s) - 1.0)
        .filter(|d| *d > 0.0)
        .collect();
    1.48 * median(above).unwrap_or(0.05)
}
