//! True-size drawings: lines, arcs, areas and words placed in millimetres, and the files they are written to.
//!
//! Frame of every drawing: millimetres, origin at the top-left corner of the page (or of the drawing, before it is
//! cut into pages), x right, y down. A positive sweep turns from x toward y, clockwise as seen.
//!
//! A [`Sheet`] is one page; [`pdf`] binds several into one file, [`svg`] writes one. Both carry the same geometry at
//! true size, and [`bars`] puts a bar on each axis so that the printer can be caught cheating. A [`Drawing`] is of any
//! size: [`tile`] lays it over pages, [`shelf`] sets several pieces out on one, [`dxf`] writes it for a cutter (layers CUT and NOTE, arcs as arcs) and [`stl`]
//! raises an outline for a 3-D printer. Nothing here knows what is drawn or why.
//!
//! Every writer is deterministic (no clock, no random numbers) and ends its file with a [`seal`], by which the program
//! knows its own unchanged files again.

#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod bars;
pub mod dxf;
pub mod font;
pub mod item;
pub mod page;
pub mod path;
pub mod pdf;
#[cfg(test)]
pub(crate) mod readback;
pub mod seal;
pub mod shelf;
pub mod stl;
pub mod svg;
pub mod tile;

pub use item::{Align, Ink, Item, Layer, Pen, Text};
pub use page::{Drawing, Page, Paper, Sheet};
pub use path::{At, Frame, Path, Seg};

/// Why a drawing can't be written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SheetError {
    /// A coordinate or size that is not a plain number, or absurdly large.
    #[error(
        "A size in this drawing is not a number or is over {limit_mm} mm. Check the measured values it is made from."
    )]
    NotDrawable {
        /// Largest coordinate that is drawn, mm.
        limit_mm: f64,
    },
    /// An outline that encloses no area or crosses itself.
    #[error(
        "The outline of this piece crosses itself or has no area, so it can't be printed in 3-D. Check the section or radius it is made from."
    )]
    NotSolid,
    /// A drawing that would take a heap of paper.
    #[error(
        "This drawing would take {pages} pages (at most {most}). Take larger paper or a shorter piece."
    )]
    TooManyPages {
        /// Pages it would take.
        pages: usize,
        /// Pages allowed.
        most: usize,
    },
    /// The page description could not be written.
    #[error("The PDF could not be put together ({reason}). Use the SVG instead.")]
    Pdf {
        /// What the writer said.
        reason: String,
    },
}

/// Largest coordinate a sheet takes, mm: PDF readers promise pages up to 14 400 points, 5 080 mm, a side
/// (PDF 32000-1 annex C, from memory); a drawing that is cut into pages may be longer.
pub const LIMIT_MM: f64 = 20_000.0;

/// Refuses items with coordinates that can't be drawn.
///
/// # Errors
/// [`SheetError::NotDrawable`] when a bound is not finite or beyond [`LIMIT_MM`].
pub(crate) fn drawable(items: &[Item]) -> Result<(), SheetError> {
    let fine = items.iter().all(|item| {
        item.bounds()
            .is_none_or(|f| [f.x0, f.y0, f.x1, f.y1].iter().all(|v| v.abs() <= LIMIT_MM))
    });
    if fine {
        Ok(())
    } else {
        Err(SheetError::NotDrawable { limit_mm: LIMIT_MM })
    }
}
