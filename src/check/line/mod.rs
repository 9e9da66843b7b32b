//! How straight is a swage line.

mod cutoff;
mod figures;
pub(super) mod follow;
mod gaps;
pub(super) mod guide;
mod join;
mod lie;
mod noise;
mod remedy;
mod shape;
mod waves;

use super::{CheckError, Head, SCHEMA, Setup, cards_seen};
use crate::budget::BudgetPart;
use crate::card::Card;
use crate::photo::Photo;
use crate::units::{Measured, Mm, Px};
use crate::verdict::{Outcome, Verdict, advise, advise_most, decide, judge_advised};
pub use join::{Joined, Overlap, Prepared, join, prepare};
pub use lie::{Lie, Side};
use remedy::Taken;
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
    /// Photos that one long line was joined from, left to right; empty for one photo.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub joined: Vec<Joined>,
    /// Where neighbouring photos both show the line; empty for one photo.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub overlap: Vec<Overlap>,
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
    /// Minimum-zone width (ISO 12780, ISO 1101), less half of what noise may have added to it: a largest less a smallest is never
    /// made smaller by noise. That half is in its interval too.
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

/// What to do about a wave of a line that lies level in the photo, card upright: the line's own place is meant, never a
/// thickness of filler.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WaveDo {
    /// The line lies off toward card -y.
    Add,
    /// The line lies off toward card +y.
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
    /// Which way the line lies off there as the photo shows it, by how much, and how it is moved back.
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
        points: Vec<Mm>,
        /// The file they came from, for the answer.
        file: String,
    },
}

/// Waves shorter than this are what the eye picks up: default cut-off of the fair curve, mm.
pub const FAIR_CUTOFF_MM: f64 = 400.0;
/// Shortest wave that is shape, not raggedness, mm.
pub const SHORTEST_MM: f64 = 20.0;

/// Options of the line check.
#[derive(Debug, Clone, PartialEq)]
pub struct LineOptions {
    /// Points near the line, photo px; empty: find it.
    pub near: Vec<Px>,
    /// Reference.
    pub reference: ReferenceChoice,
    /// Shortest wave that counts as shape, mm.
    pub shortest_mm: f64,
    /// Tolerance, mm.
    pub tol_mm: Option<f64>,
}

impl Default for LineOptions {
    /// Found by itself, from a straight line, waves from 20 mm, no tolerance.
    fn default() -> Self {
        LineOptions {
            near: Vec::new(),
            reference: ReferenceChoice::Straight,
            shortest_mm: SHORTEST_MM,
            tol_mm: None,
        }
    }
}

/// Measures the swage line on a photo.
///
/// # Errors
/// [`CheckError`]: no card, no line, a lens file that doesn't fit.
pub fn measure(
    photo: &Photo,
    setup: &Setup,
    options: &LineOptions,
) -> Result<LineResult, CheckError> {
    let cards = setup.cards(photo)?;
    measure_on(photo, &cards, setup, options)
}

/// As [`measure`], on cards found already.
///
/// # Errors
/// As [`measure`].
pub fn measure_on(
    photo: &Photo,
    cards: &[Card],
    setup: &Setup,
    options: &LineOptions,
) -> Result<LineResult, CheckError> {
    let Prepared {
        scale,
        assume,
        guide,
        followed,
        mut warnings,
        ..
    } = join::prepare_on(photo, cards, setup, options)?;
    let shape = shape::shape(&followed, &scale, &guide, options.shortest_mm)?;
    let figures = figures::figures(&shape, options)?;
    let gap = gaps::gaps(&shape);
    if shape.cutoff_mm > 1.2 * options.shortest_mm {
        warnings.push(format!(
            "the line is faint: waves shorter than {:.0} mm can't be told from the paint's mottle",
            shape.cutoff_mm
        ));
    }
    if cards.len() == 1 && bow_rules(&figures.budget) {
        warnings.push(
            "with one card the panel's bow is not known: hold the camera level with the line, or lay a second card far along it"
                .into(),
        );
    }
    let middle = shape.px[shape.px.len() / 2];
    let taken = Taken {
        scales: std::slice::from_ref(&scale),
        cards: &[cards],
        owner: &[],
        lens: setup.lens.is_some() && !assume.lens_doubt,
        printed: setup.printed.is_some(),
    };
    let verdict = verdict(&figures, &shape, &taken, options)?;
    let next = next(&figures, &gap);
    Ok(LineResult {
        head: Head {
            schema: SCHEMA.into(),
            check: "line".into(),
            photo: photo.name.clone(),
            card: cards_seen(cards, &scale),
            lens: setup.lens.is_some(),
            mm_per_px: scale.mm_per_px(middle).unwrap_or(followed.mm_per_px[0]),
            warnings,
            budget: figures.budget.clone(),
            verdict,
        },
        look: look(&guide, &followed),
        line: line_figures(&shape, figures),
        gap,
        next,
        joined: Vec::new(),
        overlap: Vec::new(),
    })
}

