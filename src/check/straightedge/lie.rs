//! How a straightedge lies across a swage: its edge is the straight line along which something straight stands over open light,
//! with the panel's edge coming up to it somewhere.
//!
//! A gap centimetres deep is not a line with panel below it, so [`find`](super::find) can't know it. Candidates are again the
//! lines that run coherently through the card's plane, here up to half of a right angle off the card's own direction; each is
//! taken for the straightedge's edge on trial, and the panel's edge is looked for below it in the photo ([`depth`]). The one on which most
//! of the photo then falls into three levels is it.

use super::StraightedgeError;
use super::course::{Look, depth, settle_line};
use super::find::{LEAST_MM, REACH_MM, cards_middle, coherent};
use super::found::Found;
use super::window::{Frame, Window, inside};
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::trace::strip::{Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2};

/// Deepest gap looked for, as a share of the straightedge's length in the picture: flanks at 60 degrees to each other.
pub const DEEPEST: f64 = 0.6;
/// Directions looked in, off the card's own, degrees; about each as much as half the way to the next.
const TURNS_DEG: [f64; 5] = [-32.0, -16.0, 0.0, 16.0, 32.0];
const RISE: f64 = 0.16;
/// Most candidates tried.
const TRIED: usize = 24;
/// Lines nearer than this all along, mm, are one.
const APART_MM: f64 = 4.0;
/// How far a candidate may lie off the edge it is of, mm.
const STRAY_MM: f64 = 2.5;
/// The panel comes as near as this somewhere, mm, or by this share of the greatest depth (it touches at the straightedge's
/// ends, of which the last millimetres are not read).
const TOUCHES_MM: f64 = 3.0;
const TOUCHES: f64 = 0.15;
/// A gap across a swage opens at least so far, mm, and by this share of the straightedge's length: a turn of some 5 degrees.
const OPEN_MM: f64 = 2.0;
const OPEN: f64 = 0.02;
/// How clear both edges must be, over the stretch, 0 to 1.
const LEAST_CLEAR: f64 = 0.35;
/// Deepest gap of a glance, mm: a flank of 200 mm at 30 degrees to the straightedge.
const GLANCE_MM: f64 = 120.0;
/// Over this part of the open gap the panel's edge must be clear.
const LEAST_SHOWN: f64 = 0.8;

/// Finds it. `near`: points along the straightedge's edge, photo px.
///
/// # Errors
/// [`StraightedgeError`]: none there, none near the points.
pub fn find(
    photo: &Photo,
    cards: &[Card],
    quads: &[Quad],
    scale: &Scale,
    near: &[Px],
) -> Result<Found, StraightedgeError> {
    let middle = cards_middle(cards);
    let mm_per_px = scale
        .mm_per_px(Px(middle))
        .ok_or(StraightedgeError::OffPlane)?;
    let tapped: Vec<Mm> = near.iter().filter_map(|p| scale.mm_from_px(*p)).collect();
    let tap_mm = 3.0 + 0.02 * photo.width.max(photo.height) as f64 * mm_per_px;
    let base = Frame::of(scale, &tapped, middle)?;
    let turns: &[f64] = if tapped.len() >= 2 {
        &[0.0]
    } else {
        &TURNS_DEG
    };
    let mut trials: Vec<(f64, Found)> = Vec::new();
    for turn in turns {
        let frame = base.turned(turn.to_radians());
        // A window that hardly meets the picture holds no straightedge.
        let Ok(window) = Window::of(photo, scale, &frame, (-REACH_MM, REACH_MM), mm_per_px) else {
            continue;
        };
        trials.extend(candidates(photo, quads, scale, (&frame, &window)));
    }
    trials.retain(|(_, f)| tapped.iter().all(|m| off(f, *m) < tap_mm));
    trials.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<Found> = Vec::new();
    for (_, trial) in trials {
        if kept.len() < TRIED && !kept.iter().any(|k| same(k, &trial)) {
            kept.push(trial);
        }
    }
    let best = kept
        .iter()
        .filter_map(|trial| laid(photo, quads, scale, trial))
        .reduce(|a, b| if b.0 > a.0 { b } else { a });
    let none = if tapped.is_empty() {
        StraightedgeError::NoGap
    } else {
        StraightedgeError::NoGapNear
    };
    best.map(|(_, found)| found).ok_or(none)
}

