//! Finds the filled area: a closed outline round a light ground, outside of which it turns darker all the way round.
//!
//! Filler is feathered out over primer, so its rim is the one closed line in the photo across which the light falls by
//! the same ratio everywhere, in light and in shadow alike; a shadow's edge crosses it but does not follow it, and what
//! else lies about has no rim of another colour outside it. From a place inside, the outline is a path round: one radius
//! for each direction. The cheapest closed path (dynamic programming over two rounds, of which the middle is kept) is
//! sought from every place of a coarse grid, the best one is followed again from its own middle with the ratio that the
//! first round found. A shape that cannot be seen whole from its middle must be given by hand.

use super::median;
use super::plan::Plan;
use nalgebra::Point2;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// The filled area.
#[derive(Debug, Clone)]
pub struct Repair {
    /// Its outline, card frame, mm, one place for each direction round.
    pub outline: Vec<Point2<f64>>,
    /// How the light changes from just outside the outline to just inside (logarithm, red, green, blue): the primer's
    /// colour against the filler's. `None` where the outline was given by hand.
    pub rim: Option<[f32; 3]>,
    /// Share of the outline along which the rim is seen, 0–1.
    pub seen: f64,
}

/// Cells averaged on each side of the rim, as a length, mm: a rim of feathered primer is some millimetres wide.
const SIDE_MM: f64 = 4.0;
/// Fall of light (logarithm) that is as good as any greater: half the light.
const ENOUGH: f32 = 0.6;
/// Smallest radius looked at, mm.
const LEAST_MM: f64 = 24.0;
/// Largest radius looked at, mm: larger repairs are blocked, and photographed, in parts.
const MOST_MM: f64 = 420.0;
/// Share of the outline on which the rim must be seen.
const SEEN: f64 = 0.6;

/// Directions and radii of one search.
#[derive(Debug, Clone, Copy)]
struct Fan {
    directions: usize,
    radii: usize,
    pitch: f64,
    least: f64,
}

/// What is known of the rim: nothing yet, or its ratio.
#[derive(Debug, Clone, Copy)]
enum Rim {
    Unknown,
    Known([f32; 3]),
}

/// One closed path.
#[derive(Debug, Clone)]
struct Round {
    radius: Vec<usize>,
    /// Mean gain over all directions, at most 1.
    gain: f64,
}

