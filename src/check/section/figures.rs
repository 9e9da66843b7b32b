//! From the traced edge to its figures: form, radius, turn, with u95 and budget.
//!
//! Radius and turn are a least-squares fit to the distances, so what any error of the places does to them follows from the
//! fit's own weights: the edge's noise by the joint fit's covariance, the scale's parameters by source, and what the edge's
//! own model may be off (the side face's shade, a shadow in contact), taken as an offset of the whole edge and one for each flank and for the arc.

use super::follow::Edge;
use super::{
    Choice, Fitted, FormName, Object, SectionError, SectionRequest, SectionResult, TwoArcs,
};
use crate::budget::{BudgetPart, Part, combine, gather};
use crate::card::Card;
use crate::check::{CheckError, Head, SCHEMA, cards_seen};
use crate::fit::arc::lengths_along;
use crate::fit::corner::Piece;
use crate::fit::fair::Fair;
use crate::fit::section::{Form, Section, SectionOptions, fit_section};
use crate::photo::Photo;
use crate::scale::{Placed, Scale};
use crate::solve::noise::Whitener;
use crate::units::{K95, Measured, Mm, Px};
use crate::verdict::{Outcome, judge};
use nalgebra::{DMatrix, DVector, Point2, Vector2};

/// What the figures are made from.
pub struct Traced<'a> {
    /// The photo.
    pub photo: &'a Photo,
    /// Its cards.
    pub cards: &'a [Card],
    /// Scale.
    pub scale: &'a Scale,
    /// The edge.
    pub edge: &'a Edge,
    /// From the edge into the material, card frame.
    pub into_material: Vector2<f64>,
    /// Height of the edge above the card, mm.
    pub height_mm: f64,
    /// Standard uncertainty of that, mm.
    pub height_u_mm: f64,
    /// What the edge belongs to; `None`: told from the edge.
    pub object: Option<Object>,
    /// What moves places together beside the edge's own model: for each source the move of each place out of the material, mm,
    /// at one standard uncertainty.
    pub common_mm: &'a [Vec<f64>],
    /// Whether a lens file was used.
    pub lens: bool,
}

/// Doubt of the edge's model that averaging along it does not lower, one standard deviation, px: an offset of the whole
/// edge, one for each flank and for the arc, and a slow change along each flank (ours: what photos rendered with known truth show).
const WHOLE_U_PX: f64 = 0.12;
const PIECE_U_PX: f64 = 0.06;
const SLOW_U_PX: f64 = 0.02;
/// The same for the envelope of a comb, mm: how round and how lit its tips are.
const WHOLE_COMB_U_MM: f64 = 0.09;
const PIECE_COMB_U_MM: f64 = 0.05;
const SLOW_COMB_U_MM: f64 = 0.03;
/// No saw or knife leaves so much (rms): another edge was followed in part, mm (ours, no source).
const ASTRAY_MM: f64 = 0.5;

