//! Which light shows an edge best: one of the colours, brightness, or a mixture of colours.
//!
//! On red primer blue tape has no edge in brightness; in a photo of halved chroma (4:2:0) an edge seen mainly in colour is
//! displaced. Which of the two rules can't be told beforehand, so several lights are tried on the photo itself and the one
//! whose edge runs smoothest and fits its model best is kept (`edge::choose`).

use super::strip::{Cell, Strip};
use crate::photo::srgb::encode;
use nalgebra::{Matrix3, Vector3};

/// What of a cell's light is looked at.
#[derive(Debug, Clone, PartialEq)]
pub enum Light {
    /// A linear mixture of red, green, blue.
    Mixture([f32; 3]),
    /// Brightness as the file stores it (Y'), read as the share of the lower side's colour in the cell: `shares` at 256 even
    /// steps of Y'. A JPEG keeps Y' at full size, but Y' of a mixture of two colours is not the mixture of their Y'; the
    /// two colours being known, the share follows from it all the same.
    Brightness {
        /// Share of the lower side at Y' = 0, 1/255, …, 1; beyond the two sides' own values continued straight.
        shares: Vec<f32>,
    },
}

/// A strip of one number a cell, `values[column * rows + row]`.
#[derive(Debug, Clone)]
pub struct Grey {
    /// Cells along.
    pub columns: usize,
    /// Cells across.
    pub rows: usize,
    /// The values; NaN where blank.
    pub values: Vec<f32>,
}

/// The strip seen in one light.
pub fn seen_in(strip: &Strip, light: &Light) -> Grey {
    let values = match light {
        Light::Mixture(w) => strip
            .cells
            .iter()
            .map(|c| w[0] * c[0] + w[1] * c[1] + w[2] * c[2])
            .collect(),
        Light::Brightness { shares } => strip
            .cells
            .iter()
            .map(|c| {
                if c[3].is_nan() {
                    return f32::NAN;
                }
                let at = 255.0 * encode(f64::from(c[3])).clamp(0.0, 1.0);
                let i = (at as usize).min(254);
                let f = (at - i as f64) as f32;
                shares[i] * (1.0 - f) + shares[i + 1] * f
            })
            .collect(),
    };
    Grey {
        columns: strip.columns,
        rows: strip.rows,
        values,
    }
}

/// Y' of linear red, green and blue (ITU-R BT.601 weights, JFIF 1.02).
fn luma(rgb: [f64; 3]) -> f64 {
    0.299 * encode(rgb[0]) + 0.587 * encode(rgb[1]) + 0.114 * encode(rgb[2])
}

/// How Y' tells the share of the lower side's colour; `None` when the two sides' mixtures are hardly told apart by it, or not
/// in order.
fn shares(sides: &Sides) -> Option<Vec<f32>> {
    const STEPS: usize = 64;
    let mix = |t: f64| {
        luma(std::array::from_fn(|i| {
            f64::from(sides.above[i]) * (1.0 - t) + f64::from(sides.below[i]) * t
        }))
    };
    let curve: Vec<f64> = (0..=STEPS).map(|k| mix(k as f64 / STEPS as f64)).collect();
    let (first, last) = (curve[0], curve[STEPS]);
    let rise = last - first;
    let ordered = curve
        .windows(2)
        .all(|p| (p[1] - p[0]) * rise > 0.05 * rise * rise / STEPS as f64);
    if rise.abs() < 0.01 || !ordered {
        return None;
    }
    let slope_at = |k: usize| (curve[k + 1] - curve[k]) * STEPS as f64;
    let share = |y: f64| {
        let along = (y - first) / rise;
        if along <= 0.0 {
            return (y - first) / slope_at(0);
        }
        if along >= 1.0 {
            return 1.0 + (y - last) / slope_at(STEPS - 1);
        }
        let k = curve
            .partition_point(|c| (c - first) / rise <= along)
            .clamp(1, STEPS);
        (k as f64 - 1.0 + (y - curve[k - 1]) / (curve[k] - curve[k - 1])) / STEPS as f64
    };
    Some((0..256).map(|v| share(v as f64 / 255.0) as f32).collect())
}

/// Median colours above and below and the scatter of colours within each side.
#[derive(Debug, Clone, Copy)]
pub struct Sides {
    /// Median above (smaller row), red green blue brightness.
    pub above: Cell,
    /// Median below.
    pub below: Cell,
    /// Mean covariance of red, green, blue within a side.
    pub scatter: Matrix3<f64>,
}

/// Colours of both sides, rows `near..far` cells from `middle(column)`, over the columns marked usable.
pub fn sides(strip: &Strip, middle: &[f64], usable: &[bool], near: f64, far: f64) -> Option<Sides> {
    let mut above: Vec<Cell> = Vec::new();
    let mut below: Vec<Cell> = Vec::new();
    for column in (0..strip.columns).step_by(3) {
        if !usable[column] {
            continue;
        }
        for (row, cell) in strip.column(column).iter().enumerate() {
            let off = row as f64 - middle[column];
            if cell[0].is_nan() || off.abs() < near || off.abs() > far {
                continue;
            }
            if off < 0.0 {
                above.push(*cell)
            } else {
                below.push(*cell)
            }
        }
    }
    if above.len() < 20 || below.len() < 20 {
        return None;
    }
    let scatter = (spread(&above) + spread(&below)) * 0.5;
    Some(Sides {
        above: median(&mut above),
        below: median(&mut below),
        scatter,
    })
}

fn median(cells: &mut [Cell]) -> Cell {
    std::array::from_fn(|i| {
        let middle = cells.len() / 2;
        cells
            .select_nth_unstable_by(middle, |a, b| a[i].total_cmp(&b[i]))
            .1[i]
    })
}

fn spread(cells: &[Cell]) -> Matrix3<f64> {
    let n = cells.len() as f64;
    let vector = |c: &Cell| Vector3::new(c[0] as f64, c[1] as f64, c[2] as f64);
    let mean = cells.iter().map(vector).sum::<Vector3<f64>>() / n;
    cells
        .iter()
        .map(|c| (vector(c) - mean) * (vector(c) - mean).transpose())
        .sum::<Matrix3<f64>>()
        / n
}

/// Lights worth trying: red, green, blue, brightness, along the difference of the sides, and along the difference with the
/// sides' own mottle discounted (Fisher 1936). Each is scaled so that below less above is about +1 where it is seen.
pub fn lights(sides: &Sides) -> Vec<Light> {
    let d = Vector3::from_fn(|i, _| (sides.below[i] - sides.above[i]) as f64);
    let mut out: Vec<Light> = Vec::new();
    let mut push = |w: Vector3<f64>, step: f64| {
        if step.abs() > 1e-4 && w.iter().all(|v| v.is_finite()) {
            let w = w / step;
            out.push(Light::Mixture([w.x as f32, w.y as f32, w.z as f32]));
        }
    };
    for i in 0..3 {
        push(
            Vector3::from_fn(|k, _| if k == i { 1.0 } else { 0.0 }),
            d[i],
        );
    }
    push(d, d.norm_squared());
    // Discounting mottle must not be trusted beyond the noise of the pixels themselves.
    let floor = 1e-6 + 0.02 * sides.scatter.trace() / 3.0;
    if let Some(inverse) = (sides.scatter + Matrix3::identity() * floor).try_inverse() {
        let w = inverse * d;
        push(w, w.dot(&d));
    }
    out.extend(shares(sides).map(|shares| Light::Brightness { shares }));
    out
}
