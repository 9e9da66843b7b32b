//! Where the straightedge stands: the straight line near the card along which it meets the panel, its ends, and on which
//! side of the line it lies.
//!
//! Candidates are the lines that run coherently through the card's plane ([`crate::trace::seek`]). A straightedge has
//! three: its back against the background, its edge on the panel, and further off the panel's own far edge. Only at its
//! edge does one side end (the straightedge does, the panel runs on) while the step goes on beyond; nothing runs behind
//! the card; and it stands on the panel, not under it, unless its ends say otherwise.

use super::StraightedgeError;
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::solve::robust::median;
use crate::trace::seek::{Candidate, SeekOptions, lines, steps};
use crate::trace::strip::{Cell, Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2};

/// Where the straightedge meets the panel: a straight line in the card's plane.
#[derive(Debug, Clone)]
pub struct Found {
    /// A place on it, card frame, mm.
    pub origin: Point2<f64>,
    /// Along it, left to right in the upright photo (top to bottom when steep).
    pub along: Vector2<f64>,
    /// Square to it, from the straightedge to the panel.
    pub across: Vector2<f64>,
    /// First seen place of the straightedge along it, mm.
    pub from_mm: f64,
    /// Last.
    pub to_mm: f64,
    /// Whether the first and the last are its ends (else the photo's).
    pub ends: [bool; 2],
    /// What lies behind the gap as seen beyond its ends: where along, mm; linear red, green, blue.
    pub behind: Vec<(f64, [f64; 3])>,
    /// What lies behind the straightedge as seen above its back.
    pub above: Option<[f64; 3]>,
}

impl Found {
    /// Place in the card frame.
    pub fn mm(&self, a: f64, b: f64) -> Mm {
        Mm(self.origin + self.along * a + self.across * b)
    }
}

impl Found {
    /// The same with its line laid through two places of the card frame, the first of them first along it.
    pub fn relined(&self, p: Mm, q: Mm) -> Found {
        let (p, q) = (p.0, q.0);
        let along = (q - p).normalize();
        let mut across = Vector2::new(-along.y, along.x);
        if across.dot(&self.across) < 0.0 {
            across = -across;
        }
        let origin = nalgebra::center(&p, &q);
        let to = |a: f64| (self.mm(a, 0.0).0 - origin).dot(&along);
        Found {
            origin,
            along,
            across,
            from_mm: to(self.from_mm),
            to_mm: to(self.to_mm),
            ends: self.ends,
            behind: self.behind.iter().map(|(a, c)| (to(*a), *c)).collect(),
            above: self.above,
        }
    }
}

/// How far from the card the gap is looked for, mm: a card is clamped to the straightedge or stuck to the panel under it.
const REACH_MM: f64 = 130.0;
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
    let mut found: Vec<Candidate> = Vec::new();
    for (reach_mm, skip_mm) in LOOKS_MM {
        let look = SeekOptions {
            reach: (reach_mm / window.pitch_b).round().max(2.0) as usize,
            skip: (skip_mm / window.pitch_b).round().max(1.0) as usize,
            block: window.block(),
            rise: (rise_mm / window.pitch_b) as f32,
            bow: 0.0,
            least_step: LEAST_STEP,
        };
        found.extend(lines(&steps(&strip, &look), &look).into_iter().filter(|c| {
            let step = c.step.iter().map(|v| v * v).sum::<f32>().sqrt();
            c.t >= LEAST_T && c.agree >= LEAST_AGREE && step >= LEAST_STEP && c.blocks.len() >= 4
        }));
    }
    let found = apart(found, &window);
    let b_at = |c: &Candidate, a: f64| {
        let column = ((a - window.from_a) / window.pitch_a).clamp(0.0, window.columns as f64 - 1.0);
        window.from_b + window.pitch_b * f64::from(c.row_at(column as usize, window.columns))
    };
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

