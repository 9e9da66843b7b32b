//! The printed scale card: its layouts, finding it in a photo, printing it.

mod error;
mod face;
mod faint;
pub mod find;
mod lattice;
pub mod layout;
mod map;
pub mod marker;
mod place;
mod plane;
pub mod print;
mod reason;
mod refine;
mod saddle;
mod settle;
mod sight;
mod smooth;

use crate::units::{Mm, Px};
pub use error::CardError;
pub use find::find;
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
