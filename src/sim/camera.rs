//! Where a camera stands: from panel millimetres to pixels and back to rays.

use super::scene::Pose;
use crate::lens::Lens;
use crate::units::Px;
use nalgebra::{Matrix3, Point2, Point3, Vector3};

/// A camera in the panel frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Lens, in the frame of the upright photo.
    pub lens: Lens,
    /// Turns panel directions into camera directions (x right, y down, z into the scene).
    pub camera_from_panel: Matrix3<f64>,
    /// The camera's centre in the panel frame, mm.
    pub centre: Point3<f64>,
    /// Rays up to this far from the axis are projected: a fifth beyond the photo's corners. Farther out a lens model may
    /// fold back into the photo.
    reach: f64,
}

impl Camera {
    /// A camera standing as `pose` says.
    pub fn new(lens: Lens, pose: &Pose) -> Self {
        let (e, a) = (pose.elevation_deg.to_radians(), pose.yaw_deg.to_radians());
        let away = Vector3::new(a.sin() * e.cos(), -e.sin(), -a.cos() * e.cos());
        let centre = Point3::new(pose.aim_mm[0], 0.0, 0.0) + away * pose.distance_mm;
        Camera::looking_at(
            lens,
            centre,
            Point3::new(pose.aim_mm[0], pose.aim_mm[1], 0.0),
            pose.roll_deg,
        )
    }

    /// A camera at `centre` whose axis meets `aim`, turned about it by `roll_deg` (positive: the picture turns
    /// anticlockwise); the panel's y points down in the picture when it is not turned.
    pub fn looking_at(lens: Lens, centre: Point3<f64>, aim: Point3<f64>, roll_deg: f64) -> Self {
        let forward = (aim - centre).normalize();
        let right = Vector3::new(0.0, 1.0, 0.0).cross(&forward).normalize();
        let down = forward.cross(&right);
        let upright =
            Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
        let (sin, cos) = roll_deg.to_radians().sin_cos();
        let roll = Matrix3::new(cos, sin, 0.0, -sin, cos, 0.0, 0.0, 0.0, 1.0);
        Camera {
            lens,
            camera_from_panel: roll * upright,
            centre,
            reach: 1.2 * corner_ray(&lens),
        }
    }

    /// Where a panel point appears; none behind the camera.
    pub fn project(&self, point: Point3<f64>) -> Option<Px> {
        let p = self.camera_from_panel * (point - self.centre);
        let ray = Point2::new(p.x / p.z, p.y / p.z);
        (p.z > 1.0 && ray.coords.norm() < self.reach).then(|| Px(self.lens.project(ray)))
    }

    /// Panel direction of a ray `(x/z, y/z)`; its component along the camera's axis is 1.
    pub fn direction(&self, ray: [f64; 2]) -> Vector3<f64> {
        self.camera_from_panel
            .tr_mul(&Vector3::new(ray[0], ray[1], 1.0))
    }

    /// Is a place within the photo's pixels?
    pub fn sees(&self, px: Px) -> bool {
        let inside = |v: f64, n: usize| v >= 0.0 && v <= n as f64 - 1.0;
        inside(px.0.x, self.lens.width) && inside(px.0.y, self.lens.height)
    }
}

/// The longest ray of the photo's four corners.
fn corner_ray(lens: &Lens) -> f64 {
    let (w, h) = (lens.width as f64 - 1.0, lens.height as f64 - 1.0);
    [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)]
        .into_iter()
        .map(|(x, y)| lens.ray(Point2::new(x, y)).coords.norm())
        .fold(0.0, f64::max)
}

/// The lens of the stored pixels, given that of the upright photo and the EXIF orientation (1, 3, 6 or 8; others are
/// left as they are).
///
/// A turned sensor swaps the axes; the tangential terms turn with them.
pub fn stored_lens(upright: &Lens, orientation: u8) -> Lens {
    let l = *upright;
    let (w, h) = (l.width as f64 - 1.0, l.height as f64 - 1.0);
    match orientation {
        3 => Lens {
            cx: w - l.cx,
            cy: h - l.cy,
            p1: -l.p1,
            p2: -l.p2,
            ..l
        },
        6 => Lens {
            width: l.height,
            height: l.width,
            fx: l.fy,
            fy: l.fx,
            cx: l.cy,
            cy: w - l.cx,
            p1: -l.p2,
            p2: l.p1,
            ..l
        },
        8 => Lens {
            width: l.height,
            height: l.width,
            fx: l.fy,
            fy: l.fx,
            cx: h - l.cy,
            cy: l.cx,
            p1: l.p2,
            p2: -l.p1,
            ..l
        },
        _ => l,
    }
}

/// Index of the upright pixel stored at `(x, y)` of the stored picture; sizes are the upright photo's.
pub fn upright_of_stored(
    x: usize,
    y: usize,
    width: usize,
    height: usize,
    orientation: u8,
) -> (usize, usize) {
    match orientation {
        3 => (width - 1 - x, height - 1 - y),
        6 => (width - 1 - y, x),
        8 => (y, height - 1 - x),
        _ => (x, y),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn camera_level_and_square_sees_the_aim_in_the_middle() {
        let lens = Lens::pinhole(1001, 801, 800.0);
        let camera = Camera::new(
            lens,
            &Pose {
                distance_mm: 400.0,
                ..Pose::default()
            },
        );
        let at = |x, y| {
            camera
                .project(Point3::new(x, y, 0.0))
                .map(|p| (p.0.x, p.0.y))
        };
        assert_eq!(at(0.0, 0.0), Some((500.0, 400.0)));
        // 2 px a millimetre; panel y is down in the picture.
        assert_eq!(at(10.0, 20.0), Some((520.0, 440.0)));
    }

    #[test]
    fn elevation_lifts_the_camera_above_the_line() {
        let pose = Pose {
            elevation_deg: 10.0,
            yaw_deg: 5.0,
            ..Pose::default()
        };
        let camera = Camera::new(Lens::pinhole(1001, 801, 800.0), &pose);
        assert!(camera.centre.y < 0.0 && camera.centre.x > 0.0 && camera.centre.z < 0.0);
    }

    #[test]
    fn turned_sensor_sees_the_same_scene() {
        let mut lens = Lens::pinhole(400, 300, 350.0);
        (lens.fx, lens.fy, lens.cx, lens.cy) = (351.0, 349.0, 203.0, 140.0);
        (lens.k1, lens.k2, lens.p1, lens.p2, lens.k3) = (-0.1, 0.03, 4e-4, -7e-4, 0.01);
        let ray = Point2::new(0.2, -0.3);
        let up = lens.project(ray);
        let cases = [
            (3, Point2::new(-ray.x, -ray.y)),
            (6, Point2::new(ray.y, -ray.x)),
            (8, Point2::new(-ray.y, ray.x)),
        ];
        for (orientation, turned) in cases {
            let at = stored_lens(&lens, orientation).project(turned);
            // Undo the turn on the stored place, as a viewer does: it must be the upright place.
            let back = match orientation {
                3 => Point2::new(399.0 - at.x, 299.0 - at.y),
                6 => Point2::new(399.0 - at.y, at.x),
                _ => Point2::new(at.y, 299.0 - at.x),
            };
            assert!((back - up).norm() < 1e-9, "{orientation}: {back} {up}");
        }
    }
}
