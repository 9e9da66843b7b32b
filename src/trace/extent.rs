//! Where along a strip the line is there: its two ends, and the gaps between panels.
//!
//! A panel's end and a door gap change *both* flanks at once and abruptly; a coat's patches, a mask or dirt change one of
//! them. So the boundaries are where the lesser of the two flanks' changes stands out. The stretches between boundaries
//! then belong to the line when they carry its step of colour, joined across whatever is narrow and dark.

use super::strip::{Cell, Strip};

/// How to look, in cells of the strip.
#[derive(Debug, Clone)]
pub struct ExtentOptions {
    /// Rows from the line to where a flank's colour is read.
    pub near: f64,
    /// Rows to where it ends.
    pub far: f64,
    /// Columns averaged on each side of a boundary.
    pub reach: usize,
    /// Widest gap between panels, columns.
    pub widest_gap: usize,
    /// Line's step of colour, below less above, in the strip's coding.
    pub step: [f32; 3],
    /// A column that surely lies on the line.
    pub anchor: usize,
}

/// A gap between panels is darker than this share of the panels beside it (square-rooted light).
const DARK: f32 = 0.82;

/// Unbroken stretches of the line, first column and one past the last; between two of them is a gap.
#[derive(Debug, Clone, PartialEq)]
pub struct Extent {
    /// The stretches, in order.
    pub stretches: Vec<std::ops::Range<usize>>,
    /// Parts of the stretches where the line itself can't be seen (coat sanded through, a drip), but the panel goes on.
    pub unseen: Vec<std::ops::Range<usize>>,
}

/// Colours of both flanks at one column.
#[derive(Debug, Clone, Copy)]
struct Flanks {
    above: Cell,
    below: Cell,
}

/// Finds the stretches of the line whose row in each column is `path`.
pub fn extent(strip: &Strip, path: &[f64], options: &ExtentOptions) -> Option<Extent> {
    let flanks: Vec<Option<Flanks>> = (0..strip.columns)
        .map(|c| flanks_at(strip, c, path[c], options))
        .collect();
    let bounds = boundaries(&flanks, options);
    let mut parts: Vec<(std::ops::Range<usize>, f64, f64, f32)> = Vec::new();
    for pair in bounds.windows(2) {
        let range = pair[0]..pair[1];
        if range.is_empty() {
            continue;
        }
        let (share, error) = carried(strip, path, &range, options);
        let light = brightness(&flanks, &range);
        parts.push((range, share, share / error.max(1e-9), light));
    }
    let home = parts.iter().position(|p| p.0.contains(&options.anchor))?;
    let on = |p: &(std::ops::Range<usize>, f64, f64, f32)| p.1 > 0.4 && p.2 > 2.5;
    let mut kept = vec![home];
    for direction in [-1i64, 1] {
        let mut k = home as i64;
        let mut skipped = 0;
        loop {
            k += direction;
            let Some(part) = usize::try_from(k).ok().and_then(|k| parts.get(k)) else {
                break;
            };
            let edge = &parts[*if direction < 0 {
                kept.first()
            } else {
                kept.last()
            }
            .unwrap_or(&home)];
            // A gap is narrow and dark; what lies beyond it must be like what lies before it.
            let beyond = usize::try_from(k + direction)
                .ok()
                .and_then(|k| parts.get(k));
            let dark = part.0.len() <= options.widest_gap
                && beyond.is_some_and(|b| part.3 < DARK * b.3.min(edge.3) && on(b));
            if on(part) && !dark && part.0.len() > options.reach / 2 {
                if direction < 0 {
                    kept.insert(0, k as usize);
                } else {
                    kept.push(k as usize);
                }
                skipped = 0;
            } else {
                skipped += part.0.len();
                if skipped > options.widest_gap
                    || (part.3 > 1.2 * edge.3 && part.0.len() > options.reach)
                {
                    break;
                }
            }
        }
    }
    let mut stretches: Vec<std::ops::Range<usize>> = Vec::new();
    let mut unseen = Vec::new();
    let mut last: Option<usize> = None;
    for k in kept {
        let range = parts[k].0.clone();
        let Some(before) = last.replace(k) else {
            stretches.push(range);
            continue;
        };
        // Between two panels it is dark; where it is not, the panel goes on and only the line is not seen.
        let light = parts[before].3.min(parts[k].3);
        let gap = (before + 1..k).any(|m| parts[m].3 < DARK * light);
        match stretches.last_mut() {
            Some(stretch) if !gap => {
                if stretch.end < range.start {
                    unseen.push(stretch.end..range.start);
                }
                stretch.end = range.end;
            }
            _ => stretches.push(range),
        }
    }
    unseen.extend(bare(&flanks, options));
    Some(Extent { stretches, unseen })
}

/// Columns about which a clear step is missing: coat sanded through, a drip. Where the step is a faint one this can't be
/// told from noise and nothing is marked.
fn bare(flanks: &[Option<Flanks>], options: &ExtentOptions) -> Vec<std::ops::Range<usize>> {
    const CLEAR: f32 = 0.08;
    const LEAST_SHARE: f32 = 0.25;
    let size2: f32 = options.step.iter().map(|s| s * s).sum();
    if size2 < CLEAR * CLEAR {
        return Vec::new();
    }
    let share: Vec<Option<f32>> = flanks
        .iter()
        .map(|f| {
            f.as_ref().map(|f| {
                (0..3)
                    .map(|i| (f.below[i] - f.above[i]) * options.step[i])
                    .sum::<f32>()
                    / size2
            })
        })
        .collect();
    let reach = options.reach.max(2);
    let missing = |c: usize| {
        let around = &share[c.saturating_sub(reach)..(c + reach + 1).min(share.len())];
        let seen: Vec<f32> = around.iter().flatten().copied().collect();
        !seen.is_empty() && seen.iter().sum::<f32>() / (seen.len() as f32) < LEAST_SHARE
    };
    let mut out: Vec<std::ops::Range<usize>> = Vec::new();
    for c in 0..share.len() {
        if missing(c) {
            match out.last_mut() {
                Some(last) if last.end == c => last.end = c + 1,
                _ => out.push(c..c + 1),
            }
        }
    }
    out
}

