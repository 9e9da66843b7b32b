//! What a smooth map of a card leaves over: corners that don't belong, and the scatter of those that do.
//!
//! A card seen through a lens, on a panel that bows, is a homography and a little more that varies slowly across it. The
//! little more is a polynomial whose order the corners choose themselves (generalised
//! cross-validation, Golub, Heath & Wahba 1979, from memory). A corner is judged by its distance from the map of the
//! others (leave-one-out), so that it can't draw the map to itself.

use super::map::Map;
use super::settle::Known;
use nalgebra::{DMatrix, Point2, Vector2};

/// Drops corners that lie off the map of the rest; returns the scatter of a coordinate about it (standard deviation, px).
///
/// With too few corners to tell (six leave four numbers free) the scatter is never taken below [`LEAST_SIGMA_PX`].
pub fn drop_outliers(known: &mut Known) -> f64 {
    let rounds = known.len() / 3;
    for round in 0..=rounds {
        let Some(fit) = leave_one_out(known) else {
            break;
        };
        let mut sizes: Vec<f64> = fit.off.iter().map(|e| e.norm()).collect();
        sizes.sort_by(f64::total_cmp);
        let worst = sizes.last().copied().unwrap_or(0.0);
        let middle = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
        // The median length of a normal error in the plane is 1.18 standard deviations; one corner in 3000 lies
        // beyond four. The worst go first: they may have spoilt the map for their neighbours.
        let limit = (4.0 / 1.18 * middle).max(FLOOR_PX);
        if worst <= limit || round == rounds {
            return fit.sigma_px.max(LEAST_SIGMA_PX);
        }
        let mut off = fit.off.iter();
        known.retain(|_, _| {
            off.next()
                .is_none_or(|e| e.norm() <= limit.max(0.6 * worst))
        });
    }
    DOUBTFUL_SIGMA_PX
}

/// Corners nearer than this to the map are kept whatever the scatter, px.
const FLOOR_PX: f64 = 0.15;

/// Least scatter claimed, px: half of what grain of 1% leaves in a window of 8 px, the best a photo gives.
const LEAST_SIGMA_PX: f64 = 0.005;

/// Scatter claimed when nothing can be compared, px: what a refined corner of a poor photo has.
const DOUBTFUL_SIGMA_PX: f64 = 0.3;

struct Fit {
    /// Distance of each corner from the map of the others, px, scaled so that corners at the rim, which the map
    /// foretells worse, scatter as those in the middle do.
    off: Vec<Vector2<f64>>,
    sigma_px: f64,
}

fn leave_one_out(known: &Known) -> Option<Fit> {
    let n = known.len();
    let pairs: Vec<_> = known
        .iter()
        .map(|(at, p)| (Point2::new(f64::from(at.0), f64::from(at.1)), *p, 1.0))
        .collect();
    let map = Map::fit(&pairs)?;
    let foretold: Vec<Point2<f64>> = pairs
        .iter()
        .map(|p| map.apply(p.0))
        .collect::<Option<_>>()?;
    let errors: Vec<Vector2<f64>> = pairs.iter().zip(&foretold).map(|(p, m)| p.1 - m).collect();
    // A lens bends the picture, so its polynomial is one of the places in the photo, not on the card.
    let middle = foretold.iter().fold(Vector2::zeros(), |m, p| m + p.coords) / n as f64;
    let size = foretold
        .iter()
        .map(|p| (p.coords - middle).amax())
        .fold(1.0, f64::max);
    // Of the homography's eight numbers the polynomial repeats six.
    let beyond = 2.0;
    let mut best: Option<(f64, Fit)> = None;
    for order in 1..=5i32 {
        let terms: Vec<(i32, i32)> = (0..=order)
            .flat_map(|a| (0..=order - a).map(move |b| (a, b)))
            .collect();
        if order > 1 && 2 * terms.len() > n {
            break;
        }
        let rows = DMatrix::from_fn(n, terms.len(), |r, c| {
            let p = (foretold[r].coords - middle) / size;
            p.x.powi(terms[c].0) * p.y.powi(terms[c].1)
        });
        let svd = rows.svd(true, false);
        let basis = svd.u?;
        let kept: Vec<usize> = (0..basis.ncols())
            .filter(|&k| svd.singular_values[k] > 1e-6 * svd.singular_values[0])
            .collect();
        let mut rest = errors.clone();
        for &k in &kept {
            let along: Vector2<f64> = errors
                .iter()
                .zip(basis.column(k).iter())
                .map(|(e, b)| e * *b)
                .sum();
            for (r, b) in rest.iter_mut().zip(basis.column(k).iter()) {
                *r -= along * *b;
            }
        }
        let used = 2.0 * kept.len() as f64 + beyond;
        let free = 2.0 * n as f64 - used;
        if free < 2.0 {
            break;
        }
        let square: f64 = rest.iter().map(Vector2::norm_squared).sum();
        let score = square / (free * free);
        let off = rest
            .iter()
            .enumerate()
            .map(|(r, e)| {
                let leverage: f64 = kept
                    .iter()
                    .map(|&k| basis[(r, k)] * basis[(r, k)])
                    .sum::<f64>()
                    + beyond / 2.0 / n as f64;
                e / (1.0 - leverage).max(0.05).sqrt()
            })
            .collect();
        if best.as_ref().is_none_or(|b| score < b.0) {
            best = Some((
                score,
                Fit {
                    off,
                    sigma_px: (square / free).sqrt(),
                },
            ));
        }
    }
    best.map(|b| b.1)
}
