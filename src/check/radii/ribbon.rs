//! Where on the photo the stripe of coat runs, and roughly its two borders: a coarse look in the panel's own frame.
//!
//! The coat in the radius is a narrow ribbon of one colour between two flanks of another. It is looked for at several widths
//! (`trace::seek::ribbons`), nearest to the cards or to the points given; then, block by block along it, the rows that are
//! more like coat than like flank make its width (the stretch of largest sum, Kadane's way), and a robust smooth course
//! runs through each border.

use crate::card::Card;
use crate::check::line::guide::{
    Guide, Lattice, Quad, REACH_MM, Window, cards_middle, frame, masked, visible,
};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::trace::TraceError;
use crate::trace::seek::{Candidate, SeekOptions, lines, ribbons};
use crate::trace::smooth::course;
use crate::trace::strip::{Coding, Strip};
use crate::units::{Mm, Px};

/// The stripe, coarsely.
#[derive(Debug, Clone)]
pub struct Ribbon {
    /// Frame of the courses.
    pub frame: Guide,
    /// Place along, mm, and both borders' places across (lesser first), rising.
    pub course: Vec<(f64, f64, f64)>,
    /// Whether coat is there at each.
    pub seen: Vec<bool>,
    /// The cards lie toward the lesser place across.
    pub cards_first: bool,
}

/// Widths looked for, mm: from a radius of 3 mm at a small turn to one of 25 mm at a right angle.
const WIDTHS_MM: [f64; 7] = [1.6, 2.6, 4.2, 7.0, 11.0, 18.0, 30.0];
/// Least strength (Student's t) and agreement of a ribbon: as of a line (`check::line::guide`).
const LEAST_T: f32 = 6.5;
const LEAST_AGREE: f32 = 0.6;
const LEAST_STEP: f32 = 0.018;
/// Above this strength says no more about which is meant.
const CLEAR_T: f32 = 25.0;
/// A stretch without coat longer than this ends the stripe or parts it, mm.
const GAP_MM: f64 = 30.0;

