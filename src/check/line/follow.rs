//! The line at full size: along the guide, where it is there, to a few hundredths of a pixel.

use super::guide::Guide;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::solve::path::{CostGrid, PathOptions, cheapest_path};
use crate::trace::TraceError;
use crate::trace::edge::{EdgeOptions, Located, locate, spread_out};
use crate::trace::extent::{ExtentOptions, extent};
use crate::trace::hue::{lights, seen_in, sides};
use crate::trace::strip::{Coding, Strip};
use nalgebra::{Point2, Vector2};

/// Rows a photo pixel: finer than a pixel so that a slanting line's own samples fill the profile.
const PITCH_PX: f64 = 0.5;
/// Rows on each side of the guide, px.
const HALF_PX: f64 = 34.0;

/// The traced line on the photo.
#[derive(Debug, Clone)]
pub struct Followed {
    /// Place of each column's middle on the photo, px.
    pub centre: Vec<Point2<f64>>,
    /// Unit vector across, px, toward the guide's +across.
    pub normal: Vec<Vector2<f64>>,
    /// Millimetres a pixel across covers at each column.
    pub mm_per_px: Vec<f64>,
    /// Row of the middle.
    pub middle: f64,
    /// Unbroken stretches of columns.
    pub stretches: Vec<std::ops::Range<usize>>,
    /// The edge at the stations.
    pub edge: Located,
}

impl Followed {
    /// Photo place of a row at a (fractional) column.
    pub fn px(&self, column: f64, row: f64) -> Point2<f64> {
        let last = self.centre.len() - 1;
        let i = (column.floor().max(0.0) as usize).min(last.saturating_sub(1));
        let j = (i + 1).min(last);
        let f = column - i as f64;
        let c = self.centre[i] + (self.centre[j] - self.centre[i]) * f;
        let n = (self.normal[i] * (1.0 - f) + self.normal[j] * f).normalize();
        c + n * ((row - self.middle) * PITCH_PX)
    }

    /// Millimetres a row covers at a column.
    pub fn mm_per_row(&self, column: f64) -> f64 {
        PITCH_PX * self.mm_per_px[(column.max(0.0) as usize).min(self.mm_per_px.len() - 1)]
    }
}

/// Traces the guide's line. `shortest_mm`: waves shorter than this are not shape.
///
/// # Errors
/// [`TraceError`]: faint, too short.
pub fn follow(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    guide: &Guide,
    shortest_mm: f64,
) -> Result<Followed, TraceError> {
    let (centre, normal, mm_per_px) = columns(photo, scale, guide).ok_or(TraceError::OffPanel)?;
    let rows = (2.0 * HALF_PX / PITCH_PX) as usize + 1;
    let middle = (rows / 2) as f64;
    let strip = Strip::sample(photo, centre.len(), rows, Coding::Linear, |c, r| {
        let p = centre[c] + normal[c] * ((r as f64 - middle) * PITCH_PX);
        (!masked(quads, p)).then_some(p)
    });
    let n = centre.len();
    let typical = mm_per_px[n / 2];
    let everywhere: Vec<bool> = (0..n)
        .map(|c| !strip.column(c)[middle as usize][0].is_nan())
        .collect();
    let faint = guide.clear < 2.5;
    let start = if faint {
        vec![middle; n]
    } else {
        near_edge(&strip, middle, &everywhere, guide.neutral).unwrap_or_else(|| vec![middle; n])
    };
    let anchor = anchor_column(&centre, scale, guide);
    let rows_per_mm = 1.0 / (typical * PITCH_PX);
    let gamma = softened(&strip);
    let both = sides(
        &gamma,
        &start,
        &everywhere,
        2.0 * rows_per_mm,
        8.0 * rows_per_mm,
    )
    .ok_or(TraceError::Faint)?;
    let found = extent(
        &gamma,
        &start,
        &ExtentOptions {
            near: (1.8 * rows_per_mm).max(4.0),
            far: (7.5 * rows_per_mm).min(middle - 4.0),
            reach: (6.0 / typical).round().max(3.0) as usize,
            widest_gap: (25.0 / typical) as usize,
            step: std::array::from_fn(|i| both.below[i] - both.above[i]),
            anchor,
        },
    )
    .ok_or(TraceError::Faint)?;
    // The last pixel and a half beside a boundary mixes both.
    let trim = (1.5 + 0.8 / typical).round() as usize;
    let stretches: Vec<std::ops::Range<usize>> = found
        .stretches
        .iter()
        .map(|s| (s.start + trim).min(s.end)..s.end.saturating_sub(trim).max(s.start))
        .filter(|s| s.len() as f64 * typical > 15.0)
        .collect();
    let mut usable = vec![false; n];
    for s in &stretches {
        for c in s.clone() {
            usable[c] = everywhere[c];
        }
    }
    for part in &found.unseen {
        usable[part.clone()].fill(false);
    }
    let seen_mm = usable.iter().filter(|u| **u).count() as f64 * typical;
    if seen_mm < 60.0 {
        return Err(TraceError::TooShort {
            seen_mm,
            need_mm: 60.0,
        });
    }
    let station = ((1.6 / typical).round() as usize).max(2);
    let station_mm = station as f64 * typical;
    let options = |wide_mm: f64| EdgeOptions {
        pitch_px: PITCH_PX,
        station,
        wide: ((wide_mm / typical).round() as usize).max(station),
        shortest: (shortest_mm / station_mm).max(3.0),
        blurs_px: vec![0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0],
    };
    let mut edge = None;
    for wide_mm in if faint { vec![24.0] } else { vec![6.0, 24.0] } {
        edge = locate(&strip, &start, &usable, &options(wide_mm));
        if edge.as_ref().is_some_and(|e| e.rough_px < 0.5) {
            break;
        }
    }
    let edge = edge.ok_or(TraceError::Faint)?;
    Ok(Followed {
        centre,
        normal,
        mm_per_px,
        middle,
        stretches,
        edge,
    })
}

