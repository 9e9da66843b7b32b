//! Within, outside, or can't tell (ISO 14253-1).
//!
//! The figure is within a tolerance when even the far end of its 95% interval is, outside when even the near end is
//! beyond, and otherwise undecided. The interval is two-sided with U = 1.96 u: the older and stricter reading of the
//! standard (editions of 1998 and 2013, from memory). The 2017 edition words the default as a 95% probability of
//! conformance, for which 1.65 u would do on one side (from memory); ours never passes what that one would not.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use crate::budget::{self, BudgetPart, Part};
use crate::units::Measured;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// What a comparison with a tolerance came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// |value| + U <= tolerance.
    Within,
    /// |value| - U > tolerance.
    Outside,
    /// Neither can be said.
    Undecided,
}

/// A verdict with its reason.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The tolerance judged against, mm.
    pub tol_mm: f64,
    /// What it came to.
    pub result: Outcome,
    /// Why, in a sentence; when undecided, what to change.
    pub why: String,
}

/// Why there is no verdict.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum VerdictError {
    /// The figure or its interval is not a number, or the interval is negative.
    #[error(
        "The figure {value} ± {u95} can't be judged. Take the photo again, sharper and closer."
    )]
    NoFigure {
        /// The figure.
        value: f64,
        /// Its interval's half-width.
        u95: f64,
    },
    /// The tolerance is not a number of zero or more.
    #[error(
        "A tolerance of {tol_mm} mm can't be judged against; give one above zero, such as 0.5."
    )]
    NoTolerance {
        /// The tolerance.
        tol_mm: f64,
    },
}

/// Sums that are equal but for rounding count as equal: 0.35 + 0.15 is 0.5.
const SLACK: f64 = 1e-12;

/// Judges a figure against a tolerance, both mm (or both degrees). The sign of the figure plays no part.
///
/// # Errors
/// [`VerdictError`] for a figure, interval or tolerance that is not a number, or is negative where it can't be.
pub fn decide(measured: Measured, tol_mm: f64) -> Result<Outcome, VerdictError> {
    let Measured { value, u95 } = measured;
    if !(value.is_finite() && u95.is_finite() && u95 >= 0.0) {
        return Err(VerdictError::NoFigure { value, u95 });
    }
    if !(tol_mm.is_finite() && tol_mm >= 0.0) {
        return Err(VerdictError::NoTolerance { tol_mm });
    }
    // The slack must not depend on U, or a larger U could decide.
    let slack = SLACK * (value.abs() + tol_mm);
    Ok(if value.abs() + u95 <= tol_mm + slack {
        Outcome::Within
    } else if value.abs() - u95 > tol_mm + slack {
        Outcome::Outside
    } else {
        Outcome::Undecided
    })
}

/// What to change for a tighter figure, by the part of the budget that weighs most.
pub fn advise(budget: &[BudgetPart]) -> &'static str {
    match budget::dominant(budget) {
        Some(Part::Edge) => "Step closer, and let sharper light from one side show the line.",
        Some(Part::Scale) => {
            "Measure the two check bars printed on the card and give their lengths with --printed."
        }
        Some(Part::Pose) => {
            "Use a larger card, or lay it nearer the line so that it fills more of the photo."
        }
        Some(Part::Lens) => {
            "Make a lens file for this phone once, from a dozen photos of the printed board, and give it with --lens."
        }
        Some(Part::Bow) => {
            "Lay a second card further along the line, or hold the camera level with the line."
        }
        Some(Part::Fit) => "Show more of the line, with nothing in front of it.",
        None => "Take another photo, from closer.",
    }
}

/// A single change of how the photo is taken, and what it would leave of the interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Remedy {
    /// What to do, without a full stop.
    pub words: String,
    /// Half-width of the interval it would leave, mm, everything else being as it is.
    pub u95_mm: f64,
}

/// A change that leaves more than this share of the interval is not worth a photo.
const WORTH: f64 = 0.93;

