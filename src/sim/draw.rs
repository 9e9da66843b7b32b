//! Scenes drawn at random: what a workshop's photos vary in, from a seed.

use super::camera::Camera;
use super::develop::linear;
use super::random::Rng;
use super::scene::{
    Chip, Coat, Dent, Develop, Dress, Exposure, Gap, Jpeg, Light, Look, Panel, Paper, PlacedCard,
    Pose, Scene, Stripe, Wave,
};
use super::shape::Shape;
use crate::card::Layout;
use crate::lens::Lens;
use crate::units::Px;
use nalgebra::Point3;

/// Which sort of look is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LookKind {
    /// The edge of a tape.
    Tape,
    /// Coat sanded off on one side.
    Coat,
    /// Shade alone.
    Shade,
}

/// The sort of line photo to draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineKind {
    /// What makes the line visible.
    pub look: LookKind,
    /// Camera level with the line (within 2°), else 5° to 19° above, or sometimes below, it.
    pub level: bool,
    /// Two panels with a gap.
    pub gap: bool,
    /// How many cards, 1 to 3.
    pub cards: usize,
    /// Photo width, px; the height is three quarters of it.
    pub width: usize,
}

/// Grounds, tapes, coats and papers as a workshop has them (sRGB).
const GROUNDS: [[u8; 3]; 8] = [
    [196, 199, 200],
    [150, 153, 155],
    [226, 226, 224],
    [168, 84, 68],
    [222, 190, 146],
    [224, 178, 170],
    [104, 142, 112],
    [118, 120, 124],
];
const FILLERS: [[u8; 3]; 3] = [[222, 190, 146], [224, 178, 170], [206, 205, 188]];
const TAPES: [[u8; 3]; 4] = [
    [70, 132, 204],
    [74, 160, 96],
    [216, 200, 150],
    [226, 196, 70],
];
const COATS: [[u8; 3]; 3] = [[44, 44, 46], [66, 78, 104], [140, 142, 144]];
const PAPERS: [[u8; 3]; 3] = [[196, 164, 122], [224, 222, 214], [150, 120, 86]];

/// Three made-up phone lenses, as shares of the photo's width: focal lengths, principal point off the middle,
/// k1, k2, p1, p2, k3. Ordinary phones: 65° to 70° across, distortion from none to a few percent at the corner.
const PHONES: [[f64; 9]; 3] = [
    [
        0.7510, 0.7512, 0.0031, 0.0012, 0.031, -0.058, 0.0002, -0.0004, 0.021,
    ],
    [
        0.7745, 0.7741, -0.0027, 0.0019, -0.108, 0.046, -0.0005, 0.0007, -0.013,
    ],
    [
        0.7280, 0.7284, 0.0012, -0.0034, 0.002, 0.006, 0.0003, 0.0002, -0.004,
    ],
];

/// A made-up phone's lens (0 to 2; more wrap round) for upright photos of this size.
pub fn phone(index: usize, width: usize, height: usize) -> Lens {
    let [fx, fy, dx, dy, k1, k2, p1, p2, k3] = PHONES[index % PHONES.len()];
    let w = width as f64;
    let (cx, cy) = (
        (w - 1.0) / 2.0 + dx * w,
        (height as f64 - 1.0) / 2.0 + dy * w,
    );
    Lens {
        width,
        height,
        fx: fx * w,
        fy: fy * w,
        cx,
        cy,
        k1,
        k2,
        p1,
        p2,
        k3,
    }
}

/// A card of the built-in kind with ids of its own: a long strip or a broad card.
pub fn layout(strip: bool, first_id: usize) -> Layout {
    let (name, squares_x, squares_y, square_mm, marker_mm) = if strip {
        ("strip", 12, 4, 15.0, 10.5)
    } else {
        ("card", 9, 6, 18.0, 13.5)
    };
    Layout {
        name: format!("{name}-{first_id}"),
        dictionary: "DICT_4X4_250".to_owned(),
        squares_x,
        squares_y,
        square_mm,
        marker_mm,
        first_id,
    }
}

