//! Printed gauges and templates at true size.
//!
//! A gauge is cut from card or sheet along one parting line: what lies on one side of it sits on a crest, what lies on the
//! other fits into a root of the same shape, so one cut makes both and no card is lost between them. Radius sets, section
//! templates and block profiles are [`Piece`]s that are nested on pages; a whole-length line template is one long drawing
//! tiled over pages with join marks.

#![cfg_attr(test, allow(clippy::unwrap_used))]

mod block;
mod leaf;
mod length;
mod nest;
mod profile;
#[cfg(test)]
mod tests;

pub use block::{Block, block};
pub use leaf::{FLANK_MM, Leaf, TEMPLATE_BODY_MM, leaf, number, set};
pub use length::{Length, length_drawing, read_line};
pub use nest::{Nested, nest, pages_of_drawing};
pub use profile::{Form, Profile, read_profile};

use crate::sheet::{Item, Path, SheetError};
use thiserror::Error;

/// One piece with its place for labels, as drawn on the sheet: origin at its top left.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// Cut lines and notes.
    pub items: Vec<Item>,
    /// Closed outlines of what remains in the hand, each a solid of its own.
    pub outlines: Vec<Path>,
}

/// Whose gauges these are; stands on every piece.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Mark {
    /// Job, or nothing.
    pub job: String,
    /// Station along the swage, or nothing.
    pub station: String,
}

impl Mark {
    /// Both in a few words; empty when there are none.
    pub fn words(&self) -> String {
        match (self.job.trim(), self.station.trim()) {
            ("", "") => String::new(),
            (job, "") => job.to_string(),
            ("", station) => format!("station {station}"),
            (job, station) => format!("{job} · station {station}"),
        }
    }
}

/// Why a gauge can't be drawn.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum GaugeError {
    /// A size that can't be.
    #[error(
        "{what} of {value} {unit} can't be drawn; it must lie between {least} and {most} {unit}"
    )]
    Size {
        /// What it is the size of.
        what: &'static str,
        /// As given.
        value: f64,
        /// Least that is drawn.
        least: f64,
        /// Most that is drawn.
        most: f64,
        /// Its unit.
        unit: &'static str,
    },
    /// Paper and pad thicker than the radius allows.
    #[error(
        "paper and pad of {thick_mm} mm leave nothing of a radius of {radius_mm} mm; take thinner paper, no pad, or a larger radius"
    )]
    TooThick {
        /// Both together, mm.
        thick_mm: f64,
        /// The radius wanted, mm.
        radius_mm: f64,
    },
    /// Larger than the paper.
    #[error(
        "a piece of {width_mm:.0} × {height_mm:.0} mm doesn't fit the paper; take larger paper, shorter flanks or a smaller radius"
    )]
    TooLarge {
        /// Its width, mm.
        width_mm: f64,
        /// Its height, mm.
        height_mm: f64,
    },
    /// Not a result that a template can be made from.
    #[error("it is not the result of a {check}: {reason}")]
    NoResult {
        /// The check expected.
        check: &'static str,
        /// What is missing.
        reason: &'static str,
    },
    /// The sheet.
    #[error(transparent)]
    Sheet(#[from] SheetError),
}

/// Refuses a size outside its limits.
///
/// # Errors
/// [`GaugeError::Size`].
pub(crate) fn sized(
    what: &'static str,
    value: f64,
    (least, most): (f64, f64),
    unit: &'static str,
) -> Result<(), GaugeError> {
    if value >= least && value <= most {
        Ok(())
    } else {
        Err(GaugeError::Size {
            what,
            value,
            least,
            most,
            unit,
        })
    }
}

/// Width of a cut line, mm.
pub(crate) const CUT_MM: f64 = 0.18;
