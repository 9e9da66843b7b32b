//! The marked photo: where the line lies off, which way, by how much, with the verdict in large type.
//!
//! The line's deviation is drawn along the line, many times its height (the factor is stated), as a ribbon between the
//! reference and the exaggerated line. Meant for a phone at arm's length: sizes are shares of the picture's width, so
//! that words stay legible with the picture 400 pixels wide.

use super::canvas;
use super::drawing::{
    Anchor, Colour, Drawing, Frame, GREY, INK, Paint, Place, Text, WHITE, fitting, wrapped,
};
use super::font;
use super::labels::{self, Label, Room};
use super::scene::{
    colour, figure, gap_label, labelled, paint, runs, spacing, stretch, verdict, wave_label,
};
use super::shrink::shrink;
use super::words::{Lie, short};
use crate::check::line::{LineResult, WaveDo};
use crate::photo::Photo;
use image::RgbImage;
use nalgebra::{Point2, Vector2};

/// The longer side of the shown photo, px.
const LONGEST: usize = 1600;

/// Height of the largest deviation in the picture, as a share of the photo's shorter side.
const RIBBON: f64 = 0.075;

/// Most waves with a label; smaller ones are only marked.
const LABELS: usize = 5;

/// Draws the marked photo. `photo` may be grey.
pub fn draw(photo: &Photo, result: &LineResult) -> RgbImage {
    let scale = (LONGEST as f64 / photo.width.max(photo.height).max(1) as f64).min(1.0);
    let width = ((photo.width as f64 * scale).round() as usize).max(1);
    let height = ((photo.height as f64 * scale).round() as usize).max(1);
    let page = Page::new(width, height, result);
    let mut picture = RgbImage::new(width as u32, (page.head + height as f64 + page.foot) as u32);
    let top = page.head as usize * width * 3;
    if let Some(body) = picture.get_mut(top..top + 3 * width * height) {
        shrink(photo, body, width, height);
    }
    let mut drawing = Drawing::new(f64::from(picture.width()), f64::from(picture.height()));
    let ribbon = Ribbon::of(result, &page, scale);
    if let Some(ribbon) = &ribbon {
        ribbon.draw(&mut drawing, &page, result);
    }
    page.draw_head(&mut drawing, result);
    page.draw_foot(
        &mut drawing,
        result,
        ribbon.as_ref().map(|ribbon| ribbon.factor),
        scale,
    );
    canvas::draw(&drawing, &mut picture);
    picture
}

/// The marked photo as PNG.
pub fn png(photo: &Photo, result: &LineResult) -> Vec<u8> {
    canvas::png(&draw(photo, result))
}

/// The picture's layout: bands above and below the photo, and the size of type.
#[derive(Debug)]
struct Page {
    width: f64,
    photo_height: f64,
    /// Height of the band above the photo.
    head: f64,
    /// Height of the band below.
    foot: f64,
    /// A hundredth of the width: the unit of all sizes.
    unit: f64,
    /// What to do next, broken into lines.
    next: Vec<String>,
}

/// Type sizes and distances, in hundredths of the picture's width.
mod size {
    /// The verdict.
    pub const VERDICT: f64 = 6.4;
    /// The figure under it.
    pub const FIGURE: f64 = 4.6;
    /// What to do next.
    pub const NEXT: f64 = 3.2;
    /// Labels on the photo.
    pub const LABEL: f64 = 3.1;
    /// Words below the photo.
    pub const LEGEND: f64 = 2.9;
    /// Space at the edges.
    pub const MARGIN: f64 = 2.0;
    /// Distance of stripes and dots.
    pub const PITCH: f64 = 1.3;
}

/// Ground of the bands.
const BAND: Colour = [24, 28, 34];

