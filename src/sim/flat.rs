//! A flat thing in the scene (a stiff card, a board, a bench top) and where a ray meets it.

use super::camera::Camera;
use super::sensor::Sight;
use nalgebra::{Point3, Vector3};

/// A plane with its own axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flat {
    /// Where its own coordinates are zero.
    pub origin: Point3<f64>,
    /// Its x, unit length.
    pub right: Vector3<f64>,
    /// Its y, unit length, square to x.
    pub down: Vector3<f64>,
}

/// A place on a surface and how it moves from pixel to pixel, in the surface's own millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// The place.
    pub at: [f64; 2],
    /// Its change per pixel to the right.
    pub right: [f64; 2],
    /// Its change per pixel down.
    pub down: [f64; 2],
}

impl Flat {
    /// Its normal, away from the side that is looked at (x right, y down).
    pub fn normal(&self) -> Vector3<f64> {
        self.right.cross(&self.down)
    }

    /// The point at its own coordinates.
    pub fn point(&self, at: [f64; 2]) -> Point3<f64> {
        self.origin + self.right * at[0] + self.down * at[1]
    }

    /// Where a look meets it; none from behind or at less than a tenth of a degree.
    pub fn meet(&self, camera: &Camera, direction: &Vector3<f64>, look: &Sight) -> Option<Place> {
        let normal = self.normal();
        let facing = normal.dot(direction);
        if facing < 2e-3 {
            return None;
        }
        let reach = normal.dot(&(self.origin - camera.centre)) / facing;
        if reach <= 0.0 {
            return None;
        }
        let own = |v: Vector3<f64>| [v.dot(&self.right), v.dot(&self.down)];
        let per_pixel = |change: [f64; 2]| {
            let turned = camera
                .camera_from_panel
                .tr_mul(&Vector3::new(change[0], change[1], 0.0));
            own((turned - direction * (normal.dot(&turned) / facing)) * reach)
        };
        Some(Place {
            at: own(camera.centre + direction * reach - self.origin),
            right: per_pixel(look.right),
            down: per_pixel(look.down),
        })
    }
}

impl Place {
    /// Share of a look of `size_px` in which a field worth `field` mm here, with this gradient, is positive; and
    /// whether its edge is near.
    pub fn cover(&self, field: f64, gradient: [f64; 2], size_px: f64) -> (f64, bool) {
        let along = |step: [f64; 2]| gradient[0] * step[0] + gradient[1] * step[1];
        let rate = (along(self.right).powi(2) + along(self.down).powi(2))
            .sqrt()
            .max(1e-9);
        let px = field / rate;
        ((0.5 + px / size_px).clamp(0.0, 1.0), px.abs() < 1.3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lens::Lens;
    use crate::sim::scene::Pose;

    #[test]
    fn place_moves_from_pixel_to_pixel_as_it_says() {
        let lens = Lens::pinhole(400, 300, 350.0);
        let pose = Pose {
            elevation_deg: 20.0,
            yaw_deg: -15.0,
            roll_deg: 7.0,
            ..Pose::default()
        };
        let camera = Camera::new(lens, &pose);
        let flat = Flat {
            origin: Point3::new(30.0, -20.0, 5.0),
            right: Vector3::x(),
            down: Vector3::new(0.0, 0.6, 0.8),
        };
        let at = |x: f64, y: f64| {
            let ray = lens.ray(nalgebra::Point2::new(x, y));
            let look = Sight {
                ray: [ray.x, ray.y],
                right: [1.0 / 350.0, 0.0],
                down: [0.0, 1.0 / 350.0],
                size_px: 1.0,
            };
            flat.meet(&camera, &camera.direction(look.ray), &look)
                .expect("in front")
        };
        let (here, there) = (at(210.0, 160.0), at(210.01, 159.98));
        for i in 0..2 {
            let want = 0.01 * here.right[i] - 0.02 * here.down[i];
            assert!((there.at[i] - here.at[i] - want).abs() < 1e-4);
        }
        let seen = camera.project(flat.point(here.at)).expect("in front");
        assert!((seen.0.x - 210.0).abs() < 1e-9 && (seen.0.y - 160.0).abs() < 1e-9);
    }
}
