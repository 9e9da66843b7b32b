//! What the readings scatter by: raggedness of the edge about the filtered line, and what the paint's texture does to it.

use super::follow::Followed;
use super::shape::Run;
use crate::fit::fair::Fair;

/// A run's phantom readings with outliers (a card's edge, a chip) set to the median and trusted no more.
pub fn cleaned(series: &[f64], range: &std::ops::Range<usize>) -> Option<(Vec<f64>, Vec<f64>)> {
    let raw: Vec<f64> = range
        .clone()
        .map(|k| series.get(k).copied().unwrap_or(f64::NAN))
        .collect();
    let mut sorted: Vec<f64> = raw.iter().copied().filter(|v| v.is_finite()).collect();
    if sorted.len() < 12 {
        return None;
    }
    sorted.sort_by(f64::total_cmp);
    let median = sorted[sorted.len() / 2];
    let mut away: Vec<f64> = sorted.iter().map(|v| (v - median).abs()).collect();
    away.sort_by(f64::total_cmp);
    let limit = 4.0 * 1.4826 * away[away.len() / 2] + 1e-9;
    let good = |v: f64| v.is_finite() && (v - median).abs() < limit;
    let trust = raw
        .iter()
        .map(|v| if good(*v) { 1.0 } else { 1e-6 })
        .collect();
    let clean = raw
        .iter()
        .map(|v| if good(*v) { *v } else { median })
        .collect();
    Some((clean, trust))
}

/// Standard deviation and correlation length (mm) of readings about the filtered line.
pub fn raggedness(runs: &[Vec<(f64, f64)>]) -> (f64, f64) {
    let all: Vec<f64> = runs.iter().flatten().map(|r| r.1).collect();
    let n = all.len().max(1) as f64;
    let variance = all.iter().map(|r| r * r).sum::<f64>() / n;
    // Correlation of neighbours one station apart gives the exponential's length; the filter has taken the long ones.
    let (mut product, mut pairs, mut gap) = (0.0, 0.0, 0.0);
    for run in runs {
        for pair in run.windows(2) {
            product += pair[0].1 * pair[1].1;
            gap += pair[1].0 - pair[0].0;
            pairs += 1.0;
        }
    }
    if pairs < 4.0 || variance <= 0.0 {
        return (variance.sqrt(), 0.0);
    }
    let rho = (product / pairs / variance).clamp(0.0, 0.95);
    let length = if rho > 0.02 {
        -(gap / pairs) / rho.ln()
    } else {
        0.0
    };
    // What the filter took away with it: readings of that correlation lose about their share of the pass band.
    (variance.sqrt() * (1.0 + 0.5 * rho), length)
}

/// What texture does to the filtered place (standard uncertainty, mm) and over what length it is alike (mm): the phantom
/// readings beside the line, filtered as the line is, freed of their straight line as deviations are.
pub fn texture(followed: &Followed, runs: &[Run], mm_per_row: f64, cutoff_mm: f64) -> (f64, f64) {
    let mut squares = Vec::new();
    let mut lengths = Vec::new();
    for series in &followed.edge.phantoms {
        let (mut sum, mut n) = (0.0, 0.0);
        let (mut product, mut pairs) = (0.0, 0.0);
        for run in runs {
            let Some((clean, weight)) = cleaned(series, &run.stations) else {
                continue;
            };
            let Ok(filter) = Fair::new(&run.s_mm, Some(&weight), cutoff_mm) else {
                continue;
            };
            let Ok(smooth) = filter.apply(&clean) else {
                continue;
            };
            let smooth = without_line(&run.s_mm, &smooth);
            let lag = (cutoff_mm / 2.0 / mean_step(&run.s_mm)).round().max(1.0) as usize;
            for i in 0..smooth.len() {
                sum += smooth[i] * smooth[i];
                n += 1.0;
                if i + lag < smooth.len() {
                    product += smooth[i] * smooth[i + lag];
                    pairs += 1.0;
                }
            }
        }
        if n > 0.0 {
            squares.push(sum / n);
            let rho = (product / f64::max(pairs, 1.0) / (sum / n).max(1e-15)).clamp(0.05, 0.95);
            lengths.push(-(cutoff_mm / 2.0) / rho.ln());
        }
    }
    if squares.is_empty() {
        return (0.0, cutoff_mm);
    }
    let mean = squares.iter().sum::<f64>() / squares.len() as f64;
    (
        mean.sqrt() * mm_per_row,
        lengths.iter().sum::<f64>() / lengths.len() as f64,
    )
}

pub fn mean_step(s: &[f64]) -> f64 {
    (s[s.len() - 1] - s[0]) / (s.len() - 1).max(1) as f64
}

/// Values less their least-squares straight line over s.
fn without_line(s: &[f64], v: &[f64]) -> Vec<f64> {
    let n = s.len() as f64;
    let (ms, mv) = (s.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let (mut ss, mut sv) = (0.0, 0.0);
    for (a, b) in s.iter().zip(v) {
        ss += (a - ms) * (a - ms);
        sv += (a - ms) * (b - mv);
    }
    let slope = if ss > 0.0 { sv / ss } else { 0.0 };
    s.iter()
        .zip(v)
        .map(|(a, b)| b - mv - slope * (a - ms))
        .collect()
}
