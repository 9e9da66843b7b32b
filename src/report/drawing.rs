//! A picture as a list of shapes, drawn as pixels ([`super::canvas`]) or as SVG ([`super::vector`]).
//!
//! Frame: x right, y down, the unit is a pixel of the finished picture, its top-left *corner* the origin (a pixel's
//! centre lies at halves; photo places are shifted on entry).

use super::font;
use nalgebra::Point2;

/// A place in the picture.
pub type Place = Point2<f64>;

/// A colour, sRGB.
pub type Colour = [u8; 3];

/// White.
pub const WHITE: Colour = [255, 255, 255];
/// Text and lines on light ground.
pub const INK: Colour = [22, 26, 31];
/// Quiet lines and text.
pub const GREY: Colour = [110, 118, 128];
/// Where a line lies off to one side, or filler is to be added: blue, and striped.
pub const ADD: Colour = [25, 80, 190];
/// Where a line lies off to the other side, or is to be taken down: orange, and dotted. Blue and orange stay apart for every common kind of colour blindness, and the
/// pattern and the words carry the meaning without colour.
pub const TAKE_DOWN: Colour = [226, 106, 0];
/// Good.
pub const GOOD: Colour = [0, 120, 105];
/// Can't tell.
pub const DOUBT: Colour = [240, 196, 25];

/// How an area is filled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Paint {
    /// One colour, with how much of it covers what lies below, 0–1.
    Plain(Colour, f64),
    /// Striped in [`ADD`]; the number is the distance between stripes.
    Add(f64),
    /// Dotted in [`TAKE_DOWN`]; the number is the distance between dots.
    TakeDown(f64),
}

/// Where a text hangs from its place, on the baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its left end.
    Start,
    /// Its middle.
    Middle,
    /// Its right end.
    End,
}

/// A text on one line.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// On the baseline.
    pub at: Place,
    /// Type size.
    pub size: f64,
    /// Weight.
    pub bold: bool,
    /// Colour.
    pub colour: Colour,
    /// Which part of the text is at the place.
    pub anchor: Anchor,
    /// The words.
    pub words: String,
}

impl Text {
    /// A text from its left end.
    pub fn from_left(at: Place, size: f64, bold: bool, colour: Colour, words: String) -> Text {
        Text {
            at,
            size,
            bold,
            colour,
            anchor: Anchor::Start,
            words,
        }
    }
}

/// One shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A filled outline (nonzero winding).
    Area {
        /// Its corners.
        outline: Vec<Place>,
        /// Its fill.
        paint: Paint,
    },
    /// A line with round corners.
    Line {
        /// Its points.
        points: Vec<Place>,
        /// Its width.
        width: f64,
        /// Its colour.
        colour: Colour,
        /// Length of dashes and of the spaces between; `None`: unbroken.
        dash: Option<f64>,
    },
    /// A text.
    Text(Text),
}

/// A picture of a size, drawn from the first shape to the last.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// The shapes.
    pub shapes: Vec<Shape>,
}

/// An upright box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Left edge.
    pub left: f64,
    /// Top edge.
    pub top: f64,
    /// Right edge.
    pub right: f64,
    /// Bottom edge.
    pub bottom: f64,
}

impl Frame {
    /// Its corners, clockwise.
    pub fn corners(&self) -> Vec<Place> {
        [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
        ]
        .map(|(x, y)| Place::new(x, y))
        .to_vec()
    }

    /// The same, larger by so much on every side.
    pub fn grown(&self, by: f64) -> Frame {
        Frame {
            left: self.left - by,
            top: self.top - by,
            right: self.right + by,
            bottom: self.bottom + by,
        }
    }

    /// Whether two boxes overlap.
    pub fn meets(&self, other: &Frame) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// The place in the box that is nearest to another.
    pub fn nearest(&self, at: Place) -> Place {
        Place::new(
            at.x.max(self.left).min(self.right),
            at.y.max(self.top).min(self.bottom),
        )
    }

    /// Whether a place lies within.
    pub fn holds(&self, at: Place) -> bool {
        at.x >= self.left && at.x <= self.right && at.y >= self.top && at.y <= self.bottom
    }
}

impl Drawing {
    /// An empty picture.
    pub fn new(width: f64, height: f64) -> Self {
        Drawing {
            width,
            height,
            shapes: Vec::new(),
        }
    }

    /// Adds a filled outline.
    pub fn area(&mut self, outline: Vec<Place>, paint: Paint) {
        self.shapes.push(Shape::Area { outline, paint });
    }

    /// Adds an unbroken line.
    pub fn line(&mut self, points: Vec<Place>, width: f64, colour: Colour) {
        self.shapes.push(Shape::Line {
            points,
            width,
            colour,
            dash: None,
        });
    }

    /// Adds a dashed line.
    pub fn dashes(&mut self, points: Vec<Place>, width: f64, colour: Colour, dash: f64) {
        self.shapes.push(Shape::Line {
            points,
            width,
            colour,
            dash: Some(dash),
        });
    }

    /// Adds a line with a white rim, to be seen on any ground.
    pub fn rimmed(&mut self, points: Vec<Place>, width: f64, colour: Colour) {
        self.line(points.clone(), width * 2.2, WHITE);
        self.line(points, width, colour);
    }

    /// Adds a text.
    pub fn text(&mut self, text: Text) {
        self.shapes.push(Shape::Text(text));
    }
}

/// Breaks a text at its spaces into lines no wider than `width`; a longer word stands alone.
pub fn wrapped(words: &str, size: f64, bold: bool, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        let longer = lines.last().map(|line| format!("{line} {word}"));
        match (lines.last_mut(), longer) {
            (Some(line), Some(longer)) if font::width(&longer, size, bold) <= width => {
                *line = longer
            }
            _ => lines.push(word.to_string()),
        }
    }
    lines
}

/// The largest type size up to `size` at which a text is no wider than `width`.
pub fn fitting(words: &str, size: f64, bold: bool, width: f64) -> f64 {
    let wide = font::width(words, size, bold);
    if wide > width {
        size * width / wide
    } else {
        size
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_broken_at_spaces_only() {
        let wide = font::width("add filler", 20.0, false);
        assert_eq!(
            wrapped("add filler to it", 20.0, false, wide + 1.0),
            ["add filler", "to it"]
        );
        assert_eq!(wrapped("unbreakable", 20.0, false, 5.0), ["unbreakable"]);
        assert!(wrapped("", 20.0, false, 5.0).is_empty());
    }

    #[test]
    fn type_shrinks_to_fit() {
        let wide = font::width("straight", 30.0, true);
        assert!((fitting("straight", 30.0, true, wide / 2.0) - 15.0).abs() < 1e-6);
        assert!((fitting("straight", 30.0, true, wide * 2.0) - 30.0).abs() < 1e-12);
    }
}
