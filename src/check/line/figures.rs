//! From the traced line to its figures: deviation, straightness, waves, gaps, with u95 and budget.
//!
//! Every figure is (nearly) linear in the places across the line, so its uncertainty is the figure's own weights applied
//! to three kinds of error: readings that scatter (image noise, raggedness of the coat) with the correlation found in
//! their residuals; what the panel's texture does to the place, found on the texture beside the line; and the scale's
//! parameters with their covariance by source.

use super::follow::Followed;
use super::guide::Guide;
use super::{Deviation, Gap, LineOptions, Reference, ReferenceChoice, Wave, WaveDo};
use crate::budget::{BudgetPart, Part};
use crate::check::CheckError;
use crate::fit::fair::{Coarse, Fair};
use crate::fit::line::fit_line;
use crate::fit::zone::minimum_zone;
use crate::scale::{Placed, Scale};
use crate::solve::random::Random;
use crate::trace::TraceError;
use crate::units::{K95, Measured, Mm, Px};
use nalgebra::{DVector, Vector2};

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
}

/// Uncertainty of the edge's model itself that no averaging along the line lowers, px (ours, no source; not measured by
/// itself).
const MODEL_U_PX: f64 = 0.02;

/// Raw readings of one unbroken run.
struct Piece {
    /// Places along, mm.
    s: Vec<f64>,
    /// Readings across, mm.
    raw: Vec<f64>,
    /// Trust in each.
    weight: Vec<f64>,
    /// Stations they come from.
    stations: std::ops::Range<usize>,
    /// Index of the first among all runs' points.
    first: usize,
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
    for run in &mut runs {
        let sd: Vec<f64> = run.s_mm.iter().map(|_| ragged_mm).collect();
        let noise = run.filter.u(&sd, correlation_mm)?;
        let bridged = away_from_readings(&run.s_mm, &run.weight);
        run.u_edge_mm = (0..run.s_mm.len())
            .map(|i| {
                let k = run.stations.start + i;
                let lights = edge.disagree.get(k).copied().unwrap_or(0.0) * mean_row * 0.5;
                let bridge = BRIDGE_SHARE * (bridged[i] - cutoff_mm / 4.0).max(0.0);
                (noise[i].powi(2)
                    + texture_mm.powi(2)
                    + model_mm.powi(2)
                    + lights.powi(2)
                    + bridge.powi(2))
                .sqrt()
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
    })
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
fn floor(weight: &[f64]) -> Vec<f64> {
    weight.iter().map(|w| w.max(1e-6)).collect()
}

/// Cut-off of the filter: the shortest wave asked for, or longer when the waves between are mostly noise.
///
/// A longer cut-off takes noise off and costs what there is of shape between the two: with L the power it takes off the
/// line and N what it takes off noise alone, the mean square error changes by max(0, L - N) - N (an unbiased estimate of
/// risk in the manner of Mallows' Cp, 1973, from memory). N is what it takes off the phantom readings beside the line
/// ([`Located::phantoms`]), or what white noise of the residuals' density would have there, whichever is more.
///
/// [`Located::phantoms`]: crate::trace::edge::Located::phantoms
fn cutoff(pieces: &[Piece], followed: &Followed, mm_per_row: f64, shortest_mm: f64) -> f64 {
    const LONGEST_MM: f64 = 130.0;
    // What every cut-off is held against: the same values at the shortest wave, for each run its own and the phantoms'.
    let mut lines: Vec<(&Piece, Fine)> = Vec::new();
    let mut textures: Vec<(&Piece, Fine)> = Vec::new();
    for piece in pieces {
        let Some(fine) = Fine::new(piece, piece.raw.clone(), &piece.weight, shortest_mm) else {
            return shortest_mm;
        };
        lines.push((piece, fine));
        for series in &followed.edge.phantoms {
            if let Some((clean, trust)) = cleaned(series, &piece.stations)
                && let Some(fine) = Fine::new(piece, clean, &trust, shortest_mm)
            {
                textures.push((piece, fine));
            }
        }
    }
    let sides = (textures.len() as f64 / pieces.len() as f64).max(1.0);
    let mut best = (0.0, shortest_mm);
    for times in [1.5, 2.2, 3.2, 4.5, 6.0] {
        let cut = shortest_mm * times;
        if cut > LONGEST_MM {
            break;
        }
        let (mut line, mut white) = (0.0, 0.0);
        for (piece, fine) in &lines {
            let Some(band) = fine.band(piece, cut) else {
                return best.1;
            };
            line += band;
            let finest = 0.5 / mean_step(&piece.s) - 1.0 / shortest_mm;
            if finest > 0.0 {
                white += fine.rest / finest * (1.0 / shortest_mm - 1.0 / cut);
            }
        }
        let texture: f64 = textures
            .iter()
            .map(|(piece, fine)| fine.band(piece, cut).unwrap_or(0.0) * mm_per_row * mm_per_row)
            .sum();
        let noise = (texture / sides).max(white);
        let change = f64::max(0.0, line - noise) - noise;
        if change < best.0 {
            best = (change, cut);
        }
    }
    best.1
}

/// Values along a run and what the shortest cut-off makes of them.
struct Fine {
    values: Vec<f64>,
    trust: Vec<f64>,
    smooth: Vec<f64>,
    /// Power of what it takes off.
    rest: f64,
}

impl Fine {
    fn new(piece: &Piece, values: Vec<f64>, weight: &[f64], shortest_mm: f64) -> Option<Fine> {
        let trust = floor(weight);
        let filter = Fair::new(&piece.s, Some(&trust), shortest_mm).ok()?;
        let smooth = filter.apply(&values).ok()?;
        let rest = values
            .iter()
            .zip(&smooth)
            .zip(weight)
            .map(|((v, f), w)| w * (v - f) * (v - f))
            .sum();
        Some(Fine {
            values,
            trust,
            smooth,
            rest,
        })
    }

    /// Power between the shortest cut-off and a longer one.
    fn band(&self, piece: &Piece, cut_mm: f64) -> Option<f64> {
        let filter = Fair::new(&piece.s, Some(&self.trust), cut_mm).ok()?;
        let coarse = filter.apply(&self.values).ok()?;
        Some(
            self.smooth
                .iter()
                .zip(&coarse)
                .map(|(a, b)| (a - b) * (a - b))
                .sum(),
        )
    }
}

/// A run's phantom readings with outliers (a card's edge, a chip) set to the median and trusted no more.
fn cleaned(series: &[f64], range: &std::ops::Range<usize>) -> Option<(Vec<f64>, Vec<f64>)> {
    let raw: Vec<f64> = range
        .clone()
        .map(|k| series.get(k).copied().unwrap_or(f64::NAN))
        .collect();
    let mut sorted: Vec<f64> = raw.iter().copied().filter(|v| v.is_finite()).collect();
    if sorted.len() < 12 {
        return None;
    }
    sorted.sort_by(f64::total_cmp);
    let median = sorted[sorted.len() / 2];
    let mut away: Vec<f64> = sorted.iter().map(|v| (v - median).abs()).collect();
    away.sort_by(f64::total_cmp);
    let limit = 4.0 * 1.4826 * away[away.len() / 2] + 1e-9;
    let good = |v: f64| v.is_finite() && (v - median).abs() < limit;
    let trust = raw
        .iter()
        .map(|v| if good(*v) { 1.0 } else { 1e-6 })
        .collect();
    let clean = raw
        .iter()
        .map(|v| if good(*v) { *v } else { median })
        .collect();
    Some((clean, trust))
}

/// Standard deviation and correlation length (mm) of readings about the filtered line.
fn raggedness(runs: &[Vec<(f64, f64)>]) -> (f64, f64) {
    let all: Vec<f64> = runs.iter().flatten().map(|r| r.1).collect();
    let n = all.len().max(1) as f64;
    let variance = all.iter().map(|r| r * r).sum::<f64>() / n;
    // Correlation of neighbours one station apart gives the exponential's length; the filter has taken the long ones.
    let (mut product, mut pairs, mut gap) = (0.0, 0.0, 0.0);
    for run in runs {
        for pair in run.windows(2) {
            product += pair[0].1 * pair[1].1;
            gap += pair[1].0 - pair[0].0;
            pairs += 1.0;
        }
    }
    if pairs < 4.0 || variance <= 0.0 {
        return (variance.sqrt(), 0.0);
    }
    let rho = (product / pairs / variance).clamp(0.0, 0.95);
    let length = if rho > 0.02 {
        -(gap / pairs) / rho.ln()
    } else {
        0.0
    };
    // What the filter took away with it: readings of that correlation lose about their share of the pass band.
    (variance.sqrt() * (1.0 + 0.5 * rho), length)
}

/// What texture does to the filtered place (standard uncertainty, mm) and over what length it is alike (mm): the phantom
/// readings beside the line, filtered as the line is, freed of their straight line as deviations are.
fn texture(followed: &Followed, runs: &[Run], mm_per_row: f64, cutoff_mm: f64) -> (f64, f64) {
    let mut squares = Vec::new();
    let mut lengths = Vec::new();
    for series in &followed.edge.phantoms {
        let (mut sum, mut n) = (0.0, 0.0);
        let (mut product, mut pairs) = (0.0, 0.0);
        for run in runs {
            let Some((clean, weight)) = cleaned(series, &run.stations) else {
                continue;
            };
            let Ok(filter) = Fair::new(&run.s_mm, Some(&weight), cutoff_mm) else {
                continue;
            };
            let Ok(smooth) = filter.apply(&clean) else {
                continue;
            };
            let smooth = without_line(&run.s_mm, &smooth);
            let lag = (cutoff_mm / 2.0 / mean_step(&run.s_mm)).round().max(1.0) as usize;
            for i in 0..smooth.len() {
                sum += smooth[i] * smooth[i];
                n += 1.0;
                if i + lag < smooth.len() {
                    product += smooth[i] * smooth[i + lag];
                    pairs += 1.0;
                }
            }
        }
        if n > 0.0 {
            squares.push(sum / n);
            let rho = (product / f64::max(pairs, 1.0) / (sum / n).max(1e-15)).clamp(0.05, 0.95);
            lengths.push(-(cutoff_mm / 2.0) / rho.ln());
        }
    }
    if squares.is_empty() {
        return (0.0, cutoff_mm);
    }
    let mean = squares.iter().sum::<f64>() / squares.len() as f64;
    (
        mean.sqrt() * mm_per_row,
        lengths.iter().sum::<f64>() / lengths.len() as f64,
    )
}

fn mean_step(s: &[f64]) -> f64 {
    (s[s.len() - 1] - s[0]) / (s.len() - 1).max(1) as f64
}

/// Values less their least-squares straight line over s.
fn without_line(s: &[f64], v: &[f64]) -> Vec<f64> {
    let n = s.len() as f64;
    let (ms, mv) = (s.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let (mut ss, mut sv) = (0.0, 0.0);
    for (a, b) in s.iter().zip(v) {
        ss += (a - ms) * (a - ms);
        sv += (a - ms) * (b - mv);
    }
    let slope = if ss > 0.0 { sv / ss } else { 0.0 };
    s.iter()
        .zip(v)
        .map(|(a, b)| b - mv - slope * (a - ms))
        .collect()
}

/// Deviation rows, straightness and budget.
#[derive(Debug, Clone)]
pub struct Figures {
    /// A row a point.
    pub deviation: Vec<Deviation>,
    /// What it is measured from.
    pub reference: Reference,
    /// Minimum zone.
    pub straightness: Measured,
    /// Rms deviation, mm.
    pub rms_mm: f64,
    /// Length, mm.
    pub length_mm: f64,
    /// Budget of the deviation: rms over the line of each part's u95.
    pub budget: Vec<BudgetPart>,
    /// Waves.
    pub waves: Vec<Wave>,
}

/// Linear projection that takes the reference off: d minus its fit in `basis` (columns over all points).
struct Reduce {
    basis: Vec<Vec<f64>>,
}

impl Reduce {
    /// Orthonormal columns from powers of s, up to `degree`.
    fn powers(s: &[f64], degree: usize) -> Reduce {
        let n = s.len() as f64;
        let mean = s.iter().sum::<f64>() / n;
        let span = (s[s.len() - 1] - s[0]).max(1.0);
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for power in 0..=degree {
            let mut column: Vec<f64> = s
                .iter()
                .map(|x| ((x - mean) / span).powi(power as i32))
                .collect();
            for _ in 0..2 {
                for b in &basis {
                    let dot: f64 = column.iter().zip(b).map(|(a, b)| a * b).sum();
                    column.iter_mut().zip(b).for_each(|(c, b)| *c -= dot * b);
                }
            }
            let size = column.iter().map(|c| c * c).sum::<f64>().sqrt().max(1e-12);
            column.iter_mut().for_each(|c| *c /= size);
            basis.push(column);
        }
        Reduce { basis }
    }

    fn apply(&self, d: &[f64]) -> Vec<f64> {
        let mut out = d.to_vec();
        for b in &self.basis {
            let dot: f64 = d.iter().zip(b).map(|(a, b)| a * b).sum();
            out.iter_mut().zip(b).for_each(|(o, b)| *o -= dot * b);
        }
        out
    }
}

/// Takes a reference off heights given at every point.
type TakeOff = Box<dyn Fn(&[f64]) -> Vec<f64>>;

/// Works out deviation, straightness and waves from the reference asked for.
pub fn figures(shape: &Shape, options: &LineOptions) -> Result<Figures, CheckError> {
    let s: Vec<f64> = shape
        .runs
        .iter()
        .flat_map(|r| r.s_mm.iter().copied())
        .collect();
    let d: Vec<f64> = shape
        .runs
        .iter()
        .flat_map(|r| r.smooth_mm.iter().copied())
        .collect();
    let u_edge: Vec<f64> = shape
        .runs
        .iter()
        .flat_map(|r| r.u_edge_mm.iter().copied())
        .collect();
    // How each place moves across with the scale's parameters.
    let across: Vec<DVector<f64>> = shape
        .placed
        .slopes
        .iter()
        .map(|[x, y]| x * shape.across.x + y * shape.across.y)
        .collect();

    let (reduced, reference, reduce): (Vec<f64>, Reference, TakeOff) = match &options.reference {
        ReferenceChoice::Straight => {
            let r = Reduce::powers(&s, 1);
            (
                r.apply(&d),
                Reference::Straight,
                Box::new(move |v| r.apply(v)),
            )
        }
        ReferenceChoice::Arc => {
            let r = Reduce::powers(&s, 2);
            let out = r.apply(&d);
            let sagitta = sagitta(&s, &d);
            let half = 0.5 * (s[s.len() - 1] - s[0]);
            let radius_mm = half * half / (2.0 * sagitta) + sagitta / 2.0;
            (
                out,
                Reference::Arc { radius_mm },
                Box::new(move |v| r.apply(v)),
            )
        }
        ReferenceChoice::Fair { cutoff_mm } => {
            let filters: Vec<Fair> = shape
                .runs
                .iter()
                .map(|r| Fair::new(&r.s_mm, None, *cutoff_mm))
                .collect::<Result<_, _>>()?;
            let take = move |v: &[f64]| {
                let mut out = Vec::with_capacity(v.len());
                let mut at = 0;
                for f in &filters {
                    let n = f.s_mm().len();
                    let part = &v[at..at + n];
                    let fair = f.apply(part).unwrap_or_else(|_| vec![0.0; n]);
                    out.extend(part.iter().zip(&fair).map(|(a, b)| a - b));
                    at += n;
                }
                out
            };
            (
                take(&d),
                Reference::Fair {
                    cutoff_mm: *cutoff_mm,
                },
                Box::new(take),
            )
        }
        ReferenceChoice::Partner { points, file } => {
            let partner = partner_heights(&s, points)?;
            let less: Vec<f64> = d.iter().zip(&partner).map(|(a, b)| a - b).collect();
            let r = Reduce::powers(&s, 1);
            (
                r.apply(&less),
                Reference::Partner { file: file.clone() },
                Box::new(move |v| r.apply(v)),
            )
        }
    };

    // Geometry: the same projection on each parameter's effect.
    let parameters = across.first().map_or(0, |a| a.len());
    let mut moved: Vec<Vec<f64>> = Vec::with_capacity(parameters);
    for j in 0..parameters {
        let column: Vec<f64> = across.iter().map(|a| a[j]).collect();
        moved.push(reduce(&column));
    }
    let n = s.len();
    let mut by_part: Vec<(Part, Vec<f64>)> = Vec::new();
    for (part, covariance) in &shape.placed.covariance {
        let mut variance = vec![0.0; n];
        for (i, v) in variance.iter_mut().enumerate() {
            let g = DVector::from_fn(parameters, |j, _| moved[j][i]);
            *v = (covariance * &g).dot(&g).max(0.0);
        }
        by_part.push((*part, variance));
    }
    let edge: Vec<f64> = edge_variance(shape, &options.reference, &u_edge)?;
    let deviation: Vec<Deviation> = (0..n)
        .map(|i| {
            let geometry: f64 = by_part.iter().map(|(_, v)| v[i]).sum();
            Deviation {
                s_mm: s[i] - s[0],
                d_mm: reduced[i],
                u95_mm: K95 * (geometry + edge[i]).sqrt().max(1e-6),
            }
        })
        .collect();
    let mean = |v: &[f64]| K95 * (v.iter().sum::<f64>() / n as f64).sqrt();
    let mut budget = vec![BudgetPart {
        part: Part::Edge,
        u95_mm: mean(&edge),
    }];
    budget.extend(by_part.iter().map(|(part, v)| BudgetPart {
        part: *part,
        u95_mm: mean(v),
    }));
    budget.sort_by(|a, b| b.u95_mm.total_cmp(&a.u95_mm));

    let zone_of = |d: &[f64]| -> Result<f64, CheckError> {
        let points: Vec<Mm> = s.iter().zip(d).map(|(s, d)| Mm::new(*s, *d)).collect();
        Ok(minimum_zone(&points)?.width_mm)
    };
    let judged = if matches!(options.reference, ReferenceChoice::Straight) {
        &d
    } else {
        &reduced
    };
    let value = zone_of(judged)?;
    let straightness = spread_of_zone(shape, judged, &s, &moved, &u_edge, value, zone_of)?;
    let rms_mm = (reduced.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
    let waves = waves(shape, &deviation, options);
    Ok(Figures {
        deviation,
        reference,
        straightness,
        rms_mm,
        length_mm: s[n - 1] - s[0],
        budget,
        waves,
    })
}

fn sagitta(s: &[f64], d: &[f64]) -> f64 {
    let r = Reduce::powers(s, 1);
    let off = r.apply(d);
    let half = 0.5 * (s[s.len() - 1] - s[0]);
    let mean = 0.5 * (s[s.len() - 1] + s[0]);
    // Least squares of a parabola's second-order part.
    let square: Vec<f64> = r.apply(
        &s.iter()
            .map(|x| ((x - mean) / half).powi(2))
            .collect::<Vec<_>>(),
    );
    let num: f64 = off.iter().zip(&square).map(|(a, b)| a * b).sum();
    let den: f64 = square.iter().map(|b| b * b).sum::<f64>().max(1e-12);
    let sag = -(num / den);
    if sag.abs() < 1e-9 { 1e-9 } else { sag }
}

/// Variance of each deviation from edge noise and texture, less what the reference takes up of it.
fn edge_variance(
    shape: &Shape,
    reference: &ReferenceChoice,
    u_edge: &[f64],
) -> Result<Vec<f64>, CheckError> {
    let mut out = Vec::with_capacity(u_edge.len());
    let mut at = 0;
    for run in &shape.runs {
        let n = run.s_mm.len();
        match reference {
            ReferenceChoice::Fair { cutoff_mm } => {
                // Noise alike over the whole filter's width is taken off with the fair curve.
                let fair = Fair::new(&run.s_mm, None, *cutoff_mm)?;
                let sd = vec![shape.ragged_mm; n];
                let noise = run
                    .filter
                    .u_less(&Coarse::Fair(&fair), &sd, shape.correlation_mm)?;
                let plain = run.filter.u(&sd, shape.correlation_mm)?;
                for i in 0..n {
                    out.push(
                        (u_edge[at + i].powi(2) - plain[i].powi(2)).max(0.0) + noise[i].powi(2),
                    );
                }
            }
            _ => out.extend(u_edge[at..at + n].iter().map(|u| u * u)),
        }
        at += n;
    }
    Ok(out)
}

/// Heights of a partner's points at the places given; outside its ends the nearest one's.
fn partner_heights(s: &[f64], points: &[Mm]) -> Result<Vec<f64>, CheckError> {
    let line = fit_line(points, None)?;
    let mut rows: Vec<(f64, f64)> = line
        .along_mm
        .iter()
        .copied()
        .zip(line.deviation_mm.iter().copied())
        .collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let first = rows[0].0;
    Ok(s.iter()
        .map(|x| {
            let t = x - s[0] + first;
            let k = rows.partition_point(|r| r.0 <= t).clamp(1, rows.len() - 1);
            let (p, q) = (rows[k - 1], rows[k]);
            let f = ((t - p.0) / (q.0 - p.0).max(1e-9)).clamp(0.0, 1.0);
            p.1 + (q.1 - p.1) * f
        })
        .collect())
}

/// Zone width with its u95, by simulation (JCGM 101): the zone of the line with its errors drawn anew.
fn spread_of_zone(
    shape: &Shape,
    d: &[f64],
    s: &[f64],
    moved: &[Vec<f64>],
    u_edge: &[f64],
    value: f64,
    zone_of: impl Fn(&[f64]) -> Result<f64, CheckError>,
) -> Result<Measured, CheckError> {
    const DRAWS: usize = 80;
    let mut random = Random::new(20_261);
    let roots: Vec<nalgebra::DMatrix<f64>> = shape
        .placed
        .covariance
        .iter()
        .map(|(_, c)| root(c))
        .collect();
    // Errors alike over about half the filter's cut-off: drawn at knots that far apart, straight between.
    let pitch = 0.5 * shape.cutoff_mm;
    let length = s[s.len() - 1] - s[0];
    let knots = (length / pitch).ceil() as usize + 2;
    let (mut sum, mut square) = (0.0, 0.0);
    for _ in 0..DRAWS {
        let mut drawn = d.to_vec();
        for root in &roots {
            let z = DVector::from_fn(root.ncols(), |_, _| random.normal());
            let p = root * z;
            for (j, column) in moved.iter().enumerate() {
                let by = p[j];
                if by != 0.0 {
                    drawn.iter_mut().zip(column).for_each(|(v, c)| *v += by * c);
                }
            }
        }
        let z: Vec<f64> = (0..knots).map(|_| random.normal()).collect();
        for (i, v) in drawn.iter_mut().enumerate() {
            let t = (s[i] - s[0]) / pitch;
            let k = t as usize;
            let f = t - k as f64;
            // Straight between two independent draws loses variance midway: made good.
            let mix = (z[k] * (1.0 - f) + z[k + 1] * f) / ((1.0 - f).powi(2) + f * f).sqrt();
            *v += u_edge[i] * mix;
        }
        let w = zone_of(&drawn)?;
        sum += w;
        square += w * w;
    }
    let mean = sum / DRAWS as f64;
    let sd = (square / DRAWS as f64 - mean * mean).max(0.0).sqrt();
    // The measured zone holds its own noise already: what more noise adds is what it may be too wide by.
    Ok(Measured {
        value,
        u95: K95 * sd + (mean - value).abs(),
    })
}

fn root(covariance: &nalgebra::DMatrix<f64>) -> nalgebra::DMatrix<f64> {
    let eigen = covariance.clone().symmetric_eigen();
    let mut root = eigen.eigenvectors;
    for (k, v) in eigen.eigenvalues.iter().enumerate() {
        root.column_mut(k).scale_mut(v.max(0.0).sqrt());
    }
    root
}

/// Waves of the line about its reference: stretches between sign changes that stand out of u95.
fn waves(shape: &Shape, deviation: &[Deviation], options: &LineOptions) -> Vec<Wave> {
    let mut out = Vec::new();
    let mut at = 0;
    for run in &shape.runs {
        let rows = &deviation[at..at + run.s_mm.len()];
        at += run.s_mm.len();
        let mut from = 0;
        while from < rows.len() {
            let sign = rows[from].d_mm >= 0.0;
            let mut to = from;
            while to + 1 < rows.len() && (rows[to + 1].d_mm >= 0.0) == sign {
                to += 1;
            }
            let span = rows[to].s_mm - rows[from].s_mm;
            let peak = rows[from..=to]
                .iter()
                .copied()
                .max_by(|a, b| a.d_mm.abs().total_cmp(&b.d_mm.abs()))
                .unwrap_or(rows[from]);
            if span >= 0.5 * options.shortest_mm && peak.d_mm.abs() > 0.02 {
                let height = Measured {
                    value: peak.d_mm,
                    u95: peak.u95_mm,
                };
                out.push(wave(rows[from].s_mm, rows[to].s_mm, peak.s_mm, height));
            }
            from = to + 1;
        }
    }
    out
}

fn wave(from_mm: f64, to_mm: f64, peak_mm: f64, height_mm: Measured) -> Wave {
    let seen = height_mm.value.abs() > height_mm.u95;
    // A swage's crest is moved by adding filler on one flank and taking down the other: say which way it must go.
    let (what, words) = if !seen {
        (
            WaveDo::Leave,
            format!(
                "{:.2} mm at {peak_mm:.0} mm is within its uncertainty: leave",
                height_mm.value.abs()
            ),
        )
    } else if height_mm.value > 0.0 {
        (
            WaveDo::TakeDown,
            format!(
                "the line runs {:.2} mm down between {from_mm:.0} and {to_mm:.0} mm: take down below it, add above",
                height_mm.value
            ),
        )
    } else {
        (
            WaveDo::Add,
            format!(
                "the line runs {:.2} mm up between {from_mm:.0} and {to_mm:.0} mm: add below it, take down above",
                -height_mm.value
            ),
        )
    };
    Wave {
        from_mm,
        to_mm,
        peak_mm,
        height_mm,
        what,
        words,
    }
}

/// Reach of the straight lines on each side of a gap, mm (design section 7).
const GAP_REACH_MM: f64 = 200.0;

/// Step and angle across each gap.
pub fn gaps(shape: &Shape) -> Vec<Gap> {
    let start = shape.runs[0].s_mm[0];
    let mut out = Vec::new();
    let mut at = 0;
    for pair in shape.runs.windows(2) {
        let (left, right) = (&pair[0], &pair[1]);
        let (a, b) = (left.s_mm[left.s_mm.len() - 1], right.s_mm[0]);
        let middle = 0.5 * (a + b);
        let l: Vec<usize> = (0..left.s_mm.len())
            .filter(|i| left.s_mm[*i] >= a - GAP_REACH_MM)
            .collect();
        let r: Vec<usize> = (0..right.s_mm.len())
            .filter(|i| right.s_mm[*i] <= b + GAP_REACH_MM)
            .collect();
        let left_at = at;
        let right_at = at + left.s_mm.len();
        at = right_at;
        let weights = |run: &Run, of: &[usize]| -> Option<(Vec<f64>, Vec<f64>)> {
            let s: Vec<f64> = of.iter().map(|i| run.s_mm[*i]).collect();
            let n = s.len() as f64;
            let mean = s.iter().sum::<f64>() / n;
            let lever = s.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
            (n >= 6.0 && lever > 1.0).then(|| {
                (
                    s.iter()
                        .map(|x| 1.0 / n + (middle - mean) * (x - mean) / lever)
                        .collect(),
                    s.iter().map(|x| (x - mean) / lever).collect(),
                )
            })
        };
        let (Some(wl), Some(wr)) = (weights(left, &l), weights(right, &r)) else {
            continue;
        };
        let value = |run: &Run, of: &[usize], w: &[f64]| {
            of.iter()
                .zip(w)
                .map(|(i, w)| run.smooth_mm[*i] * w)
                .sum::<f64>()
        };
        let step = value(right, &r, &wr.0) - value(left, &l, &wl.0);
        let slope = value(right, &r, &wr.1) - value(left, &l, &wl.1);
        let u = |wl: &[f64], wr: &[f64]| {
            let noise = edge_u(shape, left, &l, wl).powi(2) + edge_u(shape, right, &r, wr).powi(2);
            let mut g = DVector::zeros(shape.placed.slopes[0][0].len());
            for (of, base, w, sign) in [(&l, left_at, wl, -1.0), (&r, right_at, wr, 1.0)] {
                for (i, w) in of.iter().zip(w) {
                    let [x, y] = &shape.placed.slopes[base + i];
                    g += (x * shape.across.x + y * shape.across.y) * (sign * w);
                }
            }
            let geometry: f64 = shape
                .placed
                .covariance
                .iter()
                .map(|(_, c)| (c * &g).dot(&g).max(0.0))
                .sum();
            (noise + geometry).sqrt()
        };
        out.push(Gap {
            at_mm: middle - start,
            width_mm: b - a,
            step_mm: Measured::from_u(step, u(&wl.0, &wr.0)),
            angle_deg: Measured::from_u(slope.atan().to_degrees(), u(&wl.1, &wr.1).to_degrees()),
        });
    }
    out
}

/// Standard uncertainty of a weighted sum of filtered heights by edge noise and texture.
fn edge_u(shape: &Shape, run: &Run, of: &[usize], w: &[f64]) -> f64 {
    let s: Vec<f64> = of.iter().map(|i| run.s_mm[*i]).collect();
    let chain =
        crate::solve::correlated::Chain::new(&s, shape.correlation_mm.max(0.5 * mean_step(&s)));
    let rough: Vec<f64> = w.iter().map(|w| w * shape.ragged_mm).collect();
    let slow = crate::solve::correlated::Chain::new(
        &s,
        shape.texture_correlation_mm.max(0.3 * shape.cutoff_mm),
    );
    let other: Vec<f64> = of
        .iter()
        .zip(w)
        .map(|(i, w)| w * run.u_edge_mm[*i])
        .collect();
    (chain.variance(0, &rough) + slow.variance(0, &other)).sqrt()
}
