//! The light on the filled area: how bright level filler is, or would be, at every place.
//!
//! Light falls off smoothly (a surface of third order in the logarithm follows a gradient of 4 : 1), and on top of that
//! there are a cast shadow's steps and glare's bright patches. A step that is a shadow darkens the rim outside the filler
//! as much as the filler inside, so it is told from a coat by where the two meet; what is dark inside only is never taken
//! for a shadow. Near a shadow's edge whatever lies between its two levels counts as level. Glare adds light instead of
//! scaling it, and is subtracted.

use super::mask::Mask;
use super::median;
use super::plan::{DARK, Plan};
use super::repair::Repair;
use super::soft::smooth;
use crate::solve::robust::{spread, tukey};
use nalgebra::{DMatrix, DVector, Point2};
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
/// Side of a coarse cell, mm.
const COARSE_MM: f64 = 1.4;
/// Reach of the local level, mm: wider than filler's mottle, narrower than glare.
const LOCAL_MM: f64 = 9.0;
/// Blur of the share, mm: finer than a low that counts, coarser than the coat's grain.
pub const BLUR_MM: f64 = 0.8;
/// Glare this many times the filler's own light leaves too little contrast to judge by.
const OUTSHONE: f32 = 2.5;

/// Terms of a surface of third order.
const TERMS: usize = 10;

/// A smooth surface of third order over cell coordinates scaled to about ±1.
#[derive(Debug, Clone)]
struct Bowl {
    scale: f64,
    middle: Point2<f64>,
    terms: [[f64; TERMS]; 3],
    /// What a cast shadow adds to it.
    shade: [f64; 3],
}

/// A cell that the surface is fitted to.
struct Sample {
    x: f64,
    y: f64,
    log: [f32; 3],
    shaded: bool,
}

impl Bowl {
    fn row(&self, x: f64, y: f64) -> [f64; TERMS] {
        let (u, v) = (
            (x - self.middle.x) / self.scale,
            (y - self.middle.y) / self.scale,
        );
        [
            1.0,
            u,
            v,
            u * u,
            u * v,
            v * v,
            u * u * u,
            u * u * v,
            u * v * v,
            v * v * v,
        ]
    }

    fn at(&self, x: f64, y: f64) -> [f32; 3] {
        let row = self.row(x, y);
        self.terms
            .map(|t| t.iter().zip(row).map(|(a, b)| a * b).sum::<f64>() as f32)
    }

    /// Robust least squares: cells far off the surface lose their weight (Tukey's biweight). Shaded cells share the surface,
    /// lower by a constant. `None` with too few cells.
    fn fit(width: usize, height: usize, cells: &[Sample]) -> Option<Bowl> {
        /// Scatter (logarithm) that the fit is not held to be better than.
        const LEAST_SCATTER: f64 = 0.0064;
        /// Unknowns: the surface's terms and the shade.
        const N: usize = TERMS + 1;
        if cells.len() < 30 {
            return None;
        }
        let mut bowl = Bowl {
            scale: (width.max(height) as f64 / 2.0).max(1.0),
            middle: Point2::new(width as f64 / 2.0, height as f64 / 2.0),
            terms: [[0.0; TERMS]; 3],
            shade: [0.0; 3],
        };
        let mut weight = vec![1.0_f64; cells.len()];
        for _ in 0..6 {
            let mut normal = DMatrix::<f64>::zeros(N, N);
            let mut right = [(); 3].map(|()| DVector::<f64>::zeros(N));
            for (cell, w) in cells.iter().zip(&weight) {
                let mut row = [0.0; N];
                row[..TERMS].copy_from_slice(&bowl.row(cell.x, cell.y));
                row[TERMS] = f64::from(u8::from(cell.shaded));
                for i in 0..N {
                    for j in 0..N {
                        normal[(i, j)] += w * row[i] * row[j];
                    }
                    for (b, v) in right.iter_mut().zip(cell.log) {
                        b[i] += w * row[i] * f64::from(v);
                    }
                }
            }
            // A whisper of prior keeps the shade defined where no cell is shaded.
            for i in 0..N {
                normal[(i, i)] += 1e-6 * cells.len() as f64;
            }
            let chol = normal.cholesky()?;
            for (c, b) in right.iter().enumerate() {
                let x = chol.solve(b);
                bowl.terms[c].copy_from_slice(&x.as_slice()[..TERMS]);
                bowl.shade[c] = x[TERMS];
            }
            let residual: Vec<f64> = cells
                .iter()
                .map(|cell| {
                    let at = bowl.at(cell.x, cell.y);
                    let shade = if cell.shaded {
                        bowl.shade.iter().sum::<f64>()
                    } else {
                        0.0
                    };
                    (f64::from(cell.log.iter().zip(at).map(|(a, b)| a - b).sum::<f32>()) - shade)
                        / 3.0
                })
                .collect();
            let sigma = spread(&residual)?.max(LEAST_SCATTER);
            for (w, r) in weight.iter_mut().zip(&residual) {
                *w = tukey(r / sigma);
            }
        }
        Some(bowl)
    }
}

