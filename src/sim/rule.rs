//! A straightedge standing on a panel's edge, seen side-on, a card in their plane: the light gap is known.
//!
//! The rule is straight and rigid; it comes to rest on the panel where its weight, in its middle, puts it: on the edge of
//! the panel's convex hull over the middle. Nicks in the rule and dirt on the panel are listed, not part of the gap.

use super::bench::{Bench, Cutout, Edge, Ground, Sheet};
use super::camera::Camera;
use super::develop::linear;
use super::draw;
use super::random::Rng;
use super::scene::{Develop, Exposure, Jpeg, Pose};
use super::section::profile_mm;
use crate::lens::Lens;
use crate::units::Px;

/// Step of edges and truth, mm.
const STEP_MM: f64 = 0.5;
/// Width of a rule's body, mm.
const BODY_MM: f64 = 28.0;
/// Step of the edge of a swage, whose arc may be small, mm.
const FINE_MM: f64 = 0.05;

/// How the straightedge stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rests {
    /// High in the middle: contact only there.
    Rocks,
    /// Hollow: contact toward both ends.
    Bridges,
    /// Largest gap under 0.05 mm.
    Even,
}

/// A straightedge photo and what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct RuleScene {
    /// The scene.
    pub bench: Bench,
    /// Along the straightedge from its left end, mm.
    pub s_mm: Vec<f64>,
    /// The gap there, square to the straightedge, mm.
    pub gap_mm: Vec<f64>,
    /// The rule's edge in the photo, at those places.
    pub rule_px: Vec<Px>,
    /// The panel's edge under them.
    pub panel_px: Vec<Px>,
    /// How it stands.
    pub rests: Rests,
    /// Stretches with a nick or dirt, mm along the straightedge.
    pub flaws_mm: Vec<[f64; 2]>,
}

/// A straightedge photo at random; `width` in px, a height of three quarters.
pub fn draw_rule(seed: u64, rests: Rests, width: usize) -> RuleScene {
    let mut rng = Rng::new(seed, 41);
    let length = [300.0, 400.0, 500.0, 600.0][rng.below(4)];
    let panel = panel(&mut rng, rests, length);
    let laid = Laid {
        length,
        rests,
        deep: false,
        held: None,
    };
    stood(&mut rng, seed, panel, laid, width)
}

/// A straightedge laid across a swage, with what is true of the swage.
#[derive(Debug, Clone, PartialEq)]
pub struct SwageScene {
    /// The straightedge and the gap.
    pub rule: RuleScene,
    /// Radius of the arc, mm.
    pub radius_mm: f64,
    /// Turn between the flanks, degrees.
    pub turn_deg: f64,
    /// An inner corner, which the straightedge bridges; else a crest, on which it rocks.
    pub root: bool,
}

/// A straightedge across a swage at random; `width` in px, a height of three quarters.
pub fn draw_across(seed: u64, root: bool, width: usize) -> SwageScene {
    let mut rng = Rng::new(seed, 43);
    let radius_mm = rng.between(4.0f64.ln(), 40.0f64.ln()).exp();
    let turn_deg = rng.between(15.0, 60.0);
    let length = if root {
        [100.0, 150.0, 200.0][rng.below(3)]
    } else {
        [200.0, 250.0, 300.0][rng.below(3)]
    };
    let lean = rng.between(-0.25, 0.25) * turn_deg;
    let lean = lean.clamp(-4.0, 4.0).to_radians();
    let middle = rng.between(-0.12, 0.12) * length;
    let sign = if root { -1.0 } else { 1.0 };
    // The profile turned by its lean, as a polyline; then heights over even steps.
    let (sin, cos) = lean.sin_cos();
    let outline: Vec<[f64; 2]> = (-60_000..=60_000)
        .map(|k| f64::from(k) * 0.01)
        .map(|x| {
            let y = sign * profile_mm(radius_mm, turn_deg, x);
            [middle + x * cos - y * sin, x * sin + y * cos]
        })
        .collect();
    let panel = Edge::of(-length, length, FINE_MM, |x| {
        let k = outline
            .partition_point(|p| p[0] < x)
            .clamp(1, outline.len() - 1);
        let (a, b) = (outline[k - 1], outline[k]);
        a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0])
    });
    // On a crest a hand holds it somewhere between the flanks; a root holds it by itself.
    let between = (lean + rng.between(-0.3, 0.3) * turn_deg.to_radians()).tan();
    let laid = Laid {
        length,
        rests: if root { Rests::Bridges } else { Rests::Rocks },
        deep: true,
        held: (!root).then_some(between),
    };
    SwageScene {
        rule: stood(&mut rng, seed, panel, laid, width),
        radius_mm,
        turn_deg,
        root,
    }
}

