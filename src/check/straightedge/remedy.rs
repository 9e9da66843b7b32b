//! What single change would make the answer surest: the budget worked out anew with each change made.

use super::gap::Source;
use crate::units::K95;
use crate::verdict::Remedy;

/// What the largest gap is uncertain by.
#[derive(Debug, Clone)]
pub struct Parts {
    /// Noise of the edges, standard uncertainty, mm.
    pub noise_mm: f64,
    /// The rest, by source.
    pub common: Vec<(Source, f64)>,
}

impl Parts {
    fn u95(&self, noise: f64, factor: impl Fn(Source) -> f64) -> f64 {
        let common: f64 = self
            .common
            .iter()
            .map(|(source, u)| (u * factor(*source)).powi(2))
            .sum();
        K95 * ((self.noise_mm * noise).powi(2) + common).sqrt()
    }

    /// Every change that can be made, with the half-width it would leave, mm.
    pub fn remedies(&self, mm_per_px: f64, lens: bool, printed: bool) -> Vec<Remedy> {
        let only = |which: Source, to: f64| move |s: Source| if s == which { to } else { 1.0 };
        let mut out = vec![
            Remedy {
                // Half a pixel's millimetres halve all that is a share of a pixel.
                words: format!(
                    "Step closer, to {:.2} mm a pixel, and take the straightedge in two halves if need be",
                    0.5 * mm_per_px
                ),
                u95_mm: self.u95(0.5, |s| match s {
                    Source::Behind | Source::Treatment | Source::Blur | Source::Alike => 0.5,
                    _ => 1.0,
                }),
            },
            Remedy {
                words: "Hang an even cloth behind the gap, much darker or lighter than the straightedge and the panel".into(),
                u95_mm: self.u95(1.0, |s| match s {
                    Source::Behind | Source::Alike => 0.3,
                    _ => 1.0,
                }),
            },
            Remedy {
                words: "Hold the card in the gap's own plane, flush with the straightedge's face"
                    .into(),
                u95_mm: self.u95(1.0, only(Source::Plane, 0.2)),
            },
            Remedy {
                words: "Use a larger card, or a second one at the other end".into(),
                u95_mm: self.u95(1.0, only(Source::Pose, 0.5)),
            },
        ];
        if !lens {
            out.push(Remedy {
                words: "Make a lens file for this phone once, from a dozen photos of the printed board, and give it with --lens".into(),
                u95_mm: self.u95(1.0, only(Source::Lens, 0.1)),
            });
        }
        if !printed {
            out.push(Remedy {
                words: "Measure the two check bars printed on the card and give their lengths with --printed".into(),
                // A rule reads a bar of 100 mm to 0.2%; an unmeasured print is good to 0.3%.
                u95_mm: self.u95(1.0, only(Source::Scale, 2.0 / 3.0)),
            });
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(parts: &Parts, lens: bool, expected: &str) {
        let now = parts.u95(1.0, |_| 1.0);
        let best = crate::verdict::most_helpful(now, parts.remedies(0.2, lens, false));
        let words = best.map(|b| b.words).unwrap_or_default();
        assert!(words.contains(expected), "{words}");
    }

    #[test]
    fn the_largest_part_is_gone_for() {
        let with = |noise_mm, source, u| Parts {
            noise_mm,
            common: vec![(source, u)],
        };
        check(&with(0.1, Source::Behind, 0.01), true, "closer");
        check(&with(0.01, Source::Lens, 0.2), false, "lens file");
        check(&with(0.001, Source::Plane, 0.2), true, "plane");
        check(&with(0.001, Source::Pose, 0.2), true, "second one");
        // Nothing to gain, nothing said.
        let none = Parts {
            noise_mm: 0.0,
            common: vec![(Source::Lens, 0.1)],
        };
        assert!(
            crate::verdict::most_helpful(none.u95(1.0, |_| 1.0), none.remedies(0.2, true, true))
                .is_none()
        );
    }
}