/// Coherent lines with how surely each runs, as straightedges that stand.
fn candidates(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    (frame, window): (&Frame, &Window),
) -> Vec<(f64, Found)> {
    let strip = window.sample(photo, scale, frame, quads);
    let half_mm = 0.5 * window.columns as f64 * window.pitch_a;
    let mut out = Vec::new();
    for c in coherent(&strip, window, RISE * half_mm) {
        let a = |block: usize| window.from_a + (block * window.block()) as f64 * window.pitch_a;
        let at = |a: f64| frame.mm(a, window.b_at(&c, a)).0;
        let (p, q) = (at(a(c.blocks.start)), at(a(c.blocks.end)));
        let length = (q - p).norm();
        if length < LEAST_MM {
            continue;
        }
        let along = (q - p) / length;
        let step = f64::from(c.step.iter().map(|v| v * v).sum::<f32>().sqrt());
        let strength = f64::from(c.t.min(25.0)) / 25.0 + step / (step + 0.05);
        let line = Found {
            origin: nalgebra::center(&p, &q),
            along,
            across: standing(scale, &p, Vector2::new(-along.y, along.x)),
            from_mm: -0.5 * length,
            to_mm: 0.5 * length,
            ends: [true, true],
            behind: Vec::new(),
            above: None,
        };
        let found = ended(photo, quads, scale, line);
        if found.to_mm - found.from_mm >= LEAST_MM {
            out.push((strength * length.sqrt(), found));
        }
    }
    out
}

/// The way across that points down in the photo, to the right of an upright line.
fn standing(scale: &Scale, at: &Point2<f64>, across: Vector2<f64>) -> Vector2<f64> {
    let px = |by: f64| scale.px_from_mm(Mm(at + across * by));
    match (px(0.0), px(5.0)) {
        (Some(a), Some(b)) => {
            let d = b.0 - a.0;
            let down = if d.y.abs() > 0.3 * d.x.abs() {
                d.y
            } else {
                d.x
            };
            if down < 0.0 { -across } else { across }
        }
        _ => across,
    }
}

/// How far a place lies off a line, mm.
fn off(found: &Found, place: Mm) -> f64 {
    (place.0 - found.origin).dot(&found.across).abs()
}

/// Whether two lines are one: nearly so over the stretch that both have.
fn same(a: &Found, b: &Found) -> bool {
    let ends = [b.from_mm, b.to_mm].map(|t| b.mm(t, 0.0));
    let along = ends.map(|m| (m.0 - a.origin).dot(&a.along));
    let (low, high) = (along[0].min(along[1]), along[0].max(along[1]));
    let shared = (high.min(a.to_mm) - low.max(a.from_mm)).max(0.0);
    let near = ends.iter().all(|m| off(a, *m) < APART_MM);
    near && shared > 0.6 * (b.to_mm - b.from_mm).max(a.to_mm - a.from_mm)
}

