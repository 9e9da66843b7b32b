//! The panel seen square on: linear light on an even grid of the first card's millimetres.
//!
//! The photo is first averaged over blocks of whole pixels, in linear light, so that a cell of the plan holds all the
//! light of its place (sampling single pixels would throw most of a large photo away and alias the coat's speckle).
//! Places come from the scale, bow included, at every sixteenth cell and bilinearly between: at a crown of 1.5 m radius
//! that is within a hundredth of a cell.

use crate::photo::{Photo, srgb};
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::units::{Mm, Px};
use nalgebra::Point2;
use rayon::prelude::*;

/// The photo averaged over blocks, linear light.
#[derive(Debug, Clone)]
pub struct Blocks {
    /// Side of a block, photo px.
    pub side: usize,
    /// Blocks across.
    pub width: usize,
    /// Blocks down.
    pub height: usize,
    /// Red, green, blue of each block, 0–1; red is infinite where most pixels of the block are saturated in
    /// every channel.
    pub light: Vec<[f32; 3]>,
}

/// Stored value from which a channel is taken as saturated: JPEG's ringing keeps burnt-out places from being all 255.
const BURNT: u8 = 252;

impl Blocks {
    /// Averages a photo over blocks of `side` pixels; what is left over at the right and lower edge is dropped.
    pub fn new(photo: &Photo, side: usize) -> Blocks {
        let side = side.max(1);
        let (width, height) = (photo.width / side, photo.height / side);
        photo.prepare_colours(0..photo.width, 0..photo.height);
        let table = srgb::table();
        let mut light = vec![[0.0_f32; 3]; width * height];
        let share = 1.0 / (side * side) as f32;
        light
            .par_chunks_mut(width.max(1))
            .enumerate()
            .for_each_init(Vec::new, |row, (y, out)| {
                let mut burnt = vec![0_usize; width];
                for dy in 0..side {
                    photo.rgb_row(y * side + dy, row);
                    let pixels = row.as_chunks::<3>().0;
                    for ((cell, block), burnt) in out
                        .iter_mut()
                        .zip(pixels.chunks_exact(side))
                        .zip(&mut burnt)
                    {
                        for pixel in block {
                            for (c, v) in cell.iter_mut().zip(pixel) {
                                *c += table[*v as usize];
                            }
                            *burnt += usize::from(pixel.iter().all(|v| *v >= BURNT));
                        }
                    }
                }
                for (cell, burnt) in out.iter_mut().zip(burnt) {
                    *cell = cell.map(|v| v * share);
                    if 2 * burnt > side * side {
                        cell[0] = f32::INFINITY;
                    }
                }
            });
        Blocks {
            side,
            width,
            height,
            light,
        }
    }
}

/// Linear light on a grid of card millimetres.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Cells across.
    pub width: usize,
    /// Cells down.
    pub height: usize,
    /// Side of a cell, mm.
    pub mm: f64,
    /// Middle of cell (0, 0), first card's frame, mm.
    pub origin: Point2<f64>,
    /// Red, green, blue, 0–1, row by row; all NaN outside the photo, on a card, or past the panel.
    pub light: Vec<[f32; 3]>,
    /// Whether a place is saturated.
    pub burnt: Vec<bool>,
}

/// An upright box in the card frame, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Least x and y.
    pub from: Point2<f64>,
    /// Largest x and y.
    pub to: Point2<f64>,
}

impl Window {
    /// Smallest box that holds all the points; `None` without points.
    pub fn around(points: impl IntoIterator<Item = Point2<f64>>) -> Option<Window> {
        let mut points = points.into_iter();
        let first = points.next()?;
        Some(points.fold(
            Window {
                from: first,
                to: first,
            },
            |w, p| Window {
                from: w.from.inf(&p),
                to: w.to.sup(&p),
            },
        ))
    }

    /// The same, larger by so many mm on every side.
    pub fn grown(&self, by: f64) -> Window {
        let d = nalgebra::Vector2::new(by, by);
        Window {
            from: self.from - d,
            to: self.to + d,
        }
    }
}

/// Cells between places worked out exactly.
const EVERY: usize = 16;

/// What a plan is drawn on.
pub struct Draft<'a> {
    /// The photo's blocks.
    pub blocks: &'a Blocks,
    /// Its scale.
    pub scale: &'a Scale,
    /// Cards with their margins, photo px: nothing is judged there.
    pub cards: &'a [Quad],
}

