//! How straight is a swage line (design section 5.1).

use super::Head;
use crate::units::Measured;
use serde::{Deserialize, Serialize};

/// Answer of the line check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineResult {
    /// What every result begins with.
    #[serde(flatten)]
    pub head: Head,
    /// How the line shows on the photo.
    pub look: Look,
    /// The line itself.
    pub line: LineFigures,
    /// Gaps it runs across, left to right.
    pub gap: Vec<Gap>,
    /// What to do next, one sentence.
    pub next: String,
}

/// How the line shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Look {
    /// A step: the edge of a tape or of guide coat.
    Step,
    /// A ridge or a change of shade between two flanks.
    Shade,
}

/// What the deviation is measured from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Reference {
    /// One least-squares straight line over the whole visible line.
    Straight,
    /// One least-squares arc.
    Arc {
        /// Radius found, mm; positive when the middle lies toward card +y of the ends.
        radius_mm: f64,
    },
    /// Spline profile filter, ISO 16610-22.
    Fair {
        /// Cut-off wavelength, mm.
        cutoff_mm: f64,
    },
    /// A line from a file.
    Partner {
        /// The file.
        file: String,
    },
}

/// The line's figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineFigures {
    /// Traced points, photo px, in order of s; none inside a gap.
    pub px: Vec<[f64; 2]>,
    /// The same points in the first card's frame, mm.
    pub points_mm: Vec<[f64; 2]>,
    /// Index in `px` where each unbroken run starts (the first is 0): one run a panel.
    pub run_starts: Vec<usize>,
    /// Length from first to last point along the reference, mm.
    pub length_mm: f64,
    /// What `deviation` and `straightness_mm` are measured from.
    pub reference: Reference,
    /// Waves shorter than this are raggedness, not shape, mm.
    pub shortest_mm: f64,
    /// A row for each point of `px`.
    pub deviation: Vec<Deviation>,
    /// Minimum-zone width (ISO 12780, ISO 1101).
    pub straightness_mm: Measured,
    /// Root mean square of the deviation, mm.
    pub rms_mm: f64,
    /// Raggedness of the edge about the filtered line, rms mm.
    pub ragged_rms_mm: f64,
    /// Waves, left to right.
    pub waves: Vec<Wave>,
}

/// Deviation at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Deviation {
    /// Distance along from the left visible end, mm.
    pub s_mm: f64,
    /// Deviation, mm, positive toward card +y.
    pub d_mm: f64,
    /// Half-width of its 95% interval, mm.
    pub u95_mm: f64,
}

/// What to do about a wave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WaveDo {
    /// The line lies hollow here: add filler.
    Add,
    /// The line stands proud here: take down.
    TakeDown,
    /// Within its uncertainty: leave.
    Leave,
}

/// One wave of the line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wave {
    /// Start, mm along.
    pub from_mm: f64,
    /// End, mm along.
    pub to_mm: f64,
    /// Place of the largest deviation, mm along.
    pub peak_mm: f64,
    /// Signed height at the peak above the line between its ends, mm, positive toward card +y.
    pub height_mm: Measured,
    /// What to do.
    #[serde(rename = "do")]
    pub what: WaveDo,
    /// The same in words, with where ("move the line 0.6 mm up over 120 mm").
    pub words: String,
}

/// How the line meets across a gap between panels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// Middle of the gap on the s scale, mm.
    pub at_mm: f64,
    /// Its width along the line, mm.
    pub width_mm: f64,
    /// Right side less left in the upright photo, at the gap's middle, mm, positive toward card +y.
    pub step_mm: Measured,
    /// Positive when the right line turns toward card +y, degrees.
    pub angle_deg: Measured,
}

/// What the deviation is to be measured from.
#[derive(Debug, Clone, PartialEq)]
pub enum ReferenceChoice {
    /// One least-squares straight line.
    Straight,
    /// One least-squares arc.
    Arc,
    /// Spline profile filter.
    Fair {
        /// Cut-off wavelength, mm.
        cutoff_mm: f64,
    },
    /// A partner's line.
    Partner {
        /// Its points, mm.
        points: Vec<crate::units::Mm>,
        /// The file they came from, for the answer.
        file: String,
    },
}

/// Options of the line check.
#[derive(Debug, Clone, PartialEq)]
pub struct LineOptions {
    /// Points near the line, photo px; empty: find it.
    pub near: Vec<crate::units::Px>,
    /// Reference.
    pub reference: ReferenceChoice,
    /// Shortest wave that counts as shape, mm.
    pub shortest_mm: f64,
    /// Tolerance, mm.
    pub tol_mm: Option<f64>,
}

/// Measures a line: here a stand-in that reads a result prepared beside the photo.
///
/// # Errors
/// When there is none.
pub fn measure(
    photo: &crate::photo::Photo,
    _setup: &super::Setup,
    options: &LineOptions,
) -> Result<LineResult, super::CheckError> {
    let text = std::fs::read_to_string(format!("{}.mock.json", photo.name))
        .map_err(|_| super::CheckError::NoCard)?;
    let mut result: LineResult =
        serde_json::from_str(&text).map_err(|_| super::CheckError::NoCard)?;
    result.head.verdict = options.tol_mm.map(|tol_mm| {
        let m = result.line.straightness_mm;
        let outcome = if m.value + m.u95 <= tol_mm {
            crate::verdict::Outcome::Within
        } else if m.value - m.u95 > tol_mm {
            crate::verdict::Outcome::Outside
        } else {
            crate::verdict::Outcome::Undecided
        };
        Verdict {
            tol_mm,
            result: outcome,
            why: format!("{:.2} mm against {tol_mm} mm", m.value),
        }
    });
    Ok(result)
}

use crate::verdict::Verdict;
