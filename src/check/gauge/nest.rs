//! Pieces set out on pages, as one drawing for a cutter, and as solids for a printer.

use super::{GaugeError, Piece};
use crate::sheet::shelf::{self, Spot};
use crate::sheet::stl::Solid;
use crate::sheet::{
    Align, At, Drawing, Ink, Item, Page, Paper, Path, Pen, Sheet, Text, bars, item, tile,
};

/// Pieces in the three forms that are written.
#[derive(Debug, Clone, PartialEq)]
pub struct Nested {
    /// Pages at true size.
    pub pages: Vec<Sheet>,
    /// All pieces side by side.
    pub drawing: Drawing,
    /// Each part a solid.
    pub solids: Vec<Solid>,
}

/// Room for the check bars at left and bottom, for the title at the top, and at the right, mm.
const LEFT_MM: f64 = 15.0;
const BOTTOM_MM: f64 = 22.0;
const TOP_MM: f64 = 19.0;
const RIGHT_MM: f64 = 6.0;
/// Between two pieces, mm.
const BETWEEN_MM: f64 = 2.0;
/// Between two solids, mm: they must come off the printer apart.
const APART_MM: f64 = 4.0;
/// Width of the drawing for a cutter, mm: a common sheet of card or ply.
const SHEET_MM: f64 = 420.0;

/// Sets pieces out. `thick_mm`: thickness of the solids.
///
/// # Errors
/// [`GaugeError::TooLarge`] for a piece that fits the paper neither way round.
pub fn nest(
    pieces: &[Piece],
    title: &str,
    about: &[String],
    paper: Paper,
    thick_mm: f64,
) -> Result<Nested, GaugeError> {
    let sizes: Vec<(f64, f64)> = pieces.iter().map(|p| (p.width_mm, p.height_mm)).collect();
    let room = |page: Page| {
        (
            page.width_mm() - LEFT_MM - RIGHT_MM,
            page.height_mm() - TOP_MM - BOTTOM_MM,
        )
    };
    let laid = |page: Page| -> Option<(Page, Vec<Spot>, usize)> {
        let spots = in_order(&sizes, room(page))?;
        let pages = spots.iter().map(|s| s.page + 1).max().unwrap_or(0);
        Some((page, spots, pages))
    };
    // Whichever way round takes fewer pages.
    let best = [Page::portrait(paper), Page::landscape(paper)]
        .into_iter()
        .filter_map(laid)
        .min_by_key(|l| l.2);
    let Some((page, spots, count)) = best else {
        let largest = sizes
            .iter()
            .copied()
            .max_by(|a, b| a.0.max(a.1).total_cmp(&b.0.max(b.1)))
            .unwrap_or((0.0, 0.0));
        return Err(GaugeError::TooLarge {
            width_mm: largest.0,
            height_mm: largest.1,
        });
    };
    if count > tile::MOST_PAGES {
        return Err(GaugeError::Sheet(crate::sheet::SheetError::TooManyPages {
            pages: count,
            most: tile::MOST_PAGES,
        }));
    }
    let mut items: Vec<Vec<Item>> = vec![Vec::new(); count];
    for (piece, spot) in pieces.iter().zip(&spots) {
        if let Some(own) = items.get_mut(spot.page) {
            own.extend(item::moved(
                &piece.items,
                LEFT_MM + spot.x_mm,
                TOP_MM + spot.y_mm,
            ));
        }
    }
    let pages = items
        .into_iter()
        .enumerate()
        .map(|(i, mut items)| {
            items.extend(frame(page, title, about, (i + 1, count)));
            Sheet {
                page,
                title: title.to_string(),
                items,
            }
        })
        .collect();
    Ok(Nested {
        pages,
        drawing: drawing(pieces, title),
        solids: solids(pieces, thick_mm),
    })
}

/// Spots in reading order: pieces fill a row from the left, and a row is as high as its highest piece. `None` when one is
/// larger than the room.
fn in_order(sizes: &[(f64, f64)], room: (f64, f64)) -> Option<Vec<Spot>> {
    let mut padded: Vec<(f64, f64)> = Vec::with_capacity(sizes.len());
    let (mut start, mut used) = (0, 0.0);
    for (k, size) in sizes.iter().enumerate() {
        if used > 0.0 && used + BETWEEN_MM + size.0 > room.0 {
            start = k;
            used = 0.0;
        }
        used += size.0 + if used > 0.0 { BETWEEN_MM } else { 0.0 };
        padded.push(*size);
        let highest = padded[start..].iter().map(|s| s.1).fold(0.0, f64::max);
        for s in &mut padded[start..] {
            s.1 = highest;
        }
    }
    shelf::lay(&padded, room, BETWEEN_MM).into_iter().collect()
}

