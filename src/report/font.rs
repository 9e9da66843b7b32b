//! The embedded typeface, so that pictures look the same on every machine: DejaVu Sans, regular and bold (licence in
//! `font/LICENSE`).

use ab_glyph::{Font, FontRef, ScaleFont};
use std::sync::OnceLock;

static REGULAR: &[u8] = include_bytes!("font/dejavu-sans.ttf");
static BOLD: &[u8] = include_bytes!("font/dejavu-sans-bold.ttf");

/// One of the two faces.
pub fn face(bold: bool) -> &'static FontRef<'static> {
    static FACES: OnceLock<[FontRef<'static>; 2]> = OnceLock::new();
    let [regular, heavy] = FACES.get_or_init(|| {
        [REGULAR, BOLD].map(|bytes| {
            FontRef::try_from_slice(bytes).expect("the embedded fonts are read by a test below")
        })
    });
    if bold { heavy } else { regular }
}

/// Glyph size for a type size: ab_glyph scales by the face's height, type sizes are of the em square.
fn scale(face: &FontRef, size: f64) -> f32 {
    let em = face.units_per_em().unwrap_or(2048.0);
    size as f32 * face.height_unscaled() / em
}

/// A glyph's outline scale and place, with the pen's way from glyph to glyph.
pub fn lay(text: &str, size: f64, bold: bool, mut each: impl FnMut(ab_glyph::Glyph)) -> f64 {
    let face = face(bold);
    let scaled = face.as_scaled(scale(face, size));
    let mut pen = 0.0f32;
    let mut before = None;
    for letter in text.chars() {
        let id = scaled.glyph_id(letter);
        if let Some(before) = before {
            pen += scaled.kern(before, id);
        }
        each(id.with_scale_and_position(scaled.scale(), ab_glyph::point(pen, 0.0)));
        pen += scaled.h_advance(id);
        before = Some(id);
    }
    f64::from(pen)
}

/// Width of a text, in the unit of `size`.
pub fn width(text: &str, size: f64, bold: bool) -> f64 {
    lay(text, size, bold, |_| {})
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_used_has_a_glyph() {
        for bold in [false, true] {
            for letter in "0123456789.,:±°×–'?✓✕ abcxyzABCXYZäöüéß".chars() {
                assert!(
                    face(bold).glyph_id(letter).0 != 0 || letter == ' ',
                    "{letter}"
                );
            }
        }
    }

    #[test]
    fn widths_are_those_of_the_typeface() {
        // DejaVu Sans 2.37: advance of '0' is 1303 of 2048 units per em, bold 1425 (read from its hmtx table).
        assert!((width("0000", 2048.0, false) - 4.0 * 1303.0).abs() < 1.0);
        assert!((width("0000", 2048.0, true) - 4.0 * 1425.0).abs() < 1.0);
    }
}
