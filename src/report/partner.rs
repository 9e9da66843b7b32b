//! Two sides compared: in words, and as a picture with both lines and their difference.

use super::canvas;
use super::drawing::{
    ADD, Anchor, Colour, Drawing, Frame, GREY, INK, Paint, Place, TAKE_DOWN, Text, WHITE, fitting,
    wrapped,
};
use super::scene::spacing;
use super::text::{ended, largest_part};
use super::vector;
use super::words::{plus_minus, short};
use crate::check::partner::{Kind, PartnerDeviation, PartnerResult};
use crate::verdict::Outcome;
use image::RgbImage;

/// Size of the picture, px.
const WIDTH: f64 = 1400.0;
const HEIGHT: f64 = 1000.0;
/// Type size.
const TYPE: f64 = 34.0;
/// Smallest height of a scale, mm.
const LEAST_SPAN_MM: f64 = 0.4;

/// The first line: the largest difference, and the verdict when there was a tolerance.
pub fn headline(result: &PartnerResult) -> String {
    let figure = plus_minus(result.max_mm);
    match &result.head.verdict {
        None => format!("Sides differ by at most {figure} mm"),
        Some(verdict) => {
            let word = match verdict.result {
                Outcome::Within => "WITHIN",
                Outcome::Outside => "OUTSIDE",
                Outcome::Undecided => "CAN'T TELL for",
            };
            format!(
                "{word} {} mm: sides differ by at most {figure} mm",
                short(verdict.tol_mm, 3)
            )
        }
    }
}

/// The comparison in words, ending in a line feed. `files` are paths to show.
pub fn text(result: &PartnerResult, files: &[String]) -> String {
    let mut lines = vec![
        format!("{}, over {:.0} mm", headline(result), result.length_mm),
        result.answer.clone(),
    ];
    lines.extend(
        result
            .head
            .verdict
            .iter()
            .map(|verdict| format!("  {}", verdict.why)),
    );
    if !result.places.is_empty() {
        lines.push("Where they differ, mm from the first side's start:".into());
        lines.extend(result.places.iter().take(8).map(|p| {
            format!(
                "  {:>9}  {}",
                format!("{:.0}–{:.0}", p.from_mm, p.to_mm),
                p.words
            )
        }));
    }
    lines.push(format!(
        "Compared: {} and {}{}, laid over one another ({} mm along).",
        result.sides[0],
        result.sides[1],
        if result.mirrored { ", mirrored" } else { "" },
        plus_minus(result.slide_mm)
    ));
    lines.extend(largest_part(&result.head));
    ended(lines, &result.head, "Picture", files)
}

/// The picture as PNG and as SVG.
pub fn png_and_svg(result: &PartnerResult) -> (Vec<u8>, String) {
    let drawing = draw(result);
    let mut picture = RgbImage::from_pixel(WIDTH as u32, HEIGHT as u32, image::Rgb(WHITE));
    canvas::draw(&drawing, &mut picture);
    (canvas::png(&picture), vector::svg(&drawing))
}

fn draw(result: &PartnerResult) -> Drawing {
    let mut drawing = Drawing::new(WIDTH, HEIGHT);
    let page = Frame {
        left: 0.0,
        top: 0.0,
        right: WIDTH,
        bottom: HEIGHT,
    };
    drawing.area(page.corners(), Paint::Plain(WHITE, 1.0));
    let head = headline(result);
    words(
        &mut drawing,
        Place::new(40.0, 60.0),
        fitting(&head, TYPE * 1.4, true, WIDTH - 80.0),
        true,
        INK,
        &head,
    );
    for (k, line) in wrapped(&result.answer, TYPE * 0.85, false, WIDTH - 80.0)
        .into_iter()
        .take(2)
        .enumerate()
    {
        let at = Place::new(40.0, 104.0 + k as f64 * TYPE * 1.1);
        words(&mut drawing, at, TYPE * 0.85, false, GREY, &line);
    }
    let upper = Frame {
        left: 150.0,
        top: 210.0,
        right: WIDTH - 40.0,
        bottom: 490.0,
    };
    let lower = Frame {
        left: 150.0,
        top: 590.0,
        right: WIDTH - 40.0,
        bottom: HEIGHT - 100.0,
    };
    both(&mut drawing, result, upper);
    difference(&mut drawing, result, lower);
    drawing
}

fn words(drawing: &mut Drawing, at: Place, size: f64, bold: bool, colour: Colour, text: &str) {
    drawing.text(Text {
        at,
        size,
        bold,
        colour,
        anchor: Anchor::Start,
        words: text.to_string(),
    });
}

/// Least and greatest of some values, apart by at least `span`.
fn ends(values: impl Iterator<Item = f64>, span: f64) -> (f64, f64) {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
    if low > high {
        return (-0.5 * span, 0.5 * span);
    }
    let lacking = (0.5 * (span - (high - low))).max(0.0);
    let air = 0.1 * (high - low).max(span);
    (low - lacking - air, high + lacking + air)
}

