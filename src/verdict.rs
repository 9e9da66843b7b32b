//! Within, outside, or can't tell (ISO 14253-1).

use serde::{Deserialize, Serialize};

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
