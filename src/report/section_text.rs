//! A section in a dozen lines, and its profile as CSV and true-size drawings.

use super::caution::CAUTION;
use super::text::{ended, largest_part, scale};
use super::words::plus_minus;
use crate::check::section::{FormName, Object, SectionResult};
use crate::sheet::bars::{Axis, bar};
use crate::sheet::{At, Drawing, Ink, Item, Path, Pen, SheetError, Text};
use nalgebra::{Point2, Vector2};

/// The first line: form, radius and turn, and the verdict when there was a tolerance.
pub fn headline(result: &SectionResult) -> String {
    super::words::headline(result.head.verdict.as_ref(), figure(result))
}

/// `Convex, radius 12.1 ± 0.2 mm, turn 87.5 ± 0.1°`.
pub fn figure(result: &SectionResult) -> String {
    let turn = format!("turn {}°", plus_minus(result.turn_deg));
    match (result.form, result.radius_mm) {
        (FormName::Crown, Some(r)) => {
            if r.u95 > 0.5 * r.value {
                "Crown, all but straight".to_string()
            } else {
                format!("Crown, radius {} mm", plus_minus(r))
            }
        }
        (FormName::Convex, Some(r)) => format!("Convex, radius {} mm, {turn}", plus_minus(r)),
        (FormName::Concave, Some(r)) => format!("Concave, radius {} mm, {turn}", plus_minus(r)),
        (_, _) => format!("Sharp corner, {turn}"),
    }
}

/// What lies beside the card.
fn object(object: Object) -> &'static str {
    match object {
        Object::Template => "template",
        Object::Comb => "contour comb (envelope of its pin tips)",
        Object::Cut => "piece with a ragged edge, as cut by hand",
        Object::Panel => "panel under a straightedge",
    }
}

/// The section in words, ending in a line feed. `files` are paths to show, the marked photo first.
pub fn section(result: &SectionResult, files: &[String]) -> String {
    let mut lines = vec![headline(result)];
    if let Some(two) = result.two_arcs {
        let [first, second] = two.radii_mm.map(plus_minus);
        let [from, on] = two.turns_deg;
        lines.push(format!(
            "It is not one arc: {first} mm over the first {from:.0}°, then {second} mm over {on:.0}°; choose a tool for each"
        ));
    }
    lines.extend(
        result
            .head
            .verdict
            .iter()
            .map(|verdict| format!("  {}", verdict.why)),
    );
    lines.push(format!("Next: {}", result.next));
    // Only what sends to the panel: a template is reworked without harm.
    let panel = result.form == FormName::Crown || result.two_arcs.is_some();
    if panel && result.head.verdict.is_none() {
        lines.push(CAUTION.into());
    }
    if result.form != FormName::Crown {
        lines.push(format!(
            "Flanks: {:.1} and {:.1} mm seen straight.",
            result.flanks_mm[0], result.flanks_mm[1]
        ));
    }
    lines.push(format!(
        "Measured on a {}; it keeps within {:.3} mm (rms) of the fitted form.",
        object(result.object),
        result.rms_mm
    ));
    lines.push(scale(&result.head));
    lines.extend(largest_part(&result.head));
    ended(lines, &result.head, "Picture", files)
}

/// One photo of several, on one line.
pub fn short_line(result: &SectionResult) -> String {
    format!("{}: {}", result.head.photo, headline(result))
}

/// The profile as CSV: card millimetres, photo pixels and the distance from the fitted form, a row a point.
pub fn csv(result: &SectionResult) -> String {
    let mut out = String::from("x_mm,y_mm,x_px,y_px,deviation_mm\n");
    let rows = result
        .profile_mm
        .iter()
        .zip(&result.profile_px)
        .zip(&result.deviation_mm);
    for ((mm, px), d) in rows {
        out.push_str(&format!(
            "{:.4},{:.4},{:.3},{:.3},{:.4}\n",
            mm[0], mm[1], px[0], px[1], d
        ));
    }
    out
}

/// Space round the drawing, mm.
const MARGIN_MM: f64 = 12.0;
/// Room for the check bars and words below, mm.
const FOOT_MM: f64 = 38.0;

