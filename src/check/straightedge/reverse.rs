//! The reversal method: two photos, the straightedge turned over between them, tell its own error from the panel's shape.
//!
//! A straightedge of even width that is bent lies bent the other way when it is turned about its own length, its back to the
//! panel. With P the panel and S the straightedge's error at one place the gaps read are M₁ = P + S and M₂ = P − S, so
//! P = (M₁ + M₂)/2 and S = (M₁ − M₂)/2 (the straightedge reversal of Evans, Hocken and Estler 1996, from memory). A straight
//! line in either is how the straightedge stood, not its shape: S is given from its best straight line, and P as under a true
//! straightedge that stands by its own weight.

use super::StraightedgeError;
use super::found::Found;
use super::gap::Gap;
use crate::units::{K95, Measured};
use serde::{Deserialize, Serialize};

/// What turning over told of the straightedge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Turned {
    /// The second photo, as given.
    pub photo: String,
    /// The straightedge's own error along it.
    pub error: Vec<ErrorAt>,
    /// The largest, without sign.
    pub largest_error_mm: Measured,
}

/// The straightedge's error at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ErrorAt {
    /// Along it, mm, as in the first photo.
    pub s_mm: f64,
    /// Error, mm: above zero where its edge falls short of straight in the first photo, so that the gap there read too large.
    pub error_mm: f64,
    /// Half-width of its 95% interval, mm.
    pub u95_mm: f64,
}

/// Tells both apart: panel and straightedge, from two readings at the same places.
pub fn separate(first: &[f64], second: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let pairs = || first.iter().zip(second);
    (
        pairs().map(|(a, b)| 0.5 * (a + b)).collect(),
        pairs().map(|(a, b)| 0.5 * (a - b)).collect(),
    )
}

/// Lengths seen may differ by this, mm: what an end is found to, twice.
const SAME_MM: f64 = 8.0;

/// Joins the readings of both photos: the first one's gap without the straightedge's error, and that error.
///
/// # Errors
/// [`StraightedgeError::NotTheSame`] when the photos don't show the same end of it, or not the same length.
pub fn join(
    (first, first_found): (&Gap, &Found),
    (second, second_found): (&Gap, &Found),
    photo: &str,
) -> Result<(Gap, Turned), StraightedgeError> {
    let length = |g: &Gap| g.s_mm.last().copied().unwrap_or(0.0) - g.s_mm[0];
    let both = |k: usize| first_found.ends[k] && second_found.ends[k];
    let differ = (length(first) - length(second)).abs();
    let shift = if both(0) {
        0.0
    } else if both(1) {
        length(second) - length(first)
    } else {
        f64::NAN
    };
    if !shift.is_finite() || (both(0) && both(1) && differ > SAME_MM) {
        return Err(StraightedgeError::NotTheSame {
            first_mm: length(first),
            second_mm: length(second),
        });
    }
    let at = |values: &[f64], s: f64| interpolate(&second.s_mm, values, s + shift);
    let other: Vec<f64> = first.s_mm.iter().map(|s| at(&second.gap_mm, *s)).collect();
    let (panel, rule) = separate(&first.gap_mm, &other);
    let u_noise_mm: Vec<f64> = first
        .s_mm
        .iter()
        .zip(&first.u_noise_mm)
        .map(|(s, u)| 0.5 * u.hypot(at(&second.u_noise_mm, *s)))
        .collect();
    let error = level(&first.s_mm, &rule);
    // What moves both curves alike is in their mean, and cancels in their difference: the noise is left.
    let rows: Vec<ErrorAt> = first
        .s_mm
        .iter()
        .zip(&error)
        .zip(&u_noise_mm)
        .map(|((s, e), u)| ErrorAt {
            s_mm: *s,
            error_mm: *e,
            u95_mm: K95 * u,
        })
        .collect();
    let largest = rows
        .iter()
        .max_by(|a, b| a.error_mm.abs().total_cmp(&b.error_mm.abs()));
    let largest_error_mm = Measured {
        value: largest.map_or(0.0, |e| e.error_mm.abs()),
        u95: largest.map_or(0.0, |e| e.u95_mm),
    };
    let mut joined = first.clone();
    joined.gap_mm = rested(&first.s_mm, &panel);
    joined.u_noise_mm = u_noise_mm;
    joined.sd_mm = 0.5 * first.sd_mm.hypot(second.sd_mm);
    for common in &mut joined.common {
        for other in second.common.iter().filter(|c| c.source == common.source) {
            for (by, s) in common.by_mm.iter_mut().zip(&first.s_mm) {
                *by = 0.5 * (by.abs() + at(&other.by_mm, *s).abs());
            }
        }
    }
    Ok((
        joined,
        Turned {
            photo: photo.to_string(),
            error: rows,
            largest_error_mm,
        },
    ))
}

