//! What a straightedge says of a panel: the light gap under it, how it rests, what closes it.

mod across;
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
mod lie;
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

use super::section::{self, FormName, SectionRequest, SectionResult};
use super::{CheckError, Head, SCHEMA, Setup, cards_seen, scale};
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masks};
use crate::units::{Measured, Px};
use crate::verdict::{advise, advise_change, judge_advised};
use along::Along;
use found::Found;
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
    /// Depth of filler that closes the gap at its largest; `None` across a swage, whose gap is its shape.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub filler_mm: Option<Measured>,
    /// Nicks in the straightedge and dirt in the gap, left out: from, to, mm along.
    pub flaws_mm: Vec<[f64; 2]>,
    /// The straightedge's edge in the photo, a place for each of `gap`.
    pub rule_px: Vec<[f64; 2]>,
    /// The panel's edge.
    pub panel_px: Vec<[f64; 2]>,
    /// What the second photo, the straightedge turned over, told of it; the gap is then without its error.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub turned: Option<Turned>,
    /// The swage it lies across, from the same edge: a whole answer of the section check.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub section: Option<SectionResult>,
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

/// Farther than this, mm, from flank, arc, flank no panel goes within the length of a straightedge (ours, no source).
const ASTRAY_MM: f64 = 3.0;

/// A tenth of the places may be dirt.
const DIRT: f64 = 0.1;

/// How far off its form an edge is that is no swage's, mm.
fn astray(deviation_mm: &[f64]) -> Option<f64> {
    let mut off: Vec<f64> = deviation_mm.iter().map(|d| d.abs()).collect();
    off.sort_by(f64::total_cmp);
    let at = ((1.0 - DIRT) * off.len() as f64) as usize;
    off.get(at).copied().filter(|d| *d > ASTRAY_MM)
}

/// Measures the swage that a straightedge lies across, and the gap to both sides of it: the panel's own edge is handed to the
/// section check. The tolerance is of the radius when `want_mm` is given, of the largest gap else.
///
/// # Errors
/// As [`measure`]; what the section check says of the edge.
pub fn measure_across(
    photo: &Photo,
    setup: &Setup,
    options: &StraightedgeOptions,
    want_mm: Option<f64>,
) -> Result<StraightedgeResult, CheckError> {
    let cards = setup.cards(photo)?;
    let (start, ()) = start(photo, &cards, setup, |quads, scale| {
        Ok((lie::find(photo, &cards, quads, scale, &options.near)?, ()))
    })?;
    let seen = (photo, &cards[..], &start.quads[..]);
    let read = across::read(seen, &start.scale, &start.found, start.known_lens)?;
    let request = SectionRequest {
        near: Vec::new(),
        thickness_mm: Some(0.0),
        want_mm,
        tol_mm: want_mm.and(options.tol_mm),
    };
    let lens = setup.lens.is_some();
    let section = section::of_panel((photo, &cards), &start.scale, &read.edge, lens, &request)?;
    if section.form == FormName::Crown {
        // No corner: the other flank, or the whole swage, doesn't show.
        let ends = |s: &[f64]| Some(s.last()? - s.first()?);
        let error = StraightedgeError::NoFlanks {
            shown_mm: ends(&read.gap.s_mm).unwrap_or(0.0),
            length_mm: start.found.to_mm - start.found.from_mm,
        };
        return Err(error.into());
    }
    if let Some(off_mm) = astray(&section.deviation_mm) {
        return Err(StraightedgeError::Astray { off_mm }.into());
    }
    let reading = Reading {
        head: start.head(&cards, setup, photo, section.head.mm_per_px),
        found: start.found,
        gap: read.gap,
    };
    let options = StraightedgeOptions {
        tol_mm: options.tol_mm.filter(|_| want_mm.is_none()),
        ..options.clone()
    };
    let mut result = answer(reading, None, setup, &options)?;
    result.head.verdict = result.head.verdict.or(section.head.verdict.clone());
    result.head.budget = section.head.budget.clone();
    result.next = section.next.clone();
    // The gap is the swage's own shape: nothing to fill, and no crown.
    result.filler_mm = None;
    result.crown_radius_mm = None;
    result.section = Some(section);
    Ok(result)
}

