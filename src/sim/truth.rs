//! What is true of a made-up photo: where the crest, the gap and the cards' corners are.

use super::cardface::{Face, Lie};
use super::paint::{Panelled, chipped, stiff_plane};
use super::scene::{Coat, Gap, Look, PlacedCard, Scene};
use crate::card::Layout;
use crate::lens::Lens;
use crate::units::{Mm, Px};
use nalgebra::{Matrix3, Point3};

/// Step of the crest's truth along x, mm.
const STEP_MM: f64 = 2.0;
/// Window over which the drawn edge is averaged, mm.
const WINDOW_MM: f64 = 10.0;

/// Everything known about a line photo.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// The line, where it is seen.
    pub line: LineTruth,
    /// Arc length between the flanks at the line's visible ends, mm.
    pub arc_width_mm: [f64; 2],
    /// The gap, when it is seen with line on both sides.
    pub gap: Option<GapTruth>,
    /// The cards, in the scene's order.
    pub cards: Vec<CardTruth>,
    /// Stretches of the line's s where the edge is bitten, mm.
    pub chips_s_mm: Vec<[f64; 2]>,
    /// The stripe, when the look is one and a card is there to measure from.
    pub stripe: Option<StripeTruth>,
    /// Scale at the aim, pixels per millimetre.
    pub px_per_mm: f64,
    /// The lens of the upright photo.
    pub lens: Lens,
    /// Turns panel directions (x right, y down, z into the panel) into camera directions.
    pub camera_from_panel: Matrix3<f64>,
    /// The camera's centre, panel frame, mm.
    pub centre: Point3<f64>,
}

/// The crest as seen.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LineTruth {
    /// Middle of the arc, upright photo, left to right (top to bottom when steeper than 45°), every 2 mm.
    pub px: Vec<Px>,
    /// Along the line from its first seen point, in the mean plane of the card flank, mm.
    pub s_mm: Vec<f64>,
    /// Panel x of each point, mm: shared by all photos of a panel.
    pub x_mm: Vec<f64>,
    /// Height of the crest, positive toward card +y, mm.
    pub y_mm: Vec<f64>,
    /// The coat's drawn edge less the crest, mean over 10 mm, positive down, mm.
    pub edge_off_mm: Option<Vec<f64>>,
    /// Points on each panel, left to right (one number, or two with a gap).
    pub segments: Vec<usize>,
}

/// A gap as measured from straight lines on both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct GapTruth {
    /// The gap as drawn.
    pub drawn: Gap,
    /// Its middle on the line's s, mm.
    pub at_s_mm: f64,
    /// Step (mm, positive: right side toward card +y) and angle (degrees, positive: right line turns toward card +y)
    /// from straight lines fitted over the reach (mm) on each side.
    pub from_lines: Vec<FromLines>,
}

/// Step and angle by straight lines over a reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FromLines {
    /// Length used on each side, mm.
    pub reach_mm: f64,
    /// Step at the gap's middle, mm.
    pub step_mm: f64,
    /// Angle, degrees.
    pub angle_deg: f64,
}

/// A stripe as seen.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct StripeTruth {
    /// True ends of the arc in the photo, upper and lower.
    pub borders_px: [Vec<Px>; 2],
    /// Along the swage from the foot of the first card's origin, positive along that card's +x, mm.
    pub s_mm: Vec<f64>,
    /// Radius there, mm.
    pub r_mm: Vec<f64>,
}

/// A card as seen.
#[derive(Debug, Clone, PartialEq)]
pub struct CardTruth {
    /// Its layout.
    pub layout: Layout,
    /// Outer corners of the printed squares: top left, top right, bottom right, bottom left.
    pub corners_px: Vec<Px>,
    /// Inner corners, OpenCV's order.
    pub inner_px: Vec<Px>,
    /// Where those are printed, nominal.
    pub inner_mm: Vec<Mm>,
}

