//! Why a card can't be used or was not found, in one line of workshop words.

use thiserror::Error;

/// Why a layout can't be used, or no card could be found.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CardError {
    /// The layout file is not JSON (place of the first fault).
    #[error("This card file is no JSON layout (line {line}, column {column}). Take a printed example: fairpanel card list.")]
    NotJson {
        /// Line of the fault, from 1.
        line: usize,
        /// Column of the fault, from 1.
        column: usize,
    },
    /// A field of the layout is missing.
    #[error("The card file has no field '{0}'. A card needs name, dictionary, squares_x, squares_y, square_mm, marker_mm and first_id.")]
    Missing(&'static str),
    /// A field of the layout is of the wrong kind.
    #[error("The card file's '{name}' must be {need}.")]
    Field {
        /// The field.
        name: &'static str,
        /// What it should be.
        need: &'static str,
    },
    /// Another marker dictionary.
    #[error("The card file's dictionary is '{0}'; only DICT_4X4_250 can be read. Print one of the built-in cards or correct the file.")]
    Dictionary(String),
    /// Too few or too many squares, or no whole number.
    #[error("The card file's {field} is {value}; a card needs a whole number of squares, 3 or more each way, and 250 markers at most.")]
    Squares {
        /// `squares_x` or `squares_y`.
        field: &'static str,
        /// What the file says.
        value: f64,
    },
    /// A square that can't be printed.
    #[error("The card file's square_mm is {0}; a square must measure from 1 to 500 mm.")]
    SquareSize(f64),
    /// A marker that does not fit its square, or is too small to read.
    #[error("The card file's marker_mm is {marker_mm} on squares of {square_mm} mm; a marker must take 0.3 to 0.9 of its square.")]
    MarkerSize {
        /// Side of the marker, mm.
        marker_mm: f64,
        /// Side of a square, mm.
        square_mm: f64,
    },
    /// More markers than the dictionary has.
    #[error("The card needs {markers} markers from id {first} on, but the dictionary ends at id 249. Use a smaller first_id or fewer squares.")]
    Ids {
        /// First id.
        first: usize,
        /// How many markers the card has.
        markers: usize,
    },
}
