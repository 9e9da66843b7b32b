//! A drawing to DXF R12 (AC1009), for laser, knife and mill: lines as LINE, arcs as ARC, circles as CIRCLE, words as
//! TEXT, on the layers CUT and NOTE.
//!
//! Written by hand after the R12 group codes (checks.md 11.13), since readers differ in what newer marks they forgive.
//! R12 has no unit, so a comment says millimetres and the two check bars stand below the drawing on the layer NOTE:
//! whoever loads the file can measure them. The frame is DXF's own: origin at the drawing's lower left, y up.
//! Letters are stored in Windows code page 1252; a letter it lacks becomes a question mark.

use super::bars;
use super::item::{Align, Item, Layer, Text};
use super::page::Drawing;
use super::path::{At, Frame, Path, Piece};
use super::{SheetError, drawable, seal};
use std::fmt::Write;

/// From the drawing's lower edge down to the foot of the check bars, mm: they stand below it, never on it.
const BELOW_MM: f64 = bars::BAR_MM + 10.0;

/// The drawing as a DXF file; areas are given as their outlines on the layer NOTE.
///
/// # Errors
/// [`SheetError::NotDrawable`] for coordinates that are not numbers or too large.
pub fn bytes(drawing: &Drawing) -> Result<Vec<u8>, SheetError> {
    drawable(&drawing.items)?;
    let mut items = drawing.items.clone();
    items.extend(bars::corner(At::new(0.0, drawing.height_mm + BELOW_MM)));
    let mut file = File {
        text: String::new(),
        height_mm: drawing.height_mm,
    };
    file.head(drawing, &items);
    file.code(0, "SECTION");
    file.code(2, "ENTITIES");
    for item in &items {
        file.item(item);
    }
    file.code(0, "ENDSEC");
    file.code(0, "EOF");
    Ok(seal::close(file.text.chars().map(code_page_1252).collect()))
}

struct File {
    text: String,
    height_mm: f64,
}

impl File {
    fn code(&mut self, code: u16, value: &str) {
        // Writing to a string can't fail.
        let _ = write!(self.text, "{code:>3}\r\n{value}\r\n");
    }

    fn number(&mut self, code: u16, value: f64) {
        let value = if value == 0.0 { 0.0 } else { value };
        self.code(code, &format!("{value:.6}"));
    }

    /// A place, codes `code` and `code + 10`, flipped to DXF's y up; z 0 at `code + 20`.
    fn place(&mut self, code: u16, at: At) {
        self.number(code, at.x);
        self.number(code + 10, self.height_mm - at.y);
        self.number(code + 20, 0.0);
    }

    fn head(&mut self, drawing: &Drawing, items: &[Item]) {
        self.code(
            999,
            &format!("{} - millimetres: 1 unit is 1 mm", line(&drawing.title)),
        );
        self.code(999, &seal::blank());
        self.code(0, "SECTION");
        self.code(2, "HEADER");
        self.code(9, "$ACADVER");
        self.code(1, "AC1009");
        self.code(9, "$DWGCODEPAGE");
        self.code(3, "ANSI_1252");
        let all = items.iter().filter_map(Item::bounds).reduce(Frame::union);
        if let Some(f) = all {
            self.code(9, "$EXTMIN");
            self.place(10, At::new(f.x0, f.y1));
            self.code(9, "$EXTMAX");
            self.place(10, At::new(f.x1, f.y0));
        }
        self.code(0, "ENDSEC");
        self.code(0, "SECTION");
        self.code(2, "TABLES");
        self.code(0, "TABLE");
        self.code(2, "LTYPE");
        self.code(70, "2");
        self.line_type("CONTINUOUS", "Solid line", &[]);
        self.line_type("DASHED", "Dashed", &[3.0, -2.0]);
        self.code(0, "ENDTAB");
        self.code(0, "TABLE");
        self.code(2, "LAYER");
        self.code(70, "3");
        // Colour numbers of R12: 7 white or black, 1 red, 5 blue.
        for (name, colour) in [("0", "7"), ("CUT", "1"), ("NOTE", "5")] {
            self.code(0, "LAYER");
            self.code(2, name);
            self.code(70, "0");
            self.code(62, colour);
            self.code(6, "CONTINUOUS");
        }
        self.code(0, "ENDTAB");
        self.code(0, "TABLE");
        self.code(2, "STYLE");
        self.code(70, "1");
        self.code(0, "STYLE");
        self.code(2, "STANDARD");
        self.code(70, "0");
        self.number(40, 0.0);
        self.number(41, 1.0);
        self.number(50, 0.0);
        self.code(71, "0");
        self.number(42, 2.5);
        self.code(3, "txt");
        self.code(4, "");
        self.code(0, "ENDTAB");
        self.code(0, "ENDSEC");
    }