fn cards_middle(cards: &[Card]) -> Point2<f64> {
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

/// Frame of the search in the card's plane.
#[derive(Debug, Clone, Copy)]
struct Frame {
    origin: Point2<f64>,
    along: Vector2<f64>,
    across: Vector2<f64>,
}

impl Frame {
    fn of(scale: &Scale, tapped: &[Mm], middle: Point2<f64>) -> Result<Frame, StraightedgeError> {
        let (origin, mut along) = if let [first, .., last] = tapped {
            let n = tapped.len() as f64;
            let mean = tapped.iter().fold(Vector2::zeros(), |s, p| s + p.0.coords) / n;
            // Farthest from the first and farthest from that one: their direction.
            let far = |from: &Mm| {
                tapped
                    .iter()
                    .max_by(|a, b| (a.0 - from.0).norm().total_cmp(&(b.0 - from.0).norm()))
                    .copied()
                    .unwrap_or(*last)
            };
            let one = far(first);
            let other = far(&one);
            let d = other.0 - one.0;
            if d.norm() < 5.0 {
                return Err(StraightedgeError::PointsTogether);
            }
            (Point2::from(mean), d.normalize())
        } else {
            let (s, c) = scale.laid_axis_rad().sin_cos();
            let here = scale
                .mm_from_px(Px(middle))
                .ok_or(StraightedgeError::OffPlane)?;
            (
                tapped.first().copied().unwrap_or(here).0,
                Vector2::new(c, s),
            )
        };
        // Left to right in the photo, or top to bottom when steeper than 45°.
        let px = |t: f64| scale.px_from_mm(Mm(origin + along * t));
        if let (Some(a), Some(b)) = (px(-20.0), px(20.0)) {
            let d = b.0 - a.0;
            let forward = if d.y.abs() > d.x.abs() { d.y } else { d.x };
            if forward < 0.0 {
                along = -along;
            }
        }
        Ok(Frame {
            origin,
            along,
            across: Vector2::new(-along.y, along.x),
        })
    }

    fn mm(&self, a: f64, b: f64) -> Mm {
        Mm(self.origin + self.along * a + self.across * b)
    }

    fn ab(&self, mm: Mm) -> (f64, f64) {
        let d = mm.0 - self.origin;
        (d.dot(&self.along), d.dot(&self.across))
    }
}

/// Rows and columns of the coarse look, mm.
struct Window {
    from_a: f64,
    from_b: f64,
    pitch_a: f64,
    pitch_b: f64,
    columns: usize,
    rows: usize,
}

/// Longest straightedge looked at, mm, either way from the card.
const MOST_MM: f64 = 4000.0;

impl Window {
    fn of(
        photo: &Photo,
        scale: &Scale,
        frame: &Frame,
        (low, high): (f64, f64),
        mm_per_px: f64,
    ) -> Result<Window, StraightedgeError> {
        let any = |a: f64| {
            (0..=8).any(|k| {
                let b = low + (high - low) * f64::from(k) / 8.0;
                scale
                    .px_from_mm(frame.mm(a, b))
                    .is_some_and(|p| inside(photo, p.0))
            })
        };
        let (from, to) = reach(any);
        if to - from < LEAST_MM {
            return Err(StraightedgeError::OffPlane);
        }
        let pitch_b = (1.3 * mm_per_px).clamp(0.25, 1.0);
        let pitch_a = 3.0 * pitch_b;
        Ok(Window {
            from_a: from,
            from_b: low,
            pitch_a,
            pitch_b,
            columns: ((to - from) / pitch_a) as usize + 1,
            rows: ((high - low) / pitch_b) as usize + 1,
        })
    }

    /// Columns averaged to a block.
    fn block(&self) -> usize {
        (12.0 / self.pitch_a).round().max(1.0) as usize
    }

    fn sample(&self, photo: &Photo, scale: &Scale, frame: &Frame, quads: &[Quad]) -> Strip {
        const EVERY: usize = 24;
        let knots = self.rows / EVERY + 2;
        // A column's places, straight between every so many rows: the lens bends less than a cell between.
        let places: Vec<Vec<Option<Point2<f64>>>> = (0..self.columns)
            .map(|c| {
                let a = self.from_a + c as f64 * self.pitch_a;
                (0..knots)
                    .map(|k| {
                        let b = self.from_b + (k * EVERY) as f64 * self.pitch_b;
                        scale.px_from_mm(frame.mm(a, b)).map(|p| p.0)
                    })
                    .collect()
            })
            .collect();
        Strip::sample(photo, self.columns, self.rows, Coding::Gamma, |c, r| {
            let (k, t) = (r / EVERY, (r % EVERY) as f64 / EVERY as f64);
            let (p, q) = (places[c][k]?, places[c][k + 1]?);
            let p = p + (q - p) * t;
            (!masked(quads, p)).then_some(p)
        })
    }
}

fn inside(photo: &Photo, p: Point2<f64>) -> bool {
    p.x >= 1.0 && p.y >= 1.0 && p.x <= photo.width as f64 - 3.0 && p.y <= photo.height as f64 - 3.0
}

/// From zero both ways as long as `seen` says so, in steps of 4 mm.
fn reach(seen: impl Fn(f64) -> bool) -> (f64, f64) {
    const STEP: f64 = 4.0;
    let mut from = 0.0;
    while from > -MOST_MM && seen(from - STEP) {
        from -= STEP;
    }
    let mut to = 0.0;
    while to < MOST_MM && seen(to + STEP) {
        to += STEP;
    }
    (from, to)
}

/// A candidate as a line in the card's plane.
#[derive(Debug, Clone, Copy)]
struct Line {
    origin: Point2<f64>,
    along: Vector2<f64>,
    across: Vector2<f64>,
}

/// A candidate with what its sides show.
struct Sighted {
    line: Line,
    /// Straightedge on the side of -across (else it was turned round).
    ends_mm: [Option<f64>; 2],
    /// How clear each end is, 1 for clear.
    strength: [f64; 2],
    /// 1 when the straightedge stands above the panel in the photo, 0 when it doesn't or lies upright.
    stands: f64,
    reach_mm: (f64, f64),
    behind: Vec<(f64, [f64; 3])>,
}

impl Sighted {
    fn found(self) -> Result<Found, StraightedgeError> {
        let from_mm = self.ends_mm[0].unwrap_or(self.reach_mm.0);
        let to_mm = self.ends_mm[1].unwrap_or(self.reach_mm.1);
        if to_mm - from_mm < LEAST_MM {
            return Err(StraightedgeError::TooShort {
                length_mm: (to_mm - from_mm).max(0.0),
                need_mm: LEAST_MM,
            });
        }
        Ok(Found {
            origin: self.line.origin,
            along: self.line.along,
            across: self.line.across,
            from_mm,
            to_mm,
            ends: self.ends_mm.map(|e| e.is_some()),
            behind: self.behind,
            above: None,
        })
    }
}

/// Bands beside the line whose colours are compared, mm from it.
const BANDS_MM: [(f64, f64); 3] = [(1.5, 6.0), (6.0, 11.0), (11.0, 16.0)];
/// The panel is looked at beyond a gap of some millimetres.
const PANEL_BAND: usize = 1;

/// Looks along both sides of a candidate.
fn sight(
    photo: &Photo,
    scale: &Scale,
    quads: &[Quad],
    line: Line,
    mm_per_px: f64,
) -> Option<Sighted> {
    let at = |a: f64, b: f64| {
        scale
            .px_from_mm(Mm(line.origin + line.along * a + line.across * b))
            .map(|p| p.0)
    };
    let seen = |a: f64| at(a, 0.0).is_some_and(|p| inside(photo, p));
    if !seen(0.0) {
        return None;
    }
    let (from, to) = reach(seen);
    if to - from < LEAST_MM {
        return None;
    }
    let pitch = mm_per_px.min((to - from) / 400.0);
    let columns = ((to - from) / pitch) as usize + 1;
    let row_mm = (1.5 * mm_per_px).clamp(0.3, 1.0);
    let per_band = |(low, high): (f64, f64)| ((high - low) / row_mm).ceil().max(2.0) as usize;
    // Rows: the three bands of one side, then of the other.
    let rows: Vec<(usize, f64)> = [-1.0, 1.0]
        .into_iter()
        .enumerate()
        .flat_map(|(side, sign)| {
            BANDS_MM.into_iter().enumerate().flat_map(move |(k, band)| {
                let n = per_band(band);
                (0..n).map(move |i| {
                    let share = (i as f64 + 0.5) / n as f64;
                    (3 * side + k, sign * (band.0 + (band.1 - band.0) * share))
                })
            })
        })
        .collect();
    let top = rows.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
    let foot = rows.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
    let verticals: Vec<_> = (0..columns)
        .map(|c| {
            let a = from + c as f64 * pitch;
            at(a, top).zip(at(a, foot))
        })
        .collect();
    let strip = Strip::sample(photo, columns, rows.len(), Coding::Linear, |c, r| {
        let (p, q) = verticals[c]?;
        let p = p + (q - p) * ((rows[r].1 - top) / (foot - top));
        (!masked(quads, p)).then_some(p)
    });
    let mut bands: Vec<Vec<Option<[f64; 3]>>> = vec![Vec::new(); 6];
    for c in 0..columns {
        let column = strip.column(c);
        for (band, out) in bands.iter_mut().enumerate() {
            let cells = || {
                rows.iter()
                    .zip(column)
                    .filter(|(r, cell)| r.0 == band && !cell[0].is_nan())
                    .map(|(_, cell)| cell)
            };
            let n = cells().count();
            let all = rows.iter().filter(|r| r.0 == band).count();
            out.push((2 * n > all).then(|| mean(cells(), n)));
        }
    }
    let ends = [
        ends(&bands, false, from, pitch, mm_per_px),
        ends(&bands, true, from, pitch, mm_per_px),
    ];
    let total = |e: &Ends| e.strength.iter().map(|s| s.min(1.0)).sum::<f64>();
    // Straightedge above the panel: -across points up in the photo.
    let up = at(0.0, -5.0).zip(at(0.0, 5.0)).map_or(0.0, |(m, p)| {
        let d = p - m;
        d.y / d.norm().max(1e-9)
    });
    let upright = if up > 0.3 {
        Some(false)
    } else if up < -0.3 {
        Some(true)
    } else {
        None
    };
    let clear = (total(&ends[0]) - total(&ends[1])).abs() > 0.4;
    let other_side = match (clear, upright) {
        (true, _) => total(&ends[1]) > total(&ends[0]),
        (false, Some(other)) => other,
        (false, None) => false,
    };
    let [near, far] = ends;
    let own = if other_side { far } else { near };
    let line = if other_side {
        Line {
            across: -line.across,
            ..line
        }
    } else {
        line
    };
    let mut behind = Vec::new();
    let up_band = if other_side { 3 } else { 0 };
    for (k, end) in own.at_mm.iter().enumerate() {
        let Some(end) = *end else { continue };
        let sign = if k == 0 { -1.0 } else { 1.0 };
        let colours = || {
            (0..columns).filter_map(|c| {
                let beyond = (from + c as f64 * pitch - end) * sign;
                (beyond > 2.0 && beyond < 25.0).then_some(())?;
                bands[up_band][c]
            })
        };
        let n = colours().count();
        if n > 3 {
            let sum = colours().fold([0.0; 3], |s, c| std::array::from_fn(|i| s[i] + c[i]));
            behind.push((end, sum.map(|s| s / n as f64)));
        }
    }
    Some(Sighted {
        line,
        stands: match upright {
            Some(other) if other == other_side => 1.0,
            _ => 0.0,
        },
        ends_mm: own.at_mm,
        strength: own.strength,
        reach_mm: (from, to),
        behind,
    })
}

fn mean<'c>(cells: impl Iterator<Item = &'c Cell>, n: usize) -> [f64; 3] {
    let sum = cells.fold([0.0; 3], |s: [f64; 3], c| {
        std::array::from_fn(|i| s[i] + f64::from(c[i]))
    });
    sum.map(|s| s / n.max(1) as f64)
}