/// How a straightedge lies.
struct Laid {
    /// Its length, mm.
    length: f64,
    rests: Rests,
    /// The gap is centimetres wide, and all of it and of the card shows.
    deep: bool,
    /// Slope at which a hand holds it; else it rests by its weight.
    held: Option<f64>,
}

/// A photo of a straightedge standing on a panel.
fn stood(rng: &mut Rng, seed: u64, panel: Edge, laid: Laid, width: usize) -> RuleScene {
    let Laid {
        length,
        rests,
        deep,
        held,
    } = laid;
    let tilt = rng.between(-0.2, 0.2);
    let (height, slope) = match held {
        Some(slope) => touching(&panel, length, slope),
        None => resting(&panel, length, tilt, rests),
    };
    let rule_y = |x: f64| height + slope * x;
    let half = length / 2.0;
    let flaws: Vec<[f64; 2]> = (0..rng.below(3))
        .map(|_| {
            let x = rng.between(-half + 20.0, half - 30.0);
            [x, x + rng.between(3.0, 8.0)]
        })
        .collect();
    let depth = rng.between(0.2, 0.5);
    let notched = Edge::of(-half, half, STEP_MM, |x| {
        let nick = flaws.iter().any(|f| x > f[0] && x < f[1]);
        rule_y(x) - if nick { depth } else { 0.0 }
    });
    let bright = rng.chance(0.5);
    let lens = draw::phone(rng.below(3), width, width * 3 / 4);
    let lift = 0.0;
    let body = Cutout {
        origin_mm: [0.0, 0.0],
        turn_deg: 0.0,
        lift_mm: lift,
        from_mm: -half,
        to_mm: half,
        upper: Edge::of(-half, half, length, |x| rule_y(x) - BODY_MM),
        lower: notched,
        colour: if rng.chance(0.5) {
            linear([176, 148, 112])
        } else {
            linear([172, 178, 184])
        },
        grain: 0.03,
        streak: 0.08,
    };
    let ground = Cutout {
        from_mm: -4000.0,
        to_mm: 4000.0,
        upper: panel.clone(),
        lower: Edge::level(rng.between(110.0, 200.0)),
        colour: linear([[110, 108, 112], [150, 152, 156], [140, 80, 66]][rng.below(3)]),
        grain: 0.03,
        streak: 0.0,
        ..body.clone()
    };
    // The card hangs on the panel's face below the edge or on the rule above it, in the same plane.
    let on_rule = rng.chance(0.5);
    let layout = draw::layout(true, 0);
    let card_x = rng.between(-half * 0.4, half * 0.4);
    // Where the panel falls away beside a crest the card hangs lower.
    let lowest = (-24..=24)
        .map(|k| panel.at(card_x + 4.0 * f64::from(k)).0)
        .fold(f64::NEG_INFINITY, f64::max);
    let on_panel = if lowest - panel.at(card_x).0 > 4.0 {
        lowest + 44.0
    } else {
        panel.at(card_x).0 + 48.0
    };
    let card_y = if on_rule {
        panel.at(card_x).0.min(rule_y(card_x) + 4.0) - BODY_MM - 34.0
    } else {
        on_panel
    };
    let sheet = Sheet {
        layout,
        centre_mm: [card_x, card_y],
        // On the straightedge it is clamped along it.
        turn_deg: rng.between(-3.0, 3.0)
            + if deep && on_rule {
                slope.atan().to_degrees()
            } else {
                0.0
            },
        ..Sheet::default()
    };
    let backdrop = if bright {
        [0.55, 0.55, 0.53]
    } else {
        [0.012, 0.012, 0.013]
    };
    let frame = [-half, 0.0, half]
        .into_iter()
        .flat_map(|x| [rule_y(x) - BODY_MM, panel.at(x).0 + 5.0])
        .chain([card_y - 40.0, card_y + 40.0])
        .fold([f64::INFINITY, f64::NEG_INFINITY], |[a, b], y| {
            [a.min(y), b.max(y)]
        });
    let gradient = (rng.between(1.0, 1.5), rng.between(0.0, 360.0));
    let pose = pose(rng, length, &lens, deep.then_some(frame));
    let bench = Bench {
        surface_seed: seed,
        photo_seed: seed ^ 0x5EED,
        ground: Ground {
            colour: backdrop,
            depth_mm: 300.0,
            mottle: 0.08,
            streak: 0.0,
        },
        blobs: Vec::new(),
        shapes: vec![ground, body],
        sheets: vec![sheet],
        gradient: gradient.0,
        gradient_deg: gradient.1,
        pose,
        lens,
        develop: Develop {
            psf_sigma_px: rng.between(0.6, 0.95),
            vignetting_power: rng.between(0.8, 2.0),
            exposure: Exposure::Auto {
                share: 0.97,
                level: rng.between(0.5, 0.8),
            },
            shimmer: rng.between(0.0, 0.04),
            white_balance: [rng.between(0.95, 1.06), 1.0, rng.between(0.94, 1.06)],
            read_noise: rng.between(0.0007, 0.0018),
            full_well: 8000.0,
            jpeg: Some(Jpeg {
                quality: 90 + rng.below(6) as u8,
                halved: rng.chance(0.5),
            }),
            orientation: 1,
        },
    };
    measured(bench, &panel, half, (height, slope), rests, &flaws)
}

