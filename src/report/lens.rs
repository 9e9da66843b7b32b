//! A lens calibration in words, and the picture of what its photos cover.

use super::canvas;
use super::drawing::{
    ADD, Anchor, Colour, Drawing, Frame, GOOD, GREY, INK, Paint, Place, Text, WHITE, fitting,
    wrapped,
};
use super::text::{ended, largest_part};
use super::words::plus_minus;
use crate::check::lens::{LensResult, PhotoUse};
use crate::units::{K95, Measured};
use image::RgbImage;

/// Size of the picture, px.
const WIDTH: f64 = 1200.0;
const HEIGHT: f64 = 900.0;
/// Type size: legible with the picture 400 pixels wide.
const TYPE: f64 = 30.0;

/// The first line: focal length, and how well the whole frame is known.
pub fn headline(result: &LensResult) -> String {
    format!(
        "Lens found: focal length {} px, every part of the picture known within {} px",
        plus_minus(focal(result)),
        decent(result.u95_field_px)
    )
}

/// A small half-width to two digits.
fn decent(u95: f64) -> String {
    if u95 >= 1.0 {
        format!("{u95:.1}")
    } else {
        format!("{u95:.2}")
    }
}

/// The focal length along x with its half-width, px.
fn focal(result: &LensResult) -> Measured {
    let variance = result
        .file
        .covariance
        .as_ref()
        .and_then(|rows| rows.first()?.first().copied())
        .unwrap_or(0.0);
    Measured {
        value: result.file.fx,
        u95: K95 * variance.max(0.0).sqrt(),
    }
}

/// The calibration in words, ending in a line feed. `files` are paths to show, the lens file first.
pub fn text(result: &LensResult, files: &[String]) -> String {
    let used = result.photos.iter().filter(|p| p.used).count();
    let mut lines = vec![headline(result), format!("Next: {}", result.next)];
    lines.push(format!(
        "{used} of {} photos used, {} corners, {:.2} px rms.",
        result.photos.len(),
        result.head.card.first().map_or(0, |c| c.corners),
        result.file.rms_px.unwrap_or(0.0)
    ));
    lines.extend(result.photos.iter().map(photo));
    if result.missing.len() > 1 {
        lines.push("Missing:".into());
        lines.extend(result.missing.iter().map(|m| format!("  {m}")));
    }
    lines.push(format!(
        "Board: bowed by {} mm; printed {} times as long down as across. Both are allowed for.",
        plus_minus(result.bow_mm),
        ratio(result.print_down_over_across)
    ));
    lines.extend(largest_part(&result.head));
    ended(lines, &result.head, "Lens file", files)
}

fn ratio(figure: Measured) -> String {
    format!("{:.4} ± {:.4}", figure.value, figure.u95.max(1e-4))
}

/// What one photo did.
fn photo(photo: &PhotoUse) -> String {
    match (&photo.why, photo.helped_percent) {
        (Some(why), _) => format!("  {}: not used: {why}", photo.photo),
        (None, helped) => format!(
            "  {}: {} corners, tilted {:.0}°, {:.2} px rms; {}",
            photo.photo,
            photo.corners,
            photo.tilt_deg.unwrap_or(0.0),
            photo.rms_px.unwrap_or(0.0),
            match helped {
                Some(percent) if percent < 1.0 => "hardly needed".to_string(),
                Some(percent) => format!("without it {percent:.0}% less sure"),
                None => "the others could not do without it".to_string(),
            }
        ),
    }
}

/// The picture of what is covered, as PNG.
pub fn coverage_png(result: &LensResult) -> Vec<u8> {
    let drawing = coverage(result);
    let mut picture = RgbImage::from_pixel(WIDTH as u32, HEIGHT as u32, image::Rgb(WHITE));
    canvas::draw(&drawing, &mut picture);
    canvas::png(&picture)
}

fn coverage(result: &LensResult) -> Drawing {
    let mut drawing = Drawing::new(WIDTH, HEIGHT);
    let page = Frame {
        left: 0.0,
        top: 0.0,
        right: WIDTH,
        bottom: HEIGHT,
    };
    drawing.area(page.corners(), Paint::Plain(WHITE, 1.0));
    let head = format!(
        "Lens known within {} px; {} of {} photos used",
        decent(result.u95_field_px),
        result.photos.iter().filter(|p| p.used).count(),
        result.photos.len()
    );
    drawing.text(Text {
        at: Place::new(40.0, 58.0),
        size: fitting(&head, TYPE * 1.3, true, WIDTH - 80.0),
        bold: true,
        colour: INK,
        anchor: Anchor::Start,
        words: head,
    });
    let c = &result.coverage;
    // The frame of the photos on the left, poses on the right.
    let scale = (760.0 / c.width as f64).min(640.0 / c.height as f64);
    let frame = Frame {
        left: 40.0,
        top: 100.0,
        right: 40.0 + c.width as f64 * scale,
        bottom: 100.0 + c.height as f64 * scale,
    };
    zones(&mut drawing, result, frame);
    for corners in &c.corners {
        for corner in corners {
            let at = Place::new(
                frame.left + (corner.x + 0.5) * scale,
                frame.top + (corner.y + 0.5) * scale,
            );
            drawing.area(dot(at, 3.0), Paint::Plain(INK, 0.8));
        }
    }
    drawing.line(closed(frame.corners()), 4.0, INK);
    uncertainties(&mut drawing, result, frame);
    poses(&mut drawing, result, frame);
    legend(&mut drawing, result, frame);
    drawing
}