/// A line photo of any sort.
pub fn line(seed: u64) -> Scene {
    let mut rng = Rng::new(seed, 1);
    let kind = LineKind {
        look: [LookKind::Tape, LookKind::Coat, LookKind::Shade][rng.below(3)],
        level: rng.chance(0.5),
        gap: rng.chance(0.3),
        cards: [1, 2, 2, 2, 3][rng.below(5)],
        width: 2016,
    };
    line_of(seed, &kind)
}

/// A line photo of one sort.
pub fn line_of(seed: u64, kind: &LineKind) -> Scene {
    let mut rng = Rng::new(seed, 2);
    let cards_below = rng.chance(0.5);
    let panel = panel(&mut rng, kind.gap, cards_below);
    let below = rng.chance(0.5);
    let ground = linear(rng.pick(&GROUNDS));
    let look = match kind.look {
        LookKind::Tape => tape(&mut rng, ground),
        LookKind::Coat => Look::Coat(coat(&mut rng, &panel, ground, below)),
        LookKind::Shade => Look::Shade,
    };
    let light = light(&mut rng, &panel, kind.look == LookKind::Shade);
    let dress = dress(&mut rng, &panel, ground, kind.look);
    let height = kind.width * 3 / 4;
    let lens = phone(rng.below(3), kind.width, height);
    let pose = pose(&mut rng, kind, &panel, &lens);
    let mut scene = Scene {
        surface_seed: seed,
        photo_seed: seed ^ 0x5EED,
        panel,
        look,
        dress,
        cards: Vec::new(),
        light,
        pose,
        lens,
        develop: develop(&mut rng),
    };
    scene.cards = cards(&mut rng, kind, &scene);
    scene
}

/// A stripe photo: a shorter swage with a larger radius, seen from near by.
pub fn stripe(seed: u64, root: bool, width: usize) -> Scene {
    let kind = LineKind {
        look: LookKind::Shade,
        level: false,
        gap: false,
        cards: 2,
        width,
    };
    let mut scene = line_of(seed, &kind);
    let mut rng = Rng::new(seed, 5);
    let (near, far) = (rng.between(6.0, 11.0), rng.between(9.0, 18.0));
    scene.panel.radius_mm = if rng.chance(0.5) {
        [near, far]
    } else {
        [far, near]
    };
    scene.panel.turn_deg = if root {
        rng.between(20.0, 40.0)
    } else {
        rng.between(25.0, 55.0)
    };
    scene.panel.root = root;
    scene.panel.from_mm = -rng.between(220.0, 330.0);
    scene.panel.to_mm = rng.between(220.0, 330.0);
    scene.panel.dents.clear();
    scene.panel.waves.truncate(1);
    scene.dress.paper = None;
    scene.dress.patches = None;
    scene.look = Look::Stripe(Stripe {
        colour: apart(&mut rng, &COATS, scene.dress.ground, 0.15),
        strength: rng.between(0.75, 0.95),
        raggedness_mm: rng.between(0.06, 0.13),
        correlation_mm: rng.between(1.5, 4.0),
        softness_mm: rng.between(0.15, 0.25),
    });
    // Both flanks in sight: a little toward the one that leans away, or out of a root's.
    let other = if scene.panel.cards_below == root {
        -1.0
    } else {
        1.0
    };
    let aim = if scene.panel.cards_below { 1.0 } else { -1.0 };
    scene.pose = Pose {
        elevation_deg: other * scene.panel.turn_deg * 0.35 + rng.between(-5.0, 5.0),
        yaw_deg: rng.between(-10.0, 10.0),
        roll_deg: rng.between(-4.0, 4.0),
        distance_mm: scene.lens.fx / scene.lens.width as f64 * rng.between(480.0, 640.0),
        aim_mm: [rng.between(-30.0, 30.0), aim * rng.between(0.0, 40.0)],
    };
    scene.cards = cards(&mut rng, &kind, &scene);
    scene
}