/// Fits, and puts the answer together.
///
/// # Errors
/// [`CheckError`].
pub fn answer(
    traced: &Traced,
    request: &SectionRequest,
    mut warnings: Vec<String>,
) -> Result<SectionResult, CheckError> {
    let px: Vec<Px> = traced.edge.points.iter().map(|p| p.px).collect();
    let placed = traced
        .scale
        .carry_above(&px, traced.height_mm)
        .ok_or(SectionError::Faint)?;
    let middle = px[px.len() / 2];
    let mm_per_px = traced.scale.mm_per_px(middle).ok_or(SectionError::Faint)?;
    let options = SectionOptions {
        into_material: traced.into_material,
        blur_mm: traced.edge.blur_px * mm_per_px,
        long_flanks: traced.object == Some(Object::Panel),
        ..SectionOptions::default()
    };
    let section = fit_section(&placed.points, &options)?;
    let model = match traced.edge.pins_px {
        Some(_) => [WHOLE_COMB_U_MM, PIECE_COMB_U_MM, SLOW_COMB_U_MM],
        None => [WHOLE_U_PX, PIECE_U_PX, SLOW_U_PX].map(|u| u * mm_per_px),
    };
    let doubt = Doubt::of(&section, &placed, model, traced.common_mm).ok_or(SectionError::Faint)?;
    let mut radius = doubt.budget(0, section.radius_mm.u);
    let mut turn = doubt.budget(1, section.turn_deg.u);
    if traced.height_u_mm > 0.0 {
        let share = traced.height_u_mm * mm_per_px / focal(traced);
        radius.push(BudgetPart::from_u(
            Part::Bow,
            share * section.radius_mm.value,
        ));
    }
    if section.rms_mm > ASTRAY_MM {
        warnings.push(format!(
            "the edge leaves the fitted form by {:.1} mm (rms): look at the picture whether the right edge was followed; a lens file and --near help",
            section.rms_mm
        ));
    }
    let radius = gather(&radius);
    turn = gather(&turn);
    let sharp = section.form == Form::Sharp;
    let radius_mm = (!sharp).then(|| Measured {
        value: section.radius_mm.value,
        u95: combine(&radius),
    });
    let turn_deg = match &section.crown {
        Some(arc) => Measured {
            value: arc.span_deg,
            u95: (arc.span_deg * combine(&radius) / arc.radius_mm).max(1e-4),
        },
        None => Measured {
            value: section.turn_deg.value,
            u95: combine(&turn).max(1e-4),
        },
    };
    // What the scale and the edge's model do to one arc they do to each of two.
    let beside = (combine(&radius).powi(2) - (K95 * section.radius_mm.u).powi(2))
        .max(0.0)
        .sqrt();
    let two_arcs = section
        .two_arcs
        .map(|two| TwoArcs {
            radii_mm: two.radii_mm.map(|r| Measured {
                value: r.value,
                u95: (K95 * r.u).hypot(beside),
            }),
            turns_deg: two.turns_deg,
        })
        // Arcs that could be one are no two.
        .filter(|two| {
            let [a, b] = two.radii_mm;
            (a.value - b.value).abs() > a.u95.hypot(b.u95)
        });
    // A sharp corner has the radius 0, within the largest that could hide there; of two arcs the one farther off counts.
    let verdict = match (request.want_mm, request.tol_mm) {
        (Some(want), Some(tol)) => {
            let off = |r: &Measured| (r.value - want).abs() + r.u95;
            let radius_mm = match &two_arcs {
                Some(two) => two
                    .radii_mm
                    .into_iter()
                    .max_by(|a, b| off(a).total_cmp(&off(b))),
                None => radius_mm,
            }
            .unwrap_or(Measured {
                value: 0.0,
                u95: K95 * section.radius_mm.u,
            });
            let less = Measured {
                value: radius_mm.value - want,
                u95: radius_mm.u95,
            };
            Some((less, judge("radius less wanted", less, tol, &radius)?))
        }
        _ => None,
    };
    let outline = outline(&section, &placed.points, 0.5);
    let next = next(
        section.form.into(),
        traced.object == Some(Object::Panel),
        verdict.as_ref().map(|(less, v)| (less.value, v.result)),
    );
    let verdict = verdict.map(|v| v.1);
    let object = match (traced.object, traced.edge.pins_px) {
        (Some(known), _) => known,
        (None, Some(_)) => Object::Comb,
        (None, None) if ragged_mm(&section) > CUT_MM.max(CUT_PX * mm_per_px) => Object::Cut,
        (None, None) => Object::Template,
    };
    let profile_mm = filtered(&section, &placed.points);
    let profile_px: Vec<[f64; 2]> =
        super::follow::on_photo(traced.scale, &profile_mm, traced.height_mm)
            .into_iter()
            .map(|p| [p.x, p.y])
            .collect();
    Ok(SectionResult {
        head: Head {
            schema: SCHEMA.into(),
            check: "section".into(),
            photo: traced.photo.name.clone(),
            card: cards_seen(traced.cards, traced.scale),
            lens: traced.lens,
            mm_per_px,
            warnings,
            budget: radius,
            verdict,
        },
        form: section.form.into(),
        object,
        radius_mm,
        turn_deg,
        two_arcs,
        flanks_mm: section.flank_mm,
        profile_mm: profile_mm.iter().map(|p| [p.0.x, p.0.y]).collect(),
        profile_px,
        deviation_mm: section.deviation_mm.clone(),
        rms_mm: section.rms_mm,
        fitted: fitted(traced, &section, &outline),
        thickness_mm: traced.height_mm,
        choice: Choice {
            rounded: section.rounded.map(|c| c.score),
            sharp: section.sharp.map(|c| c.score),
            crown: section.arc.map(|c| c.score),
        },
        next,
    })
}

/// What a knife leaves and a saw and file do not: raggedness shared by neighbours, mm, and what of it the photo itself may
/// show, px (ours, no source).
const CUT_MM: f64 = 0.045;
const CUT_PX: f64 = 0.15;
/// Shorter waves of the edge are raggedness of the cut, not shape, mm.
const RAGGED_MM: f64 = 6.0;

