//! Nonlinear least squares with covariance: Levenberg–Marquardt on a dense problem of a few freedoms.
//!
//! Each step solves the damped problem by QR, never by normal equations (the method of Moré 1978, damping after Nielsen
//! 1999, both from memory). The scale of each freedom is the largest its column has had, so units do not matter.
//!
//! A result is an answer only where the residuals settled it: a run that stops early, or ends on a flat where some
//! freedom has no bearing on the residuals, is an error and never a poor answer passed as good. (A false valley with
//! sides all round cannot be told from the true one by any local method: give a sensible start.)
//!
//! The covariance is the product: (JᵀJ)⁻¹ for residuals divided by their standard deviations, the same times the residual
//! variance where only their ratio is known, and the sandwich form for residuals that are alike along a line.

use crate::solve::correlated::Chain;
use nalgebra::{DMatrix, DVector, Dyn, QR};
use thiserror::Error;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum LmError {
    /// Fewer residuals than freedoms.
    #[error("{residuals} values cannot fix {freedoms} unknowns")]
    TooFew {
        /// Residuals given.
        residuals: usize,
        /// Unknowns.
        freedoms: usize,
    },
    /// The start, or the residuals there, are not finite.
    #[error("the first guess gives no usable values")]
    BadStart,
    /// The steps ran out before the sum of squares settled.
    #[error("no settled answer after {steps} steps (sum of squares {squares:.6e})")]
    NotSettled {
        /// Steps taken.
        steps: usize,
        /// Best sum of squares reached.
        squares: f64,
    },
    /// The residuals do not depend on a freedom where the search ended.
    #[error("unknown number {freedom} has no bearing on the values (sum of squares {squares:.6e})")]
    Undetermined {
        /// Index of the unknown.
        freedom: usize,
        /// Sum of squares there.
        squares: f64,
    },
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LmOptions {
    /// Most steps tried.
    pub steps: usize,
    /// Settled when a step would lower the sum of squares by less than the square of this part of it (so that it moves
    /// every unknown by less than this part of √n standard deviations); then polished without looking at sums.
    pub tolerance: f64,
    /// Length of the vector of residuals that is rounding and nothing more.
    pub rounding: f64,
}

impl Default for LmOptions {
    /// 500 steps; a millionth.
    fn default() -> Self {
        LmOptions {
            steps: 500,
            tolerance: 1e-6,
            rounding: 0.0,
        }
    }
}

/// A settled answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// The unknowns.
    pub at: DVector<f64>,
    /// Residuals there.
    pub residuals: DVector<f64>,
    /// Their derivatives by the unknowns, one row a residual.
    pub jacobian: DMatrix<f64>,
    /// Covariance of the unknowns when the residuals have standard deviation one: (JᵀJ)⁻¹.
    pub covariance: DMatrix<f64>,
    /// Sum of squared residuals.
    pub squares: f64,
    /// Steps taken.
    pub steps: usize,
}

impl Solution {
    /// Residuals less unknowns.
    pub fn freedom(&self) -> usize {
        self.residuals.len() - self.at.len()
    }

    /// Residual variance: sum of squares over degrees of freedom; zero when there are none.
    pub fn variance(&self) -> f64 {
        match self.freedom() {
            0 => 0.0,
            left => self.squares / left as f64,
        }
    }

    /// Covariance with the residual variance as scale: for residuals whose standard deviation is not known.
    pub fn covariance_scaled(&self) -> DMatrix<f64> {
        &self.covariance * self.variance()
    }

    /// Covariance when residual i has standard deviation `sd[i]` and neighbours at rising places `s` are alike over
    /// `length` (exponential), while the fit took them as independent: G C Gᵀ with G = (JᵀJ)⁻¹Jᵀ. O(n) a pair of
    /// unknowns.
    pub fn covariance_correlated(&self, s: &[f64], sd: &[f64], length: f64) -> DMatrix<f64> {
        let chain = Chain::new(s, length);
        let gain = &self.jacobian * &self.covariance;
        let columns: Vec<Vec<f64>> = gain
            .column_iter()
            .map(|c| c.iter().zip(sd).map(|(g, sd)| g * sd).collect())
            .collect();
        let n = self.at.len();
        DMatrix::from_fn(n, n, |i, j| chain.covariance(0, &columns[i], &columns[j]))
    }
}

