//! Which line is meant, and roughly where it runs: a coarse look in the panel's own frame.

use super::LineOptions;
use crate::card::Card;
use crate::check::cover::quads;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::solve::path::{CostGrid, PathOptions, cheapest_path};
use crate::trace::TraceError;
use crate::trace::seek::{Candidate, SeekOptions, lines, steps};
use crate::trace::strip::{Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2};

/// A course through the panel's frame with what it looks like.
#[derive(Debug, Clone)]
pub struct Guide {
    /// Frame of the course: a place, and unit vectors along and across (card frame, mm; across is toward card +y).
    pub origin: Point2<f64>,
    /// Along, left to right in the upright photo (top to bottom when steep).
    pub along: Vector2<f64>,
    /// Square to it.
    pub across: Vector2<f64>,
    /// Course: (along, across) mm, along rising, every few mm.
    pub course: Vec<(f64, f64)>,
    /// Step of colour, toward +across less before, gamma coding.
    pub step: [f32; 3],
    /// How strong a block's step is against its scatter: under about 3 the line is faint.
    pub clear: f64,
    /// Whether the step is a change of shade alone, without a change of hue.
    pub neutral: bool,
    /// A place along that surely lies on the line, mm.
    pub anchor: f64,
}

impl Guide {
    /// Place in the card frame of a place along and across.
    pub fn mm(&self, a: f64, b: f64) -> Mm {
        Mm(self.origin + self.along * a + self.across * b)
    }

    /// (along, across) of a place in the card frame.
    pub fn ab(&self, mm: Mm) -> (f64, f64) {
        let d = mm.0 - self.origin;
        (d.dot(&self.along), d.dot(&self.across))
    }
}

/// Direction of the guide's course in the card frame, rad, kept within a quarter turn of the card's +x.
pub fn axis(guide: &Guide) -> f64 {
    let (first, last) = (guide.course[0], guide.course[guide.course.len() - 1]);
    let slope = (last.1 - first.1) / (last.0 - first.0);
    let d = guide.along + guide.across * slope;
    let angle = d.y.atan2(d.x);
    if angle.cos() < 0.0 {
        angle + std::f64::consts::PI
    } else {
        angle
    }
}

pub use crate::check::cover::{Quad, masked};

