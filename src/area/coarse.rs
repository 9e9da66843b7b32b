//! The area in coarse cells: wide enough for noise to fall out, narrow enough for a shadow's edge.

use super::bowl::Bowl;
use super::plan::{DARK, Plan};
use super::soft::smooth;

/// Side of a coarse cell, mm.
const COARSE_MM: f64 = 1.4;

/// Coarse cells: means of blocks of fine ones.
pub struct Coarse {
    pub by: usize,
    /// Side, mm.
    pub mm: f64,
    pub width: usize,
    pub height: usize,
    /// Logarithm of the mean light; NaN without cells.
    pub log: Vec<[f32; 3]>,
}

impl Coarse {
    pub fn new(plan: &Plan) -> Coarse {
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
    pub fn of_fine(&self, plan: &Plan, i: usize) -> Option<usize> {
        let (x, y) = (i % plan.width / self.by, i / plan.width / self.by);
        (x < self.width && y < self.height).then_some(y * self.width + x)
    }

    /// Up to four coarse cells about a fine one that `counts` lets pass, with their shares (bilinear); where none does the
    /// nearest of all.
    pub fn between(&self, x: usize, y: usize, counts: impl Fn(usize) -> bool) -> [(usize, f32); 4] {
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
    pub fn fine(&self, i: usize) -> (f64, f64) {
        let half = (self.by as f64 - 1.0) / 2.0;
        (
            (i % self.width * self.by) as f64 + half,
            (i / self.width * self.by) as f64 + half,
        )
    }
}

/// Difference of a coarse cell from the surface.
pub fn off(coarse: &Coarse, bowl: &Bowl, i: usize) -> [f32; 3] {
    let (x, y) = coarse.fine(i);
    let level = bowl.at(x, y);
    [0, 1, 2].map(|k| coarse.log[i][k] - level[k])
}

pub fn mean(d: [f32; 3]) -> f32 {
    (d[0] + d[1] + d[2]) / 3.0
}
