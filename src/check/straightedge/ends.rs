//! The ends of a straightedge: where one side of a line stops and the step across it goes on.

/// The panel is looked at beyond a gap of some millimetres.
const PANEL_BAND: usize = 1;

/// Ends of one side of a line.
pub struct Ends {
    pub at_mm: [Option<f64>; 2],
    pub strength: [f64; 2],
}

/// A jump of a side's colour from one column to the next.
#[derive(Debug, Clone, Copy)]
struct Jump {
    column: usize,
    /// Against the usual scatter.
    strength: f64,
    /// Change of the logarithm of light, of the nearest band.
    by: [f64; 3],
}

/// Light below this share of full scale is noise; added before logarithms are taken.
const DARK: f64 = 0.004;
/// Least jump of an end, natural logarithm of light: a tenth of the light.
const LEAST_JUMP: f64 = 0.1;
/// Least strength of an end against the scatter of the side's texture.
const LEAST_STRENGTH: f64 = 7.0;
/// Widest clamp, mm.
const CLAMP_MM: f64 = 40.0;

/// Where the side of -across (or, `other`, of +across) ends while the one opposite runs on.
///
/// An end is a jump within two pixels along, in the band next to the line and in another at once; a shadow falls on both sides of
/// the line and its rim is softer; what is clamped on jumps back again.
pub fn ends(
    bands: &[Vec<Option<[f64; 3]>>],
    other: bool,
    from: f64,
    pitch: f64,
    mm_per_px: f64,
) -> Ends {
    let (own, opposite) = if other {
        (3, PANEL_BAND)
    } else {
        (0, 3 + PANEL_BAND)
    };
    let columns = bands[0].len();
    let skip = (2.0 * mm_per_px / pitch).round().max(1.0) as usize;
    let width = ((6.0 * mm_per_px).max(2.5) / pitch).round().max(3.0) as usize;
    let log = |c: &[f64; 3]| c.map(|v| (v.max(0.0) + DARK).ln());
    // Running sums of each band's logarithm, own less opposite.
    let levels: Vec<Vec<Option<[f64; 3]>>> = (0..3)
        .map(|k| {
            (0..columns)
                .map(|c| {
                    let (a, b) = (bands[own + k][c]?, bands[opposite][c]?);
                    let (a, b) = (log(&a), log(&b));
                    Some(std::array::from_fn(|i| a[i] - b[i]))
                })
                .collect()
        })
        .collect();
    let average = |k: usize, range: std::ops::Range<usize>| -> Option<[f64; 3]> {
        let mut sum = [0.0; 3];
        let mut n = 0;
        let length = range.len();
        for level in levels[k].get(range)?.iter().flatten() {
            for (s, v) in sum.iter_mut().zip(level) {
                *s += v;
            }
            n += 1;
        }
        (2 * n >= length && n > 0).then(|| sum.map(|s| s / n as f64))
    };
    let jump = |k: usize, c: usize| -> Option<[f64; 3]> {
        let before = average(k, c.checked_sub(skip + width)?..c - skip)?;
        let after = average(k, c + skip..(c + skip + width).min(columns))?;
        Some(std::array::from_fn(|i| after[i] - before[i]))
    };
    let size = |d: &[f64; 3]| d.iter().map(|v| v * v).sum::<f64>().sqrt() / 3f64.sqrt();
    let jumps: Vec<Vec<Option<[f64; 3]>>> = (0..3)
        .map(|k| (0..columns).map(|c| jump(k, c)).collect())
        .collect();
    let scatter: Vec<f64> = jumps
        .iter()
        .map(|j| {
            let mut all: Vec<f64> = j.iter().flatten().map(size).collect();
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or(1.0).max(0.006)
        })
        .collect();
    // A clamp or a card's shadow doesn't reach down to the edge: the nearest band must jump, and another with it.
    let strength = |c: usize| -> f64 {
        let Some(near) = jumps[0][c] else { return 0.0 };
        if size(&near) < LEAST_JUMP {
            return 0.0;
        }
        let own = size(&near) / scatter[0];
        let with: Vec<f64> = (1..3)
            .filter_map(|k| {
                let d = jumps[k][c]?;
                let alike = d.iter().zip(near).map(|(a, b)| a * b).sum::<f64>() > 0.0;
                Some(if alike && size(&d) >= LEAST_JUMP {
                    size(&d) / scatter[k]
                } else {
                    0.0
                })
            })
            .collect();
        if with.is_empty() {
            return 0.5 * own;
        }
        own.min(with.iter().copied().fold(0.0, f64::max))
    };
    let profile: Vec<f64> = (0..columns).map(strength).collect();
    let mut peaks: Vec<Jump> = Vec::new();
    for c in 0..columns {
        let low = c.saturating_sub(width);
        let high = (c + width + 1).min(columns);
        let here = profile[c];
        if here < LEAST_STRENGTH
            || profile[low..c].iter().any(|v| *v >= here)
            || profile[c + 1..high].iter().any(|v| *v > here)
        {
            continue;
        }
        let by = (0..3).find_map(|k| jumps[k][c]).unwrap_or([0.0; 3]);
        peaks.push(Jump {
            column: c,
            strength: here,
            by,
        });
    }
    // What is clamped on jumps there and back: both jumps go.
    let widest = (CLAMP_MM / pitch) as usize;
    let mut kept: Vec<Jump> = Vec::new();
    for peak in peaks {
        if let Some(before) = kept.last()
            && peak.column - before.column < widest
        {
            let rest: [f64; 3] = std::array::from_fn(|i| peak.by[i] + before.by[i]);
            if size(&rest) < 0.35 * size(&peak.by).max(size(&before.by)) {
                kept.pop();
                continue;
            }
        }
        kept.push(peak);
    }
    // The step across the line goes on beyond an end: there the panel stands against the background.
    let goes_on = |jump: &Jump, right: bool| {
        let range = if right {
            jump.column + skip..(jump.column + skip + 2 * width).min(columns)
        } else {
            jump.column.saturating_sub(skip + 2 * width)..jump.column.saturating_sub(skip)
        };
        average(0, range).is_some_and(|d| size(&d) > LEAST_JUMP)
    };
    let anchor = ((0.0 - from) / pitch) as usize;
    let mut out = Ends {
        at_mm: [None; 2],
        strength: [0.0; 2],
    };
    // Beyond an end a good piece of what lies behind must show.
    let beyond = (5.0 / pitch) as usize;
    let shown = |jump: &Jump, right: bool| {
        if right {
            jump.column + beyond < columns
        } else {
            jump.column > beyond
        }
    };
    for (k, right) in [false, true].into_iter().enumerate() {
        let side = || {
            kept.iter()
                .filter(|j| (j.column > anchor) == right && shown(j, right) && goes_on(j, right))
        };
        let most = side().map(|j| j.strength).fold(0.0, f64::max);
        let strong = side().filter(|j| j.strength > 0.4 * most);
        let end = if right {
            strong.max_by_key(|j| j.column)
        } else {
            strong.min_by_key(|j| j.column)
        };
        if let Some(end) = end {
            out.at_mm[k] = Some(from + end.column as f64 * pitch);
            out.strength[k] = end.strength / (2.0 * LEAST_STRENGTH);
        }
    }
    out
}
