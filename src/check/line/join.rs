//! One line from several overlapping photos, joined through the cards they share.
//!
//! Each photo is traced by itself; then one adjustment ([`crate::scale::joint`]) places all photos, and the traces are
//! merged where they overlap, each counting for more the farther it is from its own end, so that nothing jumps where one
//! photo takes over. Every point keeps its dependence on the common parameters: u95 grows along the line as the joints
//! make it. Raggedness and mottle of the paint are the same in both photos of an overlap and are not averaged away.

use super::figures::{self, Figures};
use super::follow::{self, Followed};
use super::gaps::gaps;
use super::guide::{self, Guide};
use super::remedy::Taken;
use super::shape::{self, Run, Shape};
use super::{LineOptions, LineResult, line_figures, look, next, verdict};
use crate::card::Card;
use crate::check::{CardSeen, CheckError, Head, SCHEMA, Setup, scale};
use crate::fit::FitError;
use crate::fit::fair::Fair;
use crate::fit::line::fit_line;
use crate::photo::{Facts, Photo};
use crate::scale::joint::{self, Single};
use crate::scale::{Assume, Placed, Scale};
use crate::units::{Mm, Px};
use nalgebra::{DVector, Point2, Rotation2, Vector2};
use serde::{Deserialize, Serialize};

/// A stretch of a joined line and the photo its points lie in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Joined {
    /// Photo, as given.
    pub photo: String,
    /// Start, mm along.
    pub from_mm: f64,
    /// End, mm along.
    pub to_mm: f64,
    /// Index of its first point in `line.px`.
    pub first: usize,
    /// How many points follow.
    pub points: usize,
}

/// Where two photos both show the line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Overlap {
    /// Start, mm along.
    pub from_mm: f64,
    /// End, mm along.
    pub to_mm: f64,
    /// Rms difference of the two photos' lines there, mm.
    pub differ_rms_mm: f64,
}

/// A photo traced and scaled by itself; the photo is no longer needed.
pub struct Prepared {
    /// Photo, as given.
    pub photo: String,
    facts: Facts,
    cards: Vec<Card>,
    pub(super) assume: Assume,
    pub(super) scale: Scale,
    pub(super) guide: Guide,
    pub(super) followed: Followed,
    pub(super) warnings: Vec<String>,
}

/// Finds cards and line on one photo of several.
///
/// # Errors
/// As [`super::measure`].
pub fn prepare(
    photo: &Photo,
    setup: &Setup,
    options: &LineOptions,
) -> Result<Prepared, CheckError> {
    let cards = setup.cards(photo)?;
    prepare_on(photo, &cards, setup, options)
}

pub(super) fn prepare_on(
    photo: &Photo,
    cards: &[Card],
    setup: &Setup,
    options: &LineOptions,
) -> Result<Prepared, CheckError> {
    let (mut assume, mut warnings) = setup.assume(photo)?;
    let first = scale(cards, &assume, &mut warnings)?;
    let quads = guide::masks(cards);
    let guide = guide::find(photo, cards, &quads, &first, options)?;
    // The panel bows along its swage: the line found is the axis that the cards alone leave open.
    assume.axis_rad = Some(guide::axis(&guide));
    let scale = scale(cards, &assume, &mut warnings)?;
    let followed = follow::follow(photo, &quads, &first, &guide, options.shortest_mm)?;
    Ok(Prepared {
        photo: photo.name.clone(),
        facts: photo.facts.clone(),
        cards: cards.to_vec(),
        assume,
        scale,
        guide,
        followed,
        warnings,
    })
}

