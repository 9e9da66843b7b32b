//! A candidate looked along: on which side of it the straightedge stands, where it ends, and what is seen beyond.

use super::StraightedgeError;
use super::ends::{Ends, ends};
use super::find::LEAST_MM;
use super::found::Found;
use super::window::{inside, reach};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::trace::strip::{Cell, Coding, Strip};
use crate::units::Mm;
use nalgebra::{Point2, Vector2};

/// A candidate as a line in the card's plane.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    pub origin: Point2<f64>,
    pub along: Vector2<f64>,
    pub across: Vector2<f64>,
}

/// A candidate with what its sides show.
pub struct Sighted {
    pub line: Line,
    /// Straightedge on the side of -across (else it was turned round).
    ends_mm: [Option<f64>; 2],
    /// How clear each end is, 1 for clear.
    pub strength: [f64; 2],
    /// 1 when the straightedge stands above the panel in the photo, 0 when it doesn't or lies upright.
    pub stands: f64,
    reach_mm: (f64, f64),
    behind: Vec<(f64, [f64; 3])>,
}

impl Sighted {
    pub fn found(self) -> Result<Found, StraightedgeError> {
        let from_mm = self.ends_mm[0].unwrap_or(self.reach_mm.0);
        let to_mm = self.ends_mm[1].unwrap_or(self.reach_mm.1);
        if to_mm - from_mm < LEAST_MM {
            return Err(StraightedgeError::TooShort {
                length_mm: (to_mm - from_mm).max(0.0),
                need_mm: LEAST_MM,
            });
        }
        Ok(Found {
            origin: self.line.origin,
            along: self.line.along,
            across: self.line.across,
            from_mm,
            to_mm,
            ends: self.ends_mm.map(|e| e.is_some()),
            behind: self.behind,
            above: None,
        })
    }
}

/// Bands beside the line whose colours are compared, mm from it.
const BANDS_MM: [(f64, f64); 3] = [(1.5, 6.0), (6.0, 11.0), (11.0, 16.0)];

/// Looks along both sides of a candidate.
pub fn sight(
    photo: &Photo,
    scale: &Scale,
    quads: &[Quad],
    line: Line,
    mm_per_px: f64,
) -> Option<Sighted> {
    let at = |a: f64, b: f64| {
        scale
            .px_from_mm(Mm(line.origin + line.along * a + line.across * b))
            .map(|p| p.0)
    };
    let seen = |a: f64| at(a, 0.0).is_some_and(|p| inside(photo, p));
    if !seen(0.0) {
        return None;
    }
    let (from, to) = reach(seen);
    if to - from < LEAST_MM {
        return None;
    }
    let pitch = mm_per_px.min((to - from) / 400.0);
    let columns = ((to - from) / pitch) as usize + 1;
    let row_mm = (1.5 * mm_per_px).clamp(0.3, 1.0);
    let per_band = |(low, high): (f64, f64)| ((high - low) / row_mm).ceil().max(2.0) as usize;
    // Rows: the three bands of one side, then of the other.
    let rows: Vec<(usize, f64)> = [-1.0, 1.0]
        .into_iter()
        .enumerate()
        .flat_map(|(side, sign)| {
            BANDS_MM.into_iter().enumerate().flat_map(move |(k, band)| {
                let n = per_band(band);
                (0..n).map(move |i| {
                    let share = (i as f64 + 0.5) / n as f64;
                    (3 * side + k, sign * (band.0 + (band.1 - band.0) * share))
                })
            })
        })
        .collect();
    let top = rows.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
    let foot = rows.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
    let verticals: Vec<_> = (0..columns)
        .map(|c| {
            let a = from + c as f64 * pitch;
            at(a, top).zip(at(a, foot))
        })
        .collect();
    let strip = Strip::sample(photo, columns, rows.len(), Coding::Linear, |c, r| {
        let (p, q) = verticals[c]?;
        let p = p + (q - p) * ((rows[r].1 - top) / (foot - top));
        (!masked(quads, p)).then_some(p)
    });
    let mut bands: Vec<Vec<Option<[f64; 3]>>> = vec![Vec::new(); 6];
    for c in 0..columns {
        let column = strip.column(c);
        for (band, out) in bands.iter_mut().enumerate() {
            let cells = || {
                rows.iter()
                    .zip(column)
                    .filter(|(r, cell)| r.0 == band && !cell[0].is_nan())
                    .map(|(_, cell)| cell)
            };
            let n = cells().count();
            let all = rows.iter().filter(|r| r.0 == band).count();
            out.push((2 * n > all).then(|| mean(cells(), n)));
        }
    }
    let ends = [
        ends(&bands, false, from, pitch, mm_per_px),
        ends(&bands, true, from, pitch, mm_per_px),
    ];
    let total = |e: &Ends| e.strength.iter().map(|s| s.min(1.0)).sum::<f64>();
    // Straightedge above the panel: -across points up in the photo.
    let up = at(0.0, -5.0).zip(at(0.0, 5.0)).map_or(0.0, |(m, p)| {
        let d = p - m;
        d.y / d.norm().max(1e-9)
    });
    let upright = if up > 0.3 {
        Some(false)
    } else if up < -0.3 {
        Some(true)
    } else {
        None
    };
    let clear = (total(&ends[0]) - total(&ends[1])).abs() > 0.4;
    let other_side = match (clear, upright) {
        (true, _) => total(&ends[1]) > total(&ends[0]),
        (false, Some(other)) => other,
        (false, None) => false,
    };
    let [near, far] = ends;
    let own = if other_side { far } else { near };
    let line = if other_side {
        Line {
            across: -line.across,
            ..line
        }
    } else {
        line
    };
    let mut behind = Vec::new();
    let up_band = if other_side { 3 } else { 0 };
    for (k, end) in own.at_mm.iter().enumerate() {
        let Some(end) = *end else { continue };
        let sign = if k == 0 { -1.0 } else { 1.0 };
        let colours = || {
            (0..columns).filter_map(|c| {
                let beyond = (from + c as f64 * pitch - end) * sign;
                (beyond > 2.0 && beyond < 25.0).then_some(())?;
                bands[up_band][c]
            })
        };
        let n = colours().count();
        if n > 3 {
            let sum = colours().fold([0.0; 3], |s, c| std::array::from_fn(|i| s[i] + c[i]));
            behind.push((end, sum.map(|s| s / n as f64)));
        }
    }
    Some(Sighted {
        line,
        stands: match upright {
            Some(other) if other == other_side => 1.0,
            _ => 0.0,
        },
        ends_mm: own.at_mm,
        strength: own.strength,
        reach_mm: (from, to),
        behind,
    })
}

fn mean<'c>(cells: impl Iterator<Item = &'c Cell>, n: usize) -> [f64; 3] {
    let sum = cells.fold([0.0; 3], |s: [f64; 3], c| {
        std::array::from_fn(|i| s[i] + f64::from(c[i]))
    });
    sum.map(|s| s / n.max(1) as f64)
}
