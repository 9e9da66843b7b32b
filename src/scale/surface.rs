//! The panel near a swage: a surface that unrolls flat, bowed along one axis.
//!
//! Seen from above (in plan) a door or wing follows a curve of some centimetres over a metre; square to it the flank is
//! straight for the width of a card. So the panel is a developable surface: `a` runs along the bow axis on the surface,
//! `b` square to it, and depth `z` (into the panel, away from the camera when positive) depends on `a` alone:
//! `z = bow a²/2 + skew a³`. Cards lie on it and bend with it, which is why their own millimetres are arc length.

use nalgebra::{Point2, Vector3};

/// Shape of the bow and where it lies in the first card's frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surface {
    /// Curvature at the origin, 1/mm; positive when the ends recede from the camera.
    pub bow: f64,
    /// Third-order term, 1/mm².
    pub skew: f64,
    /// Direction of the bow axis in the first card's frame, rad from its +x toward its +y.
    pub axis_rad: f64,
    /// Origin in the first card's frame, mm: the surface touches the plane of `a` and `b` there.
    pub origin: Point2<f64>,
}

impl Surface {
    /// Space place (plane of `a`, `b`, depth; mm) of a place in the first card's frame.
    pub fn lift(&self, mm: Point2<f64>) -> Vector3<f64> {
        let (s, c) = self.axis_rad.sin_cos();
        let d = mm - self.origin;
        let (a, b) = (d.x * c + d.y * s, d.y * c - d.x * s);
        let (x, z) = self.plan(a);
        Vector3::new(x, b, z)
    }

    /// Curvature along the axis at a place in the first card's frame, 1/mm.
    pub fn curvature(&self, mm: Point2<f64>) -> f64 {
        let (s, c) = self.axis_rad.sin_cos();
        let d = mm - self.origin;
        self.bow + 6.0 * self.skew * (d.x * c + d.y * s)
    }

    /// Plan view: chord and depth (mm) at arc length `a`; chord to third order of the slope's square.
    fn plan(&self, a: f64) -> (f64, f64) {
        let (k, g) = (self.bow, self.skew);
        let a2 = a * a;
        let lost = 0.5 * a2 * a * (k * k / 3.0 + a * (1.5 * k * g + a * 1.8 * g * g));
        (a - lost, a2 * (0.5 * k + g * a))
    }

    /// Where a ray from `eye` along `direction` (both in the frame of [`Surface::lift`]) meets the surface: first card's frame, mm.
    ///
    /// Newton's method on the arc length from the plane's own meeting point; `None` when the ray runs along the panel or
    /// the bow turns away from it.
    pub fn meet(&self, eye: Vector3<f64>, direction: Vector3<f64>) -> Option<Point2<f64>> {
        if direction.z.abs() < 1e-9 {
            return None;
        }
        let mut a = eye.x - eye.z * direction.x / direction.z;
        let mut settled = false;
        for _ in 0..12 {
            let (x, z) = self.plan(a);
            let slope_z = a * (self.bow + 3.0 * self.skew * a);
            let slope_x = 1.0 - 0.5 * slope_z * slope_z;
            let miss = (x - eye.x) * direction.z - (z - eye.z) * direction.x;
            let slope = slope_x * direction.z - slope_z * direction.x;
            if slope.abs() < 1e-9 {
                return None;
            }
            let step = miss / slope;
            a -= step;
            if step.abs() < 1e-10 * (1.0 + a.abs()) {
                settled = true;
                break;
            }
        }
        if !settled || !a.is_finite() {
            return None;
        }
        let (_, z) = self.plan(a);
        let b = eye.y + (z - eye.z) / direction.z * direction.y;
        let (s, c) = self.axis_rad.sin_cos();
        Some(Point2::new(
            self.origin.x + a * c - b * s,
            self.origin.y + a * s + b * c,
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ray_to_a_lifted_place_meets_it() {
        let surface = Surface {
            bow: 2e-4,
            skew: -3e-8,
            axis_rad: 0.1,
            origin: Point2::new(80.0, 50.0),
        };
        let eye = Vector3::new(30.0, -120.0, -900.0);
        for (x, y) in [(-500.0, 20.0), (0.0, 0.0), (80.0, 50.0), (640.0, -130.0)] {
            let place = surface.lift(Point2::new(x, y));
            let met = surface.meet(eye, place - eye).expect("in view");
            assert!((met - Point2::new(x, y)).norm() < 1e-7, "{met}");
        }
    }

    /// Against the arc length of the same curve summed in small steps.
    #[test]
    fn arc_length_is_kept() {
        let surface = Surface {
            bow: 2e-4,
            skew: 3e-8,
            axis_rad: 0.0,
            origin: Point2::origin(),
        };
        let n = 20_000;
        let mut length = 0.0;
        let mut last = surface.lift(Point2::new(0.0, 0.0));
        for i in 1..=n {
            let here = surface.lift(Point2::new(600.0 * i as f64 / n as f64, 0.0));
            length += (here - last).norm();
            last = here;
        }
        // The dropped term is the slope's fourth power over 8: 0.15^4 / 8 of the length at the very end.
        assert!((length - 600.0).abs() < 0.02, "{length}");
    }
}
