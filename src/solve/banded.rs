//! Symmetric positive definite band matrices: LDLᵀ factor, solution, and the band of the inverse.
//!
//! A smoothing problem over n points couples each point only with its next few neighbours, so its normal matrix has a
//! band of half-width b (2 for second differences). The root-free Cholesky factor keeps that band: O(n b²) once,
//! O(n b) a right side. The entries of the inverse *inside the band* follow from the factor alone by a backward
//! recursion (Takahashi 1973; Hutchinson and de Hoog 1985, both from memory), O(n b²), which gives leverages and
//! effective degrees of freedom without n solves.
//!
//! Everything is `f64`: the spline filter's matrix reaches a condition of 10⁹ (checks on ISO 16610-22).

use thiserror::Error;

/// Why a band matrix could not be factored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum BandError {
    /// A pivot was not above zero: the matrix is not positive definite (or holds a value that is not finite).
    #[error("the system of {size} equations has no single answer (row {row})")]
    NotDefinite {
        /// Row whose pivot failed.
        row: usize,
        /// Number of rows.
        size: usize,
    },
}

/// A symmetric band matrix: only the lower band is kept, row by row.
#[derive(Debug, Clone)]
pub struct Band {
    size: usize,
    half: usize,
    /// Row i holds columns i-half ..= i; entries left of column 0 stay zero.
    rows: Vec<f64>,
}

impl Band {
    /// A matrix of zeros with `size` rows; entries further than `half` from the diagonal are always zero.
    pub fn zeros(size: usize, half: usize) -> Self {
        Band {
            size,
            half,
            rows: vec![0.0; size * (half + 1)],
        }
    }

    /// Number of rows.
    pub fn size(&self) -> usize {
        self.size
    }

    /// Half-width of the band: 0 for a diagonal matrix, 2 for a pentadiagonal one.
    pub fn half(&self) -> usize {
        self.half
    }

    fn place(&self, row: usize, column: usize) -> Option<usize> {
        let (low, high) = (row.min(column), row.max(column));
        let off = high - low;
        (off <= self.half && high < self.size).then(|| high * (self.half + 1) + self.half - off)
    }

    /// Adds `value` to the entries (row, column) and (column, row).
    ///
    /// # Panics
    /// When the entry lies outside the matrix or its band: a fault of the caller's formula, not of its data.
    pub fn add(&mut self, row: usize, column: usize, value: f64) {
        let place = self
            .place(row, column)
            .expect("the formula stays inside the band");
        self.rows[place] += value;
    }

    /// The entry (row, column); zero outside the band.
    pub fn get(&self, row: usize, column: usize) -> f64 {
        self.place(row, column)
            .map_or(0.0, |place| self.rows[place])
    }

    /// Adds `weight · v vᵀ`, where v holds `values` from row `first` on: one more squared term in a least-squares sum.
    ///
    /// # Panics
    /// As [`Band::add`].
    pub fn add_square(&mut self, first: usize, values: &[f64], weight: f64) {
        for (i, &vi) in values.iter().enumerate() {
            for (j, &vj) in values[..=i].iter().enumerate() {
                self.add(first + i, first + j, weight * vi * vj);
            }
        }
    }

    /// Matrix times vector.
    ///
    /// # Panics
    /// When `vector` has another length than the matrix.
    pub fn times(&self, vector: &[f64]) -> Vec<f64> {
        assert_eq!(vector.len(), self.size, "one value a row");
        let width = self.half + 1;
        let mut out = vec![0.0; self.size];
        for (i, row) in self.rows.chunks_exact(width).enumerate() {
            for back in 0..=self.half.min(i) {
                let value = row[self.half - back];
                out[i] += value * vector[i - back];
                if back > 0 {
                    out[i - back] += value * vector[i];
                }
            }
        }
        out
    }

