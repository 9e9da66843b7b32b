//! The skim's outline at true size, over as many pages as it takes, to trace on to the panel; it says which way is up.

use crate::check::lows::Skim;
use crate::sheet::{Align, At, Drawing, Item, Paper, Path, Pen, SheetError, Text, pdf, tile};

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
    let n = places.len().max(1) as f64;
    let middle = places.iter().fold(At::new(0.0, 0.0), |sum, p| {
        At::new(sum.x + p.x / n, sum.y + p.y / n)
    });
    items.extend(up(middle));
    let drawing = Drawing {
        width_mm: most(0) + EDGE_MM - x0,
        height_mm: most(1) + EDGE_MM - y0,
        title: format!(
            "Skim outline, {:.0} cm² · up on the panel is where the card's words read upright",
            skim.area_mm2 / 100.0
        ),
        items,
    };
    let sheets = tile::over_pages(&drawing, paper)?;
    pdf::bytes("Skim outline", &sheets)
}

/// An arrow that points to the card's top, with its word under it; `foot`: the arrow's lower end.
fn up(foot: At) -> Vec<Item> {
    const LONG_MM: f64 = 14.0;
    const HEAD_MM: f64 = 3.0;
    let pen = Pen::black(0.3);
    let tip = At::new(foot.x, foot.y - LONG_MM);
    let barb = |side: f64| At::new(tip.x + side * 0.6 * HEAD_MM, tip.y + HEAD_MM);
    vec![
        Item::note(Path::segment(foot, tip), pen),
        Item::note(Path::segment(tip, barb(-1.0)), pen),
        Item::note(Path::segment(tip, barb(1.0)), pen),
        Item::Text(Text::new(At::new(foot.x, foot.y + 4.0), 3.4, "UP").align(Align::Middle)),
    ]
}
