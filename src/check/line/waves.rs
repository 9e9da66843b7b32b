//! The line's waves: where it lies off, which way, and how it is moved back.

use super::shape::Shape;
use super::{Deviation, Lie, LineOptions, Wave, WaveDo};
use crate::units::Measured;

/// Waves of the line about its reference: stretches between sign changes that stand out of u95.
pub fn waves(shape: &Shape, deviation: &[Deviation], lie: Lie, options: &LineOptions) -> Vec<Wave> {
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
                out.push(wave(rows[from].s_mm, rows[to].s_mm, peak.s_mm, height, lie));
            }
            from = to + 1;
        }
    }
    out
}

fn wave(from_mm: f64, to_mm: f64, peak_mm: f64, height_mm: Measured, lie: Lie) -> Wave {
    let seen = height_mm.value.abs() > height_mm.u95;
    // A swage's crest is moved by adding filler on one flank and taking down the other: say which way it must go, and never
    // let its height pass for a depth of filler.
    let side = lie.side(height_mm.value);
    let back = side.opposite();
    let words = if seen {
        format!(
            "the line lies {:.2} mm {} between {from_mm:.0} and {to_mm:.0} mm: to bring it {}, take down {} it and add {} it",
            height_mm.value.abs(),
            side.off(),
            back.word(),
            side.beside(),
            back.beside()
        )
    } else {
        format!(
            "{:.2} mm at {peak_mm:.0} mm is within its uncertainty: leave",
            height_mm.value.abs()
        )
    };
    let what = match (seen, height_mm.value > 0.0) {
        (false, _) => WaveDo::Leave,
        (true, true) => WaveDo::TakeDown,
        (true, false) => WaveDo::Add,
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

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector2;

    /// A deviation toward card +y goes down where the card stands upright, up where it lies upside down, and to the left
    /// where the photo shows it turned a quarter.
    #[test]
    fn words_say_the_way_the_photo_shows_it() {
        let check = |along: Vector2<f64>, positive: Vector2<f64>, expected: &str| {
            let height = Measured {
                value: 0.5,
                u95: 0.1,
            };
            let words = wave(10.0, 90.0, 50.0, height, Lie { along, positive }).words;
            assert!(words.contains(expected), "{words}");
        };
        let (x, y) = (Vector2::x(), Vector2::y());
        check(
            x,
            y,
            "lies 0.50 mm too low between 10 and 90 mm: to bring it up, take down below it and add above it",
        );
        check(
            x,
            -y,
            "too high between 10 and 90 mm: to bring it down, take down above it and add below it",
        );
        check(
            y,
            -x,
            "too far left between 10 and 90 mm: to bring it to the right, take down left of it",
        );
    }
}