    fn line_type(&mut self, name: &str, about: &str, dashes_mm: &[f64]) {
        self.code(0, "LTYPE");
        self.code(2, name);
        self.code(70, "0");
        self.code(3, about);
        self.code(72, "65");
        self.code(73, &dashes_mm.len().to_string());
        self.number(40, dashes_mm.iter().map(|d| d.abs()).sum());
        for dash_mm in dashes_mm {
            self.number(49, *dash_mm);
        }
    }

    fn item(&mut self, item: &Item) {
        match item {
            Item::Fill { paths, .. } => {
                paths
                    .iter()
                    .for_each(|path| self.path(path, Layer::Note, false));
            }
            Item::Stroke { path, pen, layer } => self.path(path, *layer, pen.dash_mm.is_some()),
            Item::Text(text) => self.words(text),
            Item::Window { items, .. } => items.iter().for_each(|item| self.item(item)),
        }
    }

    fn path(&mut self, path: &Path, layer: Layer, dashed: bool) {
        let layer = if layer == Layer::Cut { "CUT" } else { "NOTE" };
        for piece in path.pieces() {
            let kind = match piece {
                Piece::Line { .. } => "LINE",
                Piece::Arc { sweep_deg, .. } if sweep_deg.abs() >= 360.0 => "CIRCLE",
                Piece::Arc { .. } => "ARC",
            };
            self.code(0, kind);
            self.code(8, layer);
            if dashed {
                self.code(6, "DASHED");
            }
            match piece {
                Piece::Line { from, to } => {
                    self.place(10, from);
                    self.place(11, to);
                }
                Piece::Arc {
                    centre,
                    radius_mm,
                    start_deg,
                    sweep_deg,
                    ..
                } => {
                    self.place(10, centre);
                    self.number(40, radius_mm);
                    if kind == "ARC" {
                        // y is flipped, so directions change sign; a DXF arc always runs counter-clockwise.
                        let (from, to) = if sweep_deg > 0.0 {
                            (-start_deg - sweep_deg, -start_deg)
                        } else {
                            (-start_deg, -start_deg - sweep_deg)
                        };
                        self.number(50, from.rem_euclid(360.0));
                        self.number(51, to.rem_euclid(360.0));
                    }
                }
            }
        }
    }

    fn words(&mut self, text: &Text) {
        self.code(0, "TEXT");
        self.code(8, "NOTE");
        self.place(10, text.start());
        // The height of R12 is that of capitals.
        self.number(40, text.size_mm * 0.71);
        self.code(1, &line(&text.words));
        self.number(50, (-text.turn_deg).rem_euclid(360.0));
        self.code(7, "STANDARD");
        if text.align != Align::Start {
            self.code(
                72,
                if text.align == Align::Middle {
                    "1"
                } else {
                    "2"
                },
            );
            self.place(11, text.at);
        }
    }
}

/// Words as R12 takes them: one line, a percent sign not doubled by chance, diameter and degree as letters.
fn line(words: &str) -> String {
    words
        .chars()
        .map(|c| match c {
            c if c.is_control() => ' ',
            '\u{2013}' | '\u{2014}' | '\u{2212}' => '-',
            c => c,
        })
        .collect::<String>()
        .replace("%%", "% %")
}

