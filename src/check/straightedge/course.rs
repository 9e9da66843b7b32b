//! The coarse course of both edges: three plain levels across, a straight line along the straightedge, the cheapest path along
//! the panel. It lays the line on the straightedge's edge and says where the fine look starts.

use super::StraightedgeError;
use super::along::Along;
use super::bank::{Bank, Placed, profiles};
use super::found::Found;
use super::profile::{LIGHTS, Profile};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::Quad;
use crate::solve::path::{CostGrid, PathOptions, cheapest_path};
use rayon::prelude::*;

/// How far the line found may lie from the straightedge's edge, mm: it lies somewhere about the gap.
const STRAY_MM: f64 = 7.0;
/// Widest gap looked for, mm: beyond, a straightedge is the wrong tool (ours, no source).
pub const WIDEST_MM: f64 = 8.0;

/// How far beyond both edges a level is read, px.
const REACH_PX: f64 = 12.0;

/// A course of both edges, straight between places.
#[derive(Debug, Clone)]
pub struct Course {
    at: Vec<f64>,
    y_px: Vec<f64>,
    /// Width of the gap there, px.
    pub gap_px: Vec<f64>,
    /// Millimetres a pixel covers across.
    pub mm_per_px: f64,
}

impl Course {
    pub fn at(&self, place: f64) -> (f64, f64) {
        let n = self.at.len();
        let k = self
            .at
            .partition_point(|c| *c <= place)
            .clamp(1, n.max(2) - 1);
        let (a, b) = (self.at[k - 1], self.at[k]);
        let t = ((place - a) / (b - a)).clamp(0.0, 1.0);
        let mix = |v: &[f64]| v[k - 1] + (v[k] - v[k - 1]) * t;
        (mix(&self.y_px), mix(&self.gap_px))
    }
}

/// Lays the line on the straightedge's edge and finds roughly how wide the gap is along it.
///
/// # Errors
/// [`StraightedgeError::Faint`], [`StraightedgeError::OffPlane`].
pub fn settle(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    found: &Found,
) -> Result<(Found, Course), StraightedgeError> {
    lay(photo, quads, scale, found, STRAY_MM, WIDEST_MM)
}

/// Lays a line on a straightedge's edge no farther off than `stray_mm`, whatever is beyond it.
///
/// # Errors
/// As [`settle`].
pub fn settle_line(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    found: &Found,
    stray_mm: f64,
) -> Result<Found, StraightedgeError> {
    Ok(lay(photo, quads, scale, found, stray_mm, 0.0)?.0)
}

fn lay(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    found: &Found,
    stray_mm: f64,
    widest_mm: f64,
) -> Result<(Found, Course), StraightedgeError> {
    const EVERY: f64 = 3.0;
    let along = Along::new(scale, found, EVERY).ok_or(StraightedgeError::OffPlane)?;
    let widest = widest_mm / along.mm_per_px;
    let bank = Bank::new(photo, quads, &along, stray_mm, widest, 1.0);
    let step = ((6.0 / along.mm_per_px / EVERY) as usize).clamp(3, 16);
    let all = profiles(&bank, along.centre.len(), step, None);
    let course = coarse_course(&all, &along, stray_mm, widest).ok_or(StraightedgeError::Faint)?;
    let (Some(&first), Some(&last)) = (course.y_px.first(), course.y_px.last()) else {
        return Err(StraightedgeError::Faint);
    };
    let end = course.at.len() - 1;
    let place = |k: usize, y: f64| scale.mm_from_px(along.px(course.at[k], y));
    let (Some(a), Some(b)) = (place(0, first), place(end, last)) else {
        return Err(StraightedgeError::OffPlane);
    };
    let laid = found.relined(a, b);
    // From here on along the new line's own millimetres.
    let shift = laid.from_mm - found.from_mm;
    let course = Course {
        at: course.at.iter().map(|c| along.s_at(*c) + shift).collect(),
        y_px: vec![0.0; course.at.len()],
        ..course
    };
    Ok((laid, course))
}

