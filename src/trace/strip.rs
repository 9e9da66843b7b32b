//! A straightened strip of a photo: columns along a guide line, rows across it.
//!
//! Only the strip is sampled, never the whole photo. Bilinear interpolation; linear light for locating edges (a blurred
//! edge is symmetric there), the photo's own gamma coding for looking around (shades of light and dark paint then weigh
//! alike).

use crate::photo::Photo;
use nalgebra::Point2;
use rayon::prelude::*;

/// What the strip's numbers mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// Linear light, 0 to 1 (IEC 61966-2-1 undone).
    Linear,
    /// As stored, 0 to 1.
    Gamma,
}

/// Red, green, blue and brightness of one cell.
pub type Cell = [f32; 4];

/// A strip: `cells[column * rows + row]`; all NaN where it leaves the photo or is masked.
#[derive(Debug, Clone)]
pub struct Strip {
    /// Cells along.
    pub columns: usize,
    /// Cells across.
    pub rows: usize,
    /// The cells, a column's rows side by side.
    pub cells: Vec<Cell>,
}

/// A cell that shows nothing.
pub const BLANK: Cell = [f32::NAN; 4];

impl Strip {
    /// Samples the photo where `place(column, row)` says (photo px); `None` leaves the cell blank.
    pub fn sample(
        photo: &Photo,
        columns: usize,
        rows: usize,
        coding: Coding,
        place: impl Fn(usize, usize) -> Option<Point2<f64>> + Sync,
    ) -> Strip {
        let table: [f32; 256] = std::array::from_fn(|v| match coding {
            Coding::Linear => crate::photo::srgb::to_linear(v as u8),
            Coding::Gamma => v as f32 / 255.0,
        });
        let mut cells = vec![BLANK; columns * rows];
        cells
            .par_chunks_mut(rows.max(1))
            .enumerate()
            .for_each(|(column, cells)| {
                for (row, cell) in cells.iter_mut().enumerate() {
                    if let Some(at) = place(column, row) {
                        *cell = read(photo, &table, at);
                    }
                }
            });
        Strip {
            columns,
            rows,
            cells,
        }
    }

    /// One column.
    pub fn column(&self, column: usize) -> &[Cell] {
        &self.cells[column * self.rows..(column + 1) * self.rows]
    }
}

fn read(photo: &Photo, table: &[f32; 256], at: Point2<f64>) -> Cell {
    let (x, y) = (at.x.floor(), at.y.floor());
    if !(x >= 0.0 && y >= 0.0) {
        return BLANK;
    }
    let (i, j) = (x as usize, y as usize);
    if i + 1 >= photo.width || j + 1 >= photo.height {
        return BLANK;
    }
    let (fx, fy) = ((at.x - x) as f32, (at.y - y) as f32);
    let weights = [
        (1.0 - fx) * (1.0 - fy),
        fx * (1.0 - fy),
        (1.0 - fx) * fy,
        fx * fy,
    ];
    let places = [(i, j), (i + 1, j), (i, j + 1), (i + 1, j + 1)];
    let mut cell = [0.0; 4];
    for (w, (x, y)) in weights.into_iter().zip(places) {
        cell[3] += w * table[photo.luma[y * photo.width + x] as usize];
        for (c, value) in cell.iter_mut().zip(photo.rgb_at(x, y)) {
            *c += w * table[value as usize];
        }
    }
    cell
}
