//! What the marked photo and the plot have in common: stretches of the line, colours of verdicts, words on labels.

use super::drawing::{ADD, Colour, DOUBT, GOOD, GREY, INK, Paint, TAKE_DOWN, WHITE};
use super::words::{Lie, plus_minus};
use crate::check::Head;
use crate::check::line::{LineFigures, LineResult, Wave, WaveDo};
use crate::units::Measured;
use crate::verdict::Outcome;
use std::ops::Range;

/// Index ranges of the unbroken runs of points: one a panel.
pub fn runs(line: &LineFigures) -> Vec<Range<usize>> {
    let count = line.px.len().min(line.deviation.len());
    let mut starts: Vec<usize> = line
        .run_starts
        .iter()
        .copied()
        .filter(|start| *start < count)
        .collect();
    starts.sort_unstable();
    starts.dedup();
    if starts.first() != Some(&0) {
        starts.insert(0, 0);
    }
    let ends = starts.iter().skip(1).copied().chain([count]);
    starts
        .iter()
        .copied()
        .zip(ends)
        .map(|(start, end)| start..end)
        .collect()
}

/// The part of a run that lies within a wave, as a range of indices.
pub fn stretch(line: &LineFigures, run: &Range<usize>, wave: &Wave) -> Range<usize> {
    let inside = |at: &usize| {
        line.deviation
            .get(*at)
            .is_some_and(|row| row.s_mm >= wave.from_mm - 1e-6 && row.s_mm <= wave.to_mm + 1e-6)
    };
    let start = run.clone().find(inside).unwrap_or(run.end);
    let end = (start..run.end).find(|at| !inside(at)).unwrap_or(run.end);
    start..end
}

/// The paint of the side that the line lies off to; nothing for a wave to leave.
pub fn paint(what: WaveDo, pitch: f64) -> Option<Paint> {
    match what {
        WaveDo::Add => Some(Paint::Add(pitch)),
        WaveDo::TakeDown => Some(Paint::TakeDown(pitch)),
        WaveDo::Leave => None,
    }
}

/// The colour of the side that the line lies off to.
pub fn colour(what: WaveDo) -> Colour {
    match what {
        WaveDo::Add => ADD,
        WaveDo::TakeDown => TAKE_DOWN,
        WaveDo::Leave => GREY,
    }
}

/// Waves worth a label, largest first.
pub fn labelled(line: &LineFigures, most: usize) -> Vec<&Wave> {
    let mut waves: Vec<&Wave> = line
        .waves
        .iter()
        .filter(|wave| wave.what != WaveDo::Leave)
        .collect();
    waves.sort_by(|a, b| b.height_mm.value.abs().total_cmp(&a.height_mm.value.abs()));
    waves.truncate(most);
    waves
}

/// `line 0.96 mm too low`: its own place, not a depth of filler.
pub fn wave_label(wave: &Wave, lie: Option<Lie>) -> String {
    let places = super::words::decimals(wave.height_mm.u95);
    let off = lie.map_or("off", |lie| lie.side(wave.height_mm.value).off());
    format!("line {:.places$} mm {off}", wave.height_mm.value.abs())
}

/// Sign, word and colours (ground, letters) of a line's verdict; nothing to say without a tolerance.
pub fn verdict(result: &LineResult) -> Option<(&'static str, String, Colour, Colour)> {
    verdict_of(&result.head)
}

/// The same of any check's.
pub fn verdict_of(head: &Head) -> Option<(&'static str, String, Colour, Colour)> {
    let verdict = head.verdict.as_ref()?;
    let words = super::words::verdict(verdict);
    Some(match verdict.result {
        Outcome::Within => ("✓", words, GOOD, WHITE),
        Outcome::Outside => ("✕", words, TAKE_DOWN, INK),
        Outcome::Undecided => ("?", words, DOUBT, INK),
    })
}

/// `Straight to 1.94 ± 0.09 mm`.
pub fn figure(result: &LineResult) -> String {
    format!("Straight to {} mm", plus_minus(result.line.straightness_mm))
}

/// `step 0.87 ± 0.06 mm`, without a sign: the picture shows which way.
pub fn gap_label(step: Measured) -> String {
    format!(
        "step {} mm",
        plus_minus(Measured {
            value: step.value.abs(),
            ..step
        })
    )
}

/// A spacing of 1, 2 or 5 times a power of ten that divides `span` into at most `most` parts.
pub fn spacing(span: f64, most: f64) -> f64 {
    if !(span > 0.0 && most > 0.0) {
        return 1.0;
    }
    let least = span / most;
    let decade = 10f64.powf(least.log10().floor());
    let factor = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|factor| factor * decade >= least * (1.0 - 1e-9))
        .unwrap_or(10.0);
    factor * decade
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spacings_are_round() {
        let check = |span, most, expected: f64| {
            assert!((spacing(span, most) - expected).abs() < 1e-9 * expected)
        };
        check(1164.0, 6.0, 200.0);
        check(1200.0, 6.0, 200.0);
        check(1201.0, 6.0, 500.0);
        check(0.9, 5.0, 0.2);
        check(6.0, 6.0, 1.0);
        check(0.0, 6.0, 1.0);
        check(f64::NAN, 6.0, 1.0);
    }
}
