//! A straightedge across a swage: the panel's own edge, finely, on to the section check.
//!
//! Far from where they touch the panel's edge is an edge like any other, and [`section::trace_panel`] reads it, the straightedge
//! covered. Where the gap is no wider than a few blurs, light between the two is all there is, and both edges are fitted together
//! as everywhere under a straightedge ([`Profile::fit`]), with the straightedge's line and the light behind known from where
//! the gap is open. On a crest the arc lies there; in a root it lies in the open.

use super::StraightedgeError;
use super::along::Along;
use super::bank::{Bank, Placed, fit_all, profiles};
use super::behind::{carried_behind, nearer, whole_behind, wide};
use super::blur::{first_blur, noise};
use super::course::{Course, Look, depth};
use super::found::Found;
use super::gap::{self, Gap, GapPlace, PLANE_MM, lean_of};
use super::lie::DEEPEST;
use super::profile::{Behind, Blur, Expected, LIGHTS, Profile};
use super::rule::rule_course;
use super::sharpness::Sharpness;
use crate::card::Card;
use crate::check::CheckError;
use crate::check::section::{self, PanelEdge};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::Quad;
use crate::solve::robust;
use crate::units::{Mm, Px};
use rayon::prelude::*;

/// Under this the two edges are read together, px: beyond, the panel's edge has open light beside it.
const OPEN_PX: f64 = 9.0;
/// Rows of open light that the straightedge's edge is read from, px.
const BESIDE_PX: f64 = 10.0;
/// Columns of one reading where both are read together.
const STATION: usize = 4;
/// Shortest stretch of open edge worth tracing, mm.
const SHORTEST_MM: f64 = 12.0;
/// The panel's edge must show under this share of the straightedge, or the line is not the straightedge's.
const LEAST_SHOWN: f64 = 0.5;
/// How far up the straightedge covers what it covers, mm: the widest back looked for.
const BODY_MM: f64 = 65.0;
/// Shorter waves are roughness, not shape, mm.
const RAGGED_MM: f64 = 6.0;
/// Step of a coarse edge, mm.
const STEP_MM: f64 = 0.5;

/// The panel's edge under a straightedge, place by place, left to right.
pub struct Reading {
    /// The edge, for the section check.
    pub edge: PanelEdge,
    /// The gap.
    pub gap: Gap,
}

/// A place of the panel's edge.
struct Place {
    column: f64,
    px: Px,
    /// Moves for one standard uncertainty, px out of the panel: treatment, light behind, blur; zero in the open.
    by_px: [f64; 3],
}