/// Joins the photos of one long line, given in any order. Places lie in the frame of the first photo's first card, s runs
/// from the left end as that photo shows it.
///
/// # Errors
/// [`CheckError::Joint`] when photos share no card, [`CheckError::Unlike`] when they were taken differently; as
/// [`super::measure`].
pub fn join(
    photos: &[Prepared],
    setup: &Setup,
    options: &LineOptions,
) -> Result<LineResult, CheckError> {
    let Some(first) = photos.first() else {
        return Err(FitError::NoLength { span_mm: 0.0 }.into());
    };
    for (k, photo) in photos.iter().enumerate() {
        if !alike(&first.facts, &photo.facts) {
            return Err(CheckError::Unlike { photo: k + 1 });
        }
    }
    let singles: Vec<Single> = photos
        .iter()
        .map(|p| Single {
            cards: &p.cards,
            scale: &p.scale,
        })
        .collect();
    let axis = guide::axis(&first.guide);
    let (scales, moves) = joint::solve(&singles, &first.assume, axis)?;
    let mut shapes = Vec::with_capacity(photos.len());
    for ((photo, scale), shift) in photos.iter().zip(&scales).zip(&moves) {
        let turn = Rotation2::new(shift.turn);
        let mut guide = photo.guide.clone();
        // Along and across in the common frame, the ways the first photo has them.
        guide.along = turn * guide.along;
        guide.across = turn * guide.across;
        if guide.across.dot(&first.guide.across) < 0.0 {
            guide.across = -guide.across;
        }
        shapes.push(shape::shape(
            &photo.followed,
            scale,
            &guide,
            options.shortest_mm,
        )?);
    }
    let merged = merge(&shapes, &first.guide)?;
    let shape = &merged.shape;
    let figures = figures::figures(shape, options)?;
    let gap = gaps(shape);
    let views: Vec<&[Card]> = photos.iter().map(|p| p.cards.as_slice()).collect();
    let taken = Taken {
        scales: &scales,
        cards: &views,
        owner: &merged.owner,
        lens: setup.lens.is_some() && photos.iter().all(|p| !p.assume.lens_doubt),
        printed: setup.printed.is_some(),
    };
    let verdict = verdict(&figures, shape, &taken, options)?;
    let mut warnings: Vec<String> = Vec::new();
    for text in photos.iter().flat_map(|p| &p.warnings) {
        if !warnings.contains(text) {
            warnings.push(text.clone());
        }
    }
    warnings.extend(doubts(&merged, &figures));
    let next = next(&figures, &gap);
    let middle = shape.px.len() / 2;
    let owner = merged.owner[middle];
    Ok(LineResult {
        head: Head {
            schema: SCHEMA.into(),
            check: "line".into(),
            photo: photos
                .iter()
                .map(|p| p.photo.as_str())
                .collect::<Vec<_>>()
                .join(" + "),
            card: cards(photos, &scales),
            lens: setup.lens.is_some(),
            mm_per_px: scales[owner]
                .mm_per_px(shape.px[middle])
                .unwrap_or(first.followed.mm_per_px[0]),
            warnings,
            budget: figures.budget.clone(),
            verdict,
        },
        look: look(&first.guide, &first.followed),
        joined: stretches(&merged, photos),
        overlap: merged.overlap.clone(),
        line: line_figures(shape, figures),
        gap,
        next,
    })
}

/// Whether two photos were taken with one lens, held alike.
fn alike(a: &Facts, b: &Facts) -> bool {
    let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a / b - 1.0).abs() < 0.01,
        _ => true,
    };
    (a.stored_width, a.stored_height, a.orientation)
        == (b.stored_width, b.stored_height, b.orientation)
        && near(a.focal_mm, b.focal_mm)
        && near(a.focal_35mm, b.focal_35mm)
        && near(a.zoom, b.zoom)
        && (a.camera.is_none() || b.camera.is_none() || a.camera == b.camera)
}

/// Every card once, with the corners of all photos.
fn cards(photos: &[Prepared], scales: &[Scale]) -> Vec<CardSeen> {
    let mut out: Vec<CardSeen> = Vec::new();
    for (photo, scale) in photos.iter().zip(scales) {
        for seen in crate::check::cards_seen(&photo.cards, scale) {
            match out.iter_mut().find(|c| c.name == seen.name) {
                Some(c) => {
                    let n = (c.corners + seen.corners) as f64;
                    let square = c.rms_px.powi(2) * c.corners as f64
                        + seen.rms_px.powi(2) * seen.corners as f64;
                    c.rms_px = (square / n).sqrt();
                    c.corners += seen.corners;
                }
                None => out.push(seen),
            }
        }
    }
    out
}