/// What stands on every page beside the pieces: title, how to use them, check bars in one corner, page number.
fn frame(page: Page, title: &str, about: &[String], (number, of): (usize, usize)) -> Vec<Item> {
    let (w, h) = (page.width_mm(), page.height_mm());
    let mut items = vec![
        Item::Text(Text::new(At::new(LEFT_MM, 10.5), 5.0, title)),
        Item::note(
            Path::segment(At::new(LEFT_MM, 14.5), At::new(w - RIGHT_MM, 14.5)),
            Pen::black(0.25),
        ),
    ];
    if of > 1 {
        items.push(Item::Text(
            Text::new(
                At::new(w - RIGHT_MM, 10.5),
                3.2,
                format!("{number} of {of}"),
            )
            .align(Align::End)
            .ink(Ink::QUIET),
        ));
    }
    items.extend(bars::corner(At::new(8.0, h - 8.0)));
    let left = 8.0 + bars::BAR_MM + 6.0;
    let room = w - RIGHT_MM - left;
    let mut lines = Vec::new();
    for words in about {
        lines.extend(crate::sheet::font::wrap(words, 2.4, room));
    }
    // The last lines are dropped rather than printed over the pieces.
    for (k, words) in lines.into_iter().take(5).enumerate() {
        items.push(Item::Text(
            Text::new(
                At::new(left, h - BOTTOM_MM + 3.6 + 3.1 * k as f64),
                2.4,
                words,
            )
            .ink(Ink::QUIET),
        ));
    }
    items
}

/// All pieces on one sheet for a cutter.
fn drawing(pieces: &[Piece], title: &str) -> Drawing {
    let widest = pieces.iter().map(|p| p.width_mm).fold(SHEET_MM, f64::max);
    let sizes: Vec<(f64, f64)> = pieces.iter().map(|p| (p.width_mm, p.height_mm)).collect();
    let spots = shelf::lay(&sizes, (widest, crate::sheet::LIMIT_MM), BETWEEN_MM);
    let mut items = Vec::new();
    let (mut width_mm, mut height_mm) = (0.0f64, 0.0f64);
    for (piece, spot) in pieces.iter().zip(spots) {
        if let Some(spot) = spot {
            items.extend(item::moved(&piece.items, spot.x_mm, spot.y_mm));
            width_mm = width_mm.max(spot.x_mm + piece.width_mm);
            height_mm = height_mm.max(spot.y_mm + piece.height_mm);
        }
    }
    Drawing {
        width_mm,
        height_mm,
        title: title.to_string(),
        items,
    }
}

/// The parts as solids, apart from each other.
fn solids(pieces: &[Piece], thick_mm: f64) -> Vec<Solid> {
    let outlines: Vec<&Path> = pieces.iter().flat_map(|p| &p.outlines).collect();
    let sizes: Vec<(f64, f64)> = outlines
        .iter()
        .map(|o| (o.bounds().width_mm(), o.bounds().height_mm()))
        .collect();
    let widest = sizes.iter().map(|s| s.0).fold(200.0, f64::max);
    let spots = shelf::lay(&sizes, (widest, crate::sheet::LIMIT_MM), APART_MM);
    outlines
        .iter()
        .zip(spots)
        .filter_map(|(outline, spot)| {
            let (spot, bounds) = (spot?, outline.bounds());
            Some(Solid {
                outline: outline.moved(spot.x_mm - bounds.x0, spot.y_mm - bounds.y0),
                holes: Vec::new(),
                thick_mm,
            })
        })
        .collect()
}

/// A long drawing over pages, with join marks.
///
/// # Errors
/// [`GaugeError::Sheet`].
pub fn pages_of_drawing(drawing: &Drawing, paper: Paper) -> Result<Vec<Sheet>, GaugeError> {
    Ok(tile::over_pages(drawing, paper)?)
}
