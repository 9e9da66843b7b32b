//! The bench round the card, seen from straight above: how much each spot differs from the bench.
//!
//! A coarse map in card millimetres. What is looked at are logarithms of linear light: brightness and two ratios of
//! colours, in which light that falls off is a smooth sum and the grain of wood hardly shows in the ratios. The bench is a
//! quadric in each of the three, fitted robustly (most of what surrounds a card is bench), with the covariance of what
//! scatters about it; a spot's distance from the bench is Mahalanobis's (1936).

use crate::area::mask::Patch;
use crate::photo::Photo;
use crate::photo::srgb::to_linear;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::units::{Mm, Px};
use nalgebra::{DMatrix, DVector, Matrix3, Point2, Vector3};
use rayon::prelude::*;

/// Side of a cell, mm.
pub const CELL_MM: f64 = 0.6;
/// How far beside the card an object may lie, mm: the far side of a comb that lies a hand's breadth away.
const REACH_MM: f64 = 170.0;
/// Light added before the logarithm: a dark spot's noise must not blow up.
pub const LIFT: f64 = 0.015;
/// Least scatter of brightness and of colour ratios, one standard deviation (ours, no source).
const LEAST_BRIGHT: f64 = 0.03;
const LEAST_COLOUR: f64 = 0.006;
/// The same of colour ratios in steps of eight bits, which weigh more in the dark: a uniform rounding's standard deviation.
/// Colours are rounded over whole blocks of a file, so that averaging over spots does not help.
const LEAST_STEPS: f64 = 0.29;

/// Least scatter about a bench of a brightness (logarithm of linear light).
fn least(brightness: f64) -> [f64; 3] {
    let light = (brightness.exp() - LIFT).clamp(1e-3, 1.0);
    // sRGB's curve is about a power of 2.2: what a step of 1/255 changes in the logarithm.
    let step = 2.2 * light.powf(1.0 - 1.0 / 2.2) / 255.0 / (light + LIFT);
    let colour = LEAST_COLOUR.max(LEAST_STEPS * step);
    [LEAST_BRIGHT, colour, colour]
}

/// The map.
#[derive(Debug, Clone)]
pub struct Ground {
    /// Cells along the card's x.
    pub columns: usize,
    /// Cells along the card's y.
    pub rows: usize,
    /// Card place of the first cell's middle, mm.
    pub origin: Point2<f64>,
    /// Each cell less the bench there: brightness, red over green, blue over green, logarithms; `None` off the photo or
    /// under a card.
    pub off: Vec<Option<Vector3<f64>>>,
    /// Covariance of the bench about its quadric.
    pub scatter: Matrix3<f64>,
    /// Least scatter, one standard deviation.
    least: [f64; 3],
}

impl Ground {
    /// Card place of a cell's middle.
    pub fn mm(&self, column: usize, row: usize) -> Mm {
        Mm::new(
            self.origin.x + column as f64 * CELL_MM,
            self.origin.y + row as f64 * CELL_MM,
        )
    }

    /// The rectangle of a patch of the map.
    pub fn cropped(&self, patch: &Patch) -> Ground {
        Ground {
            columns: patch.mask.width,
            rows: patch.mask.height,
            origin: self.mm(patch.x, patch.y).0,
            off: (0..patch.mask.cells.len())
                .map(|i| self.off[patch.index(i)])
                .collect(),
            ..*self
        }
    }

    /// The cell at a card place, `None` off the map.
    pub fn cell(&self, at: Point2<f64>) -> Option<usize> {
        let x = ((at.x - self.origin.x) / CELL_MM).round();
        let y = ((at.y - self.origin.y) / CELL_MM).round();
        let there = x >= 0.0 && y >= 0.0 && (x as usize) < self.columns && (y as usize) < self.rows;
        there.then(|| y as usize * self.columns + x as usize)
    }

    /// Squared distance of each spot from the bench, over squares of `2 half + 1` cells: colours averaged there, by the
    /// scatter of such averages (noise of pixels goes down, mottle stays); 0 where nothing is seen.
    pub fn distance2(&self, half: usize) -> Vec<f64> {
        let part = |k: usize| {
            let own: Vec<Option<f64>> = self.off.iter().map(|o| o.map(|o| o[k])).collect();
            averaged(&own, self.columns, self.rows, half)
        };
        let (l, (r, b)) = rayon::join(|| part(0), || rayon::join(|| part(1), || part(2)));
        let mean: Vec<Option<Vector3<f64>>> = (0..l.len())
            .map(|i| self.off[i].map(|_| Vector3::new(l[i], r[i], b[i])))
            .collect();
        let step = (mean.len() / 20_000).max(1);
        let picked: Vec<Vector3<f64>> = mean.iter().step_by(step).flatten().copied().collect();
        let inverse = scatter_of(&picked, self.least).and_then(|s| s.try_inverse());
        let Some(inverse) = inverse else {
            return vec![0.0; mean.len()];
        };
        mean.par_iter()
            .map(|o| o.map_or(0.0, |o| (o.transpose() * inverse * o)[0]))
            .collect()
    }
}