/// Parts of the frame without corners, striped.
fn zones(drawing: &mut Drawing, result: &LensResult, frame: Frame) {
    for (k, zone) in result.coverage.zones.iter().enumerate() {
        if zone.corners < 4 {
            drawing.area(part(frame, k).corners(), Paint::Add(16.0));
        }
    }
}

/// A ninth of the frame.
fn part(frame: Frame, k: usize) -> Frame {
    let (w, h) = (
        (frame.right - frame.left) / 3.0,
        (frame.bottom - frame.top) / 3.0,
    );
    let (x, y) = ((k % 3) as f64, (k / 3) as f64);
    Frame {
        left: frame.left + x * w,
        top: frame.top + y * h,
        right: frame.left + (x + 1.0) * w,
        bottom: frame.top + (y + 1.0) * h,
    }
}

/// How well each part is known.
fn uncertainties(drawing: &mut Drawing, result: &LensResult, frame: Frame) {
    for (k, zone) in result.coverage.zones.iter().enumerate() {
        let own = part(frame, k);
        let middle = Place::new(0.5 * (own.left + own.right), 0.5 * (own.top + own.bottom));
        let words = format!("±{} px", decent(zone.u95_px));
        let wide = super::font::width(&words, TYPE, true) + 18.0;
        let label = Frame {
            left: middle.x - 0.5 * wide,
            right: middle.x + 0.5 * wide,
            top: middle.y - TYPE * 0.75,
            bottom: middle.y + TYPE * 0.75,
        };
        drawing.area(label.corners(), Paint::Plain(WHITE, 0.9));
        drawing.text(Text {
            at: Place::new(middle.x, middle.y + TYPE * 0.36),
            size: TYPE,
            bold: true,
            colour: INK,
            anchor: Anchor::Middle,
            words,
        });
    }
}

/// The board leaning to each side, filled where a photo shows it so.
fn poses(drawing: &mut Drawing, result: &LensResult, frame: Frame) {
    let c = &result.coverage;
    let left = frame.right + 50.0;
    let wide = WIDTH - 40.0 - left;
    let side = (wide / 3.0).min(100.0);
    let middle = Place::new(left + 0.5 * wide, frame.top + 1.9 * side);
    let label = |drawing: &mut Drawing, at: Place, words: &str, size: f64, colour: Colour| {
        drawing.text(Text {
            at,
            size: fitting(words, size, false, wide),
            bold: false,
            colour,
            anchor: Anchor::Middle,
            words: words.to_string(),
        });
    };
    label(
        drawing,
        Place::new(middle.x, frame.top + 0.2 * side),
        "board's nearer side",
        TYPE,
        INK,
    );
    for (k, (dx, dy)) in [(-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)]
        .into_iter()
        .enumerate()
    {
        let at = Place::new(middle.x + dx * side * 1.05, middle.y + dy * side * 1.05);
        // A square seen aslant: its nearer side is the longer one.
        let (near, far) = (0.42 * side, 0.26 * side);
        let corner = |along: f64, across: f64| {
            let (p, q) = (
                along * 0.34 * side,
                across * if along > 0.0 { near } else { far },
            );
            Place::new(at.x + dx * p - dy * q, at.y + dy * p + dx * q)
        };
        let outline = vec![
            corner(1.0, -1.0),
            corner(1.0, 1.0),
            corner(-1.0, 1.0),
            corner(-1.0, -1.0),
        ];
        if c.nearer[k] > 0 {
            drawing.area(outline.clone(), Paint::Plain(GOOD, 0.35));
        } else {
            drawing.area(outline.clone(), Paint::Add(12.0));
        }
        drawing.line(
            closed(outline),
            4.0,
            if c.nearer[k] > 0 { GOOD } else { ADD },
        );
        label(
            drawing,
            Place::new(at.x, at.y + TYPE * 0.36),
            &c.nearer[k].to_string(),
            TYPE,
            INK,
        );
    }
    let turned = if c.quarter_turn {
        "phone turned by a quarter: yes"
    } else {
        "phone turned by a quarter: no"
    };
    label(
        drawing,
        Place::new(middle.x, middle.y + 2.0 * side),
        turned,
        TYPE,
        if c.quarter_turn { INK } else { ADD },
    );
}

/// What the marks mean, and what is missing first.
fn legend(drawing: &mut Drawing, result: &LensResult, frame: Frame) {
    let missing = match result.missing.first() {
        None => "Nothing is missing.".to_string(),
        Some(first) => format!("Striped: missing. First: {first}."),
    };
    let words = format!("Dots: the board's corners in all photos. {missing}");
    for (k, line) in wrapped(&words, TYPE, false, WIDTH - 80.0)
        .into_iter()
        .take(3)
        .enumerate()
    {
        drawing.text(Text {
            at: Place::new(40.0, frame.bottom + 50.0 + k as f64 * TYPE * 1.35),
            size: TYPE,
            bold: false,
            colour: if k == 0 { INK } else { GREY },
            anchor: Anchor::Start,
            words: line,
        });
    }
}

/// An eight-sided dot.
fn dot(at: Place, radius: f64) -> Vec<Place> {
    (0..8)
        .map(|k| {
            let (s, c) = (f64::from(k) * std::f64::consts::FRAC_PI_4).sin_cos();
            Place::new(at.x + radius * c, at.y + radius * s)
        })
        .collect()
}

fn closed(mut points: Vec<Place>) -> Vec<Place> {
    points.extend(points.first().copied());
    points
}
