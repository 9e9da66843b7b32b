//! Which thing on the bench is meant, and roughly where its edge toward the card runs.
//!
//! Spots unlike the bench that hang together are a thing; the largest near the card is meant, or the one at the points
//! given. Its own colours, taken well inside it, then decide spot by spot between thing, bench and shadow (the bench's
//! colours at less light), so that a shadow beside the edge does not count to the thing.

use super::SectionError;
use super::ground::{CELL_MM, Ground, averaged};
use crate::area::mask::{Mask, Part, Patch};
use crate::scale::cover::Quad;
use crate::units::Mm;
use nalgebra::{Matrix2, Matrix3, Point2, Vector2, Vector3};
use rayon::prelude::*;

/// The thing's edge toward the card, coarse.
#[derive(Debug, Clone)]
pub struct Object {
    /// Points along the edge every half millimetre, card frame, in order.
    pub edge: Vec<Mm>,
    /// Unit vector from the thing toward the card.
    pub toward: Vector2<f64>,
}

/// Smallest thing that is looked at, mm²: a strip of 5 by 30 mm.
const LEAST_MM2: f64 = 150.0;
/// A template of middling size, mm²: larger counts for no more.
const LARGE_MM2: f64 = 4000.0;
/// Shortest edge worth a section, mm.
pub const SHORTEST_MM: f64 = 12.0;
/// An edge that leans more than this from the card's side belongs to the thing's flank: its tangent (68°).
const STEEP: f64 = 2.5;
/// From one threshold to the next.
const HIGHER: f64 = 2.4;
/// Cells about a part that its surroundings are looked at over.
const MARGIN: usize = 8;
/// The same where its edge is looked for: as far as its shadow may reach.
const ROOM: usize = 24;
/// Half of the widest crack in a part, cells.
const CRACK: f64 = 3.0;
/// Step of the coarse edge, mm.
const STEP_MM: f64 = 0.5;

/// A card's rectangle in the first card's frame.
struct Side {
    middle: Point2<f64>,
    axes: [Vector2<f64>; 2],
    half: [f64; 2],
}

/// Finds the thing. `cards`: corners of each card in the first card's frame, mm; `near`: points given, mm.
///
/// # Errors
/// [`SectionError`]: nothing there, nothing at the points.
pub fn find(ground: &Ground, cards: &[Quad], near: &[Mm]) -> Result<Object, SectionError> {
    let cards: Vec<Side> = cards.iter().map(Side::of).collect();
    let nothing = || {
        if near.is_empty() {
            SectionError::NoObject
        } else {
            SectionError::NoObjectNear
        }
    };
    let smooth = ground.distance2(2);
    let (w, h) = (ground.columns, ground.rows);
    let mut found: Vec<(f64, Part)> = [9.0, 20.0, 50.0, 120.0]
        .into_par_iter()
        .flat_map_iter(|least| {
            let over = Mask::from_fn(w, h, |i| smooth[i] > least);
            let parts = over.opened(1.0).parts_by_sides();
            parts.into_iter().map(move |part| (least, part))
        })
        .map(|(least, part)| {
            let steady = steady(&smooth, &part, HIGHER * least);
            (steady * score(ground, &smooth, &part, &cards, near), part)
        })
        .filter(|(score, _)| *score > 0.0)
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (best, first) = found.first().ok_or_else(nothing)?;
    let place = |i: &usize| ground.mm(i % w, i / w).0.coords;
    let middle = |part: &Part| {
        Point2::from(part.cells.iter().map(place).sum::<Vector2<f64>>() / part.cells.len() as f64)
    };
    let mut likeliest = vec![false; w * h];
    for i in &first.cells {
        likeliest[*i] = true;
    }
    // The same thing as other thresholds see it: whichever shows the longest smooth edge.
    let seen: Vec<(f64, Object)> = found
        .par_iter()
        .filter_map(|(score, part)| {
            let shared = part.cells.iter().filter(|i| likeliest[**i]).count();
            let within = *score >= 0.1 * best && 10 * shared >= 7 * part.cells.len();
            let about = *score >= 0.3 * best && 10 * shared >= 7 * first.cells.len();
            if !within && !about {
                return None;
            }
            let patch = closed(&part.patch(w, h, ROOM));
            let ground = &ground.cropped(&patch);
            let (toward, edge) = toward_card(ground, &patch.mask, middle(part), &cards, near)?;
            let worth = STEP_MM * edge.len() as f64 - 3.0 * kinks(&edge);
            Some((worth, Object { edge, toward }))
        })
        .collect();
    // The first of the best, so that the same photo gives the same answer.
    seen.into_iter()
        .reduce(|best, next| if next.0 > best.0 { next } else { best })
        .map(|c| c.1)
        .ok_or_else(nothing)
}

