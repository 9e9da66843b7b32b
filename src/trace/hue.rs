//! Which light shows an edge best: one of the colours, brightness, or a mixture of colours.
//!
//! On red primer blue tape has no edge in brightness; in a photo of halved chroma (4:2:0) an edge seen mainly in colour is
//! displaced. Which of the two rules can't be told beforehand, so several lights are tried on the photo itself and the one
//! whose edge runs smoothest and fits its model best is kept (`edge::choose`).

use super::strip::{Cell, Strip};
use nalgebra::{Matrix3, Vector3};

/// A linear mixture of a cell's red, green, blue and brightness.
pub type Light = [f32; 4];

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
    let values = strip
        .cells
        .iter()
        .map(|c| light[0] * c[0] + light[1] * c[1] + light[2] * c[2] + light[3] * c[3])
        .collect();
    Grey { columns: strip.columns, rows: strip.rows, values }
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
            if off < 0.0 { above.push(*cell) } else { below.push(*cell) }
        }
    }
    if above.len() < 20 || below.len() < 20 {
        return None;
    }
    let scatter = (spread(&above) + spread(&below)) * 0.5;
    Some(Sides { above: median(&mut above), below: median(&mut below), scatter })
}

fn median(cells: &mut [Cell]) -> Cell {
    std::array::from_fn(|i| {
        let middle = cells.len() / 2;
        cells.select_nth_unstable_by(middle, |a, b| a[i].total_cmp(&b[i])).1[i]
    })
}

fn spread(cells: &[Cell]) -> Matrix3<f64> {
    let n = cells.len() as f64;
    let vector = |c: &Cell| Vector3::new(c[0] as f64, c[1] as f64, c[2] as f64);
    let mean = cells.iter().map(vector).sum::<Vector3<f64>>() / n;
    cells.iter().map(|c| (vector(c) - mean) * (vector(c) - mean).transpose()).sum::<Matrix3<f64>>() / n
}

/// Lights worth trying: red, green, blue, brightness, along the difference of the sides, and along the difference with the
/// sides' own mottle discounted (Fisher 1936). Each is scaled so that below less above is about +1 where it is seen.
pub fn lights(sides: &Sides) -> Vec<Light> {
    let d = Vector3::from_fn(|i, _| (sides.below[i] - sides.above[i]) as f64);
    let brightness = (sides.below[3] - sides.above[3]) as f64;
    let mut out: Vec<Light> = Vec::new();
    let mut push = |w: Vector3<f64>, step: f64| {
        if step.abs() > 1e-4 && w.iter().all(|v| v.is_finite()) {
            let w = w / step;
            out.push([w.x as f32, w.y as f32, w.z as f32, 0.0]);
        }
    };
    for i in 0..3 {
        push(Vector3::from_fn(|k, _| if k == i { 1.0 } else { 0.0 }), d[i]);
    }
    push(d, d.norm_squared());
    // Discounting mottle must not be trusted beyond the noise of the pixels themselves.
    let floor = 1e-6 + 0.02 * sides.scatter.trace() / 3.0;
    if let Some(inverse) = (sides.scatter + Matrix3::identity() * floor).try_inverse() {
        let w = inverse * d;
        push(w, w.dot(&d));
    }
    if brightness.abs() > 1e-4 {
        out.push([0.0, 0.0, 0.0, (1.0 / brightness) as f32]);
    }
    out
}
