//! What is left after sanding, as a marked photo and in words.
//!
//! Lows are striped, highs dotted, each with an outline on a white rim, so that they read in grey and for the
//! colour-blind; what can't be judged is crossed by thin lines. The biggest carry their number and size.

use super::canvas;
use super::caution::CAUTION;
use super::drawing::{
    ADD, Anchor, Colour, Drawing, Frame, GREY, Paint, Place, TAKE_DOWN, Text, WHITE, fitting,
    wrapped,
};
use super::font;
use super::labels::{self, Label, Room};
use super::shrink::shrink;
use super::text::{ended, largest_part, scale};
use super::words::short;
use crate::check::lows::next::Action;
use crate::check::lows::{Kind, LowsResult, PassAnswer, Region, Survey};
use crate::photo::Photo;
use crate::units::Px;
use image::{GrayImage, RgbImage};
use nalgebra::Vector2;

/// The longer side of the shown photo, px.
const LONGEST: usize = 1600;
/// Most regions with a label.
const LABELS: usize = 6;
/// Least area that gets one, mm².
const LABELLED_MM2: f64 = 40.0;
/// Ground of the bands.
const BAND: Colour = [24, 28, 34];

/// The marked photo as PNG.
pub fn png(photo: &Photo, survey: &Survey, result: &LowsResult) -> Vec<u8> {
    canvas::png(&draw(photo, survey, result))
}

/// The class map as an 8-bit grey PNG, numbered as in the contract.
pub fn map_png(survey: &Survey) -> Vec<u8> {
    let (w, h) = survey.size;
    let mut bytes = Vec::new();
    if let Some(image) = GrayImage::from_raw(w as u32, h as u32, survey.classes.clone()) {
        use image::ImageEncoder;
        let encoder = image::codecs::png::PngEncoder::new_with_quality(
            &mut bytes,
            image::codecs::png::CompressionType::Fast,
            image::codecs::png::FilterType::NoFilter,
        );
        // Writing into memory fails only for sizes that do not match, and these are the image's own.
        drop(encoder.write_image(&image, w as u32, h as u32, image::ExtendedColorType::L8));
    }
    bytes
}

/// Draws the marked photo.
pub fn draw(photo: &Photo, survey: &Survey, result: &LowsResult) -> RgbImage {
    let shown = (LONGEST as f64 / photo.width.max(photo.height).max(1) as f64).min(1.0);
    let width = ((photo.width as f64 * shown).round() as usize).max(1);
    let height = ((photo.height as f64 * shown).round() as usize).max(1);
    let unit = width as f64 / 100.0;
    let margin = 2.0 * unit;
    let wide = width as f64 - 2.0 * margin;
    let headline = headline(result);
    let why = wrapped(&result.next.why, 2.9 * unit, false, wide);
    let head = (5.4 * 1.35 + 3.4 * 1.4 + why.len() as f64 * 2.9 * 1.3 + 3.0) * unit;
    let foot = 2.0 * 2.8 * 1.6 * unit;
    let mut picture = RgbImage::new(width as u32, (head + height as f64 + foot) as u32);
    let top = head as usize * width * 3;
    if let Some(body) = picture.get_mut(top..top + 3 * width * height) {
        shrink(photo, body, width, height);
    }
    let mut drawing = Drawing::new(f64::from(picture.width()), f64::from(picture.height()));
    let place = |px: &Px| {
        Place::new(
            (px.0.x + 0.5) * shown,
            (px.0.y + 0.5) * shown + head.floor(),
        )
    };
    regions(
        &mut drawing,
        survey,
        unit,
        place,
        Frame {
            left: 0.0,
            top: head,
            right: width as f64,
            bottom: head + height as f64,
        },
    );

    let band = |top: f64, bottom: f64| Frame {
        left: 0.0,
        top,
        right: width as f64,
        bottom,
    };
    drawing.area(band(0.0, head).corners(), Paint::Plain(BAND, 1.0));
    let mut y = margin * 0.7;
    let mut say = |y: f64, size: f64, bold: bool, words: String| {
        drawing.text(Text::from_left(
            Place::new(margin, y),
            size,
            bold,
            WHITE,
            words,
        ));
    };
    let action = action_words(result.next.action);
    y += 5.4 * unit;
    say(
        y,
        fitting(action, 5.4 * unit, true, wide),
        true,
        action.to_string(),
    );
    y += 3.4 * 1.5 * unit;
    say(
        y,
        fitting(&headline, 3.4 * unit, true, wide),
        true,
        headline,
    );
    for line in why {
        y += 2.9 * 1.3 * unit;
        say(y, 2.9 * unit, false, line);
    }
    legend(
        &mut drawing,
        &band(head + height as f64, head + height as f64 + foot),
        unit,
        result,
        shown,
    );
    canvas::draw(&drawing, &mut picture);
    picture
}

