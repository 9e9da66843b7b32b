//! A straightedge's result in words and on its photo.
//!
//! On the photo the gap is drawn from the straightedge's edge, many times as large as it is (the factor is stated), striped;
//! contacts are pointed at. Sizes are shares of the picture's width, as on the line's picture.

use super::canvas;
use super::caution::CAUTION;
use super::drawing::{
    ADD, Anchor, Colour, Drawing, Frame, INK, Paint, Place, Text, WHITE, fitting, wrapped,
};
use super::font;
use super::labels::{self, Label, Room};
use super::scene::{spacing, verdict_of};
use super::section_text;
use super::shrink::shrink;
use super::text::{ended, largest_part, scale};
use super::words::{self, plus_minus, short};
use crate::check::straightedge::{Rests, StraightedgeResult};
use crate::photo::Photo;
use image::RgbImage;
use nalgebra::{Point2, Vector2};

/// A result in a dozen lines; `files` are paths to show, the marked photo first.
pub fn words(result: &StraightedgeResult, files: &[String]) -> String {
    let length = length_mm(result);
    let mut lines = vec![format!("{}, over {length:.0} mm", headline(result))];
    lines.extend(
        result
            .head
            .verdict
            .iter()
            .map(|verdict| format!("  {}", verdict.why)),
    );
    lines.push(format!("Next: {}", result.next));
    lines.push(rests(result));
    if let Some(radius) = result.crown_radius_mm {
        lines.push(format!(
            "Crown: radius {:.1} ± {:.1} m.",
            radius.value / 1000.0,
            radius.u95 / 1000.0
        ));
    }
    if let Some(section) = &result.section {
        lines.push(format!(
            "Across the swage: largest gap {} mm; flanks {:.0} and {:.0} mm seen straight; the edge keeps within {:.3} mm (rms) of the fitted form.",
            plus_minus(result.max_gap_mm),
            section.flanks_mm[0],
            section.flanks_mm[1],
            section.rms_mm
        ));
    }
    if let Some(filler) = result.filler_mm.filter(|_| result.rests != Rests::Even) {
        lines.push(format!(
            "Filler that would close it: {} mm at {:.0} mm; no thicker in one go than its maker allows.",
            plus_minus(filler),
            result.max_at_mm
        ));
        lines.push(CAUTION.into());
    }
    if let Some(turned) = &result.turned {
        lines.push(format!(
            "Turned over: the straightedge itself is off by {} mm at most; that is taken out.",
            plus_minus(turned.largest_error_mm)
        ));
    }
    if !result.flaws_mm.is_empty() {
        let places: Vec<String> = result
            .flaws_mm
            .iter()
            .take(6)
            .map(|f| format!("{:.0}–{:.0}", f[0], f[1]))
            .collect();
        lines.push(format!(
            "Left out as nicks or dirt, mm: {}{}.",
            places.join(", "),
            if result.flaws_mm.len() > 6 {
                ", …"
            } else {
                ""
            }
        ));
    }
    lines.push(scale(&result.head));
    lines.extend(largest_part(&result.head));
    ended(lines, &result.head, "Picture", files)
}

/// One photo of several, on one line.
pub fn short_words(result: &StraightedgeResult) -> String {
    format!(
        "{}: {}, {}",
        result.head.photo,
        headline(result),
        word(result.rests)
    )
}

/// The first line.
pub fn headline(result: &StraightedgeResult) -> String {
    let figure = match &result.section {
        Some(section) => section_text::figure(section),
        None => format!("largest gap {} mm", plus_minus(result.max_gap_mm)),
    };
    words::headline(result.head.verdict.as_ref(), figure)
}

fn word(rests: Rests) -> &'static str {
    match rests {
        Rests::Rocks => "rocks",
        Rests::Bridges => "bridges",
        Rests::Even => "stands even",
    }
}

/// How it rests and where it touches.
fn rests(result: &StraightedgeResult) -> String {
    let places: Vec<String> = result
        .contacts_mm
        .iter()
        .map(|s| format!("{s:.0}"))
        .collect();
    let touches = if places.is_empty() && result.section.is_some() {
        "where it touches is hidden".to_string()
    } else if places.is_empty() {
        "it touches nowhere in the picture".to_string()
    } else {
        format!("it touches at {} mm", places.join(" and "))
    };
    let how = match result.rests {
        Rests::Rocks if result.section.is_some() => "It lies on a crest",
        Rests::Bridges if result.section.is_some() => "It bridges a root",
        Rests::Rocks => "It rocks, the panel is high in the middle",
        Rests::Bridges => "It bridges a hollow",
        Rests::Even => "It stands even",
    };
    if places.is_empty() {
        format!("{how}: {touches}.")
    } else {
        format!("{how}: {touches} from the left end (top end when it stands upright).")
    }
}

fn length_mm(result: &StraightedgeResult) -> f64 {
    match (result.gap.first(), result.gap.last()) {
        (Some(a), Some(b)) => b.s_mm - a.s_mm,
        _ => 0.0,
    }
}