fn interpolate(x: &[f64], y: &[f64], at: f64) -> f64 {
    let n = x.len().min(y.len());
    if n < 2 {
        return y.first().copied().unwrap_or(0.0);
    }
    let k = x.partition_point(|v| *v <= at).clamp(1, n - 1);
    let t = ((at - x[k - 1]) / (x[k] - x[k - 1])).clamp(0.0, 1.0);
    y[k - 1] + (y[k] - y[k - 1]) * t
}

/// Less the best straight line.
fn level(s: &[f64], v: &[f64]) -> Vec<f64> {
    let n = s.len().max(1) as f64;
    let (ms, mv) = (s.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let lever: f64 = s.iter().map(|s| (s - ms).powi(2)).sum();
    let dot: f64 = s.iter().zip(v).map(|(s, v)| (s - ms) * (v - mv)).sum();
    let slope = if lever > 0.0 { dot / lever } else { 0.0 };
    s.iter()
        .zip(v)
        .map(|(s, v)| v - mv - slope * (s - ms))
        .collect()
}

/// The gap under a true straightedge that stands by its own weight: less the edge of its lower hull over the middle.
fn rested(s: &[f64], gap: &[f64]) -> Vec<f64> {
    let mut hull: Vec<usize> = Vec::new();
    for i in 0..s.len() {
        while let [.., a, b] = hull[..] {
            let turn = (s[b] - s[a]) * (gap[i] - gap[a]) - (gap[b] - gap[a]) * (s[i] - s[a]);
            if turn > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(i);
    }
    let middle = 0.5 * (s[0] + s[s.len() - 1]);
    let pair = hull
        .windows(2)
        .find(|p| s[p[0]] <= middle && s[p[1]] >= middle);
    let (a, b) = pair.map_or((0, s.len() - 1), |p| (p[0], p[1]));
    let slope = if b > a {
        (gap[b] - gap[a]) / (s[b] - s[a])
    } else {
        0.0
    };
    s.iter()
        .zip(gap)
        .map(|(s_i, g)| g - gap[a] - slope * (s_i - s[a]))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// The method's identity: whatever panel and straightedge are, the mean is the one and half the difference the other
    /// (Evans, Hocken, Estler, 'Self-calibration: reversal, redundancy, error separation, and absolute testing', CIRP Annals
    /// 45/2, 1996, straightedge reversal; from memory).
    #[test]
    fn mean_is_the_panel_and_half_the_difference_the_straightedge() {
        let panel: Vec<f64> = (0..50)
            .map(|i| 0.3 * (0.2 * f64::from(i)).sin() + 1.0)
            .collect();
        let rule: Vec<f64> = (0..50).map(|i| 0.05 * (0.5 * f64::from(i)).cos()).collect();
        let first: Vec<f64> = panel.iter().zip(&rule).map(|(p, s)| p + s).collect();
        let second: Vec<f64> = panel.iter().zip(&rule).map(|(p, s)| p - s).collect();
        let (p, s) = separate(&first, &second);
        for i in 0..50 {
            assert_abs_diff_eq!(p[i], panel[i], epsilon = 1e-12);
            assert_abs_diff_eq!(s[i], rule[i], epsilon = 1e-12);
        }
    }

    #[test]
    fn a_true_straightedge_rests_on_both_rims_of_a_hollow() {
        let s: Vec<f64> = (0..=100).map(f64::from).collect();
        // A hollow of 1 mm under a straightedge that was held askew and 0.2 mm off.
        let gap: Vec<f64> = s
            .iter()
            .map(|s| 1.0 - ((s - 50.0) / 50.0).powi(2) + 0.2 + 0.004 * s)
            .collect();
        let got = rested(&s, &gap);
        assert_abs_diff_eq!(got[0], 0.0, epsilon = 1e-12);
        assert_abs_diff_eq!(got[100], 0.0, epsilon = 1e-12);
        assert_abs_diff_eq!(got[50], 1.0, epsilon = 1e-12);
    }
}