impl Plan {
    /// Draws the plan of a window at a cell of `mm`.
    pub fn new(draft: &Draft, window: &Window, mm: f64) -> Plan {
        let width = ((window.to.x - window.from.x) / mm).ceil().max(1.0) as usize;
        let height = ((window.to.y - window.from.y) / mm).ceil().max(1.0) as usize;
        let knots_x = width / EVERY + 2;
        let knots_y = height / EVERY + 2;
        let place = |x: usize, y: usize| {
            Mm(window.from
                + nalgebra::Vector2::new((EVERY * x) as f64 * mm, (EVERY * y) as f64 * mm))
        };
        // Photo places of the knots, in blocks.
        let side = draft.blocks.side as f64;
        let knots: Vec<Option<Point2<f64>>> = (0..knots_x * knots_y)
            .into_par_iter()
            .map(|k| draft.scale.px_from_mm(place(k % knots_x, k / knots_x)))
            .map(|px| px.map(|Px(p)| p))
            .collect();
        let mut light = vec![[f32::NAN; 3]; width * height];
        let mut burnt = vec![false; width * height];
        light
            .par_chunks_mut(width)
            .zip(burnt.par_chunks_mut(width))
            .enumerate()
            .for_each(|(y, (light, burnt))| {
                let (ky, fy) = (y / EVERY, (y % EVERY) as f64 / EVERY as f64);
                for kx in 0..knots_x - 1 {
                    let corner = |dx: usize, dy: usize| knots[(ky + dy) * knots_x + kx + dx];
                    let (Some(a), Some(b), Some(c), Some(d)) =
                        (corner(0, 0), corner(1, 0), corner(0, 1), corner(1, 1))
                    else {
                        continue;
                    };
                    let left = a + (c - a) * fy;
                    let right = b + (d - b) * fy;
                    let step = (right - left) / EVERY as f64;
                    for dx in 0..EVERY {
                        let x = kx * EVERY + dx;
                        if x >= width {
                            break;
                        }
                        let px = left + step * dx as f64;
                        if masked(draft.cards, px) {
                            continue;
                        }
                        // A block's middle lies at side * i + (side - 1) / 2.
                        let at = (px - nalgebra::Vector2::repeat((side - 1.0) / 2.0)) / side;
                        if let Some((cell, burns)) = read(draft.blocks, at) {
                            light[x] = cell;
                            burnt[x] = burns;
                        }
                    }
                }
            });
        Plan {
            width,
            height,
            mm,
            origin: window.from,
            light,
            burnt,
        }
    }

    /// Card place of a cell's middle, mm.
    pub fn mm_at(&self, x: f64, y: f64) -> Point2<f64> {
        self.origin + nalgebra::Vector2::new(x, y) * self.mm
    }

    /// Cell coordinates of a card place.
    pub fn cell_of(&self, mm: Point2<f64>) -> Point2<f64> {
        Point2::from((mm - self.origin) / self.mm)
    }

    /// Natural logarithm of the light, lifted by a little so that black stays finite; NaN as in `light`.
    pub fn log(&self) -> Vec<[f32; 3]> {
        self.light
            .par_iter()
            .map(|c| c.map(|v| (v + DARK).ln()))
            .collect()
    }
}

/// Light added before a logarithm is taken: about the read noise of a phone's sensor, a thousandth of full scale.
pub const DARK: f32 = 0.001;

fn read(blocks: &Blocks, at: Point2<f64>) -> Option<([f32; 3], bool)> {
    let (x, y) = (at.x.floor(), at.y.floor());
    if !(x >= 0.0 && y >= 0.0) {
        return None;
    }
    let (i, j) = (x as usize, y as usize);
    if i + 1 >= blocks.width || j + 1 >= blocks.height {
        return None;
    }
    let (fx, fy) = ((at.x - x) as f32, (at.y - y) as f32);
    let weights = [
        (1.0 - fx) * (1.0 - fy),
        fx * (1.0 - fy),
        (1.0 - fx) * fy,
        fx * fy,
    ];
    let first = j * blocks.width + i;
    let places = [
        first,
        first + 1,
        first + blocks.width,
        first + blocks.width + 1,
    ];
    let mut cell = [0.0; 3];
    let mut burnt = false;
    for (w, place) in weights.into_iter().zip(places) {
        let mut light = blocks.light[place];
        if light[0].is_infinite() {
            burnt = true;
            light[0] = 1.0;
        }
        for (c, v) in cell.iter_mut().zip(light) {
            *c += w * v;
        }
    }
    Some((cell, burnt))
}
