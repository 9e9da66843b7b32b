//! The deviation along the line as a plot: waves, uncertainty, tolerance, gaps.
//!
//! Drawn the way the line lies in the photo: up in the plot is up there (right, for a line that runs down the photo).

use super::canvas;
use super::drawing::{
    Anchor, Colour, Drawing, Frame, GREY, INK, Paint, Place, Text, WHITE, fitting,
};
use super::labels::{self, Label, Room};
use super::scene::{
    colour, figure, gap_label, labelled, paint, runs, spacing, stretch, verdict, wave_label,
};
use super::vector;
use super::words::{Lie, Side, short};
use crate::check::line::{Deviation, LineResult, Reference};
use image::RgbImage;
use nalgebra::Vector2;
use std::ops::Range;

/// Width of the plot, px.
const WIDTH: f64 = 1400.0;
/// Height of the plot, px.
const HEIGHT: f64 = 800.0;
/// Type size of axes and labels: legible with the plot 400 pixels wide.
const TYPE: f64 = 38.0;
/// Distance of stripes and dots.
const PITCH: f64 = 18.0;
/// Smallest height of the scale, mm, so that a straight line looks straight.
const LEAST_SPAN_MM: f64 = 0.4;
/// Most waves with a label.
const LABELS: usize = 6;

/// The plot as PNG and as SVG.
pub fn png_and_svg(result: &LineResult) -> (Vec<u8>, String) {
    let drawing = draw(result);
    let mut picture = RgbImage::from_pixel(WIDTH as u32, HEIGHT as u32, image::Rgb(WHITE));
    canvas::draw(&drawing, &mut picture);
    (canvas::png(&picture), vector::svg(&drawing))
}

/// The plot's shapes.
fn draw(result: &LineResult) -> Drawing {
    let mut drawing = Drawing::new(WIDTH, HEIGHT);
    let page = Frame {
        left: 0.0,
        top: 0.0,
        right: WIDTH,
        bottom: HEIGHT,
    };
    drawing.area(page.corners(), Paint::Plain(WHITE, 1.0));
    let axes = Axes::of(result);
    axes.draw_grid(&mut drawing);
    axes.draw_line(&mut drawing, result);
    axes.draw_tolerance(&mut drawing, result);
    axes.draw_labels(&mut drawing, result);
    axes.draw_words(&mut drawing, result);
    drawing
}

/// From millimetres to places in the plot.
#[derive(Debug)]
struct Axes {
    /// The plot's own area.
    frame: Frame,
    /// Lowest and highest distance along, mm.
    along_mm: (f64, f64),
    /// Lowest and highest value, mm, positive up in the plot.
    up_mm: (f64, f64),
    /// +1 when a positive deviation goes up in the plot, else -1.
    sign: f64,
    /// What up in the plot is in the photo.
    up: Side,
}