/// Both curves, heights drawn larger (a section true to shape).
fn both(drawing: &mut Drawing, result: &PartnerResult, frame: Frame) {
    let all = || result.first_mm.iter().chain(&result.second_mm);
    let (x0, x1) = ends(all().map(|p| p[0]), 1.0);
    let (mut y0, y1) = ends(all().map(|p| p[1]), LEAST_SPAN_MM);
    let mut across = (frame.right - frame.left) / (x1 - x0);
    let mut up = (frame.bottom - frame.top) / (y1 - y0);
    if result.kind == Kind::Section {
        across = across.min(up);
        up = across;
        let middle = 0.5 * (y0 + y1);
        let half = 0.5 * (frame.bottom - frame.top) / up;
        y0 = middle - half;
    }
    let place = |p: &[f64; 2]| {
        Place::new(
            frame.left + (p[0] - x0) * across,
            // Photo's down is the picture's down.
            frame.top + (p[1] - y0) * up,
        )
    };
    drawing.line(closed(frame), 2.0, GREY);
    let first: Vec<Place> = result.first_mm.iter().map(place).collect();
    let second: Vec<Place> = result.second_mm.iter().map(place).collect();
    drawing.rimmed(first, 6.0, INK);
    drawing.dashes(second, 6.0, TAKE_DOWN, 18.0);
    let factor = up / across;
    let legend = format!(
        "black: {}   orange, dashed: {}{}",
        result.sides[0],
        result.sides[1],
        if factor > 1.05 {
            format!("   heights {} times", short(factor, 0))
        } else {
            String::new()
        }
    );
    words(
        drawing,
        Place::new(frame.left, frame.top - 14.0),
        fitting(&legend, TYPE * 0.85, false, frame.right - frame.left),
        false,
        INK,
        &legend,
    );
}

/// The second less the first with its interval.
fn difference(drawing: &mut Drawing, result: &PartnerResult, frame: Frame) {
    let rows = &result.deviation;
    let limits = result.head.verdict.as_ref().map(|v| v.tol_mm);
    let values = rows
        .iter()
        .flat_map(|r| [r.d_mm - r.u95_mm, r.d_mm + r.u95_mm])
        .chain(limits.iter().flat_map(|t| [-t, *t]));
    let (low, high) = ends(values, LEAST_SPAN_MM);
    let (s0, s1) = match (rows.first(), rows.last()) {
        (Some(a), Some(b)) if b.s_mm > a.s_mm => (a.s_mm, b.s_mm),
        _ => (0.0, 1.0),
    };
    let x = |s: f64| frame.left + (s - s0) / (s1 - s0) * (frame.right - frame.left);
    // Positive is down in the photo, so it is down here.
    let y = |d: f64| frame.top + (d - low) / (high - low) * (frame.bottom - frame.top);
    let step = spacing(high - low, 5.0);
    let mut tick = (low / step).ceil() * step;
    while tick <= high {
        let level = y(tick);
        let zero = tick.abs() < 1e-9 * step;
        drawing.line(
            vec![
                Place::new(frame.left, level),
                Place::new(frame.right, level),
            ],
            if zero { 3.0 } else { 1.5 },
            if zero { GREY } else { [221, 225, 230] },
        );
        drawing.text(Text {
            at: Place::new(frame.left - 14.0, level + TYPE * 0.3),
            size: TYPE * 0.85,
            bold: false,
            colour: INK,
            anchor: Anchor::End,
            words: short(-tick, 3),
        });
        tick += step;
    }
    let step = spacing(s1 - s0, 7.0);
    let mut tick = (s0 / step).ceil() * step;
    while tick <= s1 {
        drawing.text(Text {
            at: Place::new(x(tick), frame.bottom + TYPE * 1.1),
            size: TYPE * 0.85,
            bold: false,
            colour: INK,
            anchor: Anchor::Middle,
            words: short(tick, 1),
        });
        tick += step;
    }
    for place in &result.places {
        let within: Vec<&PartnerDeviation> = rows
            .iter()
            .filter(|r| (place.from_mm..=place.to_mm).contains(&r.s_mm))
            .collect();
        let mut outline: Vec<Place> = within
            .iter()
            .map(|r| Place::new(x(r.s_mm), y(r.d_mm)))
            .collect();
        outline.extend(within.iter().rev().map(|r| Place::new(x(r.s_mm), y(0.0))));
        drawing.area(
            outline,
            if place.d_mm.value > 0.0 {
                Paint::TakeDown(18.0)
            } else {
                Paint::Add(18.0)
            },
        );
    }
    let edge = |times: f64| {
        rows.iter()
            .map(move |r| Place::new(x(r.s_mm), y(r.d_mm + times * r.u95_mm)))
            .collect::<Vec<_>>()
    };
    let mut band = edge(1.0);
    band.extend(edge(-1.0).into_iter().rev());
    drawing.area(band, Paint::Plain([200, 205, 212], 0.6));
    drawing.rimmed(edge(0.0), 5.0, INK);
    for tol in limits.iter().flat_map(|t| [-t, *t]) {
        drawing.dashes(
            vec![
                Place::new(frame.left, y(tol)),
                Place::new(frame.right, y(tol)),
            ],
            4.0,
            ADD,
            12.0,
        );
    }
    let legend = "mm the second side runs higher (up) or lower than the first; grey: ± (95%)";
    words(
        drawing,
        Place::new(frame.left, frame.top - 14.0),
        fitting(legend, TYPE * 0.85, false, frame.right - frame.left),
        false,
        INK,
        legend,
    );
    let axis = "mm along the first side";
    words(
        drawing,
        Place::new(frame.left, HEIGHT - 16.0),
        TYPE * 0.85,
        false,
        GREY,
        axis,
    );
}

fn closed(frame: Frame) -> Vec<Place> {
    let mut corners = frame.corners();
    corners.extend(corners.first().copied());
    corners
}
