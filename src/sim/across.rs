//! A straightedge laid across a swage, seen side-on: the gap on both sides of the crest is known by its radius and turn.

use super::bench::{Bench, Edge};
use super::rule::{Rests, draw_rule};
use super::scene::Pose;

/// Half the straightedge's length, mm: a short one.
const HALF_MM: f64 = 45.0;
/// Step of the edges, mm.
const STEP_MM: f64 = 0.2;

/// A photo of a straightedge on a crest of this radius (mm) and turn between its flanks (degrees); everything else drawn at
/// random as for any straightedge.
pub fn draw_across(seed: u64, radius_mm: f64, turn_deg: f64, width: usize) -> Bench {
    let mut bench = draw_rule(seed, Rests::Rocks, width).bench;
    let half = (0.5 * turn_deg).to_radians();
    let crest = |x: f64| {
        let (x, end) = (x.abs(), radius_mm * half.sin());
        if x <= end {
            radius_mm - (radius_mm * radius_mm - x * x).sqrt()
        } else {
            radius_mm * (1.0 - half.cos()) + (x - end) * half.tan()
        }
    };
    if let [panel, rule, ..] = bench.shapes.as_mut_slice() {
        (panel.from_mm, panel.to_mm) = (-400.0, 400.0);
        panel.upper = Edge::of(-400.0, 400.0, STEP_MM, |x| crest(x).min(190.0));
        panel.lower = Edge::level(240.0);
        (rule.from_mm, rule.to_mm) = (-HALF_MM, HALF_MM);
        rule.upper = Edge::of(-HALF_MM, HALF_MM, STEP_MM, |_| -26.0);
        rule.lower = Edge::of(-HALF_MM, HALF_MM, STEP_MM, |_| 0.0);
    }
    for sheet in &mut bench.sheets {
        sheet.centre_mm = [4.0, -68.0];
    }
    bench.pose = Pose {
        distance_mm: bench.lens.fx / bench.lens.width as f64 * 240.0,
        aim_mm: [0.0, -25.0],
        yaw_deg: 0.4 * bench.pose.yaw_deg,
        ..bench.pose
    };
    bench
}
