//! The shape across a swage: the edge of a template, a contour comb or a cut card beside a scale card.

mod comb;
mod figures;
mod follow;
mod ground;
mod object;
mod sheet;
mod snap;

use super::{CheckError, Head, Setup, scale};
use crate::card::Card;
use crate::fit::section::{Form, SectionOptions, fit_section};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, quads};
use crate::solve::noise::EdgeModel;
use crate::units::{Measured, Mm, Px};
use nalgebra::{Point2, Vector2};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Answer of the section check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SectionResult {
    /// What every result begins with.
    #[serde(flatten)]
    pub head: Head,
    /// Rounded outward or inward, one arc, or sharp.
    pub form: FormName,
    /// What lies beside the card.
    pub object: Object,
    /// Radius; `None` when sharp.
    pub radius_mm: Option<Measured>,
    /// Angle between the flanks; of a crown the angle it spans.
    pub turn_deg: Measured,
    /// Where the rounding is clearly two arcs and not one: both, in the order of the profile; `radius_mm` is then the one arc
    /// that comes nearest.
    pub two_arcs: Option<TwoArcs>,
    /// Straight lengths seen before and after the arc, mm, in the order of the profile.
    pub flanks_mm: [f64; 2],
    /// The edge without raggedness shorter than 6 mm, card frame, mm, in order.
    pub profile_mm: Vec<[f64; 2]>,
    /// The same on the photo.
    pub profile_px: Vec<[f64; 2]>,
    /// Distance of each reading, raggedness included, from the fitted form, mm, positive away from the arc's centre.
    pub deviation_mm: Vec<f64>,
    /// Root mean square distance of the readings from the form, mm.
    pub rms_mm: f64,
    /// The fitted form, card frame.
    pub fitted: Fitted,
    /// Height of the edge above the card's plane as given, mm.
    pub thickness_mm: f64,
    /// How the form was chosen.
    pub choice: Choice,
    /// What to do next, one sentence.
    pub next: String,
}

/// Names of forms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FormName {
    /// The arc's centre lies on the material's side.
    Convex,
    /// The arc's centre lies on the open side.
    Concave,
    /// One arc without flanks.
    Crown,
    /// A corner whose radius can't be told from none.
    Sharp,
}

impl From<Form> for FormName {
    fn from(form: Form) -> Self {
        match form {
            Form::Convex => FormName::Convex,
            Form::Concave => FormName::Concave,
            Form::Crown => FormName::Crown,
            Form::Sharp => FormName::Sharp,
        }
    }
}

/// What lies beside the card.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Object {
    /// A template of sheet or board with a clean edge.
    Template,
    /// A contour comb.
    Comb,
    /// A card cut by hand.
    Cut,
    /// The panel itself, under a straightedge laid across the swage.
    Panel,
}

/// A rounding of two arcs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TwoArcs {
    /// Their radii, mm.
    pub radii_mm: [Measured; 2],
    /// What each takes of the turn, degrees.
    pub turns_deg: [f64; 2],
}

/// The fitted form in the card frame, mm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fitted {
    /// Places along the form from one end to the other: a polyline fine enough to draw.
    pub outline_mm: Vec<[f64; 2]>,
    /// The same on the photo.
    pub outline_px: Vec<[f64; 2]>,
    /// Ends of the arc; `None` when sharp.
    pub arc_mm: Option<[[f64; 2]; 2]>,
    /// Centre of the arc; `None` when sharp or too far off.
    pub centre_mm: Option<[f64; 2]>,
    /// The same on the photo.
    pub centre_px: Option<[f64; 2]>,
    /// Where the flanks would meet; `None` for a crown.
    pub corner_mm: Option<[f64; 2]>,
    /// Unit vector from the edge into the material.
    pub into_material: [f64; 2],
}

/// Scores of the forms: χ² + k ln n (Schwarz 1978), the least is kept; `None` where a form did not settle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Choice {
    /// Flank, arc, flank.
    pub rounded: Option<f64>,
    /// Two flanks.
    pub sharp: Option<f64>,
    /// One arc.
    pub crown: Option<f64>,
}