/// Finds the unknowns with the least sum of squared residuals, starting from `start`.
///
/// `size`: for each unknown a change that matters (a millimetre, a degree; of its own size for one without a natural
/// unit), above zero. It keeps steps sensible and tells an unknown that has no bearing from one that happens to be zero.
///
/// `model(at, residuals, jacobian)` fills `count` residuals, each divided by its standard deviation where known, and,
/// when asked, their derivatives (row a residual, column an unknown). A place the model cannot take may return
/// residuals that are not finite: the search steps back. Without derivatives wrap the model in [`numeric`].
///
/// # Errors
/// [`LmError`]: anything but a settled answer.
///
/// # Panics
/// When `size` and `start` differ in length: a fault of the caller's formula, not of its data.
pub fn minimise(
    start: &[f64],
    size: &[f64],
    count: usize,
    mut model: impl FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>),
    options: &LmOptions,
) -> Result<Solution, LmError> {
    let n = start.len();
    assert_eq!(size.len(), n, "a size for each unknown");
    if count < n {
        return Err(LmError::TooFew {
            residuals: count,
            freedoms: n,
        });
    }
    let mut at = DVector::from_column_slice(start);
    let mut residuals = DVector::zeros(count);
    let mut jacobian = DMatrix::zeros(count, n);
    model(&at, &mut residuals, Some(&mut jacobian));
    let mut squares = residuals.norm_squared();
    let first = squares;
    // Below this a sum of squares is rounding: the points lie on the form exactly.
    let nothing = (1e-26 * squares).max(options.rounding.powi(2));
    let usable = |m: &DMatrix<f64>| m.iter().all(|v| v.is_finite());
    if !(at.iter().all(|v| v.is_finite()) && squares.is_finite() && usable(&jacobian)) {
        return Err(LmError::BadStart);
    }
    let mut scale = DVector::from_element(n, 0.0);
    // Cautious at first: a long first step from a poor start can leave the valley for good (NIST's BoxBOD).
    let mut damping = 1.0;
    let mut growth = 2.0;
    let mut trial = DVector::zeros(count);
    let mut local = Local::new(&jacobian, &residuals, &mut scale);
    for step in 0..options.steps {
        // Where rounding hides the gain of a step, sums of squares cannot steer any longer.
        let hidden = nothing.max(4.0 * options.rounding * squares.sqrt());
        if local.to_gain() <= hidden.max(options.tolerance.powi(2) * squares) {
            let flat = || {
                (
                    DVector::zeros(n),
                    DMatrix::from_element(n, n, f64::INFINITY),
                )
            };
            let (change, covariance) = local.undamped().unwrap_or_else(flat);
            let noticed = (1e-7 * squares.sqrt()).max(1e-10 * first.sqrt());
            if let Some(freedom) = local.idle(&at, size, noticed) {
                return Err(LmError::Undetermined { freedom, squares });
            }
            let mut found = Solution {
                at,
                residuals,
                jacobian,
                covariance,
                squares,
                steps: step,
            };
            polish(&mut found, change, &mut model, &mut scale);
            return Ok(found);
        }
        let change = local.step(&scale, damping, &local.side);
        // A step of many times an unknown's own size leaves what its derivative says far behind.
        let reach = (0..n).fold(1.0f64, |reach, j| {
            let own = at[j].abs().max(size[j]);
            reach.max(change[j].abs() / (FAR * own))
        });
        if reach > 1.0 {
            damping *= growth;
            growth *= 2.0;
            continue;
        }
        // Second derivative of the residuals along the step, from one more look a tenth of the way.
        model(&(&at + &change * PART), &mut trial, None);
        let bend = ((&trial - &residuals) / PART - &jacobian * &change) * (2.0 / PART);
        let second = local.step(&scale, damping, &local.turned(&bend)) * 0.5;
        let straight =
            second.component_mul(&scale).norm() <= STRAIGHT * change.component_mul(&scale).norm();
        let next = &at + &change + &second;
        model(&next, &mut trial, None);
        let new = trial.norm_squared();
        let foreseen = local.foreseen(&change);
        let gain = (squares - new) / foreseen;
        if straight && new.is_finite() && gain > 1e-4 {
            at = next;
            squares = new;
            model(&at, &mut residuals, Some(&mut jacobian));
            if !usable(&jacobian) {
                return Err(LmError::NotSettled {
                    steps: step,
                    squares,
                });
            }
            local = Local::new(&jacobian, &residuals, &mut scale);
            damping *= (1.0 - (2.0 * gain - 1.0).powi(3)).max(0.1);
            growth = 2.0;
        } else {
            damping *= growth;
            growth *= 2.0;
            if damping > 1e40 {
                break;
            }
        }
    }
    Err(LmError::NotSettled {
        steps: options.steps,
        squares,
    })
}

