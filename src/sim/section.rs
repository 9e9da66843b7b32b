//! A template cut to flank, arc, flank, lying beside a card: its edge is known.

use super::bench::{Bench, Cutout, Edge, Ground, Sheet};
use super::camera::Camera;
use super::develop::linear;
use super::draw;
use super::noise::Ragged;
use super::random::Rng;
use super::scene::{Develop, Exposure, Jpeg, Pose};
use crate::units::Px;

/// Step of the edge's table, mm.
const STEP_MM: f64 = 0.05;

/// What is cut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cut {
    /// Radius of the arc, mm.
    pub radius_mm: f64,
    /// Turn between the flanks, degrees.
    pub turn_deg: f64,
    /// Straight lengths left and right of the arc, mm.
    pub flanks_mm: [f64; 2],
    /// The arc's centre lies on the material's side.
    pub convex: bool,
    /// Thickness: the upper edge lies this much above the card's plane, mm.
    pub thickness_mm: f64,
    /// Standard deviation of the cut about the true line, mm.
    pub rough_mm: f64,
    /// Its correlation length, mm.
    pub correlation_mm: f64,
}

/// A template photo and what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct SectionScene {
    /// The scene; the card is its one sheet.
    pub bench: Bench,
    /// What was meant to be cut.
    pub cut: Cut,
    /// The true edge in the photo, left to right along the template, every half millimetre.
    pub profile_px: Vec<Px>,
}

/// Height of flank, arc, flank over the chord's direction: peak at x = 0, falling (y growing) to both sides, both flanks
/// leaning half the turn; y = 0 at the arc's peak.
pub fn profile_mm(radius_mm: f64, turn_deg: f64, x: f64) -> f64 {
    let half = turn_deg.to_radians() / 2.0;
    let reach = radius_mm * half.sin();
    if x.abs() <= reach {
        radius_mm - (radius_mm * radius_mm - x * x).sqrt()
    } else {
        radius_mm * (1.0 - half.cos()) + (x.abs() - reach) * half.tan()
    }
}

