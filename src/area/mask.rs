//! Sets of cells: growing, shrinking, parts that hang together, outlines.

use image::{GrayImage, Luma};
use imageproc::contours::{BorderType, find_contours};
use imageproc::distance_transform::euclidean_squared_distance_transform;
use imageproc::region_labelling::{Connectivity, connected_components};
use nalgebra::Point2;

/// A set of cells of a grid.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mask {
    /// Cells across.
    pub width: usize,
    /// Cells down.
    pub height: usize,
    /// Row by row.
    pub cells: Vec<bool>,
}

/// Cells that hang together.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Indices of its cells, row by row.
    pub cells: Vec<usize>,
}

/// A rectangle of a grid that holds what matters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patch {
    /// Column of its first cell in the grid.
    pub x: usize,
    /// Row of its first cell in the grid.
    pub y: usize,
    /// Columns of the whole grid.
    pub across: usize,
    /// The cells in the rectangle.
    pub mask: Mask,
}

impl Patch {
    /// Index in the whole grid of a cell of the patch.
    pub fn index(&self, cell: usize) -> usize {
        (self.y + cell / self.mask.width) * self.across + self.x + cell % self.mask.width
    }
}

impl Part {
    /// The part with `margin` cells about it, as far as the grid of `width` by `height` goes.
    pub fn patch(&self, width: usize, height: usize, margin: usize) -> Patch {
        let (mut low, mut high) = ([usize::MAX; 2], [0; 2]);
        for i in &self.cells {
            for (k, v) in [i % width, i / width].into_iter().enumerate() {
                low[k] = low[k].min(v);
                high[k] = high[k].max(v);
            }
        }
        let [x, y] = low.map(|v| v.saturating_sub(margin));
        let (right, below) = (
            (high[0] + margin + 1).min(width),
            (high[1] + margin + 1).min(height),
        );
        let mut mask = Mask::new(right.saturating_sub(x), below.saturating_sub(y));
        for i in &self.cells {
            mask.cells[(i / width - y) * mask.width + i % width - x] = true;
        }
        Patch {
            x,
            y,
            across: width,
            mask,
        }
    }
}

impl Mask {
    /// The empty set.
    pub fn new(width: usize, height: usize) -> Mask {
        Mask {
            width,
            height,
            cells: vec![false; width * height],
        }
    }

    /// The cells for which `inside` holds.
    pub fn from_fn(width: usize, height: usize, inside: impl Fn(usize) -> bool) -> Mask {
        Mask {
            width,
            height,
            cells: (0..width * height).map(inside).collect(),
        }
    }

    /// How many cells.
    pub fn count(&self) -> usize {
        self.cells.iter().filter(|c| **c).count()
    }

    fn image(&self, inverted: bool) -> GrayImage {
        let cells = self
            .cells
            .iter()
            .map(|c| if *c != inverted { 255 } else { 0 })
            .collect();
        GrayImage::from_raw(self.width as u32, self.height as u32, cells).unwrap_or_default()
    }

    /// Distance of every cell's middle to the nearest cell of the set, cells; infinite when the set is empty.
    pub fn distance(&self) -> Vec<f64> {
        euclidean_squared_distance_transform(&self.image(false))
            .pixels()
            .map(|Luma([d])| if *d < 1e12 { d.sqrt() } else { f64::INFINITY })
            .collect()
    }

    /// Cells within `radius` (cells) of the set.
    pub fn grown(&self, radius: f64) -> Mask {
        if (1.0..std::f64::consts::SQRT_2).contains(&radius) {
            return self.beside(true);
        }
        let distance = self.distance();
        Mask::from_fn(self.width, self.height, |i| distance[i] <= radius)
    }

    /// Cells farther than `radius` (cells) from everything outside the set; beyond the grid counts as inside.
    pub fn shrunk(&self, radius: f64) -> Mask {
        if (1.0..std::f64::consts::SQRT_2).contains(&radius) {
            return self.beside(false);
        }
        let depth = self.depth();
        Mask::from_fn(self.width, self.height, |i| depth[i] > radius)
    }

    /// Cells that are `state`, or one of whose four neighbours is, become so.
    fn beside(&self, state: bool) -> Mask {
        let mut out = self.clone();
        let w = self.width.max(1);
        for (y, row) in self.cells.chunks(w).enumerate() {
            for (x, pair) in row.windows(2).enumerate() {
                if pair[0] != pair[1] {
                    out.cells[y * w + x] = state;
                    out.cells[y * w + x + 1] = state;
                }
            }
        }
        for i in w..self.cells.len() {
            if self.cells[i] != self.cells[i - w] {
                out.cells[i] = state;
                out.cells[i - w] = state;
            }
        }
        out
    }