/// The same panel from two poses, for partner and repeat checks.
pub fn pair(seed: u64, kind: &LineKind) -> [Scene; 2] {
    let first = line_of(seed, kind);
    let mut rng = Rng::new(seed, 3);
    let mut second = first.clone();
    second.photo_seed = first.photo_seed.wrapping_add(1);
    // The cards must be seen whole from both. Should no pose drawn do, the camera has hardly moved.
    second.pose.aim_mm[0] += 1.0;
    let shape = Shape::new(&first.panel);
    for _ in 0..200 {
        let pose = pose(&mut rng, kind, &first.panel, &first.lens);
        let camera = Camera::new(first.lens, &pose);
        if first.cards.iter().all(|c| seen_whole(&camera, &shape, c)) {
            second.pose = pose;
            break;
        }
    }
    [first, second]
}

/// Three overlapping photos of a swage 3 m long, four cards along it, a card shared by neighbours.
pub fn long_swage(seed: u64, look: LookKind, width: usize) -> [Scene; 3] {
    let kind = LineKind {
        look,
        level: true,
        gap: false,
        cards: 4,
        width,
    };
    let mut base = line_of(seed, &kind);
    let mut rng = Rng::new(seed, 4);
    (base.panel.from_mm, base.panel.to_mm) = (-1500.0, 1500.0);
    base.panel.bow_mm_per_m = rng.between(0.0, 12.0);
    base.dress.paper = None;
    if let Look::Coat(coat) = &mut base.look {
        coat.chips.clear();
    }
    let y = if base.panel.cards_below { 75.0 } else { -75.0 };
    base.cards = [-1150.0, -500.0, 500.0, 1150.0]
        .into_iter()
        .enumerate()
        .map(|(k, x)| PlacedCard {
            layout: layout(true, 24 * k),
            centre_mm: [x + rng.between(-40.0, 40.0), y + rng.between(-10.0, 25.0)],
            turn_deg: rng.between(-3.0, 3.0),
            stiff: false,
            print_scale: [1.0, 1.0],
        })
        .collect();
    [0u64, 1, 2].map(|k| {
        let mut scene = base.clone();
        scene.photo_seed = base.photo_seed.wrapping_add(k);
        scene.pose = Pose {
            elevation_deg: rng.between(-1.5, 1.5),
            yaw_deg: rng.between(-6.0, 6.0),
            roll_deg: rng.between(-2.0, 2.0),
            distance_mm: scene.lens.fx / scene.lens.width as f64 * rng.between(1380.0, 1440.0),
            aim_mm: [(k as f64 - 1.0) * 850.0, rng.between(-60.0, 60.0)],
        };
        scene
    })
}

fn panel(rng: &mut Rng, gap: bool, cards_below: bool) -> Panel {
    let half = rng.between(500.0, 700.0);
    let waves = (0..2 + rng.below(3))
        .map(|_| {
            let wavelength_mm = (rng.between(62f64.ln(), 600f64.ln())).exp();
            Wave {
                amplitude_mm: rng.between(0.03, 0.2 + wavelength_mm / 1000.0),
                wavelength_mm,
                phase: rng.between(0.0, std::f64::consts::TAU),
            }
        })
        .collect();
    let dents = if rng.chance(0.35) {
        let height_mm = rng.between(0.4, 1.2) * if rng.chance(0.5) { 1.0 } else { -1.0 };
        vec![Dent {
            height_mm,
            at_mm: rng.between(-350.0, 350.0),
            sigma_mm: rng.between(15.0, 45.0),
        }]
    } else {
        Vec::new()
    };
    let radius = rng.between(2.2, 10.0);
    Panel {
        from_mm: -half,
        to_mm: rng.between(500.0, 700.0),
        above_mm: rng.between(170.0, 450.0),
        below_mm: rng.between(160.0, 400.0),
        turn_deg: rng.between(12.0, 33.0),
        radius_mm: [radius, radius * rng.between(0.7, 1.35)],
        root: false,
        cards_below,
        bow_mm_per_m: rng.between(0.0, 14.0),
        waves,
        dents,
        slope_deg: rng.between(-0.3, 0.3),
        gap: gap.then(|| Gap {
            at_mm: rng.between(-220.0, 220.0),
            width_mm: rng.between(3.0, 5.0),
            step_mm: rng.between(-1.5, 1.5),
            angle_deg: rng.between(-0.6, 0.6),
        }),
    }
}