/// Finds the stripe. `near`: points on it, if given.
///
/// # Errors
/// [`TraceError`].
pub fn find(
    photo: &Photo,
    cards: &[Card],
    quads: &[Quad],
    scale: &Scale,
    near: &[Px],
) -> Result<Ribbon, TraceError> {
    let mm_per_px = scale
        .mm_per_px(Px(cards_middle(cards)))
        .ok_or(TraceError::OffPanel)?;
    let near: Vec<Mm> = near.iter().filter_map(|p| scale.mm_from_px(*p)).collect();
    let tap_mm = 0.01 * photo.width.max(photo.height) as f64 * mm_per_px;
    let frame = frame(scale, cards, &near)?;
    let cards_b: Vec<f64> = cards
        .iter()
        .flat_map(|c| c.corners.iter())
        .filter_map(|c| scale.mm_from_px(c.px))
        .map(|m| frame.ab(m).1)
        .collect();
    let low = cards_b.iter().copied().fold(f64::INFINITY, f64::min);
    let high = cards_b.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let span = if near.len() >= 2 {
        (-2.0 * tap_mm - 45.0, 2.0 * tap_mm + 45.0)
    } else {
        (low - REACH_MM, high + REACH_MM)
    };
    let window = visible(photo, scale, &frame, span, mm_per_px)?;
    let lattice = Lattice::new(scale, &frame, &window);
    let strip = Strip::sample(photo, window.columns, window.rows, Coding::Gamma, |c, r| {
        let p = lattice.px(c, r)?;
        (!masked(quads, p)).then_some(p)
    });
    let rows = |mm: f64| (mm / window.pitch_b).round().max(1.0) as usize;
    let half = 0.5 * window.columns as f64 * window.pitch_a;
    let look = SeekOptions {
        reach: rows(4.0),
        skip: rows(0.7),
        block: (24.0 / window.pitch_a).round().max(1.0) as usize,
        rise: (0.1 * half / window.pitch_b) as f32,
        bow: (9.0 / window.pitch_b) as f32,
        least_step: LEAST_STEP,
    };
    let at = |c: &Candidate, a: f64| {
        let column = ((a - window.from_a) / window.pitch_a).clamp(0.0, window.columns as f64 - 1.0);
        window.from_b + window.pitch_b * f64::from(c.row_at(column as usize, window.columns))
    };
    let beside = |c: &Candidate| {
        let b = at(c, 0.0);
        if b < low {
            low - b
        } else if b > high {
            b - high
        } else {
            0.0
        }
    };
    let worth = |c: &Candidate| {
        let t = f64::from(c.t.min(CLEAR_T)) * (c.blocks.len() as f64).sqrt();
        if near.is_empty() {
            return t * (-beside(c) / 150.0).exp();
        }
        let square: f64 = near
            .iter()
            .map(|m| {
                let (a, b) = frame.ab(*m);
                (at(c, a) - b).powi(2)
            })
            .sum();
        t * (-0.5 * square / near.len() as f64 / (tap_mm * tap_mm)).exp()
    };
    let mut best: Option<(f64, Candidate, f64)> = None;
    let mut last_rows = 0;
    for width_mm in WIDTHS_MM {
        let wide = rows(width_mm);
        if wide == last_rows || 3 * wide > window.rows {
            continue;
        }
        last_rows = wide;
        let steps = ribbons(&strip, &look, wide);
        for candidate in lines(&steps, &look) {
            let size = candidate.step.iter().map(|v| v * v).sum::<f32>().sqrt();
            let strong = candidate.t >= LEAST_T
                && candidate.agree >= LEAST_AGREE
                && size >= LEAST_STEP
                && candidate.blocks.len() >= 4;
            if !strong {
                continue;
            }
            // Of the widths that see the same ribbon the one that fills it shows the largest step.
            let now = worth(&candidate) * f64::from(size).sqrt();
            if best.as_ref().is_none_or(|b| now > b.0) {
                best = Some((now, candidate, width_mm));
            }
        }
    }
    let none = if near.is_empty() {
        TraceError::NoStripe
    } else {
        TraceError::NoLineNear
    };
    let (_, chosen, width_mm) = best.ok_or(none)?;
    let cards_first = at(&chosen, 0.0) > 0.5 * (low + high);
    let cards_first = if near.is_empty() {
        cards_first
    } else {
        // The frame's origin lies on the points: the cards are where their corners are.
        cards_b.iter().sum::<f64>() / cards_b.len().max(1) as f64 <= at(&chosen, 0.0)
    };
    borders(&strip, &window, &chosen, width_mm, frame, cards_first)
}

/// One block of the strip along the ribbon: mean colours by rows about the ribbon's middle.
struct Block {
    rows: Vec<[f32; 3]>,
}

