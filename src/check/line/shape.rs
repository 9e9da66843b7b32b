//! From the traced line to its shape in millimetres: places, filtered at the shortest wave, with what the edge leaves of
//! doubt in each.

use super::cutoff::cutoff;
use super::follow::Followed;
use super::guide::Guide;
use super::noise::{raggedness, texture};
use crate::check::CheckError;
use crate::fit::fair::Fair;
use crate::fit::line::fit_line;
use crate::scale::{Placed, Scale};
use crate::trace::TraceError;
use crate::units::Px;
use nalgebra::Vector2;

/// One unbroken run of the line: a panel.
#[derive(Debug, Clone)]
pub struct Run {
    /// Places of the readings along the straight line through all, mm from the first of all.
    pub s_mm: Vec<f64>,
    /// Trust in each reading.
    pub weight: Vec<f64>,
    /// Filtered at the shortest wave, mm.
    pub smooth_mm: Vec<f64>,
    /// Standard uncertainty of the filtered value by edge noise and texture, mm.
    pub u_edge_mm: Vec<f64>,
    /// Where the stations are in `Followed`.
    pub stations: std::ops::Range<usize>,
    /// The filter.
    pub filter: Fair,
}

/// The line in millimetres.
#[derive(Debug, Clone)]
pub struct Shape {
    /// Runs, left to right.
    pub runs: Vec<Run>,
    /// Smoothed points, photo px, all runs.
    pub px: Vec<Px>,
    /// The same in the card frame.
    pub placed: Placed,
    /// Unit vector across (toward card +y) in the card frame.
    pub across: Vector2<f64>,
    /// Raggedness about the filtered line, rms mm.
    pub ragged_mm: f64,
    /// Its correlation length along the line, mm.
    pub correlation_mm: f64,
    /// Correlation length of the texture's effect, mm.
    pub texture_correlation_mm: f64,
    /// Cut-off the line was filtered at, mm: `shortest` or longer where the line is faint.
    pub cutoff_mm: f64,
    /// Share of the edge's variance that shrinks with a pixel's millimetres: image noise, texture, the lights' doubt. The
    /// rest is the coat's own raggedness.
    pub pixel_share: f64,
}

/// Uncertainty of the edge's model itself that no averaging along the line lowers, px (ours, no source; not measured by
/// itself).
const MODEL_U_PX: f64 = 0.02;

/// Raw readings of one unbroken run.
pub struct Piece {
    /// Places along, mm.
    pub s: Vec<f64>,
    /// Readings across, mm.
    pub raw: Vec<f64>,
    /// Trust in each.
    pub weight: Vec<f64>,
    /// Stations they come from.
    pub stations: std::ops::Range<usize>,
    /// Index of the first among all runs' points.
    pub first: usize,
}

