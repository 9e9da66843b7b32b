//! Where the straightedge stands: the straight line near the card along which it meets the panel, its ends, and on which
//! side of the line it lies.
//!
//! Candidates are the lines that run coherently through the card's plane ([`crate::trace::seek`]). A straightedge has
//! three: its back against the background, its edge on the panel, and further off the panel's own far edge. Only at its
//! edge does one side end (the straightedge does, the panel runs on) while the step goes on beyond; nothing runs behind
//! the card; and it stands on the panel, not under it, unless its ends say otherwise.

use super::StraightedgeError;
use super::found::Found;
use super::sighting::{Line, Sighted, sight};
use super::window::{Frame, Window};
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::solve::robust::median;
use crate::trace::seek::{Candidate, SeekOptions, lines, steps};
use crate::trace::strip::{Cell, Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2};

/// How far from the card the gap is looked for, mm: a card is clamped to the straightedge or stuck to the panel under it.
pub const REACH_MM: f64 = 130.0;
/// Least straightedge that says anything about a panel, mm.
pub const LEAST_MM: f64 = 60.0;
/// Least step of colour, gamma coding, and least Student's t of its coherence: see the line check's search.
const LEAST_STEP: f32 = 0.018;
const LEAST_T: f32 = 6.5;
const LEAST_AGREE: f32 = 0.6;
/// Most candidates whose ends are looked at.
const LOOKED_AT: usize = 8;
/// How far behind its edge a straightedge's back lies, mm, and how parallel it is, as a slope (ours, no source: rules, battens and
/// box sections).
const BACK_MM: (f64, f64) = (15.0, 65.0);
const PARALLEL: f64 = 0.03;
/// Bands averaged on each side of a course and what is left out between, mm: a wide look for an edge that meets the panel
/// closely, a narrow one for the two edges of an open gap.
const LOOKS_MM: [(f64, f64); 2] = [(4.0, 1.2), (1.2, 0.3)];

/// Lines that run coherently through a window and rise by no more than so much from its middle to either end, mm, in both looks.
pub fn coherent(strip: &Strip, window: &Window, rise_mm: f64) -> Vec<Candidate> {
    let mut found = Vec::new();
    for (reach_mm, skip_mm) in LOOKS_MM {
        let look = SeekOptions {
            reach: (reach_mm / window.pitch_b).round().max(2.0) as usize,
            skip: (skip_mm / window.pitch_b).round().max(1.0) as usize,
            block: window.block(),
            rise: (rise_mm / window.pitch_b) as f32,
            bow: 0.0,
            least_step: LEAST_STEP,
        };
        found.extend(lines(&steps(strip, &look), &look).into_iter().filter(|c| {
            let step = c.step.iter().map(|v| v * v).sum::<f32>().sqrt();
            c.t >= LEAST_T && c.agree >= LEAST_AGREE && step >= LEAST_STEP && c.blocks.len() >= 4
        }));
    }
    found
}