/// Windows code page 1252, of which Latin-1's upper half is the same; the rest is not used on drawings.
fn code_page_1252(c: char) -> u8 {
    match u32::from(c) {
        v @ (0..=0x7f | 0xa0..=0xff) => v as u8,
        0x20ac => 0x80,
        0x2013 => 0x96,
        0x2022 => 0x95,
        _ => b'?',
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::{Ink, Pen};
    use ::dxf::entities::{Entity, EntityType};

    fn drawing(items: Vec<Item>) -> Drawing {
        Drawing {
            width_mm: 100.0,
            height_mm: 60.0,
            title: "Radius gauge".to_owned(),
            items,
        }
    }

    /// What the `dxf` crate reads, without the check bars below the drawing and their labels.
    fn read(items: Vec<Item>) -> Vec<Entity> {
        let file = bytes(&drawing(items)).unwrap();
        let read = ::dxf::Drawing::load(&mut std::io::Cursor::new(file)).unwrap();
        read.entities().filter(|e| !below(e)).cloned().collect()
    }

    fn below(entity: &Entity) -> bool {
        match &entity.specific {
            EntityType::Line(l) => l.p1.y < -5.0,
            EntityType::Text(t) => t.location.y < -5.0,
            _ => false,
        }
    }

    #[test]
    fn an_arc_is_read_back_as_an_arc() {
        // On the sheet: from (70,40) clockwise as seen (y down) by 90° about (50,40), to (50,60). In DXF, y up and
        // counter-clockwise: centre (50,20), from 270° to 360°.
        let path = Path::from(At::new(70.0, 40.0)).arc(At::new(50.0, 40.0), 90.0);
        let entities = read(vec![Item::cut(path, Pen::black(0.1))]);
        assert_eq!(entities.len(), 1);
        assert_eq!(entities[0].common.layer, "CUT");
        let EntityType::Arc(arc) = &entities[0].specific else {
            panic!("{entities:?}")
        };
        assert!((arc.center.x - 50.0).abs() < 1e-6 && (arc.center.y - 20.0).abs() < 1e-6);
        assert!((arc.radius - 20.0).abs() < 1e-6);
        assert!((arc.start_angle - 270.0).abs() < 1e-6 && arc.end_angle.rem_euclid(360.0) < 1e-6);
    }

    #[test]
    fn ends_of_a_reversed_arc_are_where_the_sheet_has_them() {
        for sweep in [-130.0, -20.0, 15.0, 200.0] {
            let path = Path::from(At::new(33.0, 21.0)).arc(At::new(40.0, 25.0), sweep);
            let ends = [path.start, path.end()];
            let entities = read(vec![Item::cut(path, Pen::black(0.1))]);
            let EntityType::Arc(arc) = &entities[0].specific else {
                panic!("{entities:?}")
            };
            let at = |deg: f64| {
                let (sin, cos) = deg.to_radians().sin_cos();
                At::new(
                    arc.center.x + arc.radius * cos,
                    60.0 - (arc.center.y + arc.radius * sin),
                )
            };
            let wanted = if sweep > 0.0 {
                [ends[1], ends[0]]
            } else {
                ends
            };
            assert!((at(arc.start_angle) - wanted[0]).norm() < 1e-5, "{sweep}");
            assert!((at(arc.end_angle) - wanted[1]).norm() < 1e-5, "{sweep}");
            let span = (arc.end_angle - arc.start_angle).rem_euclid(360.0);
            assert!((span - sweep.abs()).abs() < 1e-5);
        }
    }

    #[test]
    fn lines_circles_and_words_lie_where_they_were_put() {
        let entities = read(vec![
            Item::note(
                Path::segment(At::new(1.0, 2.0), At::new(99.0, 58.5)),
                Pen::black(0.1).dashed(2.0, 1.0),
            ),
            Item::cut(
                Path::circle(At::new(30.0, 20.0), 2.5),
                Pen::black(0.1).ink(Ink::QUIET),
            ),
            Item::Text(Text::new(At::new(10.0, 50.0), 4.0, "r 8 ± 0.1, Türkante").turned(-90.0)),
        ]);
        let EntityType::Line(l) = &entities[0].specific else {
            panic!("{entities:?}")
        };
        assert_eq!((l.p1.x, l.p1.y, l.p2.x, l.p2.y), (1.0, 58.0, 99.0, 1.5));
        assert_eq!(
            (
                entities[0].common.layer.as_str(),
                entities[0].common.line_type_name.as_str()
            ),
            ("NOTE", "DASHED")
        );
        let EntityType::Circle(c) = &entities[1].specific else {
            panic!("{entities:?}")
        };
        assert_eq!((c.center.x, c.center.y, c.radius), (30.0, 40.0, 2.5));
        let EntityType::Text(t) = &entities[2].specific else {
            panic!("{entities:?}")
        };
        assert_eq!(t.value, "r 8 ± 0.1, Türkante");
        assert_eq!((t.location.x, t.location.y, t.rotation), (10.0, 10.0, 90.0));
    }

    #[test]
    fn the_file_says_millimetres_and_carries_its_own_scale() {
        let file = bytes(&drawing(vec![])).unwrap();
        let text = String::from_utf8(file.clone()).unwrap();
        assert!(text.starts_with("999\r\nRadius gauge - millimetres: 1 unit is 1 mm"));
        // checks.md 11.13: version AC1009, no $INSUNITS in R12.
        assert!(text.contains("$ACADVER\r\n  1\r\nAC1009") && !text.contains("INSUNITS"));
        assert!(seal::is_own(&file));
        let read = ::dxf::Drawing::load(&mut std::io::Cursor::new(file)).unwrap();
        let longest = |x: bool| {
            let length = |e: &Entity| match &e.specific {
                EntityType::Line(l) if x => (l.p2.x - l.p1.x).abs(),
                EntityType::Line(l) => (l.p2.y - l.p1.y).abs(),
                _ => 0.0,
            };
            read.entities().map(length).fold(0.0, f64::max)
        };
        assert_eq!((longest(true), longest(false)), (100.0, 100.0));
    }
}
