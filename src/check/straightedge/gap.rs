//! The gap in millimetres along the straightedge, nicks and dirt left out, with what it is uncertain by.

use super::StraightedgeError;
use super::along::Along;
use super::edges::Both;
use super::found::Found;
use super::profile::Edges;
use crate::budget::Part;
use crate::fit::fair::Fair;
use crate::scale::Scale;
use crate::trace::smooth;
use crate::units::{K95, Px};

/// The gap along it.
#[derive(Debug, Clone)]
pub struct Gap {
    /// Distance along from the first visible place, mm, rising.
    pub s_mm: Vec<f64>,
    /// Gap, smoothed, mm; may lie below zero by noise.
    pub gap_mm: Vec<f64>,
    /// Standard uncertainty of the noise in it, mm.
    pub u_noise_mm: Vec<f64>,
    /// What moves the whole curve together: each source's own curve of one standard uncertainty, mm.
    pub common: Vec<Common>,
    /// The filter.
    pub filter: Fair,
    /// Standard deviation of a single reading, mm, and over which length readings err alike, mm.
    pub sd_mm: f64,
    /// Correlation length, mm.
    pub correlation_mm: f64,
    /// Nicks and dirt.
    pub flaws_mm: Vec<[f64; 2]>,
    /// Edges in the photo.
    pub rule_px: Vec<Px>,
    /// Panel's.
    pub panel_px: Vec<Px>,
}

/// A source that moves the whole curve together.
#[derive(Debug, Clone)]
pub struct Common {
    /// What it is.
    pub source: Source,
    /// Shift of each place, mm, for one standard uncertainty.
    pub by_mm: Vec<f64>,
}

/// Sources of uncertainty as one can act on them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Light behind the gap where it is too narrow to be seen.
    Behind,
    /// What the phone made of the light: tone curve, sharpening.
    Treatment,
    /// How sharp the photo is.
    Blur,
    /// Straightedge and panel hardly told from what lies behind.
    Alike,
    /// Length of the printed card.
    Scale,
    /// Where the camera stood.
    Pose,
    /// Lens.
    Lens,
    /// Card before or behind the gap's plane.
    Plane,
}

impl Source {
    /// The budget's name for it.
    pub fn part(self) -> Part {
        match self {
            Source::Behind | Source::Treatment | Source::Blur | Source::Alike => Part::Edge,
            Source::Scale => Part::Scale,
            Source::Pose => Part::Pose,
            Source::Lens => Part::Lens,
            Source::Plane => Part::Bow,
        }
    }
}

/// Shortest wave of the panel that is shape; shorter is the coat's and the straightedge's roughness, mm.
pub const SHORTEST_MM: f64 = 25.0;
/// Longest nick or crumb of dirt, mm.
const FLAW_MM: f64 = 16.0;
/// A card clamped to the straightedge or stuck to the panel lies this near the gap's plane (standard uncertainty, mm: within
/// 5 mm at 95%; ours, no source).
pub const PLANE_MM: f64 = 5.0 / K95;
/// How far an edge's middle may lie off when a phone has treated the photo, or its blur is not quite the fit's, px (standard
/// uncertainty; the fit's rim and tones account for most of what treatment does, not for all).
const TREATMENT_PX: f64 = 0.12;

/// What that makes of the gap, px. Open, both edges move by it. Merged, the share of the step from straightedge to panel that
/// is not as the fit has it passes for light in the gap, and weighs the more the less that light stands out.
pub fn lean_of(e: &Edges, blur_px: f64) -> f64 {
    let [rule, panel] = [e.sides[0][0], e.sides[1][0]];
    let middle = 0.5 * (rule + panel);
    let out = (e.behind[0] - middle).abs().max(0.05 * middle).max(0.005);
    let ratio = ((rule - panel).abs() / out).clamp(0.7, 4.0);
    let merged = (-(0.5 * e.gap_px / blur_px).powi(2)).exp();
    TREATMENT_PX * (1.0 + (ratio - 1.0) * merged)
}

