//! The light's smooth fall over an area: a surface of third order in the logarithm of light.

use crate::solve::robust::{spread, tukey};
use nalgebra::{DMatrix, DVector, Point2};

/// Terms of a surface of third order.
const TERMS: usize = 10;

/// A smooth surface of third order over cell coordinates scaled to about ±1.
#[derive(Debug, Clone)]
pub struct Bowl {
    scale: f64,
    middle: Point2<f64>,
    terms: [[f64; TERMS]; 3],
    /// What a cast shadow adds to it.
    pub shade: [f64; 3],
}

/// A cell that the surface is fitted to.
pub struct Sample {
    pub x: f64,
    pub y: f64,
    pub log: [f32; 3],
    pub shaded: bool,
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

    pub fn at(&self, x: f64, y: f64) -> [f32; 3] {
        let row = self.row(x, y);
        self.terms
            .map(|t| t.iter().zip(row).map(|(a, b)| a * b).sum::<f64>() as f32)
    }

    /// Robust least squares: cells far off the surface lose their weight (Tukey's biweight). Shaded cells share the surface,
    /// lower by a constant. `None` with too few cells.
    pub fn fit(width: usize, height: usize, cells: &[Sample]) -> Option<Bowl> {
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