/// Finds it.
///
/// # Errors
/// [`StraightedgeError`]: none there, none near the points, two as likely.
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
    let tap_mm = 0.01 * photo.width.max(photo.height) as f64 * mm_per_px;
    let frame = Frame::of(scale, &tapped, middle)?;
    let card_b: Vec<f64> = cards
        .iter()
        .flat_map(|c| c.corners.iter())
        .filter_map(|c| scale.mm_from_px(c.px))
        .map(|m| frame.ab(m).1)
        .collect();
    // From the inner corners to the paper's own edge: a square and its white margin.
    let paper = 1.5 * cards.iter().map(|c| c.layout.square_mm).fold(0.0, f64::max);
    let card_from = card_b.iter().copied().fold(f64::INFINITY, f64::min) - paper;
    let card_to = card_b.iter().copied().fold(f64::NEG_INFINITY, f64::max) + paper;
    let (low, high) = if tapped.len() >= 2 {
        (-1.6 * tap_mm - 14.0, 1.6 * tap_mm + 14.0)
    } else {
        (card_from - REACH_MM, card_to + REACH_MM)
    };
    let window = Window::of(photo, scale, &frame, (low, high), mm_per_px)?;
    let strip = window.sample(photo, scale, &frame, quads);
    let half_mm = 0.5 * window.columns as f64 * window.pitch_a;
    // A card is clamped on by eye: within 8 degrees; points given are off by a tap at either end.
    let rise_mm = if tapped.len() >= 2 {
        (1.5 * tap_mm * half_mm / spread(&tapped, &frame).max(1.0)).min(0.16 * half_mm)
    } else {
        0.14 * half_mm
    };
    let found = apart(coherent(&strip, &window, rise_mm), &window);
    let b_at = |c: &Candidate, a: f64| window.b_at(c, a);
    let card_a: Vec<f64> = cards
        .iter()
        .flat_map(|c| c.corners.iter())
        .filter_map(|c| scale.mm_from_px(c.px))
        .map(|m| frame.ab(m).0)
        .collect();
    let anchor = if tapped.is_empty() {
        card_a.iter().sum::<f64>() / card_a.len().max(1) as f64
    } else {
        tapped.iter().map(|m| frame.ab(*m).0).sum::<f64>() / tapped.len() as f64
    };
    let mut rated: Vec<(f64, Sighted, Option<f64>)> = Vec::new();
    let first_worth = |c: &Candidate| -> f64 {
        // Coherence, and height: grain and scratches run as straight, but faintly.
        let step = f64::from((c.step.iter().map(|v| v * v).sum::<f32>() / 3.0).sqrt());
        let strength = f64::from(c.t.min(25.0)) / 25.0 + step / (step + 0.05);
        if tapped.is_empty() {
            let b = b_at(c, anchor);
            if b > card_from - 3.0 && b < card_to + 3.0 {
                // Nothing that runs behind the card, or along its shadow, is the gap.
                return f64::NEG_INFINITY;
            }
            let off = (card_from - b).max(b - card_to).max(0.0);
            strength - off / 60.0
        } else {
            let square: f64 = tapped
                .iter()
                .map(|m| {
                    let (a, b) = frame.ab(*m);
                    (b_at(c, a) - b).powi(2)
                })
                .sum();
            let miss = (square / tapped.len() as f64).sqrt();
            if miss > 2.0 * tap_mm + 3.0 {
                return f64::NEG_INFINITY;
            }
            strength - 0.5 * (miss / (0.7 * tap_mm)).powi(2)
        }
    };
    let mut order: Vec<(f64, &Candidate)> = found
        .iter()
        .map(|c| (first_worth(c), c))
        .filter(|(w, _)| w.is_finite())
        .collect();
    order.sort_by(|a, b| b.0.total_cmp(&a.0));
    let slope = |c: &Candidate| (b_at(c, anchor + 50.0) - b_at(c, anchor - 50.0)) / 100.0;
    // A straightedge has a back, parallel to its edge and not far off.
    let back = |c: &Candidate, toward: f64| -> Option<f64> {
        // The surest comes first.
        found.iter().find_map(|k| {
            let off = (b_at(k, anchor) - b_at(c, anchor)) * toward;
            let is =
                (BACK_MM.0..BACK_MM.1).contains(&off) && (slope(k) - slope(c)).abs() < PARALLEL;
            is.then_some(off)
        })
    };
    for (worth, candidate) in order.into_iter().take(LOOKED_AT) {
        let (b0, b1) = (
            b_at(candidate, anchor - 50.0),
            b_at(candidate, anchor + 50.0),
        );
        let tilt = Vector2::new(100.0, b1 - b0).normalize();
        let line = Line {
            origin: frame.mm(anchor, 0.5 * (b0 + b1)).0,
            along: frame.along * tilt.x + frame.across * tilt.y,
            across: frame.across * tilt.x - frame.along * tilt.y,
        };
        if let Some(sighted) = sight(photo, scale, quads, line, mm_per_px) {
            // Two ends seen are worth more than nearness; standing upright settles what ends don't.
            let gain = 1.2
                * sighted
                    .strength
                    .iter()
                    .map(|s| (2.0 * s - 1.0).clamp(0.0, 1.0))
                    .sum::<f64>();
            let toward = if sighted.line.across.dot(&frame.across) > 0.0 {
                -1.0
            } else {
                1.0
            };
            let back_mm = back(candidate, toward);
            let worth =
                worth + gain + 0.3 * sighted.stands + if back_mm.is_some() { 0.35 } else { 0.0 };
            rated.push((worth, sighted, back_mm));
        }
    }
    rated.sort_by(|a, b| b.0.total_cmp(&a.0));
    let none = || {
        if tapped.is_empty() {
            StraightedgeError::NoGap
        } else {
            StraightedgeError::NoGapNear
        }
    };
    let (_, best, back_mm) = rated.into_iter().next().ok_or_else(none)?;
    let mut best = best.found()?;
    best.above = back_mm.and_then(|off| above(photo, scale, quads, &best, off));
    Ok(best)
}