    /// What is left of the set where a disc of `radius` (cells) fits into it.
    pub fn opened(&self, radius: f64) -> Mask {
        self.shrunk(radius).grown(radius)
    }

    /// The set and all gaps into which no disc of `radius` (cells) fits.
    pub fn closed(&self, radius: f64) -> Mask {
        self.grown(radius).shrunk(radius)
    }

    /// Distance of every cell's middle to the nearest cell outside the set, cells; 0 outside the set.
    pub fn depth(&self) -> Vec<f64> {
        let mut inverse = self.clone();
        inverse.cells.iter_mut().for_each(|c| *c = !*c);
        inverse.distance()
    }

    /// Cells of both.
    pub fn and(&self, other: &Mask) -> Mask {
        Mask::from_fn(self.width, self.height, |i| self.cells[i] && other.cells[i])
    }

    /// Cells of this and not of the other.
    pub fn without(&self, other: &Mask) -> Mask {
        Mask::from_fn(self.width, self.height, |i| {
            self.cells[i] && !other.cells[i]
        })
    }

    /// Cells of either.
    pub fn or(&self, other: &Mask) -> Mask {
        Mask::from_fn(self.width, self.height, |i| self.cells[i] || other.cells[i])
    }

    /// The set with its holes of up to `most` cells filled.
    pub fn filled(&self, most: usize) -> Mask {
        let mut out = self.clone();
        let mut inverse = self.clone();
        inverse.cells.iter_mut().for_each(|c| *c = !*c);
        for part in inverse.parts() {
            let border = part.cells.iter().any(|i| {
                let (x, y) = (i % self.width, i / self.width);
                x == 0 || y == 0 || x + 1 == self.width || y + 1 == self.height
            });
            if !border && part.cells.len() <= most {
                part.cells.iter().for_each(|i| out.cells[*i] = true);
            }
        }
        out
    }

    /// The parts that hang together by sides or corners, in the order of their first cells.
    pub fn parts(&self) -> Vec<Part> {
        self.connected(Connectivity::Eight)
    }

    /// The parts that hang together by sides alone.
    pub fn parts_by_sides(&self) -> Vec<Part> {
        self.connected(Connectivity::Four)
    }

    fn connected(&self, by: Connectivity) -> Vec<Part> {
        let labels = connected_components(&self.image(false), by, Luma([0]));
        let mut parts: Vec<Part> = Vec::new();
        for (i, Luma([label])) in labels.pixels().enumerate() {
            let Some(k) = (*label as usize).checked_sub(1) else {
                continue;
            };
            if parts.len() <= k {
                parts.resize(k + 1, Part { cells: Vec::new() });
            }
            parts[k].cells.push(i);
        }
        parts
    }

    /// Outer outlines of the set, in cells (a cell's middle at whole numbers), each drawn along the middles of its border
    /// cells and moved half a cell outward, so that its area is the cells' own.
    pub fn outlines(&self) -> Vec<Vec<Point2<f64>>> {
        // A rim of empty cells, so that a set that touches the border has an outline there.
        let mut image = GrayImage::new(self.width as u32 + 2, self.height as u32 + 2);
        for (i, _) in self.cells.iter().enumerate().filter(|(_, c)| **c) {
            image.put_pixel(
                (i % self.width) as u32 + 1,
                (i / self.width) as u32 + 1,
                Luma([255]),
            );
        }
        find_contours::<i32>(&image)
            .into_iter()
            .filter(|contour| contour.border_type == BorderType::Outer)
            .map(|contour| {
                let points: Vec<Point2<f64>> = contour
                    .points
                    .iter()
                    .map(|p| Point2::new(f64::from(p.x - 1), f64::from(p.y - 1)))
                    .collect();
                outward(&points, 0.5)
            })
            .collect()
    }
}

/// A closed outline moved outward by so much, whichever way it runs.
pub fn outward(points: &[Point2<f64>], by: f64) -> Vec<Point2<f64>> {
    let n = points.len();
    if n < 3 {
        // A single cell or a row of cells: a box round it.
        let Some(window) = super::plan::Window::around(points.iter().copied()) else {
            return Vec::new();
        };
        let w = window.grown(by);
        return vec![
            w.from,
            Point2::new(w.to.x, w.from.y),
            w.to,
            Point2::new(w.from.x, w.to.y),
        ];
    }
    let turn = if super::repair::area(points) >= 0.0 {
        1.0
    } else {
        -1.0
    };
    (0..n)
        .map(|i| {
            let before = points[(i + n - 1) % n];
            let after = points[(i + 1) % n];
            let along = after - before;
            let length = along.norm();
            if length < 1e-9 {
                return points[i];
            }
            points[i] + nalgebra::Vector2::new(along.y, -along.x) * (turn * by / length)
        })
        .collect()
}