/// Three plain levels with sharp edges between, by running sums: the straightedge's edge is the straight line that leaves
/// the least scatter over all profiles, each with its own best panel's edge; that one then follows the cheapest path.
fn coarse_course(all: &[Placed], along: &Along, stray_mm: f64, widest: f64) -> Option<Course> {
    let stray = stray_mm / along.mm_per_px;
    // Tried places of the edge and widths of the gap, px.
    let pitch = 1.0;
    let tried: Vec<f64> = steps(-stray, stray, pitch);
    let widths: Vec<f64> = steps(0.0, widest, pitch);
    let tables: Vec<Option<Vec<f32>>> = all
        .par_iter()
        .map(|(_, profile)| {
            let p = profile.as_ref()?;
            let sums = Sums::new(p);
            let mut table = vec![f32::NAN; tried.len() * widths.len()];
            for (i, y) in tried.iter().enumerate() {
                for (j, g) in widths.iter().enumerate() {
                    let rows = (y - REACH_PX, *y, y + g, y + g + REACH_PX);
                    if let Some(saved) = sums.saved(rows) {
                        table[i * widths.len() + j] = saved as f32;
                    }
                }
            }
            Some(table)
        })
        .collect();
    let seen = tables.iter().flatten().count();
    if seen < 6 {
        return None;
    }
    let n = widths.len();
    let best: Vec<Option<Vec<f32>>> = tables
        .iter()
        .map(|t| {
            let t = t.as_ref()?;
            Some(
                t.chunks(n)
                    .map(|row| row.iter().copied().fold(0.0, f32::max))
                    .collect(),
            )
        })
        .collect();
    // The line: a place in the middle and a turn.
    let last = (all.len() - 1).max(1) as f64;
    let line_at = |offset: f64, turn: f64, k: usize| offset + turn * (2.0 * k as f64 / last - 1.0);
    let mut top: Option<(f32, f64, f64)> = None;
    for turn in steps(-stray, stray, pitch) {
        for offset in &tried {
            let mut worth = 0.0;
            for (k, best) in best.iter().enumerate() {
                let Some(best) = best else { continue };
                let y = line_at(*offset, turn, k);
                let i = ((y + stray) / pitch).round();
                if i >= 0.0 && (i as usize) < best.len() {
                    worth += best[i as usize];
                }
            }
            if top.is_none_or(|t| worth > t.0) {
                top = Some((worth, *offset, turn));
            }
        }
    }
    let (_, offset, turn) = top?;
    // The panel's edge: cheapest path over the widths.
    let mut cost = vec![f32::NAN; n * all.len()];
    for (k, table) in tables.iter().enumerate() {
        let Some(table) = table else { continue };
        let y = line_at(offset, turn, k);
        let i = (((y + stray) / pitch).round().max(0.0) as usize).min(tried.len() - 1);
        for j in 0..n {
            cost[k * n + j] = cost_of(table[i * n + j], j);
        }
    }
    Some(Course {
        at: all.iter().map(|p| p.0).collect(),
        y_px: (0..all.len()).map(|k| line_at(offset, turn, k)).collect(),
        gap_px: cheapest(&cost, &widths, all.len(), (6, 0.004))?,
        mm_per_px: along.mm_per_px,
    })
}

/// Cost of a width, the `j`th tried: a wider gap must earn its third level.
fn cost_of(saved: f32, j: usize) -> f32 {
    1.0 - saved + if j > 0 { 0.01 } else { 0.0 }
}

/// The widths of the cheapest path; `jump`: most that it may open or close from one profile to the next, and the price of a row of
/// that, squared.
fn cheapest(
    cost: &[f32],
    widths: &[f64],
    columns: usize,
    (jump, slope_cost): (usize, f32),
) -> Option<Vec<f64>> {
    let grid = CostGrid {
        rows: widths.len(),
        columns,
        cost,
    };
    let path = cheapest_path(
        &grid,
        &PathOptions {
            jump,
            slope_cost,
            bend_cost: 0.0,
            gap_cost: 1.5,
        },
    )?;
    Some(path.rows.iter().map(|r| widths[*r]).collect())
}

