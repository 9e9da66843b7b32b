//! The edge at full size: snapped to where the thing's own colours end, then to a few hundredths of a pixel.

use super::{SectionError, comb, sheet};
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::solve::robust::median;
use crate::trace::rim;
use crate::trace::strip::{Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2, Vector3};
use std::ops::Range;

/// Columns of one reading.
pub const STATION: usize = 4;

/// Columns a pixel apart along a course on the photo.
#[derive(Debug, Clone)]
pub struct Columns {
    /// Place of each column's middle, px.
    pub centre: Vec<Point2<f64>>,
    /// Unit vector across, toward the outside, px.
    pub outward: Vec<Vector2<f64>>,
}

impl Columns {
    /// Along a polyline on the photo; `window`: px before and behind over which its direction is read; `outside`: any
    /// vector on the photo toward the outside.
    pub fn along(line: &[Point2<f64>], window: f64, outside: Vector2<f64>) -> Option<Columns> {
        let mut s = vec![0.0];
        for p in line.windows(2) {
            s.push(s[s.len() - 1] + (p[1] - p[0]).norm());
        }
        let length = *s.last()?;
        if length < 20.0 || !length.is_finite() || length > 20_000.0 {
            return None;
        }
        let at = |v: f64| {
            let k = s.partition_point(|x| *x <= v).clamp(1, s.len() - 1);
            let t = (v - s[k - 1]) / (s[k] - s[k - 1]).max(1e-9);
            line[k - 1] + (line[k] - line[k - 1]) * t.clamp(-1.0, 2.0)
        };
        let n = length.floor() as usize;
        let centre: Vec<Point2<f64>> = (0..=n).map(|k| at(k as f64)).collect();
        let mut turn = 1.0;
        let outward: Vec<Vector2<f64>> = (0..=n)
            .map(|k| {
                let v = k as f64;
                let d = at((v + window).min(length)) - at((v - window).max(0.0));
                let d = d / d.norm().max(1e-9);
                Vector2::new(-d.y, d.x)
            })
            .collect();
        if outward.iter().map(|o| o.dot(&outside)).sum::<f64>() < 0.0 {
            turn = -1.0;
        }
        Some(Columns {
            centre,
            outward: outward.into_iter().map(|o| o * turn).collect(),
        })
    }

    /// Photo place `off` px outward of a column.
    pub fn px(&self, column: usize, off: f64) -> Point2<f64> {
        self.centre[column] + self.outward[column] * off
    }

    pub fn strip(&self, photo: &Photo, quads: &[Quad], half: usize) -> Strip {
        Strip::sample(
            photo,
            self.centre.len(),
            2 * half + 1,
            Coding::Linear,
            |c, r| {
                let p = self.px(c, r as f64 - half as f64);
                (!masked(quads, p)).then_some(p)
            },
        )
    }
}

/// Light added before the logarithm.
pub const LIFT: f32 = super::ground::LIFT as f32;

/// A strip along the edge and what was found of it so far.
pub struct Seen<'a> {
    /// The strip; its middle row lies on the course.
    pub strip: &'a Strip,
    /// The light that tells thing from bench, a column's rows side by side.
    pub light: &'a [f64],
    /// Where the edge is thought to be in each column, px outward of the course.
    pub start: &'a [f64],
    /// Rows on either side of the course.
    pub half: usize,
    /// Millimetres a pixel covers.
    pub mm_per_px: f64,
}

