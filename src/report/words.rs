//! Figures and directions in the words of the workshop.

pub use crate::check::line::{Lie, Side};
use crate::units::Measured;
use crate::verdict::{Outcome, Verdict};

/// Decimals that a half-width of `u95` leaves meaning to: its first two digits, but at least one and at most three
/// decimals (a restorer reads tenths, the best photo gives hundredths).
pub fn decimals(u95: f64) -> usize {
    if u95 >= 1.0 {
        1
    } else if u95 >= 0.0095 {
        2
    } else {
        3
    }
}

/// `1.94 ± 0.12`: a figure with its half-width, both to the decimals that mean something.
pub fn plus_minus(figure: Measured) -> String {
    let places = decimals(figure.u95);
    format!("{} ± {:.places$}", plain(figure.value, places), figure.u95)
}

/// `WITHIN 0.5 mm`.
pub fn verdict(verdict: &Verdict) -> String {
    let tol = short(verdict.tol_mm, 3);
    match verdict.result {
        Outcome::Within => format!("WITHIN {tol} mm"),
        Outcome::Outside => format!("OUTSIDE {tol} mm"),
        Outcome::Undecided => format!("CAN'T TELL for {tol} mm"),
    }
}

/// An answer's first line: the verdict before the figure, or the figure alone with a capital.
pub fn headline(judged: Option<&Verdict>, mut figure: String) -> String {
    match judged {
        Some(judged) => format!("{}: {figure}", verdict(judged)),
        None => {
            if let Some(first) = figure.get_mut(0..1) {
                first.make_ascii_uppercase();
            }
            figure
        }
    }
}

/// A number without a minus before a zero.
pub fn plain(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    if text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
        text.replace('-', "")
    } else {
        text
    }
}

/// A number to at most `places` decimals, without trailing zeros: `2`, `0.5`.
pub fn short(value: f64, places: usize) -> String {
    let text = plain(value, places);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_string()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_show_what_their_uncertainty_lets_them() {
        let check =
            |value, u95, expected: &str| assert_eq!(plus_minus(Measured { value, u95 }), expected);
        check(1.9449, 0.1234, "1.94 ± 0.12");
        check(12.34, 1.26, "12.3 ± 1.3");
        check(0.0123, 0.0042, "0.012 ± 0.004");
        check(-0.001, 0.05, "0.00 ± 0.05");
        check(-0.31, 0.05, "-0.31 ± 0.05");
    }

    #[test]
    fn short_numbers_lose_their_zeros() {
        assert_eq!(short(2.0, 3), "2");
        assert_eq!(short(0.5, 3), "0.5");
        assert_eq!(short(100.0, 0), "100");
        assert_eq!(short(-0.0001, 2), "0");
    }
}