/// One of a list that differs from a ground by `least` in some channel (linear light); the most different when none does.
fn apart(rng: &mut Rng, list: &[[u8; 3]], ground: [f64; 3], least: f64) -> [f64; 3] {
    let differ = |c: &[f64; 3]| (0..3).map(|i| (c[i] - ground[i]).abs()).fold(0.0, f64::max);
    let mut colours: Vec<[f64; 3]> = list.iter().map(|&c| linear(c)).collect();
    colours.sort_by(|a, b| differ(b).total_cmp(&differ(a)));
    let enough = colours.iter().filter(|c| differ(c) > least).count().max(1);
    rng.pick(&colours[..enough])
}

fn tape(rng: &mut Rng, ground: [f64; 3]) -> Look {
    let colour = apart(rng, &TAPES, ground, 0.12);
    Look::Tape {
        colour,
        below: rng.chance(0.5),
        width_mm: rng.between(12.0, 25.0),
    }
}

fn coat(rng: &mut Rng, panel: &Panel, ground: [f64; 3], below: bool) -> Coat {
    let colour = apart(rng, &COATS, ground, 0.18);
    let chips = (0..rng.below(3))
        .map(|_| {
            let from_mm = rng.between(panel.from_mm, panel.to_mm - 20.0);
            Chip {
                from_mm,
                to_mm: from_mm + rng.between(7.0, 17.0),
                depth_mm: rng.between(0.6, 2.0),
            }
        })
        .collect();
    Coat {
        colour,
        below,
        width_mm: rng.between(50.0, 110.0),
        strength: rng.between(0.6, 0.92),
        patchy: rng.between(0.2, 0.7),
        raggedness_mm: rng.between(0.05, 0.22),
        correlation_mm: rng.between(0.5, 3.0),
        softness_mm: rng.between(0.25, 0.55),
        chips,
    }
}

fn light(rng: &mut Rng, panel: &Panel, shade: bool) -> Light {
    let mut light = Light::default();
    for _ in 0..1000 {
        light = Light {
            up_deg: rng.between(-10.0, 65.0),
            right_deg: rng.between(-35.0, 35.0),
            ambient: rng.between(0.25, 0.5),
            gradient: (rng.between(0.0, 1.0) * 2.5f64.ln()).exp(),
            gradient_deg: rng.between(0.0, 360.0),
        };
        let lit = |turn_deg: f64| {
            let cos =
                (light.up_deg - turn_deg).to_radians().cos() * light.right_deg.to_radians().cos();
            light.ambient + (1.0 - light.ambient) * cos.max(0.0)
        };
        let other = if panel.cards_below {
            panel.turn_deg
        } else {
            -panel.turn_deg
        };
        // A shade line needs a step a person sees: 12% and more.
        if !shade || (lit(other) / lit(0.0)).ln().abs() > 0.12 {
            break;
        }
    }
    light
}

fn dress(rng: &mut Rng, panel: &Panel, ground: [f64; 3], look: LookKind) -> Dress {
    let paper = rng.chance(0.4).then(|| Paper {
        colour: linear(rng.pick(&PAPERS)),
        // Not over the cards.
        below: !panel.cards_below,
        at_mm: rng.between(70.0, 130.0),
        slope_deg: rng.between(-1.0, 1.0),
    });
    let place = |rng: &mut Rng| {
        let away = rng.between(20.0, 180.0);
        [
            rng.between(panel.from_mm, panel.to_mm),
            if rng.chance(0.5) { away } else { -away },
        ]
    };
    let spots = (0..rng.below(9))
        .map(|_| {
            let [x, y] = place(rng);
            [x, y, rng.between(0.6, 4.0)]
        })
        .collect();
    let scratches = (0..rng.below(4))
        .map(|_| {
            let [x, y] = place(rng);
            [
                x,
                y,
                x + rng.between(-40.0, 40.0),
                y + rng.between(-30.0, 30.0),
            ]
        })
        .collect();
    let grey = rng.between(0.03, 0.12);
    Dress {
        ground,
        mottle: if look == LookKind::Shade {
            rng.between(0.01, 0.03)
        } else {
            rng.between(0.02, 0.08)
        },
        grain: rng.between(0.01, 0.04),
        patches: (look != LookKind::Shade && rng.chance(0.2)).then(|| linear(rng.pick(&FILLERS))),
        paper,
        spots,
        scratches,
        backdrop: [
            grey * rng.between(0.93, 1.07),
            grey,
            grey * rng.between(0.93, 1.07),
        ],
        bench_mm: panel.below_mm + rng.between(-40.0, 120.0),
    }
}