/// Of several changes the one that would leave the least, when that is worth another photo.
pub fn most_helpful(u95_mm: f64, remedies: Vec<Remedy>) -> Option<Remedy> {
    remedies
        .into_iter()
        .filter(|r| r.u95_mm <= WORTH * u95_mm)
        .min_by(|a, b| a.u95_mm.total_cmp(&b.u95_mm))
}

/// The change that would help most in a sentence, with what it would leave.
pub fn advise_change(u95_mm: f64, remedies: Vec<Remedy>) -> Option<String> {
    let best = most_helpful(u95_mm, remedies)?;
    let places = if best.u95_mm < 0.0095 { 3 } else { 2 };
    Some(format!(
        "What would help most: {}; ± {:.places$} mm would become about ± {:.places$} mm.",
        lower_first(&best.words),
        u95_mm,
        best.u95_mm
    ))
}

/// As [`advise_change`]; when no change is worth another photo, the most that one would do.
pub fn advise_most(u95_mm: f64, remedies: Vec<Remedy>) -> Option<String> {
    if let Some(words) = advise_change(u95_mm, remedies.clone()) {
        return Some(words);
    }
    let best = remedies
        .into_iter()
        .filter(|r| r.u95_mm < u95_mm)
        .min_by(|a, b| a.u95_mm.total_cmp(&b.u95_mm))?;
    Some(format!(
        "No single change would help much; most would: {} (± {:.3} mm would become about ± {:.3} mm).",
        lower_first(&best.words),
        u95_mm,
        best.u95_mm
    ))
}

fn lower_first(words: &str) -> String {
    let mut out = words.to_string();
    if let Some(first) = out.get_mut(0..1) {
        first.make_ascii_lowercase();
    }
    out
}

/// Judges a figure and says why: the verdict a result carries. `what` names the figure ("straightness", "step"), `budget`
/// are the parts of its interval.
///
/// # Errors
/// Those of [`decide`].
pub fn judge(
    what: &str,
    measured: Measured,
    tol_mm: f64,
    budget: &[BudgetPart],
) -> Result<Verdict, VerdictError> {
    judge_advised(what, measured, tol_mm, advise(budget))
}

/// As [`judge`], with what to change already worked out.
///
/// # Errors
/// Those of [`decide`].
pub fn judge_advised(
    what: &str,
    measured: Measured,
    tol_mm: f64,
    advice: &str,
) -> Result<Verdict, VerdictError> {
    let result = decide(measured, tol_mm)?;
    let Measured { value, u95 } = measured;
    let digits = digits(u95, tol_mm);
    let figure = format!("{what} {value:.digits$} ± {u95:.digits$} mm");
    let far = value.abs() + u95;
    let near = value.abs() - u95;
    let tol = format!("{tol_mm} mm");
    let why = match result {
        Outcome::Within => {
            format!("{figure}: even at its largest, {far:.digits$} mm, it keeps within {tol}.")
        }
        Outcome::Outside => {
            format!("{figure}: even at its smallest, {near:.digits$} mm, it is beyond {tol}.")
        }
        Outcome::Undecided => {
            format!("{figure} may lie on either side of {tol}. {advice}")
        }
    };
    Ok(Verdict {
        tol_mm,
        result,
        why,
    })
}

