//! The parts of an uncertainty and how they combine (JCGM 100:2008, the GUM).
//!
//! Inside: standard uncertainties and covariances, first order ([`carry`]) or by drawing
//! ([`solve::sample`](crate::solve::sample)). At the edge: half-widths of 95% intervals by part, so that the reader sees
//! which one to work on.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use crate::solve::student;
use crate::units::{K95, Measured};
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// Where a share of the uncertainty comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Noise and raggedness of the traced edge.
    Edge,
    /// Length of the printed card (printer, rule).
    Scale,
    /// Corners of the cards, hence where the camera stood.
    Pose,
    /// Lens: distortion, focal length.
    Lens,
    /// The panel's bow, points off the card's plane.
    Bow,
    /// The fitted form and its reference.
    Fit,
}

/// One line of a budget.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BudgetPart {
    /// Which part.
    pub part: Part,
    /// Its half-width of a 95% interval, mm (degrees for an angle's budget).
    pub u95_mm: f64,
}

impl BudgetPart {
    /// From a standard uncertainty, mm.
    pub fn from_u(part: Part, u_mm: f64) -> Self {
        BudgetPart {
            part,
            u95_mm: K95 * u_mm,
        }
    }
}

/// Half-width of the 95% interval of all parts together: root of the sum of squares, as parts do not depend on each other
/// (JCGM 100, 5.1.2). Parts named twice count twice.
pub fn combine(budget: &[BudgetPart]) -> f64 {
    budget
        .iter()
        .map(|b| b.u95_mm * b.u95_mm)
        .sum::<f64>()
        .sqrt()
}

/// The figure with the uncertainty of all parts together.
pub fn measured(value: f64, budget: &[BudgetPart]) -> Measured {
    Measured {
        value,
        u95: combine(budget),
    }
}

/// One line a part, in the order of [`Part`], parts named twice combined, parts of nothing left out.
pub fn gather(budget: &[BudgetPart]) -> Vec<BudgetPart> {
    const ALL: [Part; 6] = [
        Part::Edge,
        Part::Scale,
        Part::Pose,
        Part::Lens,
        Part::Bow,
        Part::Fit,
    ];
    ALL.iter()
        .filter_map(|&part| {
            let own: Vec<BudgetPart> = budget.iter().copied().filter(|b| b.part == part).collect();
            let u95_mm = combine(&own);
            (u95_mm > 0.0).then_some(BudgetPart { part, u95_mm })
        })
        .collect()
}

/// The part that weighs most; of equals the first in the order of [`Part`]. `None` when all are nothing.
pub fn dominant(budget: &[BudgetPart]) -> Option<Part> {
    let all = gather(budget);
    let most = all.iter().map(|b| b.u95_mm).fold(0.0, f64::max);
    all.iter().find(|b| b.u95_mm >= most).map(|b| b.part)
}

/// Standard uncertainty of Σ cᵢ xᵢ for inputs with standard uncertainties `u` and sensitivities `c` (JCGM 100, 5.2.2).
/// `correlation`: of the inputs; `None` when they are independent. The shorter list decides how many inputs count.
pub fn combined(c: &[f64], u: &[f64], correlation: Option<&DMatrix<f64>>) -> f64 {
    let share: Vec<f64> = c.iter().zip(u).map(|(c, u)| c * u).collect();
    let mut sum: f64 = share.iter().map(|s| s * s).sum();
    if let Some(r) = correlation {
        for (i, a) in share.iter().enumerate() {
            for (j, b) in share[..i].iter().enumerate() {
                sum += 2.0 * a * b * r.get((i, j)).copied().unwrap_or(0.0);
            }
        }
    }
    sum.max(0.0).sqrt()
}

/// Effective degrees of freedom of independent contributions (standard uncertainty in the result's unit, own degrees of
/// freedom, infinite where known) by Welch and Satterthwaite (JCGM 100, G.4.1). Infinite when nothing limits it.
pub fn effective_freedom(contributions: &[(f64, f64)]) -> f64 {
    let total: f64 = contributions.iter().map(|(u, _)| u * u).sum();
    let limit: f64 = contributions
        .iter()
        .filter(|(_, dof)| dof.is_finite())
        .map(|(u, dof)| u.powi(4) / dof)
        .sum();
    if limit > 0.0 {
        total * total / limit
    } else {
        f64::INFINITY
    }
}