/// Quads of the cards with their margins: nothing is looked for there.
pub fn masks(cards: &[Card]) -> Vec<Quad> {
    // The white margin is half a square; a quarter more for its shadow and a cut that isn't true.
    quads(cards, |square_mm| 0.75 * square_mm)
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

/// How far beside the cards a line is looked for, mm: a card lies beside its swage within a hand's breadth or two.
const REACH_MM: f64 = 230.0;

/// Finds the line that is meant.
///
/// # Errors
/// [`TraceError`]: none there, none near the points, two equally likely.
pub fn find(
    photo: &Photo,
    cards: &[Card],
    quads: &[Quad],
    scale: &Scale,
    options: &LineOptions,
) -> Result<Guide, TraceError> {
    let middle = Px(cards_middle(cards));
    let mm_per_px = scale.mm_per_px(middle).ok_or(TraceError::OffPanel)?;
    let near: Vec<Mm> = options
        .near
        .iter()
        .filter_map(|p| scale.mm_from_px(*p))
        .collect();
    let tap_mm = 0.01 * photo.width.max(photo.height) as f64 * mm_per_px;
    let frame = frame(scale, cards, &near)?;
    let cards_b: Vec<f64> = cards
        .iter()
        .flat_map(|c| c.corners.iter())
        .filter_map(|c| scale.mm_from_px(c.px))
        .map(|m| frame.ab(m).1)
        .collect();
    let (low, high) = if near.len() >= 2 {
        (-1.6 * tap_mm - 12.0, 1.6 * tap_mm + 12.0)
    } else {
        let low = cards_b.iter().copied().fold(f64::INFINITY, f64::min);
        let high = cards_b.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (low - REACH_MM, high + REACH_MM)
    };
    let window = visible(photo, scale, &frame, (low, high), mm_per_px)?;
    let lattice = Lattice::new(scale, &frame, &window);
    let strip = Strip::sample(photo, window.columns, window.rows, Coding::Gamma, |c, r| {
        let p = lattice.px(c, r)?;
        (!masked(quads, p)).then_some(p)
    });
    let half = 0.5 * window.columns as f64 * window.pitch_a;
    let rise_mm = if near.len() >= 2 {
        let span = near.iter().map(|m| frame.ab(*m).0);
        let reach =
            span.clone().fold(f64::NEG_INFINITY, f64::max) - span.fold(f64::INFINITY, f64::min);
        (1.5 * tap_mm * half / (0.5 * reach).max(1.0)).min(0.16 * half)
    } else {
        0.14 * half
    };
    let look = SeekOptions {
        reach: (5.0 / window.pitch_b).round().max(2.0) as usize,
        skip: (1.2 / window.pitch_b).round().max(1.0) as usize,
        block: (24.0 / window.pitch_a).round().max(1.0) as usize,
        rise: (rise_mm / window.pitch_b) as f32,
        bow: (12.0 / window.pitch_b) as f32,
        least_step: LEAST_STEP,
    };
    let coarse = steps(&strip, &look);
    let found = lines(&coarse, &look);
    let sought = Sought {
        strip: &strip,
        block: look.block,
        frame: &frame,
        window: &window,
        near: &near,
        tap_mm,
        cards_b: &cards_b,
    };
    let chosen = choose(&found, &sought)?;
    follow(&strip, &window, &look, chosen, frame, scale, cards)
}

fn cards_middle(cards: &[Card]) -> Point2<f64> {
    let n: f64 = cards.iter().map(|c| c.corners.len() as f64).sum();
    let sum = cards
        .iter()
        .flat_map(|c| c.corners.iter())
        .fold(Vector2::zeros(), |s, c| s + c.px.0.coords);
    Point2::from(sum / n.max(1.0))
}

/// Frame of the search: along the near points, or along the bow axis through the cards.
fn frame(scale: &Scale, cards: &[Card], near: &[Mm]) -> Result<Guide, TraceError> {
    let middle = scale
        .mm_from_px(Px(cards_middle(cards)))
        .ok_or(TraceError::OffPanel)?;
    let (origin, mut along) = if near.len() >= 2 {
        let line = axis_of_points(near).ok_or(TraceError::PointsTogether)?;
        (line.0, line.1)
    } else {
        let (s, c) = scale.laid_axis_rad().sin_cos();
        let origin = near.first().copied().unwrap_or(middle).0;
        (origin, Vector2::new(c, s))
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
    let mut across = Vector2::new(-along.y, along.x);
    // Toward card +y; for a line that runs along y, toward +x.
    if if across.y.abs() > 0.02 {
        across.y < 0.0
    } else {
        across.x < 0.0
    } {
        across = -across;
    }
    Ok(Guide {
        origin,
        along,
        across,
        course: Vec::new(),
        step: [0.0; 3],
        clear: 0.0,
        neutral: false,
        anchor: 0.0,
    })
}

/// Centroid and direction of points (principal axis).
fn axis_of_points(points: &[Mm]) -> Option<(Point2<f64>, Vector2<f64>)> {
    let n = points.len() as f64;
    let mean = points.iter().fold(Vector2::zeros(), |s, p| s + p.0.coords) / n;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in points {
        let d = p.0.coords - mean;
        xx += d.x * d.x;
        xy += d.x * d.y;
        yy += d.y * d.y;
    }
    if xx + yy < 1.0 {
        return None;
    }
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    Some((Point2::from(mean), Vector2::new(angle.cos(), angle.sin())))
}

fn visible(
    photo: &Photo,
    scale: &Scale,
    frame: &Guide,
    (low, high): (f64, f64),
    mm_per_px: f64,
) -> Result<Window, TraceError> {
    let inside = |a: f64, b: f64| {
        scale.px_from_mm(frame.mm(a, b)).is_some_and(|p| {
            p.0.x >= 0.0
                && p.0.y >= 0.0
                && p.0.x <= photo.width as f64 - 1.0
                && p.0.y <= photo.height as f64 - 1.0
        })
    };
    const STEP: f64 = 20.0;
    const MOST: f64 = 4000.0;
    let steps_b = 8;
    let any =
        |a: f64| (0..=steps_b).any(|k| inside(a, low + (high - low) * k as f64 / steps_b as f64));
    let mut from = 0.0;
    while from > -MOST && any(from - STEP) {
        from -= STEP;
    }
    let mut to = 0.0;
    while to < MOST && any(to + STEP) {
        to += STEP;
    }
    if to - from < 60.0 {
        return Err(TraceError::OffPanel);
    }
    let pitch_b = (1.3 * mm_per_px).max(0.8);
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

/// Photo places on a coarse lattice, interpolated between: exact enough to look around.
struct Lattice {
    every_c: usize,
    every_r: usize,
    across: usize,
    px: Vec<Option<Point2<f64>>>,
}

impl Lattice {
    fn new(scale: &Scale, frame: &Guide, window: &Window) -> Lattice {
        let (every_c, every_r) = (8, 16);
        let down = window.columns / every_c + 2;
        let across = window.rows / every_r + 2;
        let mut px = Vec::with_capacity(down * across);
        for i in 0..down {
            for j in 0..across {
                let a = window.from_a + (i * every_c) as f64 * window.pitch_a;
                let b = window.from_b + (j * every_r) as f64 * window.pitch_b;
                px.push(scale.px_from_mm(frame.mm(a, b)).map(|p| p.0));
            }
        }
        Lattice {
            every_c,
            every_r,
            across,
            px,
        }
    }

    fn px(&self, column: usize, row: usize) -> Option<Point2<f64>> {
        let (i, j) = (column / self.every_c, row / self.every_r);
        let (u, v) = (
            (column % self.every_c) as f64 / self.every_c as f64,
            (row % self.every_r) as f64 / self.every_r as f64,
        );
        let at = |i: usize, j: usize| self.px[i * self.across + j];
        let (p, q, r, s) = (at(i, j)?, at(i + 1, j)?, at(i, j + 1)?, at(i + 1, j + 1)?);
        let mix = |p: f64, q: f64, r: f64, s: f64| {
            (p * (1.0 - u) + q * u) * (1.0 - v) + (r * (1.0 - u) + s * u) * v
        };
        Some(Point2::new(
            mix(p.x, q.x, r.x, s.x),
            mix(p.y, q.y, r.y, s.y),
        ))
    }
}

/// A mean step must stand this far above its scatter to be a line (Student's t). Patches of mottle longer than a block lift
/// t of nothing to 3 or 4, and some thousand courses are tried; 6.5 is meant to keep chance out (ours, no source).
const LEAST_T: f32 = 6.5;
/// Least share of the blocks that step the same way: guide coat may be worn through in a third of them.
const LEAST_AGREE: f32 = 0.6;
/// Above this the strength of an edge says no more about whether it is the one meant.
const CLEAR_T: f32 = 25.0;
/// Least mean step of colour, gamma coding: three grey levels of 255 in each colour. Slow light on bare panels and walls
/// steps by one or two.
const LEAST_STEP: f32 = 0.018;

/// What the choice of a line rests on beside the candidates themselves.
struct Sought<'s> {
    strip: &'s Strip,
    /// Columns of a block.
    block: usize,
    frame: &'s Guide,
    window: &'s Window,
    /// Points given, card frame.
    near: &'s [Mm],
    /// How far off a given point may be, mm.
    tap_mm: f64,
    /// Where the cards' corners lie across, mm.
    cards_b: &'s [f64],
}

/// The line that is meant among those found.
fn choose<'a>(found: &'a [Candidate], sought: &Sought) -> Result<&'a Candidate, TraceError> {
    let Sought {
        strip,
        block,
        frame,
        window,
        near,
        tap_mm,
        cards_b,
    } = *sought;
    let strong = |c: &&Candidate| -> bool {
        let step = c.step.iter().map(|v| v * v).sum::<f32>().sqrt();
        c.t >= LEAST_T && c.agree >= LEAST_AGREE && step >= LEAST_STEP && c.blocks.len() >= 4
    };
    let b_at = |c: &Candidate, a: f64| {
        let column = ((a - window.from_a) / window.pitch_a).clamp(0.0, window.columns as f64 - 1.0);
        window.from_b + window.pitch_b * c.row_at(column as usize, window.columns) as f64
    };
    if !near.is_empty() {
        let miss = |c: &Candidate| {
            let square: f64 = near
                .iter()
                .map(|m| {
                    let (a, b) = frame.ab(*m);
                    (b_at(c, a) - b).powi(2)
                })
                .sum();
            (square / near.len() as f64).sqrt()
        };
        let worth = |c: &Candidate| {
            let z = miss(c) / (0.7 * tap_mm);
            c.t.min(CLEAR_T) as f64 * (-0.5 * z * z).exp()
        };
        let best = found
            .iter()
            .filter(strong)
            .filter(|c| miss(c) < 2.0 * tap_mm + 3.0)
            .max_by(|a, b| worth(a).total_cmp(&worth(b)))
            .ok_or(TraceError::NoLineNear)?;
        return Ok(nearer_edge(found, best, window, strong, miss));
    }
    let low = cards_b.iter().copied().fold(f64::INFINITY, f64::min);
    let high = cards_b.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // Signed distance from the cards: negative above them, positive below.
    let beside = |c: &Candidate| {
        let b = b_at(c, 0.0);
        if b < low {
            b - low
        } else if b > high {
            b - high
        } else {
            0.0
        }
    };
    let everywhere = 0..window.columns;
    let block = (block, strip.columns);
    let flank = mean_colour(strip, window, everywhere.clone(), |_| {
        (low - 10.0, high + 10.0)
    });
    let worth = |c: &Candidate| {
        // A panel's own edge, a mask or a shelf may be as straight as the swage: beyond a swage the same paint goes on.
        let side = if beside(c) < 0.0 { -1.0 } else { 1.0 };
        let beyond = |columns: std::ops::Range<usize>, from: f64, to: f64| {
            mean_colour(strip, window, columns, |column| {
                let b = window.from_b + window.pitch_b * c.row_at(column, window.columns) as f64;
                if side < 0.0 {
                    (b - to, b - from)
                } else {
                    (b + from, b + to)
                }
            })
        };
        let alike = [(14.0, 40.0), (40.0, 80.0), (80.0, 120.0)]
            .into_iter()
            .filter_map(|(from, to)| {
                Some(same_paint(&flank?, &beyond(everywhere.clone(), from, to)?))
            })
            .fold(0.0, f64::max);
        // A swage ends where both its flanks do. Where what lies beyond runs on past the line's end, it is the background.
        let open = ends(c, block)
            .into_iter()
            .flatten()
            .filter_map(|(inside, outside)| {
                Some(same_paint(&beyond(inside, 12.0, 50.0)?, &beyond(outside, 12.0, 50.0)?) > 0.5)
            });
        let background = open.fold(None, |all: Option<bool>, open| {
            Some(all.unwrap_or(true) && open)
        });
        c.t.min(CLEAR_T) as f64
            * (-beside(c).abs() / 150.0).exp()
            * (c.blocks.len() as f64).sqrt()
            * (0.4 + 0.6 * alike)
            * if background == Some(true) { 0.2 } else { 1.0 }
    };
    let mut sorted: Vec<&Candidate> = found.iter().filter(strong).collect();
    sorted.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    let best = *sorted.first().ok_or(TraceError::NoLine)?;
    let rival = sorted[1..].iter().find(|c| {
        beside(c) * beside(best) < 0.0
            && (beside(c).abs() - beside(best).abs()).abs() < 20.0
            && worth(c) > 0.92 * worth(best)
    });
    match rival {
        Some(other) => Err(TraceError::TwoLines {
            apart_mm: (beside(other) - beside(best)).abs(),
        }),
        None => Ok(nearer_edge(found, best, window, strong, |c| {
            beside(c).abs()
        })),
    }
}

