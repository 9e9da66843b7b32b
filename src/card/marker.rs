//! The marker codes of DICT_4X4_250 and what a 4 x 4 pattern seen in a photo says.
//!
//! The codes are OpenCV's (`dict_4x4_250.json`, made by `fixtures/card/dictionary.py`). Any two of them, turned as
//! they may be, differ in three cells or more, so one wrong cell is put right and never mistaken for another marker.

use super::layout::DICTIONARY_SIZE;
use std::sync::OnceLock;

/// A marker recognised: which, how it lies, and how many of its cells were wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Match {
    /// Id in the dictionary.
    pub id: usize,
    /// Quarter turns from the axes it was read in to the card's own axes; see [`turn`].
    pub turn: u8,
    /// Wrong cells, 0 or 1.
    pub errors: u8,
}

/// Turns a step or place by quarter turns: one turn takes +x to +y (photo and card both have y down).
pub fn turn(turn: u8, x: i32, y: i32) -> (i32, i32) {
    match turn % 4 {
        0 => (x, y),
        1 => (-y, x),
        2 => (-x, -y),
        _ => (y, -x),
    }
}

/// The code of marker `id` as it appears in axes that [`turn`] by `quarter` would bring to the card's.
///
/// 16 bits, row by row, first cell highest, 1 = white; `None` past the dictionary.
pub fn code(id: usize, quarter: u8) -> Option<u16> {
    book()
        .codes
        .get(id)
        .map(|turned| turned[usize::from(quarter % 4)])
}

/// What this 16-bit pattern is, at most one cell wrong.
pub fn read(pattern: u16) -> Option<Match> {
    book().lookup[usize::from(pattern)]
}

struct Book {
    codes: Vec<[u16; 4]>,
    lookup: Vec<Option<Match>>,
}

fn book() -> &'static Book {
    static BOOK: OnceLock<Book> = OnceLock::new();
    BOOK.get_or_init(|| {
        let words: Vec<String> = serde_json::from_str(include_str!("dict_4x4_250.json"))
            .expect("the dictionary file is part of the program and a test reads it");
        let codes: Vec<[u16; 4]> = words
            .iter()
            .take(DICTIONARY_SIZE)
            .map(|word| {
                let code =
                    u16::from_str_radix(word, 16).expect("four hex digits, a test reads them");
                [0, 1, 2, 3].map(|quarter| appearance(code, quarter))
            })
            .collect();
        let mut lookup = vec![None; 1 << 16];
        for (id, turned) in codes.iter().enumerate() {
            for (quarter, &pattern) in turned.iter().enumerate() {
                let found = |errors| {
                    Some(Match {
                        id,
                        turn: quarter as u8,
                        errors,
                    })
                };
                lookup[usize::from(pattern)] = found(0);
                for cell in 0..16 {
                    lookup[usize::from(pattern ^ (1 << cell))] = found(1);
                }
            }
        }
        Book { codes, lookup }
    })
}

/// The card's code as seen in axes a number of quarter turns away.
fn appearance(code: u16, quarter: u8) -> u16 {
    let mut seen = 0;
    for v in 0..4 {
        for u in 0..4 {
            // Doubled and centred, so that a turn about the middle stays in whole numbers.
            let (x, y) = turn(quarter, 2 * u - 3, 2 * v - 3);
            let cell = (y + 3) / 2 * 4 + (x + 3) / 2;
            seen = seen << 1 | (code >> (15 - cell) & 1);
        }
    }
    seen
}

#[cfg(test)]
mod tests {
    use super::*;

    /// checks.md 11.1: OpenCV 5.0.0.
    #[test]
    fn codes_are_opencvs() {
        for (id, expected) in [
            (0, 0b1011_0101_0011_0010),
            (1, 0b0000_1111_1001_1010),
            (2, 0b0011_0011_0010_1101),
            (3, 0b1001_1001_0100_0110),
            (17, 0b0110_0110_0000_0000),
            (100, 0b0111_1010_0110_1110),
            (249, 0b0110_1101_0011_0001),
        ] {
            assert_eq!(code(id, 0), Some(expected), "id {id}");
        }
        assert_eq!(code(DICTIONARY_SIZE, 0), None);
    }

    /// checks.md 11.2: one cell can be put right, so all appearances are three cells or more apart.
    #[test]
    fn one_wrong_cell_is_put_right() {
        let all: Vec<(usize, u8, u16)> = (0..DICTIONARY_SIZE)
            .flat_map(|id| (0..4).filter_map(move |q| Some((id, q, code(id, q)?))))
            .collect();
        assert_eq!(all.len(), 4 * DICTIONARY_SIZE);
        for (k, a) in all.iter().enumerate() {
            assert!(
                all[..k].iter().all(|b| (a.2 ^ b.2).count_ones() >= 3),
                "{a:?}"
            );
            for cell in 0..16 {
                let expected = Match {
                    id: a.0,
                    turn: a.1,
                    errors: 1,
                };
                assert_eq!(read(a.2 ^ (1 << cell)), Some(expected));
            }
        }
    }
}