/// Goes on from a settled place by undamped steps while each is shorter than the last. Sums of squares can no longer tell
/// such steps apart (they differ by less than rounding), but the steps themselves still shrink to the answer: by a
/// thousand each where the residuals are small, by less where they are large and bent.
fn polish(
    found: &mut Solution,
    mut change: DVector<f64>,
    model: &mut impl FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>),
    scale: &mut DVector<f64>,
) {
    let (mut residuals, mut jacobian) = (found.residuals.clone(), found.jacobian.clone());
    for _ in 0..30 {
        let at = &found.at + &change;
        model(&at, &mut residuals, Some(&mut jacobian));
        let squares = residuals.norm_squared();
        let worse = squares > found.squares * (1.0 + 1e-9);
        if worse || !jacobian.iter().all(|v| v.is_finite()) {
            return;
        }
        let local = Local::new(&jacobian, &residuals, scale);
        let Some((next, covariance)) = local.undamped() else {
            return;
        };
        let (length, before) = (
            next.component_mul(scale).norm(),
            change.component_mul(scale).norm(),
        );
        if length > 0.9 * before {
            return;
        }
        found.at = at;
        found.squares = squares;
        found.residuals.copy_from(&residuals);
        found.jacobian.copy_from(&jacobian);
        found.covariance = covariance;
        if length <= 1e-10 * squares.sqrt() {
            return;
        }
        change = next;
    }
}

/// Most a step may change an unknown, in its own size or a change that matters, whichever is larger.
const FAR: f64 = 10.0;
/// How far along a step its curvature is looked at.
const PART: f64 = 0.1;
/// A step is taken only where the path bends by no more than this part of it.
const STRAIGHT: f64 = 0.375;

/// The linear problem at one place: J = QR, with columns divided by their lengths.
struct Local {
    qr: QR<f64, Dyn, Dyn>,
    /// Lengths of the columns.
    lengths: DVector<f64>,
    /// R of the scaled columns.
    r: DMatrix<f64>,
    /// -Qᵀ residuals.
    side: DVector<f64>,
}

impl Local {
    fn new(jacobian: &DMatrix<f64>, residuals: &DVector<f64>, scale: &mut DVector<f64>) -> Self {
        let n = jacobian.ncols();
        let lengths = DVector::from_fn(n, |j, _| jacobian.column(j).norm());
        for (s, l) in scale.iter_mut().zip(&lengths) {
            *s = s.max(*l);
        }
        let mut unit = jacobian.clone();
        for (mut column, length) in unit.column_iter_mut().zip(&lengths) {
            if *length > 0.0 {
                column /= *length;
            }
        }
        let qr = unit.qr();
        let mut local = Local {
            lengths,
            r: qr.r(),
            side: DVector::zeros(n),
            qr,
        };
        local.side = local.turned(residuals);
        local
    }

    /// -Qᵀ values.
    fn turned(&self, values: &DVector<f64>) -> DVector<f64> {
        let mut turned = -values.clone();
        self.qr.q_tr_mul(&mut turned);
        turned.rows(0, self.r.ncols()).into_owned()
    }