/// Why no section is measured.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SectionError {
    /// Hardly anything beside the card.
    #[error(
        "hardly anything beside the card is in the picture; step back so that card and template both show"
    )]
    NoBench,
    /// Nothing there.
    #[error(
        "no template, comb or cut card can be told from the bench beside the card; lay it on a plain ground of another colour, its edge toward the card, or give points with --near"
    )]
    NoObject,
    /// Nothing at the points.
    #[error(
        "nothing that stands out from the bench lies near the points given with --near; give points on the edge itself"
    )]
    NoObjectNear,
    /// The edge can't be located.
    #[error(
        "the edge is too faint or too blurred to locate; take the photo from straight above, in focus, on a ground of another colour"
    )]
    Faint,
    /// Not enough of it.
    #[error(
        "only {seen_mm:.0} mm of the edge can be seen; at least {need_mm:.0} mm are needed. Show more of it, with nothing in front"
    )]
    TooShort {
        /// Length seen, mm.
        seen_mm: f64,
        /// Length needed, mm.
        need_mm: f64,
    },
}

/// Options of the section check.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SectionRequest {
    /// Points near the edge, photo px; empty: find it.
    pub near: Vec<Px>,
    /// Thickness of the template, or height of a comb's pins' axes, mm; `None`: not known.
    pub thickness_mm: Option<f64>,
    /// Radius wanted, mm.
    pub want_mm: Option<f64>,
    /// Tolerance of the radius, mm.
    pub tol_mm: Option<f64>,
}

/// How far a bench is from flat: sagitta on 1 m, 95%, mm (ours, no source: a warped board).
pub const BENCH_BOW_MM: f64 = 1.5;

/// Measures the section on a photo.
///
/// # Errors
/// [`CheckError`]: no card, nothing beside it, a lens file that doesn't fit.
pub fn measure(
    photo: &Photo,
    setup: &Setup,
    options: &SectionRequest,
) -> Result<SectionResult, CheckError> {
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
    options: &SectionRequest,
) -> Result<SectionResult, CheckError> {
    let (assume, mut warnings) = setup.assume(photo)?;
    let scale = scale(cards, &assume, &mut warnings)?;
    let covers = covers(cards);
    let near: Vec<Mm> = options
        .near
        .iter()
        .filter_map(|p| scale.mm_from_px(*p))
        .collect();
    let bench = ground::look(photo, &scale, &covers).ok_or(SectionError::NoBench)?;
    let sides: Vec<Quad> = quads(cards, |_| 0.0)
        .into_iter()
        .filter_map(|q| {
            let mm = q.map(|p| scale.mm_from_px(Px(p)).map(|m| m.0));
            Some([mm[0]?, mm[1]?, mm[2]?, mm[3]?])
        })
        .collect();
    let object = object::find(&bench, &sides, &near)?;
    let height_mm = options.thickness_mm.unwrap_or(0.0);
    let traced = trace(
        (photo, cards, &covers),
        &scale,
        &object.edge,
        object.toward,
        (height_mm, Beyond::Bench),
    )?;
    let mut height_u_mm = 0.0;
    if options.thickness_mm.is_none() {
        warnings.push(
            "the thickness was not given: measured as if the edge lay in the card's plane; give it with --thickness"
                .into(),
        );
        height_u_mm = THICKNESS_U_MM;
    }
    figures::answer(
        &figures::Traced {
            photo,
            cards,
            scale: &scale,
            edge: &traced,
            into_material: -object.toward,
            height_mm,
            height_u_mm,
            object: None,
            common_mm: &[],
            lens: setup.lens.is_some(),
        },
        options,
        warnings,
    )
}

/// What cards cover of an edge beside them: the white margin is half a square; a millimetre more for its shadow.
pub fn covers(cards: &[Card]) -> Vec<Quad> {
    quads(cards, |square| 0.5 * square + 1.0)
}

/// A thickness that was not given is taken as 0 with this standard uncertainty, mm: sheet and board up to 3 mm.
const THICKNESS_U_MM: f64 = 1.5;

/// The edge of a panel that another check has found: on the photo, in order, in the card's plane.
#[derive(Debug, Clone)]
pub struct PanelEdge {
    /// Places, px.
    pub places: Vec<Px>,
    /// Unit vector from the edge into the panel, card frame.
    pub into_panel: Vector2<f64>,
    /// How far before or behind the card's plane it may lie, standard uncertainty, mm.
    pub plane_u_mm: f64,
    /// What moves places together: for each source the move of each place out of the panel, mm, at one standard uncertainty.
    pub common_mm: Vec<Vec<f64>>,
}