/// The verdict on the straightness; when it can't be told, with the one change that would help most.
fn verdict(
    figures: &figures::Figures,
    shape: &shape::Shape,
    taken: &Taken,
    options: &LineOptions,
) -> Result<Option<Verdict>, CheckError> {
    let Some(tol_mm) = options.tol_mm else {
        return Ok(None);
    };
    let straightness = figures.straightness;
    let advice = match decide(straightness, tol_mm)? {
        Outcome::Undecided => {
            let changes = remedy::remedies(shape, taken, options, straightness.u95);
            advise_most(straightness.u95, changes)
        }
        _ => None,
    };
    let advice = advice.unwrap_or_else(|| advise(&figures.budget).to_string());
    Ok(Some(judge_advised(
        "straightness",
        straightness,
        tol_mm,
        &advice,
    )?))
}

fn look(guide: &guide::Guide, followed: &follow::Followed) -> Look {
    if guide.neutral && followed.edge.blur_px > 1.5 {
        Look::Shade
    } else {
        Look::Step
    }
}

fn run_starts(shape: &shape::Shape) -> Vec<usize> {
    let mut starts = Vec::new();
    let mut at = 0;
    for run in &shape.runs {
        starts.push(at);
        at += run.s_mm.len();
    }
    starts
}

fn line_figures(shape: &shape::Shape, figures: figures::Figures) -> LineFigures {
    LineFigures {
        px: shape.px.iter().map(|p| [p.0.x, p.0.y]).collect(),
        points_mm: shape.placed.points.iter().map(|p| [p.0.x, p.0.y]).collect(),
        run_starts: run_starts(shape),
        length_mm: figures.length_mm,
        reference: figures.reference,
        shortest_mm: shape.cutoff_mm,
        deviation: figures.deviation,
        straightness_mm: figures.straightness,
        rms_mm: figures.rms_mm,
        ragged_rms_mm: shape.ragged_mm,
        waves: figures.waves,
    }
}

fn bow_rules(budget: &[BudgetPart]) -> bool {
    budget
        .first()
        .is_some_and(|b| b.part == crate::budget::Part::Bow)
}

/// The next action, one sentence: the largest wave that is surely there, or the gap.
fn next(figures: &figures::Figures, gaps: &[Gap]) -> String {
    let worst = figures
        .waves
        .iter()
        .filter(|w| w.what != WaveDo::Leave)
        .max_by(|a, b| a.height_mm.value.abs().total_cmp(&b.height_mm.value.abs()));
    let step = gaps
        .iter()
        .find(|g| g.step_mm.value.abs() > g.step_mm.u95.max(0.3));
    match (worst, step) {
        (_, Some(g)) if worst.is_none_or(|w| w.height_mm.value.abs() < g.step_mm.value.abs()) => {
            format!(
                "Bring the panels in line at the gap first: the line lies {:.2} mm {} on the {} panel.",
                g.step_mm.value.abs(),
                figures.lie.side(g.step_mm.value).off(),
                if figures.lie.is_steep() {
                    "lower"
                } else {
                    "right"
                }
            )
        }
        (Some(w), _) => {
            let mut words = w.words.clone();
            if let Some(first) = words.get_mut(0..1) {
                first.make_ascii_uppercase();
            }
            format!("{words}.")
        }
        (None, _) => "Nothing stands out of its uncertainty: leave the line as it is.".into(),
    }
}
