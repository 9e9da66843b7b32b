//! What a straightedge says of a panel: the light gap under it, how it rests, what closes it.

mod along;
mod bank;
mod behind;
mod blur;
mod course;
mod edges;
mod ends;
mod error;
mod figures;
mod find;
mod found;
mod gap;
mod profile;
mod remedy;
mod reverse;
mod rule;
mod sharpness;
mod sighting;
mod tone;
mod window;

pub use error::StraightedgeError;
pub use figures::crown_radius_mm;
pub use reverse::{ErrorAt, Turned, separate};

use super::{CheckError, Head, SCHEMA, Setup, cards_seen, scale};
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::masks;
use crate::units::{Measured, Px};
use crate::verdict::{advise, advise_change, judge_advised};
use serde::{Deserialize, Serialize};

/// Answer of the straightedge check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StraightedgeResult {
    /// What every result begins with.
    #[serde(flatten)]
    pub head: Head,
    /// The gap along the straightedge, s rising.
    pub gap: Vec<GapAt>,
    /// The largest gap, nicks and dirt left out.
    pub max_gap_mm: Measured,
    /// Where the largest gap is, mm along.
    pub max_at_mm: f64,
    /// Where it touches, mm along.
    pub contacts_mm: Vec<f64>,
    /// How it rests.
    pub rests: Rests,
    /// Whether the first and the last place are the straightedge's own ends; else it goes on out of the picture.
    pub ends_seen: [bool; 2],
    /// Radius of the crown it rocks on.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub crown_radius_mm: Option<Measured>,
    /// Depth of filler that closes the gap at its largest.
    pub filler_mm: Measured,
    /// Nicks in the straightedge and dirt in the gap, left out: from, to, mm along.
    pub flaws_mm: Vec<[f64; 2]>,
    /// The straightedge's edge in the photo, a place for each of `gap`.
    pub rule_px: Vec<[f64; 2]>,
    /// The panel's edge.
    pub panel_px: Vec<[f64; 2]>,
    /// What the second photo, the straightedge turned over, told of it; the gap is then without its error.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub turned: Option<Turned>,
    /// What to do next, one sentence.
    pub next: String,
}

/// The gap at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GapAt {
    /// Along the straightedge from its first visible end (left in the photo; top when steep), mm.
    pub s_mm: f64,
    /// Gap, square to it, mm.
    pub gap_mm: f64,
    /// Half-width of its 95% interval, mm.
    pub u95_mm: f64,
}

/// How a straightedge rests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rests {
    /// High in the middle: it touches only there.
    Rocks,
    /// Hollow: it touches toward both ends, one of which may be out of view.
    Bridges,
    /// Its largest gap is no more than 0.05 mm or its u95.
    Even,
}

/// Largest gap of a straightedge that stands even, mm.
pub const EVEN_MM: f64 = 0.05;

/// Options of the straightedge check.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StraightedgeOptions {
    /// Points along the gap, photo px; empty: find it.
    pub near: Vec<Px>,
    /// Tolerance of the largest gap, mm.
    pub tol_mm: Option<f64>,
}

/// Measures the gap on a photo.
///
/// # Errors
/// [`CheckError`]: no card, no straightedge, a lens file that doesn't fit.
pub fn measure(
    photo: &Photo,
    setup: &Setup,
    options: &StraightedgeOptions,
) -> Result<StraightedgeResult, CheckError> {
    let cards = setup.cards(photo)?;
    let reading = read(photo, &cards, setup, &options.near)?;
    answer(reading, None, setup, options)
}

/// Measures the gap on two photos of one place, the straightedge turned about its own length between them, so that its back
/// meets the panel in the second: its own error drops out. In the second it is found without help.
///
/// # Errors
/// As [`measure`], for either photo; [`StraightedgeError::NotTheSame`].
pub fn measure_turned(
    photo: &Photo,
    turned: &Photo,
    setup: &Setup,
    options: &StraightedgeOptions,
) -> Result<StraightedgeResult, CheckError> {
    let mut first = read(photo, &setup.cards(photo)?, setup, &options.near)?;
    let second = read(turned, &setup.cards(turned)?, setup, &[])?;
    let (gap, told) = reverse::join(
        (&first.gap, &first.found),
        (&second.gap, &second.found),
        &turned.name,
    )?;
    first.gap = gap;
    answer(first, Some(told), setup, options)
}