/// The section of a panel's edge found already; `lens`: whether the scale rests on a lens file.
///
/// # Errors
/// [`CheckError`]: too few places, no form that fits.
pub fn of_panel(
    (photo, cards): (&Photo, &[Card]),
    scale: &Scale,
    panel: &PanelEdge,
    lens: bool,
    request: &SectionRequest,
) -> Result<SectionResult, CheckError> {
    let outward = scale
        .px_from_mm(Mm(Point2::origin() - panel.into_panel))
        .zip(scale.px_from_mm(Mm(Point2::origin())))
        .map(|(a, b)| (a.0 - b.0).normalize())
        .ok_or(SectionError::Faint)?;
    if panel.places.len() < 16 {
        return Err(SectionError::Faint.into());
    }
    let edge = follow::Edge {
        points: panel
            .places
            .iter()
            .map(|px| follow::EdgePoint { px: *px, outward })
            .collect(),
        pins_px: None,
        blur_px: follow::card_blur(photo, cards).unwrap_or(1.0),
    };
    figures::answer(
        &figures::Traced {
            photo,
            cards,
            scale,
            edge: &edge,
            into_material: panel.into_panel,
            height_mm: 0.0,
            height_u_mm: panel.plane_u_mm,
            object: Some(Object::Panel),
            common_mm: &panel.common_mm,
            lens,
        },
        request,
        Vec::new(),
    )
}

/// Traces an edge in the card's plane from a coarse course (card frame, mm, in order), as far as it shows. `covers`: what hides
/// it, cards and other things; `toward`: out of the material, card frame.
///
/// # Errors
/// [`CheckError`]: nothing there, too faint, too short.
pub fn trace_panel(
    seen: (&Photo, &[Card], &[Quad]),
    scale: &Scale,
    coarse: &[Mm],
    toward: Vector2<f64>,
) -> Result<Vec<Px>, CheckError> {
    if coarse.len() < 2 {
        return Err(SectionError::Faint.into());
    }
    let edge = trace(seen, scale, coarse, toward, (0.0, Beyond::Open))?;
    Ok(edge.points.iter().map(|p| p.px).collect())
}

/// What lies beyond an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Beyond {
    /// A bench that it touches, with its shadow.
    Bench,
    /// Light from far behind.
    Open,
}

/// The edge from coarse to fine.
fn trace(
    (photo, cards, covers): (&Photo, &[Card], &[Quad]),
    scale: &Scale,
    coarse: &[Mm],
    toward: Vector2<f64>,
    (height_mm, beyond): (f64, Beyond),
) -> Result<follow::Edge, CheckError> {
    let middle = coarse[coarse.len() / 2];
    let coarse = follow::on_photo(scale, &extended(&softened(coarse)), 0.0);
    let outside = scale
        .px_from_mm(Mm(middle.0 + toward))
        .zip(scale.px_from_mm(middle))
        .map(|(a, b)| a.0 - b.0)
        .ok_or(SectionError::NoBench)?;
    let mm_per_px = 1.0 / outside.norm().max(1e-6);
    let mut snapped = snap::snapped(photo, covers, &coarse, outside, mm_per_px)?;
    // Where thing and bench are much alike the coarse edge may have stopped short: on for as long as the edge shows.
    let mut course = coarse;
    for _ in 0..MOST_ON {
        let Some(longer) = carried_on(&course, &snapped, mm_per_px) else {
            break;
        };
        // A course too long, or one on which nothing shows, ends the search and not the measurement.
        let Ok(next) = snap::snapped(photo, covers, &longer, outside, mm_per_px) else {
            break;
        };
        if next.len() <= snapped.len() {
            break;
        }
        (course, snapped) = (longer, next);
    }
    if let Beyond::Open = beyond {
        snapped = snap::halved(photo, covers, &snapped);
    }
    let blur_px = follow::card_blur(photo, cards).unwrap_or(1.0);
    let fine = follow::Fine {
        photo,
        quads: covers,
        scale,
        height_mm,
        blur_px,
        mm_per_px,
    };
    let mut edge = None;
    for _ in 0..2 {
        let (places, mm): (Vec<follow::EdgePoint>, Vec<Mm>) = snapped
            .iter()
            .filter_map(|p| Some((*p, scale.mm_above(p.px, height_mm)?)))
            .unzip();
        let seen_mm: f64 = mm.windows(2).map(|p| (p[1].0 - p[0].0).norm()).sum();
        if mm.len() < 16 || seen_mm < object::SHORTEST_MM {
            return Err(SectionError::TooShort {
                seen_mm,
                need_mm: object::SHORTEST_MM,
            }
            .into());
        }
        // The course keeps to whatever rounding shows at all: as if the places were good to a third of a pixel.
        let section = fit_section(
            &mm,
            &SectionOptions {
                noise: Some(EdgeModel::white(0.3 * mm_per_px)),
                into_material: -toward,
                two_arcs: false,
                long_flanks: beyond == Beyond::Open,
                ..SectionOptions::default()
            },
        )?;
        let places: Vec<follow::EdgePoint> = places
            .iter()
            .zip(&section.used)
            .filter(|(_, used)| **used)
            .map(|(p, _)| *p)
            .collect();
        let course = figures::outline(&section, &mm, 0.25);
        let course: Vec<Point2<f64>> = follow::on_photo(scale, &course, height_mm);
        let read = fine.read(&course, &places, outside)?;
        snapped = read.points.clone();
        edge = Some(read);
    }
    edge.ok_or(SectionError::Faint.into())
}