/// Coarse cells: means of blocks of fine ones.
struct Coarse {
    by: usize,
    /// Side, mm.
    mm: f64,
    width: usize,
    height: usize,
    /// Logarithm of the mean light; NaN without cells.
    log: Vec<[f32; 3]>,
}

impl Coarse {
    fn new(plan: &Plan) -> Coarse {
        let by = (COARSE_MM / plan.mm).round().max(1.0) as usize;
        let (width, height) = (plan.width / by, plan.height / by);
        let log = (0..width * height)
            .map(|i| {
                let (x, y) = (i % width * by, i / width * by);
                let mut sum = [0.0_f32; 3];
                let mut n = 0.0_f32;
                for dy in 0..by {
                    for c in &plan.light[(y + dy) * plan.width + x..][..by] {
                        if c[0].is_finite() {
                            sum.iter_mut().zip(c).for_each(|(s, v)| *s += v);
                            n += 1.0;
                        }
                    }
                }
                if n > 0.0 {
                    sum.map(|v| (v / n + DARK).ln())
                } else {
                    [f32::NAN; 3]
                }
            })
            .collect();
        let mut coarse = Coarse {
            by,
            mm: by as f64 * plan.mm,
            width,
            height,
            log,
        };
        // A light smoothing: noise between neighbours must stay well under the step.
        let planes: Vec<Vec<f32>> = (0..3)
            .map(|k| {
                smooth(
                    width,
                    height,
                    0.9,
                    |i| coarse.log[i][k],
                    |i| {
                        if coarse.log[i][k].is_finite() {
                            1.0
                        } else {
                            0.0
                        }
                    },
                )
            })
            .collect();
        for (i, c) in coarse.log.iter_mut().enumerate() {
            if c[0].is_finite() {
                *c = [0, 1, 2].map(|k| planes[k][i]);
            }
        }
        coarse
    }

    /// The coarse cell that holds a fine one; `None` in what is left over at the right and lower edge.
    fn of_fine(&self, plan: &Plan, i: usize) -> Option<usize> {
        let (x, y) = (i % plan.width / self.by, i / plan.width / self.by);
        (x < self.width && y < self.height).then_some(y * self.width + x)
    }

