//! Card layouts: which squares and markers are printed, and where.

use serde::{Deserialize, Serialize};

/// A ChArUco card (OpenCV 4.6 and later: first square black), design section 4.
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

/// A built-in layout by its name.
pub fn built_in(name: &str) -> Option<Layout> {
    (name == "strip-1").then(|| Layout {
        name: name.to_string(),
        dictionary: "DICT_4X4_250".to_string(),
        squares_x: 12,
        squares_y: 4,
        square_mm: 15.0,
        marker_mm: 10.5,
        first_id: 0,
    })
}

/// A layout from the text of its file.
///
/// # Errors
/// When it is not a layout.
pub fn read(json: &str) -> Result<Layout, super::CardError> {
    serde_json::from_str(json).map_err(|e| super::CardError::Layout(e.to_string()))
}