fn pose(rng: &mut Rng, kind: &LineKind, panel: &Panel, lens: &Lens) -> Pose {
    let elevation_deg = if kind.level {
        rng.between(-1.6, 1.6)
    } else {
        rng.between(5.0, 19.0) * if rng.chance(0.85) { 1.0 } else { -1.0 }
    };
    // Width seen in the plane of the line: most of the panel, or more than all of it.
    let share = if lens.width > 3000 {
        rng.between(0.9, 1.5)
    } else {
        rng.between(0.7, 1.2)
    };
    let seen = (panel.to_mm - panel.from_mm) * share;
    Pose {
        elevation_deg,
        yaw_deg: rng.between(-20.0, 20.0),
        roll_deg: rng.between(-7.0, 7.0),
        distance_mm: lens.fx / lens.width as f64 * seen,
        aim_mm: [rng.between(-120.0, 120.0), rng.between(-80.0, 80.0)],
    }
}

fn develop(rng: &mut Rng) -> Develop {
    Develop {
        psf_sigma_px: rng.between(0.6, 1.0),
        vignetting_power: rng.between(0.8, 2.0),
        exposure: Exposure::Auto {
            share: rng.pick(&[0.93, 0.97, 0.99]),
            level: rng.between(0.4, 0.8),
        },
        shimmer: rng.between(0.0, 0.07),
        white_balance: [rng.between(0.94, 1.07), 1.0, rng.between(0.93, 1.06)],
        read_noise: rng.between(0.0006, 0.0019),
        full_well: 6000.0,
        jpeg: Some(Jpeg {
            quality: 90 + rng.below(6) as u8,
            halved: rng.chance(0.5),
        }),
        orientation: [1, 1, 1, 1, 1, 1, 3, 6, 8][rng.below(9)],
    }
}