/// How often an edge is carried on beyond the coarse one.
const MOST_ON: usize = 6;

/// The snapped edge with 30 mm more, straight, at an end that reached the end of its course; `None` where neither did.
fn carried_on(
    course: &[Point2<f64>],
    snapped: &[follow::EdgePoint],
    mm_per_px: f64,
) -> Option<Vec<Point2<f64>>> {
    /// As near as this to the course's end counts as reached (where the edge curves away from it, it is lost a little
    /// before); direction read over so much; and on by so much, mm.
    const NEAR: f64 = 8.0;
    const READ: f64 = 15.0;
    const ON: f64 = 30.0;
    let mut line: Vec<Point2<f64>> = snapped.iter().step_by(4).map(|p| p.px.0).collect();
    let mut longer = false;
    for end in [course.last()?, course.first()?] {
        let last = *line.last()?;
        if (last - end).norm() * mm_per_px < NEAR {
            let from = line
                .iter()
                .rev()
                .find(|p| (last - **p).norm() * mm_per_px > READ)?;
            let step = (last - from).normalize() / mm_per_px;
            line.extend((1..=ON as usize).map(|k| last + step * k as f64));
            longer = true;
        }
        line.reverse();
    }
    longer.then_some(line)
}

/// A coarse edge carried on straight at both ends, for what a shadow hid of it: where the thing ends is seen on the photo.
fn extended(edge: &[Mm]) -> Vec<Mm> {
    /// The last of the coarse edge is left out, direction read over the next, then so far on; steps of the coarse edge.
    const DROP: usize = 3;
    const READ: usize = 16;
    const ON: usize = 60;
    let n = edge.len();
    if n < 2 * (DROP + READ) {
        return edge.to_vec();
    }
    let on = |end: Mm, from: Mm| {
        let step = (end.0 - from.0) / READ as f64;
        (1..=ON).map(move |k| Mm(end.0 + step * k as f64))
    };
    let first = edge[DROP];
    let last = edge[n - 1 - DROP];
    let mut out: Vec<Mm> = on(first, edge[DROP + READ]).collect();
    out.reverse();
    out.extend_from_slice(&edge[DROP..n - DROP]);
    out.extend(on(last, edge[n - 1 - DROP - READ]));
    out
}

/// A coarse edge with the steps of its cells smoothed out, its ends kept.
fn softened(edge: &[Mm]) -> Vec<Mm> {
    const HALF: usize = 3;
    (0..edge.len())
        .map(|i| {
            let h = HALF.min(i).min(edge.len() - 1 - i);
            let near = &edge[i - h..=i + h];
            let sum: Vector2<f64> = near.iter().map(|p| p.0.coords).sum();
            Mm(Point2::from(sum / near.len() as f64))
        })
        .collect()
}