/// One photo's gap.
struct Reading {
    head: Head,
    found: found::Found,
    gap: gap::Gap,
}

fn read(photo: &Photo, cards: &[Card], setup: &Setup, near: &[Px]) -> Result<Reading, CheckError> {
    let (mut assume, mut warnings) = setup.assume(photo)?;
    // Straightedge, gap and card stand in one plane.
    assume.bow_u95_mm = 0.0;
    let scale = scale(cards, &assume, &mut warnings)?;
    let quads = masks(cards);
    let found = find::find(photo, cards, &quads, &scale, near)?;
    let (found, course) = course::settle(photo, &quads, &scale, &found)?;
    let along = along::Along::new(&scale, &found, 1.0).ok_or(StraightedgeError::OffPlane)?;
    let known_lens = setup.lens.is_some() && !assume.lens_doubt;
    let sharp = along
        .direction()
        .and_then(|d| sharpness::sharpness(photo, cards, d));
    let both = edges::trace(photo, &quads, &along, &found, &course, known_lens, sharp)?;
    let gap = gap::gap(&both, &along, &found, &scale)?;
    warnings.extend(looks_down(&scale, &found));
    Ok(Reading {
        head: Head {
            schema: SCHEMA.into(),
            check: "straightedge".into(),
            photo: photo.name.clone(),
            card: cards_seen(cards, &scale),
            lens: setup.lens.is_some(),
            mm_per_px: along.mm_per_px,
            warnings,
            budget: Vec::new(),
            verdict: None,
        },
        found,
        gap,
    })
}

/// A camera this far off level with the gap looks past a thick straightedge's edge, degrees.
const LEVEL_DEG: f64 = 8.0;

/// Whether the camera looks up or down on the gap: what is thick then hides part of it.
fn looks_down(scale: &Scale, found: &found::Found) -> Option<String> {
    let eye = scale.camera_mm();
    let middle = found.mm(0.5 * (found.from_mm + found.to_mm), 0.0).0;
    let above = (nalgebra::Point2::new(eye.x, eye.y) - middle).dot(&found.across);
    let deg = above.atan2(eye.z.abs()).to_degrees();
    (deg.abs() > LEVEL_DEG).then(|| {
        format!(
            "the camera is {:.0}° off level with the gap: a straightedge 5 mm thick hides up to {:.1} mm of it; hold the camera level with the gap",
            deg.abs(),
            5.0 * deg.abs().to_radians().tan()
        )
    })
}

fn answer(
    reading: Reading,
    turned: Option<Turned>,
    setup: &Setup,
    options: &StraightedgeOptions,
) -> Result<StraightedgeResult, CheckError> {
    let Reading {
        mut head,
        found,
        gap,
    } = reading;
    let figures = figures::figures(&gap, &found);
    head.verdict = options
        .tol_mm
        .map(|tol_mm| {
            let remedies =
                figures
                    .parts
                    .remedies(head.mm_per_px, head.lens, setup.printed.is_some());
            let advice = advise_change(figures.max_gap.u95, remedies)
                .unwrap_or_else(|| advise(&figures.budget).to_string());
            judge_advised("largest gap", figures.max_gap, tol_mm, &advice)
        })
        .transpose()?;
    head.budget = figures.budget;
    let place = |p: &Px| [p.0.x, p.0.y];
    Ok(StraightedgeResult {
        head,
        gap: figures.rows,
        max_gap_mm: figures.max_gap,
        max_at_mm: figures.max_at_mm,
        contacts_mm: figures.contacts_mm,
        rests: figures.rests,
        ends_seen: found.ends,
        crown_radius_mm: figures.crown_radius,
        filler_mm: figures.filler,
        flaws_mm: gap.flaws_mm.clone(),
        rule_px: gap.rule_px.iter().map(place).collect(),
        panel_px: gap.panel_px.iter().map(place).collect(),
        turned,
        next: figures.next,
    })
}
