//! Downhill simplex (Nelder and Mead 1965, from memory): the least value of a smooth function of two to six unknowns that
//! has no derivatives at hand. Used for likelihoods of noise, where an answer good to a percent is plenty.

/// Finds a low point near `start`; `size`: how far to look at first in each unknown; `evaluations`: most calls. A value
/// that is not finite counts as a wall. Returns the best place and its value.
pub fn lowest(
    start: &[f64],
    size: &[f64],
    evaluations: usize,
    mut value: impl FnMut(&[f64]) -> f64,
) -> (Vec<f64>, f64) {
    let n = start.len();
    let mut wall = |at: &[f64]| {
        let v = value(at);
        if v.is_nan() { f64::INFINITY } else { v }
    };
    let mut corners: Vec<(Vec<f64>, f64)> = (0..=n)
        .map(|k| {
            let mut at = start.to_vec();
            if k > 0 {
                at[k - 1] += size.get(k - 1).copied().unwrap_or(1.0);
            }
            let v = wall(&at);
            (at, v)
        })
        .collect();
    let mut left = evaluations.saturating_sub(n + 1);
    while left > 0 {
        corners.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (best, worst) = (corners[0].1, corners[n].1);
        if worst - best <= 1e-6 * (1.0 + best.abs()) {
            break;
        }
        let middle: Vec<f64> = (0..n)
            .map(|j| corners[..n].iter().map(|c| c.0[j]).sum::<f64>() / n as f64)
            .collect();
        let last = corners[n].0.clone();
        let mut along = |t: f64, left: &mut usize| {
            let at: Vec<f64> = (middle.iter().zip(&last))
                .map(|(m, w)| m + t * (m - w))
                .collect();
            *left = left.saturating_sub(1);
            let v = wall(&at);
            (at, v)
        };
        let mirrored = along(1.0, &mut left);
        let next = if mirrored.1 < best {
            let further = along(2.0, &mut left);
            if further.1 < mirrored.1 {
                further
            } else {
                mirrored
            }
        } else if mirrored.1 < corners[n - 1].1 {
            mirrored
        } else {
            let side = if mirrored.1 < worst { 0.5 } else { -0.5 };
            let inside = along(side, &mut left);
            if inside.1 < worst.min(mirrored.1) {
                inside
            } else {
                let centre = corners[0].0.clone();
                for corner in &mut corners[1..] {
                    for (x, c) in corner.0.iter_mut().zip(&centre) {
                        *x = c + 0.5 * (*x - c);
                    }
                    corner.1 = wall(&corner.0);
                }
                left = left.saturating_sub(n);
                continue;
            }
        };
        corners[n] = next;
    }
    corners
        .into_iter()
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rosenbrock's valley (1960), least value 0 at (1, 1).
    #[test]
    fn rosenbrock() {
        let valley = |p: &[f64]| 100.0 * (p[1] - p[0] * p[0]).powi(2) + (1.0 - p[0]).powi(2);
        let (at, value) = lowest(&[-1.2, 1.0], &[0.5, 0.5], 400, valley);
        assert!(value < 1e-5 && (at[0] - 1.0).abs() < 0.01, "{at:?} {value}");
    }

    #[test]
    fn walls() {
        let half = |p: &[f64]| {
            if p[0] < 1.0 {
                f64::NAN
            } else {
                p[0] + p[1] * p[1]
            }
        };
        let (at, _) = lowest(&[3.0, 2.0], &[1.0, 1.0], 300, half);
        assert!((at[0] - 1.0).abs() < 0.01 && at[1].abs() < 0.1, "{at:?}");
    }
}
