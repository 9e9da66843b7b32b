//! Fair curve: the line as it would be without waves shorter than a cut-off, by the spline profile filter of
//! ISO 16610-22.
//!
//! The standard's linear filter for an open profile with even spacing Δ solves (I + α⁴ DᵀD) w = z, with D the second
//! differences, natural ends and α = 1 / (2 sin(πΔ/λc)); its tension β is 0 here. (β moves nothing at the cut-off, where
//! half the height passes for every β.) A wave of length λ keeps 1/(1 + 16 α⁴ sin⁴(πΔ/λ)) of its height; a straight line
//! is returned as it is, ends included.
//!
//! Traced points are not evenly spaced, so the same functional is written with each point's share of the length:
//! Σ qᵢ (zᵢ - wᵢ)² + Σ Λᵢ h̄ᵢ (w″ᵢ)², w″ from divided differences, h̄ᵢ the mean of the two steps at point i and
//! Λᵢ = (h̄ᵢ / 2 sin(πh̄ᵢ/λc))⁴. With even spacing that is the standard's system, digit for digit.
//!
//! The filter is linear. Each filtered height is a weighted sum of the heights ([`Fair::response`]), so noise and its
//! correlation along the line are carried through exactly ([`Fair::u`]), ends included: at an end a spline leans on few
//! points and the uncertainty doubles or trebles by itself.

use super::{FitError, line::Line, rising};
use crate::solve::banded::{Band, Factor};
use crate::solve::correlated::Chain;

/// Smallest step between points, in cut-offs, that `f64` carries: below it α⁴ leaves the ones in the matrix no digits.
const FINEST: f64 = 5e-5;

/// A spline filter for one unbroken run of points.
#[derive(Debug, Clone)]
pub struct Fair {
    s_mm: Vec<f64>,
    cutoff_mm: f64,
    /// Each point's share of the length times its weight, in steps.
    share: Vec<f64>,
    /// Second-derivative rows: three factors on w and the price of their square; row i is about point i + 1.
    bends: Vec<([f64; 3], f64)>,
    factor: Factor,
}

/// The weights with which one filtered height follows from the heights given: `weights[k]` is for point `first + k`;
/// the points outside count for less than 1e-7 of the most that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// First point that counts.
    pub first: usize,
    /// Its weight and the following ones'.
    pub weights: Vec<f64>,
}

impl Response {
    fn scaled(mut self, by: &[f64]) -> Self {
        let by = by.get(self.first..).unwrap_or_default();
        for (w, b) in self.weights.iter_mut().zip(by) {
            *w *= b;
        }
        self
    }
}

impl Fair {
    /// A filter for points at rising places `s_mm` along a line, at least 3, with cut-off `cutoff_mm`.
    ///
    /// `weights`: how far to trust each point (1 for all when `None`; 0 for a point to be left out, whose filtered
    /// height is then carried from its neighbours). Split a line at its gaps and filter each run by itself.
    ///
    /// # Errors
    /// [`FitError::TooFew`], [`FitError::NotRising`], [`FitError::Unmatched`]; [`FitError::OutOfRange`] for a cut-off that
    /// is not above zero or more than 20 000 times the smallest step (thin the points first), for a negative weight,
    /// or when fewer than two points have weight.
    pub fn new(s_mm: &[f64], weights: Option<&[f64]>, cutoff_mm: f64) -> Result<Self, FitError> {
        let n = s_mm.len();
        if n < 3 {
            return Err(FitError::TooFew {
                found: n,
                needed: 3,
            });
        }
        rising(s_mm)?;
        let weights = checked_weights(n, weights)?;
        let smallest = s_mm
            .windows(2)
            .fold(f64::INFINITY, |least, pair| least.min(pair[1] - pair[0]));
        let most = smallest / FINEST;
        if !(cutoff_mm > 0.0 && cutoff_mm <= most) {
            return Err(FitError::OutOfRange {
                what: "the cut-off wavelength in mm",
                value: cutoff_mm,
                most,
            });
        }
        // Lengths in mean steps, so that an even profile has shares of exactly one and the standard's α⁴.
        let mean_step = (s_mm[n - 1] - s_mm[0]) / (n - 1) as f64;
        let step: Vec<f64> = s_mm.windows(2).map(|p| (p[1] - p[0]) / mean_step).collect();
        let cutoff = cutoff_mm / mean_step;
        let mut share: Vec<f64> = (0..n)
            .map(|i| {
                let left = if i > 0 { step[i - 1] } else { step[0] };
                let right = if i < n - 1 { step[i] } else { step[n - 2] };
                0.5 * (left + right)
            })
            .collect();
        for (q, w) in share.iter_mut().zip(&weights) {
            *q *= w;
        }
        let bends: Vec<([f64; 3], f64)> =
            step.windows(2).map(|h| bend(h[0], h[1], cutoff)).collect();
        let mut band = Band::zeros(n, 2);
        for (i, q) in share.iter().enumerate() {
            band.add(i, i, *q);
        }
        for (i, (row, price)) in bends.iter().enumerate() {
            band.add_square(i, row, *price);
        }
        let factor = band
            .factor()
            .map_err(|_| FitError::Unsteady { form: "fair curve" })?;
        Ok(Fair {
            s_mm: s_mm.to_vec(),
            cutoff_mm,
            share,
            bends,
            factor,
        })
    }