/// Covariance about nothing of what is most of the values: Tukey's weight at four standard deviations.
fn scatter_of(values: &[Vector3<f64>], least: [f64; 3]) -> Option<Matrix3<f64>> {
    let floor = Matrix3::from_diagonal(&Vector3::from_fn(|k, _| least[k] * least[k]));
    let mut scatter = Matrix3::from_diagonal(&Vector3::from_fn(|k, _| {
        let own: Vec<f64> = values.iter().map(|v| v[k]).collect();
        crate::solve::robust::spread(&own).unwrap_or(0.0).powi(2)
    })) + floor;
    for _ in 0..6 {
        let inverse = scatter.try_inverse()?;
        let (mut sum, mut total) = (Matrix3::zeros(), 0.0);
        for v in values {
            let d2 = (v.transpose() * inverse * v)[0];
            let w = if d2 < 16.0 {
                (1.0 - d2 / 16.0).powi(2)
            } else {
                0.0
            };
            sum += v * v.transpose() * w;
            total += w;
        }
        // A Gaussian cut off so loses a quarter of its variance.
        scatter = sum * (1.3 / f64::max(total, 1.0)) + floor;
    }
    Some(scatter)
}

/// Means over squares of `2 half + 1` cells of what is seen there; 0 where the middle itself is not seen.
pub fn averaged(values: &[Option<f64>], columns: usize, rows: usize, half: usize) -> Vec<f64> {
    // Sums from the corner (Crow 1984, from memory).
    let wide = columns + 1;
    let mut sum = vec![(0.0, 0.0); wide * (rows + 1)];
    for y in 0..rows {
        let mut row = (0.0, 0.0);
        for x in 0..columns {
            if let Some(v) = values[y * columns + x] {
                row = (row.0 + v, row.1 + 1.0);
            }
            let above = sum[y * wide + x + 1];
            sum[(y + 1) * wide + x + 1] = (above.0 + row.0, above.1 + row.1);
        }
    }
    (0..rows * columns)
        .map(|i| {
            if values[i].is_none() {
                return 0.0;
            }
            let (x, y) = (i % columns, i / columns);
            let (x0, y0) = (x.saturating_sub(half), y.saturating_sub(half));
            let (x1, y1) = ((x + half + 1).min(columns), (y + half + 1).min(rows));
            let part = |f: fn(&(f64, f64)) -> f64| {
                f(&sum[y1 * wide + x1]) - f(&sum[y0 * wide + x1]) - f(&sum[y1 * wide + x0])
                    + f(&sum[y0 * wide + x0])
            };
            part(|s| s.0) / part(|s| s.1).max(1.0)
        })
        .collect()
}

/// Looks at the bench round the cards; `None` when hardly any of it is in the photo.
pub fn look(photo: &Photo, scale: &Scale, quads: &[Quad]) -> Option<Ground> {
    let (mut low, mut high) = (
        Point2::new(f64::MAX, f64::MAX),
        Point2::new(f64::MIN, f64::MIN),
    );
    for corner in quads.iter().flatten() {
        let mm = scale.mm_from_px(Px(*corner))?.0;
        low = Point2::new(low.x.min(mm.x), low.y.min(mm.y));
        high = Point2::new(high.x.max(mm.x), high.y.max(mm.y));
    }
    // Not beyond the photo.
    let (w, h) = (photo.width as f64, photo.height as f64);
    let (mut seen_low, mut seen_high) = (high, low);
    for k in 0..=8 {
        let t = f64::from(k) / 8.0;
        for p in [
            Point2::new(t * w, 0.0),
            Point2::new(t * w, h),
            Point2::new(0.0, t * h),
            Point2::new(w, t * h),
        ] {
            if let Some(mm) = scale.mm_from_px(Px(p)) {
                seen_low = Point2::new(seen_low.x.min(mm.0.x), seen_low.y.min(mm.0.y));
                seen_high = Point2::new(seen_high.x.max(mm.0.x), seen_high.y.max(mm.0.y));
            }
        }
    }
    let from = Point2::new(
        (low.x - REACH_MM).max(seen_low.x),
        (low.y - REACH_MM).max(seen_low.y),
    );
    let to = Point2::new(
        (high.x + REACH_MM).min(seen_high.x),
        (high.y + REACH_MM).min(seen_high.y),
    );
    let columns = ((to.x - from.x) / CELL_MM).ceil() as i64;
    let rows = ((to.y - from.y) / CELL_MM).ceil() as i64;
    if !(20..4000).contains(&columns) || !(20..4000).contains(&rows) {
        return None;
    }
    let (columns, rows) = (columns as usize, rows as usize);
    let seen: Vec<Option<Vector3<f64>>> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|y| {
            // Photo places of every eighth cell, straight between them.
            let at = move |x: usize| {
                scale.px_from_mm(Mm::new(
                    from.x + x as f64 * CELL_MM,
                    from.y + y as f64 * CELL_MM,
                ))
            };
            let mut knot = (at(0), at(8));
            (0..columns).map(move |x| {
                if x % 8 == 0 && x > 0 {
                    knot = (knot.1, at(x + 8));
                }
                let (a, b) = (knot.0?.0, knot.1?.0);
                let p = a + (b - a) * ((x % 8) as f64 / 8.0);
                if masked(quads, p) {
                    return None;
                }
                cell(photo, p)
            })
        })
        .collect();
    model(columns, rows, from, seen)
}