    /// LDLᵀ factor, O(n b²), in place.
    ///
    /// # Errors
    /// [`BandError::NotDefinite`] when a pivot is not above zero.
    pub fn factor(mut self) -> Result<Factor, BandError> {
        let (b, width) = (self.half, self.half + 1);
        for i in 0..self.size {
            let (done, rest) = self.rows.split_at_mut(i * width);
            let row = &mut rest[..width];
            let first = i.saturating_sub(b);
            // Solve L · (row i of L·D)ᵀ = (row i of A)ᵀ within the band.
            for j in first..i {
                let above = &done[j * width..(j + 1) * width];
                let from = first.max(j.saturating_sub(b));
                let mut sum = row[b + j - i];
                for k in from..j {
                    sum -= row[b + k - i] * above[b + k - j];
                }
                row[b + j - i] = sum;
            }
            let mut pivot = row[b];
            for j in first..i {
                let scaled = row[b + j - i];
                let unit = scaled / done[j * width + b];
                pivot -= scaled * unit;
                row[b + j - i] = unit;
            }
            if !(pivot > 0.0 && pivot.is_finite()) {
                return Err(BandError::NotDefinite {
                    row: i,
                    size: self.size,
                });
            }
            row[b] = pivot;
        }
        Ok(Factor { band: self })
    }
}

/// The LDLᵀ factor of a [`Band`]: unit lower L beside the diagonal D.
#[derive(Debug, Clone)]
pub struct Factor {
    band: Band,
}

impl Factor {
    /// Number of rows.
    pub fn size(&self) -> usize {
        self.band.size
    }

    fn row(&self, i: usize) -> &[f64] {
        let width = self.band.half + 1;
        &self.band.rows[i * width..(i + 1) * width]
    }

    /// Replaces the right side by the solution, O(n b).
    ///
    /// # Panics
    /// When `side` has another length than the matrix.
    pub fn solve(&self, side: &mut [f64]) {
        assert_eq!(side.len(), self.size(), "one value a row");
        let b = self.band.half;
        for i in 0..side.len() {
            let row = self.row(i);
            let near = b.min(i);
            let dot: f64 = row[b - near..b]
                .iter()
                .zip(&side[i - near..i])
                .map(|(l, x)| l * x)
                .sum();
            side[i] -= dot;
        }
        for (i, x) in side.iter_mut().enumerate() {
            *x /= self.row(i)[b];
        }
        // x_i is final once every later row has been taken off it; then it is taken off the rows above.
        for i in (0..side.len()).rev() {
            let row = self.row(i);
            for back in 1..=b.min(i) {
                side[i - back] -= row[b - back] * side[i];
            }
        }
    }

    /// The solution for a right side that is `value` in row `at` and zero elsewhere, where it is larger than `floor`
    /// times its own peak: the first row of that stretch, and the stretch. O(b) a row kept.
    ///
    /// The solution of a smoothing system dies away exponentially from `at`, so the cut costs no accuracy that
    /// `floor` does not state; 0 keeps all rows.
    pub fn solve_impulse(&self, at: usize, value: f64, floor: f64) -> (usize, Vec<f64>) {
        let (n, b) = (self.size(), self.band.half);
        if at >= n {
            return (0, Vec::new());
        }
        // Forward: zero above `at`, then decaying.
        let mut down = vec![value];
        let peak = value.abs();
        let mut quiet = 0;
        for i in at + 1..n {
            let row = self.row(i);
            let near = b.min(i - at);
            let y = -row[b - near..b]
                .iter()
                .zip(&down[i - near - at..])
                .map(|(l, x)| l * x)
                .sum::<f64>();
            down.push(y);
            quiet = if y.abs() <= floor * peak {
                quiet + 1
            } else {
                0
            };
            if quiet > b.max(4) && floor > 0.0 {
                break;
            }
        }
        // Backward from the last kept row; `out` is filled in falling order of rows.
        let last = at + down.len() - 1;
        let mut out: Vec<f64> = Vec::with_capacity(2 * down.len());
        let mut top: f64 = 0.0;
        let mut quiet = 0;
        for i in (0..=last).rev() {
            let y = if i >= at { down[i - at] } else { 0.0 };
            let mut x = y / self.row(i)[b];
            for ahead in 1..=b.min(last - i) {
                x -= self.row(i + ahead)[b - ahead] * out[out.len() - ahead];
            }
            out.push(x);
            top = top.max(x.abs());
            quiet = if i < at && x.abs() <= floor * top {
                quiet + 1
            } else {
                0
            };
            if quiet > b.max(4) && floor > 0.0 {
                break;
            }
        }
        out.reverse();
        (last + 1 - out.len(), out)
    }