/// How much an edge jumps to and fro beyond its cells' own steps, mm.
fn kinks(edge: &[Mm]) -> f64 {
    edge.windows(9)
        .step_by(4)
        .map(|p| {
            let bend = (p[0].0.coords + p[8].0.coords) * 0.5 - p[4].0.coords;
            (bend.norm() - CELL_MM).max(0.0)
        })
        .sum()
}

/// The edge toward the card, by the thing's own colours; with points given, whichever of the four lies clearly nearer.
fn toward_card(
    ground: &Ground,
    mask: &Mask,
    middle: Point2<f64>,
    cards: &[Side],
    near: &[Mm],
) -> Option<(Vector2<f64>, Vec<Mm>)> {
    let t = cards
        .iter()
        .map(|c| c.toward(middle))
        .min_by(|a, b| a.0.total_cmp(&b.0))?
        .1;
    let mut ways = vec![t];
    if !near.is_empty() {
        ways.extend([-t, Vector2::new(-t.y, t.x), Vector2::new(t.y, -t.x)]);
    }
    let mut chosen: Option<(f64, Vector2<f64>, Vec<Mm>)> = None;
    for (k, toward) in ways.into_iter().enumerate() {
        let Some(edge) = facing(ground, mask, toward) else {
            continue;
        };
        let edge = refined(ground, mask, &edge, toward)
            .and_then(|mask| facing(ground, &mask, toward))
            .filter(|better| 5 * better.len() > 3 * edge.len())
            .unwrap_or(edge);
        let far = near.iter().map(|n| nearest(&edge, n)).sum::<f64>() / near.len().max(1) as f64
            + if k == 0 { 0.0 } else { 4.0 };
        if chosen.as_ref().is_none_or(|c| far < c.0) {
            chosen = Some((far, toward, edge));
        }
    }
    chosen.map(|c| (c.1, c.2))
}

fn nearest(edge: &[Mm], to: &Mm) -> f64 {
    edge.iter()
        .map(|p| (p.0 - to.0).norm())
        .fold(f64::INFINITY, f64::min)
}

impl Side {
    fn of(quad: &Quad) -> Side {
        let (x, y) = (quad[1] - quad[0], quad[3] - quad[0]);
        Side {
            middle: nalgebra::center(&quad[0], &quad[2]),
            axes: [x.normalize(), y.normalize()],
            half: [0.5 * x.norm(), 0.5 * y.norm()],
        }
    }

    /// How far a place lies off the card, and the card's own direction from there to it.
    fn toward(&self, from: Point2<f64>) -> (f64, Vector2<f64>) {
        let d = from - self.middle;
        let along = self.axes.map(|a| d.dot(&a));
        let beyond = [along[0].abs() - self.half[0], along[1].abs() - self.half[1]];
        let k = usize::from(beyond[1] > beyond[0]);
        let far = beyond[0].max(0.0).hypot(beyond[1].max(0.0));
        (far, self.axes[k] * -along[k].signum())
    }
}

/// Share of a part that stays where the threshold rises: a thing keeps its size, a shade shrinks (the stability of Matas et al.
/// 2002).
fn steady(smooth: &[f64], part: &Part, least: f64) -> f64 {
    let stay = part.cells.iter().filter(|i| smooth[**i] > least).count();
    stay as f64 / part.cells.len().max(1) as f64
}

/// How likely a part is what is meant; 0 when it can't be.
fn score(ground: &Ground, smooth: &[f64], part: &Part, cards: &[Side], near: &[Mm]) -> f64 {
    let cells = &part.cells;
    let area = cells.len() as f64 * CELL_MM * CELL_MM;
    if area < LEAST_MM2 {
        return 0.0;
    }
    let (w, h) = (ground.columns, ground.rows);
    let patch = part.patch(w, h, MARGIN);
    // Sides of cells toward the outside: the outline, a third too long on a slant; cracks closed.
    let whole = closed(&patch).mask;
    let side =
        |i: usize, j: usize| usize::from(!whole.cells.get(j).copied().unwrap_or(false) && i != j);
    let outline = (0..whole.cells.len())
        .filter(|i| whole.cells[*i])
        .map(|i| {
            side(i, i.wrapping_sub(1))
                + side(i, i + 1)
                + side(i, i.wrapping_sub(whole.width))
                + side(i, i + whole.width)
        })
        .sum::<usize>() as f64
        * CELL_MM;
    let compact = 4.0 * std::f64::consts::PI * area / (outline * outline);
    if compact < 0.06 {
        return 0.0;
    }
    let mean = cells.iter().map(|i| smooth[*i].min(100.0)).sum::<f64>() / cells.len() as f64;
    let place = |i: &usize| ground.mm(i % w, i / w).0;
    let closeness = if near.is_empty() {
        let gap = cells
            .iter()
            .step_by(7)
            .flat_map(|i| cards.iter().map(move |c| c.toward(place(i)).0))
            .fold(f64::INFINITY, f64::min);
        (-gap / 25.0).exp()
    } else {
        let gap = near
            .iter()
            .map(|n| {
                cells
                    .iter()
                    .step_by(3)
                    .map(|i| (place(i) - n.0).norm())
                    .fold(f64::INFINITY, f64::min)
            })
            .sum::<f64>()
            / near.len() as f64;
        (-gap / 10.0).exp()
    };
    // What else lies about is mostly smaller than a template: more than in proportion.
    let size = area.min(LARGE_MM2);
    size * (size / LARGE_MM2).sqrt()
        * (mean / 40.0).min(1.0).sqrt()
        * closeness
        * compact.min(0.3)
        * bound(ground, smooth, &patch)
}