/// Finds the filled area in a coarse plan (cells of one to two mm).
///
/// `middle`: where the photo looks, card frame, mm, and `reach`: half the photo's diagonal there, mm. Of two areas alike the
/// one nearer to the middle is meant; its own middle lies within the reach.
pub fn find(plan: &Plan, middle: Point2<f64>, reach: f64) -> Option<Repair> {
    let log = smooth(plan);
    let extent = plan.mm * (plan.width.max(plan.height)) as f64;
    let fan = Fan {
        directions: 90,
        radii: (((extent / 2.0).min(MOST_MM) - LEAST_MM) / (2.0 * plan.mm)).max(8.0) as usize,
        pitch: 2.0 * plan.mm,
        least: LEAST_MM,
    };
    let step = (40.0 / plan.mm).max(1.0) as usize;
    let centres: Vec<Point2<f64>> = (step / 2..plan.height)
        .step_by(step)
        .flat_map(|y| (step / 2..plan.width).step_by(step).map(move |x| (x, y)))
        .filter(|(x, y)| log[y * plan.width + x][0].is_finite())
        .map(|(x, y)| plan.mm_at(x as f64, y as f64))
        .filter(|p| (p - middle).norm() < 0.75 * reach)
        .collect();
    let best = centres
        .par_iter()
        .filter_map(|centre| {
            let round = round(plan, &log, *centre, &fan, Rim::Unknown, None)?;
            let outline = outline(*centre, &fan, &round);
            let area = area(&outline);
            let (cx, cy) = centroid(&outline);
            let away = (Point2::new(cx, cy) - middle).norm() / reach;
            let beyond = rim_beyond(plan, &log, *centre, &fan, &round);
            let score = round.gain
                * (0.55 + 0.45 * beyond)
                * (area.sqrt() / 260.0).min(1.0).powf(0.35)
                * (-0.7 * away * away).exp();
            Some((score, round, *centre))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let mut centre = best.2;
    let mut path = best.1;
    let mut fan = fan;
    let mut rim = None;
    for _ in 0..3 {
        let (cx, cy) = centroid(&outline(centre, &fan, &path));
        rim = Some(ratio(plan, &log, centre, &fan, &path));
        let reach = fan.least + (fan.radii as f64) * fan.pitch;
        fan = Fan {
            directions: 240,
            radii: ((reach - fan.least) / plan.mm) as usize,
            pitch: plan.mm,
            least: fan.least,
        };
        centre = Point2::new(cx, cy);
        path = round(
            plan,
            &log,
            centre,
            &fan,
            Rim::Known(rim.unwrap_or_default()),
            None,
        )?;
    }
    // A light primer falls off less from the filler than from the paint outside it: the edge found may be the rim's outer one.
    if let Some(step) = step_within(plan, &log, centre, &fan, &path)
        && let Some(inner) = round(
            plan,
            &log,
            centre,
            &fan,
            Rim::Known(step),
            Some(&path.radius),
        )
        && inner.gain > 0.5
    {
        rim = Some(step);
        path = inner;
    }
    let gains = gains_along(
        plan,
        &log,
        centre,
        &fan,
        &path,
        Rim::Known(rim.unwrap_or_default()),
    );
    let seen = gains.iter().filter(|g| **g > 0.25).count() as f64 / gains.len().max(1) as f64;
    (seen >= SEEN).then(|| Repair {
        outline: outline(centre, &fan, &path),
        rim,
        seen,
    })
}

/// Logarithm of the light after a 3 × 3 mean of cells.
fn smooth(plan: &Plan) -> Vec<[f32; 3]> {
    let (w, h) = (plan.width, plan.height);
    (0..h)
        .into_par_iter()
        .flat_map_iter(|y| {
            (0..w).map(move |x| {
                let mut sum = [0.0_f32; 3];
                let mut n = 0.0;
                if plan.light[y * w + x][0].is_nan() {
                    return [f32::NAN; 3];
                }
                for j in y.saturating_sub(1)..(y + 2).min(h) {
                    for i in x.saturating_sub(1)..(x + 2).min(w) {
                        let c = plan.light[j * w + i];
                        if c[0].is_finite() {
                            for (s, v) in sum.iter_mut().zip(c) {
                                *s += v;
                            }
                            n += 1.0;
                        }
                    }
                }
                sum.map(|v| (v / n + super::plan::DARK).ln())
            })
        })
        .collect()
}

/// The light along one ray, a value for each pitch from the centre on.
fn ray(
    plan: &Plan,
    log: &[[f32; 3]],
    centre: Point2<f64>,
    fan: &Fan,
    direction: usize,
    out: &mut Vec<[f32; 3]>,
) {
    let angle = TAU * direction as f64 / fan.directions as f64;
    let (s, c) = angle.sin_cos();
    let start = plan.cell_of(centre);
    out.clear();
    let first = (fan.least / fan.pitch) as usize;
    for k in 0..first + fan.radii + side_cells(fan) + 1 {
        let r = k as f64 * fan.pitch / plan.mm;
        let (x, y) = ((start.x + r * c).round(), (start.y + r * s).round());
        let inside =
            x >= 0.0 && y >= 0.0 && (x as usize) < plan.width && (y as usize) < plan.height;
        out.push(if inside {
            log[y as usize * plan.width + x as usize]
        } else {
            [f32::NAN; 3]
        });
    }
}

fn side_cells(fan: &Fan) -> usize {
    (SIDE_MM / fan.pitch).round().max(1.0) as usize
}

/// Step of the logarithm of light across radius index `k` of a ray: inside less outside; `None` off the plan.
fn step(ray: &[[f32; 3]], fan: &Fan, k: usize) -> Option<[f32; 3]> {
    let n = side_cells(fan);
    let at = (fan.least / fan.pitch) as usize + k;
    let mean = |range: std::ops::Range<usize>| {
        let mut sum = [0.0_f32; 3];
        let mut count = 0.0;
        for c in ray.get(range)?.iter().filter(|c| c[0].is_finite()) {
            for (s, v) in sum.iter_mut().zip(c) {
                *s += v;
            }
            count += 1.0;
        }
        (count > 0.0).then(|| sum.map(|v| v / count))
    };
    let inside = mean(at.checked_sub(n)?..at)?;
    let outside = mean(at + 1..at + 1 + n)?;
    Some([0, 1, 2].map(|i| inside[i] - outside[i]))
}

/// Gain of a rim there, at most 1.
fn gain(step: Option<[f32; 3]>, rim: Rim) -> f32 {
    let Some(d) = step else { return -0.5 };
    match rim {
        // All three lights must fall: a coloured step that only changes hue is the edge of the paint outside the rim.
        Rim::Unknown => (d[0].min(d[1]).min(d[2]) / ENOUGH).clamp(-0.5, 1.0),
        Rim::Known(v) => {
            let norm: f32 = v.iter().map(|x| x * x).sum();
            let miss: f32 = d.iter().zip(v).map(|(a, b)| (a - b) * (a - b)).sum();
            (1.0 - miss / norm.max(1e-3)).clamp(-0.5, 1.0)
        }
    }
}

/// Cheapest closed path round a centre; `within`: radii that it stays two steps inside of.
fn round(
    plan: &Plan,
    log: &[[f32; 3]],
    centre: Point2<f64>,
    fan: &Fan,
    rim: Rim,
    within: Option<&[usize]>,
) -> Option<Round> {
    /// Largest change of radius between two directions, in pitches.
    const JUMP: isize = 4;
    let (n, m) = (fan.directions, fan.radii);
    let first = (fan.least / fan.pitch) as usize;
    let rays: Vec<Vec<[f32; 3]>> = (0..n)
        .map(|direction| {
            let mut cells = Vec::new();
            ray(plan, log, centre, fan, direction, &mut cells);
            cells
        })
        .collect();
    // The ground round the centre: what lies inside the rim has its hue, in shadow too.
    let near = || {
        rays.iter()
            .flat_map(|cells| cells.iter().take(first))
            .filter(|c| c[0].is_finite())
    };
    if near().count() < n {
        return None;
    }
    let ground = [0, 1, 2].map(|c| median(near().map(|cell| cell[c])).unwrap_or(0.0));
    let back = side_cells(fan).div_ceil(2) + 1;
    let mut gains = vec![0.0_f32; n * m];
    for (cells, gains) in rays.iter().zip(gains.chunks_exact_mut(m)) {
        for (k, g) in gains.iter_mut().enumerate() {
            let at = first + k;
            *g = gain(step(cells, fan, k), rim)
                - 0.6 * strange(cells[at - back.min(at)], ground, rim);
        }
    }
    if let Some(within) = within {
        for (gains, most) in gains.chunks_exact_mut(m).zip(within) {
            gains
                .iter_mut()
                .skip(most.saturating_sub(1))
                .for_each(|g| *g = -1.0);
        }
    }
    let cost = |turn: usize, k: usize| -gains[(turn % n) * m + k];
    let mut best = vec![0.0_f32; m];
    let mut from = vec![0_i8; 2 * n * m];
    for (k, b) in best.iter_mut().enumerate() {
        *b = cost(0, k);
    }
    let mut next = vec![0.0_f32; m];
    for turn in 1..2 * n {
        for k in 0..m {
            let mut least = (f32::INFINITY, 0);
            for jump in -JUMP..=JUMP {
                let Some(j) = k.checked_add_signed(jump).filter(|j| *j < m) else {
                    continue;
                };
                let c = best[j] + BEND * (jump * jump) as f32;
                if c < least.0 {
                    least = (c, jump as i8);
                }
            }
            next[k] = least.0 + cost(turn, k);
            from[turn * m + k] = least.1;
        }
        std::mem::swap(&mut best, &mut next);
    }
    let mut k = (0..m).min_by(|a, b| best[*a].total_cmp(&best[*b]))?;
    let mut radius = vec![0; 2 * n];
    for turn in (0..2 * n).rev() {
        radius[turn] = k;
        k = k
            .saturating_add_signed(from[turn * m + k] as isize)
            .min(m - 1);
    }
    // The middle round, turned back to begin at direction 0.
    let mut kept = vec![0; n];
    for turn in n / 2..n / 2 + n {
        kept[turn % n] = radius[turn];
    }
    let gain = (0..n)
        .map(|d| f64::from(gains[d * m + kept[d]]))
        .sum::<f64>()
        / n as f64;
    Some(Round { radius: kept, gain })
}

/// Cost of a change of radius by one pitch, against a gain of at most 1 a direction.
const BEND: f32 = 0.012;

/// How far a colour is from the ground's hue, 0–1: shade apart, with a light's own tint allowed for.
fn strange(c: [f32; 3], ground: [f32; 3], rim: Rim) -> f32 {
    if c[0].is_nan() {
        return 0.5;
    }
    let d = [0, 1, 2].map(|i| c[i] - ground[i]);
    let mean = (d[0] + d[1] + d[2]) / 3.0;
    let tint = d.iter().map(|v| (v - mean).abs()).fold(0.0, f32::max);
    let tint = ((tint - 0.12) / 0.25).clamp(0.0, 1.0);
    match rim {
        // Much darker: the edge outside a dark rim rather than the rim itself.
        Rim::Unknown => tint + ((-0.8 - mean) / 1.5).clamp(0.0, 0.5),
        Rim::Known(_) => tint,
    }
}

fn gains_along(
    plan: &Plan,
    log: &[[f32; 3]],
    centre: Point2<f64>,
    fan: &Fan,
    path: &Round,
    rim: Rim,
) -> Vec<f32> {
    let mut cells = Vec::new();
    path.radius
        .iter()
        .enumerate()
        .map(|(direction, k)| {
            ray(plan, log, centre, fan, direction, &mut cells);
            gain(step(&cells, fan, *k), rim)
        })
        .collect()
}

/// Median step across the path where it is seen.
fn ratio(plan: &Plan, log: &[[f32; 3]], centre: Point2<f64>, fan: &Fan, path: &Round) -> [f32; 3] {
    let mut cells = Vec::new();
    let mut steps: [Vec<f32>; 3] = Default::default();
    for (direction, k) in path.radius.iter().enumerate() {
        ray(plan, log, centre, fan, direction, &mut cells);
        if let Some(d) = step(&cells, fan, *k).filter(|d| d.iter().sum::<f32>() > 0.3) {
            for (list, v) in steps.iter_mut().zip(d) {
                list.push(v);
            }
        }
    }
    steps.map(|list| median(list).unwrap_or(0.0))
}

/// Step from a band just inside the path to the ground farther in, when there is one nearly all the way round.
fn step_within(
    plan: &Plan,
    log: &[[f32; 3]],
    centre: Point2<f64>,
    fan: &Fan,
    path: &Round,
) -> Option<[f32; 3]> {
    /// Where the band and the ground are looked at, mm inside the path, and the least step (logarithm).
    const BAND_MM: f64 = 2.5;
    const GROUND_MM: f64 = 15.0;
    const LEAST: f32 = 0.1;
    let mut cells = Vec::new();
    let mut steps: Vec<[f32; 3]> = Vec::new();
    for (direction, k) in path.radius.iter().enumerate() {
        ray(plan, log, centre, fan, direction, &mut cells);
        let at = (fan.least / fan.pitch) as usize + k;
        let inside = |mm: f64| cells.get(at.checked_sub((mm / fan.pitch).round() as usize)?);
        if let (Some(band), Some(ground)) = (inside(BAND_MM), inside(GROUND_MM)) {
            steps.push([0, 1, 2].map(|c| ground[c] - band[c]));
        }
    }
    let middle = |c: usize| median(steps.iter().map(|s| s[c]).filter(|v| v.is_finite()));
    let step = [middle(0)?, middle(1)?, middle(2)?];
    let size = |s: &[f32; 3]| (s[0] + s[1] + s[2]) / 3.0;
    let alike = steps
        .iter()
        .filter(|s| (size(s) - size(&step)).abs() < 0.5 * size(&step))
        .count();
    (size(&step) > LEAST && 10 * alike > 7 * path.radius.len()).then_some(step)
}

/// Share of directions in which the colour changes once more within two centimetres outside the path: a rim, not just
/// the edge of a sheet that lies on the panel.
fn rim_beyond(plan: &Plan, log: &[[f32; 3]], centre: Point2<f64>, fan: &Fan, path: &Round) -> f64 {
    let mut cells = Vec::new();
    let mut seen = 0;
    for (direction, k) in path.radius.iter().enumerate() {
        ray(plan, log, centre, fan, direction, &mut cells);
        let at = (fan.least / fan.pitch) as usize + k;
        let n = (4.0 / fan.pitch).round().max(1.0) as usize;
        let far = (16.0 / fan.pitch).round() as usize;
        let (Some(rim), Some(paint)) = (cells.get(at + n), cells.get(at + far)) else {
            continue;
        };
        if rim.iter().zip(paint).any(|(a, b)| (a - b).abs() > 0.2) {
            seen += 1;
        }
    }
    f64::from(seen) / path.radius.len().max(1) as f64
}

fn outline(centre: Point2<f64>, fan: &Fan, round: &Round) -> Vec<Point2<f64>> {
    let first = (fan.least / fan.pitch) as usize;
    round
        .radius
        .iter()
        .enumerate()
        .map(|(direction, k)| {
            let angle = TAU * direction as f64 / fan.directions as f64;
            let r = (first + k) as f64 * fan.pitch;
            Point2::new(centre.x + r * angle.cos(), centre.y + r * angle.sin())
        })
        .collect()
}

/// Area of a closed outline, by the shoelace formula; positive when it runs from +x to +y.
pub fn area(outline: &[Point2<f64>]) -> f64 {
    let n = outline.len();
    (0..n)
        .map(|i| {
            let (a, b) = (outline[i], outline[(i + 1) % n]);
            a.x * b.y - b.x * a.y
        })
        .sum::<f64>()
        / 2.0
}

/// Centroid of a closed outline's area.
pub fn centroid(outline: &[Point2<f64>]) -> (f64, f64) {
    let n = outline.len();
    let a = area(outline);
    if n == 0 || a.abs() < 1e-9 {
        return outline.first().map_or((0.0, 0.0), |p| (p.x, p.y));
    }
    let (mut x, mut y) = (0.0, 0.0);
    for i in 0..n {
        let (p, q) = (outline[i], outline[(i + 1) % n]);
        let w = p.x * q.y - q.x * p.y;
        x += (p.x + q.x) * w;
        y += (p.y + q.y) * w;
    }
    (x / (6.0 * a), y / (6.0 * a))
}
