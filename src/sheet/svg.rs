//! One sheet to SVG 1.1: width and height in mm and a view box in mm, so a coordinate in the file is a millimetre on
//! paper. Cut lines and notes are in groups `cut` and `note` by class; arcs stay arcs.

use super::item::{Item, Layer, Pen, Text};
use super::page::{Drawing, Sheet};
use super::path::{Frame, Path, Piece};
use super::{SheetError, drawable, font, seal};
use ::svg::Document;
use ::svg::node::Value;
use ::svg::node::element::{
    ClipPath, Definitions, Group, Path as PathNode, Rectangle, Text as TextNode, Title,
};

/// The sheet as an SVG file.
///
/// # Errors
/// [`SheetError::NotDrawable`] for coordinates that are not numbers or too large.
pub fn text(sheet: &Sheet) -> Result<String, SheetError> {
    let (width_mm, height_mm) = (sheet.page.width_mm(), sheet.page.height_mm());
    // White paper below it all, for viewers with a dark ground.
    let paper = Rectangle::new()
        .set("width", number(width_mm))
        .set("height", number(height_mm))
        .set("fill", "#ffffff");
    page(width_mm, height_mm, &sheet.title, Some(paper), &sheet.items)
}

/// A drawing of any size as an SVG file of that size.
///
/// # Errors
/// As [`text()`].
pub fn drawing(drawing: &Drawing) -> Result<String, SheetError> {
    page(
        drawing.width_mm,
        drawing.height_mm,
        &drawing.title,
        None,
        &drawing.items,
    )
}

fn page(
    width_mm: f64,
    height_mm: f64,
    title: &str,
    paper: Option<Rectangle>,
    items: &[Item],
) -> Result<String, SheetError> {
    drawable(items)?;
    let mut clips = Vec::new();
    let group = group(items, &mut clips);
    let mut document = Document::new()
        .set("width", format!("{}mm", number(width_mm)))
        .set("height", format!("{}mm", number(height_mm)))
        .set(
            "viewBox",
            format!("0 0 {} {}", number(width_mm), number(height_mm)),
        )
        .add(Title::new(title));
    if !clips.is_empty() {
        let mut definitions = Definitions::new();
        for (i, frame) in clips.iter().enumerate() {
            let rect = PathNode::new().set("d", data(std::slice::from_ref(&Path::rect(*frame))));
            definitions = definitions.add(ClipPath::new().set("id", format!("tile{i}")).add(rect));
        }
        document = document.add(definitions);
    }
    if let Some(paper) = paper {
        document = document.add(paper);
    }
    let document = document.add(group);
    let body = format!("{document}\n<!-- {} -->\n", seal::blank());
    Ok(String::from_utf8_lossy(&seal::close(body.into_bytes())).into_owned())
}

fn group(items: &[Item], clips: &mut Vec<Frame>) -> Group {
    items.iter().fold(Group::new(), |group, item| match item {
        Item::Fill { paths, ink } => group.add(
            PathNode::new()
                .set("class", "note")
                .set("d", data(paths))
                .set("fill", grey(ink.0))
                .set("fill-rule", "evenodd"),
        ),
        Item::Stroke { path, pen, layer } => group.add(stroke(path, pen, *layer)),
        Item::Text(text) => group.add(words(text)),
        Item::Window { frame, items } => {
            let name = format!("url(#tile{})", clips.len());
            clips.push(*frame);
            let inner = self::group(items, clips);
            group.add(Group::new().set("clip-path", name).add(inner))
        }
    })
}

fn stroke(path: &Path, pen: &Pen, layer: Layer) -> PathNode {
    let node = PathNode::new()
        .set("class", if layer == Layer::Cut { "cut" } else { "note" })
        .set("d", data(std::slice::from_ref(path)))
        .set("fill", "none")
        .set("stroke", grey(pen.ink.0))
        .set("stroke-width", number(pen.width_mm));
    match pen.dash_mm {
        Some((dash, gap)) => node.set(
            "stroke-dasharray",
            format!("{} {}", number(dash), number(gap)),
        ),
        None => node,
    }
}

fn words(text: &Text) -> TextNode {
    let start = text.start();
    let shown: String = font::set(&text.words).iter().map(|g| g.letter).collect();
    let node = TextNode::new(shown)
        .set("class", "note")
        .set("x", number(start.x))
        .set("y", number(start.y))
        .set(
            "font-family",
            format!("{}, Arial, Helvetica, sans-serif", font::FAMILY),
        )
        .set("font-size", number(text.size_mm))
        // With another font in its place the words still take the room they were given.
        .set("textLength", number(text.width_mm()))
        .set("lengthAdjust", "spacingAndGlyphs")
        .set("xml:space", "preserve")
        .set("fill", grey(text.ink.0));
    if text.turn_deg == 0.0 {
        node
    } else {
        let turn = format!(
            "rotate({} {} {})",
            number(text.turn_deg),
            number(start.x),
            number(start.y)
        );
        node.set("transform", turn)
    }
}

