//! The straightedge's own course: a straight line, bent no more than straightedges and lenses are, through its edge at all
//! profiles.

use super::along::Along;
use super::profile::{Edges, Expected};
use nalgebra::{Matrix4, Vector4};

/// The straightedge's edge: a straight line, bent no more than straightedges (and lenses) are.
pub struct Rule {
    middle: f64,
    half: f64,
    c: Vector4<f64>,
    covariance: Matrix4<f64>,
    /// Standard uncertainty of what the curve can't follow, px.
    rest_px: f64,
}

impl Rule {
    fn basis(&self, column: f64) -> Vector4<f64> {
        let t = (column - self.middle) / self.half;
        Vector4::new(1.0, t, t * t, t * t * t)
    }

    pub fn at(&self, column: f64) -> Expected {
        let b = self.basis(column);
        Expected {
            y_px: self.c.dot(&b),
            u_px: (b.dot(&(self.covariance * b)).max(0.0))
                .sqrt()
                .hypot(self.rest_px),
        }
    }
}

/// How far a straightedge or batten bends over its length, as a standard uncertainty, mm (half a tenth; ours, no source: a
/// joiner's batten; steel ones to DIN 874 are better by far).
const BEND_MM: f64 = 0.05;
/// Rows of a photo that an unknown lens may bend a line by, px, as a standard uncertainty.
const LENS_BEND_PX: f64 = 4.0;

/// Variance of an edge as a point of the line, px²: the noise assumed is no more than a guess, so twice its sd, and what texture
/// adds to any.
pub fn line_variance(fitted: f64) -> f64 {
    4.0 * fitted + 0.04
}

/// Most that an edge is unsure by, px: what is farther off than two blurs would show.
pub const MOST_UNSURE: f64 = 2.0;

pub fn rule_course(
    place: &[f64],
    edges: &[Option<Edges>],
    along: &Along,
    known_lens: bool,
) -> Option<Rule> {
    let (first, last) = (*place.first()?, *place.last()?);
    let bend_px = BEND_MM / along.mm_per_px;
    let bend = if known_lens {
        bend_px
    } else {
        bend_px.hypot(LENS_BEND_PX)
    };
    let mut rule = Rule {
        middle: 0.5 * (first + last),
        half: (0.5 * (last - first)).max(1.0),
        c: Vector4::zeros(),
        covariance: Matrix4::zeros(),
        rest_px: (0.3 * bend_px).clamp(0.03, 0.5),
    };
    let points: Vec<(f64, f64, f64)> = place
        .iter()
        .zip(edges)
        .filter_map(|(c, e)| {
            let e = e.as_ref()?;
            Some((*c, e.y_px, line_variance(e.covariance[(0, 0)])))
        })
        .collect();
    if points.len() < 6 {
        return None;
    }
    let mut scale = 1.0;
    let mut weights: Vec<f64> = vec![1.0; points.len()];
    for _ in 0..12 {
        let mut normal = Matrix4::zeros();
        let mut side = Vector4::zeros();
        for ((c, y, v), w) in points.iter().zip(&weights) {
            let b = rule.basis(*c);
            let w = w / (v * scale);
            normal += b * b.transpose() * w;
            side += b * (w * y);
        }
        for k in [2, 3] {
            normal[(k, k)] += 1.0 / (bend * bend);
        }
        normal += Matrix4::identity() * 1e-9;
        let inverse = normal.try_inverse()?;
        rule.c = inverse * side;
        rule.covariance = inverse;
        let misses: Vec<f64> = points
            .iter()
            .map(|(c, y, v)| (y - rule.c.dot(&rule.basis(*c))).abs() / v.sqrt())
            .collect();
        let mut sorted = misses.clone();
        sorted.sort_by(f64::total_cmp);
        let sd = (1.4826 * sorted[sorted.len() / 2]).max(0.3);
        scale = sd * sd;
        for (w, m) in weights.iter_mut().zip(&misses) {
            let u = m / (4.685 * sd);
            *w = if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 };
        }
    }
    Some(rule)
}