impl Seen<'_> {
    /// Number of columns.
    pub fn columns(&self) -> usize {
        self.start.len()
    }

    /// Mean light across a stretch of columns that follows the start: values a pixel apart, the middle one at the start's
    /// own `at`, rounded, `room` of them on either side. `None` where the strip ends before.
    pub fn profile(&self, range: Range<usize>, at: f64, room: usize) -> Option<Vec<f64>> {
        let rows = self.strip.rows;
        let mut sum = vec![0.0; 2 * room + 1];
        let mut m = 0.0;
        for c in range {
            let base = self.half as f64 + at.round() + self.start[c] - at - room as f64;
            let (first, f) = (base.floor(), base - base.floor());
            if first < 0.0 || first as usize + sum.len() >= rows {
                return None;
            }
            let first = c * rows + first as usize;
            let own = &self.light[first..first + sum.len() + 1];
            if own.iter().any(|v| v.is_nan()) {
                continue;
            }
            for (s, p) in sum.iter_mut().zip(own.windows(2)) {
                *s += p[0] * (1.0 - f) + p[1] * f;
            }
            m += 1.0;
        }
        (m > 0.0).then(|| sum.into_iter().map(|s| s / m).collect())
    }
}

/// One place of the edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgePoint {
    /// Photo place, px.
    pub px: Px,
    /// Unit vector outward on the photo.
    pub outward: Vector2<f64>,
}

/// The photo's blur, px: median over the printed squares' sides of the cards, seen as the strips here are.
pub fn card_blur(photo: &Photo, cards: &[Card]) -> Option<f64> {
    let mut found = Vec::new();
    for card in cards {
        let across = card.layout.squares_x.saturating_sub(1);
        for corner in &card.corners {
            for next in [corner.id + 1, corner.id + across] {
                if next == corner.id + 1 && (corner.id + 1) % across.max(1) == 0 {
                    continue;
                }
                let Some(other) = card.corners.iter().find(|c| c.id == next) else {
                    continue;
                };
                let d = other.px.0 - corner.px.0;
                let length = d.norm();
                // The marker's own edge must stay out of the window.
                let white = 0.5 * (1.0 - card.layout.marker_mm / card.layout.square_mm) * length;
                let half = (white - 1.0).min(5.0);
                if half < 3.0 {
                    continue;
                }
                let half = half as usize;
                let t = d / length;
                let normal = Vector2::new(-t.y, t.x);
                let n = (0.6 * length) as usize;
                let strip = Strip::sample(photo, n, 2 * half + 1, Coding::Linear, |c, r| {
                    Some(
                        corner.px.0
                            + t * (0.2 * length + c as f64)
                            + normal * (r as f64 - half as f64),
                    )
                });
                let profile: Vec<f64> = (0..strip.rows)
                    .map(|r| {
                        (0..n)
                            .map(|c| f64::from(strip.column(c)[r][3]))
                            .sum::<f64>()
                            / n as f64
                    })
                    .collect();
                found.extend(rim::blur(&profile));
            }
        }
    }
    if found.len() < 4 {
        return None;
    }
    median(&mut found)
}

/// What the fine reading needs to know.
pub struct Fine<'a> {
    /// The photo.
    pub photo: &'a Photo,
    /// Cards' quads.
    pub quads: &'a [Quad],
    /// Scale.
    pub scale: &'a Scale,
    /// Height of the upper edge above the card's plane, mm.
    pub height_mm: f64,
    /// Blur of the photo, px.
    pub blur_px: f64,
    /// Millimetres a pixel covers.
    pub mm_per_px: f64,
}

/// The edge, finely read.
#[derive(Debug, Clone)]
pub struct Edge {
    /// Places in order.
    pub points: Vec<EdgePoint>,
    /// Pitch of a comb's pins along the edge, px; `None`: no comb.
    pub pins_px: Option<f64>,
    /// Blur of the photo, one standard deviation, px.
    pub blur_px: f64,
}