/// Brings the edges to millimetres and smooths.
///
/// # Errors
/// [`StraightedgeError::Faint`] when too few readings agree.
pub fn gap(
    both: &Both,
    along: &Along,
    found: &Found,
    scale: &Scale,
) -> Result<Gap, StraightedgeError> {
    let mut s_mm = Vec::new();
    let mut raw = Vec::new();
    let mut own = Vec::new();
    let mut pitch = Vec::new();
    let (mut by_behind, mut by_tone) = (Vec::new(), Vec::new());
    let (mut by_blur, mut by_fit) = (Vec::new(), Vec::new());
    let mut rule_at = Vec::new();
    let mut held = Vec::new();
    let mut lean = Vec::new();
    let n = both.column.len();
    for k in 0..n {
        let Some(e) = &both.edges[k] else { continue };
        let column = both.column[k];
        let top = along.px(column, e.y_px);
        let foot = along.px(column, e.y_px + 1.0);
        let (Some(a), Some(b)) = (scale.mm_from_px(top), scale.mm_from_px(foot)) else {
            continue;
        };
        let mm_per_px = (b.0 - a.0).dot(&found.across);
        s_mm.push(along.s_at(column) - found.from_mm);
        raw.push(e.gap_px * mm_per_px);
        own.push(e.covariance[(1, 1)].max(0.0) * mm_per_px * mm_per_px);
        pitch.push(mm_per_px);
        by_behind.push(both.by_behind[k] * mm_per_px);
        by_tone.push(both.by_tone[k] * mm_per_px);
        by_blur.push(both.by_blur[k] * mm_per_px);
        by_fit.push(both.by_fit[k] * mm_per_px);
        rule_at.push((column, e.y_px));
        held.push(e.held);
        lean.push(lean_of(e, both.blur_px) * mm_per_px);
    }
    let n = raw.len();
    if n < 10 {
        return Err(StraightedgeError::Faint);
    }
    let mean_pitch = pitch.iter().sum::<f64>() / n as f64;
    let step_mm = (s_mm[n - 1] - s_mm[0]) / (n - 1) as f64;
    // Readings that the fit itself calls unsure count for less.
    let floor = median(&own).max(1e-8);
    let mut weights: Vec<f64> = own
        .iter()
        .map(|v| (floor / v.max(floor)).max(0.02))
        .collect();
    let hidden = hidden(&raw, &held, mean_pitch);
    for (w, h) in weights.iter_mut().zip(&hidden) {
        if *h {
            *w = 0.0;
        }
    }
    let (flawed, flaws_mm) = flaws(&raw, &weights, &s_mm, step_mm, mean_pitch);
    for (w, f) in weights.iter_mut().zip(&flawed) {
        if *f {
            *w = 0.0;
        }
    }
    let steady = smooth::course(&raw, &weights, (SHORTEST_MM / step_mm).max(4.0), 4)
        .ok_or(StraightedgeError::Faint)?;
    for (w, kept) in weights.iter_mut().zip(&steady.weight) {
        *w = w.min(*kept);
    }
    let filter = Fair::new(&s_mm, Some(&weights), SHORTEST_MM.max(4.0 * step_mm))
        .map_err(|_| StraightedgeError::Faint)?;
    let gap_mm = filter.apply(&raw).map_err(|_| StraightedgeError::Faint)?;
    let (sd_mm, correlation_mm) = scatter(&raw, &gap_mm, &weights, step_mm, &filter);
    let each: Vec<f64> = weights.iter().map(|w| sd_mm / w.max(0.02).sqrt()).collect();
    let mut u_noise_mm = filter
        .u(&each, correlation_mm)
        .map_err(|_| StraightedgeError::Faint)?;
    for (u, blind) in u_noise_mm.iter_mut().zip(blind(&s_mm, &weights)) {
        *u = u.hypot(blind);
    }
    let smoothed = |v: &[f64]| filter.apply(v).unwrap_or_else(|_| v.to_vec());
    let mut common = vec![
        Common {
            source: Source::Behind,
            by_mm: smoothed(&by_behind),
        },
        Common {
            source: Source::Treatment,
            by_mm: smoothed(&by_tone)
                .iter()
                .zip(&lean)
                .map(|(t, l)| t.hypot(*l))
                .collect(),
        },
    ];
    let rule_px: Vec<Px> = rule_at.iter().map(|(c, y)| along.px(*c, *y)).collect();
    let panel_px: Vec<Px> = rule_at
        .iter()
        .zip(&gap_mm)
        .zip(&pitch)
        .map(|(((c, y), g), p)| along.px(*c, y + g.max(0.0) / p))
        .collect();
    common.push(Common {
        source: Source::Blur,
        by_mm: smoothed(&by_blur),
    });
    common.push(Common {
        source: Source::Alike,
        by_mm: smoothed(&by_fit),
    });
    common.extend(from_scale(scale, found, &rule_px, &panel_px, &gap_mm));
    Ok(Gap {
        s_mm,
        gap_mm,
        u_noise_mm,
        common,
        filter,
        sd_mm,
        correlation_mm,
        flaws_mm,
        rule_px,
        panel_px,
    })
}

