//! Least-squares adjustment with prior information, and its covariance by source.
//!
//! Every observation, photo corner or prior, is a residual in units of its own standard uncertainty, tagged with the
//! [`Part`] it stands for. With the normal matrix N = Σ N_part the covariance is N⁻¹ = Σ N⁻¹ N_part N⁻¹: each term is the
//! share of that source, and they add up exactly (law of propagation, JCGM 100:2008 5.1.2, as the estimate is linear in
//! the observations).

use crate::budget::Part;
use nalgebra::{DMatrix, DVector};

/// Residuals in units of their standard uncertainty, each with its source.
pub struct Residuals {
    /// Value, dimensionless.
    pub value: Vec<f64>,
    /// Source of each.
    pub part: Vec<Part>,
}

/// The answer of [`adjust`].
#[derive(Debug, Clone)]
pub struct Adjusted {
    /// Parameters.
    pub parameters: DVector<f64>,
    /// Share of each source in the covariance; their sum is the covariance.
    pub covariance: Vec<(Part, DMatrix<f64>)>,
    /// Half the sum of squares at the end.
    pub cost: f64,
    /// Whether the last step was small.
    pub settled: bool,
}

/// Damped Gauss–Newton (Levenberg's damping on the scaled parameters) from `start`.
///
/// `residuals` takes parameters scaled so that a unit is a sensible step; returns `None` where the model can't be
/// evaluated. Numeric central differences with step `1e-4` of that unit. `None` when not even the start works or the normal
/// matrix is singular.
pub fn adjust(
    start: DVector<f64>,
    rounds: usize,
    residuals: impl Fn(&DVector<f64>) -> Option<Residuals>,
) -> Option<Adjusted> {
    let mut p = start;
    let mut here = residuals(&p)?;
    let mut cost = half_square(&here.value);
    let mut damping = 1e-4;
    let mut settled = false;
    for _ in 0..rounds {
        let jacobian = slope(&p, here.value.len(), &residuals)?;
        let r = DVector::from_column_slice(&here.value);
        let normal = jacobian.tr_mul(&jacobian);
        let gradient = jacobian.tr_mul(&r);
        let mut moved = false;
        for _ in 0..8 {
            let mut damped = normal.clone();
            for i in 0..p.len() {
                damped[(i, i)] += damping * (normal[(i, i)] + 1e-12);
            }
            let Some(cholesky) = damped.cholesky() else {
                damping = (damping * 10.0).max(1e-8);
                continue;
            };
            let step = cholesky.solve(&gradient);
            let there = &p - &step;
            if let Some(next) = residuals(&there) {
                let next_cost = half_square(&next.value);
                if next_cost <= cost {
                    settled = cost - next_cost < 1e-9 * (1.0 + cost);
                    p = there;
                    here = next;
                    cost = next_cost;
                    damping = (damping * 0.2).max(1e-12);
                    moved = true;
                    break;
                }
            }
            damping = (damping * 10.0).max(1e-8);
        }
        if !moved {
            settled = true;
        }
        if settled {
            break;
        }
    }
    let jacobian = slope(&p, here.value.len(), &residuals)?;
    let inverse = jacobian.tr_mul(&jacobian).cholesky()?.inverse();
    let mut parts: Vec<Part> = here.part.clone();
    parts.sort();
    parts.dedup();
    let covariance = parts
        .into_iter()
        .map(|part| {
            let rows: Vec<usize> = (0..here.part.len())
                .filter(|i| here.part[*i] == part)
                .collect();
            let share = jacobian.select_rows(&rows) * &inverse;
            (part, share.tr_mul(&share))
        })
        .collect();
    Some(Adjusted {
        parameters: p,
        covariance,
        cost,
        settled,
    })
}

fn half_square(values: &[f64]) -> f64 {
    0.5 * values.iter().map(|v| v * v).sum::<f64>()
}

fn slope(
    p: &DVector<f64>,
    rows: usize,
    residuals: &impl Fn(&DVector<f64>) -> Option<Residuals>,
) -> Option<DMatrix<f64>> {
    const STEP: f64 = 1e-4;
    let mut jacobian = DMatrix::zeros(rows, p.len());
    for j in 0..p.len() {
        let mut q = p.clone();
        q[j] = p[j] + STEP;
        let up = residuals(&q)?;
        q[j] = p[j] - STEP;
        let down = residuals(&q)?;
        for i in 0..rows {
            jacobian[(i, j)] = (up.value[i] - down.value[i]) / (2.0 * STEP);
        }
    }
    Some(jacobian)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A mean of three readings and a prior: the posterior and its shares have a closed form.
    #[test]
    fn shares_of_a_weighted_mean_add_up() {
        let readings = [10.1, 9.8, 10.3];
        let (u_reading, prior, u_prior) = (0.2, 9.0, 0.5);
        let got = adjust(DVector::from_element(1, 0.0), 20, |p| {
            let mut value: Vec<f64> = readings.iter().map(|r| (p[0] - r) / u_reading).collect();
            let mut part = vec![Part::Edge; 3];
            value.push((p[0] - prior) / u_prior);
            part.push(Part::Bow);
            Some(Residuals { value, part })
        })
        .expect("a regular problem");
        let (w_reading, w_prior) = (3.0 / 0.04, 1.0 / 0.25);
        let mean = (w_reading * (30.2 / 3.0) + w_prior * prior) / (w_reading + w_prior);
        assert!((got.parameters[0] - mean).abs() < 1e-9);
        let total = 1.0 / (w_reading + w_prior);
        for (part, share) in &got.covariance {
            let weight = if *part == Part::Edge {
                w_reading
            } else {
                w_prior
            };
            assert!((share[(0, 0)] - weight * total * total).abs() < 1e-9);
        }
        let sum: f64 = got.covariance.iter().map(|(_, c)| c[(0, 0)]).sum();
        assert!((sum - total).abs() < 1e-9);
    }
}
