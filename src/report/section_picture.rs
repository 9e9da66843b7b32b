//! The marked photo of a section: the edge as measured, the fitted flanks and arc, its centre and radius, the turn.
//!
//! The piece is small beside the card, so the picture shows the part of the photo round the edge, enlarged at most twice.

use super::canvas;
use super::drawing::{
    Anchor, Colour, Drawing, Frame, GREY, INK, Paint, Place, Text, WHITE, fitting, wrapped,
};
use super::font;
use super::labels::{self, Label, Room};
use super::scene::{spacing, verdict_of};
use super::section_text::figure;
use super::words::{plus_minus, short};
use crate::check::section::{FormName, SectionResult};
use crate::photo::Photo;
use image::RgbImage;
use nalgebra::{Point2, Vector2};
use rayon::prelude::*;

/// The longer side of the shown part, px of the picture.
const LONGEST: f64 = 1400.0;
/// Ground of the bands.
const BAND: Colour = [24, 28, 34];
/// The edge as measured.
const MEASURED: Colour = [0, 150, 200];

/// The part of the photo that is shown.
#[derive(Debug, Clone, Copy)]
struct View {
    /// Photo place of the picture's first pixel.
    from: Point2<f64>,
    /// Picture pixels a photo pixel.
    scale: f64,
    width: usize,
    height: usize,
    /// Height of the band above, and of the one below.
    head: usize,
    foot: usize,
    /// A hundredth of the width.
    unit: f64,
}

impl View {
    fn of(photo: &Photo, result: &SectionResult) -> View {
        let all = || result.profile_px.iter().map(|p| Point2::from(*p));
        let low = all().fold(Point2::new(f64::MAX, f64::MAX), |m, p| {
            Point2::new(m.x.min(p.x), m.y.min(p.y))
        });
        let high = all().fold(Point2::new(f64::MIN, f64::MIN), |m, p| {
            Point2::new(m.x.max(p.x), m.y.max(p.y))
        });
        let (w, h) = (photo.width as f64, photo.height as f64);
        // Room round the edge for the centre and the words.
        let room = 0.3 * (high - low).norm();
        let from = Point2::new((low.x - room).max(0.0), (low.y - room).max(0.0));
        let to = Point2::new((high.x + room).min(w - 1.0), (high.y + room).min(h - 1.0));
        let size = (to - from).map(|v| v.max(16.0));
        let scale = (LONGEST / size.max()).min(2.0);
        let width = (size.x * scale) as usize;
        let unit = width.max(600) as f64 / 100.0;
        View {
            from,
            scale,
            width: width.max(600),
            height: (size.y * scale) as usize,
            head: 0,
            foot: (6.0 * unit) as usize,
            unit,
        }
    }

    fn place(&self, px: Point2<f64>) -> Place {
        let d = (px - self.from) * self.scale;
        Place::new(d.x + 0.5, d.y + 0.5 + self.head as f64)
    }

    fn places(&self, px: &[[f64; 2]]) -> Vec<Place> {
        px.iter().map(|p| self.place(Point2::from(*p))).collect()
    }
}

/// The marked photo as PNG.
pub fn png(photo: &Photo, result: &SectionResult) -> Vec<u8> {
    canvas::png(&draw(photo, result))
}

/// Draws the marked photo.
pub fn draw(photo: &Photo, result: &SectionResult) -> RgbImage {
    let mut view = View::of(photo, result);
    let left = 2.0 * view.unit;
    let next = wrapped(
        &format!("Next: {}", result.next),
        3.0 * view.unit,
        false,
        view.width as f64 - 2.0 * left,
    );
    let plate = if result.head.verdict.is_some() {
        8.0
    } else {
        0.0
    };
    view.head = ((plate + 6.5 + 4.0 * next.len() as f64 + 1.5) * view.unit) as usize;
    let tall = view.head + view.height + view.foot;
    let mut picture = RgbImage::new(view.width as u32, tall as u32);
    copy(photo, &view, &mut picture);
    let mut drawing = Drawing::new(view.width as f64, tall as f64);
    marks(&mut drawing, &view, result);
    head(&mut drawing, &view, result, &next);
    foot(&mut drawing, &view, result);
    canvas::draw(&drawing, &mut picture);
    picture
}