/// A step that is half clear, square root of light.
const HALF_CLEAR: f64 = 0.05;
/// What it costs to take straightedge and panel as touching: less than an edge that can't be told from grain, more than one that
/// can.
const CLOSED: f32 = 0.7;
/// Narrower than this the two edges are one for a coarse look, px.
const APART_PX: f64 = 5.0;
/// Rows on either side that a straightedge's edge over an open gap is read from, px.
const BESIDE_PX: f64 = 5.0;

fn clear(step: f64) -> f64 {
    step / (step + HALF_CLEAR)
}

/// How closely to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Profiles averaged over what lies between.
    Full,
    /// Single columns.
    Glance,
}

/// How clearly a course shows, 0 to 1.
pub struct Clear {
    /// Both edges, over the whole of it.
    pub both: f64,
    /// The part of it, where the gap is open, on which the panel's edge is clear: between two edges a course only crosses over.
    pub shown: f64,
}

/// The panel's edge alone, below a line that lies on the straightedge's edge, as deep as `deepest_mm`; a place every `step_mm`.
/// With it how clearly it shows.
///
/// # Errors
/// [`StraightedgeError::Faint`], [`StraightedgeError::OffPlane`].
pub fn depth(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    found: &Found,
    deepest_mm: f64,
    (step_mm, look): (f64, Look),
) -> Result<(Course, Clear), StraightedgeError> {
    let rough = Along::new(scale, found, 16.0).ok_or(StraightedgeError::OffPlane)?;
    let step_px = step_mm / rough.mm_per_px;
    let (along, step, every) = match look {
        Look::Full => {
            let every = (0.5 * step_px).max(1.0);
            let along = Along::new(scale, found, every).ok_or(StraightedgeError::OffPlane)?;
            (along, ((step_px / every).round() as usize).max(1), every)
        }
        Look::Glance => {
            let pitch = rough.pitch_px().ok_or(StraightedgeError::OffPlane)?;
            let thin = ((step_px / pitch).round() as usize).max(1);
            (rough.thinned(thin), 1, pitch * thin as f64)
        }
    };
    let deepest = deepest_mm / along.mm_per_px;
    let bank = Bank::new(photo, quads, &along, 0.0, deepest, 1.0);
    let all = profiles(&bank, along.centre.len(), step, None);
    let widths = steps(0.0, deepest, 1.0);
    let n = widths.len();
    let rows: Vec<(f64, Vec<f32>)> = all
        .par_iter()
        .map(|(_, profile)| {
            let mut row = vec![f32::NAN; n];
            let Some(p) = profile else { return (0.0, row) };
            let sums = Sums::new(p);
            for (cost, g) in row.iter_mut().zip(&widths) {
                if *g < APART_PX {
                    *cost = CLOSED;
                } else if let Some(step) = sums.step(*g, REACH_PX.min(*g)) {
                    *cost = 1.0 - clear(step) as f32;
                }
            }
            (sums.step(0.0, BESIDE_PX).map_or(0.0, clear), row)
        })
        .collect();
    // Up to 45 degrees.
    let jump = (step as f64 * every).ceil() as usize;
    let cost: Vec<f32> = rows.iter().flat_map(|r| r.1.iter().copied()).collect();
    // The steepest costs a tenth of an edge that doesn't show.
    let slope_cost = 0.1 / (jump * jump).max(1) as f32;
    let gap_px =
        cheapest(&cost, &widths, all.len(), (jump, slope_cost)).ok_or(StraightedgeError::Faint)?;
    // Both edges must show: the fainter counts.
    let (mut both, mut open, mut shown) = (0.0, 0.0, 0.0);
    for ((line, row), g) in rows.iter().zip(&gap_px) {
        let panel = row[*g as usize];
        if panel.is_nan() {
            continue;
        }
        let panel = f64::from(1.0 - panel);
        both += line.min(panel);
        if *g >= APART_PX {
            open += 1.0;
            shown += f64::from(u8::from(panel > 0.5));
        }
    }
    let seen = Clear {
        both: both / all.len().max(1) as f64,
        shown: shown / f64::max(open, 1.0),
    };
    let course = Course {
        at: all.iter().map(|p| along.s_at(p.0)).collect(),
        y_px: vec![0.0; all.len()],
        gap_px,
        mm_per_px: along.mm_per_px,
    };
    Ok((course, seen))
}