fn grey(ink: u8) -> Value {
    format!("#{ink:02x}{ink:02x}{ink:02x}").into()
}

/// Path data; arcs of half a turn and more are given in three parts, as the SVG arc can't tell a full circle from nothing.
fn data(paths: &[Path]) -> String {
    let mut d = String::new();
    for path in paths {
        d.push_str(&format!(
            "M{} {}",
            number(path.start.x),
            number(path.start.y)
        ));
        for piece in path.pieces() {
            match piece {
                Piece::Line { to, .. } => {
                    d.push_str(&format!("L{} {}", number(to.x), number(to.y)))
                }
                Piece::Arc {
                    from,
                    centre,
                    radius_mm,
                    sweep_deg,
                    ..
                } => {
                    let parts = if sweep_deg.abs() > 175.0 { 3 } else { 1 };
                    let mut half = Path::from(from);
                    for _ in 0..parts {
                        half = half.arc(centre, sweep_deg / f64::from(parts));
                    }
                    for part in half.pieces() {
                        if let Piece::Arc { to, .. } = part {
                            let r = number(radius_mm);
                            let way = u8::from(sweep_deg > 0.0);
                            d.push_str(&format!(
                                "A{r} {r} 0 0 {way} {} {}",
                                number(to.x),
                                number(to.y)
                            ));
                        }
                    }
                }
            }
        }
        if path.closed {
            d.push('Z');
        }
    }
    d
}

/// A number with at most five decimals (10 nm) and no needless zeros.
fn number(v: f64) -> String {
    let text = format!("{v:.5}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::path::At;
    use crate::sheet::{Ink, Page, Paper, bars};

    fn written(items: Vec<Item>) -> String {
        text(&Sheet {
            page: Page::portrait(Paper::A4),
            title: "A & B".to_owned(),
            items,
        })
        .unwrap()
    }

    fn attribute(file: &str, element: &str, name: &str) -> Vec<String> {
        let document = roxmltree::Document::parse(file).unwrap();
        document
            .descendants()
            .filter(|n| n.has_tag_name(element) || n.tag_name().name() == element)
            .filter_map(|n| n.attribute(name).map(str::to_owned))
            .collect()
    }

    #[test]
    fn a_unit_is_a_millimetre() {
        let file = written(bars::corner(At::new(20.0, 250.0)));
        assert_eq!(attribute(&file, "svg", "width"), ["210mm"]);
        assert_eq!(attribute(&file, "svg", "height"), ["297mm"]);
        assert_eq!(attribute(&file, "svg", "viewBox"), ["0 0 210 297"]);
        let lines = attribute(&file, "path", "d");
        assert!(lines.contains(&"M20 250L120 250".to_owned()), "{lines:?}");
        assert!(lines.contains(&"M20 250L20 150".to_owned()), "{lines:?}");
        assert!(seal::is_own(file.as_bytes()));
    }

    #[test]
    fn arcs_stay_arcs_and_layers_are_told_apart() {
        let arc = Path::from(At::new(60.0, 50.0)).arc(At::new(50.0, 50.0), 90.0);
        let file = written(vec![
            Item::cut(arc.clone(), Pen::black(0.1)),
            Item::note(Path::circle(At::new(50.0, 50.0), 10.0), Pen::black(0.1)),
        ]);
        assert_eq!(attribute(&file, "path", "class"), ["cut", "note"]);
        let lines = attribute(&file, "path", "d");
        assert_eq!(lines[0], "M60 50A10 10 0 0 1 50 60");
        assert_eq!(lines[1].matches('A').count(), 3);
    }

    #[test]
    fn words_are_escaped_and_stay_words() {
        let file = written(vec![Item::Text(
            Text::new(At::new(1.0, 2.0), 3.0, "r < 5 & \"wing\"").ink(Ink::QUIET),
        )]);
        let document = roxmltree::Document::parse(&file).unwrap();
        let words = document
            .descendants()
            .find(|n| n.tag_name().name() == "text")
            .unwrap();
        assert_eq!(words.text().map(str::trim), Some("r < 5 & \"wing\""));
    }

    #[test]
    fn numbers_are_short() {
        for (v, text) in [
            (1.5, "1.5"),
            (100.0, "100"),
            (-0.000_001, "0"),
            (1.0 / 3.0, "0.33333"),
        ] {
            assert_eq!(number(v), text);
        }
    }
}
