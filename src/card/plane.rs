//! Grey planes the search works on: the photo itself, and the same at half its size, again and again.

use nalgebra::Point2;
use rayon::prelude::*;
use std::borrow::Cow;

/// A grey picture, 8 bit, as the file codes it; pixel centres at whole numbers.
#[derive(Debug)]
pub struct Plane<'a> {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// How many photo pixels a pixel is wide: ½, 1, 2, 4 …
    pub step: f32,
    /// Column and row of its first pixel in the whole plane of this step.
    origin: (usize, usize),
    data: Cow<'a, [u8]>,
}

/// A rectangle of the photo, px: left, top, right, bottom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Box {
    /// Left edge.
    pub left: f32,
    /// Top edge.
    pub top: f32,
    /// Right edge.
    pub right: f32,
    /// Bottom edge.
    pub bottom: f32,
}

impl Box {
    /// The box about some places, and as much again on every side.
    pub fn about(places: impl Iterator<Item = Point2<f64>> + Clone) -> Box {
        let range = |f: fn(&Point2<f64>) -> f64| {
            let (least, most) = places.clone().fold((f64::MAX, f64::MIN), |r, p| {
                (r.0.min(f(&p)), r.1.max(f(&p)))
            });
            let more = (most - least).max(24.0);
            ((least - more) as f32, (most + more) as f32)
        };
        let ((left, right), (top, bottom)) = (range(|p| p.x), range(|p| p.y));
        Box {
            left,
            top,
            right,
            bottom,
        }
    }
}

impl<'a> Plane<'a> {
    /// The photo itself; `None` when the sizes don't agree or it is too small to hold anything.
    pub fn new(data: &'a [u8], width: usize, height: usize) -> Option<Self> {
        let fits = width >= 16 && height >= 16 && width.checked_mul(height) == Some(data.len());
        fits.then_some(Plane {
            width,
            height,
            step: 1.0,
            origin: (0, 0),
            data: Cow::Borrowed(data),
        })
    }

    /// The same at half size, each pixel the mean of four.
    pub fn half(&self) -> Plane<'static> {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut data = vec![0u8; width * height];
        data.par_chunks_mut(width * 16)
            .enumerate()
            .for_each(|(band, out)| {
                for (k, row) in out.chunks_mut(width).enumerate() {
                    let y = 2 * (band * 16 + k);
                    let (upper, lower) = (self.row(y), self.row(y + 1));
                    for ((cell, a), b) in row
                        .iter_mut()
                        .zip(upper.as_chunks::<2>().0)
                        .zip(lower.as_chunks::<2>().0)
                    {
                        let sum =
                            u16::from(a[0]) + u16::from(a[1]) + u16::from(b[0]) + u16::from(b[1]);
                        *cell = ((sum + 2) / 4) as u8;
                    }
                }
            });
        Plane {
            width,
            height,
            step: self.step * 2.0,
            origin: (0, 0),
            data: Cow::Owned(data),
        }
    }

    /// One row.
    pub fn row(&self, y: usize) -> &[u8] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// Brightness between pixels (bilinear), the rim carried outward.
    pub fn at(&self, x: f32, y: f32) -> f32 {
        let x = x.clamp(0.0, (self.width - 1) as f32 - 0.001);
        let y = y.clamp(0.0, (self.height - 1) as f32 - 0.001);
        let (column, row) = (x as usize, y as usize);
        let (fx, fy) = (x - column as f32, y - row as f32);
        let at = row * self.width + column;
        let upper = &self.data[at..at + 2];
        let lower = &self.data[at + self.width..at + self.width + 2];
        let (a, b) = (f32::from(upper[0]), f32::from(upper[1]));
        let (c, d) = (f32::from(lower[0]), f32::from(lower[1]));
        let top = a + (b - a) * fx;
        let bottom = c + (d - c) * fx;
        top + (bottom - top) * fy
    }

    /// Brightness between pixels in sixteenths of a grey level, at a place in 1/256 px that must lie inside.
    ///
    /// Whole numbers throughout: this is what a corner candidate costs, and there are many.
    pub fn at_fixed(&self, x: i32, y: i32) -> i32 {
        let at = (y >> 8) as usize * self.width + (x >> 8) as usize;
        let (fx, fy) = (x & 255, y & 255);
        let pair = |at: usize| match self.data.get(at..at + 2) {
            Some(&[a, b]) => (i32::from(a) << 8) + (i32::from(b) - i32::from(a)) * fx,
            _ => 0,
        };
        let (top, bottom) = (pair(at), pair(at + self.width));
        ((top << 8) + (bottom - top) * fy) >> 12
    }

    /// The part inside a box of the photo; `None` when next to nothing is.
    pub fn crop(&self, part: Box) -> Option<Plane<'static>> {
        let column = |v: f32, most: usize| (v / self.step).clamp(0.0, most as f32) as usize;
        let (left, right) = (
            column(part.left, self.width),
            column(part.right, self.width),
        );
        let (top, bottom) = (
            column(part.top, self.height),
            column(part.bottom, self.height),
        );
        let (width, height) = (right.saturating_sub(left), bottom.saturating_sub(top));
        if width < 16 || height < 16 {
            return None;
        }
        let data = (top..bottom)
            .flat_map(|y| self.row(y)[left..right].iter().copied())
            .collect();
        let origin = (self.origin.0 + left, self.origin.1 + top);
        Some(Plane {
            width,
            height,
            step: self.step,
            origin,
            data: Cow::Owned(data),
        })
    }

    /// The same at twice the size, between pixels linear.
    pub fn double(&self) -> Plane<'static> {
        let (width, height) = (self.width * 2, self.height * 2);
        let mut data = Vec::with_capacity(width * height);
        for y in 0..height {
            let v = (y as f32 + 0.5) / 2.0 - 0.5;
            data.extend((0..width).map(|x| (self.at((x as f32 + 0.5) / 2.0 - 0.5, v) + 0.5) as u8));
        }
        let origin = (self.origin.0 * 2, self.origin.1 * 2);
        Plane {
            width,
            height,
            step: self.step / 2.0,
            origin,
            data: Cow::Owned(data),
        }
    }

    /// How many pixels it has.
    pub fn pixels(&self) -> usize {
        self.width * self.height
    }

    /// From this plane's pixels to the photo's.
    pub fn to_photo(&self, x: f32, y: f32) -> (f32, f32) {
        let carry = |v: f32, origin: usize| (v + origin as f32 + 0.5) * self.step - 0.5;
        (carry(x, self.origin.0), carry(y, self.origin.1))
    }
}