    /// A filter for `count` points `spacing_mm` apart: the standard's own case. Errors as [`Fair::new`].
    pub fn even(count: usize, spacing_mm: f64, cutoff_mm: f64) -> Result<Self, FitError> {
        let s: Vec<f64> = (0..count).map(|i| i as f64 * spacing_mm).collect();
        Fair::new(&s, None, cutoff_mm)
    }

    /// Places along the line, mm.
    pub fn s_mm(&self) -> &[f64] {
        &self.s_mm
    }

    /// Cut-off wavelength, mm.
    pub fn cutoff_mm(&self) -> f64 {
        self.cutoff_mm
    }

    /// The filtered heights, in the unit of `heights`. O(n).
    ///
    /// # Errors
    /// [`FitError::Unmatched`] for another number of heights than points, [`FitError::NotFinite`] for a height with
    /// weight that is not a number.
    pub fn apply(&self, heights: &[f64]) -> Result<Vec<f64>, FitError> {
        let n = self.share.len();
        if heights.len() != n {
            return Err(FitError::Unmatched {
                points: n,
                values: heights.len(),
            });
        }
        let counts = |i: &usize| self.share[*i] > 0.0;
        if let Some(index) = (0..n).filter(counts).position(|i| !heights[i].is_finite()) {
            return Err(FitError::NotFinite { index });
        }
        let side: Vec<f64> = self
            .share
            .iter()
            .zip(heights)
            .map(|(q, z)| if *q > 0.0 { q * z } else { 0.0 })
            .collect();
        Ok(self.solve(&side))
    }

    /// Solves the system, then twice mends what rounding of the matrix cost. The residual goes through the second
    /// differences themselves and not through their squares, which keeps the digits that α⁴ swallows.
    fn solve(&self, side: &[f64]) -> Vec<f64> {
        let mut w = side.to_vec();
        self.factor.solve(&mut w);
        for _ in 0..2 {
            let mut rest: Vec<f64> = (side.iter().zip(&self.share).zip(&w))
                .map(|((r, q), w)| r - q * w)
                .collect();
            for (i, (row, price)) in self.bends.iter().enumerate() {
                let bend = price * (row[0] * w[i] + row[1] * w[i + 1] + row[2] * w[i + 2]);
                for (k, factor) in row.iter().enumerate() {
                    rest[i + k] -= factor * bend;
                }
            }
            self.factor.solve(&mut rest);
            for (w, d) in w.iter_mut().zip(&rest) {
                *w += d;
            }
        }
        w
    }