impl Page {
    fn new(width: usize, photo_height: usize, result: &LineResult) -> Page {
        let unit = width as f64 / 100.0;
        let text_width = width as f64 - 2.0 * size::MARGIN * unit;
        let next = wrapped(
            &format!("Next: {}", result.next),
            size::NEXT * unit,
            false,
            text_width,
        );
        let verdict = if result.head.verdict.is_some() {
            size::VERDICT * 1.35
        } else {
            0.0
        };
        let lines = next.len() as f64 * size::NEXT * 1.3;
        let head = (verdict + size::FIGURE * 1.35 + lines + 2.0 * size::MARGIN * 0.8) * unit;
        let foot = (3.0 * size::LEGEND * 1.5 + size::MARGIN * 1.4) * unit;
        Page {
            width: width as f64,
            photo_height: photo_height as f64,
            head: head.ceil(),
            foot: foot.ceil(),
            unit,
            next,
        }
    }

    /// Where a place in the photo lies in the picture.
    fn place(&self, px: Point2<f64>, scale: f64) -> Place {
        Place::new((px.x + 0.5) * scale, (px.y + 0.5) * scale + self.head)
    }

    /// The shown photo's part of the picture.
    fn photo(&self) -> Frame {
        Frame {
            left: 0.0,
            top: self.head,
            right: self.width,
            bottom: self.head + self.photo_height,
        }
    }

    /// Verdict, figure and next action.
    fn draw_head(&self, drawing: &mut Drawing, result: &LineResult) {
        let band = Frame {
            left: 0.0,
            top: 0.0,
            right: self.width,
            bottom: self.head,
        };
        drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
        let left = size::MARGIN * self.unit;
        let wide = self.width - 2.0 * left;
        let mut y = size::MARGIN * 0.8 * self.unit;
        if let Some((sign, words, ground, letters)) = verdict(result) {
            let height = size::VERDICT * 1.35 * self.unit;
            let words = format!("{sign} {words}");
            let type_size = fitting(&words, size::VERDICT * self.unit, true, wide - 2.0 * left);
            let right = left + font::width(&words, type_size, true) + 1.4 * left;
            let plate = Frame {
                left,
                top: y,
                right,
                bottom: y + height - 0.6 * self.unit,
            };
            drawing.area(plate.corners(), Paint::Plain(ground, 1.0));
            let base = (plate.top + plate.bottom) / 2.0 + type_size * 0.36;
            drawing.text(Text::from_left(
                Place::new(left * 1.7, base),
                type_size,
                true,
                letters,
                words,
            ));
            y += height;
        }
        let figure = format!("{}, over {:.0} mm", figure(result), result.line.length_mm);
        let type_size = fitting(&figure, size::FIGURE * self.unit, true, wide);
        y += size::FIGURE * self.unit;
        drawing.text(Text::from_left(
            Place::new(left, y),
            type_size,
            true,
            WHITE,
            figure,
        ));
        y += size::FIGURE * 0.35 * self.unit;
        for line in &self.next {
            y += size::NEXT * self.unit;
            drawing.text(Text::from_left(
                Place::new(left, y),
                size::NEXT * self.unit,
                false,
                WHITE,
                line.clone(),
            ));
            y += size::NEXT * 0.3 * self.unit;
        }
    }