/// The cells of a grid whose middles lie in a closed outline (cells, even-odd rule).
pub fn inside(width: usize, height: usize, outline: &[Point2<f64>]) -> Mask {
    let mut mask = Mask::new(width, height);
    let n = outline.len();
    let mut crossings = Vec::new();
    for y in 0..height {
        crossings.clear();
        let at = y as f64;
        for i in 0..n {
            let (a, b) = (outline[i], outline[(i + 1) % n]);
            if (a.y <= at) != (b.y <= at) {
                crossings.push(a.x + (at - a.y) / (b.y - a.y) * (b.x - a.x));
            }
        }
        crossings.sort_by(f64::total_cmp);
        for pair in crossings.chunks_exact(2) {
            let from = pair[0].ceil().max(0.0) as usize;
            let to = (pair[1].floor() + 1.0).clamp(0.0, width as f64) as usize;
            for x in from..to.max(from).min(width) {
                mask.cells[y * width + x] = true;
            }
        }
    }
    mask
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::area::repair::area;

    /// scikit-image's `regionprops` and scipy's distance transform of the same cells (`fixtures/area/scikit.py`).
    #[test]
    fn parts_and_depths_are_those_of_scikit_image_and_scipy() {
        let reference: serde_json::Value =
            serde_json::from_str(include_str!("../../fixtures/area/scikit.json")).unwrap();
        let (w, h) = (64, 48);
        let mask = Mask::from_fn(w, h, |i| wave(i % w, i / w) > 0.4);
        let parts = mask.parts();
        let wanted = reference["parts"].as_array().unwrap();
        assert_eq!(parts.len(), wanted.len());
        for (part, wanted) in parts.iter().zip(wanted) {
            assert_eq!(part.cells.len() as u64, wanted["area"].as_u64().unwrap());
            let n = part.cells.len() as f64;
            let mean = |v: fn(usize, usize) -> usize| {
                part.cells.iter().map(|i| v(*i, 64)).sum::<usize>() as f64 / n
            };
            assert!((mean(|i, w| i % w) - wanted["centroid"][0].as_f64().unwrap()).abs() < 1e-9);
            assert!((mean(|i, w| i / w) - wanted["centroid"][1].as_f64().unwrap()).abs() < 1e-9);
        }
        let depth = mask.depth();
        assert!(
            (depth.iter().sum::<f64>() - reference["depth_sum"].as_f64().unwrap()).abs() < 1e-6
        );
        let most = depth.iter().copied().fold(0.0, f64::max);
        assert!((most - reference["depth_max"].as_f64().unwrap()).abs() < 1e-9);
    }

    /// scipy's `gaussian_filter` at the same places; its kernel is cut at six standard deviations, ours at two or three, which
    /// is worth a hundredth of the range here.
    #[test]
    fn smoothing_is_that_of_scipy() {
        let reference: serde_json::Value =
            serde_json::from_str(include_str!("../../fixtures/area/scikit.json")).unwrap();
        let soft = crate::area::soft::smooth(64, 48, 2.0, |i| wave(i % 64, i / 64) as f32, |_| 1.0);
        // Away from the border: scipy repeats the edge, normalised smoothing leaves out what is not there.
        for row in reference["soft"].as_array().unwrap().iter().take(3) {
            let at = |k: usize| row[k].as_u64().unwrap() as usize;
            let got = f64::from(soft[at(1) * 64 + at(0)]);
            assert!(
                (got - row[2].as_f64().unwrap()).abs() < 0.03,
                "{got} for {row}"
            );
        }
    }

    fn wave(x: usize, y: usize) -> f64 {
        let (x, y) = (x as f64, y as f64);
        (0.31 * x + 0.05 * y).sin() + (0.23 * y - 0.08 * x).cos()
    }

    /// A disc's area is πr², its outline's as well (a rasterised circle: within its perimeter times half a cell).
    #[test]
    fn a_disc_keeps_its_area_through_its_outline() {
        let r = 15.3_f64;
        let disc = Mask::from_fn(50, 50, |i| {
            ((i % 50) as f64 - 25.0).hypot((i / 50) as f64 - 24.0) < r
        });
        let outline = &disc.outlines()[0];
        let wanted = std::f64::consts::PI * r * r;
        assert!(
            (area(outline).abs() / wanted - 1.0).abs() < 0.03,
            "{}",
            area(outline)
        );
        assert_eq!(inside(50, 50, outline), disc);
        assert_eq!(
            disc.opened(5.0),
            disc.opened(5.0).opened(5.0),
            "opening twice is opening once"
        );
        assert!(disc.shrunk(3.0).grown(3.0).without(&disc).count() == 0);
    }
}
