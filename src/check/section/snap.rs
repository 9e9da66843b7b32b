//! A coarse edge snapped to where the thing's own colours end.

use super::SectionError;
use super::follow::{Columns, EdgePoint, LIFT};
use crate::photo::Photo;
use crate::scale::cover::{Quad, masked};
use crate::solve::path::{CostGrid, PathOptions, cheapest_path};
use crate::solve::robust::{centre_and_spread, median};
use crate::trace::strip::{Cell, Coding, Strip};
use crate::units::Px;
use nalgebra::{Point2, Vector2, Vector3};

/// How far off the coarse edge the true one may lie, mm.
const REACH_MM: f64 = 3.0;
fn shade(cell: &Cell) -> Option<Vector3<f64>> {
    if cell[0].is_nan() {
        return None;
    }
    let [r, g, b] = [cell[0], cell[1], cell[2]].map(|v| f64::from((v + LIFT).ln()));
    Some(Vector3::new((r + g + b) / 3.0, r - g, b - g))
}

/// Distance beyond which a pixel is unlike the thing and no more, squared, standard deviations.
const CAP: f64 = 14.0;
/// Pixels beyond the edge that must be unlike the thing.
const BESIDE: usize = 5;

/// Snaps a coarse edge (on the photo, px) to where the thing's own colours end. Places a pixel apart, in order.
pub fn snapped(
    photo: &Photo,
    quads: &[Quad],
    coarse: &[Point2<f64>],
    outside: Vector2<f64>,
    mm_per_px: f64,
) -> Result<Vec<EdgePoint>, SectionError> {
    let columns =
        Columns::along(coarse, (2.0 / mm_per_px).max(6.0), outside).ok_or(SectionError::Faint)?;
    let half = ((REACH_MM / mm_per_px) as usize).clamp(8, 60) + 6;
    let strip = columns.strip(photo, quads, half);
    let n = columns.centre.len();
    let rows = strip.rows;
    let pixels: Vec<Option<Vector3<f64>>> = strip.cells.iter().map(shade).collect();
    // Averaged along the edge: noise of pixels, grain, pins of a comb.
    let along = ((0.6 / mm_per_px) as usize).max(1);
    let shades: Vec<Option<Vector3<f64>>> = (0..n * rows)
        .map(|i| {
            let (c, r) = (i / rows, i % rows);
            pixels[i]?;
            let near = (c.saturating_sub(along)..(c + along + 1).min(n))
                .filter_map(|d| pixels[d * rows + r]);
            let (mut sum, mut m) = (Vector3::zeros(), 0.0);
            for v in near {
                sum += v;
                m += 1.0;
            }
            Some(sum / f64::max(m, 1.0))
        })
        .collect();
    // The thing's own colours beside each stretch of the edge: from well inside.
    let (from, to) = (0, (half as f64 * 0.5) as usize);
    let block = ((4.0 / mm_per_px) as usize).max(12);
    let mut own: Vec<Vector3<f64>> = Vec::new();
    let mut scatter = Vec::new();
    for start in (0..n).step_by(block) {
        let (a, b) = (start.saturating_sub(block), (start + 2 * block).min(n));
        let cells: Vec<Vector3<f64>> = (a..b)
            .flat_map(|c| (from..to).map(move |r| (c, r)))
            .filter_map(|(c, r)| shades[c * rows + r])
            .collect();
        let middle = Vector3::from_fn(|k, _| {
            median(&mut cells.iter().map(|v| v[k]).collect()).unwrap_or(0.0)
        });
        scatter.extend(cells.iter().step_by(5).map(|v| v - middle));
        own.push(middle);
    }
    let least = [0.06, 0.02, 0.02];
    let sd = Vector3::from_fn(|k, _| {
        let off: Vec<f64> = scatter.iter().map(|v| v[k]).collect();
        crate::solve::robust::spread(&off)
            .unwrap_or(0.0)
            .hypot(least[k])
    });
    let far: Vec<f64> = (0..n * rows)
        .map(|i| {
            let m = own[((i / rows) / block).min(own.len() - 1)];
            shades[i].map_or(f64::NAN, |v| {
                (v - m).component_div(&sd).norm_squared().min(CAP)
            })
        })
        .collect();
    let mut cost = vec![f32::NAN; n * rows];
    for (cost, far) in cost.chunks_mut(rows).zip(far.chunks(rows)) {
        // Up to the edge all is like the thing; beyond it the next few pixels are not, be it a shadow's line alone.
        let unlike: Vec<f64> = far
            .iter()
            .map(|f| if f.is_finite() { *f } else { CAP } - 0.5 * CAP)
            .collect();
        let mut inside = 0.0;
        let mut outside: f64 = unlike.iter().take(BESIDE).sum();
        for (r, cost) in cost.iter_mut().enumerate() {
            // What a card covers says nothing of the thing under it.
            if far[r].is_finite() {
                inside += unlike[r].max(0.0);
            }
            outside += unlike.get(r + BESIDE).copied().unwrap_or(0.5 * CAP) - unlike[r];
            *cost = ((inside - outside) / CAP) as f32 + 0.5 * BESIDE as f32;
        }
    }
    let path = cheapest_path(
        &CostGrid {
            rows,
            columns: n,
            cost: &cost,
        },
        &PathOptions {
            jump: 2,
            slope_cost: 0.4,
            bend_cost: 0.0,
            gap_cost: 8.0,
        },
    )
    .ok_or(SectionError::Faint)?;
    // The cost of a row is the sum up to and with it: the edge lies half a row further out.
    let off: Vec<f64> = path
        .rows
        .iter()
        .map(|r| *r as f64 + 0.5 - half as f64)
        .collect();
    // Where it is there: like the thing inside, unlike outside.
    let clear: Vec<bool> = (0..n)
        .map(|c| {
            let at = path.rows[c];
            let mean = |a: usize, b: usize| {
                let seen: Vec<f64> = (a..b.min(rows))
                    .map(|r| far[c * rows + r])
                    .filter(|v| v.is_finite())
                    .collect();
                (seen.len() >= 2).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
            };
            // A sharpened photo has a bright rim along the edge: not its last pixels.
            let deep = mean(at.saturating_sub(9), at.saturating_sub(2));
            match (deep, mean(at + 1, at + 5)) {
                (Some(inside), Some(outside)) => {
                    inside < 0.6 * CAP && outside > inside + 0.12 * CAP
                }
                _ => false,
            }
        })
        .collect();
    let window = ((1.0 / mm_per_px) as usize).max(3);
    let good = |c: usize| {
        let (a, b) = (c.saturating_sub(window), (c + window + 1).min(n));
        2 * (a..b).filter(|k| clear[*k]).count() > b - a
    };
    // From the middle outward, over gaps of a few millimetres (a speck, a finger), to where it ends.
    let gap = ((4.0 / mm_per_px) as usize).max(8);
    let start = (0..n)
        .filter(|c| good(*c))
        .min_by_key(|c| c.abs_diff(n / 2))
        .ok_or(SectionError::Faint)?;
    let (mut first, mut last) = (start, start);
    for c in (0..start).rev() {
        if good(c) {
            first = c;
        } else if first - c > gap {
            break;
        }
    }
    for c in start..n {
        if good(c) {
            last = c;
        } else if c - last > gap {
            break;
        }
    }
    Ok((first..=last)
        .filter(|c| clear[*c])
        .map(|c| EdgePoint {
            px: Px(columns.px(c, off[c])),
            outward: columns.outward[c],
        })
        .collect())
}