/// How sharply a part ends: 1 where the bench begins at once beside it, 0 where light only fades.
fn bound(ground: &Ground, smooth: &[f64], part: &Patch) -> f64 {
    let (depth, far) = (part.mask.depth(), part.mask.distance());
    let mean = |of: &dyn Fn(usize) -> bool| {
        let (mut sum, mut n) = (0.0, 0.0);
        for i in (0..depth.len()).filter(|i| of(*i)) {
            let cell = part.index(i);
            if ground.off[cell].is_some() {
                sum += smooth[cell].min(100.0).sqrt();
                n += 1.0;
            }
        }
        if n > 0.0 { sum / n } else { 0.0 }
    };
    let within = mean(&|i| depth[i] > 1.0 && depth[i] <= 3.0);
    let beyond = mean(&|i| far[i] > 2.0 && far[i] <= 5.0);
    ((within - beyond) / (within + beyond).max(1e-9))
        .max(0.0)
        .powi(2)
}

/// The thing by its own colours near an edge of it: taken from behind the edge, where no shadow lies.
fn refined(ground: &Ground, start: &Mask, edge: &[Mm], toward: Vector2<f64>) -> Option<Mask> {
    /// Deepest shadow in front of a comb, and how deep the colours are taken, mm.
    const SHADOW_MM: f64 = 8.0;
    const DEEP_MM: f64 = 16.0;
    let (w, h) = (ground.columns, ground.rows);
    let bench = Likely::of(Vector3::zeros(), ground.scatter)?;
    let shade = ground.scatter.fixed_view::<2, 2>(1, 1).into_owned();
    let hue = shade.try_inverse()?;
    let along = Vector2::new(-toward.y, toward.x);
    let from = edge.first()?.0.coords.dot(&along);
    // How far behind the edge a cell lies.
    let depth: Vec<Option<f64>> = (0..w * h)
        .map(|i| {
            let p = ground.mm(i % w, i / w).0.coords;
            let k = (p.dot(&along) - from) / STEP_MM;
            let beside = edge.get(k.round().max(0.0) as usize)?;
            // Places before the first belong to it within a millimetre.
            (k > -2.0).then(|| (beside.0.coords - p).dot(&toward))
        })
        .collect();
    let mut mask = start.clone();
    for _ in 0..2 {
        let solid = mask.shrunk(1.0).cells;
        let pick = |low: f64| -> Vec<Vector3<f64>> {
            (0..w * h)
                .filter(|i| solid[*i] && depth[*i].is_some_and(|d| d > low && d < DEEP_MM))
                .filter_map(|i| ground.off[i])
                .collect()
        };
        let mut own = pick(SHADOW_MM);
        if own.len() < 60 {
            own = pick(0.3 * SHADOW_MM);
        }
        let thing = Likely::read(&own)?;
        let rather: Vec<Option<f64>> = (0..w * h)
            .map(|i| {
                let d = depth[i]?;
                let v = ground.off[i].filter(|_| d > -3.0 && d < SHADOW_MM)?;
                let c = Vector2::new(v[1], v[2]);
                // Shadow: any less light down to a twelfth, the bench's hue.
                let shadow =
                    (c.transpose() * hue * c)[0] + determinant_ln(&shade) + 2.0 * 2.5f64.ln()
                        - (2.0 * std::f64::consts::PI).ln()
                        + if v[0] > 0.0 || v[0] < -2.5 { 20.0 } else { 0.0 };
                Some((bench.far(v).min(shadow) - thing.far(v)).clamp(-15.0, 15.0))
            })
            .collect();
        let smooth = averaged(&rather, w, h, 1);
        let next = Mask::from_fn(w, h, |i| match rather[i] {
            Some(_) => smooth[i] > 0.0,
            None => start.cells[i],
        });
        let largest = next
            .opened(1.0)
            .parts_by_sides()
            .into_iter()
            .max_by_key(|p| p.cells.len())?;
        mask = Mask::new(w, h);
        for i in largest.cells {
            mask.cells[i] = true;
        }
        mask = mask.filled(w * h);
    }
    Some(mask)
}