fn steps(from: f64, to: f64, pitch: f64) -> Vec<f64> {
    let n = ((to - from) / pitch).floor() as usize;
    (0..=n).map(|i| from + i as f64 * pitch).collect()
}

/// Step at an edge, square root of light, that counts for half.
const FAINT: f64 = 0.02;

/// Running sums of a profile with a row a pixel.
struct Sums {
    from_y: f64,
    sum: Vec<[f64; LIGHTS + 1]>,
}

impl Sums {
    fn new(p: &Profile) -> Sums {
        let mut sum = vec![[0.0; LIGHTS + 1]];
        let mut last = [0.0; LIGHTS + 1];
        for v in &p.light {
            // Square roots make light and dark weigh alike.
            let soft = v[0].max(0.0).sqrt();
            let by = 1.0 / (2.0 * soft.max(0.05));
            let w = [soft, v[1] * by, v[2] * by];
            for (l, w) in last.iter_mut().zip(w) {
                *l += w;
            }
            last[LIGHTS] += w.iter().map(|w| w * w).sum::<f64>();
            sum.push(last);
        }
        Sums {
            from_y: p.y_px.first().copied().unwrap_or(0.0),
            sum,
        }
    }

    /// Step of the mean light at a place, over so many rows to either side; `None` off the profile.
    fn step(&self, y: f64, reach: f64) -> Option<f64> {
        let n = self.sum.len() - 1;
        let row = |y: f64| -> f64 { y - self.from_y + 0.5 };
        let (a, b, c) = (row(y - reach), row(y), row(y + reach));
        if a < 0.0 || c > n as f64 {
            return None;
        }
        let [a, b, c] = [a, b, c].map(|r| r as usize);
        let level = |i: usize, j: usize, k: usize| {
            (self.sum[j][k] - self.sum[i][k]) / (j - i).max(1) as f64
        };
        let square: f64 = (0..LIGHTS)
            .map(|k| (level(a, b, k) - level(b, c, k)).powi(2))
            .sum();
        Some(square.sqrt())
    }

    /// Share of the scatter about one level that three levels take away; `None` off the profile.
    fn saved(&self, (a, b, c, d): (f64, f64, f64, f64)) -> Option<f64> {
        let n = self.sum.len() - 1;
        let row = |y: f64| -> f64 { y - self.from_y + 0.5 };
        let (a, b, c, d) = (row(a), row(b), row(c), row(d));
        if a < 0.0 || d > n as f64 {
            return None;
        }
        let [a, b, c, d] = [a, b, c, d].map(|r| r as usize);
        let scatter = |i: usize, j: usize| -> f64 {
            if j <= i {
                return 0.0;
            }
            let (p, q) = (&self.sum[i], &self.sum[j]);
            let n = (j - i) as f64;
            let square: f64 = (0..LIGHTS).map(|k| (q[k] - p[k]).powi(2)).sum();
            (q[LIGHTS] - p[LIGHTS] - square / n).max(0.0)
        };
        let whole = scatter(a, d) + 1e-6 * (d - a) as f64;
        let share = 1.0 - (scatter(a, b) + scatter(b, c) + scatter(c, d)) / whole;
        // What counts is a step at each edge: grain is about as well parted into three levels, and one edge must not pass for
        // both.
        let level = |i: usize, j: usize, k: usize| {
            (self.sum[j][k] - self.sum[i][k]) / (j - i).max(1) as f64
        };
        let between = |(i, j): (usize, usize), (p, q): (usize, usize)| {
            (0..LIGHTS)
                .map(|k| (level(i, j, k) - level(p, q, k)).powi(2))
                .sum::<f64>()
                .sqrt()
        };
        // An open gap has two edges: the fainter counts.
        let step = if c > b {
            between((a, b), (b, c)).min(between((b, c), (c, d)))
        } else {
            between((a, b), (c, d))
        };
        Some(share * step / (step + FAINT))
    }
}