fn flanks_at(strip: &Strip, column: usize, middle: f64, options: &ExtentOptions) -> Option<Flanks> {
    let cells = strip.column(column);
    let mean = |from: f64, to: f64| -> Option<Cell> {
        let (from, to) = (
            from.ceil().max(0.0) as usize,
            to.floor().min(cells.len() as f64 - 1.0),
        );
        if to < from as f64 {
            return None;
        }
        let seen: Vec<&Cell> = cells[from..=to as usize]
            .iter()
            .filter(|c| !c[0].is_nan())
            .collect();
        if 2 * seen.len() < to as usize + 1 - from {
            return None;
        }
        Some(std::array::from_fn(|i| {
            seen.iter().map(|c| c[i]).sum::<f32>() / seen.len() as f32
        }))
    };
    Some(Flanks {
        above: mean(middle - options.far, middle - options.near)?,
        below: mean(middle + options.near, middle + options.far)?,
    })
}

fn distance(a: &Cell, b: &Cell) -> f32 {
    a.iter()
        .zip(b)
        .take(3)
        .map(|(a, b)| (a - b) * (a - b))
        .sum::<f32>()
        .sqrt()
}

/// First and last visible column and every place between where both flanks change at once.
fn boundaries(flanks: &[Option<Flanks>], options: &ExtentOptions) -> Vec<usize> {
    let n = flanks.len();
    let seen = |c: usize| flanks[c].is_some();
    let (Some(first), Some(last)) = ((0..n).find(|c| seen(*c)), (0..n).rev().find(|c| seen(*c)))
    else {
        return Vec::new();
    };
    let reach = options.reach.max(2);
    let change = |c: usize| -> f32 {
        let mean = |range: std::ops::Range<usize>| -> Option<(Cell, Cell)> {
            let (mut a, mut b, mut k) = ([0f32; 4], [0f32; 4], 0f32);
            for f in flanks[range].iter().flatten() {
                for i in 0..4 {
                    a[i] += f.above[i];
                    b[i] += f.below[i];
                }
                k += 1.0;
            }
            (k > 0.0).then(|| (a.map(|v| v / k), b.map(|v| v / k)))
        };
        match (
            mean(c.saturating_sub(reach)..c),
            mean(c..(c + reach).min(n)),
        ) {
            (Some(l), Some(r)) => distance(&l.0, &r.0).min(distance(&l.1, &r.1)),
            _ => 0.0,
        }
    };
    let changes: Vec<f32> = (0..n)
        .map(|c| {
            if c > first && c < last {
                change(c)
            } else {
                0.0
            }
        })
        .collect();
    let mut sorted: Vec<f32> = changes[first..=last].to_vec();
    sorted.sort_by(f32::total_cmp);
    let usual = sorted[sorted.len() / 2];
    let limit = 0.045f32.max(7.0 * usual);
    let mut bounds = vec![first];
    for c in first + 1..last {
        if changes[c] < limit {
            continue;
        }
        let around = c.saturating_sub(reach / 2)..(c + reach / 2 + 1).min(n);
        let peak = around
            .clone()
            .all(|k| changes[k] < changes[c] || (changes[k] == changes[c] && k >= c));
        if peak {
            bounds.push(c);
        }
    }
    bounds.push(last + 1);
    bounds
}

/// Share of the line's step that a stretch carries, and its standard error.
fn carried(
    strip: &Strip,
    path: &[f64],
    range: &std::ops::Range<usize>,
    options: &ExtentOptions,
) -> (f64, f64) {
    let size2: f64 = options.step.iter().map(|s| (*s as f64).powi(2)).sum();
    // Columns closer than a patch of mottle are not independent readings.
    let group = (2 * options.reach).max(1);
    let mut shares = Vec::new();
    let columns: Vec<usize> = range.clone().collect();
    for chunk in columns.chunks(group) {
        let (mut sum, mut n) = (0.0, 0.0);
        for c in chunk {
            if let Some(f) = flanks_at(strip, *c, path[*c], options) {
                let along: f64 = (0..3)
                    .map(|i| (f.below[i] - f.above[i]) as f64 * options.step[i] as f64)
                    .sum();
                sum += along / size2.max(1e-12);
                n += 1.0;
            }
        }
        if n > 0.0 {
            shares.push(sum / n);
        }
    }
    if shares.is_empty() {
        return (0.0, 1.0);
    }
    let n = shares.len() as f64;
    let mean = shares.iter().sum::<f64>() / n;
    let spread = shares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean, (spread / n).sqrt().max(0.05 / n.sqrt()))
}

fn brightness(flanks: &[Option<Flanks>], range: &std::ops::Range<usize>) -> f32 {
    let seen: Vec<f32> = flanks[range.clone()]
        .iter()
        .flatten()
        .map(|f| f.above[3].max(f.below[3]))
        .collect();
    seen.iter().sum::<f32>() / seen.len().max(1) as f32
}