fn ragged_mm(section: &Section) -> f64 {
    let shared: f64 = section.noise.ragged.iter().map(|r| r.sd * r.sd).sum();
    shared.sqrt()
}

/// The edge without its raggedness: the fitted form and the filtered distances from it (spline filter, ISO 16610-22).
fn filtered(section: &Section, points: &[Mm]) -> Vec<Mm> {
    let mut at: Vec<(f64, f64, f64, usize)> = Vec::with_capacity(points.len());
    let outward = |p: Point2<f64>| -> Option<(f64, f64, Vector2<f64>)> {
        match (&section.corner, &section.crown) {
            (Some(corner), _) => {
                let seen = corner.see(p);
                Some((
                    seen.along,
                    seen.distance,
                    Vector2::new(-seen.by[0], -seen.by[1]),
                ))
            }
            (None, Some(arc)) => {
                let c = arc.centre?.0;
                let d = p - c;
                let from = points.get(points.len() / 2)?.0 - c;
                let angle = from.perp(&d).atan2(from.dot(&d));
                Some((
                    angle * arc.radius_mm,
                    d.norm() - arc.radius_mm,
                    d.normalize(),
                ))
            }
            (None, None) => None,
        }
    };
    for (i, p) in points.iter().enumerate() {
        let Some((s, d, _)) = outward(p.0) else {
            return points.to_vec();
        };
        let used = section.used.get(i).copied().unwrap_or(true);
        at.push((s, d, if used { 1.0 } else { 1e-3 }, i));
    }
    at.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut last = f64::NEG_INFINITY;
    for a in &mut at {
        a.0 = a.0.max(last + 1e-3);
        last = a.0;
    }
    let column = |f: fn(&(f64, f64, f64, usize)) -> f64| at.iter().map(f).collect::<Vec<f64>>();
    let smooth = Fair::new(&column(|a| a.0), Some(&column(|a| a.2)), RAGGED_MM)
        .and_then(|fair| fair.apply(&column(|a| a.1)));
    let Ok(smooth) = smooth else {
        return points.to_vec();
    };
    let mut out = points.to_vec();
    for (a, smooth) in at.iter().zip(smooth) {
        if let (Some((_, d, n)), Some(p)) = (outward(points[a.3].0), out.get_mut(a.3)) {
            *p = Mm(p.0 + n * (smooth - d));
        }
    }
    out
}

/// What to do next, one sentence. `panel`: the edge is the panel's own, not a piece's; `less`: the radius less the wanted one, mm,
/// and what that comes to.
fn next(form: FormName, panel: bool, less: Option<(f64, Outcome)>) -> String {
    match less {
        Some((_, Outcome::Within)) if panel => "The radius is right here: go on along the swage.".to_string(),
        Some((_, Outcome::Within)) => "The piece is true: use it.".to_string(),
        Some((less, Outcome::Outside)) => format!(
            "The radius is {:.2} mm too {}: rework the arc and photograph it again{}.",
            less.abs(),
            if less > 0.0 { "large" } else { "small" },
            if panel { "" } else { " before use" }
        ),
        Some((_, Outcome::Undecided)) => {
            "Step closer, or take a second photo: this one can't decide.".to_string()
        }
        None => match form {
            FormName::Crown => {
                "Shape it with a long block; take more stations if the crown changes along the panel.".to_string()
            }
            FormName::Sharp => {
                "The corner is too sharp for a radius to show in this photo: step closer if a small one matters.".to_string()
            }
            FormName::Convex | FormName::Concave => {
                "Take stations along the swage, then choose rods and blocks by how the radius runs.".to_string()
            }
        },
    }
}

/// Focal length, px: what a height does to the scale is height over distance, and a pixel covers distance over focal length.
fn focal(traced: &Traced) -> f64 {
    traced.scale.lens().fx
}

fn fitted(traced: &Traced, section: &Section, outline: &[Mm]) -> Fitted {
    let pair = |p: Point2<f64>| [p.x, p.y];
    let on_photo = super::follow::on_photo(traced.scale, outline, traced.height_mm);
    let arc_mm = match (&section.corner, &section.crown) {
        (Some(c), _) if c.radius > 0.0 => {
            let half = 0.5 * c.radius * c.turn;
            Some([pair(c.point(-half)), pair(c.point(half))])
        }
        (None, Some(_)) => outline
            .first()
            .zip(outline.last())
            .map(|(a, b)| [pair(a.0), pair(b.0)]),
        _ => None,
    };
    let centre = match (&section.corner, &section.crown) {
        (Some(c), _) if c.radius > 0.0 => Some(c.centre()),
        (None, Some(arc)) => arc.centre.map(|c| c.0),
        _ => None,
    };
    Fitted {
        outline_mm: outline.iter().map(|p| pair(p.0)).collect(),
        outline_px: on_photo.into_iter().map(pair).collect(),
        arc_mm,
        centre_mm: centre.map(pair),
        centre_px: centre
            .and_then(|c| traced.scale.px_above(Mm(c), traced.height_mm))
            .map(|p| pair(p.0)),
        corner_mm: section.corner.map(|c| pair(c.at)),
        into_material: [traced.into_material.x, traced.into_material.y],
    }
}