/// A part with its cracks and holes closed.
fn closed(part: &Patch) -> Patch {
    let all = part.mask.cells.len();
    Patch {
        mask: part.mask.grown(CRACK).filled(all).shrunk(CRACK),
        ..part.clone()
    }
}

fn determinant_ln(m: &Matrix2<f64>) -> f64 {
    m.determinant().max(1e-12).ln()
}

/// A Gaussian of colours.
struct Likely {
    middle: Vector3<f64>,
    inverse: Matrix3<f64>,
    size_ln: f64,
}

impl Likely {
    fn of(middle: Vector3<f64>, scatter: Matrix3<f64>) -> Option<Likely> {
        Some(Likely {
            middle,
            inverse: scatter.try_inverse()?,
            size_ln: scatter.determinant().max(1e-18).ln(),
        })
    }

    /// From cells of one thing: medians, and scatter by the median distance from them.
    fn read(cells: &[Vector3<f64>]) -> Option<Likely> {
        let of = |k: usize| cells.iter().map(|c| c[k]).collect::<Vec<f64>>();
        let mut middle = Vector3::zeros();
        let mut scatter = Matrix3::zeros();
        for k in 0..3 {
            middle[k] = crate::solve::robust::median(&mut of(k))?;
            let off: Vec<f64> = of(k).iter().map(|v| v - middle[k]).collect();
            let sd = crate::solve::robust::spread(&off)?;
            // The thing's own light changes along it more than its scatter tells.
            scatter[(k, k)] = sd * sd
                + if k == 0 {
                    0.08f64.powi(2)
                } else {
                    0.03f64.powi(2)
                };
        }
        Likely::of(middle, scatter)
    }

    /// Minus twice the log likelihood, but for a constant.
    fn far(&self, v: Vector3<f64>) -> f64 {
        let d = v - self.middle;
        (d.transpose() * self.inverse * d)[0] + self.size_ln
    }
}

/// The edge toward a direction: for each place along, the outermost spot; broken where it drops steeply, the longest
/// stretch kept.
fn facing(ground: &Ground, mask: &Mask, toward: Vector2<f64>) -> Option<Vec<Mm>> {
    let mask = &mask.cells;
    let along = Vector2::new(-toward.y, toward.x);
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for i in (0..mask.len()).filter(|i| mask[*i]) {
        let p = ground.mm(i % ground.columns, i / ground.columns).0.coords;
        for (k, v) in [p.dot(&along), p.dot(&toward)].into_iter().enumerate() {
            low[k] = low[k].min(v);
            high[k] = high[k].max(v);
        }
    }
    let cell = |a: f64, b: f64| ground.cell(Point2::from(along * a + toward * b));
    let inside = |a: f64, b: f64| cell(a, b).is_some_and(|i| mask[i]);
    let seen = |a: f64, b: f64| cell(a, b).is_some_and(|i| ground.off[i].is_some());
    let n = ((high[0] - low[0]) / STEP_MM) as usize + 1;
    let height: Vec<Option<f64>> = (0..n)
        .map(|k| {
            let a = low[0] + STEP_MM * k as f64;
            let mut b = high[1] + CELL_MM;
            while b > low[1] - CELL_MM {
                // A speck in front of the edge is thinner than this.
                if inside(a, b) && inside(a, b - 0.7) && inside(a, b - 1.4) {
                    // Where the card begins or the photo ends there is no edge.
                    return seen(a, b + 2.0 * CELL_MM).then_some(b);
                }
                b -= 0.5 * CELL_MM;
            }
            None
        })
        .collect();
    let mut stretches: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    for (k, b) in height.iter().enumerate() {
        let a = low[0] + STEP_MM * k as f64;
        let Some(b) = b else {
            stretches.push(Vec::new());
            continue;
        };
        // The drop over a millimetre and a half about here.
        let drop = [k.wrapping_sub(3), k + 3]
            .iter()
            .filter_map(|j| height.get(*j).copied().flatten())
            .map(|o| (o - b).abs() / (3.0 * STEP_MM))
            .fold(0.0, f64::max);
        if drop > STEEP {
            stretches.push(Vec::new());
        } else if let Some(s) = stretches.last_mut() {
            s.push((a, *b));
        }
    }
    let longest = stretches.into_iter().max_by_key(Vec::len)?;
    if (longest.len() as f64) * STEP_MM < SHORTEST_MM {
        return None;
    }
    Some(
        longest
            .into_iter()
            .map(|(a, b)| Mm(Point2::from(along * a + toward * b)))
            .collect(),
    )
}