/// Half-width of the 95% interval for a standard uncertainty that rests on `freedom` effective degrees of freedom; cut
/// down to a whole number as JCGM 100, G.4.1 asks.
pub fn widened(u: f64, freedom: f64) -> f64 {
    let whole = if freedom.is_finite() {
        freedom.floor().max(1.0)
    } else {
        freedom
    };
    student::factor_95(whole) * u
}

/// Carries a covariance through a formula, to first order: outputs at `inputs`, and their covariance J C Jᵀ, with J by
/// central differences a hundredth of a standard uncertainty wide (JCGM 100, 5.1.3 note 2 and 5.2).
pub fn carry(
    formula: impl Fn(&[f64]) -> Vec<f64>,
    inputs: &[f64],
    covariance: &DMatrix<f64>,
) -> (DVector<f64>, DMatrix<f64>) {
    let outputs = formula(inputs);
    let mut jacobian = DMatrix::zeros(outputs.len(), inputs.len());
    let mut place = inputs.to_vec();
    for (j, &x) in inputs.iter().enumerate() {
        let u = covariance.get((j, j)).copied().unwrap_or(0.0).sqrt();
        let step = (0.01 * u).max(1e-6 * x.abs()).max(f64::MIN_POSITIVE);
        place[j] = x + step;
        let above = formula(&place);
        let up = place[j];
        place[j] = x - step;
        let below = formula(&place);
        let width = up - place[j];
        place[j] = x;
        for (i, (a, b)) in above.iter().zip(&below).enumerate() {
            jacobian[(i, j)] = (a - b) / width;
        }
    }
    let spread = &jacobian * covariance * jacobian.transpose();
    (DVector::from_vec(outputs), spread)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solve::lm::{LmOptions, minimise, numeric};
    use crate::solve::testset::THERMOMETER;
    use approx::assert_abs_diff_eq;

    fn part(part: Part, u95_mm: f64) -> BudgetPart {
        BudgetPart { part, u95_mm }
    }

    #[test]
    fn parts_combine_and_the_largest_is_named() {
        let all = [
            part(Part::Pose, 0.3),
            part(Part::Edge, 0.3),
            part(Part::Pose, 0.4),
            part(Part::Lens, 0.0),
        ];
        assert_abs_diff_eq!(combine(&all), 0.34f64.sqrt(), epsilon = 1e-15);
        let one_each = gather(&all);
        assert_eq!(one_each, [part(Part::Edge, 0.3), part(Part::Pose, 0.5)]);
        assert_abs_diff_eq!(combine(&one_each), combine(&all), epsilon = 1e-15);
        assert_eq!(dominant(&all), Some(Part::Pose));
        assert_eq!(dominant(&[part(Part::Bow, 0.0)]), None);
        let equal = [part(Part::Fit, 0.2), part(Part::Scale, 0.2)];
        assert_eq!(dominant(&equal), Some(Part::Scale));
        assert_abs_diff_eq!(
            BudgetPart::from_u(Part::Fit, 0.5).u95_mm,
            0.979_982,
            epsilon = 1e-6
        );
    }

    /// JCGM 100:2008, H.1, end gauge; inputs as recalled, nm.
    #[test]
    fn end_gauge() {
        let difference = [(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)];
        let u_d = combined(&[1.0; 3], &difference.map(|(u, _)| u), None);
        assert_abs_diff_eq!(u_d, 9.7, epsilon = 0.05);
        let freedom_d = effective_freedom(&difference);
        assert_abs_diff_eq!(freedom_d, 25.6, epsilon = 0.5);
        let all = [(25.0, 18.0), (u_d, freedom_d), (2.9, 50.0), (16.6, 2.0)];
        let u = combined(&[1.0; 4], &all.map(|(u, _)| u), None);
        assert_abs_diff_eq!(u, 31.7, epsilon = 0.05);
        let freedom = effective_freedom(&all);
        assert_abs_diff_eq!(freedom, 16.7, epsilon = 0.1);
        assert_eq!(freedom.floor(), 16.0);
        // Expanded at 99%, with the printed u of 32 nm: 93 nm.
        let t = student::quantile(0.995, freedom.floor());
        assert_abs_diff_eq!(t * 31.7, 92.6, epsilon = 0.15);
        assert_abs_diff_eq!(t * 32.0, 93.0, epsilon = 0.6);
        // Terms of second order, 11.9 and 1.7, bring u to 34 nm.
        let second = combined(&[1.0; 6], &[25.0, u_d, 2.9, 16.6, 11.9, 1.7], None);
        assert_abs_diff_eq!(second, 34.0, epsilon = 0.5);
    }

    /// JCGM 100:2008, H.2: resistance, reactance and impedance from five sets of V, I and φ that vary together.
    #[test]
    fn resistance_and_reactance() {
        let readings = [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ];
        let mean = readings.map(|r| r.iter().sum::<f64>() / 5.0);
        let covariance = DMatrix::from_fn(3, 3, |i, j| {
            let pairs = readings[i].iter().zip(&readings[j]);
            pairs
                .map(|(a, b)| (a - mean[i]) * (b - mean[j]))
                .sum::<f64>()
                / 20.0
        });
        let formula = |x: &[f64]| {
            let z = x[0] / x[1];
            vec![z * x[2].cos(), z * x[2].sin(), z]
        };
        let (y, c) = carry(formula, &mean, &covariance);
        let u = |i: usize| c[(i, i)].sqrt();
        let expected = [
            (127.73217, 0.07107),
            (219.84651, 0.29558),
            (254.25970, 0.23634),
        ];
        for (i, (value, spread)) in expected.iter().enumerate() {
            assert_abs_diff_eq!(y[i], value, epsilon = 1e-4);
            assert_abs_diff_eq!(u(i), spread, epsilon = 1e-4);
        }
        // Read in the documentation of the GTC package 1.5.1.
        assert_abs_diff_eq!(y[0], 127.732169928, epsilon = 1e-8);
        assert_abs_diff_eq!(u(0), 0.071071407, epsilon = 1e-7);
        let r = |i: usize, j: usize| c[(i, j)] / u(i) / u(j);
        assert_abs_diff_eq!(r(0, 1), -0.588429784, epsilon = 1e-6);
        assert_abs_diff_eq!(r(0, 2), -0.48526, epsilon = 1e-4);
        assert_abs_diff_eq!(r(1, 2), 0.99251, epsilon = 1e-4);
    }

    /// JCGM 100:2008, H.3: a thermometer's correction by a straight line about 20 °C, foretold at 30 °C.
    #[test]
    fn thermometer() {
        let (t, b) = THERMOMETER;
        let model = |y: &DVector<f64>, r: &mut DVector<f64>| {
            for i in 0..t.len() {
                r[i] = b[i] - y[0] - y[1] * (t[i] - 20.0);
            }
        };
        let size = [0.01, 0.001];
        let options = LmOptions::default();
        let found = minimise(&[0.0, 0.0], &size, 11, numeric(&size, model), &options).unwrap();
        let c = found.covariance_scaled();
        assert_abs_diff_eq!(found.at[0], -0.17120379, epsilon = 1e-6);
        assert_abs_diff_eq!(found.at[1], 0.0021827, epsilon = 1e-6);
        assert_abs_diff_eq!(c[(0, 0)].sqrt(), 0.0028776, epsilon = 1e-6);
        assert_abs_diff_eq!(c[(1, 1)].sqrt(), 0.00066794, epsilon = 1e-6);
        let r = c[(0, 1)] / (c[(0, 0)] * c[(1, 1)]).sqrt();
        assert_abs_diff_eq!(r, -0.93043, epsilon = 1e-5);
        assert_abs_diff_eq!(found.variance().sqrt(), 0.0034976, epsilon = 1e-6);
        let at = found.at.as_slice();
        let (y, u) = carry(|y| vec![y[0] + 10.0 * y[1]], at, &c);
        assert_abs_diff_eq!(y[0], -0.14938, epsilon = 1e-5);
        assert_abs_diff_eq!(u[(0, 0)].sqrt(), 0.0041386, epsilon = 1e-6);
        // The same by the law with sensitivities and a correlation.
        let both = DMatrix::from_row_slice(2, 2, &[1.0, r, r, 1.0]);
        let own = [c[(0, 0)].sqrt(), c[(1, 1)].sqrt()];
        let same = combined(&[1.0, 10.0], &own, Some(&both));
        assert_abs_diff_eq!(same, u[(0, 0)].sqrt(), epsilon = 1e-9);
    }

    #[test]
    fn few_readings_widen() {
        assert_abs_diff_eq!(widened(1.0, 4.9), 2.7764, epsilon = 1e-4);
        assert_abs_diff_eq!(widened(1.0, f64::INFINITY), K95, epsilon = 1e-9);
        assert_abs_diff_eq!(widened(1.0, 0.2), 12.7062, epsilon = 1e-4);
        assert_eq!(effective_freedom(&[(1.0, f64::INFINITY)]), f64::INFINITY);
    }
}