/// Places along the fitted form beside the points, in their order, about `step` mm apart.
pub fn outline(section: &Section, points: &[Mm], step: f64) -> Vec<Mm> {
    match (&section.corner, &section.crown) {
        (Some(corner), _) => {
            let along: Vec<f64> = points
                .iter()
                .enumerate()
                .filter(|(i, _)| section.used.get(*i).copied().unwrap_or(true))
                .map(|(_, p)| corner.see(p.0).along)
                .collect();
            let low = along.iter().copied().fold(f64::INFINITY, f64::min);
            let high = along.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let n = ((high - low) / step).ceil().clamp(1.0, 20_000.0) as usize;
            let back = along.first() > along.last();
            (0..=n)
                .map(|k| {
                    let t = k as f64 / n as f64;
                    let t = if back { 1.0 - t } else { t };
                    Mm(corner.point(low + (high - low) * t))
                })
                .collect()
        }
        (None, Some(arc)) => match arc.centre {
            Some(c) => round(c.0, arc.radius_mm, points, step),
            None => points
                .first()
                .into_iter()
                .chain(points.last())
                .copied()
                .collect(),
        },
        (None, None) => points.to_vec(),
    }
}

/// Places along a round, from beside the first point to beside the last.
fn round(centre: Point2<f64>, radius: f64, points: &[Mm], step: f64) -> Vec<Mm> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Vec::new();
    };
    let from = first.0 - centre;
    let turn = |p: &Mm| {
        let d = p.0 - centre;
        from.perp(&d).atan2(from.dot(&d))
    };
    let sweep = turn(last);
    let n = ((sweep.abs() * radius / step).ceil()).clamp(1.0, 20_000.0) as usize;
    let start = from.y.atan2(from.x);
    (0..=n)
        .map(|k| {
            let (s, c) = (start + sweep * k as f64 / n as f64).sin_cos();
            Mm(centre + Vector2::new(c, s) * radius)
        })
        .collect()
}

/// What errors of the places do to radius (mm) and turn (degrees).
struct Doubt {
    /// By source of the scale: standard uncertainties of radius and turn.
    scale: Vec<(Part, [f64; 2])>,
    /// By the edge's model.
    model: [f64; 2],
}

