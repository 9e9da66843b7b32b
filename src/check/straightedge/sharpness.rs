//! How sharp the photo is, read from the printed card's own edges.
//!
//! Where straightedge and panel touch, a blur taken too wide passes for a gap: the step between them can't tell the one from
//! the other. The card lies in the gap's plane, as sharp as the gap is, and its edges are what a blur is read from: black
//! beside white, their places known. So the blur comes from there. The edge of each black square is averaged along its length
//! into a profile; the profiles of all are averaged; the blur is the one whose step, with its shift, explains them best.

use super::profile::Blur;
use crate::card::{Card, Corner};
use crate::photo::Photo;
use crate::solve::robust::centre_and_spread;
use crate::trace::strip::{Coding, Strip};
use crate::units::Px;
use nalgebra::{Matrix4, Vector2, Vector4};

/// The photo's sharpness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sharpness {
    /// Standard deviation of the blur, px.
    pub sd_px: f64,
    /// What sharpening added, as a share of the edge; see [`Blur::rim`].
    pub rim: f64,
    /// Standard uncertainty of the deviation for an edge elsewhere in the photo, px.
    pub u_px: f64,
}

/// Rows a pixel of a profile.
const PER_PX: f64 = 2.0;
/// Farthest row looked at to either side of an edge, px: beyond the rim of sharpening.
const REACH_PX: f64 = 6.0;
/// Nearest row that must be seen beyond an edge for its blur to be told.
const LEAST_REACH_PX: f64 = 2.5;
/// Fewest edges that say anything.
const LEAST_EDGES: usize = 6;
/// A printed edge and a straightedge's are not quite one shape, and focus falls off across the photo: least relative uncertainty
/// (standard; ours, no source).
const LEAST_SHARE: f64 = 0.03;
/// The same where white is cut off at full scale: a cut edge looks sharper.
const CUT_SHARE: f64 = 0.08;
/// Light that counts as cut off.
const CUT: f64 = 0.97;

/// Reads the blur across edges that run as `along` does in the photo, from the cards in it. `None`: too few edges, or too small.
pub fn sharpness(photo: &Photo, cards: &[Card], along: Vector2<f64>) -> Option<Sharpness> {
    let profiles: Vec<EdgeProfile> = cards
        .iter()
        .flat_map(|card| pairs(card, along).filter_map(|(a, b)| edge(photo, card, a, b)))
        .collect();
    if profiles.len() < LEAST_EDGES {
        return None;
    }
    let mut whole = EdgeProfile::default();
    for p in &profiles {
        whole.cut |= p.cut;
        whole.add(p);
    }
    let rim = best(&whole, &[0.0, 0.25, 0.5, 0.75, 1.0, 1.25])?.1;
    let (low, high) = ((rim - 0.125).max(0.0), rim + 0.125);
    let (sd_px, rim) = best(&whole, &[low, rim, high])?;
    let each: Vec<f64> = profiles
        .iter()
        .filter_map(|p| Some(best(p, &[rim])?.0))
        .collect();
    let (_, scatter) = centre_and_spread(&each)?;
    let share = if whole.cut { CUT_SHARE } else { LEAST_SHARE };
    Some(Sharpness {
        sd_px,
        rim,
        u_px: scatter.min(0.15 * sd_px).max(share * sd_px),
    })
}

/// Neighbouring corners whose joining edge runs along.
fn pairs(card: &Card, along: Vector2<f64>) -> impl Iterator<Item = (&Corner, &Corner)> {
    let columns = card.layout.squares_x.saturating_sub(1).max(1);
    card.corners.iter().flat_map(move |a| {
        card.corners.iter().filter_map(move |b| {
            let beside = b.id == a.id + 1 && b.id % columns != 0;
            let below = b.id == a.id + columns;
            let d = (b.px.0 - a.px.0).normalize();
            ((beside || below) && d.dot(&along).abs() > 0.8).then_some((a, b))
        })
    })
}

/// The mean across one edge or many, black 0 and white 1, from black to white; rows from -[`REACH_PX`] up.
#[derive(Debug, Clone, Default)]
struct EdgeProfile {
    sum: Vec<f64>,
    count: Vec<f64>,
    cut: bool,
}

impl EdgeProfile {
    fn add(&mut self, other: &EdgeProfile) {
        self.sum.resize(ROWS, 0.0);
        self.count.resize(ROWS, 0.0);
        for k in 0..other.sum.len().min(ROWS) {
            self.sum[k] += other.sum[k];
            self.count[k] += other.count[k];
        }
    }

    /// Rows seen, px, and their light.
    fn rows(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let most = self.count.iter().copied().fold(0.0, f64::max);
        (0..self.sum.len())
            .filter(move |k| self.count[*k] > 0.5 * most)
            .map(|k| (row_px(k), self.sum[k] / self.count[k]))
    }
}

const ROWS: usize = (2.0 * REACH_PX * PER_PX) as usize + 1;

fn row_px(k: usize) -> f64 {
    k as f64 / PER_PX - REACH_PX
}