    /// What the patterns mean, how much the height is drawn, and the scale bar.
    fn draw_foot(
        &self,
        drawing: &mut Drawing,
        result: &LineResult,
        factor: Option<f64>,
        scale: f64,
    ) {
        let top = self.head + self.photo_height;
        let band = Frame {
            left: 0.0,
            top,
            right: self.width,
            bottom: top + self.foot,
        };
        drawing.area(band.corners(), Paint::Plain(BAND, 1.0));
        let (left, type_size) = (size::MARGIN * self.unit, size::LEGEND * self.unit);
        let mut x = left;
        let base = top + size::MARGIN * 0.5 * self.unit + type_size * 1.1;
        let lie = Lie::of(&result.line);
        let off = |sign: f64| lie.map_or("off", |lie| lie.side(sign).off());
        for (what, sign) in [(WaveDo::Add, -1.0), (WaveDo::TakeDown, 1.0)] {
            let words = format!("line {}", off(sign));
            let Some(paint) = paint(what, size::PITCH * self.unit) else {
                continue;
            };
            let swatch = Frame {
                left: x,
                top: base - type_size * 0.9,
                right: x + type_size * 2.0,
                bottom: base + type_size * 0.2,
            };
            drawing.area(
                swatch.grown(self.unit * 0.2).corners(),
                Paint::Plain(WHITE, 1.0),
            );
            drawing.area(swatch.corners(), paint);
            x = swatch.right + type_size * 0.5;
            drawing.text(Text::from_left(
                Place::new(x, base),
                type_size,
                false,
                WHITE,
                words.clone(),
            ));
            x += font::width(&words, type_size, false) + type_size;
        }
        // The scale bar: a round length near a sixth of the width, true where the line is.
        let px_per_mm = scale / result.head.mm_per_px;
        let length_mm = spacing(self.width / px_per_mm, 9.0);
        let words = format!("{} mm", short(length_mm, 1));
        let right = self.width - left;
        let bar = length_mm * px_per_mm;
        if px_per_mm.is_finite() && bar > 0.0 && bar < self.width {
            let y = base - type_size * 0.3;
            drawing.line(
                vec![Place::new(right - bar, y), Place::new(right, y)],
                self.unit * 0.5,
                WHITE,
            );
            for end in [right - bar, right] {
                let half = type_size * 0.4;
                drawing.line(
                    vec![Place::new(end, y - half), Place::new(end, y + half)],
                    self.unit * 0.35,
                    WHITE,
                );
            }
            let at = Place::new(right - bar - type_size * 0.5, base);
            drawing.text(Text {
                anchor: Anchor::End,
                ..Text::from_left(at, type_size, false, WHITE, words)
            });
        }
        let drawn =
            factor.map(|f| format!("Height drawn {} times as large as it is.", short(f, 0)));
        let meant = "mm: how far the line itself is off, not a depth of filler.".to_string();
        for (k, words) in [drawn, Some(meant)].into_iter().flatten().enumerate() {
            let at = Place::new(left, base + type_size * 1.5 * (k + 1) as f64);
            drawing.text(Text::from_left(
                at,
                fitting(&words, type_size, false, self.width - 2.0 * left),
                false,
                WHITE,
                words,
            ));
        }
    }
}

/// The line, its reference and the exaggerated line in the picture.
#[derive(Debug)]
struct Ribbon {
    /// How many times its height the deviation is drawn.
    factor: f64,
    /// The traced line, a place for each point.
    line: Vec<Place>,
    /// The reference.
    reference: Vec<Place>,
    /// The exaggerated line.
    shown: Vec<Place>,
    lie: Lie,
}

/// Factors to choose from.
const FACTORS: [f64; 12] = [
    1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 75.0, 100.0,
];

impl Ribbon {
    /// `None` when there is no line to draw.
    fn of(result: &LineResult, page: &Page, scale: f64) -> Option<Ribbon> {
        let lie = Lie::of(&result.line)?;
        let px_per_mm = scale / result.head.mm_per_px;
        if !(px_per_mm.is_finite() && px_per_mm > 0.0) {
            return None;
        }
        let deviation = &result.line.deviation;
        // Noise is not blown up to look like waves: the height that fills the ribbon is at least the uncertainty.
        let largest = deviation
            .iter()
            .map(|row| row.d_mm.abs())
            .fold(result.line.straightness_mm.u95, f64::max);
        let wanted = RIBBON * page.width.min(page.photo_height) / (largest * px_per_mm);
        let factor = FACTORS
            .into_iter()
            .rev()
            .find(|factor| *factor <= wanted)
            .unwrap_or(1.0);
        let line: Vec<Place> = result
            .line
            .px
            .iter()
            .map(|at| page.place(Point2::from(*at), scale))
            .collect();
        let moved = |times: f64| -> Vec<Place> {
            line.iter()
                .zip(deviation)
                .map(|(at, row)| at + lie.positive * (row.d_mm * px_per_mm * times))
                .collect()
        };
        // A line nearer to the reference by its deviation is the reference itself.
        Some(Ribbon {
            factor,
            reference: moved(-1.0),
            shown: moved(factor - 1.0),
            line,
            lie,
        })
    }