/// Place, unit normal and mm a pixel of columns.
pub type Columns = (Vec<Point2<f64>>, Vec<Vector2<f64>>, Vec<f64>);

/// Columns a pixel apart along the guide where it shows on the photo: place, unit normal, mm a pixel across.
pub fn columns(photo: &Photo, scale: &Scale, guide: &Guide) -> Option<Columns> {
    const EVERY: f64 = 8.0;
    let (first, last) = (guide.course.first()?.0, guide.course.last()?.0);
    let b_at = |a: f64| {
        let k = guide
            .course
            .partition_point(|p| p.0 <= a)
            .clamp(1, guide.course.len() - 1);
        let (p, q) = (guide.course[k - 1], guide.course[k]);
        p.1 + (q.1 - p.1) * ((a - p.0) / (q.0 - p.0)).clamp(-3.0, 4.0)
    };
    let inside = |p: &Point2<f64>| {
        p.x >= 1.0
            && p.y >= 1.0
            && p.x <= photo.width as f64 - 3.0
            && p.y <= photo.height as f64 - 3.0
    };
    // Knots about eight pixels apart, straight between them.
    let mut knots: Vec<(Point2<f64>, Vector2<f64>, f64)> = Vec::new();
    let margin = guide.course[1].0 - first;
    let mut a = first - margin;
    while a <= last + margin {
        let b = b_at(a);
        let at = scale.px_from_mm(guide.mm(a, b));
        let ahead = scale.px_from_mm(guide.mm(a + 0.5, b_at(a + 0.5)));
        let (Some(at), Some(ahead)) = (at, ahead) else {
            a += 4.0;
            continue;
        };
        let tangent = ahead.0 - at.0;
        let px_per_mm = tangent.norm() / 0.5;
        if px_per_mm.is_nan() || px_per_mm < 1e-3 {
            return None;
        }
        if inside(&at.0) {
            let side = scale.px_from_mm(guide.mm(a, b + 1.0))?;
            let t = tangent.normalize();
            let mut n = Vector2::new(-t.y, t.x);
            let toward = (side.0 - at.0).dot(&n);
            if toward < 0.0 {
                n = -n;
            }
            knots.push((at.0, n, 1.0 / toward.abs().max(1e-6)));
        } else if !knots.is_empty() {
            break;
        }
        a += EVERY / px_per_mm;
    }
    if knots.len() < 8 {
        return None;
    }
    let mut out: Columns = (Vec::new(), Vec::new(), Vec::new());
    for pair in knots.windows(2) {
        let length = (pair[1].0 - pair[0].0).norm();
        let n = length.round().max(1.0) as usize;
        for i in 0..n {
            let f = i as f64 / n as f64;
            out.0.push(pair[0].0 + (pair[1].0 - pair[0].0) * f);
            out.1
                .push((pair[0].1 * (1.0 - f) + pair[1].1 * f).normalize());
            out.2.push(pair[0].2 * (1.0 - f) + pair[1].2 * f);
        }
    }
    Some(out)
}

