//! The metal: two flanks and an arc, bowed in plan, as a depth over the card flank's plane, and where a ray meets it.
//!
//! Derivation, in the section at x, `v` counted from the corner of the flanks toward the card flank, depth positive
//! away from the camera: 0 on the card flank; `-v tan(turn)` on the other; between, from `v = t = r tan(turn/2)` to
//! `v = -t cos(turn)`, the arc `r - sqrt(r^2 - (v - t)^2)`. The middle of the arc lies `r (1/cos(turn/2) - 1)` from
//! the corner along the bisector (checks of the trade: chord, tangent length and miss of an arc).

use super::scene::Panel;
use nalgebra::{Point3, Vector3};

/// Lattice of the crest's table, mm. Waves of 60 mm and more: straight between points is within 1e-4 mm.
const STEP_MM: f64 = 0.25;

/// A panel ready for rays.
#[derive(Debug, Clone)]
pub struct Shape {
    from_mm: f64,
    to_mm: f64,
    radius_mm: [f64; 2],
    /// +1 when the card flank lies below the crest (larger y), else -1.
    side: f64,
    /// +1 crest, -1 root.
    sense: f64,
    turn: f64,
    tan_turn: f64,
    cos_turn: f64,
    half_tan: f64,
    /// Corner from the arc's middle, as a share of the radius, along y.
    corner: f64,
    curvature: f64,
    crest: Vec<f64>,
}

/// A place where a ray meets the panel.
#[derive(Debug, Clone, Copy)]
pub struct Hit {
    /// The place, panel frame, mm.
    pub point: Point3<f64>,
    /// Outward normal (toward the camera's side), unit length.
    pub normal: Vector3<f64>,
}

impl Shape {
    /// Prepares a panel.
    pub fn new(panel: &Panel) -> Self {
        let turn = panel.turn_deg.to_radians();
        let half = turn / 2.0;
        let count = ((panel.to_mm - panel.from_mm) / STEP_MM).ceil() as usize + 2;
        let crest = (0..count)
            .map(|i| crest_mm(panel, panel.from_mm + i as f64 * STEP_MM))
            .collect();
        Shape {
            from_mm: panel.from_mm,
            to_mm: panel.to_mm,
            radius_mm: panel.radius_mm,
            side: if panel.cards_below { 1.0 } else { -1.0 },
            sense: if panel.root { -1.0 } else { 1.0 },
            turn,
            tan_turn: turn.tan(),
            cos_turn: turn.cos(),
            half_tan: half.tan(),
            corner: (1.0 / half.cos() - 1.0) * half.sin(),
            curvature: 8.0 * panel.bow_mm_per_m
                / (1e6 + 4.0 * panel.bow_mm_per_m * panel.bow_mm_per_m),
            crest,
        }
    }

    /// Height of the crest (the middle of the arc) at x, and its slope; mm, y down.
    pub fn crest(&self, x: f64) -> (f64, f64) {
        let t = ((x - self.from_mm) / STEP_MM).clamp(0.0, (self.crest.len() - 2) as f64);
        let i = t as usize;
        let rise = self.crest[i + 1] - self.crest[i];
        (self.crest[i] + rise * (t - i as f64), rise / STEP_MM)
    }

    /// Radius of the arc at x, mm.
    pub fn radius(&self, x: f64) -> f64 {
        let t = (x - self.from_mm) / (self.to_mm - self.from_mm);
        (self.radius_mm[0] + (self.radius_mm[1] - self.radius_mm[0]) * t.clamp(0.0, 1.0)).max(1e-3)
    }

    /// Turn between the flanks, radians.
    pub fn turn(&self) -> f64 {
        self.turn
    }

    /// Its cosine.
    pub fn cos_turn(&self) -> f64 {
        self.cos_turn
    }

    /// +1 when the card flank lies below the crest, else -1.
    pub fn side(&self) -> f64 {
        self.side
    }

