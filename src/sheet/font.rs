//! The one typeface of all printed sheets, built in (`font/README.md` says where it is from), and its measures.
//!
//! Latin, Greek and Cyrillic; a letter it lacks is shown as a question mark. No kerning: at the sizes used here it
//! would not be seen, and it would bring a shaping engine along.

use skrifa::MetadataProvider;
use skrifa::instance::{LocationRef, Size};
use skrifa::raw::FontRef;

/// The font file (Roboto Regular, a subset; Apache License 2.0).
pub const BYTES: &[u8] = include_bytes!("font/roboto-regular.ttf");

/// Family name, for files that name their font.
pub const FAMILY: &str = "Roboto";

/// One letter as set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Glyph {
    /// Number of the glyph in the font file.
    pub id: u32,
    /// How far the next letter stands, parts of the type size (em).
    pub advance_em: f64,
    /// Where the letter starts in the words, bytes.
    pub byte: usize,
    /// The letter shown.
    pub letter: char,
}

/// Sets words in the font, one glyph a letter.
pub fn set(words: &str) -> Vec<Glyph> {
    let Ok(font) = FontRef::new(BYTES) else {
        return Vec::new();
    };
    let charmap = font.charmap();
    let metrics = font.glyph_metrics(Size::unscaled(), LocationRef::default());
    let em = f64::from(
        font.metrics(Size::unscaled(), LocationRef::default())
            .units_per_em,
    );
    words
        .char_indices()
        .filter_map(|(byte, c)| {
            let (letter, id) = charmap
                .map(c)
                .map(|id| (c, id))
                .or_else(|| charmap.map('?').map(|id| ('?', id)))?;
            let advance_em = f64::from(metrics.advance_width(id).unwrap_or(0.0)) / em;
            Some(Glyph {
                id: id.to_u32(),
                advance_em,
                byte,
                letter,
            })
        })
        .collect()
}

/// Width of words set in a type size, both mm.
pub fn width_mm(words: &str, size_mm: f64) -> f64 {
    set(words).iter().map(|g| g.advance_em).sum::<f64>() * size_mm
}

/// Breaks words into lines no wider than `width_mm` at a type size; a single word that is wider stands alone.
pub fn wrap(words: &str, size_mm: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line)
                if width_mm(line, size_mm) + width_mm(" ", size_mm) + width_mm(word, size_mm)
                    <= width =>
            {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_the_fonts_own() {
        // Advance widths of Roboto Regular 2.138, 2048 units an em, read with fonttools 4.68.0: zero 1151, M 1788,
        // space 508.
        for (words, units) in [("0", 1151.0), ("M", 1788.0), (" ", 508.0), ("00M", 4090.0)] {
            let width = width_mm(words, 10.0);
            assert!((width - units / 204.8).abs() < 1e-9, "{words}: {width}");
        }
    }

    #[test]
    fn an_unknown_letter_is_a_question_mark() {
        assert_eq!(
            set("a\u{4e00}")
                .iter()
                .map(|g| g.letter)
                .collect::<String>(),
            "a?"
        );
    }

    #[test]
    fn wrapped_lines_hold_all_words() {
        let words = "Lay the card flat on the panel beside the line";
        let lines = wrap(words, 2.5, 20.0);
        assert_eq!(lines.join(" "), words);
        assert!(lines.len() > 2 && lines.iter().all(|l| width_mm(l, 2.5) <= 20.0));
    }
}
