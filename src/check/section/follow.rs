//! The edge at full size: snapped to where the thing's own colours end, then to a few hundredths of a pixel.

use super::SectionError;
use crate::card::Card;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::solve::path::{CostGrid, PathOptions, cheapest_path};
use crate::solve::robust::median;
use crate::trace::rim::{self, Rim};
use crate::trace::strip::{Cell, Coding, Strip};
use crate::units::{Mm, Px};
use nalgebra::{Point2, Vector2, Vector3};

/// An edge at which the light hardly changes is none: least change, share of the profile's range.
const LEAST_DROP: f64 = 0.15;
/// What a pixel off the snapped course, and off where the edge lies elsewhere along it, weighs against misfit.
const FROM_START: f64 = 0.003;
const FROM_USUAL: f64 = 0.01;
/// How far off the coarse edge the true one may lie, mm.
const REACH_MM: f64 = 3.0;
/// Columns of one reading.
const STATION: usize = 4;

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

    fn strip(&self, photo: &Photo, quads: &[Quad], half: usize) -> Strip {
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

/// One place of the edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgePoint {
    /// Photo place, px.
    pub px: Px,
    /// Unit vector outward on the photo.
    pub outward: Vector2<f64>,
}

/// Light added before the logarithm.
const LIFT: f32 = 0.015;

fn shade(cell: &Cell) -> Option<Vector3<f64>> {
    if cell[0].is_nan() {
        return None;
    }
    let [r, g, b] = [cell[0], cell[1], cell[2]].map(|v| f64::from((v + LIFT).ln()));
    Some(Vector3::new((r + g + b) / 3.0, r - g, b - g))
}