/// Ends of one side of a line.
struct Ends {
    at_mm: [Option<f64>; 2],
    strength: [f64; 2],
}

/// A jump of a side's colour from one column to the next.
#[derive(Debug, Clone, Copy)]
struct Jump {
    column: usize,
    /// Against the usual scatter.
    strength: f64,
    /// Change of the logarithm of light, of the nearest band.
    by: [f64; 3],
}

/// Light below this share of full scale is noise; added before logarithms are taken.
const DARK: f64 = 0.004;
/// Least jump of an end, natural logarithm of light: a tenth of the light.
const LEAST_JUMP: f64 = 0.1;
/// Least strength of an end against the scatter of the side's texture.
const LEAST_STRENGTH: f64 = 7.0;
/// Widest clamp, mm.
const CLAMP_MM: f64 = 40.0;

/// Where the side of -across (or, `other`, of +across) ends while the one opposite runs on.
///
/// An end is a jump within two pixels along, in the band next to the line and in another at once; a shadow falls on both sides of
/// the line and its rim is softer; what is clamped on jumps back again.
fn ends(
    bands: &[Vec<Option<[f64; 3]>>],
    other: bool,
    from: f64,
    pitch: f64,
    mm_per_px: f64,
) -> Ends {
    let (own, opposite) = if other {
        (3, PANEL_BAND)
    } else {
        (0, 3 + PANEL_BAND)
    };
    let columns = bands[0].len();
    let skip = (2.0 * mm_per_px / pitch).round().max(1.0) as usize;
    let width = ((6.0 * mm_per_px).max(2.5) / pitch).round().max(3.0) as usize;
    let log = |c: &[f64; 3]| c.map(|v| (v.max(0.0) + DARK).ln());
    // Running sums of each band's logarithm, own less opposite.
    let levels: Vec<Vec<Option<[f64; 3]>>> = (0..3)
        .map(|k| {
            (0..columns)
                .map(|c| {
                    let (a, b) = (bands[own + k][c]?, bands[opposite][c]?);
                    let (a, b) = (log(&a), log(&b));
                    Some(std::array::from_fn(|i| a[i] - b[i]))
                })
                .collect()
        })
        .collect();
    let average = |k: usize, range: std::ops::Range<usize>| -> Option<[f64; 3]> {
        let mut sum = [0.0; 3];
        let mut n = 0;
        let length = range.len();
        for level in levels[k].get(range)?.iter().flatten() {
            for (s, v) in sum.iter_mut().zip(level) {
                *s += v;
            }
            n += 1;
        }
        (2 * n >= length && n > 0).then(|| sum.map(|s| s / n as f64))
    };
    let jump = |k: usize, c: usize| -> Option<[f64; 3]> {
        let before = average(k, c.checked_sub(skip + width)?..c - skip)?;
        let after = average(k, c + skip..(c + skip + width).min(columns))?;
        Some(std::array::from_fn(|i| after[i] - before[i]))
    };
    let size = |d: &[f64; 3]| d.iter().map(|v| v * v).sum::<f64>().sqrt() / 3f64.sqrt();
    let jumps: Vec<Vec<Option<[f64; 3]>>> = (0..3)
        .map(|k| (0..columns).map(|c| jump(k, c)).collect())
        .collect();
    let scatter: Vec<f64> = jumps
        .iter()
        .map(|j| {
            let mut all: Vec<f64> = j.iter().flatten().map(size).collect();
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or(1.0).max(0.006)
        })
        .collect();
    // A clamp or a card's shadow doesn't reach down to the edge: the nearest band must jump, and another with it.
    let strength = |c: usize| -> f64 {
        let Some(near) = jumps[0][c] else { return 0.0 };
        if size(&near) < LEAST_JUMP {
            return 0.0;
        }
        let own = size(&near) / scatter[0];
        let with: Vec<f64> = (1..3)
            .filter_map(|k| {
                let d = jumps[k][c]?;
                let alike = d.iter().zip(near).map(|(a, b)| a * b).sum::<f64>() > 0.0;
                Some(if alike && size(&d) >= LEAST_JUMP {
                    size(&d) / scatter[k]
                } else {
                    0.0
                })
            })
            .collect();
        if with.is_empty() {
            return 0.5 * own;
        }
        own.min(with.iter().copied().fold(0.0, f64::max))
    };
    let profile: Vec<f64> = (0..columns).map(strength).collect();
    let mut peaks: Vec<Jump> = Vec::new();
    for c in 0..columns {
        let low = c.saturating_sub(width);
        let high = (c + width + 1).min(columns);
        let here = profile[c];
        if here < LEAST_STRENGTH
            || profile[low..c].iter().any(|v| *v >= here)
            || profile[c + 1..high].iter().any(|v| *v > here)
        {
            continue;
        }
        let by = (0..3).find_map(|k| jumps[k][c]).unwrap_or([0.0; 3]);
        peaks.push(Jump {
            column: c,
            strength: here,
            by,
        });
    }
    // What is clamped on jumps there and back: both jumps go.
    let widest = (CLAMP_MM / pitch) as usize;
    let mut kept: Vec<Jump> = Vec::new();
    for peak in peaks {
        if let Some(before) = kept.last()
            && peak.column - before.column < widest
        {
            let rest: [f64; 3] = std::array::from_fn(|i| peak.by[i] + before.by[i]);
            if size(&rest) < 0.35 * size(&peak.by).max(size(&before.by)) {
                kept.pop();
                continue;
            }
        }
        kept.push(peak);
    }
    // The step across the line goes on beyond an end: there the panel stands against the background.
    let goes_on = |jump: &Jump, right: bool| {
        let range = if right {
            jump.column + skip..(jump.column + skip + 2 * width).min(columns)
        } else {
            jump.column.saturating_sub(skip + 2 * width)..jump.column.saturating_sub(skip)
        };
        average(0, range).is_some_and(|d| size(&d) > LEAST_JUMP)
    };
    let anchor = ((0.0 - from) / pitch) as usize;
    let mut out = Ends {
        at_mm: [None; 2],
        strength: [0.0; 2],
    };
    // Beyond an end a good piece of what lies behind must show.
    let beyond = (5.0 / pitch) as usize;
    let shown = |jump: &Jump, right: bool| {
        if right {
            jump.column + beyond < columns
        } else {
            jump.column > beyond
        }
    };
    for (k, right) in [false, true].into_iter().enumerate() {
        let side = || {
            kept.iter()
                .filter(|j| (j.column > anchor) == right && shown(j, right) && goes_on(j, right))
        };
        let most = side().map(|j| j.strength).fold(0.0, f64::max);
        let strong = side().filter(|j| j.strength > 0.4 * most);
        let end = if right {
            strong.max_by_key(|j| j.column)
        } else {
            strong.min_by_key(|j| j.column)
        };
        if let Some(end) = end {
            out.at_mm[k] = Some(from + end.column as f64 * pitch);
            out.strength[k] = end.strength / (2.0 * LEAST_STRENGTH);
        }
    }
    out
}