impl Doubt {
    fn of(
        section: &Section,
        placed: &Placed,
        [whole, piece, slow]: [f64; 3],
        common_mm: &[Vec<f64>],
    ) -> Option<Doubt> {
        let used: Vec<usize> = (0..placed.points.len())
            .filter(|i| section.used.get(*i).copied().unwrap_or(true))
            .collect();
        // Distances' derivatives by the unknowns and by the place, and which piece each point lies on.
        let mut rows: Vec<(Vec<f64>, Vector2<f64>, usize, f64)> = Vec::new();
        for i in &used {
            let p = placed.points[*i].0;
            match (&section.corner, &section.crown) {
                (Some(corner), _) => {
                    let seen = corner.see(p);
                    let piece = match seen.piece {
                        Piece::First => 0,
                        Piece::Arc => 1,
                        Piece::Second => 2,
                    };
                    let free = if section.form == Form::Sharp { 4 } else { 5 };
                    rows.push((
                        seen.by[..free].to_vec(),
                        Vector2::new(-seen.by[0], -seen.by[1]),
                        piece,
                        seen.along,
                    ));
                }
                (None, Some(arc)) => {
                    let c = arc.centre?;
                    let n = (p - c.0).normalize();
                    rows.push((vec![-n.x, -n.y, -1.0], n, 0, 0.0));
                }
                (None, None) => return None,
            }
        }
        let free = rows.first()?.0.len();
        let n = rows.len();
        let mut s: Vec<f64> = rows.iter().map(|r| r.3).collect();
        if section.crown.is_some() {
            let points: Vec<Point2<f64>> = used.iter().map(|i| placed.points[*i].0).collect();
            s = lengths_along(&points);
        } else if s.first() > s.last() {
            s.iter_mut().for_each(|v| *v = -*v);
        }
        let whitener = Whitener::new(&s, &section.noise, None);
        let mut jacobian = DMatrix::from_fn(n, free, |i, j| rows[i].0[j]);
        for mut column in jacobian.column_iter_mut() {
            whitener.apply(column.as_mut_slice());
        }
        // Unknowns in lengths of like size, so that the flat crown's normal matrix keeps its digits.
        let size: Vec<f64> = (0..free)
            .map(|k| jacobian.column(k).norm().max(1e-12))
            .collect();
        for (k, mut column) in jacobian.column_iter_mut().enumerate() {
            column /= size[k];
        }
        let factor = jacobian.clone().svd(true, true);
        let answer = |mut d: Vec<f64>| -> Option<[f64; 2]> {
            whitener.apply(&mut d);
            // Minus: the form follows the points.
            let x = factor.solve(&DVector::from_vec(d), 1e-14).ok()?;
            let of = |k: usize| -x[k] / size[k];
            Some(match (section.crown.is_some(), section.form) {
                (true, _) => [of(2), 0.0],
                (false, Form::Sharp) => [0.0, of(3).to_degrees()],
                _ => [of(4), of(3).to_degrees()],
            })
        };
        let parameters = placed.slopes.first()?[0].len();
        let mut gains = Vec::with_capacity(parameters);
        for k in 0..parameters {
            let d: Vec<f64> = used
                .iter()
                .zip(&rows)
                .map(|(i, r)| r.1.x * placed.slopes[*i][0][k] + r.1.y * placed.slopes[*i][1][k])
                .collect();
            gains.push(answer(d)?);
        }
        let scale = placed
            .covariance
            .iter()
            .map(|(part, c)| {
                let u = |which: usize| {
                    let g = DVector::from_iterator(parameters, gains.iter().map(|g| g[which]));
                    (g.transpose() * c * &g)[0].max(0.0).sqrt()
                };
                (*part, [u(0), u(1)])
            })
            .collect();
        let mut model = [0.0f64; 2];
        let places: Vec<(usize, f64)> = rows.iter().zip(&s).map(|(r, s)| (r.2, *s)).collect();
        let errors = pieces(&places, section.crown.is_some());
        let of_model = errors
            .into_iter()
            .zip([whole, piece, piece, piece, slow, slow])
            .map(|(error, size)| error.into_iter().map(|e| size * e).collect());
        let beside = common_mm
            .iter()
            .map(|moves| used.iter().filter_map(|i| moves.get(*i).copied()).collect());
        for d in of_model.chain(beside) {
            let d: Vec<f64> = d;
            if d.len() != n {
                return None;
            }
            let g = answer(d)?;
            for (m, g) in model.iter_mut().zip(g) {
                *m = m.hypot(g);
            }
        }
        Some(Doubt { scale, model })
    }

    /// Parts of the radius's (0) or the turn's (1) interval; `fit_u`: by the edge's noise.
    fn budget(&self, which: usize, fit_u: f64) -> Vec<BudgetPart> {
        let mut all = vec![
            BudgetPart::from_u(Part::Edge, fit_u),
            BudgetPart::from_u(Part::Fit, self.model[which]),
        ];
        all.extend(
            self.scale
                .iter()
                .map(|(part, u)| BudgetPart::from_u(*part, u[which])),
        );
        all
    }
}

/// What the edge's model may be off, of size one: the whole edge by as much; each piece by as much; each flank from less to
/// more along it, a crown in its middle against its ends, mean square one. `points`: piece and place of each point.
fn pieces(points: &[(usize, f64)], crown: bool) -> Vec<Vec<f64>> {
    let of = |f: &dyn Fn(usize, f64) -> f64| points.iter().map(|(p, s)| f(*p, *s)).collect();
    let mut all = vec![of(&|_, _| 1.0)];
    for piece in 0..3 {
        all.push(of(&|p, _| f64::from(u8::from(p == piece))));
    }
    for flank in if crown { &[0][..] } else { &[0, 2] } {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (_, s) in points.iter().filter(|p| p.0 == *flank) {
            (low, high) = (low.min(*s), high.max(*s));
        }
        let (middle, half) = (0.5 * (low + high), (0.5 * (high - low)).max(1e-9));
        if middle.is_finite() {
            all.push(of(&|p, s| {
                let t = (s - middle) / half;
                match (p == *flank, crown) {
                    (false, _) => 0.0,
                    (true, false) => 3.0f64.sqrt() * t,
                    (true, true) => 5.0f64.sqrt() * (1.5 * t * t - 0.5),
                }
            }));
        }
    }
    all
}
