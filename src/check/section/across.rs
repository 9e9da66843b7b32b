//! A straightedge laid across the swage: the gap under it is the section.
//!
//! The straightedge touches the crest, and the gap along it is the panel's outline seen from its edge, which is straight: the
//! same flank, arc, flank is fitted to it as to a template's edge. Only the gap's own interval is known of its errors; it is
//! taken as if the whole gap were too large or too small by that share, which bends the arc most.

use super::figures::outline;
use super::{Choice, Fitted, Object, SectionRequest, SectionResult};
use crate::budget::{BudgetPart, Part, combine, gather};
use crate::check::straightedge::StraightedgeResult;
use crate::check::{CheckError, Head};
use crate::fit::section::{Form, SectionOptions, fit_section};
use crate::units::{K95, Measured, Mm};
use crate::verdict::judge;
use nalgebra::{Point2, Vector2};

/// Length along the straightedge over which its gap is read as one, mm: half the shortest wave of the gap's filter.
const READ_MM: f64 = 12.5;

/// Fits a section to the gap along a straightedge, nicks and dirt left out. The frame is the straightedge's: x along it from
/// its first visible end, y into the panel.
///
/// # Errors
/// [`CheckError::Fit`] for too short a gap or one that no form fits.
pub fn of_gap(
    gap: &StraightedgeResult,
    request: &SectionRequest,
) -> Result<SectionResult, CheckError> {
    let sound = |s: f64| !gap.flaws_mm.iter().any(|f| s >= f[0] && s <= f[1]);
    let rows: Vec<usize> = (0..gap.gap.len())
        .filter(|k| sound(gap.gap[*k].s_mm))
        .collect();
    let points: Vec<Mm> = rows
        .iter()
        .map(|k| Mm::new(gap.gap[*k].s_mm, gap.gap[*k].gap_mm))
        .collect();
    let into_material = Vector2::new(0.0, 1.0);
    let section = fit_section(
        &points,
        &SectionOptions {
            into_material,
            ..SectionOptions::default()
        },
    )?;
    let largest = gap.max_gap_mm;
    // The gap is read over a stretch, which lengthens a short arc: the true one may be shorter by that.
    let turn = section.turn_deg.value.to_radians().abs().max(1e-6);
    let arc = section.radius_mm.value * turn;
    let shorter = match &section.crown {
        Some(_) => 0.0,
        None => section.radius_mm.value - (arc * arc - READ_MM * READ_MM).max(0.0).sqrt() / turn,
    };
    let share = largest.u95 / largest.value.abs().max(1e-3);
    let parts = |value: f64, u: f64| {
        gather(&[
            BudgetPart::from_u(Part::Edge, u),
            BudgetPart {
                part: Part::Fit,
                u95_mm: value.abs() * share,
            },
            BudgetPart {
                part: Part::Fit,
                u95_mm: shorter.max(0.0),
            },
        ])
    };
    let radius = parts(section.radius_mm.value, section.radius_mm.u);
    let mut warnings = gap.head.warnings.clone();
    if section.crown.is_none() && arc < 2.0 * READ_MM {
        warnings.push(format!(
            "the gap shows no arc shorter than about {READ_MM:.0} mm: a radius this small is better taken with a template or comb"
        ));
    }
    let radius_mm = (section.form != Form::Sharp).then(|| Measured {
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
            u95: (K95 * section.turn_deg.u)
                .hypot(share * section.turn_deg.value)
                .max(1e-4),
        },
    };
    let verdict = match (request.want_mm, request.tol_mm, radius_mm) {
        (Some(want), Some(tol), Some(r)) => Some(judge(
            "radius less wanted",
            Measured {
                value: r.value - want,
                u95: r.u95,
            },
            tol,
            &radius,
        )?),
        _ => None,
    };
    let place = Place::of(gap);
    let pair = |p: Point2<f64>| [p.x, p.y];
    let form = outline(&section, &points, 0.5);
    let centre = match (&section.corner, &section.crown) {
        (Some(c), _) if c.radius > 0.0 => Some(c.centre()),
        (None, Some(arc)) => arc.centre.map(|c| c.0),
        _ => None,
    };
    let arc_mm = match (&section.corner, &section.crown) {
        (Some(c), _) if c.radius > 0.0 => {
            let half = 0.5 * c.radius * c.turn;
            Some([pair(c.point(-half)), pair(c.point(half))])
        }
        (None, Some(_)) => form
            .first()
            .zip(form.last())
            .map(|(a, b)| [pair(a.0), pair(b.0)]),
        _ => None,
    };
    Ok(SectionResult {
        head: Head {
            check: "section".into(),
            budget: radius,
            verdict,
            warnings,
            ..gap.head.clone()
        },
        form: section.form.into(),
        object: Object::Straightedge,
        radius_mm,
        turn_deg,
        flanks_mm: section.flank_mm,
        profile_mm: points.iter().map(|p| pair(p.0)).collect(),
        profile_px: rows
            .iter()
            .filter_map(|k| gap.panel_px.get(*k).copied())
            .collect(),
        deviation_mm: section.deviation_mm.clone(),
        rms_mm: section.rms_mm,
        fitted: Fitted {
            outline_px: form.iter().map(|p| place.px(p.0)).collect(),
            outline_mm: form.iter().map(|p| pair(p.0)).collect(),
            arc_mm,
            centre_px: centre.map(|c| place.px(c)),
            centre_mm: centre.map(pair),
            corner_mm: section.corner.map(|c| pair(c.at)),
            into_material: [into_material.x, into_material.y],
        },
        thickness_mm: 0.0,
        choice: Choice {
            rounded: section.rounded.map(|c| c.score),
            sharp: section.sharp.map(|c| c.score),
            crown: section.arc.map(|c| c.score),
        },
        next: match section.form {
            Form::Crown => "The gap is one arc, so no swage is seen: lay the straightedge across it, not along it.",
            _ => "Take stations along the swage, then choose rods and blocks by how the radius runs.",
        }
        .into(),
    })
}

/// Where a place of the straightedge's frame lies in the photo: along its edge, and square to it by the mean scale (good for
/// drawing).
struct Place<'a> {
    gap: &'a StraightedgeResult,
    down: Vector2<f64>,
}

impl Place<'_> {
    fn of(gap: &StraightedgeResult) -> Place<'_> {
        let widest = (0..gap.gap.len().min(gap.panel_px.len()).min(gap.rule_px.len()))
            .max_by(|a, b| gap.gap[*a].gap_mm.total_cmp(&gap.gap[*b].gap_mm));
        let down = widest.map_or(Vector2::zeros(), |k| {
            let d = Point2::from(gap.panel_px[k]) - Point2::from(gap.rule_px[k]);
            d / gap.gap[k].gap_mm.abs().max(1e-3)
        });
        Place { gap, down }
    }

    fn px(&self, mm: Point2<f64>) -> [f64; 2] {
        let (rows, px) = (&self.gap.gap, &self.gap.rule_px);
        let last = rows.len().min(px.len()).saturating_sub(1);
        let (Some(a), Some(b)) = (px.first(), px.get(last)) else {
            return [0.0, 0.0];
        };
        let span = (rows[last].s_mm - rows[0].s_mm).max(1e-6);
        let share = (mm.x - rows[0].s_mm) / span;
        let (a, b) = (Point2::from(*a), Point2::from(*b));
        let at = a + (b - a) * share + self.down * mm.y;
        [at.x, at.y]
    }
}
