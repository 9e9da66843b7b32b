//! Cast shadow on the area, told from a coat by where it crosses the outline: filler inside and rim outside are darker by the same.

use super::bowl::Bowl;
use super::coarse::{Coarse, mean, off};
use super::mask::Mask;
use super::median;
use super::plan::{DARK, Plan};
use super::repair::Repair;
use nalgebra::Point2;

/// Distances outside the outline at which the paint beyond the rim is looked at, mm.
const PAINT_MM: [f64; 2] = [11.0, 13.0];
/// Distances outside the outline at which the rim is looked for, mm.
const RIM_MM: [f64; 4] = [1.5, 2.5, 3.5, 4.5];

/// How the rim differs from level filler (logarithm): the median round the outline, at the distance where the light
/// changes least with distance. `None` when what lies outside is not darker.
pub fn rim_step(plan: &Plan, repair: &Repair) -> Option<[f32; 3]> {
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

/// How much darker a shadow is (logarithm), and the coarse cells inside the outline where it crosses; `None` without one.
///
/// Where a shadow crosses the outline, filler inside and rim outside are darker by the same.
pub fn shadow_depth(
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

/// The coarse cells in shadow.
pub fn shadow_cells(
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

/// Coarse cells that are darker where a shadow crosses the outline, but not by the shadow's own depth: its soft edge, or a
/// second shadow. Nothing is judged there.
pub fn doubtful(
    coarse: &Coarse,
    within: &Mask,
    bowl: &Bowl,
    shadow: &Mask,
    crossed: &[usize],
) -> Mask {
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

/// Largest deviation of a channel from the mean: how far a change is from a change of brightness alone.
fn tint(d: [f32; 3]) -> f32 {
    let m = mean(d);
    d.iter().map(|v| (v - m).abs()).fold(0.0, f32::max)
}