    /// Least-squares step with damping on each unknown in proportion to its scale.
    fn step(&self, scale: &DVector<f64>, damping: f64, towards: &DVector<f64>) -> DVector<f64> {
        let n = self.r.ncols();
        let mut stacked = DMatrix::zeros(2 * n, n);
        stacked.view_mut((0, 0), (n, n)).copy_from(&self.r);
        let mut side = DVector::zeros(2 * n);
        side.rows_mut(0, n).copy_from(towards);
        for j in 0..n {
            let (length, most) = (self.lengths[j], scale[j]);
            let ratio = if length > 0.0 { most / length } else { 1.0 };
            stacked[(n + j, j)] = damping.sqrt() * ratio;
        }
        let qr = stacked.qr();
        qr.q_tr_mul(&mut side);
        let mut change = side.rows(0, n).into_owned();
        // R is regular: the damping rows alone have full rank.
        qr.r().solve_upper_triangular_mut(&mut change);
        self.unscaled(change)
    }

    fn unscaled(&self, mut change: DVector<f64>) -> DVector<f64> {
        for (c, length) in change.iter_mut().zip(&self.lengths) {
            *c = if *length > 0.0 { *c / length } else { 0.0 };
        }
        change
    }

    /// By how much the linear problem says this step lowers the sum of squares.
    fn foreseen(&self, change: &DVector<f64>) -> f64 {
        let scaled = change.component_mul(&self.lengths);
        let left = &self.r * scaled - &self.side;
        self.side.norm_squared() - left.norm_squared()
    }

    /// The undamped step and the covariance; `None` where a column repeats others or is zero.
    fn undamped(&self) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let n = self.r.ncols();
        let mut inverse = DMatrix::identity(n, n);
        if !self.r.solve_upper_triangular_mut(&mut inverse) {
            return None;
        }
        let change = self.unscaled(&inverse * &self.side);
        let mut covariance = &inverse * inverse.transpose();
        for i in 0..n {
            for j in 0..n {
                covariance[(i, j)] /= self.lengths[i] * self.lengths[j];
            }
        }
        Some((change, covariance))
    }

    /// By how much the undamped step would lower the sum of squares. Over the residual variance it bounds the square of
    /// that step in standard deviations of every unknown.
    fn to_gain(&self) -> f64 {
        self.side.norm_squared()
    }

    /// An unknown that could move by its own size without the residuals noticing.
    fn idle(&self, at: &DVector<f64>, size: &[f64], noticed: f64) -> Option<usize> {
        let idle = |j: usize, bearing: f64| {
            bearing <= 0.0 || bearing * at[j].abs().max(size[j]) <= noticed
        };
        // First those without any bearing, then those whose bearing others can make up for: what counts is the length
        // of a column square to the rest.
        let all = 0..at.len();
        all.clone().find(|&j| idle(j, self.lengths[j])).or_else(|| {
            all.clone()
                .find(|&j| idle(j, self.alone(j) * self.lengths[j]))
        })
    }

    /// Sine of the angle between a column and the space of the others.
    fn alone(&self, j: usize) -> f64 {
        let n = self.r.ncols();
        let mut inverse = DMatrix::identity(n, n);
        if !self.r.solve_upper_triangular_mut(&mut inverse) {
            return 0.0;
        }
        1.0 / inverse.row(j).norm()
    }
}

/// Turns a model without derivatives into one with them, by central differences.
///
/// `size` as in [`minimise`]; the step is the cube root of the rounding unit times that or the unknown itself, whichever is
/// larger, which balances rounding against the third derivative.
pub fn numeric<'a>(
    size: &'a [f64],
    mut model: impl FnMut(&DVector<f64>, &mut DVector<f64>) + 'a,
) -> impl FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>) + 'a {
    move |at, residuals, jacobian| {
        model(at, residuals);
        let Some(jacobian) = jacobian else { return };
        let mut place = at.clone();
        let mut above = residuals.clone();
        let mut below = residuals.clone();
        for j in 0..at.len() {
            let step = f64::EPSILON.cbrt() * at[j].abs().max(size[j]);
            place[j] = at[j] + step;
            let up = place[j] - at[j];
            model(&place, &mut above);
            place[j] = at[j] - step;
            let down = at[j] - place[j];
            model(&place, &mut below);
            place[j] = at[j];
            for i in 0..residuals.len() {
                jacobian[(i, j)] = (above[i] - below[i]) / (up + down);
            }
        }
    }
}