/// Reads the panel's edge under a straightedge laid across a swage. `found`: its line, laid on its edge. `seen`: the photo, its
/// cards and what they cover.
///
/// # Errors
/// [`CheckError`]: neither flank shows, too faint.
pub fn read(
    seen: (&Photo, &[Card], &[Quad]),
    scale: &Scale,
    found: &Found,
    known_lens: bool,
) -> Result<Reading, CheckError> {
    let (photo, cards, quads) = seen;
    let along = Along::new(scale, found, 1.0).ok_or(StraightedgeError::OffPlane)?;
    let sharp = along
        .direction()
        .and_then(|d| super::sharpness::sharpness(photo, cards, d));
    let deepest = DEEPEST * (found.to_mm - found.from_mm);
    let (course, _) = depth(
        photo,
        quads,
        scale,
        found,
        deepest,
        (2.0 * STEP_MM, Look::Full),
    )?;
    let (line, mut places) =
        near(photo, quads, &along, &course, known_lens, sharp).ok_or(StraightedgeError::Faint)?;
    // What the straightedge hides is not looked at.
    let mut covers = section::covers(cards);
    covers.extend(body(scale, found, along.mm_per_px));
    let mut flanks: Vec<Place> = Vec::new();
    for coarse in open(scale, found, &along, &course) {
        // A flank too short or hidden is no flank; one is enough to go on with, the fit says what it is worth.
        let toward = -found.across;
        let Ok(traced) = section::trace_panel((photo, cards, &covers), scale, &coarse, toward)
        else {
            continue;
        };
        flanks.extend(traced.into_iter().filter_map(|px| {
            let (column, y) = along.locate(px)?;
            (y - line(column) > OPEN_PX).then_some(Place {
                column,
                px,
                by_px: [0.0; 3],
            })
        }));
    }
    // Where it touches between two flanks the arc lies; a straightedge's end on a flank tells nothing that the flank doesn't.
    let (first, last) = flanks
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| {
            (a.min(p.column), b.max(p.column))
        });
    places.retain(|p| p.column > first && p.column < last);
    places.extend(flanks);
    places.sort_by(|a, b| a.column.total_cmp(&b.column));
    let by_mm = |k: usize| -> Vec<f64> {
        places
            .iter()
            .map(|p| p.by_px[k] * along.mm_per_px)
            .collect()
    };
    let edge = PanelEdge {
        places: places.iter().map(|p| p.px).collect(),
        into_panel: found.across,
        plane_u_mm: PLANE_MM,
        common_mm: (0..3).map(by_mm).collect(),
    };
    let all: Vec<GapPlace> = places
        .iter()
        .map(|p| GapPlace {
            panel: p.px,
            by_px: p.by_px,
        })
        .collect();
    let rule_at = |at: f64| {
        let column = along.column_at(at);
        along.px(column, line(column))
    };
    let gap = gap::of_places(&all, rule_at, found, scale, RAGGED_MM)?;
    let length_mm = found.to_mm - found.from_mm;
    let shown_mm = match (gap.s_mm.first(), gap.s_mm.last()) {
        (Some(a), Some(b)) => b - a,
        _ => 0.0,
    };
    if shown_mm < LEAST_SHOWN * length_mm {
        let error = StraightedgeError::NoFlanks {
            shown_mm,
            length_mm,
        };
        return Err(error.into());
    }
    Ok(Reading { edge, gap })
}

