//! Points from the photo to millimetres, with how each moves when the scale's parameters do.

use super::solve::Scale;
use crate::budget::Part;
use crate::units::{Mm, Px};
use nalgebra::{DMatrix, DVector, Vector2};

/// Points in the first card's frame with their common uncertainty.
#[derive(Debug, Clone)]
pub struct Placed {
    /// Places, mm, in the order given.
    pub points: Vec<Mm>,
    /// Derivative of each point's x and y with respect to the scale's parameters.
    pub slopes: Vec<[DVector<f64>; 2]>,
    /// Covariance of those parameters by source.
    pub covariance: Vec<(Part, DMatrix<f64>)>,
}

/// The derivative changes slowly along a line: it is computed at every so many points and interpolated between.
const EVERY: usize = 12;

impl Scale {
    /// Carries photo places to millimetres; `None` when a ray misses the panel.
    ///
    /// The places should run along a line: derivatives are interpolated between every twelfth.
    pub fn carry(&self, places: &[Px]) -> Option<Placed> {
        self.carry_above(places, 0.0)
    }

    /// As [`Scale::carry`] for places `height` mm in front of the panel, toward the camera.
    pub fn carry_above(&self, places: &[Px], height: f64) -> Option<Placed> {
        let points: Vec<Mm> = places
            .iter()
            .map(|p| self.mm_above(*p, height))
            .collect::<Option<_>>()?;
        let n = places.len();
        let mut knots: Vec<usize> = (0..n).step_by(EVERY).collect();
        if n > 1 && knots.last() != Some(&(n - 1)) {
            knots.push(n - 1);
        }
        let mut at_knots = Vec::with_capacity(knots.len());
        for k in &knots {
            at_knots.push(self.slope(places[*k], height)?);
        }
        let mut slopes = Vec::with_capacity(n);
        let mut k = 0;
        for i in 0..n {
            while k + 1 < knots.len() && knots[k + 1] <= i {
                k += 1;
            }
            if k + 1 < knots.len() {
                let t = (i - knots[k]) as f64 / (knots[k + 1] - knots[k]) as f64;
                let mix = |j: usize| &at_knots[k][j] * (1.0 - t) + &at_knots[k + 1][j] * t;
                slopes.push([mix(0), mix(1)]);
            } else {
                slopes.push(at_knots[k].clone());
            }
        }
        Some(Placed {
            points,
            slopes,
            covariance: self.covariance.clone(),
        })
    }

    fn slope(&self, px: Px, height: f64) -> Option<[DVector<f64>; 2]> {
        const STEP: f64 = 1e-3;
        let n = self.parameters.len();
        let mut out = [DVector::zeros(n), DVector::zeros(n)];
        for j in 0..n {
            let mut p = self.parameters.clone();
            p[j] += STEP;
            let up = self.frame.state_of(&p, self.photo).mm_above(px.0, height)?;
            p[j] -= 2.0 * STEP;
            let down = self.frame.state_of(&p, self.photo).mm_above(px.0, height)?;
            let d: Vector2<f64> = (up - down) / (2.0 * STEP);
            out[0][j] = d.x;
            out[1][j] = d.y;
        }
        Some(out)
    }
}