/// Decimals that show two figures of the interval and no less than the tolerance's own first two.
fn digits(u95: f64, tol_mm: f64) -> usize {
    let places = |v: f64| {
        if v > 0.0 {
            (1.0 - v.log10().floor()).clamp(0.0, 4.0) as usize
        } else {
            2
        }
    };
    places(u95).max(places(tol_mm)).min(4)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(value: f64, u95: f64, expected: Outcome) {
        assert_eq!(
            decide(Measured { value, u95 }, 0.5),
            Ok(expected),
            "{value} {u95}"
        );
    }

    /// The design's rule at a tolerance of 0.5.
    #[test]
    fn cases() {
        check(0.30, 0.15, Outcome::Within);
        check(0.35, 0.15, Outcome::Within);
        check(0.36, 0.15, Outcome::Undecided);
        check(0.5, 0.0, Outcome::Within);
        check(0.65, 0.15, Outcome::Undecided);
        check(0.66, 0.15, Outcome::Outside);
        check(-0.66, 0.15, Outcome::Outside);
        check(0.0, 0.6, Outcome::Undecided);
    }

    #[test]
    fn no_verdict_without_figures() {
        for (value, u95, tol) in [
            (f64::NAN, 0.1, 0.5),
            (0.1, f64::NAN, 0.5),
            (0.1, -0.1, 0.5),
            (f64::INFINITY, 0.1, 0.5),
            (0.1, f64::INFINITY, 0.5),
        ] {
            let refused = decide(Measured { value, u95 }, tol);
            assert!(matches!(refused, Err(VerdictError::NoFigure { .. })));
        }
        for tol in [f64::NAN, -0.1, f64::INFINITY] {
            let refused = decide(
                Measured {
                    value: 0.1,
                    u95: 0.1,
                },
                tol,
            );
            assert!(matches!(refused, Err(VerdictError::NoTolerance { .. })));
        }
    }

    proptest! {
        #[test]
        fn sign_and_growing_doubt(value in -2.0f64..2.0, u95 in 0.0f64..2.0, more in 0.0f64..2.0, tol in 0.0f64..2.0) {
            let at = |value: f64, u95: f64| decide(Measured { value, u95 }, tol).unwrap();
            prop_assert_eq!(at(value, u95), at(-value, u95));
            if at(value, u95) == Outcome::Undecided {
                prop_assert_eq!(at(value, u95 + more), Outcome::Undecided);
            }
        }
    }

    #[test]
    fn the_most_is_named_even_where_it_is_little() {
        let remedy = |words: &str, u95_mm| Remedy {
            words: words.into(),
            u95_mm,
        };
        let much = vec![remedy("Step closer", 0.1), remedy("Use a rule", 0.19)];
        assert_eq!(
            advise_most(0.2, much),
            Some(
                "What would help most: step closer; ± 0.20 mm would become about ± 0.10 mm.".into()
            )
        );
        let little = vec![remedy("Step closer", 0.195), remedy("Use a rule", 0.199)];
        assert!(advise_change(0.2, little.clone()).is_none());
        let words = advise_most(0.2, little).unwrap();
        assert!(words.starts_with("No single change") && words.contains("step closer"));
        assert!(advise_most(0.2, vec![remedy("Step closer", 0.2)]).is_none());
    }

    #[test]
    fn reasons() {
        let parts = |part| {
            [
                BudgetPart { part, u95_mm: 0.2 },
                BudgetPart {
                    part: Part::Edge,
                    u95_mm: 0.1,
                },
            ]
        };
        let why = |value: f64, part| {
            judge(
                "straightness",
                Measured { value, u95: 0.22 },
                0.5,
                &parts(part),
            )
            .unwrap()
            .why
        };
        assert_eq!(
            why(0.1, Part::Lens),
            "straightness 0.10 ± 0.22 mm: even at its largest, 0.32 mm, it keeps within 0.5 mm."
        );
        assert_eq!(
            why(0.8, Part::Lens),
            "straightness 0.80 ± 0.22 mm: even at its smallest, 0.58 mm, it is beyond 0.5 mm."
        );
        assert!(why(0.4, Part::Lens).ends_with("give it with --lens."));
        assert!(why(0.4, Part::Bow).contains("second card"));
        // One line each, and a different one for each part.
        let all = [
            Part::Edge,
            Part::Scale,
            Part::Pose,
            Part::Lens,
            Part::Bow,
            Part::Fit,
        ];
        let mut words: Vec<&str> = all
            .iter()
            .map(|p| {
                advise(&[BudgetPart {
                    part: *p,
                    u95_mm: 1.0,
                }])
            })
            .collect();
        words.push(advise(&[]));
        words.sort_unstable();
        words.dedup();
        assert_eq!(words.len(), 7);
        assert!(words.iter().all(|w| w.len() < 150 && !w.contains('\n')));
    }
}