/// Of a tape's two edges (opposite steps, side by side, at most 40 mm apart) the one that lies nearer.
fn nearer_edge<'a>(
    found: &'a [Candidate],
    best: &'a Candidate,
    window: &Window,
    strong: impl Fn(&&Candidate) -> bool,
    distance: impl Fn(&Candidate) -> f64,
) -> &'a Candidate {
    const WIDEST_MM: f64 = 40.0;
    let cosine = |c: &Candidate| {
        let dot: f32 = c.step.iter().zip(best.step).map(|(a, b)| a * b).sum();
        let size = |s: &[f32; 3]| s.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-9);
        f64::from(dot / (size(&c.step) * size(&best.step)))
    };
    found
        .iter()
        .filter(strong)
        .filter(|c| {
            let apart_mm = f64::from((c.row - best.row).abs()) * window.pitch_b;
            let turn_mm = f64::from((c.rise - best.rise).abs()) * window.pitch_b;
            let size = |s: &[f32; 3]| s.iter().map(|v| v * v).sum::<f32>().sqrt();
            apart_mm > 6.0
                && apart_mm < WIDEST_MM
                && turn_mm < 0.5 * apart_mm + 6.0
                && cosine(c) < -0.5
                && size(&c.step) > 0.4 * size(&best.step)
                && distance(c) < distance(best)
        })
        .min_by(|a, b| distance(a).total_cmp(&distance(b)))
        .unwrap_or(best)
}