/// The longer side of the shown photo, px.
const LONGEST: usize = 1600;
/// Height of the largest gap in the picture, as a share of the photo's shorter side.
const RIBBON: f64 = 0.09;
/// Factors to choose from.
const FACTORS: [f64; 11] = [1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 75.0];
/// Ground of the bands.
const BAND: Colour = [24, 28, 34];

/// The marked photo as PNG.
pub fn png(photo: &Photo, result: &StraightedgeResult) -> Vec<u8> {
    canvas::png(&draw(photo, result))
}

/// Draws the marked photo. `photo` may be grey.
pub fn draw(photo: &Photo, result: &StraightedgeResult) -> RgbImage {
    let scale = (LONGEST as f64 / photo.width.max(photo.height).max(1) as f64).min(1.0);
    let width = ((photo.width as f64 * scale).round() as usize).max(1);
    let height = ((photo.height as f64 * scale).round() as usize).max(1);
    let unit = width as f64 / 100.0;
    let left = 2.0 * unit;
    let wide = width as f64 - 2.0 * left;
    let next = wrapped(&format!("Next: {}", result.next), 3.2 * unit, false, wide);
    let verdict = verdict_of(&result.head);
    let plate = if verdict.is_some() { 8.6 * unit } else { 0.0 };
    let head = (plate + 6.2 * unit + next.len() as f64 * 4.2 * unit + 3.2 * unit).ceil();
    let foot = (11.0 * unit).ceil();
    let mut picture = RgbImage::new(width as u32, (head + height as f64 + foot) as u32);
    let top = head as usize * width * 3;
    if let Some(body) = picture.get_mut(top..top + 3 * width * height) {
        shrink(photo, body, width, height);
    }
    let mut drawing = Drawing::new(f64::from(picture.width()), f64::from(picture.height()));
    let body = Frame {
        left: 0.0,
        top: head,
        right: width as f64,
        bottom: head + height as f64,
    };
    let factor = ribbon(&mut drawing, result, scale, body, unit);
    // Above: verdict, figure, what to do next.
    let band = Frame {
        left: 0.0,
        top: 0.0,
        right: width as f64,
        bottom: head,
    };
    drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
    let mut y = 1.6 * unit;
    if let Some((sign, words, ground, letters)) = verdict {
        let words = format!("{sign} {words}");
        let size = fitting(&words, 6.4 * unit, true, wide - 2.0 * left);
        let plate = Frame {
            left,
            top: y,
            right: left + font::width(&words, size, true) + 1.4 * left,
            bottom: y + 8.0 * unit,
        };
        drawing.area(plate.corners(), Paint::Plain(ground, 1.0));
        let base = (plate.top + plate.bottom) / 2.0 + size * 0.36;
        drawing.text(Text::from_left(
            Place::new(left * 1.7, base),
            size,
            true,
            letters,
            words,
        ));
        y += 8.6 * unit;
    }
    let figure = match &result.section {
        Some(section) => section_text::figure(section),
        None => format!(
            "Largest gap {} mm, {}",
            plus_minus(result.max_gap_mm),
            word(result.rests)
        ),
    };
    y += 4.6 * unit;
    let size = fitting(&figure, 4.6 * unit, true, wide);
    drawing.text(Text::from_left(
        Place::new(left, y),
        size,
        true,
        WHITE,
        figure,
    ));
    y += 1.6 * unit;
    for line in next {
        y += 3.2 * unit;
        drawing.text(Text::from_left(
            Place::new(left, y),
            3.2 * unit,
            false,
            WHITE,
            line,
        ));
        y += unit;
    }
    legend(&mut drawing, result, factor, scale, body, unit);
    canvas::draw(&drawing, &mut picture);
    picture
}