    /// Extent of the arc in y about the crest: (toward the card flank, toward the other), both positive, mm.
    pub fn arc_reach(&self, x: f64) -> (f64, f64) {
        let r = self.radius(x);
        let (t, c) = (r * self.half_tan, r * self.corner);
        (t - c, t * self.cos_turn + c)
    }

    /// Ends of the arc in y below the crest's height: (upper, lower), the upper negative, mm.
    pub fn arc_ends(&self, x: f64) -> (f64, f64) {
        let (toward, other) = self.arc_reach(x);
        if self.side > 0.0 {
            (-other, toward)
        } else {
            (-toward, other)
        }
    }

    /// Depth of the bow at x and its slope; a circle, mm.
    pub fn bow(&self, x: f64) -> (f64, f64) {
        let s = (self.curvature * x).clamp(-0.9, 0.9);
        let c = (1.0 - s * s).sqrt();
        (x * s / (1.0 + c), s / c)
    }

    /// x of a distance along the bowed flank from x = 0, mm.
    pub fn x_of_arc(&self, along: f64) -> f64 {
        if self.curvature.abs() < 1e-12 {
            along
        } else {
            (self.curvature * along).sin() / self.curvature
        }
    }

    /// Distance along the bowed flank of x, mm.
    pub fn arc_of_x(&self, x: f64) -> f64 {
        let s = (self.curvature * x).clamp(-0.9, 0.9);
        if s.abs() < 1e-9 {
            x
        } else {
            s.asin() / self.curvature
        }
    }

    /// Depth z at (x, y) with its slopes along x and y.
    pub fn depth(&self, x: f64, y: f64) -> (f64, f64, f64) {
        let (bow, bow_x) = self.bow(x);
        let (crest, crest_x) = self.crest(x);
        let r = self.radius(x);
        // From the corner of the flanks; in a root the arc's middle lies on the same side of it.
        let v = self.side * (y - crest) + r * self.corner;
        let t = r * self.half_tan;
        let (h, h_v) = if v >= t {
            (0.0, 0.0)
        } else if v <= -t * self.cos_turn {
            (-v * self.tan_turn, -self.tan_turn)
        } else {
            let u = v - t;
            let c = (r * r - u * u).max(1e-12).sqrt();
            (r - c, u / c)
        };
        let (h, h_v) = (self.sense * h, self.sense * h_v);
        (bow + h, bow_x - self.side * h_v * crest_x, self.side * h_v)
    }

    /// The point of the panel at (x, y).
    pub fn point(&self, x: f64, y: f64) -> Point3<f64> {
        Point3::new(x, y, self.depth(x, y).0)
    }

    /// The crest at x.
    pub fn crest_point(&self, x: f64) -> Point3<f64> {
        self.point(x, self.crest(x).0)
    }

    /// First meeting of a ray with the panel, carried on past its rims as far as it runs. `near` is a neighbouring ray's
    /// meeting, if there is one; else the search starts at reach `start`. None when they do not meet.
    ///
    /// Newton's method along the ray; from a neighbour's tangent plane one step is within 1e-6 mm.
    pub fn hit(
        &self,
        origin: &Point3<f64>,
        direction: &Vector3<f64>,
        near: Option<&Hit>,
        start: f64,
    ) -> Option<Hit> {
        let mut reach = match near {
            Some(hit) => hit.normal.dot(&(hit.point - origin)) / hit.normal.dot(direction),
            None => start,
        };
        for _ in 0..12 {
            let p = origin + direction * reach;
            let (z, z_x, z_y) = self.depth(p.x, p.y);
            let rate = direction.z - z_x * direction.x - z_y * direction.y;
            // Seen at less than a degree, or past the turn of the surface.
            if rate < 0.02 || !(1.0..1e5).contains(&reach) {
                return None;
            }
            let step = (z - p.z) / rate;
            reach += step;
            if step.abs() < 2e-4 {
                let normal = Vector3::new(z_x, z_y, -1.0) / (1.0 + z_x * z_x + z_y * z_y).sqrt();
                return Some(Hit {
                    point: p + direction * step,
                    normal,
                });
            }
        }
        None
    }
}

