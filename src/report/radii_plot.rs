//! The radius along the swage as a plot: stations, smooth course with its 95% band, zones with their tools.

use super::canvas;
use super::drawing::{
    ADD, Anchor, Colour, Drawing, Frame, GREY, INK, Paint, Place, TAKE_DOWN, Text, WHITE, fitting,
};
use super::radii::headline;
use super::scene::spacing;
use super::vector;
use super::words::short;
use crate::check::radii::RadiiResult;
use image::RgbImage;

/// Size of the plot, px.
const WIDTH: f64 = 1600.0;
const HEIGHT: f64 = 900.0;
/// Zones by turns on these grounds.
const GROUNDS: [Colour; 2] = [[232, 238, 247], [247, 243, 232]];
/// Ground of a stretch without a tool.
const BARE: Colour = [252, 214, 196];

/// The plot as PNG and as SVG.
pub fn png_and_svg(result: &RadiiResult) -> (Vec<u8>, String) {
    let drawing = draw(result);
    let mut picture = RgbImage::from_pixel(WIDTH as u32, HEIGHT as u32, image::Rgb(WHITE));
    canvas::draw(&drawing, &mut picture);
    (canvas::png(&picture), vector::svg(&drawing))
}

fn draw(result: &RadiiResult) -> Drawing {
    let mut drawing = Drawing::new(WIDTH, HEIGHT);
    let page = Frame {
        left: 0.0,
        top: 0.0,
        right: WIDTH,
        bottom: HEIGHT,
    };
    drawing.area(page.corners(), Paint::Plain(WHITE, 1.0));
    let (Some(first), Some(last)) = (result.schedule.first(), result.schedule.last()) else {
        return drawing;
    };
    let (from, to) = (first.s_mm, last.s_mm.max(first.s_mm + 1e-6));
    let values = result
        .schedule
        .iter()
        .flat_map(|s| [s.r_mm - s.u95_mm, s.r_mm + s.u95_mm])
        .chain(result.stations.iter().map(|s| s.r_mm))
        .chain(result.zones.iter().filter_map(|z| z.r_tool_mm));
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
        (a.min(v), b.max(v))
    });
    let air = 0.08 * (high - low).max(0.5);
    let (low, high) = ((low - air).max(0.0), high + 2.0 * air);
    let frame = Frame {
        left: 130.0,
        top: 170.0,
        right: WIDTH - 40.0,
        bottom: HEIGHT - 110.0,
    };
    let x = |s: f64| frame.left + (s - from) / (to - from) * (frame.right - frame.left);
    let y = |r: f64| frame.bottom - (r - low) / (high - low) * (frame.bottom - frame.top);
    let say =
        |drawing: &mut Drawing, at: Place, size: f64, bold: bool, colour, anchor, words: String| {
            drawing.text(Text {
                at,
                size,
                bold,
                colour,
                anchor,
                words,
            });
        };
    for (k, zone) in result.zones.iter().enumerate() {
        let ground = if zone.tool.is_some() {
            GROUNDS[k % 2]
        } else {
            BARE
        };
        let area = Frame {
            left: x(zone.from_mm),
            right: x(zone.to_mm),
            ..frame
        };
        drawing.area(area.corners(), Paint::Plain(ground, 1.0));
    }
    for (span, most, along) in [(to - from, 8.0, true), (high - low, 7.0, false)] {
        let step = spacing(span, most);
        let start = if along { from } else { low };
        let mut v = (start / step).ceil() * step;
        while v <= start + span + 1e-9 {
            let (line, at, anchor) = if along {
                (
                    vec![Place::new(x(v), frame.top), Place::new(x(v), frame.bottom)],
                    Place::new(x(v), frame.bottom + 40.0),
                    Anchor::Middle,
                )
            } else {
                (
                    vec![Place::new(frame.left, y(v)), Place::new(frame.right, y(v))],
                    Place::new(frame.left - 14.0, y(v) + 10.0),
                    Anchor::End,
                )
            };
            drawing.line(line, 1.0, [205, 210, 216]);
            say(&mut drawing, at, 28.0, false, GREY, anchor, short(v, 2));
            v += step;
        }
    }
    let band: Vec<Place> = result
        .schedule
        .iter()
        .map(|s| Place::new(x(s.s_mm), y(s.r_mm + s.u95_mm)))
        .chain(
            result
                .schedule
                .iter()
                .rev()
                .map(|s| Place::new(x(s.s_mm), y((s.r_mm - s.u95_mm).max(low)))),
        )
        .collect();
    drawing.area(band, Paint::Plain(ADD, 0.18));
    // Hundreds of readings of a stripe are a cloud; single stations stand out.
    let many = result.stations.len() > 60;
    for station in &result.stations {
        let at = Place::new(x(station.s_mm), y(station.r_mm));
        let d = if many { 3.0 } else { 6.0 };
        if station.odd {
            for sign in [-1.0, 1.0] {
                drawing.line(
                    vec![
                        Place::new(at.x - 9.0, at.y - sign * 9.0),
                        Place::new(at.x + 9.0, at.y + sign * 9.0),
                    ],
                    4.0,
                    TAKE_DOWN,
                );
            }
        } else {
            let dot = Frame {
                left: at.x - d,
                top: at.y - d,
                right: at.x + d,
                bottom: at.y + d,
            };
            drawing.area(
                dot.corners(),
                Paint::Plain(GREY, if many { 0.45 } else { 1.0 }),
            );
        }
    }
    for (k, zone) in result.zones.iter().enumerate() {
        let (a, b) = (x(zone.from_mm), x(zone.to_mm));
        if k > 0 {
            drawing.line(
                vec![Place::new(a, frame.top), Place::new(a, frame.bottom)],
                2.5,
                INK,
            );
        }
        if let Some(r) = zone.r_tool_mm {
            drawing.dashes(
                vec![Place::new(a, y(r)), Place::new(b, y(r))],
                4.0,
                INK,
                14.0,
            );
        }
        let words = zone.tool.clone().unwrap_or_else(|| "no tool".to_string());
        let size = fitting(&words, 27.0, true, b - a - 10.0);
        if size >= 13.0 {
            let colour = if zone.tool.is_some() { INK } else { TAKE_DOWN };
            say(
                &mut drawing,
                Place::new(0.5 * (a + b), frame.top + 34.0),
                size,
                true,
                colour,
                Anchor::Middle,
                words,
            );
        }
    }
    let course: Vec<Place> = result
        .schedule
        .iter()
        .map(|s| Place::new(x(s.s_mm), y(s.r_mm)))
        .collect();
    drawing.line(course, 5.0, ADD);
    let head = headline(result);
    say(
        &mut drawing,
        Place::new(40.0, 66.0),
        fitting(&head, 44.0, true, WIDTH - 80.0),
        true,
        INK,
        Anchor::Start,
        head,
    );
    let legend = "Radius in mm; blue: smooth course with its 95% band, wider where no station was taken; dashed: the tool's radius; crosses: stations that don't belong";
    say(
        &mut drawing,
        Place::new(40.0, 122.0),
        fitting(legend, 28.0, false, WIDTH - 80.0),
        false,
        GREY,
        Anchor::Start,
        legend.to_string(),
    );
    say(
        &mut drawing,
        Place::new(frame.right, HEIGHT - 24.0),
        28.0,
        false,
        GREY,
        Anchor::End,
        "mm along the swage".to_string(),
    );
    drawing
}