/// The truth of a scene.
pub fn truth(scene: &Scene, view: &Panelled) -> Truth {
    let line = line(scene, view);
    let ends = [line.x_mm.first(), line.x_mm.last()];
    let arc_width_mm =
        ends.map(|x| view.shape.turn() * view.shape.radius(x.copied().unwrap_or(0.0)));
    let s_of_x = |x: f64| {
        let (first, last) = (
            line.x_mm.first().copied().unwrap_or(0.0),
            line.x_mm.last().copied().unwrap_or(0.0),
        );
        if last >= first { x - first } else { first - x }
    };
    let chips_s_mm = match &scene.look {
        Look::Coat(coat) => coat
            .chips
            .iter()
            .map(|c| [s_of_x(c.from_mm), s_of_x(c.to_mm)])
            .map(|[a, b]| [a.min(b), a.max(b)])
            .filter(|&[a, b]| b > 0.0 && a < line.s_mm.last().copied().unwrap_or(0.0))
            .collect(),
        _ => Vec::new(),
    };
    let gap = scene.panel.gap.and_then(|g| gap(g, &line, s_of_x(g.at_mm)));
    let near =
        (view.camera.centre - Point3::new(scene.pose.aim_mm[0], scene.pose.aim_mm[1], 0.0)).norm();
    Truth {
        arc_width_mm,
        gap,
        cards: scene.cards.iter().map(|c| card(c, view)).collect(),
        stripe: stripe(scene, view, &line),
        chips_s_mm,
        px_per_mm: scene.lens.fx / near,
        lens: scene.lens,
        camera_from_panel: view.camera.camera_from_panel,
        centre: view.camera.centre,
        line,
    }
}

fn line(scene: &Scene, view: &Panelled) -> LineTruth {
    let panel = &scene.panel;
    let mut line = LineTruth {
        segments: vec![0],
        ..LineTruth::default()
    };
    let coat = match &scene.look {
        Look::Coat(coat) => Some(coat),
        _ => None,
    };
    let count = ((panel.to_mm - panel.from_mm - 1.0) / STEP_MM) as usize;
    for i in 0..=count {
        let x = panel.from_mm + 0.5 + i as f64 * STEP_MM;
        if let Some(g) = panel.gap {
            if (x - g.at_mm).abs() < g.width_mm / 2.0 {
                continue;
            }
            if x > g.at_mm && line.segments.len() == 1 && line.segments[0] > 0 {
                line.segments.push(0);
            }
        }
        let Some(px) = view
            .camera
            .project(view.shape.crest_point(x))
            .filter(|&p| view.camera.sees(p))
        else {
            continue;
        };
        line.px.push(px);
        line.x_mm.push(x);
        line.y_mm.push(view.shape.crest(x).0);
        if let Some(last) = line.segments.last_mut() {
            *last += 1;
        }
    }
    if let Some(coat) = coat {
        line.edge_off_mm = Some(
            line.x_mm
                .iter()
                .map(|&x| edge_mean(coat, view, x))
                .collect(),
        );
    }
    line.segments.retain(|&n| n > 0);
    if reversed(&line.px) {
        line.px.reverse();
        line.x_mm.reverse();
        line.y_mm.reverse();
        line.segments.reverse();
        if let Some(edge) = &mut line.edge_off_mm {
            edge.reverse();
        }
    }
    let first = line.x_mm.first().copied().unwrap_or(0.0);
    line.s_mm = line.x_mm.iter().map(|x| (x - first).abs()).collect();
    line
}

/// Does the line run from right to left (bottom to top when steeper than 45°)?
fn reversed(px: &[Px]) -> bool {
    match (px.first(), px.last()) {
        (Some(a), Some(b)) => {
            let d = b.0 - a.0;
            if d.y.abs() > d.x.abs() {
                d.y < 0.0
            } else {
                d.x < 0.0
            }
        }
        _ => false,
    }
}

/// Mean of the drawn edge over the window around x.
fn edge_mean(coat: &Coat, view: &Panelled, x: f64) -> f64 {
    let sign = if coat.below { 1.0 } else { -1.0 };
    let steps = 100;
    let at = |k: usize| x + WINDOW_MM * ((k as f64 + 0.5) / steps as f64 - 0.5);
    let drawn = |x: f64| view.edges.first().map_or(0.0, |r| r.at(x)) + sign * chipped(coat, x);
    (0..steps).map(|k| drawn(at(k))).sum::<f64>() / steps as f64
}

