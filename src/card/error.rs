//! Why a card can't be used or was not found, in one line of workshop words.

use thiserror::Error;

/// Why a layout can't be used, or no card could be found.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CardError {
    /// The layout file is not JSON (place of the first fault).
    #[error(
        "This card file is no JSON layout (line {line}, column {column}). `fairpanel card list` shows what there is."
    )]
    NotJson {
        /// Line of the fault, from 1.
        line: usize,
        /// Column of the fault, from 1.
        column: usize,
    },
    /// A field of the layout is missing.
    #[error(
        "The card file has no field '{0}'. A card needs name, dictionary, squares_x, squares_y, square_mm, marker_mm and first_id."
    )]
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
    #[error(
        "The card file's dictionary is '{0}'; only DICT_4X4_250 can be read. Print one of the built-in cards or correct the file."
    )]
    Dictionary(String),
    /// Too few or too many squares, or no whole number.
    #[error("The card file's {field} is {}; a card needs a whole number of squares, 3 or more each way, and 250 markers at most.", plain(*value))]
    Squares {
        /// `squares_x` or `squares_y`.
        field: &'static str,
        /// What the file says.
        value: f64,
    },
    /// A square that can't be printed.
    #[error("The card file's square_mm is {}; a square must measure from 1 to 500 mm.", plain(*.0))]
    SquareSize(f64),
    /// A marker that does not fit its square, or is too small to read.
    #[error("The card file's marker_mm is {} on squares of {square_mm} mm; a marker must take 0.3 to 0.9 of its square.", plain(*marker_mm))]
    MarkerSize {
        /// Side of the marker, mm.
        marker_mm: f64,
        /// Side of a square, mm.
        square_mm: f64,
    },
    /// More markers than the dictionary has.
    #[error(
        "The card needs {markers} markers from id {first} on, but the dictionary ends at id 249. Use a smaller first_id or fewer squares."
    )]
    Ids {
        /// First id.
        first: usize,
        /// How many markers the card has.
        markers: usize,
    },
    /// One card lies in the photo twice.
    #[error(
        "The card '{0}' is in this photo twice. Leave one copy, and print cards with other numbers for more (`fairpanel card list`)."
    )]
    Twice(String),
    /// A card was read but shows too few corners.
    #[error(
        "Only {corners} of the {of} corners of card '{name}' can be seen; {need} are needed, not in one line. Show the card whole, out of glare, or step closer."
    )]
    TooFew {
        /// The card.
        name: String,
        /// Corners seen.
        corners: usize,
        /// Corners it has.
        of: usize,
        /// Corners needed.
        need: usize,
    },
    /// A built-in card that was not asked for.
    #[error(
        "The card in this photo is '{seen}', not {asked}. Name it with --card, or lay the right card beside the work."
    )]
    OtherCard {
        /// The card seen.
        seen: String,
        /// What was asked for.
        asked: String,
    },
    /// Markers that don't fit the layouts asked for.
    #[error(
        "A card is there, but its markers (ids {first} to {last}) do not lie as on {asked}. Give this card's own layout file with --card FILE, or print the card again."
    )]
    OtherMarkers {
        /// Least id seen.
        first: usize,
        /// Greatest id seen.
        last: usize,
        /// What was asked for.
        asked: String,
    },
    /// A card-like pattern whose squares are too small to read.
    #[error(
        "No card can be read: the squares of what looks like one are only {square_px:.0} px wide, 20 are needed. Step closer or print a larger card."
    )]
    TooSmall {
        /// Side of a square, px.
        square_px: f64,
    },
    /// A card-like pattern whose markers can't be read.
    #[error(
        "What looks like a card shows no marker that can be read. Use a card printed with `fairpanel card`, and take the photo sharp, without glare on it."
    )]
    Unread,
    /// An almost black photo.
    #[error("No card can be seen: the photo is almost black. Take it again with more light.")]
    Dark,
    /// A blown out photo.
    #[error(
        "No card can be seen: the photo is too bright, most of it plain white. Take it again with less exposure."
    )]
    Bright,
    /// A photo without one sharp edge.
    #[error(
        "No card can be read: the photo is blurred. Hold still, let it focus, and use more light."
    )]
    Blurred,
    /// No card.
    #[error(
        "No card was found. Lay the printed card flat beside the work, whole in the photo and in focus; step closer if its squares are small."
    )]
    NoCard,
}

/// A number as a person would write it: no more than five digits, no run of zeros.
fn plain(value: f64) -> String {
    if value != 0.0 && !(1e-3..1e6).contains(&value.abs()) {
        format!("{value:.1e}")
    } else {
        format!("{}", (value * 1e3).round() / 1e3)
    }
}
