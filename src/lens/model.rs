//! Brown–Conrady lens model, OpenCV's coefficients and order (k1, k2, p1, p2, k3).
//!
//! Source: D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971); the form and the
//! signs are those of OpenCV's calib3d documentation.

use nalgebra::{Matrix2, Point2, Vector2};

/// Number of lens parameters that carry covariance.
pub const PARAMETERS: usize = 9;

/// A lens and sensor: pinhole plus radial and tangential distortion, in the frame of the photo it is used with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Photo width, px.
    pub width: usize,
    /// Photo height, px.
    pub height: usize,
    /// Focal length along x, px.
    pub fx: f64,
    /// Focal length along y, px.
    pub fy: f64,
    /// Principal point x, px (pixel centres at whole numbers).
    pub cx: f64,
    /// Principal point y, px.
    pub cy: f64,
    /// Radial, second order.
    pub k1: f64,
    /// Radial, fourth order.
    pub k2: f64,
    /// Tangential.
    pub p1: f64,
    /// Tangential.
    pub p2: f64,
    /// Radial, sixth order.
    pub k3: f64,
}

impl Lens {
    /// A pinhole without distortion, principal point in the middle.
    pub fn pinhole(width: usize, height: usize, focal_px: f64) -> Self {
        Lens {
            width,
            height,
            fx: focal_px,
            fy: focal_px,
            cx: (width as f64 - 1.0) / 2.0,
            cy: (height as f64 - 1.0) / 2.0,
            k1: 0.0,
            k2: 0.0,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        }
    }

    /// Parameters in the order fx, fy, cx, cy, k1, k2, p1, p2, k3 (that of the covariance).
    pub fn parameters(&self) -> [f64; PARAMETERS] {
        [
            self.fx, self.fy, self.cx, self.cy, self.k1, self.k2, self.p1, self.p2, self.k3,
        ]
    }

    /// The same sensor with other parameters (order of [`Lens::parameters`]).
    pub fn with_parameters(&self, p: &[f64; PARAMETERS]) -> Self {
        let [fx, fy, cx, cy, k1, k2, p1, p2, k3] = *p;
        Lens {
            width: self.width,
            height: self.height,
            fx,
            fy,
            cx,
            cy,
            k1,
            k2,
            p1,
            p2,
            k3,
        }
    }

    /// Distorts a ray direction `(x/z, y/z)`.
    pub fn distort(&self, ray: Point2<f64>) -> Point2<f64> {
        let (x, y) = (ray.x, ray.y);
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        Point2::new(
            x * radial + 2.0 * self.p1 * x * y + self.p2 * (r2 + 2.0 * x * x),
            y * radial + self.p1 * (r2 + 2.0 * y * y) + 2.0 * self.p2 * x * y,
        )
    }

    /// Photo place (px) of a ray direction `(x/z, y/z)`.
    pub fn project(&self, ray: Point2<f64>) -> Point2<f64> {
        let d = self.distort(ray);
        Point2::new(self.fx * d.x + self.cx, self.fy * d.y + self.cy)
    }

    /// Ray direction `(x/z, y/z)` of a photo place (px): Newton's method on [`Lens::distort`], to 1e-12.
    ///
    /// Where the model folds over (far outside the photo it was fitted to) the nearest ray reached is returned.
    pub fn ray(&self, px: Point2<f64>) -> Point2<f64> {
        let target = Point2::new((px.x - self.cx) / self.fx, (px.y - self.cy) / self.fy);
        let mut ray = target;
        for _ in 0..20 {
            let miss: Vector2<f64> = target - self.distort(ray);
            if miss.norm() < 1e-13 {
                break;
            }
            match self.slope(ray).try_inverse() {
                Some(inverse) => {
                    let step = inverse * miss;
                    let length = step.norm();
                    ray += if length > 0.2 {
                        step * (0.2 / length)
                    } else {
                        step
                    };
                }
                None => break,
            }
        }
        ray
    }