/// Columns just inside and just outside of both ends of a candidate, where they lie inside the strip: three blocks each, one
/// left out between.
fn ends(
    c: &Candidate,
    (block, columns): (usize, usize),
) -> [Option<(std::ops::Range<usize>, std::ops::Range<usize>)>; 2] {
    let (first, last) = (c.blocks.start * block, (c.blocks.end * block).min(columns));
    let reach = 3 * block;
    let left = (first >= reach + block).then(|| {
        (
            first + block..(first + block + reach).min(last),
            first - block - reach..first - block,
        )
    });
    let right = (last + block + reach <= columns).then(|| {
        (
            last.saturating_sub(block + reach).max(first)..last.saturating_sub(block),
            last + block..last + block + reach,
        )
    });
    [left, right]
}

/// Mean colour (red, green, blue, gamma coding) of the strip in `columns` where `rows_mm(column)` says, sampled; `None` when hardly any of
/// it can be seen.
fn mean_colour(
    strip: &Strip,
    window: &Window,
    columns: std::ops::Range<usize>,
    rows_mm: impl Fn(usize) -> (f64, f64),
) -> Option<[f64; 3]> {
    let (mut sum, mut n, mut asked) = ([0.0; 3], 0.0, 0.0);
    let every = (columns.len() / 24).clamp(1, 9);
    for column in columns.step_by(every) {
        let (from, to) = rows_mm(column);
        let row = |b: f64| ((b - window.from_b) / window.pitch_b).round();
        let mut r = row(from);
        while r <= row(to) {
            asked += 1.0;
            if r >= 0.0 && r < strip.rows as f64 {
                let cell = strip.column(column)[r as usize];
                if !cell[0].is_nan() {
                    for (s, c) in sum.iter_mut().zip(cell) {
                        *s += f64::from(c);
                    }
                    n += 1.0;
                }
            }
            r += 3.0;
        }
    }
    (n > 0.15 * asked && n > 20.0).then(|| sum.map(|s| s / n))
}