/// Carries the trace to millimetres and filters each run.
pub fn shape(
    followed: &Followed,
    scale: &Scale,
    guide: &Guide,
    shortest_mm: f64,
) -> Result<Shape, CheckError> {
    let edge = &followed.edge;
    let in_stretch = |c: f64, s: &std::ops::Range<usize>| c >= s.start as f64 && c < s.end as f64;
    let mut ranges: Vec<std::ops::Range<usize>> = Vec::new();
    for s in &followed.stretches {
        let of: Vec<usize> = (0..edge.column.len())
            .filter(|k| in_stretch(edge.column[*k], s))
            .collect();
        if let (Some(a), Some(b)) = (of.first(), of.last())
            && b - a >= 8
        {
            ranges.push(*a..*b + 1);
        }
    }
    if ranges.is_empty() {
        return Err(TraceError::Faint.into());
    }
    // Places of the course, not the raw readings: their derivative with respect to the scale is the same.
    let stations: Vec<usize> = ranges.iter().flat_map(|r| r.clone()).collect();
    let px: Vec<Px> = stations
        .iter()
        .map(|k| Px(followed.px(edge.column[*k], edge.course[*k])))
        .collect();
    let mut placed = scale.carry(&px).ok_or(TraceError::OffPanel)?;
    let line = fit_line(&placed.points, None)?;
    // Along: left to right in the photo, as the guide runs. Across: toward card +y.
    let along = if line.along.dot(&guide.along) < 0.0 {
        -line.along
    } else {
        line.along
    };
    let mut across = Vector2::new(-along.y, along.x);
    if across.dot(&guide.across) < 0.0 {
        across = -across;
    }
    let first = placed.points[0].0;
    let s_all: Vec<f64> = placed
        .points
        .iter()
        .map(|p| (p.0 - first).dot(&along))
        .collect();
    let base_all: Vec<f64> = placed
        .points
        .iter()
        .map(|p| (p.0 - line.centre.0).dot(&across))
        .collect();
    let mm_row: Vec<f64> = stations
        .iter()
        .map(|k| followed.mm_per_row(edge.column[*k]))
        .collect();

    let mut pieces = Vec::new();
    let mut at = 0;
    for r in &ranges {
        let n = r.len();
        let s = rising(&s_all[at..at + n]);
        let weight = edge.weight[r.clone()].to_vec();
        let raw: Vec<f64> = (0..n)
            .map(|i| base_all[at + i] + edge.residual[r.start + i] * mm_row[at + i])
            .collect();
        pieces.push(Piece {
            s,
            raw,
            weight,
            stations: r.clone(),
            first: at,
        });
        at += n;
    }
    let mean_row = mm_row.iter().sum::<f64>() / mm_row.len() as f64;
    let cutoff_mm = cutoff(&pieces, followed, mean_row, shortest_mm);
    let mut runs = Vec::new();
    let mut residuals: Vec<Vec<(f64, f64)>> = Vec::new();
    for piece in pieces {
        let Piece {
            s,
            raw,
            weight,
            stations: range,
            first: at,
        } = piece;
        let filter = Fair::new(&s, Some(&floor(&weight)), cutoff_mm)?;
        let smooth = filter.apply(&raw)?;
        residuals.push(
            (0..s.len())
                .filter(|i| weight[*i] > 0.3)
                .map(|i| (s[i], raw[i] - smooth[i]))
                .collect(),
        );
        // Smoothed places back on the photo.
        for i in 0..s.len() {
            placed.points[at + i].0 += across * (smooth[i] - base_all[at + i]);
        }
        runs.push(Run {
            s_mm: s,
            weight,
            smooth_mm: smooth,
            u_edge_mm: Vec::new(),
            stations: range,
            filter,
        });
    }
    let px: Vec<Px> = stations
        .iter()
        .enumerate()
        .map(|(i, k)| {
            let (run, j) = locate_run(&runs, i);
            let shift_mm = run.smooth_mm[j] - base_all[i];
            Px(followed.px(edge.column[*k], edge.course[*k] + shift_mm / mm_row[i]))
        })
        .collect();
    let (ragged_mm, correlation_mm) = raggedness(&residuals);
    let (texture_mm, texture_correlation_mm) = texture(followed, &runs, mean_row, cutoff_mm);
    let model_mm = MODEL_U_PX * mean_row / 0.5;
    let grainy = image_share(followed, mean_row / 0.5, ragged_mm);
    let (mut by_pixel, mut whole) = (0.0, 0.0);
    for run in &mut runs {
        let sd: Vec<f64> = run.s_mm.iter().map(|_| ragged_mm).collect();
        let noise = run.filter.u(&sd, correlation_mm)?;
        let bridged = away_from_readings(&run.s_mm, &run.weight);
        run.u_edge_mm = (0..run.s_mm.len())
            .map(|i| {
                let k = run.stations.start + i;
                let lights = edge.disagree.get(k).copied().unwrap_or(0.0) * mean_row * 0.5;
                let bridge = BRIDGE_SHARE * (bridged[i] - cutoff_mm / 4.0).max(0.0);
                let pixel = texture_mm.powi(2) + model_mm.powi(2) + lights.powi(2);
                let variance = noise[i].powi(2) + pixel + bridge.powi(2);
                by_pixel += pixel + grainy * noise[i].powi(2);
                whole += variance;
                variance.sqrt()
            })
            .collect();
    }
    Ok(Shape {
        runs,
        px,
        placed,
        across,
        ragged_mm,
        correlation_mm,
        texture_correlation_mm,
        cutoff_mm,
        pixel_share: if whole > 0.0 { by_pixel / whole } else { 0.0 },
    })
}

/// Share of the readings' scatter about the filtered line that image noise makes: the bound of a blurred step's place for the
/// photo's own contrast, A/σ·√(1/(2 s √π)) (`trace::edge`), against the scatter found.
fn image_share(followed: &Followed, mm_per_px: f64, ragged_mm: f64) -> f64 {
    let edge = &followed.edge;
    let bound_px =
        (2.0 * edge.blur_px * std::f64::consts::PI.sqrt()).sqrt() / edge.contrast.max(1e-9);
    (bound_px * mm_per_px / ragged_mm.max(1e-9))
        .powi(2)
        .min(1.0)
}

/// Where the line is carried over a stretch without readings it may stray by this share of the distance to the nearest one
/// (standard uncertainty; a dent of 1 mm in 100 mm at 95%; ours, no source).
const BRIDGE_SHARE: f64 = 0.01;

/// Distance of each place to the nearest reading that counts, mm.
fn away_from_readings(s: &[f64], weight: &[f64]) -> Vec<f64> {
    let mut out = vec![f64::INFINITY; s.len()];
    let mut sweep = |order: &mut dyn Iterator<Item = usize>| {
        let mut last: Option<f64> = None;
        for i in order {
            if weight[i] > 0.1 {
                last = Some(s[i]);
            }
            if let Some(at) = last {
                out[i] = out[i].min((s[i] - at).abs());
            }
        }
    };
    sweep(&mut (0..s.len()));
    sweep(&mut (0..s.len()).rev());
    out.iter()
        .map(|v| if v.is_finite() { *v } else { 0.0 })
        .collect()
}

fn locate_run(runs: &[Run], mut i: usize) -> (&Run, usize) {
    for run in runs {
        if i < run.s_mm.len() {
            return (run, i);
        }
        i -= run.s_mm.len();
    }
    let last = &runs[runs.len() - 1];
    (last, last.s_mm.len() - 1)
}

/// Places made strictly rising (a bend in the photo may bring two stations together).
fn rising(s: &[f64]) -> Vec<f64> {
    let mut out = s.to_vec();
    for i in 1..out.len() {
        if out[i] <= out[i - 1] {
            out[i] = out[i - 1] + 1e-3;
        }
    }
    out
}

/// A rejected reading keeps a trace of weight so that the filter stays regular.
pub fn floor(weight: &[f64]) -> Vec<f64> {
    weight.iter().map(|w| w.max(1e-6)).collect()
}