/// Outlines, patterns, labels.
fn regions(
    drawing: &mut Drawing,
    survey: &Survey,
    unit: f64,
    place: impl Fn(&Px) -> Place,
    photo: Frame,
) {
    let closed = |outline: &[Px]| -> Vec<Place> {
        let mut line: Vec<Place> = outline.iter().map(&place).collect();
        line.extend(line.first().copied());
        line
    };
    drawing.dashes(closed(&survey.repair_px), 0.5 * unit, WHITE, 1.6 * unit);
    let mut marks = Vec::new();
    let mut keep_clear = Vec::new();
    for (region, outline) in survey.regions.iter().zip(&survey.outlines_px) {
        let line = closed(outline);
        let (paint, colour) = match region.kind {
            Kind::Low => (Paint::Add(1.1 * unit), ADD),
            Kind::High => (Paint::TakeDown(0.9 * unit), TAKE_DOWN),
            Kind::Unjudged => (Paint::Plain(GREY, 0.35), GREY),
            Kind::Scratch | Kind::Pinhole => {
                drawing.line(line, 0.12 * unit, WHITE);
                continue;
            }
        };
        drawing.area(line.clone(), paint);
        if region.kind == Kind::Unjudged {
            drawing.dashes(line, 0.22 * unit, WHITE, 0.8 * unit);
            continue;
        }
        let middle =
            line.iter().fold(Vector2::zeros(), |sum, p| sum + p.coords) / line.len().max(1) as f64;
        drawing.rimmed(line.clone(), 0.22 * unit, colour);
        keep_clear.extend(line.iter().step_by(3).copied());
        marks.push((region, Place::from(middle), colour));
    }
    marks.sort_by(|a, b| b.0.area_mm2.total_cmp(&a.0.area_mm2));
    let labels: Vec<Label> = marks
        .iter()
        .filter(|(region, ..)| region.area_mm2 >= LABELLED_MM2)
        .take(LABELS)
        .map(|(region, at, colour)| Label {
            at: *at,
            side: 0.0,
            words: label(region),
            colour: *colour,
        })
        .collect();
    let room = Room {
        within: photo.grown(-unit),
        keep_clear,
        away: Vector2::new(0.0, -1.0),
    };
    labels::draw(drawing, &labels, &room, 2.4 * unit);
}

/// `2 low 48 × 21 mm`.
fn label(region: &Region) -> String {
    let [x0, y0, x1, y1] = region.box_mm;
    let what = if region.kind == Kind::High {
        "high"
    } else {
        "low"
    };
    format!(
        "{} {what} {:.0} × {:.0} mm",
        region.number,
        (x1 - x0).abs(),
        (y1 - y0).abs()
    )
}

fn legend(drawing: &mut Drawing, band: &Frame, unit: f64, result: &LowsResult, shown: f64) {
    drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
    let size = 2.8 * unit;
    let base = band.top + size * 1.5;
    let mut x = 2.0 * unit;
    for (paint, words) in [
        (Paint::Add(1.1 * unit), "low: coat left"),
        (Paint::TakeDown(0.9 * unit), "high: shows through"),
        (Paint::Plain(GREY, 0.6), "can't be judged"),
    ] {
        let swatch = Frame {
            left: x,
            top: base - 0.9 * size,
            right: x + 2.0 * size,
            bottom: base + 0.2 * size,
        };
        drawing.area(swatch.grown(0.2 * unit).corners(), Paint::Plain(WHITE, 1.0));
        drawing.area(swatch.corners(), paint);
        x = swatch.right + 0.5 * size;
        drawing.text(Text::from_left(
            Place::new(x, base),
            size,
            false,
            WHITE,
            words.into(),
        ));
        x += font::width(words, size, false) + size;
    }
    let px_per_mm = shown / result.head.mm_per_px;
    let length = [200.0, 100.0, 50.0, 20.0, 10.0]
        .into_iter()
        .find(|l| l * px_per_mm < 0.2 * band.right)
        .unwrap_or(5.0);
    let right = band.right - 2.0 * unit;
    if px_per_mm.is_finite() {
        let y = base + size * 1.2;
        drawing.line(
            vec![
                Place::new(right - length * px_per_mm, y),
                Place::new(right, y),
            ],
            0.5 * unit,
            WHITE,
        );
        let words = format!("{} mm in the middle of the repair", short(length, 0));
        let at = Place::new(right - length * px_per_mm - size * 0.5, y + 0.35 * size);
        drawing.text(Text {
            at,
            size,
            bold: false,
            colour: WHITE,
            anchor: Anchor::End,
            words,
        });
    }
}

