//! The check `lows`: what is left after sanding, and what to do next.
//!
//! Photo, cards and scale as ever; then the panel is seen square on ([`crate::area`]), the filled area found, its light
//! worked out, and coat told from show-through. [`next`] turns areas and places into the next action.

pub mod next;
pub mod passes;
pub mod skim;
mod survey;

pub use survey::{Survey, survey};

use crate::check::Head;
use serde::Serialize;

pub use next::Next;
pub use skim::Skim;

use crate::units::Px;

/// What is asked of a photo.
#[derive(Debug, Clone, Default)]
pub struct LowsOptions {
    /// Outline of the repair, photo px, in order; empty: found.
    pub area: Vec<Px>,
    /// A place on the coat, photo px.
    pub coat: Option<Px>,
    /// A place on bare level ground, photo px.
    pub ground: Option<Px>,
    /// Depths between which a skim is reckoned, mm.
    pub depth_mm: Option<(f64, f64)>,
}

/// Areas by class, true areas along the panel, mm².
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Areas {
    /// Coat left: low.
    pub low_mm2: f64,
    /// Half-width of its 95% interval.
    pub u95_low_mm2: f64,
    /// Show-through: high.
    pub high_mm2: f64,
    /// Half-width of its 95% interval.
    pub u95_high_mm2: f64,
    /// Level filler.
    pub level_mm2: f64,
    /// Half-width of its 95% interval.
    pub u95_level_mm2: f64,
    /// Part of the repair that can't be judged: glare, shadow's edge, something lying on it.
    pub unjudged_mm2: f64,
    /// Low as a share of low, high and level, percent.
    pub low_percent: f64,
}

/// What a region is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Coat left in an area.
    Low,
    /// Show-through.
    High,
    /// Coat in a scratch.
    Scratch,
    /// Coat in a pinhole.
    Pinhole,
    /// Can't be judged.
    Unjudged,
}

/// One region, first card's frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Region {
    /// What it is.
    pub kind: Kind,
    /// Its number in the marked photo, biggest first; 0: not numbered.
    pub number: usize,
    /// Area, mm².
    pub area_mm2: f64,
    /// Half-width of its 95% interval, mm².
    pub u95_area_mm2: f64,
    /// Centroid, mm.
    pub centroid_mm: [f64; 2],
    /// Box: least x, least y, largest x, largest y, mm.
    pub box_mm: [f64; 4],
    /// Outline, mm, closed (the last place joins the first).
    pub outline_mm: Vec<[f64; 2]>,
}

/// Where the class map lies.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MapPlace {
    /// Its file, relative to the output folder; `None` without one.
    pub file: Option<String>,
    /// Side of a pixel, mm.
    pub mm_per_px: f64,
    /// Card place of the middle of pixel (0, 0), mm.
    pub origin_mm: [f64; 2],
}

/// One pass in the answer of several.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum PassAnswer {
    /// Measured.
    Measured {
        /// Photo, as given.
        photo: String,
        /// Areas of that pass.
        area: Areas,
        /// Change of the low area since the pass before, percent; `None` for the first.
        #[serde(skip_serializing_if = "Option::is_none")]
        low_change_percent: Option<f64>,
        /// Show-through that the pass before did not have, mm²; `None` for the first.
        #[serde(skip_serializing_if = "Option::is_none")]
        new_high_mm2: Option<f64>,
        /// How the pass was laid over the one before.
        #[serde(skip_serializing_if = "Option::is_none")]
        laid_over: Option<passes::LaidOver>,
    },
    /// Not measured.
    Refused {
        /// Photo, as given.
        photo: String,
        /// Why not.
        error: String,
    },
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LowsResult {
    /// What every answer begins with.
    #[serde(flatten)]
    pub head: Head,
    /// Areas by class.
    pub area: Areas,
    /// Regions: every low and high of 10 mm² and more, scratches and pinholes, what can't be judged.
    pub regions: Vec<Region>,
    /// Where the class map lies.
    pub map: MapPlace,
    /// Outline of the repair, mm.
    pub repair_mm: Vec<[f64; 2]>,
    /// Next action.
    pub next: Next,
    /// The skim to apply, when that is the next action.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub skim: Option<Skim>,
    /// The passes, when several photos were given.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub passes: Vec<PassAnswer>,
}

/// The answer from one pass alone.
pub fn answer(survey: &Survey, options: &LowsOptions) -> LowsResult {
    let next = next::of_one(survey);
    result(survey, next, options)
}

/// The answer with a next action decided elsewhere.
pub fn result(survey: &Survey, next: Next, options: &LowsOptions) -> LowsResult {
    let skim = (next.action == next::Action::Skim)
        .then(|| skim::skim(survey, options.depth_mm))
        .flatten();
    LowsResult {
        head: survey.head.clone(),
        area: survey.area,
        regions: survey.regions.clone(),
        map: survey.map.clone(),
        repair_mm: survey.repair.iter().map(|p| [p.x, p.y]).collect(),
        next,
        skim,
        passes: Vec::new(),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