    /// How the filtered height of point `index` follows from the heights given. O(cut-off / spacing).
    pub fn response(&self, index: usize) -> Response {
        let (first, mut weights) = self.factor.solve_impulse(index, 1.0, 1e-7);
        for (w, q) in weights.iter_mut().zip(&self.share[first..]) {
            *w *= q;
        }
        Response { first, weights }
    }

    /// Standard uncertainty of each filtered height when point i's height has standard deviation `sd[i]` and the errors
    /// are alike over `correlation_mm` along the line (exponential; 0 for independent ones).
    ///
    /// Exact at points an eighth of the cut-off apart (closer at the ends), straight between.
    ///
    /// # Errors
    /// [`FitError::Unmatched`].
    pub fn u(&self, sd: &[f64], correlation_mm: f64) -> Result<Vec<f64>, FitError> {
        self.same_count(sd.len())?;
        let chain = Chain::new(&self.s_mm, correlation_mm);
        let mut variance = self.own_variance(sd, &chain);
        for v in &mut variance {
            *v = v.sqrt();
        }
        Ok(variance)
    }

    /// As [`Fair::u`], for what is left of this filter's curve when a coarser reference is taken off it: the deviation of
    /// a line from its reference. Noise that both share cancels here, as it does in the figure.
    ///
    /// # Errors
    /// [`FitError::Unmatched`] when the reference was fitted to other points.
    pub fn u_less(
        &self,
        reference: &Coarse,
        sd: &[f64],
        correlation_mm: f64,
    ) -> Result<Vec<f64>, FitError> {
        self.same_count(sd.len())?;
        let (points, wave) = match reference {
            Coarse::Fair(coarse) => (coarse.share.len(), coarse.cutoff_mm),
            Coarse::Straight(line) => (line.along_mm.len(), f64::INFINITY),
        };
        self.same_count(points)?;
        let chain = Chain::new(&self.s_mm, correlation_mm);
        let own = self.own_variance(sd, &chain);
        // The reference's own variance less twice what it shares with the fine curve: both change as slowly along the
        // line as the reference does, but for the fine curve's own ends.
        let (start, end) = (self.s_mm[0], self.s_mm[points - 1]);
        let mut nodes = self.nodes(self.cutoff_mm);
        nodes.retain(|&i| (self.s_mm[i] - start).min(end - self.s_mm[i]) < self.cutoff_mm / 2.0);
        nodes.extend(self.nodes(wave));
        nodes.sort_unstable();
        nodes.dedup();
        let mut fine = vec![0.0; points];
        let rest = self.along(&nodes, |i| {
            fine.fill(0.0);
            let row = self.response(i).scaled(sd);
            fine[row.first..row.first + row.weights.len()].copy_from_slice(&row.weights);
            let coarse = match reference {
                Coarse::Fair(coarse) => coarse.response(i),
                Coarse::Straight(line) => Response {
                    first: 0,
                    weights: line.response(line.along_mm[i]),
                },
            }
            .scaled(sd);
            let first = coarse.first;
            chain.variance(first, &coarse.weights)
                - 2.0 * chain.covariance(first, &fine[first..], &coarse.weights)
        });
        Ok(own
            .iter()
            .zip(&rest)
            .map(|(a, b)| (a + b).max(0.0).sqrt())
            .collect())
    }

    fn same_count(&self, values: usize) -> Result<(), FitError> {
        let points = self.share.len();
        if values == points {
            Ok(())
        } else {
            Err(FitError::Unmatched { points, values })
        }
    }

    fn own_variance(&self, sd: &[f64], chain: &Chain) -> Vec<f64> {
        self.along(&self.nodes(self.cutoff_mm), |i| {
            let row = self.response(i).scaled(sd);
            chain.variance(row.first, &row.weights)
        })
    }

