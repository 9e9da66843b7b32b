//! Card layouts: which squares and markers are printed, and where.
//!
//! A layout is a small JSON file; the built-in ones lie beside this file. Geometry and numbering
//! are OpenCV's ChArUco of 4.6 and later: the first square is black, the white squares carry the markers, row by
//! row. Unknown fields are ignored, so that a newer file is still read.

use super::CardError;
use crate::units::Mm;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// The one dictionary that is known.
pub const DICTIONARY: &str = "DICT_4X4_250";

/// How many markers the dictionary has.
pub const DICTIONARY_SIZE: usize = 250;

/// Cells across a marker: four of code and the black border on both sides.
pub const MARKER_CELLS: usize = 6;

/// A ChArUco card (OpenCV 4.6 and later: first square black).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Layout {
    /// Name of the layout.
    pub name: String,
    /// Marker dictionary; only `DICT_4X4_250` is known.
    pub dictionary: String,
    /// Squares along x.
    pub squares_x: usize,
    /// Squares along y.
    pub squares_y: usize,
    /// Side of a square, mm.
    pub square_mm: f64,
    /// Side of a marker, mm.
    pub marker_mm: f64,
    /// Id of the first marker; the others follow in OpenCV's order.
    pub first_id: usize,
}

impl Layout {
    /// How many markers the card carries: one in each white square.
    pub fn markers(&self) -> usize {
        self.squares_x * self.squares_y / 2
    }

    /// How many inner corners the card has.
    pub fn corners(&self) -> usize {
        self.squares_x.saturating_sub(1) * self.squares_y.saturating_sub(1)
    }

    /// Where inner corner `id` is printed, card frame; `None` past the last. Row-major, as OpenCV numbers them.
    pub fn corner(&self, id: usize) -> Option<Mm> {
        let across = self.squares_x.saturating_sub(1);
        if id >= self.corners() {
            return None;
        }
        Some(Mm::new(
            (id % across + 1) as f64 * self.square_mm,
            (id / across + 1) as f64 * self.square_mm,
        ))
    }

    /// Outer corners of the field of squares, card frame: top left, top right, bottom right, bottom left.
    pub fn outline(&self) -> [Mm; 4] {
        let (w, h) = (
            self.squares_x as f64 * self.square_mm,
            self.squares_y as f64 * self.square_mm,
        );
        [
            Mm::new(0.0, 0.0),
            Mm::new(w, 0.0),
            Mm::new(w, h),
            Mm::new(0.0, h),
        ]
    }

    /// Id of the marker in the square of this column and row; `None` for a black square or outside the card.
    pub fn marker_at(&self, column: usize, row: usize) -> Option<usize> {
        if column >= self.squares_x || row >= self.squares_y || (column + row).is_multiple_of(2) {
            return None;
        }
        // White squares in the rows above, then those to the left in this row.
        Some(self.first_id + row * self.squares_x / 2 + column / 2)
    }

    /// Column and row of the square that carries marker `id`; `None` when the card has no such marker.
    pub fn marker_place(&self, id: usize) -> Option<(usize, usize)> {
        let at = id
            .checked_sub(self.first_id)
            .filter(|&k| k < self.markers())?;
        let pair = self.squares_x; // white squares in two rows
        let (rows, rest) = (at / pair * 2, at % pair);
        let even = self.squares_x / 2;
        if rest < even {
            Some((2 * rest + 1, rows))
        } else {
            Some((2 * (rest - even), rows + 1))
        }
    }

    /// Top left corner of the marker of this id, card frame; `None` when the card has no such marker.
    pub fn marker_corner(&self, id: usize) -> Option<Mm> {
        let (column, row) = self.marker_place(id)?;
        let margin = (self.square_mm - self.marker_mm) / 2.0;
        Some(Mm::new(
            column as f64 * self.square_mm + margin,
            row as f64 * self.square_mm + margin,
        ))
    }

    /// Says what is wrong with the layout, if anything.
    ///
    /// # Errors
    /// The [`CardError`] that names the field, for a card that can't be printed or found.
    pub fn validate(&self) -> Result<(), CardError> {
        if self.dictionary != DICTIONARY {
            return Err(CardError::Dictionary(shorten(&self.dictionary)));
        }
        for (field, squares) in [("squares_x", self.squares_x), ("squares_y", self.squares_y)] {
            // Two rows have all inner corners on one line, and no map to the photo follows from a line.
            if !(3..=DICTIONARY_SIZE).contains(&squares) {
                return Err(CardError::Squares {
                    field,
                    value: squares as f64,
                });
            }
        }
        if !(1.0..=500.0).contains(&self.square_mm) {
            return Err(CardError::SquareSize(self.square_mm));
        }
        let share = self.marker_mm / self.square_mm;
        if !(0.3..=0.9).contains(&share) {
            return Err(CardError::MarkerSize {
                marker_mm: self.marker_mm,
                square_mm: self.square_mm,
            });
        }
        if self.first_id.saturating_add(self.markers()) > DICTIONARY_SIZE {
            return Err(CardError::Ids {
                first: self.first_id,
                markers: self.markers(),
            });
        }
        Ok(())
    }
}