/// Is a card seen whole, margin and all, a few pixels inside the photo?
fn seen_whole(camera: &Camera, shape: &Shape, card: &PlacedCard) -> bool {
    let size = [card.layout.squares_x, card.layout.squares_y];
    // Half the card, half a square of margin, and 6 mm for its turn.
    let reach = size.map(|n| (n as f64 + 1.0) / 2.0 * card.layout.square_mm + 6.0);
    [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
        .iter()
        .all(|(a, b)| {
            let x = shape.x_of_arc(card.centre_mm[0] + a * reach[0]);
            let seen = camera.project(Point3::new(
                x,
                card.centre_mm[1] + b * reach[1],
                shape.bow(x).0,
            ));
            let inside = |Px(p): Px| {
                [-6.0, 6.0]
                    .iter()
                    .all(|d| camera.sees(Px::new(p.x + d, p.y + d)))
            };
            seen.is_some_and(inside)
        })
}

/// Cards in a row on the flank, whole within the photo, apart from each other and from the gap's slit.
fn cards(rng: &mut Rng, kind: &LineKind, scene: &Scene) -> Vec<PlacedCard> {
    let camera = Camera::new(scene.lens, &scene.pose);
    let shape = Shape::new(&scene.panel);
    let sign = shape.side();
    let reach = if scene.panel.cards_below {
        scene.panel.below_mm
    } else {
        scene.panel.above_mm
    };
    let mut placed: Vec<PlacedCard> = Vec::new();
    let stiff = rng.chance(0.3);
    let (mut strip_id, mut card_id) = (if rng.chance(0.5) { 0 } else { 12 }, 100);
    for _ in 0..400 {
        if placed.len() >= kind.cards {
            break;
        }
        let strip = rng.chance(0.5);
        let first = if strip { strip_id } else { card_id };
        let layout = layout(strip, first);
        let (w, h) = (
            layout.squares_x as f64 * layout.square_mm,
            layout.squares_y as f64 * layout.square_mm,
        );
        let margin = layout.square_mm / 2.0;
        let nearest = 14.0 + margin + h / 2.0;
        let furthest = reach - margin - h / 2.0 - 8.0;
        if furthest < nearest {
            continue;
        }
        let y = sign * rng.between(nearest, furthest.min(nearest + 45.0));
        let x = rng.between(
            scene.panel.from_mm + w / 2.0 + 15.0,
            scene.panel.to_mm - w / 2.0 - 15.0,
        );
        let card = PlacedCard {
            layout,
            centre_mm: [x, y],
            turn_deg: rng.between(-4.0, 4.0),
            stiff,
            print_scale: [1.0, 1.0],
        };
        let apart = placed.iter().all(|other| {
            let other_w = other.layout.squares_x as f64 * other.layout.square_mm;
            (other.centre_mm[0] - x).abs() > (w + other_w) / 2.0 + 35.0
        });
        let off_gap = scene
            .panel
            .gap
            .is_none_or(|g| (g.at_mm - shape.x_of_arc(x)).abs() > w / 2.0 + margin + 4.0);
        if apart && off_gap && seen_whole(&camera, &shape, &card) {
            if strip {
                strip_id += 24;
            } else {
                card_id += 27;
            }
            placed.push(card);
        }
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::paint::Panelled;
    use crate::sim::truth;

    /// How many of a scene's cards lie whole within the photo.
    fn whole_cards(scene: &Scene) -> Vec<bool> {
        let camera = Camera::new(scene.lens, &scene.pose);
        let truth = truth::truth(scene, &Panelled::new(scene));
        truth
            .cards
            .iter()
            .map(|c| c.corners_px.iter().all(|&p| camera.sees(p)))
            .collect()
    }

    #[test]
    fn every_line_photo_shows_a_card_and_a_long_line() {
        for seed in 0..60 {
            let scene = line(seed);
            let cards = whole_cards(&scene);
            assert!(
                !cards.is_empty() && cards.iter().all(|&c| c),
                "seed {seed}: {cards:?}"
            );
            let line = truth::truth(&scene, &Panelled::new(&scene)).line;
            assert!(line.s_mm.last().is_some_and(|&s| s > 500.0), "seed {seed}");
            assert_eq!(line.segments.iter().sum::<usize>(), line.px.len());
        }
    }

    #[test]
    fn pair_shows_the_same_panel_and_cards_twice() {
        for seed in 0..20 {
            let kind = LineKind {
                look: LookKind::Tape,
                level: false,
                gap: false,
                cards: 2,
                width: 1008,
            };
            let [a, b] = pair(seed, &kind);
            assert_eq!(a.panel, b.panel);
            assert_ne!(a.pose, b.pose);
            for scene in [&a, &b] {
                let cards = whole_cards(scene);
                assert!(!cards.is_empty() && cards.iter().all(|&c| c), "seed {seed}");
            }
        }
    }

    #[test]
    fn long_swage_is_covered_and_neighbours_share_a_card() {
        for seed in 0..20 {
            let scenes = long_swage(seed, LookKind::Coat, 1512);
            let seen = scenes.each_ref().map(whole_cards);
            for (a, b) in [(0, 1), (1, 2)] {
                assert!(
                    seen[a].iter().zip(&seen[b]).any(|(x, y)| *x && *y),
                    "seed {seed}: {seen:?}"
                );
            }
            let mut ends: Vec<[f64; 2]> = scenes
                .iter()
                .map(|s| truth::truth(s, &Panelled::new(s)).line.x_mm)
                .map(|x| [x[0], x[x.len() - 1]])
                .collect();
            ends.sort_by(|a, b| a[0].total_cmp(&b[0]));
            assert!(
                ends[0][0] < -1490.0 && ends[2][1] > 1490.0,
                "seed {seed}: {ends:?}"
            );
            assert!(
                ends[0][1] > ends[1][0] + 200.0 && ends[1][1] > ends[2][0] + 200.0,
                "seed {seed}: {ends:?}"
            );
        }
    }
}
