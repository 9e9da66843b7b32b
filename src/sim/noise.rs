//! Texture: a repeating tile of smooth noise for surfaces, and a rough line for the edge of sanded coat.

use super::random::Rng;

const SIDE: usize = 512;

/// A tile of standard normal numbers on a whole-number lattice, read between lattice points by a smooth blend.
///
/// Repeats every 512 lattice steps; a caller's wavelength is the lattice step in mm.
#[derive(Debug, Clone)]
pub struct Tile {
    values: Vec<f32>,
}

impl Tile {
    /// A tile of its own for each seed.
    pub fn new(rng: &mut Rng) -> Self {
        Tile {
            values: (0..SIDE * SIDE).map(|_| rng.normal() as f32).collect(),
        }
    }

    /// Noise at a place (lattice steps): mean 0, spread about 0.7 (1 on lattice points, less between).
    pub fn at(&self, x: f64, y: f64) -> f32 {
        // Rounding down by hand: the plain machine has no instruction for it.
        let down = |v: f64| {
            let whole = v as i64;
            if (whole as f64) > v { whole - 1 } else { whole }
        };
        let (ix, iy) = (down(x), down(y));
        let blend = |t: f32| t * t * (3.0 - 2.0 * t);
        let (u, v) = (blend((x - ix as f64) as f32), blend((y - iy as f64) as f32));
        let wrap = |i: i64| (i & (SIDE as i64 - 1)) as usize;
        let (x0, x1) = (wrap(ix), wrap(ix + 1));
        let (y0, y1) = (wrap(iy) * SIDE, wrap(iy + 1) * SIDE);
        let top = self.values[y0 + x0] * (1.0 - u) + self.values[y0 + x1] * u;
        let low = self.values[y1 + x0] * (1.0 - u) + self.values[y1 + x1] * u;
        top * (1.0 - v) + low * v
    }

    /// Cloudy noise: octaves from `longest_mm` down, each half as long and `fall` times as strong; mean 0,
    /// spread about 0.7.
    pub fn cloud(&self, x_mm: f64, y_mm: f64, longest_mm: f64, octaves: usize, fall: f32) -> f32 {
        let (mut step, mut weight, mut sum, mut squares) = (longest_mm, 1.0f32, 0.0f32, 0.0f32);
        for k in 0..octaves {
            let shift = 37.3 * k as f64;
            // Each octave turned by another angle, or the lattice shows.
            let (sin, cos) = [(0.0, 1.0), (0.6, 0.8), (-0.8, 0.6), (0.28, 0.96)][k % 4];
            let (u, v) = (
                (cos * x_mm - sin * y_mm) / step + shift,
                (sin * x_mm + cos * y_mm) / step - shift,
            );
            sum += weight * self.at(u, v);
            squares += weight * weight;
            step *= 0.5;
            weight *= fall;
        }
        sum / squares.sqrt()
    }
}

/// A rough line: offsets (mm) along x, normal, with standard deviation `rms_mm` and autocorrelation
/// `exp(-(distance / correlation)^2)`.
#[derive(Debug, Clone)]
pub struct Ragged {
    from_mm: f64,
    step_mm: f64,
    offsets: Vec<f64>,
}

impl Ragged {
    /// Drawn between two places; the lattice is an eighth of the correlation length.
    pub fn new(rng: &mut Rng, from_mm: f64, to_mm: f64, rms_mm: f64, correlation_mm: f64) -> Self {
        let step = correlation_mm / 8.0;
        // White noise through a Gaussian of standard deviation correlation/2 has that autocorrelation.
        let sd = 4.0;
        let reach = 16i64;
        let kernel: Vec<f64> = (-reach..=reach)
            .map(|k| (-0.5 * (k as f64 / sd).powi(2)).exp())
            .collect();
        let norm = kernel.iter().map(|k| k * k).sum::<f64>().sqrt();
        let count = ((to_mm - from_mm) / step).ceil().max(1.0) as usize + 2;
        let white: Vec<f64> = (0..count + kernel.len()).map(|_| rng.normal()).collect();
        let offsets = white
            .windows(kernel.len())
            .take(count)
            .map(|w| rms_mm / norm * w.iter().zip(&kernel).map(|(a, b)| a * b).sum::<f64>())
            .collect();
        Ragged {
            from_mm,
            step_mm: step,
            offsets,
        }
    }

    /// Offset at x, mm; held at the ends.
    pub fn at(&self, x_mm: f64) -> f64 {
        let t = ((x_mm - self.from_mm) / self.step_mm).clamp(0.0, (self.offsets.len() - 2) as f64);
        let i = t as usize;
        let f = t - i as f64;
        self.offsets[i] * (1.0 - f) + self.offsets[i + 1] * f
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ragged_line_has_the_stated_spread_and_correlation() {
        let (rms, length) = (0.1, 1.5);
        let line = Ragged::new(&mut Rng::new(3, 0), 0.0, 30_000.0, rms, length);
        let n = 40_000;
        let mean = |lag: f64| {
            (0..n)
                .map(|i| i as f64 * 0.7)
                .map(|x| line.at(x) * line.at(x + lag))
                .sum::<f64>()
                / n as f64
        };
        // 28 000 mm hold about 10 000 independent pieces: 5 standard errors are 7% of the variance. Reading between
        // lattice points takes 1% away.
        assert!((mean(0.0).sqrt() / rms - 1.0).abs() < 0.05);
        assert!((mean(length) / (rms * rms) - (-1.0f64).exp()).abs() < 0.07);
    }
}
