//! The light on both sides of the line, and its profiles across: columns averaged, and every profile fitted at once.

use super::along::Along;
use super::profile::{Behind, Blur, Edges, Expected, LIGHTS, MARGIN_PX, Profile};
use super::tone::Unbent;
use crate::photo::Photo;
use crate::scale::cover::{Quad, masked};
use crate::trace::strip::{Coding, Strip};
use rayon::prelude::*;

/// The strip's light.
pub struct Bank {
    strip: Strip,
    from_y: f64,
    /// Rows a pixel.
    per_px: f64,
}

impl Bank {
    /// Samples the strip, from `stray_mm` above the line to that and a gap of `gap_px` below it.
    pub fn new(
        photo: &Photo,
        quads: &[Quad],
        along: &Along,
        stray_mm: f64,
        gap_px: f64,
        per_px: f64,
    ) -> Bank {
        let stray = stray_mm / along.mm_per_px;
        let above = stray + MARGIN_PX + 6.0;
        let below = stray + gap_px + MARGIN_PX + 6.0;
        let rows = ((above + below) * per_px) as usize + 1;
        let strip = Strip::sample(photo, along.centre.len(), rows, Coding::Linear, |c, r| {
            let p = along.centre[c] + along.normal[c] * (r as f64 / per_px - above);
            (!masked(quads, p)).then_some(p)
        });
        Bank {
            strip,
            from_y: -above,
            per_px,
        }
    }

    /// Mean profile of some columns; `None` when most of them are covered. `tone`: a tone curve taken off each light first.
    pub fn profile(
        &self,
        columns: std::ops::Range<usize>,
        tone: Option<&Unbent>,
    ) -> Option<Profile> {
        let rows = self.strip.rows;
        let mut sum = vec![[0.0; LIGHTS]; rows];
        let mut count = vec![0.0; rows];
        for c in columns.clone() {
            for (r, cell) in self.strip.column(c).iter().enumerate() {
                if cell[0].is_nan() {
                    continue;
                }
                let v = match tone {
                    Some(tone) => cell.map(|v| tone.look_up(v)),
                    None => cell.map(f64::from),
                };
                sum[r][0] += v[3];
                sum[r][1] += v[0] - v[1];
                sum[r][2] += v[2] - v[1];
                count[r] += 1.0;
            }
        }
        let least = 0.5 * columns.len() as f64;
        let whole: Vec<usize> = (0..rows).filter(|r| count[*r] >= least).collect();
        let (&first, &last) = (whole.first()?, whole.last()?);
        // Only an unbroken run of rows about the line.
        let zero = (-self.from_y * self.per_px) as usize;
        let mut from = zero;
        while from > first && count[from - 1] >= least {
            from -= 1;
        }
        let mut to = zero;
        while to < last && count[to + 1] >= least {
            to += 1;
        }
        if count[zero] < least {
            return None;
        }
        Some(Profile {
            y_px: (from..=to)
                .map(|r| self.from_y + r as f64 / self.per_px)
                .collect(),
            light: (from..=to).map(|r| sum[r].map(|s| s / count[r])).collect(),
        })
    }
}

/// A profile and its column.
pub type Placed = (f64, Option<Profile>);

pub fn profiles(bank: &Bank, columns: usize, step: usize, tone: Option<&Unbent>) -> Vec<Placed> {
    (0..columns / step)
        .into_par_iter()
        .map(|k| {
            let range = k * step..(k + 1) * step;
            let middle = (k * step) as f64 + 0.5 * (step - 1) as f64;
            (middle, bank.profile(range, tone))
        })
        .collect()
}

pub fn fit_all(
    all: &[Placed],
    starts: &[(f64, f64)],
    blur: &Blur,
    behind: &[Behind],
    expected: Option<&[Expected]>,
) -> Vec<Option<Edges>> {
    all.par_iter()
        .enumerate()
        .map(|(k, (_, profile))| {
            profile
                .as_ref()?
                .fit(starts[k], blur, &behind[k], expected.map(|e| &e[k]))
        })
        .collect()
}

/// Fits anew from edges already found.
pub fn fit_again(
    all: &[Placed],
    found: &[Option<Edges>],
    blur: &Blur,
    behind: &[Behind],
    expected: &[Expected],
) -> Vec<Option<Edges>> {
    all.par_iter()
        .enumerate()
        .map(|(k, (_, profile))| {
            profile
                .as_ref()?
                .again(found[k].as_ref()?, blur, &behind[k], &expected[k])
        })
        .collect()
}