    /// Photo place of a ray with its derivatives: by the ray (px a unit of `x/z`, `y/z`), and by each parameter in the
    /// order of [`Lens::parameters`] (px a unit of the parameter).
    pub fn project_with_slopes(
        &self,
        ray: Point2<f64>,
    ) -> (Point2<f64>, Matrix2<f64>, [Vector2<f64>; PARAMETERS]) {
        let (x, y) = (ray.x, ray.y);
        let r2 = x * x + y * y;
        let d = self.distort(ray);
        let by_ray = Matrix2::new(self.fx, 0.0, 0.0, self.fy) * self.slope(ray);
        let px = |a: f64, b: f64| Vector2::new(self.fx * a, self.fy * b);
        let by_parameter = [
            Vector2::new(d.x, 0.0),
            Vector2::new(0.0, d.y),
            Vector2::x(),
            Vector2::y(),
            px(x * r2, y * r2),
            px(x * r2 * r2, y * r2 * r2),
            px(2.0 * x * y, r2 + 2.0 * y * y),
            px(r2 + 2.0 * x * x, 2.0 * x * y),
            px(x * r2 * r2 * r2, y * r2 * r2 * r2),
        ];
        let at = Point2::new(self.fx * d.x + self.cx, self.fy * d.y + self.cy);
        (at, by_ray, by_parameter)
    }

    /// Derivative of [`Lens::distort`] with respect to the ray.
    fn slope(&self, ray: Point2<f64>) -> Matrix2<f64> {
        let (x, y) = (ray.x, ray.y);
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        let rise = self.k1 + r2 * (2.0 * self.k2 + r2 * 3.0 * self.k3);
        let (p1, p2) = (self.p1, self.p2);
        Matrix2::new(
            radial + 2.0 * x * x * rise + 2.0 * p1 * y + 6.0 * p2 * x,
            2.0 * x * y * rise + 2.0 * p1 * x + 2.0 * p2 * y,
            2.0 * x * y * rise + 2.0 * p1 * x + 2.0 * p2 * y,
            radial + 2.0 * y * y * rise + 6.0 * p1 * y + 2.0 * p2 * x,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lens() -> Lens {
        Lens {
            k1: 0.12,
            k2: -0.28,
            p1: 0.0008,
            p2: -0.0005,
            k3: 0.15,
            ..Lens::pinhole(4032, 3024, 3000.0)
        }
        .with_parameters(&[
            3000.0, 3010.0, 2015.5, 1511.5, 0.12, -0.28, 0.0008, -0.0005, 0.15,
        ])
    }

    /// Against differences of [`Lens::project`] itself.
    #[test]
    fn slopes_are_those_of_the_projection() {
        let (lens, ray, step) = (lens(), Point2::new(0.31, -0.22), 1e-6);
        let (at, by_ray, by_parameter) = lens.project_with_slopes(ray);
        assert!((at - lens.project(ray)).norm() < 1e-12);
        for (k, unit) in [Vector2::x(), Vector2::y()].into_iter().enumerate() {
            let found =
                (lens.project(ray + unit * step) - lens.project(ray - unit * step)) / (2.0 * step);
            assert!((found - by_ray.column(k)).norm() < 1e-4);
        }
        for (k, slope) in by_parameter.iter().enumerate() {
            let moved = |by: f64| {
                let mut p = lens.parameters();
                p[k] += by;
                lens.with_parameters(&p).project(ray)
            };
            assert!(((moved(step) - moved(-step)) / (2.0 * step) - slope).norm() < 1e-4);
        }
    }

    /// checks.md 11.8 and 11.9: OpenCV 5.0.0 `projectPoints` and the way back.
    #[test]
    fn projects_as_opencv_does() {
        let cases = [
            ([-400.0, -250.0, 1200.0], [1002.858092, 877.006546]),
            ([0.0, 0.0, 1200.0], [2015.5, 1511.5]),
            ([350.0, 200.0, 1100.0], [2980.727472, 2065.335968]),
            ([500.0, -300.0, 1300.0], [3184.363599, 808.146895]),
        ];
        for ([x, y, z], [u, v]) in cases {
            let ray = Point2::new(x / z, y / z);
            let got = lens().project(ray);
            assert!(
                (got.x - u).abs() < 1e-5 && (got.y - v).abs() < 1e-5,
                "{got} and not ({u}, {v})"
            );
            assert!((lens().ray(got) - ray).norm() < 1e-9);
        }
    }
}