/// The light seen above a straightedge's back, `off_mm` from its edge: the middle one along it.
fn above(
    photo: &Photo,
    scale: &Scale,
    quads: &[Quad],
    found: &Found,
    off_mm: f64,
) -> Option<[f64; 3]> {
    const COLUMNS: usize = 60;
    const ROWS: usize = 6;
    let strip = Strip::sample(photo, COLUMNS, ROWS, Coding::Linear, |c, r| {
        let a = found.from_mm + (found.to_mm - found.from_mm) * (c as f64 + 0.5) / COLUMNS as f64;
        let p = scale
            .px_from_mm(found.mm(a, -off_mm - 3.0 - 2.0 * r as f64))?
            .0;
        (!masked(quads, p)).then_some(p)
    });
    let seen: Vec<&Cell> = strip.cells.iter().filter(|c| !c[0].is_nan()).collect();
    if seen.len() < COLUMNS {
        return None;
    }
    let middle = |i: usize| median(&mut seen.iter().map(|c| f64::from(c[i])).collect());
    Some([middle(0)?, middle(1)?, middle(2)?])
}

/// How surely a candidate runs along an edge: how coherent its step is times how high.
fn sure(c: &Candidate) -> f32 {
    c.t * c.step.iter().map(|v| v * v).sum::<f32>().sqrt()
}

/// One candidate an edge, the surest first. A course that crosses an edge at a slant steps as the edge does while it is near:
/// whatever runs beside surer ones along most of its own stretch is those again.
fn apart(mut found: Vec<Candidate>, window: &Window) -> Vec<Candidate> {
    let block = window.block();
    let row = |c: &Candidate, k: usize| f64::from(c.row_at(k * block + block / 2, window.columns));
    let pull = LOOKS_MM
        .iter()
        .map(|(r, s)| r + 2.0 * s)
        .fold(0.0, f64::max)
        / window.pitch_b;
    found.sort_by(|a, b| sure(b).total_cmp(&sure(a)));
    let mut kept: Vec<Candidate> = Vec::new();
    for c in found {
        let beside = |i: &usize| {
            kept.iter()
                .any(|k| k.blocks.contains(i) && (row(&c, *i) - row(k, *i)).abs() <= pull)
        };
        if 2 * c.blocks.clone().filter(beside).count() <= c.blocks.len() {
            kept.push(c);
        }
    }
    kept
}

pub fn cards_middle(cards: &[Card]) -> Point2<f64> {
    let n: f64 = cards.iter().map(|c| c.corners.len() as f64).sum();
    let sum = cards
        .iter()
        .flat_map(|c| c.corners.iter())
        .fold(Vector2::zeros(), |s, c| s + c.px.0.coords);
    Point2::from(sum / n.max(1.0))
}

/// Half the length along which the points lie, mm.
fn spread(tapped: &[Mm], frame: &Frame) -> f64 {
    let a = || tapped.iter().map(|m| frame.ab(*m).0);
    0.5 * (a().fold(f64::NEG_INFINITY, f64::max) - a().fold(f64::INFINITY, f64::min))
}
