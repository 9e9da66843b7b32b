//! A robust smooth course through scattered readings along a line.
//!
//! Weighted second-difference smoothing (Whittaker 1923, Henderson 1924; the same system as the open spline filter of
//! ISO 16610-22), re-weighted with Tukey's biweight so that chips, drips and dust don't pull it.

use crate::solve::banded::Band;

/// Smooth course and the weight each reading kept.
#[derive(Debug, Clone)]
pub struct Course {
    /// Smoothed value of each reading's place.
    pub value: Vec<f64>,
    /// Weight each reading kept, 0 to 1 times the weight it came with.
    pub weight: Vec<f64>,
    /// Robust standard deviation of the readings about the course (1.4826 MAD), in units of 1/sqrt(weight).
    pub sd: f64,
}

/// Smooths evenly spaced readings.
///
/// `weight`: 0 for a reading that isn't there. `cutoff`: wavelength passed to one half, in readings. `None` when fewer than
/// 4 readings are there.
pub fn course(readings: &[f64], weight: &[f64], cutoff: f64, rounds: usize) -> Option<Course> {
    let n = readings.len();
    if weight.iter().filter(|w| **w > 0.0).count() < 4 {
        return None;
    }
    let a = 1.0 / (2.0 * (std::f64::consts::PI / cutoff.max(2.5)).sin());
    let stiff = a.powi(4);
    let mut kept: Vec<f64> = weight.to_vec();
    let mut value = vec![0.0; n];
    let mut sd = 0.0;
    for round in 0..=rounds {
        let mut band = Band::zeros(n, 2);
        for i in 0..n {
            band.add(i, i, kept[i] + 1e-9);
            value[i] = kept[i] * readings[i];
            if kept[i] == 0.0 {
                value[i] = 0.0;
            }
        }
        for i in 0..n.saturating_sub(2) {
            band.add_square(i, &[1.0, -2.0, 1.0], stiff);
        }
        band.factor().ok()?.solve(&mut value);
        let mut misses: Vec<f64> = (0..n)
            .filter(|i| weight[*i] > 0.0)
            .map(|i| (readings[i] - value[i]).abs() * weight[i].sqrt())
            .collect();
        let middle = misses.len() / 2;
        sd = 1.4826 * *misses.select_nth_unstable_by(middle, f64::total_cmp).1;
        if round == rounds {
            break;
        }
        let reach = 4.685 * sd.max(1e-9);
        for i in 0..n {
            let u = (readings[i] - value[i]).abs() * weight[i].sqrt() / reach;
            kept[i] = if u < 1.0 {
                weight[i] * (1.0 - u * u).powi(2)
            } else {
                0.0
            };
        }
    }
    Some(Course {
        value,
        weight: kept,
        sd,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chip_does_not_pull_the_course() {
        let mut readings: Vec<f64> = (0..200).map(|i| 0.01 * i as f64).collect();
        for r in &mut readings[90..96] {
            *r += 3.0;
        }
        let got = course(&readings, &[1.0; 200], 20.0, 6).expect("enough readings");
        for (i, v) in got.value.iter().enumerate() {
            assert!((v - 0.01 * i as f64).abs() < 0.02, "{i}: {v}");
        }
    }

    #[test]
    fn too_few_readings_are_no_course() {
        assert!(course(&[1.0; 9], &[0.0; 9], 20.0, 2).is_none());
    }
}