fn anchor_column(centre: &[Point2<f64>], scale: &Scale, guide: &Guide) -> usize {
    let away = |p: &Point2<f64>| {
        scale
            .mm_from_px(crate::units::Px(*p))
            .map_or(f64::INFINITY, |m| (guide.ab(m).0 - guide.anchor).abs())
    };
    let coarse = (0..centre.len())
        .step_by(8)
        .min_by(|a, b| away(&centre[*a]).total_cmp(&away(&centre[*b])));
    coarse.unwrap_or(0)
}

/// The strip with square-rooted light: steps in dark and light paint weigh alike.
fn softened(strip: &Strip) -> Strip {
    Strip {
        columns: strip.columns,
        rows: strip.rows,
        cells: strip
            .cells
            .iter()
            .map(|c| c.map(|v| v.max(0.0).sqrt()))
            .collect(),
    }
}

/// Course of the strongest edge within a few pixels of the guide, for a start: a cheapest path.
fn near_edge(strip: &Strip, middle: f64, usable: &[bool], shade: bool) -> Option<Vec<f64>> {
    const BLOCK: usize = 8;
    const REACH: i64 = 18;
    // A change of shade may take a dozen pixels; a narrow look would find one end of it.
    let box_rows: i64 = if shade { 16 } else { 6 };
    let start = vec![middle; strip.columns];
    let both = sides(strip, &start, usable, 10.0, 26.0)?;
    let all = lights(&both);
    // The difference of the sides' own colours is the fourth when all three colours differ; any light that is there will do.
    let light = all.get(3).or_else(|| all.last())?;
    let grey = seen_in(strip, light);
    let blocks = strip.columns.div_ceil(BLOCK);
    let rows = (2 * REACH + 1) as usize;
    let mut cost = vec![f32::NAN; blocks * rows];
    for block in 0..blocks {
        let columns = block * BLOCK..((block + 1) * BLOCK).min(strip.columns);
        let mut mean = vec![0f32; strip.rows];
        let mut n = 0f32;
        for c in columns {
            if usable[c] {
                for (m, v) in mean
                    .iter_mut()
                    .zip(&grey.values[c * grey.rows..(c + 1) * grey.rows])
                {
                    *m += v;
                }
                n += 1.0;
            }
        }
        if n == 0.0 {
            continue;
        }
        for r in 0..rows as i64 {
            let at = middle as i64 + r - REACH;
            let side = |from: i64| -> f32 {
                (from..from + box_rows)
                    .map(|k| mean.get(k.max(0) as usize).copied().unwrap_or(f32::NAN))
                    .sum::<f32>()
                    / (box_rows as f32 * n)
            };
            let step = side(at + 1) - side(at - box_rows);
            cost[block * rows + r as usize] = 1.0 - step.clamp(-0.5, 1.6);
        }
    }
    let grid = CostGrid {
        rows,
        columns: blocks,
        cost: &cost,
    };
    let options = PathOptions {
        jump: 3,
        slope_cost: 0.04,
        bend_cost: 0.04,
        gap_cost: 0.9,
    };
    let path = cheapest_path(&grid, &options)?;
    let readings: Vec<f64> = path
        .rows
        .iter()
        .map(|r| *r as f64 - REACH as f64 + middle)
        .collect();
    let weight: Vec<f64> = path
        .seen
        .iter()
        .map(|s| if *s { 1.0 } else { 0.0 })
        .collect();
    let smooth = crate::trace::smooth::course(&readings, &weight, 8.0, 3)?;
    Some(spread_out(&smooth.value, BLOCK, strip.columns))
}
