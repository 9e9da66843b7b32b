//! A printed card as a picture with exact coverage: how much ink lies within a small rectangle of it.

use super::flat::Place;
use super::scene::PlacedCard;
use crate::card::Layout;
use crate::card::marker;

/// Cells of one square along an axis: margin, six cells of the marker, margin.
const CELLS: usize = 8;

/// Paper and ink, linear light.
const PAPER: f64 = 0.78;
const INK: f64 = 0.045;

/// What a look sees of a printed sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ink {
    /// Share of the look that the sheet covers.
    pub cover: f64,
    /// Reflectance of what it covers.
    pub brightness: f64,
    /// An edge lies within about a pixel.
    pub near: bool,
}

/// A card ready to be looked up.
#[derive(Debug, Clone)]
pub struct Face {
    square_mm: f64,
    offset_mm: f64,
    cell_mm: f64,
    columns: usize,
    rows: usize,
    black: Vec<bool>,
}

impl Face {
    /// Prepares a layout.
    pub fn new(layout: &Layout) -> Self {
        let (columns, rows) = (layout.squares_x * CELLS, layout.squares_y * CELLS);
        let mut black = vec![false; columns * rows];
        let mut id = layout.first_id;
        for row in 0..layout.squares_y {
            for column in 0..layout.squares_x {
                let dark = (row + column) % 2 == 0;
                let bits = if dark {
                    0
                } else {
                    marker::code(id, 0).unwrap_or(0)
                };
                for v in 0..CELLS {
                    for u in 0..CELLS {
                        let border = (1..7).contains(&u) && (1..7).contains(&v);
                        let inner = (2..6).contains(&u) && (2..6).contains(&v);
                        let white = inner && bits >> (15 - ((v - 2) * 4 + u - 2)) & 1 == 1;
                        black[(row * CELLS + v) * columns + column * CELLS + u] =
                            dark || (border && !white);
                    }
                }
                id += usize::from(!dark);
            }
        }
        Face {
            square_mm: layout.square_mm,
            offset_mm: (layout.square_mm - layout.marker_mm) / 2.0,
            cell_mm: layout.marker_mm / 6.0,
            columns,
            rows,
            black,
        }
    }

    /// Width and height of the printed squares, mm.
    pub fn size_mm(&self) -> [f64; 2] {
        [
            (self.columns / CELLS) as f64 * self.square_mm,
            (self.rows / CELLS) as f64 * self.square_mm,
        ]
    }

    /// Brightness averaged over a rectangle around (x, y) (card frame, mm) reaching `half` each way, and whether an
    /// edge crosses it. Exact while the rectangle holds one edge along each axis.
    pub fn brightness(&self, at: [f64; 2], half: [f64; 2]) -> (f64, bool) {
        let x = self.cover(at[0], half[0], self.columns);
        let y = self.cover(at[1], half[1], self.rows);
        let mut ink = 0.0;
        for (row, wy) in [(y.0, 1.0 - y.2), (y.1, y.2)] {
            for (column, wx) in [(x.0, 1.0 - x.2), (x.1, x.2)] {
                let inside = row < self.rows && column < self.columns;
                if wx * wy > 0.0 && inside && self.black[row * self.columns + column] {
                    ink += wx * wy;
                }
            }
        }
        let mixed = (x.0 != x.1 && x.2 > 0.0) || (y.0 != y.1 && y.2 > 0.0);
        (PAPER + (INK - PAPER) * ink, mixed)
    }

    /// What a look of `size_px` sees of the sheet at a place in card millimetres; none off the sheet.
    pub fn look(&self, place: &Place, size_px: f64) -> Option<Ink> {
        let size = self.size_mm();
        let margin = self.square_mm / 2.0;
        // Half the side of a rectangle along the card's axes with the spread of the pixel's square.
        let half = [0, 1].map(|i| {
            0.5 * (place.right[i] * place.right[i] + place.down[i] * place.down[i]).sqrt()
        });
        let (mut cover, mut near) = (1.0, false);
        for i in 0..2 {
            for field in [place.at[i] + margin, size[i] + margin - place.at[i]] {
                if field.abs() > 4.0 * half[i] {
                    cover *= if field > 0.0 { 1.0 } else { 0.0 };
                } else {
                    let px = field / (2.0 * half[i]);
                    cover *= (0.5 + px / size_px).clamp(0.0, 1.0);
                    near |= px.abs() < 1.3;
                }
            }
        }
        if cover <= 0.0 {
            return near.then_some(Ink {
                cover,
                brightness: PAPER,
                near,
            });
        }
        // Only the first, whole-pixel look needs to know whether to look closer.
        near |= size_px >= 1.0 && self.brightness(place.at, half.map(|h| 2.6 * h)).1;
        let brightness = self.brightness(place.at, half.map(|h| h * size_px)).0;
        Some(Ink {
            cover,
            brightness,
            near,
        })
    }

    /// Cells at both ends of `[x - half, x + half]` and the share of the second. Off the card: index past the end.
    fn cover(&self, x: f64, half: f64, count: usize) -> (usize, usize, f64) {
        let (a, _) = self.cell(x - half, count);
        let (b, edge) = self.cell(x + half, count);
        if a == b {
            (a, b, 0.0)
        } else {
            (a, b, ((x + half - edge) / (2.0 * half)).clamp(0.0, 1.0))
        }
    }

