//! How short a wave the line shows: the filter's cut-off, chosen from the line and from the texture beside it.

use super::follow::Followed;
use super::noise::{cleaned, mean_step};
use super::shape::{Piece, floor};
use crate::fit::fair::Fair;

/// Cut-off of the filter: the shortest wave asked for, or longer when the waves between are mostly noise.
///
/// A longer cut-off takes noise off and costs what there is of shape between the two: with L the power it takes off the
/// line and N what it takes off noise alone, the mean square error changes by max(0, L - N) - N (an unbiased estimate of
/// risk in the manner of Mallows' Cp, 1973, from memory). N is what it takes off the phantom readings beside the line
/// ([`Located::phantoms`]), or what white noise of the residuals' density would have there, whichever is more.
///
/// [`Located::phantoms`]: crate::trace::edge::Located::phantoms
pub fn cutoff(pieces: &[Piece], followed: &Followed, mm_per_row: f64, shortest_mm: f64) -> f64 {
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