/// A template photo at random; `width` in px, a height of three quarters.
pub fn draw_section(seed: u64, cut: Cut, width: usize) -> SectionScene {
    let mut rng = Rng::new(seed, 51);
    let half = cut.turn_deg.to_radians() / 2.0;
    let reach = cut.radius_mm * half.sin();
    let (from, to) = (
        -reach - cut.flanks_mm[0] * half.cos(),
        reach + cut.flanks_mm[1] * half.cos(),
    );
    let rough = Ragged::new(&mut rng, from, to, cut.rough_mm, cut.correlation_mm);
    let sign = if cut.convex { 1.0 } else { -1.0 };
    // The material lies below the edge; a convex one peaks up, a concave one is a valley.
    let ideal = |x: f64| sign * profile_mm(cut.radius_mm, cut.turn_deg, x);
    let edge = Edge::of(from, to, STEP_MM, |x| ideal(x) + rough.at(x));
    let deepest = ideal(from).max(ideal(to)).max(0.0) + rng.between(15.0, 30.0);
    let lens = draw::phone(rng.below(3), width, width * 3 / 4);
    // The edge faces the card: the card lies above it.
    let origin = [rng.between(-15.0, 15.0), rng.between(35.0, 45.0)];
    let turn_deg = rng.between(-12.0, 12.0);
    let shape = Cutout {
        origin_mm: origin,
        turn_deg,
        lift_mm: cut.thickness_mm,
        from_mm: from,
        to_mm: to,
        upper: edge,
        lower: Edge::level(deepest),
        colour: linear([[206, 200, 184], [176, 150, 112], [222, 222, 220]][rng.below(3)]),
        grain: 0.04,
        streak: 0.0,
    };
    let top = ideal(from).min(ideal(to)).min(0.0);
    let sheet = Sheet {
        layout: draw::layout(false, 100),
        centre_mm: [
            rng.between(-15.0, 15.0),
            origin[1] + top - 0.21 * (to - from) - 75.0,
        ],
        turn_deg: rng.between(-10.0, 10.0),
        ..Sheet::default()
    };
    let colour = linear([[92, 78, 62], [96, 100, 108], [60, 70, 64]][rng.below(3)]);
    let middle = 0.5 * (sheet.centre_mm[1] - 55.0 + origin[1] + deepest);
    let seen = (deepest + origin[1] - sheet.centre_mm[1] + 90.0).max(to - from + 60.0)
        * rng.between(1.35, 1.7);
    let bench = Bench {
        surface_seed: seed,
        photo_seed: seed ^ 0x5EED,
        ground: Ground {
            colour,
            depth_mm: 0.0,
            mottle: 0.05,
            streak: if rng.chance(0.4) { 0.15 } else { 0.0 },
        },
        blobs: Vec::new(),
        shapes: vec![shape],
        sheets: vec![sheet],
        gradient: rng.between(1.0, 1.6),
        gradient_deg: rng.between(0.0, 360.0),
        pose: Pose {
            elevation_deg: rng.between(-9.0, 9.0),
            yaw_deg: rng.between(-9.0, 9.0),
            roll_deg: rng.between(-10.0, 10.0),
            distance_mm: lens.fx / lens.width as f64 * seen,
            aim_mm: [rng.between(-15.0, 15.0), middle + rng.between(-10.0, 10.0)],
        },
        lens,
        develop: Develop {
            psf_sigma_px: rng.between(0.6, 0.95),
            vignetting_power: rng.between(0.8, 2.0),
            exposure: Exposure::Auto {
                share: 0.98,
                level: rng.between(0.55, 0.8),
            },
            shimmer: rng.between(0.0, 0.04),
            white_balance: [rng.between(0.95, 1.06), 1.0, rng.between(0.94, 1.06)],
            read_noise: rng.between(0.0007, 0.0018),
            full_well: 6000.0,
            jpeg: Some(Jpeg {
                quality: 90 + rng.below(6) as u8,
                halved: rng.chance(0.5),
            }),
            orientation: 1,
        },
    };
    let camera = Camera::new(bench.lens, &bench.pose);
    let flat = bench.shapes[0].plane();
    let profile_px = (0..=((to - from) / 0.5) as usize)
        .map(|i| from + 0.5 * i as f64)
        .filter_map(|x| camera.project(flat.point([x, ideal(x)])))
        .filter(|&px| camera.sees(px))
        .collect();
    SectionScene {
        bench,
        cut,
        profile_px,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn profile_is_smooth_and_turns_as_stated() {
        let (r, turn) = (8.0, 50.0);
        let slope = |x: f64| (profile_mm(r, turn, x + 1e-6) - profile_mm(r, turn, x - 1e-6)) / 2e-6;
        assert!(((slope(30.0).atan() - slope(-30.0).atan()).to_degrees() - turn).abs() < 1e-6);
        let join = r * (turn.to_radians() / 2.0).sin();
        assert!((slope(join - 1e-4) - slope(join + 1e-4)).abs() < 1e-3);
        // Arc to chord: sagitta r (1 - cos(turn/2)).
        assert!((profile_mm(r, turn, join) - r * (1.0 - 25f64.to_radians().cos())).abs() < 1e-9);
    }

    #[test]
    fn card_and_edge_are_in_view() {
        for seed in 0..20 {
            let cut = Cut {
                radius_mm: 6.0 + seed as f64,
                turn_deg: 30.0 + 2.0 * seed as f64,
                flanks_mm: [25.0, 35.0],
                convex: seed % 2 == 0,
                thickness_mm: 1.0,
                rough_mm: 0.02,
                correlation_mm: 2.0,
            };
            let scene = draw_section(seed, cut, 1512);
            let camera = Camera::new(scene.bench.lens, &scene.bench.pose);
            let card = &crate::sim::bench::cards(&scene.bench)[0];
            assert!(
                card.corners_px.iter().all(|&p| camera.sees(p)),
                "seed {seed}"
            );
            assert!(
                scene.profile_px.len() > 100,
                "seed {seed}: {}",
                scene.profile_px.len()
            );
        }
    }
}
