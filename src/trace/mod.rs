//! From the photo's grey and colour to points on a line: pixels only, no millimetres.
//!
//! - [`strip`]: a straightened strip of the photo, sampled along a guide;
//! - [`seek`]: the straight or slightly bowed lines that run coherently along a strip;
//! - [`extent`]: where along the strip the line is there: its ends, and gaps between panels;
//! - [`hue`]: which light to look at: one colour, the difference of two sides' colours, or brightness;
//! - [`edge`]: where the edge lies across the strip, to a few hundredths of a pixel.

pub mod edge;
pub mod extent;
pub mod hue;
pub mod seek;
pub mod smooth;
pub mod strip;

pub use strip::{Coding, Strip};