/// One place of a gap whose edges are known already.
pub struct GapPlace {
    /// Panel's edge.
    pub panel: Px,
    /// Moves of the gap, px, for one standard uncertainty of the phone's treatment, of the light behind and of the blur.
    pub by_px: [f64; 3],
}

/// The gap of places known already, in order; `rule_at`: the straightedge's edge at a distance along it, mm. Nothing is left out,
/// and shape is what is longer than `shortest_mm`. Places that do not go on along the straightedge are passed over.
///
/// # Errors
/// [`StraightedgeError::Faint`] when there are too few.
pub fn of_places(
    places: &[GapPlace],
    rule_at: impl Fn(f64) -> Px,
    found: &Found,
    scale: &Scale,
    shortest_mm: f64,
) -> Result<Gap, StraightedgeError> {
    let mut s_mm: Vec<f64> = Vec::new();
    let (mut raw, mut rule_px, mut panel_px) = (Vec::new(), Vec::new(), Vec::new());
    let mut by = [Vec::new(), Vec::new(), Vec::new()];
    for p in places {
        let Some(b) = scale.mm_from_px(p.panel) else {
            continue;
        };
        let at = (b.0 - found.origin).dot(&found.along);
        let rule = rule_at(at);
        let Some(a) = scale.mm_from_px(rule) else {
            continue;
        };
        let s = at - found.from_mm;
        if at > found.to_mm || s < 0.0 || s_mm.last().is_some_and(|l| s <= l + 1e-3) {
            continue;
        }
        let gap = (b.0 - a.0).dot(&found.across);
        let mm_per_px = (b.0 - a.0).norm() / (p.panel.0 - rule.0).norm().max(1e-6);
        s_mm.push(s);
        raw.push(gap);
        rule_px.push(rule);
        panel_px.push(p.panel);
        for (list, v) in by.iter_mut().zip(p.by_px) {
            list.push(v * mm_per_px);
        }
    }
    let n = raw.len();
    if n < 10 {
        return Err(StraightedgeError::Faint);
    }
    let step_mm = (s_mm[n - 1] - s_mm[0]) / (n - 1) as f64;
    let filter = Fair::new(&s_mm, None, shortest_mm).map_err(|_| StraightedgeError::Faint)?;
    let gap_mm = filter.apply(&raw).map_err(|_| StraightedgeError::Faint)?;
    let weights = vec![1.0; n];
    let (sd_mm, correlation_mm) = scatter(&raw, &gap_mm, &weights, step_mm, &filter);
    let u_noise_mm = filter
        .u(&vec![sd_mm; n], correlation_mm)
        .map_err(|_| StraightedgeError::Faint)?;
    let sources = [Source::Treatment, Source::Behind, Source::Blur];
    let mut common: Vec<Common> = sources
        .into_iter()
        .zip(by)
        .map(|(source, by_mm)| Common { source, by_mm })
        .collect();
    common.extend(from_scale(scale, found, &rule_px, &panel_px, &gap_mm));
    Ok(Gap {
        s_mm,
        gap_mm,
        u_noise_mm,
        common,
        filter,
        sd_mm,
        correlation_mm,
        flaws_mm: Vec::new(),
        rule_px,
        panel_px,
    })
}

