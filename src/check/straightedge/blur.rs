//! The photo's blur and noise as the gap's own edges show them, where nothing else tells.

use super::bank::{Placed, fit_all};
use super::profile::{Behind, Blur, LIGHTS, Profile};
use super::sharpness::Sharpness;
use rayon::prelude::*;

/// Relative standard uncertainty of a blur read from the gap's own edges.
const UNSURE_BLUR: f64 = 0.1;
/// Blur of a phone's photo in focus, px, where nothing tells (ours, no source).
const USUAL_PX: f64 = 0.95;

/// The blur that the card's edges show, with the standard uncertainty of its width, px; else what photos usually have.
pub fn first_blur(sharp: Option<Sharpness>, chroma_halved: bool) -> (Blur, f64) {
    match sharp {
        Some(s) => (Blur::new(s.sd_px, s.rim, chroma_halved), s.u_px),
        None => (
            Blur::new(USUAL_PX, 0.0, chroma_halved),
            UNSURE_BLUR * USUAL_PX,
        ),
    }
}

/// How much larger than assumed the variance is that the fit leaves, neighbouring rows erring alike (a blur of a pixel and two
/// rows a pixel: each third row is its own).
pub fn noise(all: &[Placed], starts: &[(f64, f64)], blur: &Blur, behind: &Behind) -> f64 {
    let each = vec![*behind; all.len()];
    let mut shares: Vec<f64> = fit_all(all, starts, blur, &each, None)
        .iter()
        .flatten()
        .map(|e| e.square / (e.rows * LIGHTS) as f64)
        .collect();
    shares.sort_by(f64::total_cmp);
    3.0 * shares
        .get(shares.len() / 2)
        .copied()
        .unwrap_or(1.0)
        .max(0.02)
}

/// Profiles that the blur is read from.
const SHARP: usize = 14;

/// Blur and rim that explain the profiles best, the edges fitted anew for each: a gap too wide makes up for a blur too wide,
/// so neither may be held. Read in brightness from the profiles of the highest steps.
pub fn best_blur(
    all: &[Placed],
    starts: &[(f64, f64)],
    start: &Blur,
    behind: &Behind,
    chroma_halved: bool,
) -> Blur {
    let of = |sd_px: f64, rim: f64, lights: usize| Blur {
        lights,
        ..Blur::new(sd_px, rim, chroma_halved)
    };
    let height = |p: &Profile| -> f64 {
        let bright = |v: &[f64; LIGHTS]| v[0];
        let least = p.light.iter().map(bright).fold(f64::INFINITY, f64::min);
        let most = p.light.iter().map(bright).fold(0.0, f64::max);
        // A light that is cut off at full scale has lost its shape.
        if most > 0.97 {
            0.0
        } else {
            (most - least) / (most + least + 0.02)
        }
    };
    let mut order: Vec<(f64, usize)> = all
        .iter()
        .enumerate()
        .filter_map(|(k, (_, p))| Some((height(p.as_ref()?), k)))
        .collect();
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    // The highest third, spread along.
    order.truncate((order.len() / 2).max(SHARP));
    order.sort_by_key(|o| o.1);
    let every = (order.len() / SHARP).max(1);
    let chosen: Vec<usize> = order.iter().step_by(every).map(|o| o.1).collect();
    let costs = |tries: &[Blur]| -> Vec<Vec<f64>> {
        tries
            .par_iter()
            .map(|blur| {
                chosen
                    .iter()
                    .map(|k| {
                        let fitted = all[*k]
                            .1
                            .as_ref()
                            .and_then(|p| p.fit(starts[*k], blur, behind, None));
                        fitted.map_or(f64::NAN, |e| e.square)
                    })
                    .collect()
            })
            .collect()
    };
    // Each profile against its own best: a streak must not outvote the rest.
    let best = |tries: &[Blur]| -> Option<Blur> {
        let costs = costs(tries);
        let least: Vec<f64> = (0..chosen.len())
            .map(|i| costs.iter().map(|c| c[i]).fold(f64::INFINITY, f64::min))
            .collect();
        let total = |c: &[f64]| -> f64 {
            c.iter()
                .zip(&least)
                .map(|(c, l)| {
                    if c.is_nan() || !l.is_finite() {
                        0.0
                    } else {
                        (c / l.max(1e-9)).ln().min(2.5)
                    }
                })
                .sum()
        };
        tries
            .iter()
            .zip(&costs)
            .map(|(b, c)| (total(c), *b))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|b| b.1)
    };
    let coarse: Vec<Blur> = [0.6, 0.72, 0.87, 1.05, 1.3, 1.7]
        .into_iter()
        .flat_map(|sd| [0.0, 0.5, 1.0].map(|rim| of(sd, rim, 1)))
        .collect();
    let Some(near) = best(&coarse) else {
        return *start;
    };
    let fine: Vec<Blur> = [0.93, 1.0, 1.07]
        .into_iter()
        .flat_map(|k| [-0.25, 0.0, 0.25].map(|by| of(near.sd_px * k, (near.rim + by).max(0.0), 1)))
        .collect();
    best(&fine).map_or(*start, |b| of(b.sd_px, b.rim, LIGHTS))
}
