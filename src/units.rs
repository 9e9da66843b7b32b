//! Places, measured figures and angles: the types that cross module boundaries.
//!
//! Two frames exist and mixing them is the dearest mistake this program can make:
//! - photo frame ([`Px`]): pixels of the upright photo (EXIF orientation applied), pixel *centres* at whole
//!   numbers, x right, y down;
//! - card frame ([`Mm`]): millimetres on the printed face, origin at the outer corner of the first (top-left)
//!   square, x right, y down the card as printed, z into the panel.

use nalgebra::Point2;
use serde::{Deserialize, Serialize};

/// A place in the upright photo, pixels; pixel centres at whole numbers, x right, y down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Px(pub Point2<f64>);

/// A place in a card's frame, millimetres; x right, y down the card as printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mm(pub Point2<f64>);

impl Px {
    /// A place from its two coordinates, px.
    pub fn new(x: f64, y: f64) -> Self {
        Px(Point2::new(x, y))
    }
}

impl Mm {
    /// A place from its two coordinates, mm.
    pub fn new(x: f64, y: f64) -> Self {
        Mm(Point2::new(x, y))
    }
}

/// A figure and the half-width of its 95% interval, in the unit its field name states.
///
/// Inside the maths carry covariances or standard uncertainties; widen to 95% once, here
/// ([`Measured::from_u`]).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Half-width of the 95% interval, above zero.
    pub u95: f64,
}

/// Coverage factor of a 95% interval of a normal distribution (two-sided), JCGM 100:2008 table G.1 with
/// infinite degrees of freedom.
pub const K95: f64 = 1.959_963_984_540_054;

impl Measured {
    /// From a standard uncertainty `u` (normal, many degrees of freedom): `u95 = 1.96 u`.
    pub fn from_u(value: f64, u: f64) -> Self {
        Measured {
            value,
            u95: K95 * u,
        }
    }
}
