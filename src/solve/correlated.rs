//! Noise that is alike in neighbouring points: exponential correlation along a line.
//!
//! Points at places s with correlation exp(-|s_i - s_j| / ℓ) form a first-order Markov chain (the Ornstein–Uhlenbeck
//! process sampled at any spacing; AR(1) when it is even, Box and Jenkins, from memory), so sums over all pairs need one
//! pass, not n². ℓ = 0 is white noise.

/// Correlation of neighbours `distance` apart under correlation length `length`.
fn link(distance: f64, length: f64) -> f64 {
    if length > 0.0 {
        (-distance.abs() / length).exp()
    } else {
        0.0
    }
}

/// The correlation between neighbours of one line, worked out once for many sums.
#[derive(Debug, Clone)]
pub struct Chain {
    /// Correlation of each point with the one before; 0 for the first.
    kept: Vec<f64>,
}

impl Chain {
    /// For points at rising places `s` with correlation length `length` (same unit; 0 for independent points).
    pub fn new(s: &[f64], length: f64) -> Self {
        let first = s.first().map(|_| 0.0);
        let rest = s.windows(2).map(|pair| link(pair[1] - pair[0], length));
        Chain {
            kept: first.into_iter().chain(rest).collect(),
        }
    }

    /// Covariance of Σ aᵢ eᵢ and Σ bᵢ eᵢ for errors eᵢ of variance one, where the weights stand for the points from
    /// `first` on. O(n). The shortest list decides how many points count.
    pub fn covariance(&self, first: usize, a: &[f64], b: &[f64]) -> f64 {
        let mut sum = 0.0;
        // What of the earlier points' weights still reaches this one.
        let (mut from_a, mut from_b) = (0.0, 0.0);
        let kept = self.kept.get(first..).unwrap_or_default();
        for ((kept, &a), &b) in kept.iter().zip(a).zip(b) {
            from_a *= kept;
            from_b *= kept;
            sum += a * b + from_a * b + from_b * a;
            from_a += a;
            from_b += b;
        }
        sum
    }

    /// Variance of Σ aᵢ eᵢ; see [`Chain::covariance`].
    pub fn variance(&self, first: usize, a: &[f64]) -> f64 {
        let mut sum = 0.0;
        let mut from = 0.0;
        let kept = self.kept.get(first..).unwrap_or_default();
        for (kept, &a) in kept.iter().zip(a) {
            from *= kept;
            sum += a * (a + 2.0 * from);
            from += a;
        }
        sum.max(0.0)
    }
}

/// Turns independent standard normal numbers into correlated ones at rising places `s`, in place: variance one,
/// correlation length `length`.
pub fn colour(s: &[f64], white: &mut [f64], length: f64) {
    for i in 1..white.len().min(s.len()) {
        let kept = link(s[i] - s[i - 1], length);
        white[i] = kept * white[i - 1] + (1.0 - kept * kept).sqrt() * white[i];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn by_pairs(s: &[f64], a: &[f64], b: &[f64], length: f64) -> f64 {
        let mut sum = 0.0;
        for i in 0..s.len() {
            for j in 0..s.len() {
                let c = if i == j {
                    1.0
                } else {
                    link(s[i] - s[j], length)
                };
                sum += a[i] * c * b[j];
            }
        }
        sum
    }

    proptest! {
        #[test]
        fn one_pass_is_the_sum_over_pairs(
            raw in proptest::collection::vec((0.01f64..3.0, -2.0f64..2.0, -2.0f64..2.0), 1..30),
            length in prop_oneof![Just(0.0), 0.05f64..20.0]
        ) {
            let mut at = 0.0;
            let s: Vec<f64> = raw.iter().map(|r| { at += r.0; at }).collect();
            let a: Vec<f64> = raw.iter().map(|r| r.1).collect();
            let b: Vec<f64> = raw.iter().map(|r| r.2).collect();
            let chain = Chain::new(&s, length);
            for first in [0, s.len() / 2] {
                let (s, a, b) = (&s[first..], &a[first..], &b[first..]);
                let expected = by_pairs(s, a, b, length);
                prop_assert!((chain.covariance(first, a, b) - expected).abs() < 1e-9);
                let expected = by_pairs(s, a, a, length);
                prop_assert!((chain.variance(first, a) - expected).abs() < 1e-9);
            }
        }

        /// Colouring is linear: column k of its matrix is its answer to a unit in place k, and the matrix times its
        /// transpose must be the correlation.
        #[test]
        fn colouring_gives_that_correlation(
            steps in proptest::collection::vec(0.01f64..3.0, 2..10), length in 0.0f64..8.0
        ) {
            let mut at = 0.0;
            let s: Vec<f64> = steps.iter().map(|d| { at += d; at }).collect();
            let n = s.len();
            let columns: Vec<Vec<f64>> = (0..n).map(|k| {
                let mut unit = vec![0.0; n];
                unit[k] = 1.0;
                colour(&s, &mut unit, length);
                unit
            }).collect();
            for i in 0..n {
                for j in 0..n {
                    let got: f64 = columns.iter().map(|c| c[i] * c[j]).sum();
                    let expected = if i == j { 1.0 } else { link(s[i] - s[j], length) };
                    prop_assert!((got - expected).abs() < 1e-12);
                }
            }
        }
    }
}