/// A cell's light: five pixels about its middle.
fn cell(photo: &Photo, p: Point2<f64>) -> Option<Vector3<f64>> {
    let (x, y) = (p.x.round(), p.y.round());
    if !(x >= 1.0 && y >= 1.0) {
        return None;
    }
    let (x, y) = (x as usize, y as usize);
    if x + 1 >= photo.width || y + 1 >= photo.height {
        return None;
    }
    let mut sum = [0.0f32; 3];
    for (dx, dy) in [(1, 1), (0, 0), (2, 0), (0, 2), (2, 2)] {
        for (s, v) in sum.iter_mut().zip(photo.rgb_at(x + dx - 1, y + dy - 1)) {
            *s += to_linear(v);
        }
    }
    let [r, g, b] = sum.map(|s| f64::from((s / 5.0 + LIFT as f32).ln()));
    Some(Vector3::new((r + g + b) / 3.0, r - g, b - g))
}

/// Fits the bench and takes it off.
fn model(
    columns: usize,
    rows: usize,
    origin: Point2<f64>,
    seen: Vec<Option<Vector3<f64>>>,
) -> Option<Ground> {
    let place = |i: usize| {
        (
            2.0 * (i % columns) as f64 / columns as f64 - 1.0,
            2.0 * (i / columns) as f64 / rows as f64 - 1.0,
        )
    };
    let row = |i: usize| {
        let (x, y) = place(i);
        [1.0, x, y, x * x, x * y, y * y]
    };
    let step = (seen.len() / 20_000).max(1);
    let picked: Vec<(usize, Vector3<f64>)> = (0..seen.len())
        .step_by(step)
        .filter_map(|i| seen[i].map(|v| (i, v)))
        .collect();
    if picked.len() < 300 {
        return None;
    }
    let least = least(crate::solve::robust::median(
        &mut picked.iter().map(|p| p.1[0]).collect(),
    )?);
    let mut weight = vec![1.0; picked.len()];
    let mut surface = DMatrix::<f64>::zeros(6, 3);
    let mut scatter = Matrix3::identity();
    for round in 0..10 {
        let mut normal = DMatrix::<f64>::zeros(6, 6);
        let mut side = DMatrix::<f64>::zeros(6, 3);
        for ((i, v), w) in picked.iter().zip(&weight) {
            let b = DVector::from_row_slice(&row(*i));
            normal.ger(*w, &b, &b, 1.0);
            for k in 0..3 {
                side.column_mut(k).axpy(*w * v[k], &b, 1.0);
            }
        }
        for k in 0..6 {
            normal[(k, k)] += 1e-9 * picked.len() as f64;
        }
        surface = normal.cholesky()?.solve(&side);
        let off: Vec<Vector3<f64>> = picked
            .iter()
            .map(|(i, v)| v - at(&surface, &row(*i)))
            .collect();
        scatter = if round < 2 {
            Matrix3::from_diagonal(&Vector3::from_fn(|k, _| {
                let own: Vec<f64> = off.iter().map(|o| o[k]).collect();
                let sd = crate::solve::robust::spread(&own).unwrap_or(0.0);
                sd * sd + least[k] * least[k]
            }))
        } else {
            let total: f64 = weight.iter().sum();
            // A Gaussian cut off at four standard deviations by Tukey's weight loses a quarter of its variance.
            let own: Matrix3<f64> = off
                .iter()
                .zip(&weight)
                .map(|(o, w)| o * o.transpose() * *w)
                .sum::<Matrix3<f64>>()
                * (1.3 / total.max(1.0));
            own + Matrix3::from_diagonal(&Vector3::from_fn(|k, _| least[k] * least[k]))
        };
        let inverse = scatter.try_inverse()?;
        for (w, o) in weight.iter_mut().zip(&off) {
            let d2 = (o.transpose() * inverse * o)[0];
            *w = if d2 < 16.0 {
                (1.0 - d2 / 16.0).powi(2)
            } else {
                0.0
            };
        }
    }
    let off = seen
        .into_par_iter()
        .enumerate()
        .map(|(i, v)| v.map(|v| v - at(&surface, &row(i))))
        .collect();
    Some(Ground {
        columns,
        rows,
        origin,
        off,
        scatter,
        least,
    })
}

fn at(surface: &DMatrix<f64>, row: &[f64; 6]) -> Vector3<f64> {
    Vector3::from_fn(|k, _| {
        row.iter()
            .enumerate()
            .map(|(j, r)| r * surface[(j, k)])
            .sum()
    })
}
