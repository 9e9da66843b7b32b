//! The parts of an uncertainty and how they combine (JCGM 100:2008).

use serde::{Deserialize, Serialize};

/// Where a share of the uncertainty comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Noise and raggedness of the traced edge.
    Edge,
    /// Length of the printed card (printer, rule).
    Scale,
    /// Corners of the cards, hence where the camera stood.
    Pose,
    /// Lens: distortion, focal length.
    Lens,
    /// The panel's bow, points off the card's plane.
    Bow,
    /// The fitted form and its reference.
    Fit,
}

/// One line of a budget.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BudgetPart {
    /// Which part.
    pub part: Part,
    /// Its half-width of a 95% interval, mm (degrees for an angle's budget).
    pub u95_mm: f64,
}