/// Both borders along the ribbon.
fn borders(
    strip: &Strip,
    window: &Window,
    chosen: &Candidate,
    width_mm: f64,
    frame: Guide,
    cards_first: bool,
) -> Result<Ribbon, TraceError> {
    let block = (7.0 / window.pitch_a).round().max(1.0) as usize;
    let blocks = strip.columns.div_ceil(block);
    let per_mm = 1.0 / window.pitch_b;
    let reach = ((1.6 * width_mm + 14.0) * per_mm).ceil() as i64;
    let mut middles: Vec<f64> = (0..blocks)
        .map(|k| {
            f64::from(chosen.row_at(
                (k * block + block / 2).min(strip.columns - 1),
                strip.columns,
            ))
        })
        .collect();
    let mut widths = vec![width_mm * per_mm; blocks];
    let mut step = chosen.step;
    let mut readings: Vec<Option<(f64, f64, f32)>> = vec![None; blocks];
    for _ in 0..3 {
        let all: Vec<Option<Block>> = (0..blocks)
            .map(|k| mean_block(strip, k * block, block, &middles, block, reach))
            .collect();
        let mut steps: Vec<[f32; 3]> = Vec::new();
        for (k, rows) in all.iter().enumerate() {
            readings[k] = rows
                .as_ref()
                .and_then(|rows| segment(rows, reach, widths[k], per_mm, step, &mut steps))
                .map(|(from, to, share)| (middles[k] + from, middles[k] + to, share));
        }
        let weight: Vec<f64> = readings
            .iter()
            .map(|r| r.map_or(0.0, |r| if r.2 > 0.4 { 1.0 } else { 0.0 }))
            .collect();
        let of = |pick: fn(&(f64, f64, f32)) -> f64| -> Vec<f64> {
            readings
                .iter()
                .map(|r| r.as_ref().map_or(0.0, pick))
                .collect()
        };
        let cutoff = (70.0 / (block as f64 * window.pitch_a)).max(3.0);
        let upper = course(&of(|r| r.0), &weight, cutoff, 4).ok_or(TraceError::NoStripe)?;
        let lower = course(&of(|r| r.1), &weight, cutoff, 4).ok_or(TraceError::NoStripe)?;
        for k in 0..blocks {
            middles[k] = 0.5 * (upper.value[k] + lower.value[k]);
            widths[k] = (lower.value[k] - upper.value[k]).max(per_mm.max(1.5));
        }
        // The coat's own difference from the flanks: the median block.
        if steps.len() > 4 {
            for (c, s) in step.iter_mut().enumerate() {
                let mut one: Vec<f32> = steps.iter().map(|d| d[c]).collect();
                one.sort_by(f32::total_cmp);
                *s = one[one.len() / 2];
            }
        }
    }
    let a_of =
        |k: usize| window.from_a + window.pitch_a * ((k * block) as f64 + 0.5 * block as f64 - 0.5);
    let block_mm = block as f64 * window.pitch_a;
    let there: Vec<bool> = readings
        .iter()
        .map(|r| r.is_some_and(|r| r.2 > 0.4))
        .collect();
    let (from, to) = longest(&there, (GAP_MM / block_mm).round().max(1.0) as usize)
        .ok_or(TraceError::NoStripe)?;
    let course: Vec<(f64, f64, f64)> = (from..to)
        .map(|k| {
            let b = |row: f64| window.from_b + window.pitch_b * row;
            (
                a_of(k),
                b(middles[k] - 0.5 * widths[k]),
                b(middles[k] + 0.5 * widths[k]),
            )
        })
        .collect();
    if course.len() < 6 {
        return Err(TraceError::TooShort {
            seen_mm: course.len() as f64 * block_mm,
            need_mm: 60.0,
        });
    }
    Ok(Ribbon {
        frame,
        seen: there[from..to].to_vec(),
        course,
        cards_first,
    })
}

/// Longest stretch of blocks with coat, gaps of up to `gap` blocks bridged; first and one past the last.
fn longest(there: &[bool], gap: usize) -> Option<(usize, usize)> {
    let mut best: Option<(usize, usize)> = None;
    let mut run: Option<(usize, usize)> = None;
    for (k, seen) in there.iter().enumerate() {
        if !seen {
            continue;
        }
        run = match run {
            Some((from, to)) if k - to <= gap => Some((from, k + 1)),
            _ => Some((k, k + 1)),
        };
        if let Some((from, to)) = run
            && best.is_none_or(|b| to - from > b.1 - b.0)
        {
            best = run;
        }
    }
    best
}

/// Mean colours of a block's rows about the ribbon's course; `None` where most of it can't be seen.
fn mean_block(
    strip: &Strip,
    first: usize,
    length: usize,
    middles: &[f64],
    block: usize,
    reach: i64,
) -> Option<Block> {
    let rows = (2 * reach + 1) as usize;
    let mut sum = vec![[0f32; 4]; rows];
    let last = (first + length).min(strip.columns);
    for column in first..last {
        let at =
            ((column as f64 + 0.5) / block as f64 - 0.5).clamp(0.0, middles.len() as f64 - 1.0);
        let k = at.floor() as usize;
        let next = (k + 1).min(middles.len() - 1);
        let middle = middles[k] + (middles[next] - middles[k]) * (at - k as f64);
        let cells = strip.column(column);
        for (r, sum) in sum.iter_mut().enumerate() {
            let row = middle.round() as i64 + r as i64 - reach;
            if let Some(cell) = usize::try_from(row).ok().and_then(|row| cells.get(row))
                && !cell[0].is_nan()
            {
                for c in 0..3 {
                    sum[c] += cell[c];
                }
                sum[3] += 1.0;
            }
        }
    }
    let enough = 0.5 * (last - first) as f32;
    let rows: Vec<[f32; 3]> = sum
        .iter()
        .map(|s| {
            if s[3] >= enough && s[3] > 0.0 {
                [s[0] / s[3], s[1] / s[3], s[2] / s[3]]
            } else {
                [f32::NAN; 3]
            }
        })
        .collect();
    Some(Block { rows })
}

