//! From the photo's grey and colour to points on a line: pixels only, no millimetres.
//!
//! - [`strip`]: a straightened strip of the photo, sampled along a guide;
//! - [`seek`]: the straight or slightly bowed lines that run coherently along a strip;
//! - [`extent`]: where along the strip the line is there: its ends, and gaps between panels;
//! - [`hue`]: which light to look at: one colour, the difference of two sides' colours, or brightness;
//! - [`edge`]: where the edge lies across the strip, to a few hundredths of a pixel;
//! - [`rim`]: the same for the upper edge of a sheet that lies on a bench.

pub mod edge;
pub mod extent;
pub mod hue;
pub mod rim;
pub mod seek;
pub mod smooth;
pub mod strip;

pub use strip::{Coding, Strip};

use thiserror::Error;

/// Why no line was traced.
#[derive(Debug, Error, PartialEq)]
pub enum TraceError {
    /// The card's plane is not in the picture.
    #[error(
        "the panel around the card is hardly in the picture; step back so that the whole line shows"
    )]
    OffPanel,
    /// Nothing runs along the panel.
    #[error(
        "no swage line runs along the panel near the card; dust guide coat and block one side, or lay a tape along the line, or tap points with --near"
    )]
    NoLine,
    /// No stripe of coat runs along the panel.
    #[error(
        "no stripe of guide coat runs along the panel near the card; dust the swage, block both flanks until the coat stands in the radius alone, or give points on the stripe with --near"
    )]
    NoStripe,
    /// Nothing near the points given.
    #[error(
        "no line runs near the points given with --near; give points on the line itself, at least two, far apart"
    )]
    NoLineNear,
    /// All points at one place.
    #[error(
        "the points given with --near lie at one place; give two or more along the line, far apart"
    )]
    PointsTogether,
    /// One line on each side of the cards, equally strong.
    #[error(
        "two lines {apart_mm:.0} mm apart are equally likely, one on each side of the card; say which with --near x1,y1,x2,y2"
    )]
    TwoLines {
        /// How far apart they are, mm.
        apart_mm: f64,
    },
    /// Too short to say anything.
    #[error(
        "only {seen_mm:.0} mm of the line can be seen; at least {need_mm:.0} mm are needed. Step back or clear what covers it"
    )]
    TooShort {
        /// Length seen, mm.
        seen_mm: f64,
        /// Length needed, mm.
        need_mm: f64,
    },
    /// The edge is not sharp enough anywhere.
    #[error(
        "the line is too faint or too blurred to locate; let light fall across it from one side, or lay a tape along it"
    )]
    Faint,
}