/// The shown part of the photo, between pixels straight.
fn copy(photo: &Photo, view: &View, picture: &mut RgbImage) {
    let long = 3 * view.width;
    let (w, h) = (photo.width, photo.height);
    let Some(body) = picture.get_mut(view.head * long..(view.head + view.height) * long) else {
        return;
    };
    body.par_chunks_mut(long).enumerate().for_each(|(y, line)| {
        for (x, shown) in line.as_chunks_mut::<3>().0.iter_mut().enumerate() {
            let at = view.from + Vector2::new(x as f64, y as f64) / view.scale;
            let (i, j) = (at.x as usize, at.y as usize);
            if i + 1 >= w || j + 1 >= h {
                continue;
            }
            let (fx, fy) = (at.x - i as f64, at.y - j as f64);
            let mut sum = [0.0; 3];
            for (dx, dy, weight) in [
                (0, 0, (1.0 - fx) * (1.0 - fy)),
                (1, 0, fx * (1.0 - fy)),
                (0, 1, (1.0 - fx) * fy),
                (1, 1, fx * fy),
            ] {
                for (s, v) in sum.iter_mut().zip(photo.rgb_at(i + dx, j + dy)) {
                    *s += weight * f64::from(v);
                }
            }
            *shown = sum.map(|s| s.round().clamp(0.0, 255.0) as u8);
        }
    });
}

/// Edge, form, centre, radius and turn.
fn marks(drawing: &mut Drawing, view: &View, result: &SectionResult) {
    let unit = view.unit;
    let edge = view.places(&result.profile_px);
    let form = view.places(&result.fitted.outline_px);
    drawing.line(edge.clone(), 0.55 * unit, WHITE);
    drawing.line(edge.clone(), 0.3 * unit, MEASURED);
    drawing.dashes(form.clone(), 0.22 * unit, INK, 0.9 * unit);
    let mut labels = Vec::new();
    let middle = apex(result).map(|p| view.place(p));
    if let Some(apex) = middle {
        let centre = result.fitted.centre_px.map(|c| view.place(c.into()));
        let shown = Frame {
            left: 0.0,
            top: view.head as f64,
            right: view.width as f64,
            bottom: (view.head + view.height) as f64,
        };
        if let Some(centre) = centre.filter(|c| shown.holds(*c)) {
            drawing.rimmed(vec![centre, apex], 0.25 * unit, INK);
            for (x, y) in [(1.0, 0.0), (0.0, 1.0)] {
                let arm = Vector2::new(x, y) * unit;
                drawing.rimmed(vec![centre - arm, centre + arm], 0.25 * unit, INK);
            }
        }
        if let Some(r) = result.radius_mm {
            labels.push(Label {
                at: apex,
                side: 1.0,
                words: format!("radius {} mm", plus_minus(r)),
                colour: MEASURED,
            });
        }
        if result.form != FormName::Crown {
            labels.push(Label {
                at: apex,
                side: -1.0,
                words: format!("turn {}°", plus_minus(result.turn_deg)),
                colour: GREY,
            });
        }
        let chord = match (edge.first(), edge.last()) {
            (Some(a), Some(b)) => (b - a).try_normalize(1e-9),
            _ => None,
        };
        let away = chord.map_or(Vector2::new(0.0, -1.0), |c| Vector2::new(-c.y, c.x));
        let room = Room {
            within: shown.grown(-unit),
            keep_clear: edge.iter().step_by(3).copied().collect(),
            away,
        };
        labels::draw(drawing, &labels, &room, 3.0 * unit);
    }
}