/// Where the straightedge's edge runs, px across from the line at a column, and the panel's edge where the gap is narrow.
fn near(
    photo: &Photo,
    quads: &[Quad],
    along: &Along,
    course: &Course,
    known_lens: bool,
    sharp: Option<Sharpness>,
) -> Option<(impl Fn(f64) -> f64, Vec<Place>)> {
    /// Room above the line for the straightedge's edge, mm.
    const CLOSE_MM: f64 = 1.0;
    /// Far out of the profile, px.
    const AWAY_PX: f64 = 500.0;
    let (mut blur, u_blur_px) = first_blur(sharp, photo.facts.chroma_halved);
    let bank = Bank::new(photo, quads, along, CLOSE_MM, OPEN_PX + BESIDE_PX, 2.0);
    let columns = along.centre.len();
    let step = ((2.0 / along.mm_per_px) as usize).clamp(6, 24);
    let mut long: Vec<Placed> = profiles(&bank, columns, step, None);
    let mut starts = Vec::with_capacity(long.len());
    let mut seen_behind = Vec::new();
    for (column, profile) in &mut long {
        let gap = course.at(along.s_at(*column)).1;
        let open = gap > OPEN_PX + 4.0;
        if let Some(p) = profile.as_mut().filter(|_| open) {
            // The panel is far: the straightedge's edge against the light behind alone.
            let rows = p.y_px.partition_point(|y| *y < BESIDE_PX.min(gap - 3.0));
            p.y_px.truncate(rows);
            p.light.truncate(rows);
            let beyond = p.y_px.partition_point(|y| *y < 4.0);
            seen_behind.extend(p.light.get(beyond..).into_iter().flatten().copied());
        }
        starts.push((0.0, if open { AWAY_PX } else { gap.max(0.3) }));
    }
    if seen_behind.len() < 40 {
        return None;
    }
    let light = median_light(&seen_behind);
    let unknown = Behind {
        light,
        u: wide(&light, 0.5),
    };
    blur.noise = noise(&long, &starts, &blur, &unknown);
    let about = vec![
        Expected {
            y_px: 0.0,
            u_px: 3.0
        };
        long.len()
    ];
    let behind = vec![unknown; long.len()];
    let edges = fit_all(&long, &starts, &blur, &behind, Some(&about));
    let at: Vec<f64> = long.iter().map(|p| p.0).collect();
    let rule = rule_course(&at, &edges, along, known_lens)?;
    let whole = whole_behind(&edges, &blur, unknown, &[]);
    // Station by station where the gap is narrow.
    let stations: Vec<(f64, Profile, f64)> = (0..columns / STATION)
        .filter_map(|k| {
            let column = (k * STATION) as f64 + 0.5 * (STATION - 1) as f64;
            let gap = course.at(along.s_at(column)).1;
            if gap > OPEN_PX + 2.0 {
                return None;
            }
            let profile = bank.profile(k * STATION..(k + 1) * STATION, None)?;
            Some((column, profile, gap))
        })
        .collect();
    let at_mm: Vec<f64> = at.iter().map(|c| along.s_at(*c)).collect();
    let wanted: Vec<f64> = stations.iter().map(|s| along.s_at(s.0)).collect();
    let carried = carried_behind(&edges, &at_mm, &blur, &whole, &[], &wanted);
    let wider = blur.wider(u_blur_px);
    let places = stations
        .par_iter()
        .zip(&carried)
        .filter_map(|((column, profile, gap), behind)| {
            let expected = rule.at(*column);
            let start = (expected.y_px, gap.max(0.3));
            let e = profile.fit(start, &blur, behind, Some(&expected))?;
            if e.held || e.gap_px > OPEN_PX {
                return None;
            }
            let moved = |blur: &Blur, behind: &Behind| {
                profile
                    .again(&e, blur, behind, &expected)
                    .map_or(0.0, |o| e.gap_px - o.gap_px)
            };
            Some(Place {
                column: *column,
                // A panel can't be inside a straightedge.
                px: along.px(*column, e.y_px + e.gap_px.max(0.0)),
                by_px: [
                    lean_of(&e, blur.sd_px),
                    moved(&blur, &nearer(Some(&e), behind)),
                    moved(&wider, behind),
                ],
            })
        })
        .collect();
    let places: Vec<Place> = places;
    Some((move |column: f64| rule.at(column).y_px, places))
}

fn median_light(all: &[[f64; LIGHTS]]) -> [f64; LIGHTS] {
    std::array::from_fn(|i| robust::median(&mut all.iter().map(|v| v[i]).collect()).unwrap_or(0.0))
}

/// What the straightedge covers in the photo, its edge by a pixel more.
fn body(scale: &Scale, found: &Found, mm_per_px: f64) -> Option<Quad> {
    let place = |a: f64, b: f64| scale.px_from_mm(found.mm(a, b)).map(|p| p.0);
    let (a, b) = (found.from_mm - 1.0, found.to_mm + 1.0);
    Some([
        place(a, -BODY_MM)?,
        place(b, -BODY_MM)?,
        place(b, mm_per_px)?,
        place(a, mm_per_px)?,
    ])
}

/// Stretches where the gap is open, as coarse edges in the card frame, left to right.
fn open(scale: &Scale, found: &Found, along: &Along, course: &Course) -> Vec<Vec<Mm>> {
    let steps = ((found.to_mm - found.from_mm) / STEP_MM) as usize;
    let mut runs: Vec<Vec<Mm>> = vec![Vec::new()];
    for k in 0..=steps {
        let s = found.from_mm + k as f64 * STEP_MM;
        let gap = course.at(s).1;
        let place = (gap > OPEN_PX)
            .then(|| along.column_at(s))
            .and_then(|c| scale.mm_from_px(along.px(c, gap)));
        match (place, runs.last_mut()) {
            (Some(mm), Some(run)) => run.push(mm),
            (None, Some(run)) if !run.is_empty() => runs.push(Vec::new()),
            _ => {}
        }
    }
    runs.retain(|run| run.len() as f64 * STEP_MM >= SHORTEST_MM);
    runs
}