/// The truth along the part of the rule that is seen.
fn measured(
    bench: Bench,
    panel: &Edge,
    half: f64,
    (height, slope): (f64, f64),
    rests: Rests,
    flaws: &[[f64; 2]],
) -> RuleScene {
    let camera = Camera::new(bench.lens, &bench.pose);
    let flat = bench.shapes[0].plane();
    let along = (1.0 + slope * slope).sqrt();
    let mut scene = RuleScene {
        bench,
        s_mm: Vec::new(),
        gap_mm: Vec::new(),
        rule_px: Vec::new(),
        panel_px: Vec::new(),
        rests,
        flaws_mm: flaws
            .iter()
            .map(|f| f.map(|x| (x + half) * along))
            .collect(),
    };
    for i in 0..=(2.0 * half / STEP_MM) as usize {
        let x = -half + i as f64 * STEP_MM;
        let y = height + slope * x;
        // Square to the rule.
        let mut gap = (panel.at(x).0 - y) / along;
        for _ in 0..20 {
            gap = (panel.at(x - slope / along * gap).0 - y) * along;
        }
        let pair = [
            camera.project(flat.point([x, y])),
            camera.project(flat.point([x - slope / along * gap, y + gap / along])),
        ];
        if let [Some(rule), Some(below)] = pair
            && camera.sees(rule)
            && camera.sees(below)
        {
            scene.s_mm.push((x + half) * along);
            scene.gap_mm.push(gap);
            scene.rule_px.push(rule);
            scene.panel_px.push(below);
        }
    }
    scene
}