    /// Draws ribbon, line, gaps and labels.
    fn draw(&self, drawing: &mut Drawing, page: &Page, result: &LineResult) {
        let unit = page.unit;
        let part = |places: &[Place], range: std::ops::Range<usize>| {
            places.get(range).unwrap_or_default().to_vec()
        };
        let between = |range: std::ops::Range<usize>| -> Vec<Place> {
            let mut outline = part(&self.shown, range.clone());
            outline.extend(part(&self.reference, range).into_iter().rev());
            outline
        };
        let runs = runs(&result.line);
        for run in &runs {
            drawing.area(between(run.clone()), Paint::Plain(WHITE, 0.45));
            for wave in &result.line.waves {
                if let Some(paint) = paint(wave.what, size::PITCH * unit) {
                    drawing.area(between(stretch(&result.line, run, wave)), paint);
                }
            }
        }
        for run in &runs {
            drawing.line(part(&self.reference, run.clone()), unit * 0.55, WHITE);
            drawing.dashes(
                part(&self.reference, run.clone()),
                unit * 0.28,
                INK,
                unit * 1.2,
            );
            drawing.rimmed(part(&self.shown, run.clone()), unit * 0.4, INK);
        }
        self.draw_labels(drawing, page, result);
    }

    /// Labels of waves and gaps.
    fn draw_labels(&self, drawing: &mut Drawing, page: &Page, result: &LineResult) {
        let mut labels: Vec<Label> = Vec::new();
        for gap in &result.gap {
            if let Some(at) = self.at(result, gap.at_mm, &self.line) {
                self.draw_gap(drawing, page, at);
                labels.push(Label {
                    at,
                    side: 0.0,
                    words: gap_label(gap.step_mm),
                    colour: GREY,
                });
            }
        }
        for wave in labelled(&result.line, LABELS) {
            if let Some(at) = self.at(result, wave.peak_mm, &self.shown) {
                labels.push(Label {
                    at,
                    side: wave.height_mm.value,
                    words: wave_label(wave, Some(self.lie)),
                    colour: colour(wave.what),
                });
            }
        }
        let room = Room {
            within: page.photo().grown(-page.unit),
            keep_clear: self
                .shown
                .iter()
                .chain(&self.reference)
                .step_by(4)
                .copied()
                .collect(),
            away: self.lie.positive,
        };
        labels::draw(drawing, &labels, &room, size::LABEL * page.unit);
    }

    /// A mark across the line where panels meet.
    fn draw_gap(&self, drawing: &mut Drawing, page: &Page, at: Place) {
        let half: Vector2<f64> = self.lie.positive * (page.unit * 3.0);
        drawing.rimmed(vec![at - half, at + half], page.unit * 0.3, INK);
    }

    /// The place at a distance along the line, on one of the lines.
    fn at(&self, result: &LineResult, s_mm: f64, places: &[Place]) -> Option<Place> {
        let rows = &result.line.deviation;
        let after = rows
            .partition_point(|row| row.s_mm < s_mm)
            .min(rows.len().checked_sub(1)?);
        let before = after.saturating_sub(1);
        let (from, to) = (rows.get(before)?, rows.get(after)?);
        let (start, end) = (places.get(before)?, places.get(after)?);
        let length = to.s_mm - from.s_mm;
        let share = if length > 0.0 {
            ((s_mm - from.s_mm) / length).clamp(0.0, 1.0)
        } else {
            0.0
        };
        Some(start + (end - start) * share)
    }
}