/// Stretches where the gap seems to close from one profile to the next while it stands open to both sides: what lies behind
/// looks like the panel there. A panel bends; it doesn't jump.
fn hidden(raw: &[f64], held: &[bool], pitch: f64) -> Vec<bool> {
    const OPEN_PX: f64 = 2.5;
    const CLOSED_PX: f64 = 1.2;
    let n = raw.len();
    let mut out = vec![false; n];
    let closed = |k: usize| held[k] || raw[k] < CLOSED_PX * pitch;
    let mut k = 0;
    while k < n {
        if !closed(k) {
            k += 1;
            continue;
        }
        let from = k;
        // A profile or two between that seem open don't end it.
        let mut to = k + 1;
        while k < n && k < to + 3 {
            if closed(k) {
                to = k + 1;
            }
            k += 1;
        }
        k = to;
        let side = |range: std::ops::Range<usize>| -> Option<f64> {
            let v: Vec<f64> = range.map(|i| raw[i]).collect();
            (!v.is_empty()).then(|| median(&v))
        };
        let left = side(from.saturating_sub(4)..from);
        let right = side(to..(to + 4).min(n));
        let open = |v: Option<f64>| v.is_some_and(|g| g > OPEN_PX * pitch);
        if open(left) && open(right) {
            out[from.saturating_sub(2)..(to + 2).min(n)].fill(true);
        }
    }
    out
}

/// Standard uncertainty of a curve carried over a blind stretch, mm: it may bend there as panels do, by a tenth of a
/// millimetre on 50 mm (ours, no source), growing with the square of the way to the nearest reading.
fn blind(s_mm: &[f64], weights: &[f64]) -> Vec<f64> {
    let seen: Vec<f64> = s_mm
        .iter()
        .zip(weights)
        .filter(|(_, w)| **w > 0.0)
        .map(|(s, _)| *s)
        .collect();
    s_mm.iter()
        .map(|s| {
            let k = seen.partition_point(|v| v < s);
            let right = seen.get(k).map_or(f64::INFINITY, |v| v - s);
            let left = k
                .checked_sub(1)
                .and_then(|k| seen.get(k))
                .map_or(f64::INFINITY, |v| s - v);
            let away = left.min(right);
            if away.is_finite() {
                0.05 * (away / 25.0).powi(2)
            } else {
                0.0
            }
        })
        .collect()
}

/// How the gap moves with the scale, source by source.
fn from_scale(
    scale: &Scale,
    found: &Found,
    rule_px: &[Px],
    panel_px: &[Px],
    gap_mm: &[f64],
) -> Vec<Common> {
    let mut out = Vec::new();
    if let (Some(rule), Some(panel)) = (scale.carry(rule_px), scale.carry(panel_px)) {
        for (part, covariance) in &rule.covariance {
            let source = match part {
                Part::Scale => Source::Scale,
                Part::Lens => Source::Lens,
                Part::Bow => Source::Plane,
                _ => Source::Pose,
            };
            let by_mm = rule
                .slopes
                .iter()
                .zip(&panel.slopes)
                .map(|(r, p)| {
                    let slope = (&p[0] - &r[0]) * found.across.x + (&p[1] - &r[1]) * found.across.y;
                    slope.dot(&(covariance * &slope)).max(0.0).sqrt()
                })
                .collect();
            out.push(Common { source, by_mm });
        }
    }
    let far = scale.distance_mm().max(1.0);
    out.push(Common {
        source: Source::Plane,
        by_mm: gap_mm.iter().map(|g| g.max(0.0) * PLANE_MM / far).collect(),
    });
    out
}