/// What the photos' lines make together.
struct Merged {
    shape: Shape,
    /// Photo each point lies in.
    owner: Vec<usize>,
    overlap: Vec<Overlap>,
}

/// One unbroken stretch of one photo's line in the common frame.
struct Stretch {
    photo: usize,
    s: Vec<f64>,
    height: Vec<f64>,
    u_edge: Vec<f64>,
    weight: Vec<f64>,
    px: Vec<Px>,
    slopes: Vec<[DVector<f64>; 2]>,
}

impl Stretch {
    fn start(&self) -> f64 {
        self.s[0]
    }

    fn end(&self) -> f64 {
        self.s[self.s.len() - 1]
    }

    /// Distance to its nearer end; below zero outside.
    fn depth(&self, s: f64) -> f64 {
        (s - self.start()).min(self.end() - s)
    }

    /// Index and share of the next for a place within.
    fn at(&self, s: f64) -> (usize, f64) {
        let k = self
            .s
            .partition_point(|v| *v <= s)
            .clamp(1, self.s.len() - 1)
            - 1;
        let share = (s - self.s[k]) / (self.s[k + 1] - self.s[k]).max(1e-9);
        (k, share.clamp(0.0, 1.0))
    }
}

fn merge(shapes: &[Shape], guide: &Guide) -> Result<Merged, CheckError> {
    let all: Vec<Mm> = shapes
        .iter()
        .flat_map(|s| s.placed.points.iter().copied())
        .collect();
    let line = fit_line(&all, None)?;
    let along = if line.along.dot(&guide.along) < 0.0 {
        -line.along
    } else {
        line.along
    };
    let mut across = Vector2::new(-along.y, along.x);
    if across.dot(&guide.across) < 0.0 {
        across = -across;
    }
    let stretches = stretched(shapes, line.centre.0, along, across);
    // Unbroken runs: stretches that overlap.
    let mut order: Vec<usize> = (0..stretches.len()).collect();
    order.sort_by(|a, b| stretches[*a].start().total_cmp(&stretches[*b].start()));
    let mut groups: Vec<(Vec<usize>, f64)> = Vec::new();
    for k in order {
        let (start, end) = (stretches[k].start(), stretches[k].end());
        match groups.last_mut() {
            Some((group, reach)) if start < *reach - LEAST_OVERLAP_MM => {
                group.push(k);
                *reach = reach.max(end);
            }
            // Seen again by another photo within a hair of where the last one ends: not a new panel.
            Some((_, reach)) if end < *reach => {}
            _ => groups.push((vec![k], end)),
        }
    }
    let cutoff_mm = shapes.iter().map(|s| s.cutoff_mm).fold(0.0, f64::max);
    let mean = |of: fn(&Shape) -> f64| shapes.iter().map(of).sum::<f64>() / shapes.len() as f64;
    let mut runs = Vec::new();
    let mut owner = Vec::new();
    let mut px = Vec::new();
    let mut placed = Placed {
        points: Vec::new(),
        slopes: Vec::new(),
        covariance: shapes[0].placed.covariance.clone(),
    };
    let mut overlap = Vec::new();
    for (group, _) in &groups {
        let members: Vec<&Stretch> = group.iter().map(|k| &stretches[*k]).collect();
        let rows = blended(&members);
        if rows.len() < 8 {
            continue;
        }
        overlap.extend(overlaps(&members));
        for row in &rows {
            owner.push(row.photo);
            px.push(row.px);
            placed
                .points
                .push(Mm(line.centre.0 + along * row.s + across * row.height));
            placed.slopes.push(row.slopes.clone());
        }
        let s: Vec<f64> = rows.iter().map(|r| r.s).collect();
        runs.push(Run {
            filter: Fair::new(&s, None, cutoff_mm)?,
            s_mm: s,
            weight: rows.iter().map(|r| r.weight).collect(),
            smooth_mm: rows.iter().map(|r| r.height).collect(),
            u_edge_mm: rows.iter().map(|r| r.u_edge).collect(),
            stations: 0..0,
        });
    }
    if runs.is_empty() {
        return Err(FitError::NoLength { span_mm: 0.0 }.into());
    }
    let start = runs[0].s_mm[0];
    for o in &mut overlap {
        o.from_mm -= start;
        o.to_mm -= start;
    }
    Ok(Merged {
        shape: Shape {
            runs,
            px,
            placed,
            across,
            ragged_mm: mean(|s| s.ragged_mm),
            correlation_mm: mean(|s| s.correlation_mm),
            texture_correlation_mm: mean(|s| s.texture_correlation_mm),
            cutoff_mm,
            pixel_share: mean(|s| s.pixel_share),
        },
        owner,
        overlap,
    })
}