const BUILT_IN: [&str; 7] = [
    include_str!("layouts/strip-1.json"),
    include_str!("layouts/strip-2.json"),
    include_str!("layouts/strip-3.json"),
    include_str!("layouts/strip-4.json"),
    include_str!("layouts/card-1.json"),
    include_str!("layouts/card-2.json"),
    include_str!("layouts/board.json"),
];

/// The built-in layouts, first ids rising.
pub fn built_in() -> Vec<Layout> {
    BUILT_IN.iter().filter_map(|json| read(json).ok()).collect()
}

/// The built-in layout of this name.
pub fn named(name: &str) -> Option<Layout> {
    built_in().into_iter().find(|layout| layout.name == name)
}

/// Reads a layout from the text of its JSON file.
///
/// # Errors
/// One line that names the field at fault: not JSON, a field missing or no sensible number, another dictionary,
/// marker as large as its square, more markers than the dictionary has.
pub fn read(json: &str) -> Result<Layout, CardError> {
    let text = json.trim_start_matches('\u{feff}');
    let value: Value = serde_json::from_str(text).map_err(|e| CardError::NotJson {
        line: e.line(),
        column: e.column(),
    })?;
    let Value::Object(fields) = value else {
        return Err(CardError::NotJson { line: 1, column: 1 });
    };
    let text = |name: &'static str| match fields.get(name) {
        Some(Value::String(s)) => Ok(s.clone()),
        Some(_) => Err(CardError::Field {
            name,
            need: "a text",
        }),
        None => Err(CardError::Missing(name)),
    };
    let layout = Layout {
        name: text("name")?.trim().to_owned(),
        dictionary: text("dictionary")?,
        squares_x: count(&fields, "squares_x")?,
        squares_y: count(&fields, "squares_y")?,
        square_mm: number(&fields, "square_mm")?,
        marker_mm: number(&fields, "marker_mm")?,
        first_id: count(&fields, "first_id")?,
    };
    if layout.name.is_empty() || layout.name.len() > 60 || layout.name.chars().any(char::is_control)
    {
        return Err(CardError::Field {
            name: "name",
            need: "a short text of 1 to 60 letters",
        });
    }
    layout.validate()?;
    Ok(layout)
}

fn number(fields: &Map<String, Value>, name: &'static str) -> Result<f64, CardError> {
    let value = fields.get(name).ok_or(CardError::Missing(name))?;
    value
        .as_f64()
        .filter(|v| v.is_finite())
        .ok_or(CardError::Field {
            name,
            need: "a number",
        })
}

/// A whole number that is not negative; the message of a bad one names the squares or the ids.
fn count(fields: &Map<String, Value>, name: &'static str) -> Result<usize, CardError> {
    let value = number(fields, name)?;
    // Anything above the dictionary is refused here, so that no later product can overflow.
    if value.fract() != 0.0 || !(0.0..=DICTIONARY_SIZE as f64).contains(&value) {
        return Err(match name {
            "first_id" => CardError::Field {
                name,
                need: "a whole number from 0 to 249",
            },
            _ => CardError::Squares { field: name, value },
        });
    }
    Ok(value as usize)
}