/// One photo's gap.
struct Reading {
    head: Head,
    found: Found,
    gap: gap::Gap,
}

/// What every reading starts from; `find` gives the line and what else it has.
struct Start {
    scale: Scale,
    quads: Vec<Quad>,
    /// The line, laid on the straightedge's edge.
    found: Found,
    known_lens: bool,
    warnings: Vec<String>,
}

fn start<T>(
    photo: &Photo,
    cards: &[Card],
    setup: &Setup,
    find: impl Fn(&[Quad], &Scale) -> Result<(Found, T), StraightedgeError>,
) -> Result<(Start, T), CheckError> {
    let (mut assume, mut warnings) = setup.assume(photo)?;
    // Straightedge, gap and card stand in one plane.
    assume.bow_u95_mm = 0.0;
    let scale = scale(cards, &assume, &mut warnings)?;
    let quads = masks(cards);
    let (found, beside) = find(&quads, &scale)?;
    warnings.extend(looks_down(&scale, &found));
    let start = Start {
        known_lens: setup.lens.is_some() && !assume.lens_doubt,
        scale,
        quads,
        found,
        warnings,
    };
    Ok((start, beside))
}

impl Start {
    fn head(&self, cards: &[Card], setup: &Setup, photo: &Photo, mm_per_px: f64) -> Head {
        Head {
            schema: SCHEMA.into(),
            check: "straightedge".into(),
            photo: photo.name.clone(),
            card: cards_seen(cards, &self.scale),
            lens: setup.lens.is_some(),
            mm_per_px,
            warnings: self.warnings.clone(),
            budget: Vec::new(),
            verdict: None,
        }
    }
}

fn read(photo: &Photo, cards: &[Card], setup: &Setup, near: &[Px]) -> Result<Reading, CheckError> {
    let (start, course) = start(photo, cards, setup, |quads, scale| {
        let found = find::find(photo, cards, quads, scale, near)?;
        let (found, course) = course::settle(photo, quads, scale, &found)?;
        // A gap wider than is looked for would pass for none: what lies behind it, for the panel.
        match lie::opening(photo, quads, scale, &found, course::Look::Glance) {
            Some(wide) if wide.deepest_mm > course::WIDEST_MM => Err(StraightedgeError::Wide {
                opens_mm: wide.deepest_mm,
            }),
            _ => Ok((found, course)),
        }
    })?;
    let (scale, found) = (&start.scale, &start.found);
    let along = Along::new(scale, found, 1.0).ok_or(StraightedgeError::OffPlane)?;
    let sharp = along
        .direction()
        .and_then(|d| sharpness::sharpness(photo, cards, d));
    let quads = &start.quads;
    let both = edges::trace(
        photo,
        quads,
        &along,
        found,
        &course,
        start.known_lens,
        sharp,
    )?;
    let gap = gap::gap(&both, &along, found, scale)?;
    Ok(Reading {
        head: start.head(cards, setup, photo, along.mm_per_px),
        found: start.found,
        gap,
    })
}

/// A camera this far off level with the gap looks past a thick straightedge's edge, degrees.
const LEVEL_DEG: f64 = 8.0;

/// Whether the camera looks up or down on the gap: what is thick then hides part of it.
fn looks_down(scale: &Scale, found: &Found) -> Option<String> {
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
        filler_mm: Some(figures.filler),
        flaws_mm: gap.flaws_mm.clone(),
        rule_px: gap.rule_px.iter().map(place).collect(),
        panel_px: gap.panel_px.iter().map(place).collect(),
        turned,
        section: None,
        next: figures.next,
    })
}