    /// The cell at x, and where it begins.
    fn cell(&self, x: f64, count: usize) -> (usize, f64) {
        let square = (x / self.square_mm).floor();
        if square < 0.0 {
            return (usize::MAX, f64::NEG_INFINITY);
        }
        let start = square * self.square_mm;
        let within = ((x - start - self.offset_mm) / self.cell_mm)
            .floor()
            .clamp(-1.0, 6.0);
        let begin = if within < 0.0 {
            start
        } else {
            start + self.offset_mm + within * self.cell_mm
        };
        let index = square as usize * CELLS + (within + 1.0) as usize;
        if index >= count {
            (usize::MAX, count as f64 / CELLS as f64 * self.square_mm)
        } else {
            (index, begin)
        }
    }
}

/// How a card lies on the flank: between flank places (distance along the bow, y) and card millimetres.
#[derive(Debug, Clone, Copy)]
pub struct Lie {
    centre: [f64; 2],
    half: [f64; 2],
    sin: f64,
    cos: f64,
    scale: [f64; 2],
}

impl Lie {
    /// Of a placed card.
    pub fn new(card: &PlacedCard) -> Self {
        let (sin, cos) = card.turn_deg.to_radians().sin_cos();
        let half = [card.layout.squares_x, card.layout.squares_y]
            .map(|n| n as f64 * card.layout.square_mm / 2.0);
        Lie {
            centre: card.centre_mm,
            half,
            sin,
            cos,
            scale: card.print_scale,
        }
    }

    /// A step on the flank in the card's own millimetres.
    pub fn turned(&self, step: [f64; 2]) -> [f64; 2] {
        [
            (self.cos * step[0] + self.sin * step[1]) / self.scale[0],
            (self.cos * step[1] - self.sin * step[0]) / self.scale[1],
        ]
    }

    /// A place on the flank as a place on the card.
    pub fn place(&self, flank: &Place) -> Place {
        Place {
            at: self.card_from_flank(flank.at),
            right: self.turned(flank.right),
            down: self.turned(flank.down),
        }
    }

    /// Card millimetres of a flank place.
    pub fn card_from_flank(&self, flank: [f64; 2]) -> [f64; 2] {
        let [u, v] = self.turned([flank[0] - self.centre[0], flank[1] - self.centre[1]]);
        [u + self.half[0], v + self.half[1]]
    }

    /// Flank place of card millimetres.
    pub fn flank_from_card(&self, at: [f64; 2]) -> [f64; 2] {
        let (u, v) = (
            (at[0] - self.half[0]) * self.scale[0],
            (at[1] - self.half[1]) * self.scale[1],
        );
        [
            self.centre[0] + self.cos * u - self.sin * v,
            self.centre[1] + self.sin * u + self.cos * v,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip() -> Layout {
        Layout {
            name: "strip".into(),
            dictionary: "DICT_4X4_250".into(),
            squares_x: 12,
            squares_y: 4,
            square_mm: 15.0,
            marker_mm: 10.5,
            first_id: 0,
        }
    }

    #[test]
    fn face_has_opencvs_marker_where_opencv_puts_it() {
        // Strip 12 x 4, square 15, marker 10.5: id 0 at (17.25, 2.25), inner code 1011 0101 0011 0010 (OpenCV 5.0.0).
        let face = Face::new(&strip());
        let white = |x: f64, y: f64| face.brightness([x, y], [0.01, 0.01]).0 > 0.5;
        let mut bits = String::new();
        for row in 0..4 {
            for column in 0..4 {
                let at = |k: usize, start: f64| start + 1.75 * (k as f64 + 1.5);
                bits.push(if white(at(column, 17.25), at(row, 2.25)) {
                    '1'
                } else {
                    '0'
                });
            }
        }
        assert_eq!(bits, "1011010100110010");
        assert!(!white(7.0, 7.0), "the first square is black");
        assert!(!white(18.0, 3.0), "the marker's border is black");
        assert!(white(16.0, 1.0) && white(-1.0, 5.0) && white(181.0, 61.0));
    }

    #[test]
    fn edge_covers_in_proportion() {
        let face = Face::new(&strip());
        // Across the right edge of the first black square: a quarter of the rectangle is black.
        let (value, mixed) = face.brightness([15.0 + 0.05, 7.0], [0.1, 0.1]);
        assert!(mixed && (value - (0.75 * PAPER + 0.25 * INK)).abs() < 1e-9);
        // The card's outer edge, seen from the margin.
        let (value, _) = face.brightness([-0.05, 7.0], [0.1, 0.1]);
        assert!((value - (0.75 * PAPER + 0.25 * INK)).abs() < 1e-9);
    }

    #[test]
    fn card_places_go_there_and_back() {
        let card = PlacedCard {
            layout: strip(),
            centre_mm: [40.0, 60.0],
            turn_deg: 3.0,
            stiff: false,
            print_scale: [1.003, 0.998],
        };
        let lie = Lie::new(&card);
        let back = lie.card_from_flank(lie.flank_from_card([15.0, 45.0]));
        assert!((back[0] - 15.0).abs() < 1e-9 && (back[1] - 45.0).abs() < 1e-9);
    }
}