impl Fine<'_> {
    /// Reads the edge along a course (photo px, in order), beginning at the snapped places.
    pub fn read(
        &self,
        course: &[Point2<f64>],
        snapped: &[EdgePoint],
        outside: Vector2<f64>,
    ) -> Result<Edge, SectionError> {
        let columns = Columns::along(course, 1.5, outside).ok_or(SectionError::Faint)?;
        let n = columns.centre.len();
        let start = offsets(&columns, snapped, self.mm_per_px).ok_or(SectionError::Faint)?;
        let deepest = start.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let face = self.faces(&columns, &start);
        let widest = face.iter().fold(0.0f64, |m, v| m.max(*v));
        let half = ((deepest + widest.min(30.0)) as usize + 18)
            .max((deepest + 4.5 / self.mm_per_px) as usize + 2);
        let strip = columns.strip(self.photo, self.quads, half);
        let light = light(&strip, &start, half, self.mm_per_px);
        let pitch = comb::pins(&strip, &start, half, self.mm_per_px);
        let seen = Seen {
            strip: &strip,
            light: &light,
            start: &start,
            half,
            mm_per_px: self.mm_per_px,
        };
        let places = match &pitch {
            Some(pins) => comb::read(&seen, pins),
            None => sheet::read(&seen, &face, self.blur_px).ok_or(SectionError::Faint)?,
        };
        let points: Vec<EdgePoint> = places
            .into_iter()
            .map(|(c, off)| {
                let (i, f) = (c.floor() as usize, c - c.floor());
                let j = (i + 1).min(n - 1);
                let centre = columns.centre[i] + (columns.centre[j] - columns.centre[i]) * f;
                let outward = (columns.outward[i] * (1.0 - f) + columns.outward[j] * f).normalize();
                EdgePoint {
                    px: Px(centre + outward * off),
                    outward,
                }
            })
            .collect();
        if points.len() < 16 {
            return Err(SectionError::Faint);
        }
        Ok(Edge {
            points,
            pins_px: pitch.map(|p| p.pitch_px),
            blur_px: self.blur_px,
        })
    }

    /// How wide the side face looks at each column, px outward; negative where it is hidden.
    fn faces(&self, columns: &Columns, start: &[f64]) -> Vec<f64> {
        let n = columns.centre.len();
        (0..n)
            .map(|c| {
                let p = columns.px(c, start[c]);
                let foot = self
                    .scale
                    .mm_above(Px(p), self.height_mm)
                    .and_then(|mm| self.scale.px_above(mm, 0.0));
                foot.map_or(0.0, |f| (f.0 - p).dot(&columns.outward[c]))
            })
            .collect()
    }
}

/// The light that tells the thing from what lies beside it: brightness, or where that hardly does a mixture of colours
/// (Fisher 1936). Brightness is kept at full size by every file, colour often at half.
fn light(strip: &Strip, start: &[f64], half: usize, mm_per_px: f64) -> Vec<f64> {
    let n = start.len();
    let deep = (1.5 / mm_per_px).clamp(4.0, 10.0);
    let mut sides: [Vec<[f64; 4]>; 2] = [Vec::new(), Vec::new()];
    for c in (0..n.saturating_sub(STATION)).step_by(STATION) {
        for (side, (from, to)) in sides.iter_mut().zip([(-deep, -1.5), (1.5, 4.5)]) {
            let (mut sum, mut m) = ([0.0; 4], 0.0);
            for (k, s) in start.iter().enumerate().skip(c).take(STATION) {
                let first = (half as f64 + s + from).round().max(0.0) as usize;
                let last = ((half as f64 + s + to).round().max(0.0) as usize).min(strip.rows);
                for cell in strip.column(k).get(first..last).unwrap_or_default() {
                    if !cell[0].is_nan() {
                        for (s, v) in sum.iter_mut().zip(cell) {
                            *s += f64::from(*v);
                        }
                        m += 1.0;
                    }
                }
            }
            if m > 0.0 {
                side.push(sum.map(|s| s / m));
            }
        }
    }
    let middle = |of: &[[f64; 4]]| -> [f64; 4] {
        std::array::from_fn(|k| median(&mut of.iter().map(|v| v[k]).collect()).unwrap_or(0.0))
    };
    let (inside, outside) = (middle(&sides[0]), middle(&sides[1]));
    let brightness = || strip.cells.iter().map(|c| f64::from(c[3])).collect();
    let mut scatter = nalgebra::Matrix3::<f64>::identity() * 1e-7;
    let mut plain = 1e-7;
    for (side, m) in sides.iter().zip([inside, outside]) {
        let share = 1.0 / (2.0 * side.len().max(1) as f64);
        for v in side {
            // A glint or a speck counts for no more than a tenth of full light.
            let d = Vector3::from_fn(|k, _| (v[k] - m[k]).clamp(-0.1, 0.1));
            scatter += d * d.transpose() * share;
            plain += (v[3] - m[3]).clamp(-0.1, 0.1).powi(2) * share;
        }
    }
    let d = Vector3::from_fn(|k, _| outside[k] - inside[k]);
    let Some(inverse) = scatter.try_inverse() else {
        return brightness();
    };
    let w = inverse * d;
    let by_colour = d.dot(&w).max(0.0).sqrt();
    let by_brightness = (outside[3] - inside[3]).abs() / plain.sqrt();
    if by_brightness > 2.5 || by_colour < 2.0 * by_brightness {
        return brightness();
    }
    let size = d.dot(&w) / d.norm();
    strip
        .cells
        .iter()
        .map(|c| (0..3).map(|k| f64::from(c[k]) * w[k]).sum::<f64>() / size)
        .collect()
}