/// The line with its ends where the light above it changes most, near the ends of what carries it.
fn ended(photo: &Photo, quads: &[Quad], scale: &Scale, line: Found) -> Found {
    /// How far outward and inward an end is looked for, over which stretch the light is averaged, and rows of it, mm.
    const OUT: f64 = 40.0;
    const IN: f64 = 15.0;
    const MEAN: f64 = 8.0;
    const ROWS: usize = 4;
    /// Least change at an end, gamma coding.
    const LEAST: f64 = 0.05;
    let first = line.from_mm - OUT - MEAN;
    let columns = (line.to_mm - line.from_mm + 2.0 * (OUT + MEAN)) as usize + 1;
    let mut seen = vec![false; columns];
    for (c, seen) in seen.iter_mut().enumerate() {
        *seen = scale
            .px_from_mm(line.mm(first + c as f64, -2.0))
            .is_some_and(|p| inside(photo, p.0));
    }
    let strip = Strip::sample(photo, columns, ROWS, Coding::Gamma, |c, r| {
        let p = scale
            .px_from_mm(line.mm(first + c as f64, -1.0 - r as f64))?
            .0;
        (inside(photo, p) && !masked(quads, p)).then_some(p)
    });
    let mean = |from: f64, to: f64| -> Option<[f64; 3]> {
        let (a, b) = ((from - first) as usize, (to - first) as usize);
        let mut sum = [0.0; 3];
        let mut n = 0.0;
        for c in a..b.min(columns) {
            for cell in strip.column(c).iter().filter(|c| !c[0].is_nan()) {
                for (s, v) in sum.iter_mut().zip(cell) {
                    *s += f64::from(*v);
                }
                n += 1.0;
            }
        }
        (n > 0.0).then(|| sum.map(|s| s / n))
    };
    let end = |near: f64, outward: f64| -> (f64, bool) {
        let mut best = (LEAST, near, true);
        let mut by = -IN;
        while by <= OUT {
            let at = near + outward * by;
            let column = (at - first) as usize;
            if !seen.get(column).copied().unwrap_or(false) {
                // It goes on out of the picture, as long as nothing has ended it before.
                let last = at - outward * 2.0;
                return if best.0 > LEAST {
                    (best.1, true)
                } else {
                    (last, false)
                };
            }
            let side = |s: f64| {
                let (a, b) = (at + s, at + s * MEAN);
                mean(a.min(b), a.max(b))
            };
            if let (Some(inner), Some(outer)) = (side(-outward), side(outward)) {
                let change = (0..3)
                    .map(|k| (inner[k] - outer[k]).powi(2))
                    .sum::<f64>()
                    .sqrt();
                if change > best.0 {
                    best = (change, at, true);
                }
            }
            by += 1.0;
        }
        (best.1, best.2)
    };
    let (from, to) = (end(line.from_mm, -1.0), end(line.to_mm, 1.0));
    Found {
        from_mm: from.0,
        to_mm: to.0,
        ends: [from.1, to.1],
        ..line
    }
}

/// A line laid on the edge beside it, and how much of the stretch below falls into straightedge, light and panel, mm; `None` where
/// the panel does not come up to it or hardly anything does.
fn laid(photo: &Photo, quads: &[Quad], scale: &Scale, found: &Found) -> Option<(f64, Found)> {
    let laid = settle_line(photo, quads, scale, found, STRAY_MM).ok()?;
    let opening = opening(photo, quads, scale, &laid, Look::Full)?;
    Some((opening.clear * (found.to_mm - found.from_mm), laid))
}

/// A gap that opens wide.
pub struct Opening {
    /// How clear both edges are, 0 to 1.
    clear: f64,
    /// How wide it opens, mm.
    pub deepest_mm: f64,
}

/// How wide the gap below a line opens, where light shows between a straightedge and a panel that comes up to it somewhere.
/// `found`: laid on the straightedge's edge.
pub fn opening(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    found: &Found,
    look: Look,
) -> Option<Opening> {
    let length = found.to_mm - found.from_mm;
    // A profile every so much, and as deep, mm.
    let (every, deepest) = match look {
        Look::Full => (2.5, DEEPEST * length),
        Look::Glance => (4.0, (DEEPEST * length).min(GLANCE_MM)),
    };
    let (course, clear) = depth(photo, quads, scale, found, deepest, (every, look)).ok()?;
    let widest = course.gap_px.iter().copied().fold(0.0, f64::max);
    let least = course.gap_px.iter().copied().fold(f64::INFINITY, f64::min);
    let (deepest_mm, nearest_mm) = (widest * course.mm_per_px, least * course.mm_per_px);
    let open = deepest_mm > OPEN_MM.max(OPEN * length);
    let touches = nearest_mm < TOUCHES_MM.max(TOUCHES * deepest_mm);
    let is = open && touches && clear.both > LEAST_CLEAR && clear.shown > LEAST_SHOWN;
    is.then_some(Opening {
        clear: clear.both,
        deepest_mm,
    })
}
