//! What stands behind the panel: a wall, a bench with long straight edges, its shadow. Clutter, no truth.

use super::camera::Camera;
use super::scene::Scene;
use super::sensor::{Seen, Sight};
use nalgebra::Vector3;

/// Depth of the bench's front and of the wall behind the panel's plane, mm.
const BENCH_MM: f64 = 120.0;
const WALL_MM: f64 = 420.0;

/// Wall and bench.
#[derive(Debug, Clone)]
pub struct Backdrop {
    colour: [f64; 3],
    top_mm: f64,
    bottom_mm: f64,
}

impl Backdrop {
    /// The scene's.
    pub fn new(scene: &Scene) -> Self {
        let top = scene.dress.bench_mm;
        Backdrop {
            colour: scene.dress.backdrop,
            top_mm: top,
            bottom_mm: top + 110.0,
        }
    }

    /// What a look sees that misses the panel.
    pub fn see(&self, camera: &Camera, direction: &Vector3<f64>, look: &Sight) -> Seen {
        if direction.z < 0.05 {
            return Seen {
                rgb: self.colour.map(|c| (0.5 * c) as f32),
                sharp: false,
            };
        }
        let reach = (BENCH_MM - camera.centre.z) / direction.z;
        let (x, y) = (
            camera.centre.x + direction.x * reach,
            camera.centre.y + direction.y * reach,
        );
        let rate = reach * (look.right[0].powi(2) + look.right[1].powi(2)).sqrt();
        let edge = |field: f64| {
            let px = field / rate;
            ((0.5 + px / look.size_px).clamp(0.0, 1.0), px.abs() < 1.3)
        };
        let (bench, near_top) = edge(y - self.top_mm - 0.01 * x);
        let (floor, near_bottom) = edge(y - self.bottom_mm - 0.012 * x);
        let wall_reach = (WALL_MM - camera.centre.z) / direction.z;
        let wall_x = camera.centre.x + direction.x * wall_reach;
        let wall_y = camera.centre.y + direction.y * wall_reach;
        // The panel's soft shadow on the wall, lower and to one side.
        let shadow = 1.0 - 0.6 * bell((wall_x + 60.0) / 750.0) * bell((wall_y - 60.0) / 330.0);
        let wall = (1.0 - 0.0006 * (wall_y + 300.0)).clamp(0.3, 1.4) * shadow;
        let front = 1.25 - 0.7 * bell((y - self.top_mm) / 60.0);
        let ground = 1.7 - 1.3 * bell((y - self.bottom_mm - 60.0) / 90.0);
        let grey = wall * (1.0 - bench) + bench * (front * (1.0 - floor) + ground * floor);
        Seen {
            rgb: self.colour.map(|c| (c * grey) as f32),
            sharp: near_top || near_bottom,
        }
    }
}

/// 1 at 0, falling to nothing at a few units.
fn bell(t: f64) -> f64 {
    1.0 / (1.0 + t * t * t * t)
}