/// The section at true size: the fitted form to cut along (arcs as arcs), the measured profile beside it as a note, chord
/// level, material below; check bars on both axes.
///
/// # Errors
/// [`SheetError::NotDrawable`] for coordinates that are no plain numbers.
pub fn drawing(result: &SectionResult) -> Result<Drawing, SheetError> {
    let limit = SheetError::NotDrawable {
        limit_mm: crate::sheet::LIMIT_MM,
    };
    let outline: Vec<Point2<f64>> = result
        .fitted
        .outline_mm
        .iter()
        .map(|p| (*p).into())
        .collect();
    let (Some(first), Some(last)) = (outline.first(), outline.last()) else {
        return Err(limit);
    };
    let mut along = (last - first).try_normalize(1e-9).ok_or(limit)?;
    let into: Vector2<f64> = result.fitted.into_material.into();
    // Turned, never mirrored: y, down the sheet, is x turned a quarter.
    let flip = Vector2::new(-along.y, along.x).dot(&into) < 0.0;
    if flip {
        along = -along;
    }
    let down = Vector2::new(-along.y, along.x);
    let turned = |p: Point2<f64>| Point2::new((p - first).dot(&along), (p - first).dot(&down));
    let measured: Vec<Point2<f64>> = result
        .profile_mm
        .iter()
        .map(|p| turned((*p).into()))
        .collect();
    let all = || {
        measured
            .iter()
            .copied()
            .chain(outline.iter().map(|p| turned(*p)))
    };
    let low = all().fold(Point2::new(f64::MAX, f64::MAX), |m, p| {
        Point2::new(m.x.min(p.x), m.y.min(p.y))
    });
    let high = all().fold(Point2::new(f64::MIN, f64::MIN), |m, p| {
        Point2::new(m.x.max(p.x), m.y.max(p.y))
    });
    let put = |p: Point2<f64>| At::new(p.x - low.x + MARGIN_MM, p.y - low.y + MARGIN_MM);
    let place = |p: [f64; 2]| put(turned(p.into()));
    let ends = (put(turned(*first)), put(turned(*last)));
    let fitted = match (result.fitted.arc_mm, result.fitted.centre_mm) {
        (Some(arc), Some(centre)) => {
            let (mut from, mut to, centre) = (place(arc[0]), place(arc[1]), place(centre));
            if (from - ends.0).norm() > (to - ends.0).norm() {
                (from, to) = (to, from);
            }
            let (a, b) = (from - centre, to - centre);
            let sweep = a.perp(&b).atan2(a.dot(&b)).to_degrees();
            let path = Path::from(ends.0);
            let path = if result.form == FormName::Crown {
                path
            } else {
                path.line(from)
            };
            let path = path.arc(centre, sweep);
            if result.form == FormName::Crown {
                path
            } else {
                path.line(ends.1)
            }
        }
        _ => {
            let path = Path::from(ends.0);
            match result.fitted.corner_mm {
                Some(corner) => path.line(place(corner)).line(ends.1),
                None => path.line(ends.1),
            }
        }
    };
    let mut items = vec![Item::cut(fitted, Pen::black(0.25))];
    if let Some(path) = Path::polyline(&measured.iter().map(|p| put(*p)).collect::<Vec<_>>()) {
        items.push(Item::note(path, Pen::black(0.1).ink(Ink(110))));
    }
    let width_mm = (high.x - low.x + 2.0 * MARGIN_MM).max(100.0);
    let height_mm = high.y - low.y + 2.0 * MARGIN_MM + FOOT_MM;
    let words = figure(result);
    items.push(Item::Text(Text::new(
        At::new(MARGIN_MM, height_mm - FOOT_MM + 2.0),
        3.2,
        words.clone(),
    )));
    items.extend(bar(At::new(MARGIN_MM, height_mm - 7.0), Axis::X, 50.0));
    items.extend(bar(
        At::new(MARGIN_MM + 60.0, height_mm - 7.0),
        Axis::Y,
        20.0,
    ));
    Ok(Drawing {
        width_mm,
        height_mm,
        title: words,
        items,
    })
}
