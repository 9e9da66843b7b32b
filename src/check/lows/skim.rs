//! The skim to apply: where, how much, from which edge.

use super::{Kind, Survey};
use crate::area::mask::{Mask, inside};
use crate::area::repair;
use nalgebra::Point2;
use serde::Serialize;

/// A skim to apply.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Skim {
    /// Outline with its margin, first card's frame, mm, closed.
    pub outline_mm: Vec<[f64; 2]>,
    /// Margin round the lows, mm.
    pub margin_mm: f64,
    /// Area within the outline, mm².
    pub area_mm2: f64,
    /// Depths between which the volume is reckoned, mm: stated, never read from the coat.
    pub depth_mm: [f64; 2],
    /// Filler needed, ml.
    pub volume_ml: [f64; 2],
    /// How to spread it.
    pub spread: String,
}

/// Margin round the lows, mm: room to feather the edge (common practice, no source).
pub const MARGIN_MM: f64 = 20.0;
/// Depths of a skim unless given, mm (common practice, no source).
pub const DEPTH_MM: (f64, f64) = (0.3, 1.0);
/// Lows nearer together than this are skimmed in one, mm.
const JOIN_MM: f64 = 30.0;

/// The skim over the lows that count; `None` without any.
pub fn skim(survey: &Survey, depth_mm: Option<(f64, f64)>) -> Option<Skim> {
    /// Cells of the outline, mm.
    const CELL: f64 = 2.0;
    let lows: Vec<&super::Region> = survey
        .regions
        .iter()
        .filter(|r| r.kind == Kind::Low && r.area_mm2 >= 40.0)
        .collect();
    let all = lows
        .iter()
        .flat_map(|r| r.outline_mm.iter().map(|p| Point2::new(p[0], p[1])));
    let window = crate::area::plan::Window::around(all)?.grown(MARGIN_MM + JOIN_MM);
    let size = window.to - window.from;
    let (w, h) = (
        (size.x / CELL).ceil() as usize,
        (size.y / CELL).ceil() as usize,
    );
    let mut mask = Mask::new(w, h);
    for low in &lows {
        let cells: Vec<Point2<f64>> = low
            .outline_mm
            .iter()
            .map(|p| Point2::from((Point2::new(p[0], p[1]) - window.from) / CELL))
            .collect();
        mask = mask.or(&inside(w, h, &cells));
    }
    let skim = mask
        .closed(0.5 * JOIN_MM / CELL)
        .grown(MARGIN_MM / CELL)
        .filled(w * h);
    let area = skim.count() as f64 * CELL * CELL;
    let outline = skim
        .outlines()
        .into_iter()
        .max_by(|a, b| repair::area(a).abs().total_cmp(&repair::area(b).abs()))?;
    let (least, most) = depth_mm.unwrap_or(DEPTH_MM);
    Some(Skim {
        outline_mm: outline
            .iter()
            .map(|p| {
                let at = window.from + p.coords * CELL;
                [at.x, at.y]
            })
            .collect(),
        margin_mm: MARGIN_MM,
        area_mm2: area,
        depth_mm: [least, most],
        volume_ml: [area * least / 1000.0, area * most / 1000.0],
        spread: "pull away from the nearest swage or panel edge, so that the filler feathers out over the flat".into(),
    })
}