    /// Works a figure out at the nodes and reads it off straight between them.
    fn along(&self, nodes: &[usize], mut figure: impl FnMut(usize) -> f64) -> Vec<f64> {
        let at_node: Vec<f64> = nodes.iter().map(|&i| figure(i)).collect();
        let mut out = vec![0.0; self.s_mm.len()];
        for (ends, v) in nodes.windows(2).zip(at_node.windows(2)) {
            let (a, b) = (ends[0], ends[1]);
            let length = self.s_mm[b] - self.s_mm[a];
            for (out, s) in out[a..=b].iter_mut().zip(&self.s_mm[a..=b]) {
                let t = (s - self.s_mm[a]) / length;
                *out = v[0] + t * (v[1] - v[0]);
            }
        }
        out
    }

    /// Points where an uncertainty is worked out for a curve with waves down to `wave_mm`: an eighth of that apart, a
    /// thirty-second within half of it from either end, and never fewer than about 64.
    fn nodes(&self, wave_mm: f64) -> Vec<usize> {
        let n = self.s_mm.len();
        let (start, end) = (self.s_mm[0], self.s_mm[n - 1]);
        let mut at = vec![0];
        let mut last = 0;
        for i in 1..n - 1 {
            let s = self.s_mm[i];
            let from_end = (s - start).min(end - s);
            let part = if from_end < wave_mm / 2.0 { 32.0 } else { 8.0 };
            if s - self.s_mm[last] >= (wave_mm / part).min((end - start) / 64.0) {
                at.push(i);
                last = i;
            }
        }
        at.push(n - 1);
        at
    }

    /// How many free numbers the filtered curve has: the trace of the filter. n for a cut-off of nothing, 2 for an
    /// endless one. O(n).
    pub fn freedoms(&self) -> f64 {
        self.factor
            .inverse_diagonal()
            .iter()
            .zip(&self.share)
            .map(|(z, q)| z * q)
            .sum()
    }
}