fn shorten(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn board(
        squares_x: usize,
        squares_y: usize,
        square_mm: f64,
        marker_mm: f64,
        first_id: usize,
    ) -> Layout {
        let dictionary = DICTIONARY.to_owned();
        Layout {
            name: "test".into(),
            dictionary,
            squares_x,
            squares_y,
            square_mm,
            marker_mm,
            first_id,
        }
    }

    fn check(layout: &Layout, markers: usize, corners: usize, places: &[(usize, f64, f64)]) {
        assert_eq!((layout.markers(), layout.corners()), (markers, corners));
        for &(id, x, y) in places {
            assert_eq!(layout.marker_corner(id), Some(Mm::new(x, y)), "id {id}");
            let (column, row) = layout
                .marker_place(id)
                .expect("it has a corner, so it has a place");
            assert_eq!(layout.marker_at(column, row), Some(id));
        }
        assert_eq!(layout.marker_place(layout.first_id + markers), None);
        assert_eq!(layout.corner(corners), None);
    }

    /// checks.md 11.3 to 11.5: OpenCV 5.0.0.
    #[test]
    fn numbering_is_opencvs() {
        let five = board(5, 7, 15.0, 11.0, 0);
        check(
            &five,
            17,
            24,
            &[
                (0, 17.0, 2.0),
                (1, 47.0, 2.0),
                (2, 2.0, 17.0),
                (3, 32.0, 17.0),
                (4, 62.0, 17.0),
            ],
        );
        let seven = board(7, 4, 15.0, 11.0, 0);
        check(
            &seven,
            14,
            18,
            &[
                (0, 17.0, 2.0),
                (1, 47.0, 2.0),
                (2, 77.0, 2.0),
                (3, 2.0, 17.0),
                (4, 32.0, 17.0),
            ],
        );
        let flat = board(12, 2, 15.0, 11.0, 0);
        check(
            &flat,
            12,
            11,
            &[
                (0, 17.0, 2.0),
                (1, 47.0, 2.0),
                (2, 77.0, 2.0),
                (3, 107.0, 2.0),
                (4, 137.0, 2.0),
            ],
        );
    }

    /// checks.md 11.4a to 11.4c: OpenCV 5.0.0.
    #[test]
    fn built_in_cards_lie_as_opencv_draws_them() {
        let strip = named("strip-1").expect("built in");
        let first = [
            (0, 17.25, 2.25),
            (1, 47.25, 2.25),
            (2, 77.25, 2.25),
            (6, 2.25, 17.25),
            (23, 152.25, 47.25),
        ];
        check(&strip, 24, 33, &first);
        assert_eq!(
            (strip.corner(0), strip.corner(32)),
            (Some(Mm::new(15.0, 15.0)), Some(Mm::new(165.0, 45.0)))
        );
        let card = named("card-1").expect("built in");
        let places = [
            (100, 20.25, 2.25),
            (101, 56.25, 2.25),
            (102, 92.25, 2.25),
            (104, 2.25, 20.25),
            (126, 146.25, 92.25),
        ];
        check(&card, 27, 40, &places);
        assert_eq!(
            (card.corner(0), card.corner(39)),
            (Some(Mm::new(18.0, 18.0)), Some(Mm::new(144.0, 90.0)))
        );
        let board = named("board").expect("built in");
        let places = [
            (200, 24.75, 2.75),
            (201, 68.75, 2.75),
            (202, 112.75, 2.75),
            (205, 2.75, 24.75),
            (243, 222.75, 156.75),
        ];
        check(&board, 44, 70, &places);
        assert_eq!(
            (board.corner(0), board.corner(69)),
            (Some(Mm::new(22.0, 22.0)), Some(Mm::new(220.0, 154.0)))
        );
    }

    /// Design section 4: names, and ids that clash nowhere.
    #[test]
    fn built_in_cards_share_no_marker() {
        let all = built_in();
        let names: Vec<&str> = all.iter().map(|l| l.name.as_str()).collect();
        assert_eq!(
            names,
            [
                "strip-1", "strip-2", "strip-3", "strip-4", "card-1", "card-2", "board"
            ]
        );
        for pair in all.windows(2) {
            assert!(
                pair[0].first_id + pair[0].markers() <= pair[1].first_id,
                "{} {}",
                pair[0].name,
                pair[1].name
            );
        }
    }

    fn refused(change: &str, words: &str) {
        let text = include_str!("layouts/strip-1.json");
        let (field, value) = change.split_once('=').expect("field=value");
        let mut fields: Map<String, Value> = serde_json::from_str(text).expect("a built-in layout");
        if value.is_empty() {
            fields.remove(field);
        } else {
            fields.insert(field.into(), serde_json::from_str(value).expect("JSON"));
        }
        let error = read(&Value::Object(fields).to_string())
            .expect_err(change)
            .to_string();
        assert!(
            error.contains(words) && error.len() < 250,
            "{change}: {error}"
        );
    }

    #[test]
    fn bad_layouts_are_refused_by_name_of_the_field() {
        for (change, words) in [
            ("squares_x=-12", "squares_x"),
            ("squares_y=-2", "squares_y"),
            // checks.md 11.7: two rows have all their corners on one line.
            ("squares_y=2", "squares_y"),
            ("squares_x=3.5", "squares_x"),
            ("squares_x=1e300", "squares_x"),
            ("squares_x=200", "markers"),
            ("squares_x=", "squares_x"),
            ("square_mm=0", "square_mm"),
            ("square_mm=-15", "square_mm"),
            ("square_mm=1e9", "square_mm"),
            ("square_mm=\"wide\"", "square_mm"),
            ("square_mm=null", "square_mm"),
            ("marker_mm=15", "marker_mm"),
            ("marker_mm=16", "marker_mm"),
            ("marker_mm=0", "marker_mm"),
            ("first_id=230", "first_id"),
            ("first_id=-1", "first_id"),
            ("first_id=250", "first_id"),
            ("dictionary=\"DICT_6X6_250\"", "dictionary"),
            ("dictionary=4", "dictionary"),
            ("name=\"\"", "name"),
            ("name=", "name"),
        ] {
            refused(change, words);
        }
        for text in ["", "{", "[1, 2]", "NaN", "{\"square_mm\": NaN}", "\u{0}"] {
            let error = read(text).expect_err(text);
            assert!(
                matches!(error, CardError::NotJson { .. }),
                "{text}: {error}"
            );
        }
    }

    #[test]
    fn unknown_fields_are_ignored() {
        let text = include_str!("layouts/card-2.json")
            .replace("\"name\"", "\"printed\": \"2026\", \"name\"");
        assert_eq!(read(&text).ok(), named("card-2"));
    }
}