impl Axes {
    fn of(result: &LineResult) -> Axes {
        let side = Lie::of(&result.line).map_or(Side::Down, |lie| lie.side(1.0));
        let (sign, up) = match side {
            Side::Up | Side::Right => (1.0, side),
            Side::Down => (-1.0, Side::Up),
            Side::Left => (-1.0, Side::Right),
        };
        let rows = &result.line.deviation;
        let ends = |values: &mut dyn Iterator<Item = f64>| {
            values
                .filter(|value| value.is_finite())
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                    (low.min(value), high.max(value))
                })
        };
        let along = ends(&mut rows.iter().map(|row| row.s_mm));
        let along_mm = if along.1 > along.0 { along } else { (0.0, 1.0) };
        let limits = tolerance_lines(result).into_iter().flatten();
        let values = rows
            .iter()
            .flat_map(|row| [row.d_mm - row.u95_mm, row.d_mm + row.u95_mm])
            .chain(limits);
        let (low, high) = ends(&mut values.map(|value| value * sign));
        let (low, high) = if low <= high { (low, high) } else { (0.0, 0.0) };
        let lacking = ((LEAST_SPAN_MM - (high - low)) / 2.0).max(0.0);
        let air = 0.22 * (high - low).max(LEAST_SPAN_MM);
        let frame = Frame {
            left: 150.0,
            top: 150.0,
            right: WIDTH - 40.0,
            bottom: HEIGHT - 130.0,
        };
        Axes {
            frame,
            along_mm,
            up_mm: (low - lacking - air, high + lacking + air),
            sign,
            up,
        }
    }

    fn x(&self, s_mm: f64) -> f64 {
        let (low, high) = self.along_mm;
        self.frame.left + (s_mm - low) / (high - low) * (self.frame.right - self.frame.left)
    }

    /// Height in the plot of a deviation.
    fn y(&self, d_mm: f64) -> f64 {
        let (low, high) = self.up_mm;
        self.frame.bottom
            - (d_mm * self.sign - low) / (high - low) * (self.frame.bottom - self.frame.top)
    }

    fn place(&self, row: &Deviation, above_mm: f64) -> Place {
        Place::new(self.x(row.s_mm), self.y(row.d_mm + above_mm))
    }

    /// Grid and numbers.
    fn draw_grid(&self, drawing: &mut Drawing) {
        let line: Colour = [221, 225, 230];
        let step = spacing(self.up_mm.1 - self.up_mm.0, 6.0);
        for tick in ticks(self.up_mm, step) {
            let y = self.y(tick * self.sign);
            let across = vec![
                Place::new(self.frame.left, y),
                Place::new(self.frame.right, y),
            ];
            drawing.line(
                across,
                if tick == 0.0 { 3.0 } else { 2.0 },
                if tick == 0.0 { GREY } else { line },
            );
            let at = Place::new(self.frame.left - 14.0, y + TYPE * 0.36);
            drawing.text(text(at, Anchor::End, INK, short(tick, 3)));
        }
        let step = spacing(self.along_mm.1 - self.along_mm.0, 7.0);
        for tick in ticks(self.along_mm, step) {
            let x = self.x(tick);
            drawing.line(
                vec![
                    Place::new(x, self.frame.top),
                    Place::new(x, self.frame.bottom),
                ],
                2.0,
                line,
            );
            let at = Place::new(x, self.frame.bottom + TYPE * 1.2);
            drawing.text(text(at, Anchor::Middle, INK, short(tick, 3)));
        }
    }

    /// Interval, waves and the line itself, run by run.
    fn draw_line(&self, drawing: &mut Drawing, result: &LineResult) {
        let rows = |range: Range<usize>| result.line.deviation.get(range).unwrap_or_default();
        let runs = runs(&result.line);
        for run in &runs {
            for wave in &result.line.waves {
                let Some(paint) = paint(wave.what, PITCH) else {
                    continue;
                };
                let rows = rows(stretch(&result.line, run, wave));
                let mut outline: Vec<Place> = rows.iter().map(|row| self.place(row, 0.0)).collect();
                outline.extend(
                    rows.iter()
                        .rev()
                        .map(|row| Place::new(self.x(row.s_mm), self.y(0.0))),
                );
                drawing.area(outline, paint);
            }
        }
        for run in &runs {
            let rows = rows(run.clone());
            let edge = |times: f64| {
                rows.iter()
                    .map(move |row| self.place(row, times * row.u95_mm))
            };
            let band = edge(1.0).chain(edge(-1.0).rev()).collect();
            drawing.area(band, Paint::Plain([200, 205, 212], 0.7));
            for times in [1.0, -1.0] {
                drawing.line(edge(times).collect(), 2.0, GREY);
            }
        }
        for run in &runs {
            drawing.rimmed(
                rows(run.clone())
                    .iter()
                    .map(|row| self.place(row, 0.0))
                    .collect(),
                5.0,
                INK,
            );
        }
        for gap in &result.gap {
            let x = self.x(gap.at_mm);
            drawing.dashes(
                vec![
                    Place::new(x, self.frame.top),
                    Place::new(x, self.frame.bottom),
                ],
                4.0,
                INK,
                14.0,
            );
        }
    }

    /// The two lines between which the whole line must lie.
    fn draw_tolerance(&self, drawing: &mut Drawing, result: &LineResult) {
        let Some(lines) = tolerance_lines(result) else {
            return;
        };
        for d_mm in lines {
            let y = self.y(d_mm);
            drawing.dashes(
                vec![
                    Place::new(self.frame.left, y),
                    Place::new(self.frame.right, y),
                ],
                4.0,
                INK,
                10.0,
            );
        }
    }

    /// Labels of waves and gaps.
    fn draw_labels(&self, drawing: &mut Drawing, result: &LineResult) {
        let lie = Lie::of(&result.line);
        let mut labels: Vec<Label> = Vec::new();
        for gap in &result.gap {
            let at = Place::new(self.x(gap.at_mm), self.frame.top + TYPE);
            labels.push(Label {
                at,
                side: 0.0,
                words: gap_label(gap.step_mm),
                colour: GREY,
            });
        }
        for wave in labelled(&result.line, LABELS) {
            let near = |row: &&Deviation| (row.s_mm - wave.peak_mm).abs();
            let rows = result.line.deviation.iter();
            if let Some(row) = rows.min_by(|a, b| near(a).total_cmp(&near(b))) {
                let at = self.place(row, 0.0);
                labels.push(Label {
                    at,
                    side: row.d_mm * self.sign,
                    words: wave_label(wave, lie),
                    colour: colour(wave.what),
                });
            }
        }
        // The line and the areas under it.
        let rows = result.line.deviation.iter().step_by(6);
        let keep_clear = rows
            .flat_map(|row| [0.0, 0.33, 0.67, 1.0].map(|share| self.place(row, -row.d_mm * share)))
            .collect();
        let room = Room {
            within: self.frame.grown(-6.0),
            keep_clear,
            away: Vector2::new(0.0, -1.0),
        };
        labels::draw(drawing, &labels, &room, TYPE);
    }

    /// Headline and what the axes are.
    fn draw_words(&self, drawing: &mut Drawing, result: &LineResult) {
        let wide = WIDTH - 80.0;
        let head = match verdict(result) {
            Some((sign, words, ..)) => format!("{sign} {words}: {}", figure(result)),
            None => figure(result),
        };
        let size = fitting(&head, TYPE * 1.4, true, wide);
        let at = Place::new(40.0, 62.0);
        drawing.text(Text {
            size,
            bold: true,
            ..text(at, Anchor::Start, INK, head)
        });
        let up = match self.up {
            Side::Right => "to the right",
            _ => "up",
        };
        let dashed = result
            .head
            .verdict
            .as_ref()
            .map_or(String::new(), |verdict| {
                format!("; dashed: {} mm apart", short(verdict.tol_mm, 3))
            });
        let axis = format!(
            "mm {up} from {}; grey: ± (95%){dashed}",
            reference(&result.line.reference)
        );
        let size = fitting(&axis, TYPE, false, wide);
        drawing.text(Text {
            size,
            ..text(
                Place::new(40.0, 62.0 + TYPE * 1.45),
                Anchor::Start,
                GREY,
                axis,
            )
        });
        let end = if self.up == Side::Right {
            "top"
        } else {
            "left"
        };
        let middle = (self.frame.left + self.frame.right) / 2.0;
        let words = format!("mm along the line from its {end} end");
        drawing.text(text(
            Place::new(middle, HEIGHT - 30.0),
            Anchor::Middle,
            GREY,
            words,
        ));
    }
}

