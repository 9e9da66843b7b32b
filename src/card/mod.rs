//! The printed scale card: its layouts, finding it in a photo, printing it.

pub mod layout;

use crate::units::{Mm, Px};
pub use layout::Layout;

/// One inner corner of a card, as found.
#[derive(Debug, Clone, PartialEq)]
pub struct Corner {
    /// OpenCV's ChArUco corner id: row-major over the `(squares_x - 1) * (squares_y - 1)` inner corners.
    pub id: usize,
    /// Where it was found, photo frame.
    pub px: Px,
    /// Where it is printed, card frame (nominal mm, before any printed-length correction).
    pub mm: Mm,
}

/// A card found in a photo.
#[derive(Debug, Clone)]
pub struct Card {
    /// Which layout.
    pub layout: Layout,
    /// Corners found, refined, outliers dropped; id rising.
    pub corners: Vec<Corner>,
    /// Standard uncertainty of a corner's coordinate, px, from the scatter about a smooth local map.
    pub sigma_px: f64,
}

/// Why no card gave a scale.
#[derive(Debug, thiserror::Error)]
pub enum CardError {
    /// A layout file that is none.
    #[error("This is not a card layout: {0}.")]
    Layout(String),
}