/// The panel's edge, y down, mm: crowned, hollow or straight, with a little waviness.
fn panel(rng: &mut Rng, rests: Rests, length: f64) -> Edge {
    let half = length / 2.0;
    let rise = match rests {
        Rests::Rocks => rng.between(0.3, 2.0),
        Rests::Bridges => -rng.between(0.3, 1.6),
        Rests::Even => 0.0,
    };
    let waves: Vec<[f64; 3]> = (0..2)
        .map(|_| {
            [
                rng.between(0.15, 0.6) * rise.abs() * 0.15,
                rng.between(90.0, 250.0),
                rng.between(0.0, std::f64::consts::TAU),
            ]
        })
        .collect();
    let lean = rng.between(-0.01, 0.01);
    Edge::of(-2.0 * half, 2.0 * half, STEP_MM, |x| {
        let waves: f64 = waves
            .iter()
            .map(|w| w[0] * (std::f64::consts::TAU * x / w[1] + w[2]).sin())
            .sum();
        rise * (x / half).powi(2) + waves + lean * x
    })
}

/// Height at x = 0 and slope of a straight rule resting on the panel: on the upper hull's edge over its middle, then tilted
/// a little about the contact when it rocks.
fn resting(panel: &Edge, length: f64, tilt: f64, rests: Rests) -> (f64, f64) {
    let half = length / 2.0;
    let points: Vec<(f64, f64)> = (0..=(length / STEP_MM) as usize)
        .map(|i| -half + i as f64 * STEP_MM)
        .map(|x| (x, panel.at(x).0))
        .collect();
    // Upper hull (least y), left to right.
    let mut hull: Vec<(f64, f64)> = Vec::new();
    for &p in &points {
        while let [.., a, b] = hull[..] {
            let turn = (b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0);
            if turn > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(p);
    }
    let over = hull.windows(2).find(|w| w[0].0 <= 0.0 && w[1].0 > 0.0);
    let (a, b) = over.map_or(((-half, 0.0), (half, 0.0)), |w| (w[0], w[1]));
    let slope = (b.1 - a.1) / (b.0 - a.0);
    if rests == Rests::Rocks {
        return touching(panel, length, slope + tilt / half);
    }
    (a.1 - slope * a.0, slope)
}

/// Height at x = 0 of a rule of this slope that touches the panel.
fn touching(panel: &Edge, length: f64, slope: f64) -> (f64, f64) {
    let half = length / 2.0;
    let height = (0..=(2.0 * half / STEP_MM) as usize)
        .map(|i| -half + i as f64 * STEP_MM)
        .map(|x| panel.at(x).0 - slope * x)
        .fold(f64::INFINITY, f64::min);
    (height, slope)
}

/// Side-on, nearly level: the whole rule or most of it.
fn pose(rng: &mut Rng, length: f64, lens: &Lens, frame: Option<[f64; 2]>) -> Pose {
    let mut seen = length * rng.between(0.85, 1.35);
    let mut aim_y = 0.0;
    if let Some([top, bottom]) = frame {
        seen = seen.max(1.1 * length).max(1.6 * (bottom - top));
        aim_y = 0.5 * (top + bottom);
    }
    Pose {
        elevation_deg: rng.between(-3.0, 3.0),
        yaw_deg: rng.between(-8.0, 8.0),
        roll_deg: rng.between(-4.0, 4.0),
        distance_mm: lens.fx / lens.width as f64 * seen,
        aim_mm: [
            rng.between(-30.0, 30.0) * if frame.is_some() { 0.3 } else { 1.0 },
            aim_y + rng.between(-20.0, 20.0) * if frame.is_some() { 0.3 } else { 1.0 },
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rule_never_enters_the_panel_and_touches_where_it_should() {
        for seed in 0..30 {
            for rests in [Rests::Rocks, Rests::Bridges, Rests::Even] {
                let scene = draw_rule(seed, rests, 1008);
                let least = scene.gap_mm.iter().copied().fold(f64::INFINITY, f64::min);
                let most = scene.gap_mm.iter().copied().fold(0.0, f64::max);
                assert!(least > -1e-9, "seed {seed} {rests:?}: {least}");
                match rests {
                    Rests::Even => assert!(most < 0.05, "seed {seed}: {most}"),
                    _ => assert!(most > 0.15, "seed {seed} {rests:?}: {most}"),
                }
                let length = scene.s_mm.last().copied().unwrap_or(0.0) - scene.s_mm[0];
                assert!(length > 200.0, "seed {seed}: {length}");
            }
        }
    }
}