    /// The entries of the inverse inside the band, O(n b²) (the full inverse has n² entries and is never formed).
    pub fn inverse_band(&self) -> Band {
        let (n, b) = (self.size(), self.band.half);
        let mut z = Band::zeros(n, b);
        for i in (0..n).rev() {
            let reach = b.min(n - 1 - i);
            for j in (i..=i + reach).rev() {
                let mut sum = if i == j { 1.0 / self.row(i)[b] } else { 0.0 };
                for k in i + 1..=i + reach {
                    sum -= self.row(k)[b + i - k] * z.get(k, j);
                }
                z.add(i, j, sum);
            }
        }
        z
    }

    /// The diagonal of the inverse, O(n b²).
    pub fn inverse_diagonal(&self) -> Vec<f64> {
        let z = self.inverse_band();
        (0..self.size()).map(|i| z.get(i, i)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    /// A random definite band matrix: squares of random short rows, plus a little on the diagonal.
    fn random(n: usize, b: usize, noise: &[f64]) -> Band {
        let mut at = noise.iter().cycle();
        let mut next = || *at.next().unwrap_or(&0.3);
        let mut m = Band::zeros(n, b);
        for i in 0..n {
            m.add(i, i, 0.05 + next().abs());
            let len = (b + 1).min(n - i);
            let v: Vec<f64> = (0..len).map(|_| next()).collect();
            m.add_square(i, &v, 1.0 + next().abs());
        }
        m
    }

    fn dense(m: &Band) -> DMatrix<f64> {
        DMatrix::from_fn(m.size(), m.size(), |i, j| m.get(i, j))
    }

    /// Against nalgebra's dense Cholesky on the same matrix.
    fn check(m: Band) {
        let full = dense(&m);
        let n = m.size();
        let inverse = full.clone().cholesky().unwrap().inverse();
        let scale = inverse.amax();
        let factor = m.clone().factor().unwrap();

        let side: Vec<f64> = (0..n).map(|i| (i as f64 * 0.7).sin() + 0.2).collect();
        let mut x = side.clone();
        factor.solve(&mut x);
        let expected = &inverse * DVector::from_column_slice(&side);
        for i in 0..n {
            assert!((x[i] - expected[i]).abs() < 1e-9 * scale * n as f64);
        }
        let back = m.times(&x);
        for i in 0..n {
            assert!((back[i] - side[i]).abs() < 1e-9 * scale * n as f64);
        }
        let band = factor.inverse_band();
        for i in 0..n {
            for j in i.saturating_sub(m.half())..=i {
                assert!((band.get(i, j) - inverse[(i, j)]).abs() < 1e-9 * scale);
            }
            let (first, column) = factor.solve_impulse(i, 2.0, 0.0);
            assert_eq!((first, column.len()), (0, n));
            for (j, v) in column.iter().enumerate() {
                assert!((v - 2.0 * inverse[(j, i)]).abs() < 1e-9 * scale);
            }
        }
    }

    proptest! {
        #[test]
        fn agrees_with_a_dense_factor(
            n in 1usize..24, b in 0usize..5, noise in proptest::collection::vec(-1.0f64..1.0, 60..90)
        ) {
            check(random(n, b, &noise));
        }
    }

    #[test]
    fn a_singular_matrix_is_refused() {
        let mut m = Band::zeros(3, 2);
        m.add_square(0, &[1.0, -2.0, 1.0], 1.0);
        assert!(matches!(
            m.factor(),
            Err(BandError::NotDefinite { size: 3, .. })
        ));
        let mut m = Band::zeros(2, 1);
        m.add(0, 0, f64::NAN);
        m.add(1, 1, 1.0);
        assert!(m.factor().is_err());
    }

    #[test]
    fn a_cut_impulse_is_the_whole_one_where_it_is_kept() {
        let n = 400;
        let mut m = Band::zeros(n, 2);
        for i in 0..n {
            m.add(i, i, 1.0);
            if i + 2 < n {
                m.add_square(i, &[1.0, -2.0, 1.0], 50.0);
            }
        }
        let factor = m.factor().unwrap();
        for at in [0, 3, 200, 398] {
            let (first, kept) = factor.solve_impulse(at, 1.0, 1e-9);
            let (_, all) = factor.solve_impulse(at, 1.0, 0.0);
            assert!(kept.len() < n);
            let inside = first..first + kept.len();
            for (i, v) in all.iter().enumerate() {
                let got = if inside.contains(&i) {
                    kept[i - first]
                } else {
                    0.0
                };
                assert!((got - v).abs() < 2e-8, "{at} {i} {got} {v}");
            }
        }
    }
}