/// Stretches that meet by less than this are two panels, mm: at a door gap two photos may see its edges a few millimetres
/// apart.
const LEAST_OVERLAP_MM: f64 = 10.0;

/// The photos' runs in the common frame, s rising.
fn stretched(
    shapes: &[Shape],
    centre: Point2<f64>,
    along: Vector2<f64>,
    across: Vector2<f64>,
) -> Vec<Stretch> {
    let mut out = Vec::new();
    for (photo, shape) in shapes.iter().enumerate() {
        let mut at = 0;
        for run in &shape.runs {
            let n = run.s_mm.len();
            let range = at..at + n;
            at += n;
            let mut stretch = Stretch {
                photo,
                s: Vec::new(),
                height: Vec::new(),
                u_edge: run.u_edge_mm.clone(),
                weight: run.weight.clone(),
                px: shape.px[range.clone()].to_vec(),
                slopes: shape.placed.slopes[range.clone()].to_vec(),
            };
            for p in &shape.placed.points[range] {
                let d = p.0 - centre;
                stretch.s.push(d.dot(&along));
                stretch.height.push(d.dot(&across));
            }
            if stretch.s[0] > stretch.s[n - 1] {
                stretch.s.reverse();
                stretch.height.reverse();
                stretch.u_edge.reverse();
                stretch.weight.reverse();
                stretch.px.reverse();
                stretch.slopes.reverse();
            }
            for k in 1..n {
                if stretch.s[k] <= stretch.s[k - 1] {
                    stretch.s[k] = stretch.s[k - 1] + 1e-3;
                }
            }
            out.push(stretch);
        }
    }
    out
}

/// A point of the merged line.
struct Row {
    photo: usize,
    s: f64,
    height: f64,
    u_edge: f64,
    weight: f64,
    px: Px,
    slopes: [DVector<f64>; 2],
}

/// The stations of whichever photo sees a place farthest from its own ends, the value mixed from all by that distance.
fn blended(members: &[&Stretch]) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for (m, own) in members.iter().enumerate() {
        for k in 0..own.s.len() {
            let s = own.s[k];
            let depth = own.depth(s);
            let beaten = members.iter().enumerate().any(|(j, other)| {
                j != m && (other.depth(s), m) > (depth, j) && other.depth(s) >= 0.0
            });
            if beaten {
                continue;
            }
            let mut row = Row {
                photo: own.photo,
                s,
                height: own.height[k],
                u_edge: own.u_edge[k],
                weight: own.weight[k],
                px: own.px[k],
                slopes: own.slopes[k].clone(),
            };
            let trust: Vec<(usize, f64)> = members
                .iter()
                .enumerate()
                .filter(|(j, other)| *j != m && other.depth(s) > 0.0)
                .map(|(j, other)| (j, other.depth(s)))
                .collect();
            let total = depth.max(1e-6) + trust.iter().map(|(_, d)| d).sum::<f64>();
            for (j, d) in trust {
                mix(&mut row, own, k, members[j], d / total);
            }
            rows.push(row);
        }
    }
    rows.sort_by(|a, b| a.s.total_cmp(&b.s));
    rows.dedup_by(|b, a| b.s - a.s < 1e-6);
    rows
}

