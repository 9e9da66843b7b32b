//! A straightedge's result in words and on its photo.

use super::words::plus_minus;
use crate::check::straightedge::StraightedgeResult;

/// A result in a dozen lines; `files` are paths to show, the marked photo first.
pub fn words(result: &StraightedgeResult, files: &[String]) -> String {
    let _ = files;
    format!("{}\nNext: {}\n", headline(result), result.next)
}

/// One photo of several, on one line.
pub fn short(result: &StraightedgeResult) -> String {
    format!("{}: {}", result.head.photo, headline(result))
}

/// The first line.
pub fn headline(result: &StraightedgeResult) -> String {
    format!("Largest gap {} mm", plus_minus(result.max_gap_mm))
}