fn action_words(action: Action) -> &'static str {
    match action {
        Action::Block => "Keep blocking",
        Action::Skim => "Stop, skim again",
        Action::Knock => "Knock the high down",
        Action::Done => "Done at this grit",
    }
}

/// An area with its interval, in the unit that keeps it readable.
fn area(value: f64, u95: f64) -> String {
    if value >= 1000.0 {
        format!(
            "{:.1} ± {:.1} cm²",
            value / 100.0,
            (u95 / 10.0).ceil() / 10.0
        )
    } else {
        format!("{value:.0} ± {:.0} mm²", u95.ceil())
    }
}

/// The figures in one line.
pub fn headline(result: &LowsResult) -> String {
    let a = &result.area;
    format!(
        "Low {} ({:.1}%), high {}",
        area(a.low_mm2, a.u95_low_mm2),
        a.low_percent,
        area(a.high_mm2, a.u95_high_mm2)
    )
}

/// The answer in words, ending in a line feed. `files` are paths to show, the marked photo first.
pub fn words(result: &LowsResult, files: &[String]) -> String {
    let mut lines = vec![
        format!("{}: {}", action_words(result.next.action), result.next.why),
        headline(result),
    ];
    if let Some(skim) = &result.skim {
        lines.push(format!(
            "Skim: {:.0} cm² with {:.0} mm margin; {:.0}–{:.0} ml of mixed filler for a depth of {}–{} mm (the coat can't tell the depth); {}.",
            skim.area_mm2 / 100.0, skim.margin_mm, skim.volume_ml[0].floor(), skim.volume_ml[1].ceil(),
            short(skim.depth_mm[0], 2), short(skim.depth_mm[1], 2), skim.spread
        ));
    }
    let mut listed: Vec<&Region> = result
        .regions
        .iter()
        .filter(|r| matches!(r.kind, Kind::Low | Kind::High))
        .collect();
    listed.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    for region in listed.into_iter().take(8) {
        lines.push(format!(
            "  {}, {}, at {:.0}, {:.0} mm from the card's corner",
            label(region),
            area(region.area_mm2, region.u95_area_mm2),
            region.centroid_mm[0],
            region.centroid_mm[1]
        ));
    }
    let count = |kind: Kind| result.regions.iter().filter(|r| r.kind == kind).count();
    let (scratches, pinholes) = (count(Kind::Scratch), count(Kind::Pinhole));
    if scratches + pinholes > 0 {
        lines.push(format!(
            "Besides: {scratches} scratches, {pinholes} pinholes or specks with coat in them."
        ));
    }
    if result.area.unjudged_mm2 > 100.0 {
        lines.push(format!(
            "Not judged: {:.0} cm², left out of the percentages.",
            result.area.unjudged_mm2 / 100.0
        ));
    }
    lines.extend(
        result
            .passes
            .iter()
            .enumerate()
            .map(|(i, pass)| pass_words(i + 1, pass)),
    );
    lines.push(scale(&result.head));
    lines.extend(largest_part(&result.head));
    if result.next.action != Action::Done {
        lines.push(CAUTION.into());
    }
    ended(lines, &result.head, "Picture", files)
}

fn pass_words(number: usize, pass: &PassAnswer) -> String {
    match pass {
        PassAnswer::Refused { photo, error } => {
            format!("  pass {number} ({photo}): not measured: {error}")
        }
        PassAnswer::Measured {
            photo,
            area: a,
            low_change_percent,
            new_high_mm2,
            laid_over,
        } => {
            let change = low_change_percent.map_or(String::new(), |c| format!(", {c:+.0}%"));
            let new = new_high_mm2
                .filter(|v| *v > 1.0)
                .map_or(String::new(), |v| format!(", new show-through {v:.0} mm²"));
            let moved = laid_over
                .filter(|l| l.by == crate::check::lows::passes::By::Outline)
                .map_or(String::new(), |l| {
                    format!(
                        " (card laid again; laid over by the repair's outline, within {:.1} mm)",
                        l.rms_mm
                    )
                });
            format!(
                "  pass {number} ({photo}): low {}{change}, high {}{new}{moved}",
                area(a.low_mm2, a.u95_low_mm2),
                area(a.high_mm2, a.u95_high_mm2)
            )
        }
    }
}