/// Snaps a coarse edge (on the photo, px) to where the thing's own colours end. Places a pixel apart, in order.
pub fn snapped(
    photo: &Photo,
    quads: &[Quad],
    coarse: &[Point2<f64>],
    outside: Vector2<f64>,
    mm_per_px: f64,
) -> Result<Vec<EdgePoint>, SectionError> {
    let columns =
        Columns::along(coarse, (2.0 / mm_per_px).max(6.0), outside).ok_or(SectionError::Faint)?;
    let half = ((REACH_MM / mm_per_px) as usize).clamp(8, 60) + 6;
    let strip = columns.strip(photo, quads, half);
    let n = columns.centre.len();
    let rows = strip.rows;
    let pixels: Vec<Option<Vector3<f64>>> = strip.cells.iter().map(shade).collect();
    // Averaged along the edge: noise of pixels, grain, pins of a comb.
    let along = ((0.6 / mm_per_px) as usize).max(1);
    let shades: Vec<Option<Vector3<f64>>> = (0..n * rows)
        .map(|i| {
            let (c, r) = (i / rows, i % rows);
            pixels[i]?;
            let near = (c.saturating_sub(along)..(c + along + 1).min(n))
                .filter_map(|d| pixels[d * rows + r]);
            let (mut sum, mut m) = (Vector3::zeros(), 0.0);
            for v in near {
                sum += v;
                m += 1.0;
            }
            Some(sum / f64::max(m, 1.0))
        })
        .collect();
    // The thing's own colours beside each stretch of the edge: from well inside.
    let (from, to) = (0, (half as f64 * 0.5) as usize);
    let block = ((4.0 / mm_per_px) as usize).max(12);
    let mut own: Vec<Vector3<f64>> = Vec::new();
    let mut scatter = Vec::new();
    for start in (0..n).step_by(block) {
        let (a, b) = (start.saturating_sub(block), (start + 2 * block).min(n));
        let cells: Vec<Vector3<f64>> = (a..b)
            .flat_map(|c| (from..to).map(move |r| (c, r)))
            .filter_map(|(c, r)| shades[c * rows + r])
            .collect();
        let middle = Vector3::from_fn(|k, _| {
            median(&mut cells.iter().map(|v| v[k]).collect()).unwrap_or(0.0)
        });
        scatter.extend(cells.iter().step_by(5).map(|v| v - middle));
        own.push(middle);
    }
    let least = [0.06, 0.02, 0.02];
    let sd = Vector3::from_fn(|k, _| {
        let off: Vec<f64> = scatter.iter().map(|v| v[k]).collect();
        crate::solve::robust::spread(&off)
            .unwrap_or(0.0)
            .hypot(least[k])
    });
    const CAP: f64 = 14.0;
    let far: Vec<f64> = (0..n * rows)
        .map(|i| {
            let m = own[((i / rows) / block).min(own.len() - 1)];
            shades[i].map_or(f64::NAN, |v| {
                (v - m).component_div(&sd).norm_squared().min(CAP)
            })
        })
        .collect();
    let mut cost = vec![f32::NAN; n * rows];
    for (cost, far) in cost.chunks_mut(rows).zip(far.chunks(rows)) {
        let mut sum = 0.0;
        let column: Vec<f64> = far
            .iter()
            .map(|f| {
                sum += if f.is_finite() { *f } else { CAP } - 0.5 * CAP;
                sum
            })
            .collect();
        let low = column.iter().copied().fold(f64::INFINITY, f64::min);
        for (cost, v) in cost.iter_mut().zip(column) {
            *cost = ((v - low) / CAP) as f32;
        }
    }
    let path = cheapest_path(
        &CostGrid {
            rows,
            columns: n,
            cost: &cost,
        },
        &PathOptions {
            jump: 2,
            slope_cost: 0.4,
            bend_cost: 0.0,
            gap_cost: 8.0,
        },
    )
    .ok_or(SectionError::Faint)?;
    // The cost of a row is the sum up to and with it: the edge lies half a row further out.
    let off: Vec<f64> = path
        .rows
        .iter()
        .map(|r| *r as f64 + 0.5 - half as f64)
        .collect();
    // Where it is there: like the thing inside, unlike outside.
    let clear: Vec<bool> = (0..n)
        .map(|c| {
            let at = path.rows[c];
            let mean = |a: usize, b: usize| {
                let seen: Vec<f64> = (a..b.min(rows))
                    .map(|r| far[c * rows + r])
                    .filter(|v| v.is_finite())
                    .collect();
                (seen.len() >= 2).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
            };
            // A sharpened photo has a bright rim along the edge: not its last pixels.
            let deep = mean(at.saturating_sub(9), at.saturating_sub(2));
            match (deep, mean(at + 1, at + 5)) {
                (Some(inside), Some(outside)) => {
                    inside < 0.6 * CAP && outside > inside + 0.12 * CAP
                }
                _ => false,
            }
        })
        .collect();
    let window = ((1.0 / mm_per_px) as usize).max(3);
    let good = |c: usize| {
        let (a, b) = (c.saturating_sub(window), (c + window + 1).min(n));
        2 * (a..b).filter(|k| clear[*k]).count() > b - a
    };
    // From the middle outward, over gaps of a few millimetres (a speck, a finger), to where it ends.
    let gap = ((4.0 / mm_per_px) as usize).max(8);
    let start = (0..n)
        .filter(|c| good(*c))
        .min_by_key(|c| c.abs_diff(n / 2))
        .ok_or(SectionError::Faint)?;
    let (mut first, mut last) = (start, start);
    for c in (0..start).rev() {
        if good(c) {
            first = c;
        } else if first - c > gap {
            break;
        }
    }
    for c in start..n {
        if good(c) {
            last = c;
        } else if c - last > gap {
            break;
        }
    }
    Ok((first..=last)
        .filter(|c| clear[*c])
        .map(|c| EdgePoint {
            px: Px(columns.px(c, off[c])),
            outward: columns.outward[c],
        })
        .collect())
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
    pub pitch_px: Option<f64>,
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
        let pitch = pins(&strip, &start, half, self.mm_per_px);
        let profile = |range: std::ops::Range<usize>, at: f64, room: usize| -> Option<Vec<f64>> {
            let mut sum = vec![0.0; 2 * room + 1];
            let mut m = 0.0;
            for c in range {
                let shift = start[c] - at;
                let base = half as f64 + at.round() + shift - room as f64;
                let (first, f) = (base.floor(), base - base.floor());
                if first < 0.0 || first as usize + sum.len() >= strip.rows {
                    return None;
                }
                let first = first as usize;
                let own = &light[c * strip.rows + first..c * strip.rows + first + sum.len() + 1];
                if own.iter().any(|v| v.is_nan()) {
                    continue;
                }
                for (s, p) in sum.iter_mut().zip(own.windows(2)) {
                    *s += p[0] * (1.0 - f) + p[1] * f;
                }
                m += 1.0;
            }
            (m > 0.0).then(|| sum.into_iter().map(|s| s / m).collect())
        };
        // Stretches of a centimetre first: where the edge is, and how large its step.
        let block = ((10.0 / self.mm_per_px) as usize).clamp(40, 120).min(n);
        let room = |f: f64| (rim::INSIDE_PX + rim::BEYOND_PX + f.max(0.0)) as usize + 9;
        let mut points = Vec::new();
        let count = (n / block).max(1);
        type Stretch = (std::ops::Range<usize>, Vec<(f64, Rim)>);
        let mut stretches: Vec<Stretch> = Vec::new();
        for b in 0..count {
            let range = b * n / count..(b + 1) * n / count;
            let middle = (range.start + range.end) / 2;
            let found = profile(range.clone(), start[middle], room(face[middle].min(30.0)))
                .map_or_else(Vec::new, |p| {
                    self.candidates(&p, face[middle], pitch.is_some())
                });
            stretches.push((range, found));
        }
        // The edge lies alike off the snapped course all along: a stretch that says otherwise must say it clearly.
        let offset = |middle: usize, rim: &Rim| rim.at + start[middle].round() - start[middle];
        let mut usual: Vec<f64> = stretches
            .iter()
            .filter_map(|(range, found)| {
                let middle = (range.start + range.end) / 2;
                let best = found.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
                Some(offset(middle, &best.1))
            })
            .collect();
        let usual = median(&mut usual).ok_or(SectionError::Faint)?;
        for (range, found) in stretches {
            let (from, to) = (range.start, range.end);
            let middle = (from + to) / 2;
            let worth = |c: &(f64, Rim)| c.0 + FROM_USUAL * (offset(middle, &c.1) - usual).abs();
            let Some((_, coarse)) = found
                .into_iter()
                .min_by(|a, b| worth(a).total_cmp(&worth(b)))
            else {
                continue;
            };
            let shift = coarse.at + (start[middle].round() - start[middle]);
            // Whole pins, or a few columns.
            let station = pitch.map_or(STATION, |p| (p.round() as usize).max(STATION));
            for k in (from..to).step_by(station) {
                let end = (k + station).min(to);
                if end - k < station {
                    continue;
                }
                let mid = (k + end) / 2;
                let at = 0.5 * (start[(k + end - 1) / 2] + start[mid]);
                // Two pins together: not every tip glints.
                let wide = pitch.map_or(0, |_| station / 2);
                let range = k.saturating_sub(wide)..(end + wide).min(n);
                let Some(p) = profile(range, at, room(face[mid])) else {
                    continue;
                };
                let begin = shift - (at.round() - at);
                let rim = match pitch {
                    Some(_) => rim::tips(&p, begin, 2.5, 0.0, Some(coarse.step.signum())),
                    None => rim::read(&p, begin, face[mid].min(30.0), self.blur_px, 5),
                };
                let Some(rim) = rim else {
                    continue;
                };
                if !self.likely(&rim, &coarse, begin) {
                    continue;
                }
                let off = at.round() + rim.at;
                let c = 0.5 * (k + end - 1) as f64;
                let (i, f) = (c.floor() as usize, c - c.floor());
                let j = (i + 1).min(n - 1);
                let centre = columns.centre[i] + (columns.centre[j] - columns.centre[i]) * f;
                let outward = (columns.outward[i] * (1.0 - f) + columns.outward[j] * f).normalize();
                points.push(EdgePoint {
                    px: Px(centre + outward * off),
                    outward,
                });
            }
        }
        if points.len() < 16 {
            return Err(SectionError::Faint);
        }
        Ok(Edge {
            points,
            pitch_px: pitch,
        })
    }

    /// Where the edge may be in the mean profile of a stretch, each with its misfit as a share of the profile's range.
    fn candidates(&self, profile: &[f64], face: f64, comb: bool) -> Vec<(f64, Rim)> {
        let middle = profile.len() / 2;
        let near = profile.get(middle.saturating_sub(6)..(middle + 6).min(profile.len()));
        let (low, high) = near
            .unwrap_or_default()
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (v.min(l), v.max(h))
            });
        let range = high - low;
        if range.is_nan() || range <= 0.0 {
            return Vec::new();
        }
        if comb {
            let reach = (0.8 / self.mm_per_px).max(3.0);
            let glint = 0.8 / self.mm_per_px;
            return rim::tips(profile, 0.0, reach, glint, None)
                .map(|r| (0.0, r))
                .into_iter()
                .collect();
        }
        let face = face.min(30.0);
        // A snapped place may lie at the face's foot.
        [0.0, -1.2, 1.2, -face.max(0.0), face.max(0.0)]
            .iter()
            .filter(|s| s.abs() < 6.0)
            .filter_map(|s| rim::read(profile, *s, face, self.blur_px, 10))
            .filter(|r| r.drop.abs() > LEAST_DROP * range && r.at.abs() < 4.5)
            .map(|r| (r.misfit / range + FROM_START * r.at.abs(), r))
            .collect()
    }

    /// A reading that goes with its neighbourhood.
    fn likely(&self, rim: &Rim, coarse: &Rim, begin: f64) -> bool {
        let ratio = rim.step / coarse.step;
        (0.3..3.0).contains(&ratio) && (rim.at - begin).abs() < 3.5
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
            // A glint or a speck counts for no more than three times the step.
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

/// Pitch of a comb's pins along the edge, px; `None` where there are none: the light along the edge, a little inside,
/// swings evenly. Sum of the spectra of several rows, each stretch for itself; pins hold more than a quarter of the
/// variance (brushed, grained and plain things show under a sixth, pins 0.4 and more: rendered photos).
fn pins(strip: &Strip, start: &[f64], half: usize, mm_per_px: f64) -> Option<f64> {
    let n = start.len();
    let length = ((14.0 / mm_per_px) as usize).clamp(32, 160);
    let (near, far) = (1.2 / mm_per_px, 4.0 / mm_per_px);
    let least = (0.45 / mm_per_px).max(2.2);
    let most = 2.4 / mm_per_px;
    if most < 1.3 * least {
        return None;
    }
    let mut shares = Vec::new();
    let mut periods = Vec::new();
    for from in (0..n.saturating_sub(length)).step_by(length / 2) {
        let mut rows = Vec::new();
        let mut depth = near;
        while depth < far && rows.len() < 12 {
            let mut values = Vec::with_capacity(length);
            for (c, s) in start.iter().enumerate().skip(from).take(length) {
                let r = half as f64 + s - depth;
                let v = strip.column(c).get(r.round().max(0.0) as usize);
                values.push(v.map_or(f64::NAN, |v| f64::from((v[3] + LIFT).ln())));
            }
            if values.iter().all(|v| v.is_finite()) {
                rows.push(even(&values, (most * 1.2) as usize));
            }
            depth += 1.0;
        }
        let total: f64 = rows.iter().flatten().map(|v| v * v).sum::<f64>() / length as f64;
        if rows.len() < 3 || total <= 0.0 {
            continue;
        }
        let steps = 6.0 * length as f64;
        let mut best = (0.0, 0.0);
        let mut k = (steps / most).ceil();
        while k <= steps / least {
            let turn = 2.0 * std::f64::consts::PI * k / steps;
            let power: f64 = rows
                .iter()
                .map(|row| {
                    let (mut re, mut im) = (0.0, 0.0);
                    for (j, v) in row.iter().enumerate() {
                        let (s, c) = (turn * j as f64).sin_cos();
                        re += v * c;
                        im += v * s;
                    }
                    2.0 * (re * re + im * im) / (length as f64).powi(2)
                })
                .sum();
            if power > best.0 {
                best = (power, steps / k);
            }
            k += 2.0;
        }
        shares.push(best.0 / total);
        periods.push(best.1);
    }
    let share = median(&mut shares)?;
    (share > 0.28).then(|| median(&mut periods)).flatten()
}

/// Values less their running mean.
fn even(values: &[f64], half: usize) -> Vec<f64> {
    let n = values.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(half), (i + half + 1).min(n));
            values[i] - values[a..b].iter().sum::<f64>() / (b - a) as f64
        })
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

/// Where a thing's corner is known: a course on the photo through places on the card, `height` above it.
pub fn on_photo(scale: &Scale, places: &[Mm], height_mm: f64) -> Vec<Point2<f64>> {
    places
        .iter()
        .filter_map(|p| scale.px_above(*p, height_mm).map(|p| p.0))
        .collect()
}