fn gap(drawn: Gap, line: &LineTruth, at_s_mm: f64) -> Option<GapTruth> {
    if line.segments.len() != 2 || line.segments.iter().any(|&n| n < 10) {
        return None;
    }
    let split = line.segments[0];
    let fit = |range: std::ops::Range<usize>, reach: f64| {
        let points: Vec<(f64, f64)> = range
            .map(|i| (line.s_mm[i] - at_s_mm, line.y_mm[i]))
            .filter(|(s, _)| s.abs() <= reach + drawn.width_mm)
            .collect();
        straight(&points)
    };
    let from_lines = [200.0, 9999.0]
        .into_iter()
        .map(|reach_mm| {
            let ((a, slope_a), (b, slope_b)) = (
                fit(0..split, reach_mm),
                fit(split..line.s_mm.len(), reach_mm),
            );
            FromLines {
                reach_mm,
                step_mm: b - a,
                angle_deg: (slope_b.atan() - slope_a.atan()).to_degrees(),
            }
        })
        .collect();
    Some(GapTruth {
        drawn,
        at_s_mm,
        from_lines,
    })
}

/// Least-squares straight line: height at s = 0 and slope.
fn straight(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len().max(1) as f64;
    let (ms, my) = (
        points.iter().map(|p| p.0).sum::<f64>() / n,
        points.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let over: f64 = points.iter().map(|p| (p.0 - ms).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - ms) * (p.1 - my)).sum::<f64>() / over.max(1e-12);
    (my - slope * ms, slope)
}

/// The stripe's borders and radii at the line's places.
fn stripe(scene: &Scene, view: &Panelled, line: &LineTruth) -> Option<StripeTruth> {
    let first = scene
        .cards
        .first()
        .filter(|_| matches!(scene.look, Look::Stripe(_)))?;
    let lie = Lie::new(first);
    let foot = lie.flank_from_card([0.0, 0.0])[0];
    let sense = if lie.flank_from_card([1.0, 0.0])[0] < foot {
        -1.0
    } else {
        1.0
    };
    let mut truth = StripeTruth::default();
    for &x in &line.x_mm {
        let (crest, (upper, lower)) = (view.shape.crest(x).0, view.shape.arc_ends(x));
        let ends = [upper, lower].map(|end| view.camera.project(view.shape.point(x, crest + end)));
        if let [Some(a), Some(b)] = ends {
            truth.borders_px[0].push(a);
            truth.borders_px[1].push(b);
            truth.s_mm.push(sense * (view.shape.arc_of_x(x) - foot));
            truth.r_mm.push(view.shape.radius(x));
        }
    }
    Some(truth)
}

fn card(card: &PlacedCard, view: &Panelled) -> CardTruth {
    let layout = &card.layout;
    let (size, lie) = (Face::new(layout).size_mm(), Lie::new(card));
    let place = |at: [f64; 2]| {
        let [along, y] = lie.flank_from_card(at);
        let point = if card.stiff {
            stiff_plane(&view.shape, card).point([along, y])
        } else {
            let x = view.shape.x_of_arc(along);
            Point3::new(x, y, view.shape.bow(x).0)
        };
        view.camera
            .project(point)
            .unwrap_or(Px::new(f64::NAN, f64::NAN))
    };
    let corners = [[0.0, 0.0], [size[0], 0.0], size, [0.0, size[1]]];
    let (nx, ny) = (
        layout.squares_x.saturating_sub(1),
        layout.squares_y.saturating_sub(1),
    );
    let inner: Vec<[f64; 2]> = (0..nx * ny)
        .map(|i| {
            [
                (i % nx + 1) as f64 * layout.square_mm,
                (i / nx + 1) as f64 * layout.square_mm,
            ]
        })
        .collect();
    CardTruth {
        layout: layout.clone(),
        corners_px: corners.into_iter().map(place).collect(),
        inner_px: inner.iter().map(|&at| place(at)).collect(),
        inner_mm: inner.iter().map(|at| Mm::new(at[0], at[1])).collect(),
    }
}