/// The pair of lines as far apart as the tolerance, about the middle of the deviation: the line is within when it fits
/// between such a pair (the minimum zone may lie a little askew to them).
fn tolerance_lines(result: &LineResult) -> Option<[f64; 2]> {
    let tol_mm = result.head.verdict.as_ref()?.tol_mm;
    let values = result.line.deviation.iter().map(|row| row.d_mm);
    let low = values.clone().min_by(f64::total_cmp)?;
    let high = values.max_by(f64::total_cmp)?;
    let middle = (low + high) / 2.0;
    Some([middle - tol_mm / 2.0, middle + tol_mm / 2.0])
}

/// What the deviation was measured from, in two or three words.
fn reference(reference: &Reference) -> &'static str {
    match reference {
        Reference::Straight => "a straight line",
        Reference::Arc { .. } => "an arc",
        Reference::Fair { .. } => "a fair curve",
        Reference::Partner { .. } => "the partner",
    }
}

/// Whole multiples of a spacing within two ends.
fn ticks((low, high): (f64, f64), step: f64) -> Vec<f64> {
    let (first, last) = ((low / step).ceil(), (high / step).floor());
    // Spacings are a sixth of the span or so: the count is small unless something is not a number.
    let count = if last >= first {
        ((last - first) as usize + 1).min(50)
    } else {
        0
    };
    (0..count)
        .map(|at| (first + at as f64) * step + 0.0)
        .collect()
}

/// A text of the usual size.
fn text(at: Place, anchor: Anchor, colour: Colour, words: String) -> Text {
    Text {
        at,
        size: TYPE,
        bold: false,
        colour,
        anchor,
        words,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_lie_within() {
        assert_eq!(ticks((-0.5, 1.1), 0.5), [-0.5, 0.0, 0.5, 1.0]);
        assert_eq!(ticks((0.1, 0.2), 1.0), [0.0; 0]);
        assert!(ticks((f64::NAN, 1.0), 0.5).is_empty());
    }
}