fn median(values: &[f64]) -> f64 {
    let mut v: Vec<f64> = values.to_vec();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied().unwrap_or(0.0)
}

/// Short stretches that stand off from what lies to both sides of them.
fn flaws(
    raw: &[f64],
    weights: &[f64],
    s_mm: &[f64],
    step_mm: f64,
    pitch: f64,
) -> (Vec<bool>, Vec<[f64; 2]>) {
    let n = raw.len();
    let reach = (FLAW_MM / step_mm).ceil() as usize;
    // Median of each side's neighbourhood, joined by a straight line, is what the place itself should show.
    let side = |from: usize, to: usize| -> Option<(f64, f64)> {
        let mut v: Vec<f64> = (from..to.min(n))
            .filter(|i| weights[*i] > 0.1)
            .map(|i| raw[i])
            .collect();
        if v.len() < 3 {
            return None;
        }
        v.sort_by(f64::total_cmp);
        Some((0.5 * (from + to.min(n) - 1) as f64, v[v.len() / 2]))
    };
    let mut off = vec![0.0; n];
    for (k, off) in off.iter_mut().enumerate() {
        let gap = reach / 2;
        let left = k
            .checked_sub(gap)
            .and_then(|to| side(to.saturating_sub(reach), to));
        let right = side(k + gap + 1, k + gap + 1 + reach);
        *off = match (left, right) {
            (Some(l), Some(r)) => {
                let t = (k as f64 - l.0) / (r.0 - l.0);
                raw[k] - (l.1 + (r.1 - l.1) * t)
            }
            _ => 0.0,
        };
    }
    let sizes: Vec<f64> = off.iter().map(|v: &f64| v.abs()).collect();
    let limit = (6.0 * 1.4826 * median(&sizes)).max(0.5 * pitch).max(0.06);
    let mut flawed = vec![false; n];
    let mut found = Vec::new();
    let mut k = 0;
    while k < n {
        if off[k].abs() <= limit {
            k += 1;
            continue;
        }
        let from = k;
        while k < n && off[k].abs() > 0.35 * limit && off[k] * off[from] > 0.0 {
            k += 1;
        }
        if (k - from) as f64 * step_mm <= FLAW_MM {
            let (low, high) = (from.saturating_sub(1), (k + 1).min(n));
            flawed[low..high].fill(true);
            found.push([s_mm[from] - 0.5 * step_mm, s_mm[k - 1] + 0.5 * step_mm]);
        }
    }
    (flawed, found)
}

/// Scatter of single readings about the curve and how far along they err alike (first-order autoregression; the filter takes
/// part of the scatter with it, which is allowed for).
fn scatter(raw: &[f64], curve: &[f64], weights: &[f64], step_mm: f64, filter: &Fair) -> (f64, f64) {
    let n = raw.len();
    let rest: Vec<f64> = (0..n)
        .map(|i| (raw[i] - curve[i]) * weights[i].sqrt())
        .collect();
    let counted = weights.iter().filter(|w| **w > 0.0).count() as f64;
    let square: f64 = rest.iter().map(|r| r * r).sum();
    let free = (counted - filter.freedoms()).max(0.3 * counted).max(1.0);
    let sd = (square / free).sqrt();
    let (mut product, mut pairs) = (0.0, 0.0);
    for i in 1..n {
        if weights[i] > 0.0 && weights[i - 1] > 0.0 {
            product += rest[i] * rest[i - 1];
            pairs += 1.0;
        }
    }
    // The curve's own share makes neighbours' rests unlike: about 1 / (filter's span) of correlation is lost.
    let taken = (filter.freedoms() / counted.max(1.0)).min(0.5);
    let r = (product / f64::max(pairs, 1.0) / (square / counted.max(1.0)).max(1e-18) + taken)
        .clamp(0.0, 0.8);
    let correlation_mm = if r > 0.05 { -step_mm / r.ln() } else { 0.0 };
    (sd.max(1e-5), correlation_mm)
}