/// The gap along the straightedge, exaggerated; returns the factor.
fn ribbon(
    drawing: &mut Drawing,
    result: &StraightedgeResult,
    scale: f64,
    body: Frame,
    unit: f64,
) -> f64 {
    let px_per_mm = scale / result.head.mm_per_px;
    let place = |px: &[f64; 2]| Place::new((px[0] + 0.5) * scale, (px[1] + 0.5) * scale + body.top);
    let rule: Vec<Place> = result.rule_px.iter().map(place).collect();
    let (Some(first), Some(last)) = (rule.first(), rule.last()) else {
        return 1.0;
    };
    let along = (last - first).normalize();
    // Toward the panel: where its edge lies on the whole.
    let mut toward = Vector2::new(-along.y, along.x);
    let sum: f64 = result
        .rule_px
        .iter()
        .zip(&result.panel_px)
        .map(|(r, p)| (Point2::from(*p) - Point2::from(*r)).dot(&toward))
        .sum();
    if sum < 0.0 {
        toward = -toward;
    }
    let largest = result
        .gap
        .iter()
        .map(|g| g.gap_mm)
        .fold(result.max_gap_mm.u95, f64::max);
    let wanted = RIBBON * (body.right - body.left).min(body.bottom - body.top)
        / (largest * px_per_mm).max(1e-9);
    let factor = FACTORS
        .into_iter()
        .rev()
        .find(|f| *f <= wanted)
        .unwrap_or(1.0);
    let shown: Vec<Place> = rule
        .iter()
        .zip(&result.gap)
        .map(|(at, g)| at + toward * (g.gap_mm * px_per_mm * factor))
        .collect();
    let mut outline = rule.clone();
    outline.extend(shown.iter().rev());
    drawing.area(outline.clone(), Paint::Plain(WHITE, 0.55));
    drawing.area(outline, Paint::Add(1.3 * unit));
    drawing.line(rule.clone(), unit * 0.55, WHITE);
    drawing.dashes(rule.clone(), unit * 0.28, INK, unit * 1.2);
    drawing.rimmed(shown.clone(), unit * 0.4, INK);
    let at = |s: f64, places: &[Place]| -> Option<Place> {
        let k = result
            .gap
            .partition_point(|g| g.s_mm < s)
            .min(places.len().checked_sub(1)?);
        places.get(k).copied()
    };
    let mut labels = Vec::new();
    if let Some(place) = at(result.max_at_mm, &shown) {
        labels.push(Label {
            at: place,
            side: 1.0,
            words: format!("{} mm", plus_minus(result.max_gap_mm)),
            colour: ADD,
        });
    }
    for s in result.contacts_mm.iter().take(4) {
        let Some(place) = at(*s, &rule) else { continue };
        // A wedge from the straightedge's side, its tip where it touches.
        let (tip, back) = (place, place - toward * (2.6 * unit));
        let wedge = vec![
            tip,
            back + along * (1.3 * unit),
            back - along * (1.3 * unit),
        ];
        let rim: Vec<Place> = wedge.iter().map(|p| back + (p - back) * 1.35).collect();
        drawing.area(rim, Paint::Plain(WHITE, 1.0));
        drawing.area(wedge, Paint::Plain(INK, 1.0));
        labels.push(Label {
            at: back,
            side: -1.0,
            words: "touches".to_string(),
            colour: INK,
        });
    }
    let room = Room {
        within: body.grown(-unit),
        keep_clear: shown.iter().chain(&rule).step_by(4).copied().collect(),
        away: toward,
    };
    labels::draw(drawing, &labels, &room, 3.1 * unit);
    factor
}

/// Below: what the stripes mean, the factor, the scale bar.
fn legend(
    drawing: &mut Drawing,
    result: &StraightedgeResult,
    factor: f64,
    scale: f64,
    body: Frame,
    unit: f64,
) {
    let band = Frame {
        left: 0.0,
        top: body.bottom,
        right: body.right,
        bottom: body.bottom + 11.0 * unit + 1.0,
    };
    drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
    let (left, size) = (2.0 * unit, 2.9 * unit);
    let base = body.bottom + unit + size * 1.1;
    let swatch = Frame {
        left,
        top: base - size * 0.9,
        right: left + size * 2.0,
        bottom: base + size * 0.2,
    };
    drawing.area(swatch.grown(unit * 0.2).corners(), Paint::Plain(WHITE, 1.0));
    drawing.area(swatch.corners(), Paint::Add(1.3 * unit));
    drawing.text(Text::from_left(
        Place::new(swatch.right + size * 0.5, base),
        size,
        false,
        WHITE,
        "gap".to_string(),
    ));
    let px_per_mm = scale / result.head.mm_per_px;
    let length_mm = spacing(body.right / px_per_mm, 9.0);
    let bar = length_mm * px_per_mm;
    let right = body.right - left;
    if bar.is_finite() && bar > 0.0 && bar < body.right {
        let y = base - size * 0.3;
        drawing.line(
            vec![Place::new(right - bar, y), Place::new(right, y)],
            unit * 0.5,
            WHITE,
        );
        for end in [right - bar, right] {
            drawing.line(
                vec![
                    Place::new(end, y - size * 0.4),
                    Place::new(end, y + size * 0.4),
                ],
                unit * 0.35,
                WHITE,
            );
        }
        drawing.text(Text {
            anchor: Anchor::End,
            ..Text::from_left(
                Place::new(right - bar - size * 0.5, base),
                size,
                false,
                WHITE,
                format!("{} mm", short(length_mm, 1)),
            )
        });
    }
    let words = if factor > 1.0 {
        format!(
            "Gap drawn {} times as large as it is, from the straightedge's edge.",
            short(factor, 0)
        )
    } else {
        "Gap drawn as large as it is.".to_string()
    };
    drawing.text(Text::from_left(
        Place::new(left, base + size * 1.5),
        fitting(&words, size, false, body.right - 2.0 * left),
        false,
        WHITE,
        words,
    ));
}