/// Rows of a block that are coat: first and last border from the ribbon's middle (rows, with fraction), and how far the
/// inside stands out as a share of the step. The flanks' own colours are read beside the ribbon as it was last thought wide.
fn segment(
    block: &Block,
    reach: i64,
    width: f64,
    per_mm: f64,
    step: [f32; 3],
    steps: &mut Vec<[f32; 3]>,
) -> Option<(f64, f64, f32)> {
    let out = |sign: f64| -> Option<[f32; 3]> {
        let (from, to) = (0.5 * width + 1.5 * per_mm, 0.5 * width + 7.5 * per_mm);
        let mut cells: Vec<[f32; 3]> = Vec::new();
        let mut o = from.max(1.0);
        while o <= to.max(from + 3.0) {
            let r = reach + (sign * o).round() as i64;
            if let Some(c) = usize::try_from(r).ok().and_then(|r| block.rows.get(r))
                && !c[0].is_nan()
            {
                cells.push(*c);
            }
            o += 1.0;
        }
        if cells.len() < 2 {
            return None;
        }
        Some(std::array::from_fn(|i| {
            let mut one: Vec<f32> = cells.iter().map(|c| c[i]).collect();
            one.sort_by(f32::total_cmp);
            one[one.len() / 2]
        }))
    };
    let (above, below) = (out(-1.0)?, out(1.0)?);
    let size2 = step.iter().map(|s| s * s).sum::<f32>().max(1e-9);
    let share = |row: usize| -> f32 {
        let o = row as f64 - reach as f64;
        let f = (0.5 + o / width.max(1.0)).clamp(0.0, 1.0) as f32;
        let cell = block.rows[row];
        let mut sum = 0.0;
        for c in 0..3 {
            sum += (cell[c] - above[c] * (1.0 - f) - below[c] * f) * step[c];
        }
        sum / size2
    };
    let shares: Vec<f32> = (0..block.rows.len())
        .map(|r| {
            if block.rows[r][0].is_nan() {
                -0.3
            } else {
                share(r)
            }
        })
        .collect();
    // The stretch with the largest sum of share - 1/2 that lies about the middle.
    let tied = (0.35 * width + 2.5 * per_mm).ceil() as i64;
    let (mut best, mut found) = (0.0, None);
    let (mut sum, mut from) = (0.0, 0usize);
    for (r, s) in shares.iter().enumerate() {
        sum += s.clamp(-0.2, 1.2) - 0.5;
        if sum <= 0.0 {
            sum = 0.0;
            from = r + 1;
        } else if sum > best {
            let middle = (from + r) as i64 / 2 - reach;
            if middle.abs() <= tied {
                best = sum;
                found = Some((from, r));
            }
        }
    }
    let (from, to) = found?;
    let mean = shares[from..=to].iter().sum::<f32>() / (to - from + 1) as f32;
    if mean > 0.4 {
        let mut d = [0.0f32; 3];
        let inside = from + (to - from) / 4..=to - (to - from) / 4;
        let n = inside.clone().count() as f32;
        for row in inside {
            let o = row as f64 - reach as f64;
            let f = (0.5 + o / width.max(1.0)).clamp(0.0, 1.0) as f32;
            for (c, d) in d.iter_mut().enumerate() {
                *d += (block.rows[row][c] - above[c] * (1.0 - f) - below[c] * f) / n;
            }
        }
        steps.push(d);
    }
    // Where the share passes one half, between rows.
    let pass = |a: f32, b: f32| f64::from(((0.5 - a) / (b - a)).clamp(0.0, 1.0));
    let first = match from.checked_sub(1) {
        Some(before) if shares[before] < 0.5 && shares[from] > 0.5 => {
            before as f64 + pass(shares[before], shares[from])
        }
        _ => from as f64 - 0.5,
    };
    let last = match shares.get(to + 1) {
        Some(after) if *after < 0.5 && shares[to] > 0.5 => to as f64 + pass(shares[to], *after),
        _ => to as f64 + 0.5,
    };
    Some((first - reach as f64, last - reach as f64, mean))
}