    /// Up to four coarse cells about a fine one that `counts` lets pass, with their shares (bilinear); where none does the
    /// nearest of all.
    fn between(&self, x: usize, y: usize, counts: impl Fn(usize) -> bool) -> [(usize, f32); 4] {
        let along = |i: usize, n: usize| {
            let t = ((i as f64 - (self.by as f64 - 1.0) / 2.0) / self.by as f64)
                .clamp(0.0, (n - 1) as f64);
            let low = (t as usize).min(n.saturating_sub(2));
            (low, (t - low as f64) as f32)
        };
        let ((i, fx), (j, fy)) = (along(x, self.width), along(y, self.height));
        let (right, below) = ((i + 1).min(self.width - 1), (j + 1).min(self.height - 1));
        let mut near = [
            (j * self.width + i, (1.0 - fx) * (1.0 - fy)),
            (j * self.width + right, fx * (1.0 - fy)),
            (below * self.width + i, (1.0 - fx) * fy),
            (below * self.width + right, fx * fy),
        ];
        let total: f32 = near
            .iter()
            .filter(|(k, _)| counts(*k))
            .map(|(_, t)| t)
            .sum();
        if total > 1e-3 {
            for (k, t) in &mut near {
                *t = if counts(*k) { *t / total } else { 0.0 };
            }
        }
        near
    }

    /// Middle of a coarse cell in fine cells.
    fn fine(&self, i: usize) -> (f64, f64) {
        let half = (self.by as f64 - 1.0) / 2.0;
        (
            (i % self.width * self.by) as f64 + half,
            (i / self.width * self.by) as f64 + half,
        )
    }
}

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

