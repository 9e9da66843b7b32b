//! Writes a [`Drawing`] as SVG, for printing and for the record.

use super::canvas::{DOT, STRIPE};
use super::drawing::{
    ADD, Anchor, Colour, Drawing, INK, Paint, Place, Shape, TAKE_DOWN, Text, WHITE,
};
use super::words::short;
use svg::Document;
use svg::node::element::{
    Circle, Definitions, Line, Path, Pattern, Polyline, Rectangle, Text as Words,
};

/// Coordinates are written to a hundredth of a pixel.
const DECIMALS: usize = 2;

/// The picture as SVG text, ending in a line feed.
pub fn svg(drawing: &Drawing) -> String {
    let mut document = Document::new()
        .set(
            "viewBox",
            (
                0,
                0,
                drawing.width.round() as i64,
                drawing.height.round() as i64,
            ),
        )
        .set("width", drawing.width.round() as i64)
        .set("height", drawing.height.round() as i64)
        .set("font-family", "DejaVu Sans, Verdana, sans-serif")
        .add(patterns(drawing));
    for shape in &drawing.shapes {
        document = match shape {
            Shape::Area { outline, paint } => document.add(area(outline, *paint)),
            Shape::Line {
                points,
                width,
                colour,
                dash,
            } => document.add(line(points, *width, *colour, *dash)),
            Shape::Text(text) => document.add(words(text)),
        };
    }
    format!("{document}\n")
}

/// The two patterns, at the distance the drawing uses.
fn patterns(drawing: &Drawing) -> Definitions {
    let pitch = |wanted: fn(Paint) -> Option<f64>| {
        drawing.shapes.iter().find_map(|shape| match shape {
            Shape::Area { paint, .. } => wanted(*paint),
            _ => None,
        })
    };
    let mut definitions = Definitions::new();
    let tile = |name: &str, pitch: f64| {
        Pattern::new()
            .set("id", name)
            .set("patternUnits", "userSpaceOnUse")
            .set("width", number(pitch))
            .set("height", number(pitch))
    };
    let ground = |pitch: f64, colour| {
        Rectangle::new()
            .set("width", number(pitch))
            .set("height", number(pitch))
            .set("fill", hex(colour))
    };
    if let Some(pitch) = pitch(|paint| {
        if let Paint::Add(pitch) = paint {
            Some(pitch)
        } else {
            None
        }
    }) {
        let stripe = Line::new()
            .set("x2", number(pitch))
            .set("stroke", hex(WHITE))
            .set("stroke-width", number(pitch * STRIPE * 2.0));
        let pattern = tile("add", pitch).set("patternTransform", "rotate(-45)");
        definitions = definitions.add(pattern.add(ground(pitch, ADD)).add(stripe));
    }
    if let Some(pitch) = pitch(|paint| {
        if let Paint::TakeDown(pitch) = paint {
            Some(pitch)
        } else {
            None
        }
    }) {
        let dot = Circle::new()
            .set("cx", number(pitch / 2.0))
            .set("cy", number(pitch / 2.0))
            .set("r", number(pitch * DOT / 2.0))
            .set("fill", hex(INK));
        definitions = definitions.add(
            tile("take-down", pitch)
                .add(ground(pitch, TAKE_DOWN))
                .add(dot),
        );
    }
    definitions
}

/// A filled outline.
fn area(outline: &[Place], paint: Paint) -> Path {
    let path = Path::new().set("d", format!("M{}Z", places(outline, "L")));
    match paint {
        Paint::Plain(colour, strength) if strength < 1.0 => path
            .set("fill", hex(colour))
            .set("fill-opacity", short(strength, 3)),
        Paint::Plain(colour, _) => path.set("fill", hex(colour)),
        Paint::Add(_) => path.set("fill", "url(#add)"),
        Paint::TakeDown(_) => path.set("fill", "url(#take-down)"),
    }
}

/// A line.
fn line(points: &[Place], width: f64, colour: Colour, dash: Option<f64>) -> Polyline {
    let line = Polyline::new()
        .set("points", places(points, " "))
        .set("fill", "none")
        .set("stroke", hex(colour))
        .set("stroke-width", number(width))
        .set("stroke-linejoin", "round");
    match dash {
        Some(dash) => line.set("stroke-dasharray", number(dash)),
        None => line.set("stroke-linecap", "round"),
    }
}

/// A text.
fn words(text: &Text) -> Words {
    let element = Words::new(text.words.as_str())
        .set("x", number(text.at.x))
        .set("y", number(text.at.y))
        .set("font-size", number(text.size))
        .set("fill", hex(text.colour));
    let element = if text.bold {
        element.set("font-weight", "bold")
    } else {
        element
    };
    match text.anchor {
        Anchor::Start => element,
        Anchor::Middle => element.set("text-anchor", "middle"),
        Anchor::End => element.set("text-anchor", "end"),
    }
}

/// Places one after the other.
fn places(points: &[Place], between: &str) -> String {
    let places: Vec<String> = points
        .iter()
        .map(|at| format!("{},{}", number(at.x), number(at.y)))
        .collect();
    places.join(between)
}

/// A coordinate.
fn number(value: f64) -> String {
    short(value, DECIMALS)
}

/// A colour.
fn hex([red, green, blue]: Colour) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_escaped_and_shapes_keep_their_order() {
        let mut drawing = Drawing::new(20.0, 10.0);
        drawing.area(
            vec![
                Place::new(1.0, 1.0),
                Place::new(5.126, 1.0),
                Place::new(3.0, 4.0),
            ],
            Paint::Add(4.0),
        );
        drawing.dashes(
            vec![Place::new(0.0, 0.0), Place::new(9.0, 0.0)],
            1.0,
            INK,
            2.0,
        );
        drawing.text(Text {
            at: Place::new(10.0, 9.0),
            size: 4.0,
            bold: true,
            colour: INK,
            anchor: Anchor::Middle,
            words: "a < b & c".to_string(),
        });
        let text = svg(&drawing);
        let order = [
            "id=\"add\"",
            "M1,1L5.13,1L3,4Z",
            "stroke-dasharray=\"2\"",
            "a &lt; b &amp; c",
        ];
        let at: Vec<Option<usize>> = order.iter().map(|part| text.find(part)).collect();
        assert!(
            at.iter().all(Option::is_some) && at.is_sorted(),
            "{at:?}\n{text}"
        );
    }
}