/// Moves a row by a share toward another photo's line.
fn mix(row: &mut Row, own: &Stretch, k: usize, other: &Stretch, share: f64) {
    let (i, f) = other.at(row.s);
    let between = |v: &[f64]| v[i] + (v[i + 1] - v[i]) * f;
    row.height += share * (between(&other.height) - own.height[k]);
    row.u_edge += share * (between(&other.u_edge) - own.u_edge[k]);
    row.weight += share * (between(&other.weight) - own.weight[k]);
    for axis in 0..2 {
        let there = &other.slopes[i][axis] * (1.0 - f) + &other.slopes[i + 1][axis] * f;
        row.slopes[axis] += (there - &own.slopes[k][axis]) * share;
    }
}

/// Where two of the stretches overlap, and how far apart they are there.
fn overlaps(members: &[&Stretch]) -> Vec<Overlap> {
    let mut out = Vec::new();
    for (m, a) in members.iter().enumerate() {
        for b in &members[m + 1..] {
            let (from, to) = (a.start().max(b.start()), a.end().min(b.end()));
            if to - from < LEAST_OVERLAP_MM || a.photo == b.photo {
                continue;
            }
            let (mut square, mut n) = (0.0, 0.0);
            for (s, h) in a.s.iter().zip(&a.height) {
                if (from..to).contains(s) {
                    let (i, f) = b.at(*s);
                    let there = b.height[i] + (b.height[i + 1] - b.height[i]) * f;
                    square += (h - there).powi(2);
                    n += 1.0;
                }
            }
            out.push(Overlap {
                from_mm: from,
                to_mm: to,
                differ_rms_mm: (square / f64::max(n, 1.0)).sqrt(),
            });
        }
    }
    out
}

/// Which points lie in which photo.
fn stretches(merged: &Merged, photos: &[Prepared]) -> Vec<Joined> {
    let s: Vec<f64> = merged
        .shape
        .runs
        .iter()
        .flat_map(|r| r.s_mm.iter().copied())
        .collect();
    let mut out: Vec<(usize, Joined)> = Vec::new();
    for (k, owner) in merged.owner.iter().enumerate() {
        match out.last_mut() {
            Some((photo, last)) if photo == owner => {
                last.to_mm = s[k] - s[0];
                last.points += 1;
            }
            _ => out.push((
                *owner,
                Joined {
                    photo: photos[*owner].photo.clone(),
                    from_mm: s[k] - s[0],
                    to_mm: s[k] - s[0],
                    first: k,
                    points: 1,
                },
            )),
        }
    }
    out.into_iter().map(|(_, j)| j).collect()
}

/// Holes between photos, and photos that disagree where they overlap.
fn doubts(merged: &Merged, figures: &Figures) -> Vec<String> {
    let mut out = Vec::new();
    let start = merged.shape.runs[0].s_mm[0];
    for pair in merged.shape.runs.windows(2) {
        let (a, b) = (pair[0].s_mm[pair[0].s_mm.len() - 1], pair[1].s_mm[0]);
        if b - a > 40.0 {
            out.push(format!(
                "no photo shows the line from {:.0} to {:.0} mm: let neighbouring photos overlap by a hand's breadth",
                a - start,
                b - start
            ));
        }
    }
    for o in &merged.overlap {
        let typical = figures
            .deviation
            .iter()
            .filter(|d| (o.from_mm..=o.to_mm).contains(&d.s_mm))
            .map(|d| d.u95_mm)
            .fold(0.0, f64::max);
        if o.differ_rms_mm > 2.0 * typical {
            out.push(format!(
                "the photos differ by {:.2} mm where they overlap ({:.0} to {:.0} mm): was a card moved between them?",
                o.differ_rms_mm, o.from_mm, o.to_mm
            ));
        }
    }
    out
}