/// What a filtered line is compared with; see [`Fair::u_less`].
#[derive(Debug, Clone, Copy)]
pub enum Coarse<'a> {
    /// A filter with a longer cut-off over the same points.
    Fair(&'a Fair),
    /// A straight line fitted to the same points in the same order.
    Straight(&'a Line),
}

/// Filters heights at rising places `s_mm` (mm, at least 3): the one-call form of [`Fair`].
///
/// # Errors
/// Those of [`Fair::new`] and [`Fair::apply`].
pub fn fair(heights: &[f64], s_mm: &[f64], cutoff_mm: f64) -> Result<Vec<f64>, FitError> {
    Fair::new(s_mm, None, cutoff_mm)?.apply(heights)
}

/// Share of a wave's height that passes the filter at even spacing (ISO 16610-22, tension 0).
pub fn transmission(wavelength_mm: f64, spacing_mm: f64, cutoff_mm: f64) -> f64 {
    let half_turn = |length: f64| (std::f64::consts::PI * spacing_mm / length).sin();
    let ratio = half_turn(wavelength_mm) / half_turn(cutoff_mm);
    1.0 / (1.0 + ratio.powi(4))
}

/// Divided second difference over steps h and k as factors on three heights (1, -2, 1 when both are one), and its price.
fn bend(h: f64, k: f64, cutoff: f64) -> ([f64; 3], f64) {
    let mean = 0.5 * (h + k);
    let row = [
        1.0 / (h * mean),
        -1.0 / (h * mean) - 1.0 / (k * mean),
        1.0 / (k * mean),
    ];
    // Steps beyond half the cut-off cannot hold it (Nyquist): the price stays at what it is there.
    let angle = (std::f64::consts::PI * mean / cutoff).min(std::f64::consts::FRAC_PI_2);
    let length = mean / (2.0 * angle.sin());
    (row, length.powi(4) * mean)
}

fn checked_weights(n: usize, weights: Option<&[f64]>) -> Result<Vec<f64>, FitError> {
    let Some(w) = weights else {
        return Ok(vec![1.0; n]);
    };
    if w.len() != n {
        return Err(FitError::Unmatched {
            points: n,
            values: w.len(),
        });
    }
    if let Some(&value) = w.iter().find(|w| !(**w >= 0.0 && w.is_finite())) {
        return Err(FitError::OutOfRange {
            what: "the weight of a point",
            value,
            most: f64::INFINITY,
        });
    }
    let found = w.iter().filter(|w| **w > 0.0).count();
    if found < 2 {
        return Err(FitError::TooFew { found, needed: 2 });
    }
    Ok(w.to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::line::fit_line;
    use crate::solve::random::Random;
    use crate::units::Mm;
    use approx::assert_abs_diff_eq;
    use std::f64::consts::PI;

    /// Transmission of the closed form at Δ = 1, λc = 400; computed with mpmath 1.3.0. The filter's matrix was read in
    /// surfile, by authors of two national metrology institutes.
    #[test]
    fn transmission_of_the_standard() {
        let expected = [
            (0.25, 0.00389344),
            (0.5, 0.05883036),
            (1.0, 0.5),
            (2.0, 0.94117476),
            (4.0, 0.99610880),
        ];
        for (ratio, t) in expected {
            assert_abs_diff_eq!(transmission(400.0 * ratio, 1.0, 400.0), t, epsilon = 1e-8);
        }
    }

    /// Amplitude of a sine of known length over the middle half of a profile, by least squares.
    fn amplitude(s: &[f64], w: &[f64], wavelength: f64) -> f64 {
        let n = s.len();
        let middle = n / 4..n - n / 4;
        let x = nalgebra::DMatrix::from_fn(middle.len(), 4, |i, j| {
            let at = s[middle.start + i];
            let phase = 2.0 * PI * at / wavelength;
            [phase.sin(), phase.cos(), 1.0, (at - s[n / 2]) / s[n - 1]][j]
        });
        let y = nalgebra::DVector::from_fn(middle.len(), |i, _| w[middle.start + i]);
        let fit = x.svd(true, true).solve(&y, 1e-14).unwrap();
        fit[0].hypot(fit[1])
    }

    /// The same by filtering sines 4000 mm long (scipy 1.17.1).
    #[test]
    fn transmission_of_filtered_sines() {
        let s: Vec<f64> = (0..=4000).map(f64::from).collect();
        let filter = Fair::new(&s, None, 400.0).unwrap();
        let expected = [
            (0.25, 0.003893),
            (0.5, 0.058831),
            (1.0, 0.499999),
            (2.0, 0.941175),
            (4.0, 0.996109),
        ];
        for (ratio, t) in expected {
            let z: Vec<f64> = s
                .iter()
                .map(|s| (2.0 * PI * s / (400.0 * ratio) + 0.3).sin())
                .collect();
            let w = filter.apply(&z).unwrap();
            assert_abs_diff_eq!(amplitude(&s, &w, 400.0 * ratio), t, epsilon = 1e-5);
        }
    }

    /// Uneven steps, from a fifth to nearly twice the mean: the same waves pass.
    #[test]
    fn transmission_with_uneven_steps() {
        let mut random = Random::new(8);
        let mut at = 0.0;
        let s: Vec<f64> = (0..2200)
            .map(|_| {
                at += random.between(0.4, 3.4);
                at
            })
            .collect();
        let filter = Fair::new(&s, None, 400.0).unwrap();
        for (ratio, t) in [(0.5, 0.0588235), (1.0, 0.5), (2.0, 0.9411765)] {
            let z: Vec<f64> = s
                .iter()
                .map(|s| (2.0 * PI * s / (400.0 * ratio)).sin())
                .collect();
            let w = filter.apply(&z).unwrap();
            assert_abs_diff_eq!(amplitude(&s, &w, 400.0 * ratio), t, epsilon = 1e-3);
        }
    }

    /// A straight line comes back as it is, ends included, even where α⁴ is 10¹³.
    #[test]
    fn a_straight_line_passes() {
        for (n, step, cutoff) in [(1000, 1.0, 400.0), (4000, 0.04, 400.0), (7, 3.0, 1000.0)] {
            let filter = Fair::even(n, step, cutoff).unwrap();
            let z: Vec<f64> = filter.s_mm().iter().map(|s| 3.0 - 0.02 * s).collect();
            for (w, z) in filter.apply(&z).unwrap().iter().zip(&z) {
                assert_abs_diff_eq!(w, z, epsilon = 1e-6);
            }
        }
    }

    /// At α⁴ = 10¹³ waves still pass as they should: the residual correction keeps the digits.
    #[test]
    fn a_wave_at_very_fine_spacing() {
        let filter = Fair::even(30_001, 0.04, 400.0).unwrap();
        let s = filter.s_mm().to_vec();
        let z: Vec<f64> = s.iter().map(|s| (2.0 * PI * s / 400.0).sin()).collect();
        let w = filter.apply(&z).unwrap();
        let n = s.len();
        // Away from the ends the wave is halved, point for point.
        for i in n / 2 - 500..n / 2 + 500 {
            assert_abs_diff_eq!(w[i], 0.5 * z[i], epsilon = 2e-3);
        }
    }

    /// Unit impulse and unit step in 11 points, Δ = 50, λc = 400 (numpy 2.4.6).
    #[test]
    fn impulse_and_step() {
        let filter = Fair::even(11, 50.0, 400.0).unwrap();
        let mut z = [0.0; 11];
        z[5] = 1.0;
        let half = [
            -0.037033294,
            -0.000655198,
            0.048430715,
            0.123157091,
            0.219837782,
            0.292525806,
        ];
        let w = filter.apply(&z).unwrap();
        for (i, w) in w.iter().enumerate() {
            assert_abs_diff_eq!(*w, half[i.min(10 - i)], epsilon = 1e-8);
        }
        // By symmetry of an even profile, the response is the impulse's answer.
        let row = filter.response(5);
        assert_eq!((row.first, row.weights.len()), (0, 11));
        for (r, w) in row.weights.iter().zip(&w) {
            assert_abs_diff_eq!(r, w, epsilon = 1e-12);
        }
        let step: Vec<f64> = (0..11).map(|i| f64::from(u8::from(i >= 5))).collect();
        let expected = [
            -0.072375423,
            -0.036988645,
            0.023233452,
            0.145818682,
            0.360322401,
            0.646262903,
            0.859515381,
            0.977338409,
            1.025197264,
            1.036333447,
            1.035342129,
        ];
        for (w, e) in filter.apply(&step).unwrap().iter().zip(expected) {
            assert_abs_diff_eq!(*w, e, epsilon = 1e-8);
        }
    }

    /// A point without weight changes nothing, and is filled in.
    #[test]
    fn a_point_without_weight() {
        let s: Vec<f64> = (0..50).map(|i| 4.0 * f64::from(i)).collect();
        let mut weights = vec![1.0; 50];
        weights[20] = 0.0;
        let filter = Fair::new(&s, Some(&weights), 80.0).unwrap();
        let mut z: Vec<f64> = s.iter().map(|s| 0.01 * s).collect();
        z[20] = f64::NAN;
        let w = filter.apply(&z).unwrap();
        assert_abs_diff_eq!(w[20], 0.8, epsilon = 1e-9);
    }

    /// Every way of carrying noise against the dense operator.
    #[test]
    fn uncertainty_is_that_of_the_operator() {
        let n = 120;
        let mut random = Random::new(2);
        let mut at = 0.0;
        let s: Vec<f64> = (0..n)
            .map(|_| {
                at += random.between(1.0, 4.0);
                at
            })
            .collect();
        let sd: Vec<f64> = s.iter().map(|s| 0.05 + 0.0002 * s).collect();
        let fine = Fair::new(&s, None, 30.0).unwrap();
        let coarse = Fair::new(&s, None, 150.0).unwrap();
        let points: Vec<Mm> = s.iter().map(|&s| Mm::new(s, 0.0)).collect();
        let line = fit_line(&points, None).unwrap();
        let operator = |f: &Fair| {
            nalgebra::DMatrix::from_columns(
                &(0..n)
                    .map(|k| {
                        let mut unit = vec![0.0; n];
                        unit[k] = 1.0;
                        nalgebra::DVector::from_vec(f.apply(&unit).unwrap())
                    })
                    .collect::<Vec<_>>(),
            )
        };
        let a = operator(&fine);
        let b = operator(&coarse);
        let straight = nalgebra::DMatrix::from_fn(n, n, |i, j| line.response(line.along_mm[i])[j]);
        let nodes = fine.nodes(fine.cutoff_mm());
        for length in [0.0, 3.0, 25.0] {
            let c = nalgebra::DMatrix::from_fn(n, n, |i, j| {
                let d = (s[i] - s[j]).abs();
                let r = if i == j {
                    1.0
                } else if length > 0.0 {
                    (-d / length).exp()
                } else {
                    0.0
                };
                sd[i] * sd[j] * r
            });
            let u = fine.u(&sd, length).unwrap();
            let less_fair = fine.u_less(&Coarse::Fair(&coarse), &sd, length).unwrap();
            let less_line = fine.u_less(&Coarse::Straight(&line), &sd, length).unwrap();
            let cases = [
                (u, a.clone(), 1e-6),
                (less_fair, &a - &b, 0.02),
                (less_line, &a - &straight, 0.02),
            ];
            for (got, m, at_nodes) in cases {
                let full = &m * &c * m.transpose();
                for i in 0..n {
                    let exact = full[(i, i)].sqrt();
                    // Steps that differ four to one make the uncertainty itself ragged between nodes.
                    let tolerance = if nodes.contains(&i) { at_nodes } else { 0.06 };
                    let off = (got[i] / exact - 1.0).abs();
                    assert!(off < tolerance, "{i} {} {exact}", got[i]);
                }
            }
        }
        let trace: f64 = (0..n).map(|i| a[(i, i)]).sum();
        assert_abs_diff_eq!(fine.freedoms(), trace, epsilon = 1e-9);
    }

    /// Between the nodes the uncertainty is read off straight: within 2% of exact, ends included.
    #[test]
    fn uncertainty_between_nodes() {
        let filter = Fair::even(1200, 1.0, 400.0).unwrap();
        let sd = vec![1.0; 1200];
        let u = filter.u(&sd, 4.0).unwrap();
        let chain = Chain::new(filter.s_mm(), 4.0);
        for i in (0..1200).step_by(7) {
            let r = filter.response(i);
            let exact = chain.variance(r.first, &r.weights).sqrt();
            assert!((u[i] / exact - 1.0).abs() < 0.02, "{i} {} {exact}", u[i]);
        }
        assert!(u[0] > 1.8 * u[600], "the ends are less certain");
    }

    #[test]
    fn refusals() {
        assert!(matches!(
            Fair::even(2, 1.0, 9.0),
            Err(FitError::TooFew { .. })
        ));
        for cutoff in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e6] {
            let refused = Fair::even(9, 1.0, cutoff);
            assert!(matches!(refused, Err(FitError::OutOfRange { .. })));
        }
        let back = Fair::new(&[0.0, 1.0, 1.0, 2.0], None, 9.0);
        assert!(matches!(back, Err(FitError::NotRising { index: 2 })));
        let lost = Fair::new(&[0.0, f64::NAN, 1.0, 2.0], None, 9.0);
        assert!(matches!(lost, Err(FitError::NotRising { index: 1 })));
        let filter = Fair::even(4, 1.0, 9.0).unwrap();
        assert!(matches!(
            filter.apply(&[0.0; 3]),
            Err(FitError::Unmatched { .. })
        ));
        let nan = filter.apply(&[0.0, 0.0, f64::NAN, 0.0]);
        assert!(matches!(nan, Err(FitError::NotFinite { index: 2 })));
        let unweighted = Fair::new(&[0.0, 1.0, 2.0], Some(&[0.0, 1.0, 0.0]), 9.0);
        assert!(matches!(unweighted, Err(FitError::TooFew { found: 1, .. })));
    }
}
