//! Grey planes the search works on: the photo itself, and the same at half its size, again and again.

use rayon::prelude::*;
use std::borrow::Cow;

/// A grey picture, 8 bit, as the file codes it; pixel centres at whole numbers.
#[derive(Debug)]
pub struct Plane<'a> {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// How many photo pixels a pixel is wide: 1, 2, 4 …
    pub step: f32,
    data: Cow<'a, [u8]>,
}

impl<'a> Plane<'a> {
    /// The photo itself; `None` when the sizes don't agree or it is too small to hold anything.
    pub fn new(data: &'a [u8], width: usize, height: usize) -> Option<Self> {
        let fits = width >= 16 && height >= 16 && width.checked_mul(height) == Some(data.len());
        fits.then_some(Plane { width, height, step: 1.0, data: Cow::Borrowed(data) })
    }

    /// The same at half size, each pixel the mean of four.
    pub fn half(&self) -> Plane<'static> {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut data = vec![0u8; width * height];
        data.par_chunks_mut(width * 16).enumerate().for_each(|(band, out)| {
            for (k, row) in out.chunks_mut(width).enumerate() {
                let y = 2 * (band * 16 + k);
                let (upper, lower) = (self.row(y), self.row(y + 1));
                for ((cell, a), b) in row.iter_mut().zip(upper.as_chunks::<2>().0).zip(lower.as_chunks::<2>().0) {
                    let sum = u16::from(a[0]) + u16::from(a[1]) + u16::from(b[0]) + u16::from(b[1]);
                    *cell = ((sum + 2) / 4) as u8;
                }
            }
        });
        Plane { width, height, step: self.step * 2.0, data: Cow::Owned(data) }
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

    /// From this plane's pixels to the photo's.
    pub fn to_photo(&self, v: f32) -> f32 {
        (v + 0.5) * self.step - 0.5
    }

    /// From the photo's pixels to this plane's.
    pub fn from_photo(&self, v: f32) -> f32 {
        (v + 0.5) / self.step - 0.5
    }
}
