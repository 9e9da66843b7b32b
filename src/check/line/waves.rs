//! The line's waves, and what to do about each.

use super::shape::Shape;
use super::{Deviation, LineOptions, Wave, WaveDo};
use crate::units::Measured;

/// Waves of the line about its reference: stretches between sign changes that stand out of u95.
pub fn waves(shape: &Shape, deviation: &[Deviation], options: &LineOptions) -> Vec<Wave> {
    let mut out = Vec::new();
    let mut at = 0;
    for run in &shape.runs {
        let rows = &deviation[at..at + run.s_mm.len()];
        at += run.s_mm.len();
        let mut from = 0;
        while from < rows.len() {
            let sign = rows[from].d_mm >= 0.0;
            let mut to = from;
            while to + 1 < rows.len() && (rows[to + 1].d_mm >= 0.0) == sign {
                to += 1;
            }
            let span = rows[to].s_mm - rows[from].s_mm;
            let peak = rows[from..=to]
                .iter()
                .copied()
                .max_by(|a, b| a.d_mm.abs().total_cmp(&b.d_mm.abs()))
                .unwrap_or(rows[from]);
            if span >= 0.5 * options.shortest_mm && peak.d_mm.abs() > 0.02 {
                let height = Measured {
                    value: peak.d_mm,
                    u95: peak.u95_mm,
                };
                out.push(wave(rows[from].s_mm, rows[to].s_mm, peak.s_mm, height));
            }
            from = to + 1;
        }
    }
    out
}

fn wave(from_mm: f64, to_mm: f64, peak_mm: f64, height_mm: Measured) -> Wave {
    let seen = height_mm.value.abs() > height_mm.u95;
    // A swage's crest is moved by adding filler on one flank and taking down the other: say which way it must go.
    let (what, words) = if !seen {
        (
            WaveDo::Leave,
            format!(
                "{:.2} mm at {peak_mm:.0} mm is within its uncertainty: leave",
                height_mm.value.abs()
            ),
        )
    } else if height_mm.value > 0.0 {
        (
            WaveDo::TakeDown,
            format!(
                "the line runs {:.2} mm down between {from_mm:.0} and {to_mm:.0} mm: take down below it, add above",
                height_mm.value
            ),
        )
    } else {
        (
            WaveDo::Add,
            format!(
                "the line runs {:.2} mm up between {from_mm:.0} and {to_mm:.0} mm: add below it, take down above",
                -height_mm.value
            ),
        )
    };
    Wave {
        from_mm,
        to_mm,
        peak_mm,
        height_mm,
        what,
        words,
    }
}
