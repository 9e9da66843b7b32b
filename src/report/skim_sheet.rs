//! The skim's outline at true size, over as many pages as it takes, to trace on to the panel.

use crate::check::lows::Skim;
use crate::sheet::{At, Drawing, Item, Paper, Path, Pen, SheetError, pdf, tile};

/// The outline as PDF pages.
///
/// # Errors
/// [`SheetError`].
pub fn skim_pdf(skim: &Skim, paper: Paper) -> Result<Vec<u8>, SheetError> {
    /// White round the outline, mm.
    const EDGE_MM: f64 = 3.0;
    let least = |k: usize| {
        skim.outline_mm
            .iter()
            .map(|p| p[k])
            .fold(f64::INFINITY, f64::min)
    };
    let most = |k: usize| {
        skim.outline_mm
            .iter()
            .map(|p| p[k])
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let (x0, y0) = (least(0) - EDGE_MM, least(1) - EDGE_MM);
    let places: Vec<At> = skim
        .outline_mm
        .iter()
        .map(|p| At::new(p[0] - x0, p[1] - y0))
        .collect();
    let mut items = Vec::new();
    if let Some(outline) = Path::polyline(&places) {
        items.push(Item::cut(outline.close(), Pen::black(0.4)));
    }
    let drawing = Drawing {
        width_mm: most(0) + EDGE_MM - x0,
        height_mm: most(1) + EDGE_MM - y0,
        title: format!("Skim outline, {:.0} cm²", skim.area_mm2 / 100.0),
        items,
    };
    let sheets = tile::over_pages(&drawing, paper)?;
    pdf::bytes("Skim outline", &sheets)
}
