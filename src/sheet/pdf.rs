//! Sheets to PDF: vectors at true size (1 mm = 72/25.4 points, PDF 32000-1 8.3.2.3), words as real text in the one
//! embedded font, no clock inside: the same sheets give the same bytes.

use super::item::{Ink, Item, Pen, Text};
use super::page::Sheet;
use super::path::{At, Path, Piece, arc_curves};
use super::{SheetError, drawable, font, seal};
use krilla::color::luma;
use krilla::geom::{PathBuilder, Point, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

/// Points a millimetre.
const PT: f64 = 72.0 / 25.4;

/// One PDF with a page for each sheet.
///
/// # Errors
/// [`SheetError::NotDrawable`] for coordinates that are not numbers or too large; [`SheetError::Pdf`] when the file
/// can't be put together.
pub fn bytes(title: &str, sheets: &[Sheet]) -> Result<Vec<u8>, SheetError> {
    let broken = |reason: &str| SheetError::Pdf {
        reason: reason.to_owned(),
    };
    let font = Font::new(font::BYTES.into(), 0).ok_or_else(|| broken("font"))?;
    let mut document = Document::new_with(SerializeSettings {
        enable_tagging: false,
        xmp_metadata: false,
        ..SerializeSettings::default()
    });
    document.set_metadata(
        Metadata::new()
            .title(title.to_owned())
            .creator("fairpanel".to_owned()),
    );
    for sheet in sheets {
        drawable(&sheet.items)?;
        let settings = PageSettings::from_wh(pt(sheet.page.width_mm()), pt(sheet.page.height_mm()))
            .ok_or_else(|| broken("page size"))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        for item in &sheet.items {
            draw(&mut surface, item, &font);
        }
        surface.finish();
        page.finish();
    }
    let mut bytes = document.finish().map_err(|e| SheetError::Pdf {
        reason: format!("{e:?}").chars().take(80).collect(),
    })?;
    // A comment after the end mark is allowed: readers look for the mark in the last 1024 bytes (PDF 32000-1 annex H).
    bytes.extend_from_slice(format!("\n% {}\n", seal::blank()).as_bytes());
    Ok(seal::close(bytes))
}

fn pt(mm: f64) -> f32 {
    (mm * PT) as f32
}

fn draw(surface: &mut Surface<'_>, item: &Item, font: &Font) {
    match item {
        Item::Fill { paths, ink } => {
            if let Some(path) = outline(paths) {
                surface.set_stroke(None);
                surface.set_fill(Some(fill(*ink)));
                surface.draw_path(&path);
            }
        }
        Item::Stroke { path, pen, .. } => {
            if let Some(path) = outline(std::slice::from_ref(path)) {
                surface.set_fill(None);
                surface.set_stroke(Some(stroke(pen)));
                surface.draw_path(&path);
            }
        }
        Item::Text(text) => words(surface, text, font),
        Item::Window { frame, items } => {
            if let Some(clip) = outline(&[Path::rect(*frame)]) {
                surface.push_clip_path(&clip, &FillRule::NonZero);
                for item in items {
                    draw(surface, item, font);
                }
                surface.pop();
            }
        }
    }
}

fn fill(ink: Ink) -> Fill {
    Fill {
        paint: luma::Color::new(ink.0).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::EvenOdd,
    }
}

fn stroke(pen: &Pen) -> Stroke {
    Stroke {
        paint: luma::Color::new(pen.ink.0).into(),
        width: pt(pen.width_mm),
        line_join: LineJoin::Miter,
        dash: pen.dash_mm.map(|(dash, gap)| StrokeDash {
            array: vec![pt(dash), pt(gap)],
            offset: 0.0,
        }),
        ..Stroke::default()
    }
}

/// The paths as one shape in points; `None` when it has nothing to draw.
fn outline(paths: &[Path]) -> Option<krilla::geom::Path> {
    let mut builder = PathBuilder::new();
    for path in paths {
        builder.move_to(pt(path.start.x), pt(path.start.y));
        for piece in path.pieces() {
            match piece {
                Piece::Line { to, .. } => builder.line_to(pt(to.x), pt(to.y)),
                Piece::Arc {
                    from,
                    centre,
                    sweep_deg,
                    ..
                } => {
                    for [a, b, c] in arc_curves(from, centre, sweep_deg) {
                        builder.cubic_to(pt(a.x), pt(a.y), pt(b.x), pt(b.y), pt(c.x), pt(c.y));
                    }
                }
            }
        }
        if path.closed {
            builder.close();
        }
    }
    builder.finish()
}

fn words(surface: &mut Surface<'_>, text: &Text, font: &Font) {
    let letters = font::set(&text.words);
    let shown: String = letters.iter().map(|g| g.letter).collect();
    let mut byte = 0;
    let glyphs: Vec<KrillaGlyph> = letters
        .iter()
        .map(|g| {
            let from = byte;
            byte += g.letter.len_utf8();
            KrillaGlyph::new(
                GlyphId::new(g.id),
                g.advance_em as f32,
                0.0,
                0.0,
                0.0,
                from..byte,
                None,
            )
        })
        .collect();
    if glyphs.is_empty() {
        return;
    }
    let At { coords: start } = text.start();
    surface.set_stroke(None);
    surface.set_fill(Some(fill(text.ink)));
    surface.push_transform(&Transform::from_rotate_at(
        text.turn_deg as f32,
        pt(start.x),
        pt(start.y),
    ));
    surface.draw_glyphs(
        Point::from_xy(pt(start.x), pt(start.y)),
        &glyphs,
        font.clone(),
        &shown,
        pt(text.size_mm),
        false,
    );
    surface.pop();
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::path::Frame;
    use crate::sheet::readback::{extent, pdf, same};
    use crate::sheet::{Page, Paper, bars};

    fn one(items: Vec<Item>, page: Page) -> crate::sheet::readback::Seen {
        let sheet = Sheet {
            page,
            title: "a test".to_owned(),
            items,
        };
        pdf(&bytes("a test", &[sheet]).unwrap()).remove(0)
    }

    #[test]
    fn pages_have_the_size_of_the_paper() {
        // checks.md 11.12: A4 is 595.2756 × 841.8898 pt (ISO 216), Letter 612 × 792 pt.
        for (page, width_pt, height_pt) in [
            (Page::portrait(Paper::A4), 595.2756, 841.8898),
            (Page::landscape(Paper::A4), 841.8898, 595.2756),
            (Page::portrait(Paper::Letter), 612.0, 792.0),
            (Page::portrait(Paper::A3), 841.8898, 1190.5512),
        ] {
            let seen = one(vec![], page);
            assert!(
                (seen.width_mm * 72.0 / 25.4 - width_pt).abs() < 1e-3,
                "{page:?}: {}",
                seen.width_mm
            );
            assert!(
                (seen.height_mm * 72.0 / 25.4 - height_pt).abs() < 1e-3,
                "{page:?}: {}",
                seen.height_mm
            );
        }
    }

    #[test]
    fn a_rectangle_lies_where_it_was_put() {
        let frame = Frame::from_size(17.25, 203.125, 10.5, 66.6);
        let seen = one(
            vec![Item::fill(Path::rect(frame), Ink::BLACK)],
            Page::portrait(Paper::A4),
        );
        assert_eq!(seen.filled.len(), 1);
        same(
            extent(&seen.filled[0]),
            [17.25, 203.125, 27.75, 269.725],
            0.001,
        );
    }

    #[test]
    fn check_bars_are_a_hundred_millimetres() {
        let seen = one(
            bars::corner(At::new(20.0, 250.0)),
            Page::portrait(Paper::Letter),
        );
        let long: Vec<[f64; 4]> = seen.stroked.iter().map(|(l, _)| extent(l)).collect();
        let spans = |x: bool| {
            long.iter()
                .map(|e| if x { e[2] - e[0] } else { e[3] - e[1] })
                .fold(0.0, f64::max)
        };
        assert!((spans(true) - 100.0).abs() < 0.001 && (spans(false) - 100.0).abs() < 0.001);
        assert!(seen.words.contains("measure me: 100 mm"), "{}", seen.words);
    }

    #[test]
    fn an_arc_keeps_its_radius_on_paper() {
        let arc = Path::from(At::new(60.0, 50.0)).arc(At::new(50.0, 50.0), 200.0);
        let seen = one(
            vec![Item::cut(arc, Pen::black(0.1))],
            Page::portrait(Paper::A4),
        );
        let (places, width_mm) = &seen.stroked[0];
        assert!((width_mm - 0.1).abs() < 1e-4);
        // Ends of the curves lie on the circle; places are start, then two handles and an end for each curve.
        for p in places.iter().step_by(3) {
            assert!(
                ((p[0] - 50.0).hypot(p[1] - 50.0) - 10.0).abs() < 0.001,
                "{p:?}"
            );
        }
    }

    #[test]
    fn the_font_is_inside_and_the_bytes_repeat() {
        let sheet = Sheet {
            page: Page::portrait(Paper::A4),
            title: "words".to_owned(),
            items: vec![Item::Text(Text::new(
                At::new(20.0, 20.0),
                3.0,
                "Ø 12 mm — Türkante",
            ))],
        };
        let file = bytes("words", std::slice::from_ref(&sheet)).unwrap();
        assert_eq!(file, bytes("words", std::slice::from_ref(&sheet)).unwrap());
        assert!(seal::is_own(&file));
        let document = lopdf::Document::load_mem(&file).unwrap();
        let embedded = document.objects.values().any(|o| {
            o.as_dict()
                .is_ok_and(|d| d.has(b"FontFile2") || d.has(b"FontFile3"))
        });
        assert!(embedded, "no embedded font");
        assert!(
            document
                .extract_text(&[1])
                .unwrap()
                .contains("Ø 12 mm — Türkante")
        );
        assert!(file.len() < 12_000, "{} bytes", file.len());
    }

    #[test]
    fn what_is_no_number_is_refused() {
        let bad = Path::segment(At::new(f64::NAN, 0.0), At::new(1.0, 1.0));
        let sheet = Sheet {
            page: Page::portrait(Paper::A4),
            title: String::new(),
            items: vec![Item::cut(bad, Pen::black(0.1))],
        };
        assert!(matches!(
            bytes("", &[sheet]),
            Err(SheetError::NotDrawable { .. })
        ));
    }
}