/// How far two colours can be the same paint in another shade: 1 alike, 0 not. Shade changes brightness (gamma coded by a
/// quarter or so between flanks of a swage), hardly ever the shares of red and blue.
fn same_paint(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    let sum = |c: &[f64; 3]| c.iter().sum::<f64>().max(1e-6);
    let shade = (sum(a) / sum(b)).ln() / 0.3;
    let hue = |i: usize| (a[i] / sum(a) - b[i] / sum(b)) / 0.012;
    (-0.5 * (shade * shade + hue(0).powi(2) + hue(2).powi(2))).exp()
}

/// Follows the chosen line through the strip, column by column.
fn follow(
    strip: &Strip,
    window: &Window,
    look: &SeekOptions,
    chosen: &Candidate,
    mut frame: Guide,
    scale: &Scale,
    cards: &[Card],
) -> Result<Guide, TraceError> {
    let fine = SeekOptions {
        block: (look.block / 2).max(1),
        ..look.clone()
    };
    let steps = steps(strip, &fine);
    let size2: f32 = chosen.step.iter().map(|v| v * v).sum::<f32>().max(1e-9);
    // A band of rows about the candidate, wide enough for dents and an unseen bow.
    let reach = (9.0 / window.pitch_b).ceil() as i64;
    let rows = (2 * reach + 1) as usize;
    let mut cost = vec![0f32; rows * steps.blocks];
    let middle: Vec<i64> = (0..steps.blocks)
        .map(|k| {
            chosen
                .row_at(k * fine.block + fine.block / 2, strip.columns)
                .round() as i64
        })
        .collect();
    for block in 0..steps.blocks {
        for r in 0..rows as i64 {
            let row = middle[block] + r - reach;
            if row < 0 || row >= steps.rows as i64 {
                continue;
            }
            let d = steps.step[block * steps.rows + row as usize];
            if d[0].is_nan() {
                continue;
            }
            let along = d.iter().zip(chosen.step).map(|(a, b)| a * b).sum::<f32>() / size2;
            cost[block * rows + r as usize] = along.max(-0.5);
        }
    }
    // The course's own steps, a little off the line, are weaker than the line's: full height is what the best blocks show.
    let mut peaks: Vec<f32> = cost
        .chunks(rows)
        .map(|column| column.iter().copied().fold(0.0, f32::max))
        .filter(|v| *v > 0.0)
        .collect();
    peaks.sort_by(f32::total_cmp);
    let full = peaks.get(peaks.len() / 2).copied().unwrap_or(1.0).max(0.5);
    cost.iter_mut().for_each(|c| *c = 1.0 - *c / full);
    let grid = CostGrid {
        rows,
        columns: steps.blocks,
        cost: &cost,
    };
    let options = PathOptions {
        jump: 3,
        slope_cost: 0.15,
        bend_cost: 0.1,
        gap_cost: 1.0,
    };
    let path = cheapest_path(&grid, &options).ok_or(TraceError::NoLine)?;
    let readings: Vec<f64> = path
        .rows
        .iter()
        .zip(&middle)
        .map(|(r, m)| *r as f64 - reach as f64 + *m as f64)
        .collect();
    let weight: Vec<f64> = path
        .seen
        .iter()
        .map(|s| if *s { 1.0 } else { 0.0 })
        .collect();
    // Half of the strip's own waves of 100 mm pass.
    let cutoff = 100.0 / (fine.block as f64 * window.pitch_a);
    let course = crate::trace::smooth::course(&readings, &weight, cutoff.max(3.0), 3)
        .ok_or(TraceError::NoLine)?;
    frame.course = course
        .value
        .iter()
        .enumerate()
        .map(|(k, row)| {
            let column = (k * fine.block) as f64 + 0.5 * fine.block as f64 - 0.5;
            (
                window.from_a + window.pitch_a * column,
                window.from_b + window.pitch_b * row,
            )
        })
        .collect();
    frame.step = chosen.step;
    frame.clear = chosen.t as f64 / (chosen.seen.max(1) as f64).sqrt();
    let mean = chosen.step.iter().sum::<f32>() / 3.0;
    frame.neutral = chosen
        .step
        .iter()
        .all(|s| (s - mean).abs() < 0.35 * mean.abs());
    frame.anchor = anchor(&frame, scale, cards, &path.seen);
    Ok(frame)
}

/// Along place of the seen part of the course nearest to the cards.
fn anchor(frame: &Guide, scale: &Scale, cards: &[Card], seen: &[bool]) -> f64 {
    let card_a: Vec<f64> = cards
        .iter()
        .flat_map(|c| c.corners.iter().step_by(7))
        .filter_map(|c| scale.mm_from_px(c.px))
        .map(|m| frame.ab(m).0)
        .collect();
    let away = |a: f64| {
        card_a
            .iter()
            .map(|c| (c - a).abs())
            .fold(f64::INFINITY, f64::min)
    };
    frame
        .course
        .iter()
        .zip(seen)
        .filter(|(_, s)| **s)
        .map(|((a, _), _)| *a)
        .min_by(|p, q| away(*p).total_cmp(&away(*q)))
        .unwrap_or(0.0)
}