/// The profile across the edge from one corner to the next.
fn edge(photo: &Photo, card: &Card, a: &Corner, b: &Corner) -> Option<EdgeProfile> {
    let (Px(p), Px(q)) = (a.px, b.px);
    let length = (q - p).norm();
    let tangent = (q - p) / length;
    let normal = Vector2::new(-tangent.y, tangent.x);
    // In a white square the marker's black begins where its margin ends.
    let margin = 0.5 * (1.0 - card.layout.marker_mm / card.layout.square_mm) * length - 1.0;
    let clear = margin.min(REACH_PX);
    if clear < LEAST_REACH_PX {
        return None;
    }
    let columns = (0.7 * length) as usize;
    let strip = Strip::sample(photo, columns, ROWS, Coding::Linear, |c, r| {
        Some(p + tangent * (0.15 * length + c as f64) + normal * row_px(r))
    });
    let mut sum = [0.0; ROWS];
    for c in 0..columns {
        for (s, cell) in sum.iter_mut().zip(strip.column(c)) {
            *s += f64::from(cell[3]) / columns as f64;
        }
    }
    if sum.iter().any(|v| v.is_nan()) {
        return None;
    }
    let side = |sign: f64| -> f64 {
        let rows = || (0..ROWS).filter(|k| (1.8..=clear).contains(&(sign * row_px(*k))));
        rows().map(|k| sum[k]).sum::<f64>() / rows().count().max(1) as f64
    };
    let (before, after) = (side(-1.0), side(1.0));
    if before > after {
        sum.reverse();
    }
    let (black, white) = (before.min(after), before.max(after));
    if white - black < 0.03 {
        return None;
    }
    let count = (0..ROWS)
        .map(|k| if row_px(k) <= clear { 1.0 } else { 0.0 })
        .collect::<Vec<f64>>();
    Some(EdgeProfile {
        sum: sum
            .iter()
            .zip(&count)
            .map(|(v, n)| n * (v - black) / (white - black))
            .collect(),
        count,
        cut: white > CUT,
    })
}

/// Deviation and rim that explain a profile best.
fn best(profile: &EdgeProfile, rims: &[f64]) -> Option<(f64, f64)> {
    let rows: Vec<(f64, f64)> = profile.rows().collect();
    let mut top: Option<(f64, f64, f64)> = None;
    for rim in rims {
        let (mut low, mut high) = (0.4f64, 3.0f64);
        // The rest has one valley: shrink by the golden section.
        const GOLDEN: f64 = 0.618_033_988_749_895;
        for _ in 0..22 {
            let (a, b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
            if rest(&rows, a, *rim) < rest(&rows, b, *rim) {
                high = b;
            } else {
                low = a;
            }
        }
        let sd = 0.5 * (low + high);
        let square = rest(&rows, sd, *rim);
        if top.is_none_or(|t| square < t.0) {
            top = Some((square, sd, *rim));
        }
    }
    top.filter(|t| t.0.is_finite()).map(|t| (t.1, t.2))
}

/// What two levels, a slope and a step with a small shift leave of a profile.
fn rest(rows: &[(f64, f64)], sd_px: f64, rim: f64) -> f64 {
    const H: f64 = 0.1;
    let blur = Blur {
        sd_px,
        colour_sd_px: sd_px,
        rim,
        noise: 1.0,
        lights: 1,
    };
    let (mut normal, mut side, mut total) = (Matrix4::zeros(), Vector4::zeros(), 0.0);
    for (y, v) in rows {
        let shift = (blur.step(y + H, 0) - blur.step(y - H, 0)) / (2.0 * H);
        let basis = Vector4::new(1.0, y / REACH_PX, blur.step(*y, 0), shift);
        normal += basis * basis.transpose();
        side += basis * *v;
        total += v * v;
    }
    normal += Matrix4::identity() * 1e-9;
    normal
        .cholesky()
        .map_or(f64::INFINITY, |c| total - c.solve(&side).dot(&side))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A profile of fine sums, which shares no code with the fit.
    fn made_up(sd: f64, shift: f64) -> EdgeProfile {
        let sum: Vec<f64> = (0..ROWS)
            .map(|k| {
                let (mut light, mut total) = (0.0, 0.0);
                for i in -600..=600 {
                    let t = f64::from(i) * 0.01;
                    let w = (-0.5 * (t / sd) * (t / sd)).exp();
                    total += w;
                    if row_px(k) + t > shift {
                        light += w;
                    }
                }
                light / total
            })
            .collect();
        EdgeProfile {
            count: vec![1.0; ROWS],
            sum,
            cut: false,
        }
    }

    /// To half of the least uncertainty that is claimed for it; and no sharpening's rim is seen where there is none, up to a
    /// blur as wide as such a rim.
    #[test]
    fn the_blur_a_profile_was_made_with_is_found() {
        for sd in [0.6, 0.9, 1.4] {
            for shift in [0.0, 0.05] {
                let profile = made_up(sd, shift);
                let got = best(&profile, &[0.0]).expect("a valley");
                assert!((got.0 - sd).abs() < 0.5 * LEAST_SHARE * sd, "{sd}: {got:?}");
                let rimmed = best(&profile, &[0.0, 0.25, 0.5]).expect("a valley");
                assert!(sd > 1.0 || rimmed == got, "{sd}: {rimmed:?}");
            }
        }
    }
}