/// The middle of the arc, or the corner, on the photo.
fn apex(result: &SectionResult) -> Option<Point2<f64>> {
    let px = &result.fitted.outline_px;
    let mm = &result.fitted.outline_mm;
    let target: Point2<f64> = match (result.fitted.arc_mm, result.fitted.corner_mm) {
        (_, Some(corner)) => corner.into(),
        (Some([a, b]), None) => nalgebra::center(&Point2::from(a), &Point2::from(b)),
        _ => return None,
    };
    mm.iter()
        .zip(px)
        .min_by(|a, b| {
            let far = |p: &[f64; 2]| (Point2::from(*p) - target).norm_squared();
            far(a.0).total_cmp(&far(b.0))
        })
        .map(|(_, px)| Point2::from(*px))
}

fn head(drawing: &mut Drawing, view: &View, result: &SectionResult, next: &[String]) {
    let (unit, wide) = (view.unit, view.width as f64);
    let left = 2.0 * unit;
    let band = Frame {
        left: 0.0,
        top: 0.0,
        right: wide,
        bottom: view.head as f64,
    };
    drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
    let mut y = 1.2 * unit;
    if let Some((sign, words, ground, letters)) = verdict_of(&result.head) {
        let words = format!("{sign} {words}");
        let size = fitting(&words, 5.6 * unit, true, wide - 4.0 * left);
        let plate = Frame {
            left,
            top: y,
            right: left + font::width(&words, size, true) + 1.4 * left,
            bottom: y + 7.0 * unit,
        };
        drawing.area(plate.corners(), Paint::Plain(ground, 1.0));
        let base = (plate.top + plate.bottom) / 2.0 + size * 0.36;
        drawing.text(Text::from_left(
            Place::new(1.7 * left, base),
            size,
            true,
            letters,
            words,
        ));
        y += 8.0 * unit;
    }
    let words = figure(result);
    let size = fitting(&words, 4.4 * unit, true, wide - 2.0 * left);
    y += 4.4 * unit;
    drawing.text(Text::from_left(
        Place::new(left, y),
        size,
        true,
        WHITE,
        words,
    ));
    y += 1.0 * unit;
    for line in next {
        y += 3.9 * unit;
        drawing.text(Text::from_left(
            Place::new(left, y),
            3.0 * unit,
            false,
            WHITE,
            line.clone(),
        ));
    }
}

fn foot(drawing: &mut Drawing, view: &View, result: &SectionResult) {
    let (unit, wide) = (view.unit, view.width as f64);
    let top = (view.head + view.height) as f64;
    let band = Frame {
        left: 0.0,
        top,
        right: wide,
        bottom: top + view.foot as f64,
    };
    drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
    let (left, size) = (2.0 * unit, 2.6 * unit);
    let base = top + 0.5 * view.foot as f64 + 0.36 * size;
    let line = base - 0.36 * size;
    let mut x = left;
    for (words, dashed) in [("measured edge", false), ("fitted form", true)] {
        let ends = vec![Place::new(x, line), Place::new(x + 6.0 * unit, line)];
        drawing.line(ends.clone(), 0.9 * unit, WHITE);
        if dashed {
            drawing.dashes(ends, 0.4 * unit, INK, 0.9 * unit);
        } else {
            drawing.line(ends, 0.5 * unit, MEASURED);
        }
        x += 7.0 * unit;
        drawing.text(Text::from_left(
            Place::new(x, base),
            size,
            false,
            WHITE,
            words.to_string(),
        ));
        x += font::width(words, size, false) + 2.0 * unit;
    }
    let px_per_mm = view.scale / result.head.mm_per_px;
    let length_mm = spacing(wide / px_per_mm, 9.0);
    let bar = length_mm * px_per_mm;
    if bar.is_finite() && bar > 0.0 && bar < 0.4 * wide {
        let right = wide - left;
        drawing.line(
            vec![Place::new(right - bar, line), Place::new(right, line)],
            0.5 * unit,
            WHITE,
        );
        for end in [right - bar, right] {
            let half = 0.4 * size;
            drawing.line(
                vec![Place::new(end, line - half), Place::new(end, line + half)],
                0.35 * unit,
                WHITE,
            );
        }
        drawing.text(Text {
            anchor: Anchor::End,
            ..Text::from_left(
                Place::new(right - bar - unit, base),
                size,
                false,
                WHITE,
                format!("{} mm", short(length_mm, 1)),
            )
        });
    }
}
