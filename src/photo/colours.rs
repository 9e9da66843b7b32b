//! The colours of a photo, decoded where they are asked for.
//!
//! Most of a photo's colours are never looked at: cards are found in brightness, and a line needs only the band beside
//! it. So the colours of an ordinary JPEG stay coded, in strips that are decoded when first touched, in the layout of
//! the file; upright places are turned into stored ones one by one. Several threads may ask at once.

use std::ops::Range;
use std::sync::OnceLock;

use rayon::prelude::*;

use super::strips::{Index, STRIP, Strips};
use super::turn;

/// Colours of an upright photo: none, all there, or some still coded. Made from interleaved upright sRGB by `into()`.
#[derive(Debug, Default)]
pub struct Colours {
    orientation: u8,
    cells: Vec<OnceLock<Cell>>,
    coded: Option<(Box<Strips>, Index)>,
}

/// A strip of sRGB as stored, with `before` rows in front that belong to the strip above.
#[derive(Debug, Default)]
struct Cell {
    rgb: Vec<u8>,
    before: usize,
}

impl From<Vec<u8>> for Colours {
    fn from(upright: Vec<u8>) -> Self {
        Colours::whole(upright)
    }
}

impl Colours {
    /// All colours, as stored, before the turn.
    pub(super) fn whole(rgb: Vec<u8>) -> Self {
        let cells = if rgb.is_empty() {
            Vec::new()
        } else {
            vec![OnceLock::from(Cell { rgb, before: 0 })]
        };
        Colours {
            orientation: 1,
            cells,
            coded: None,
        }
    }

    /// Colours still coded.
    pub(super) fn coded(strips: Strips, index: Index) -> Self {
        let cells = (0..strips.count()).map(|_| OnceLock::new()).collect();
        Colours {
            orientation: 1,
            cells,
            coded: Some((Box::new(strips), index)),
        }
    }

    /// The same, to be seen turned upright.
    pub(super) fn turned(self, orientation: u8) -> Self {
        Colours {
            orientation,
            ..self
        }
    }

    /// Whether there are any.
    pub fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }

    /// The sRGB at an upright place of a photo of that upright size; `None` when there is none.
    #[inline]
    pub(super) fn at(&self, x: usize, y: usize, width: usize, height: usize) -> Option<[u8; 3]> {
        let swaps = turn::swaps(self.orientation);
        let (stored_width, stored_height) = if swaps {
            (height, width)
        } else {
            (width, height)
        };
        let (sx, sy) = turn::stored(self.orientation, x, y, stored_width, stored_height);
        let strip = self.strip_of(sy);
        let cell = self.cell(strip)?;
        let row = sy - strip * STRIP + cell.before;
        cell.rgb
            .as_chunks::<3>()
            .0
            .get(row * stored_width + sx)
            .copied()
    }

    /// Puts the sRGB of upright row `y` from column `left` on into `out`; places without any stay as they are.
    pub(super) fn fill(
        &self,
        left: usize,
        y: usize,
        width: usize,
        height: usize,
        out: &mut [[u8; 3]],
    ) {
        let swaps = turn::swaps(self.orientation);
        let (stored_width, stored_height) = if swaps {
            (height, width)
        } else {
            (width, height)
        };
        let place = |x: usize| turn::stored(self.orientation, x, y, stored_width, stored_height);
        let mut done = 0;
        while done < out.len() {
            let (sx, sy) = place(left + done);
            let strip = self.strip_of(sy);
            let Some(cell) = self.cell(strip) else { return };
            let first = (sy - strip * STRIP + cell.before) * stored_width + sx;
            let pixels = cell.rgb.as_chunks::<3>().0;
            let rest = &mut out[done..];
            // A row of the photo is a row or a column of the file, forward or backward: the latter leaves the strip.
            let forward = matches!(self.orientation, 0 | 1 | 4 | 5 | 8);
            let (step, count) = match (swaps, forward) {
                (false, _) => (1, rest.len()),
                (true, true) => (stored_width, rest.len().min(self.foot(strip) - sy)),
                (true, false) => (stored_width, rest.len().min(sy - strip * STRIP + 1)),
            };
            let rest = &mut rest[..count];
            if forward {
                let from = pixels.get(first..).unwrap_or_default().iter().step_by(step);
                rest.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
            } else {
                let from = pixels
                    .get(..=first)
                    .unwrap_or_default()
                    .iter()
                    .rev()
                    .step_by(step);
                rest.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
            }
            done += count;
        }
    }

    /// The strip that holds stored row `row`.
    #[inline]
    fn strip_of(&self, row: usize) -> usize {
        if self.coded.is_some() { row / STRIP } else { 0 }
    }

    /// The stored row below a strip.
    fn foot(&self, strip: usize) -> usize {
        if self.coded.is_some() {
            (strip + 1) * STRIP
        } else {
            usize::MAX
        }
    }

    /// A strip, decoded now when it has not been. The codes were all read over when the brightness was decoded, so
    /// this does not fail for what is in the file; were it to, the strip would be grey.
    #[inline]
    fn cell(&self, strip: usize) -> Option<&Cell> {
        let cell = self.cells.get(strip)?;
        Some(cell.get_or_init(|| self.decode(strip)))
    }

    #[cold]
    fn decode(&self, strip: usize) -> Cell {
        let decoded = self
            .coded
            .as_ref()
            .and_then(|(strips, index)| strips.colours(index, strip));
        let (rgb, before) = decoded.unwrap_or_default();
        Cell { rgb, before }
    }

    /// Decodes what an upright part of the photo needs, on all cores.
    pub(super) fn prepare(
        &self,
        columns: Range<usize>,
        rows: Range<usize>,
        width: usize,
        height: usize,
    ) {
        let (columns, rows) = (
            columns.start..columns.end.min(width),
            rows.start..rows.end.min(height),
        );
        if self.coded.is_none() || columns.is_empty() || rows.is_empty() {
            return;
        }
        let swaps = turn::swaps(self.orientation);
        let (stored_width, stored_height) = if swaps {
            (height, width)
        } else {
            (width, height)
        };
        let row =
            |x, y| turn::stored(self.orientation, x, y, stored_width, stored_height).1 / STRIP;
        let (a, b) = (
            row(columns.start, rows.start),
            row(columns.end - 1, rows.end - 1),
        );
        (a.min(b)..=a.max(b)).into_par_iter().for_each(|strip| {
            self.cell(strip);
        });
    }
}