/// The crest's height at x as the scene says, mm, y down.
fn crest_mm(panel: &Panel, x: f64) -> f64 {
    let waves: f64 = panel
        .waves
        .iter()
        .map(|w| w.amplitude_mm * (std::f64::consts::TAU * x / w.wavelength_mm + w.phase).sin())
        .sum();
    let dents: f64 = panel
        .dents
        .iter()
        .map(|d| d.height_mm * (-0.5 * ((x - d.at_mm) / d.sigma_mm).powi(2)).exp())
        .sum();
    let gap = match panel.gap {
        Some(g) if x > g.at_mm => g.step_mm + (x - g.at_mm) * g.angle_deg.to_radians().tan(),
        _ => 0.0,
    };
    waves + dents + gap + x * panel.slope_deg.to_radians().tan()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::scene::Wave;

    #[test]
    fn arc_joins_the_flanks_without_a_kink() {
        for (below, root) in [(true, false), (false, false), (true, true)] {
            let shape = Shape::new(&Panel {
                turn_deg: 30.0,
                cards_below: below,
                root,
                ..Panel::default()
            });
            let (toward, other) = shape.arc_reach(0.0);
            for edge in [shape.side() * toward, -shape.side() * other] {
                let (a, b) = (shape.depth(0.0, edge - 1e-6), shape.depth(0.0, edge + 1e-6));
                assert!(
                    (a.0 - b.0).abs() < 1e-5 && (a.2 - b.2).abs() < 1e-5,
                    "{a:?} {b:?}"
                );
            }
            // Far away the other flank leans by the turn.
            let (_, _, slope) = shape.depth(0.0, -shape.side() * 100.0);
            assert!((slope.abs().atan().to_degrees() - 30.0).abs() < 1e-9);
        }
    }

    #[test]
    fn crest_is_the_middle_of_the_arc() {
        // Radius 8 mm, turn 45°: the arc's middle lies 0.659137602 mm from the corner (8 (1/cos 22.5° - 1), computed),
        // here split into y and depth by the bisector.
        let panel = Panel {
            turn_deg: 45.0,
            radius_mm: [8.0, 8.0],
            ..Panel::default()
        };
        let shape = Shape::new(&panel);
        let middle = shape.crest_point(0.0);
        assert!((middle.z - 0.659_137_602 * (22.5f64).to_radians().cos()).abs() < 1e-8);
        let (_, _, slope) = shape.depth(0.0, 0.0);
        assert!((slope.abs().atan().to_degrees() - 22.5).abs() < 1e-9);
    }

    #[test]
    fn bow_has_the_stated_sagitta_and_length() {
        // R = c^2/(8h) + h/2: 1000 mm and 2.5 mm make 50001.25 mm.
        let shape = Shape::new(&Panel {
            bow_mm_per_m: 2.5,
            ..Panel::default()
        });
        assert!((shape.bow(500.0).0 - 2.5).abs() < 1e-9);
        assert!((1.0 / shape.curvature - 50_001.25).abs() < 1e-6);
        assert!((shape.arc_of_x(shape.x_of_arc(400.0)) - 400.0).abs() < 1e-9);
    }

    #[test]
    fn ray_meets_the_surface_it_was_aimed_at() {
        let panel = Panel {
            bow_mm_per_m: 20.0,
            turn_deg: 35.0,
            waves: vec![Wave {
                amplitude_mm: 0.4,
                wavelength_mm: 90.0,
                phase: 1.0,
            }],
            ..Panel::default()
        };
        let shape = Shape::new(&panel);
        let origin = Point3::new(120.0, -200.0, -900.0);
        for (x, y) in [(-500.0, -150.0), (300.0, 0.1), (10.0, -0.8), (600.0, 120.0)] {
            let want = shape.point(x, y);
            let direction = (want - origin) / 900.0;
            let hit = shape
                .hit(&origin, &direction, None, 500.0)
                .expect("the ray was aimed at the panel");
            assert!((hit.point - want).norm() < 1e-5, "{} {want}", hit.point);
        }
    }
}