/// Coarse cells that are darker where a shadow crosses the outline, but not by the shadow's own depth: its soft edge, or a
/// second shadow. Nothing is judged there.
fn doubtful(coarse: &Coarse, within: &Mask, bowl: &Bowl, shadow: &Mask, crossed: &[usize]) -> Mask {
    let mut out = Mask::new(coarse.width, coarse.height);
    if crossed.is_empty() {
        return out;
    }
    let dark = Mask::from_fn(coarse.width, coarse.height, |i| {
        within.cells[i] && !shadow.cells[i] && {
            let d = off(coarse, bowl, i);
            mean(d) < -0.3 && tint(d) < 0.3
        }
    });
    let at = Mask::from_fn(coarse.width, coarse.height, |i| crossed.contains(&i)).grown(3.0);
    for part in dark.opened(1.5).parts() {
        if part.cells.iter().any(|i| at.cells[*i]) {
            part.cells.iter().for_each(|i| out.cells[*i] = true);
        }
    }
    out.grown(2.0)
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

/// Difference of a coarse cell from the surface.
fn off(coarse: &Coarse, bowl: &Bowl, i: usize) -> [f32; 3] {
    let (x, y) = coarse.fine(i);
    let level = bowl.at(x, y);
    [0, 1, 2].map(|k| coarse.log[i][k] - level[k])
}

/// The place at a distance (mm, outward positive) from the outline's place `k`.
fn beside_mm(repair: &Repair, k: usize, out_mm: f64) -> Option<Point2<f64>> {
    let n = repair.outline.len();
    let (a, b) = (repair.outline[(k + n - 1) % n], repair.outline[(k + 1) % n]);
    let along = b - a;
    let length = along.norm();
    if length < 1e-9 {
        return None;
    }
    let turn = super::repair::area(&repair.outline).signum();
    Some(repair.outline[k] + nalgebra::Vector2::new(along.y, -along.x) * (turn * out_mm / length))
}

/// The coarse cell at a distance (mm, outward positive) from the outline's place `k`.
fn beside(plan: &Plan, coarse: &Coarse, repair: &Repair, k: usize, out_mm: f64) -> Option<usize> {
    let at = plan.cell_of(beside_mm(repair, k, out_mm)?);
    let (x, y) = (at.x / coarse.by as f64, at.y / coarse.by as f64);
    let inside =
        x >= 0.0 && y >= 0.0 && (x as usize) < coarse.width && (y as usize) < coarse.height;
    let i = if inside {
        y as usize * coarse.width + x as usize
    } else {
        return None;
    };
    coarse.log[i][0].is_finite().then_some(i)
}

fn mean(d: [f32; 3]) -> f32 {
    (d[0] + d[1] + d[2]) / 3.0
}

/// Distances outside the outline at which the paint beyond the rim is looked at, mm.
const PAINT_MM: [f64; 2] = [11.0, 13.0];
/// Distances outside the outline at which the rim is looked for, mm.
const RIM_MM: [f64; 4] = [1.5, 2.5, 3.5, 4.5];

/// How the rim differs from level filler (logarithm): the median round the outline, at the distance where the light
/// changes least with distance. `None` when what lies outside is not darker.
fn rim_step(plan: &Plan, repair: &Repair) -> Option<[f32; 3]> {
    /// Distance between the places compared, and the first of them, mm.
    const PITCH_MM: f64 = 0.7;
    const PLACES: usize = 8;
    let places: Vec<Option<[f32; 3]>> = (0..PLACES)
        .map(|j| {
            let mut steps: [Vec<f32>; 3] = Default::default();
            for k in 0..repair.outline.len() {
                // Against the filler just inside, so that shadow and light fall out.
                let inner = at_side(plan, repair, k, -4.0);
                let outer = at_side(plan, repair, k, 1.0 + j as f64 * PITCH_MM);
                if let (Some(a), Some(b)) = (inner, outer) {
                    for (c, list) in steps.iter_mut().enumerate() {
                        list.push(((b[c] + DARK) / (a[c] + DARK)).ln());
                    }
                }
            }
            let [r, g, b] = steps.map(median);
            Some([r?, g?, b?])
        })
        .collect();
    let flattest = (1..PLACES - 1)
        .filter_map(|j| {
            let (a, b, c) = (places[j - 1]?, places[j]?, places[j + 1]?);
            let change = (0..3).map(|k| (c[k] - a[k]).abs()).fold(0.0, f32::max);
            Some((change, b))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))?
        .1;
    (mean(flattest) < -0.12 && flattest.iter().all(|v| *v < 0.15)).then_some(flattest)
}

/// Mean light of a patch of 3 × 3 fine cells at a distance (mm, outward positive) from the outline's place `k`.
fn at_side(plan: &Plan, repair: &Repair, k: usize, out_mm: f64) -> Option<[f32; 3]> {
    let at = plan.cell_of(beside_mm(repair, k, out_mm)?);
    let (x, y) = (at.x.round(), at.y.round());
    if !(x >= 1.0 && y >= 1.0) {
        return None;
    }
    let (x, y) = (x as usize, y as usize);
    if x + 1 >= plan.width || y + 1 >= plan.height {
        return None;
    }
    let mut sum = [0.0_f32; 3];
    for row in y - 1..=y + 1 {
        for c in &plan.light[row * plan.width + x - 1..=row * plan.width + x + 1] {
            sum.iter_mut().zip(c).for_each(|(s, v)| *s += v / 9.0);
        }
    }
    sum[0].is_finite().then_some(sum)
}

/// How much darker a shadow is (logarithm), and the coarse cells inside the outline where it crosses; `None` without one.
///
/// Where a shadow crosses the outline, filler inside and rim outside are darker by the same.
fn shadow_depth(
    plan: &Plan,
    coarse: &Coarse,
    repair: &Repair,
    bowl: &Bowl,
    rim: [f32; 3],
) -> Option<([f32; 3], Vec<usize>)> {
    /// Least darkening looked at, and least that is a cast shadow: light falls off by less over the blur of an edge.
    const LEAST: f32 = 0.4;
    const SHADOW: f32 = 0.45;
    let off_at =
        |k: usize, out: f64| beside(plan, coarse, repair, k, out).map(|i| off(coarse, bowl, i));
    // The paint outside the rim, where the filler beside it is lit: black primer alone shows a shadow poorly.
    let mut lit: [Vec<f32>; 3] = Default::default();
    for k in 0..repair.outline.len() {
        if off_at(k, -4.0).is_some_and(|d| mean(d) > -0.15)
            && let Some(d) = off_at(k, PAINT_MM[0])
        {
            lit.iter_mut().zip(d).for_each(|(list, v)| list.push(v));
        }
    }
    let [r, g, b] = lit.map(median);
    let paint = r.zip(g).zip(b).map(|((r, g), b)| [r, g, b]);
    let mut crossings: Vec<(usize, [f32; 3])> = Vec::new();
    for k in 0..repair.outline.len() {
        let Some(inner) = beside(plan, coarse, repair, k, -4.0) else {
            continue;
        };
        let inside = off(coarse, bowl, inner);
        if mean(inside) > -LEAST || tint(inside) > 0.3 {
            continue;
        }
        let as_dark = |out: f64, lit: [f32; 3]| {
            beside(plan, coarse, repair, k, out).is_some_and(|i| {
                let (x, y) = coarse.fine(i);
                let level = bowl.at(x, y);
                let d = [0, 1, 2].map(|c| {
                    // The floor that logarithms stand on is not darkened with the light.
                    let bright = (level[c] + lit[c]).exp() - DARK;
                    coarse.log[i][c] - (bright.max(0.0) * inside[c].exp() + DARK).ln()
                });
                // A dark rim in the dark has some stray light on top.
                let stray = -0.25 * mean(inside);
                mean(d) > -0.35 && mean(d) < 0.35 + stray && tint(d) < 0.3 + 0.5 * stray
            })
        };
        let alike = RIM_MM.iter().any(|out| as_dark(*out, rim))
            || paint.is_some_and(|paint| PAINT_MM.iter().all(|out| as_dark(*out, paint)));
        if alike {
            crossings.push((inner, inside));
        }
    }
    // A fiftieth of the way round: a shadow narrower than that is no larger than a smear.
    if crossings.len() * 50 < repair.outline.len() {
        return None;
    }
    let depth = [0, 1, 2].map(|c| median(crossings.iter().map(|(_, d)| d[c])).unwrap_or(0.0));
    (mean(depth) < -SHADOW).then(|| (depth, crossings.into_iter().map(|(i, _)| i).collect()))
}

/// Largest deviation of a channel from the mean: how far a change is from a change of brightness alone.
fn tint(d: [f32; 3]) -> f32 {
    let m = mean(d);
    d.iter().map(|v| (v - m).abs()).fold(0.0, f32::max)
}

/// The coarse cells in shadow.
fn shadow_cells(
    coarse: &Coarse,
    within: &Mask,
    bowl: &Bowl,
    depth: [f32; 3],
    touches: &[usize],
) -> Mask {
    let m = mean(depth);
    let dark = Mask::from_fn(coarse.width, coarse.height, |i| {
        within.cells[i] && {
            let d = off(coarse, bowl, i);
            mean(d) < 0.5 * m
                && mean(d) > m - 0.4
                && tint([0, 1, 2].map(|c| d[c] - depth[c])) < 0.35
        }
    });
    // A shadow is broad: what hangs on to it by less is something else that is dark.
    let broad = dark.opened(3.0);
    let mut shadow = Mask::new(coarse.width, coarse.height);
    let reach = Mask::from_fn(coarse.width, coarse.height, |i| touches.contains(&i)).grown(3.0);
    for part in broad.parts() {
        if part.cells.iter().any(|i| reach.cells[*i]) {
            part.cells.iter().for_each(|i| shadow.cells[*i] = true);
        }
    }
    // Lows inside the shadow are darker still, or of another tint: they belong to it too.
    let whole = shadow.closed(5.0).and(within).filled(within.count() / 4);
    // Nothing on a repair is brighter than level filler: what is brighter than the shadow's level lies in the light.
    let lit = Mask::from_fn(coarse.width, coarse.height, |i| {
        whole.cells[i] && mean(off(coarse, bowl, i)) > m + 0.22
    });
    whole.without(&lit.opened(1.5))
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

/// The level at every coarse cell, and where two lights meet.
struct Level {
    /// Logarithm of what level filler has of its own light.
    own: Vec<[f32; 3]>,
    /// Glare on top of it, as a share of its own light.
    glare: Vec<[f32; 3]>,
    meet: Mask,
}

/// Brightness over the smooth surface that is the filler's own mottle (logarithm); what is more is glare.
const MOTTLE: f32 = 0.3;

fn level(
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
