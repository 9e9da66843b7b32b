//! The colours of a photo, decoded where they are asked for.
//!
//! Most of a photo's colours are never looked at: cards are found in brightness, and a line needs only the band beside
//! it. So the colours of an ordinary JPEG stay coded, in strips that are decoded when first touched, in the layout of
//! the file; upright places are turned into stored ones one by one. Several threads may ask at once.

use std::sync::OnceLock;

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
        let (stored_width, stored_height) = if turn::swaps(self.orientation) {
            (height, width)
        } else {
            (width, height)
        };
        let (sx, sy) = turn::stored(self.orientation, x, y, stored_width, stored_height);
        let strip = if self.coded.is_some() { sy / STRIP } else { 0 };
        let cell = self.cell(strip)?;
        let row = sy - strip * STRIP + cell.before;
        cell.rgb
            .as_chunks::<3>()
            .0
            .get(row * stored_width + sx)
            .copied()
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

    /// How many strips there are.
    pub(super) fn strips(&self) -> usize {
        self.cells.len()
    }

    /// Decodes a strip ahead of its use.
    pub(super) fn warm(&self, strip: usize) {
        self.cell(strip);
    }
}