/// Snapped places moved to where the light is halfway between both sides. Only for an edge with open light beyond it: on a
/// bench the shadow of its contact would pass for the edge. Places where halfway is not seen are left out.
pub fn halved(photo: &Photo, quads: &[Quad], snapped: &[EdgePoint]) -> Vec<EdgePoint> {
    /// Rows on either side, and from where on a side's own light is taken, px.
    const HALF: usize = 10;
    const BESIDE: usize = 5;
    let strip = Strip::sample(
        photo,
        snapped.len(),
        2 * HALF + 1,
        Coding::Linear,
        |c, r| {
            let p = &snapped[c];
            let at = p.px.0 + p.outward * (r as f64 - HALF as f64);
            (!masked(quads, at)).then_some(at)
        },
    );
    let side = |c: usize, rows: std::ops::Range<usize>, k: usize| -> Option<f64> {
        let mut seen: Vec<f64> = (strip.column(c)[rows].iter())
            .map(|cell| f64::from(cell[k]))
            .filter(|v| v.is_finite())
            .collect();
        (seen.len() >= 3).then(|| median(&mut seen)).flatten()
    };
    let sides = |c: usize, k: usize| {
        side(c, 0..HALF - BESIDE + 1, k).zip(side(c, HALF + BESIDE - 1..2 * HALF + 1, k))
    };
    // The light whose step stands out most from its own changes along the edge; brightness where it is about as good, for colour
    // is often stored at half size.
    let clear = |k: usize| -> f64 {
        let steps: Vec<f64> = (0..snapped.len())
            .step_by(3)
            .filter_map(|c| sides(c, k).map(|(a, b)| b - a))
            .collect();
        centre_and_spread(&steps).map_or(0.0, |(m, sd)| m.abs() / (sd + 0.02 * m.abs() + 1e-3))
    };
    let light = (0..3)
        .map(|k| (clear(k), k))
        .fold((1.5 * clear(3), 3), |a, b| if b.0 > a.0 { b } else { a })
        .1;
    (0..snapped.len())
        .filter_map(|c| {
            let (inside, outside) = sides(c, light)?;
            let share =
                |r: usize| (f64::from(strip.column(c)[r][light]) - inside) / (outside - inside);
            let (r, a, b) = (0..2 * HALF)
                .map(|r| (r, share(r), share(r + 1)))
                .find(|(_, a, b)| *a < 0.5 && *b >= 0.5)?;
            let off = r as f64 + (0.5 - a) / (b - a) - HALF as f64;
            let p = &snapped[c];
            Some(EdgePoint {
                px: Px(p.px.0 + p.outward * off),
                outward: p.outward,
            })
        })
        .collect()
}
