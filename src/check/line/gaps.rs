//! Where panels meet: the step and the turn across each gap, from straight lines on both sides.

use super::Gap;
use super::noise::mean_step;
use super::shape::{Run, Shape};
use crate::units::Measured;
use nalgebra::DVector;

/// Reach of the straight lines on each side of a gap, mm.
const GAP_REACH_MM: f64 = 200.0;

/// Step and angle across each gap.
pub fn gaps(shape: &Shape) -> Vec<Gap> {
    let start = shape.runs[0].s_mm[0];
    let mut out = Vec::new();
    let mut at = 0;
    for pair in shape.runs.windows(2) {
        let (left, right) = (&pair[0], &pair[1]);
        let (a, b) = (left.s_mm[left.s_mm.len() - 1], right.s_mm[0]);
        let middle = 0.5 * (a + b);
        let l: Vec<usize> = (0..left.s_mm.len())
            .filter(|i| left.s_mm[*i] >= a - GAP_REACH_MM)
            .collect();
        let r: Vec<usize> = (0..right.s_mm.len())
            .filter(|i| right.s_mm[*i] <= b + GAP_REACH_MM)
            .collect();
        let left_at = at;
        let right_at = at + left.s_mm.len();
        at = right_at;
        let weights = |run: &Run, of: &[usize]| -> Option<(Vec<f64>, Vec<f64>)> {
            let s: Vec<f64> = of.iter().map(|i| run.s_mm[*i]).collect();
            let n = s.len() as f64;
            let mean = s.iter().sum::<f64>() / n;
            let lever = s.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
            (n >= 6.0 && lever > 1.0).then(|| {
                (
                    s.iter()
                        .map(|x| 1.0 / n + (middle - mean) * (x - mean) / lever)
                        .collect(),
                    s.iter().map(|x| (x - mean) / lever).collect(),
                )
            })
        };
        let (Some(wl), Some(wr)) = (weights(left, &l), weights(right, &r)) else {
            continue;
        };
        let value = |run: &Run, of: &[usize], w: &[f64]| {
            of.iter()
                .zip(w)
                .map(|(i, w)| run.smooth_mm[*i] * w)
                .sum::<f64>()
        };
        let step = value(right, &r, &wr.0) - value(left, &l, &wl.0);
        let slope = value(right, &r, &wr.1) - value(left, &l, &wl.1);
        let u = |wl: &[f64], wr: &[f64]| {
            let noise = edge_u(shape, left, &l, wl).powi(2) + edge_u(shape, right, &r, wr).powi(2);
            let mut g = DVector::zeros(shape.placed.slopes[0][0].len());
            for (of, base, w, sign) in [(&l, left_at, wl, -1.0), (&r, right_at, wr, 1.0)] {
                for (i, w) in of.iter().zip(w) {
                    let [x, y] = &shape.placed.slopes[base + i];
                    g += (x * shape.across.x + y * shape.across.y) * (sign * w);
                }
            }
            let geometry: f64 = shape
                .placed
                .covariance
                .iter()
                .map(|(_, c)| (c * &g).dot(&g).max(0.0))
                .sum();
            (noise + geometry).sqrt()
        };
        out.push(Gap {
            at_mm: middle - start,
            width_mm: b - a,
            step_mm: Measured::from_u(step, u(&wl.0, &wr.0)),
            angle_deg: Measured::from_u(slope.atan().to_degrees(), u(&wl.1, &wr.1).to_degrees()),
        });
    }
    out
}

/// Standard uncertainty of a weighted sum of filtered heights by edge noise and texture.
fn edge_u(shape: &Shape, run: &Run, of: &[usize], w: &[f64]) -> f64 {
    let s: Vec<f64> = of.iter().map(|i| run.s_mm[*i]).collect();
    let chain =
        crate::solve::correlated::Chain::new(&s, shape.correlation_mm.max(0.5 * mean_step(&s)));
    let rough: Vec<f64> = w.iter().map(|w| w * shape.ragged_mm).collect();
    let slow = crate::solve::correlated::Chain::new(
        &s,
        shape.texture_correlation_mm.max(0.3 * shape.cutoff_mm),
    );
    let other: Vec<f64> = of
        .iter()
        .zip(w)
        .map(|(i, w)| w * run.u_edge_mm[*i])
        .collect();
    (chain.variance(0, &rough) + slow.variance(0, &other)).sqrt()
}