/// Offsets of snapped places from the columns, filled in between and smoothed.
fn offsets(columns: &Columns, snapped: &[EdgePoint], mm_per_px: f64) -> Option<Vec<f64>> {
    let n = columns.centre.len();
    let mut own: Vec<Vec<f64>> = vec![Vec::new(); n];
    for p in snapped {
        let (mut best, mut at) = (f64::INFINITY, 0);
        // Columns lie a pixel apart: every eighth first.
        let mut look = |range: &mut dyn Iterator<Item = usize>, at: &mut usize| {
            for c in range {
                let d = (p.px.0 - columns.centre[c]).norm_squared();
                if d < best {
                    best = d;
                    *at = c;
                }
            }
        };
        look(&mut (0..n).step_by(8), &mut at);
        let near = at;
        look(&mut (near.saturating_sub(8)..(near + 9).min(n)), &mut at);
        own[at].push((p.px.0 - columns.centre[at]).dot(&columns.outward[at]));
    }
    // Fine readings lie a station apart: three of them at least.
    let window = ((0.8 / mm_per_px) as usize).max(2 * STATION + 2);
    let known: Vec<(usize, f64)> = (0..n)
        .step_by(2)
        .filter_map(|c| {
            let mut near: Vec<f64> = own[c.saturating_sub(window)..(c + window + 1).min(n)]
                .iter()
                .flatten()
                .copied()
                .collect();
            if near.len() < 3 {
                return None;
            }
            median(&mut near).map(|m| (c, m))
        })
        .collect();
    if known.is_empty() {
        return None;
    }
    Some(
        (0..n)
            .map(|c| {
                let k = known.partition_point(|p| p.0 < c);
                match (k.checked_sub(1).map(|j| known[j]), known.get(k)) {
                    (Some(a), Some(b)) => {
                        let t = (c - a.0) as f64 / (b.0 - a.0).max(1) as f64;
                        a.1 + (b.1 - a.1) * t
                    }
                    (Some(a), None) => a.1,
                    (None, Some(b)) => b.1,
                    (None, None) => 0.0,
                }
            })
            .collect(),
    )
}

/// Photo places of card places `height_mm` above the card, in order; those the camera can't see are left out.
pub fn on_photo(scale: &Scale, places: &[Mm], height_mm: f64) -> Vec<Point2<f64>> {
    places
        .iter()
        .filter_map(|p| scale.px_above(*p, height_mm).map(|p| p.0))
        .collect()
}
