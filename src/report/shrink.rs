//! A photo made smaller for showing: brightness the mean of the pixels replaced, colour that of the middle one.
//!
//! Gamma-coded values are averaged as they are: for looking at, not for measuring. Phones store colour at half size
//! anyway, and asking for one colour in six spares most of the work. The rows that fall together are summed over their
//! whole width first, which the compiler turns into wide additions.

use crate::photo::Photo;
use rayon::prelude::*;
use std::ops::Range;

/// Writes the photo, `width` × `height` pixels, into `into` (sRGB, interleaved, row-major; `3 * width * height` long,
/// what is longer or shorter stays black). A grey photo comes out grey.
pub fn shrink(photo: &Photo, into: &mut [u8], width: usize, height: usize) {
    let (columns, rows) = (spans(photo.width, width), spans(photo.height, height));
    let long = photo.width;
    into.par_chunks_mut(width * 3).zip(&rows).for_each_init(
        || (vec![0u16; long], vec![0u32; long + 1]),
        |(sums, upto), (line, rows)| {
            sums.fill(0);
            for row in rows.clone() {
                let source = photo
                    .luma
                    .get(row * long..(row + 1) * long)
                    .unwrap_or_default();
                for (sum, value) in sums.iter_mut().zip(source) {
                    *sum = sum.saturating_add(u16::from(*value));
                }
            }
            let mut total = 0;
            for (sum, upto) in sums.iter().zip(upto.iter_mut().skip(1)) {
                total += u32::from(*sum);
                *upto = total;
            }
            for (shown, span) in line.as_chunks_mut::<3>().0.iter_mut().zip(&columns) {
                let (Some(start), Some(end)) = (upto.get(span.start), upto.get(span.end)) else {
                    continue;
                };
                let mean = ((end - start) as f32 / (rows.len() * span.len()) as f32 + 0.5) as i32;
                *shown = coloured(
                    photo,
                    (span.start + span.end) / 2,
                    (rows.start + rows.end) / 2,
                    mean,
                );
            }
        },
    );
}

/// A brightness in the colour of a place of the photo.
fn coloured(photo: &Photo, x: usize, y: usize, mean: i32) -> [u8; 3] {
    if !photo.has_colour() {
        return [mean as u8; 3];
    }
    let rgb = photo.rgb_at(x, y).map(i32::from);
    let luma = photo
        .luma
        .get(y * photo.width + x)
        .map_or(mean, |luma| i32::from(*luma));
    rgb.map(|part| (part + mean - luma).clamp(0, 255) as u8)
}

/// The source pixels of each shown pixel, one at least.
fn spans(from: usize, to: usize) -> Vec<Range<usize>> {
    (0..to)
        .map(|at| {
            let start = at * from / to;
            start..((at + 1) * from / to).max(start + 1)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::Facts;

    fn photo(width: usize, height: usize, colour: bool) -> Photo {
        let value = |at: usize| (at * 37 % 251) as u8;
        Photo {
            name: String::new(),
            width,
            height,
            luma: (0..width * height).map(value).collect(),
            rgb: if colour {
                (0..3 * width * height).map(value).collect::<Vec<u8>>()
            } else {
                Vec::new()
            }
            .into(),
            facts: Facts::default(),
        }
    }

    /// Against the plain definition.
    fn check(width: usize, height: usize, to: (usize, usize), colour: bool) {
        let photo = photo(width, height, colour);
        let mut shown = vec![0; 3 * to.0 * to.1];
        shrink(&photo, &mut shown, to.0, to.1);
        let (columns, rows) = (spans(width, to.0), spans(height, to.1));
        let mut shown = shown.as_chunks::<3>().0.iter();
        for rows in &rows {
            for columns in &columns {
                let luma = |x: usize, y: usize| f64::from(photo.luma[y * width + x]);
                let all = rows
                    .clone()
                    .flat_map(|y| columns.clone().map(move |x| (x, y)));
                let sum: f64 = all.map(|(x, y)| luma(x, y)).sum();
                let mean = sum / (rows.len() * columns.len()) as f64;
                let (x, y) = (
                    (columns.start + columns.end) / 2,
                    (rows.start + rows.end) / 2,
                );
                let found = shown.next().expect("a shown pixel");
                for (found, part) in found.iter().zip(photo.rgb_at(x, y)) {
                    let wanted = if colour {
                        f64::from(part) + mean - luma(x, y)
                    } else {
                        mean
                    };
                    let found = f64::from(*found);
                    assert!(
                        (found - wanted.clamp(0.0, 255.0)).abs() <= 0.501,
                        "{found} instead of {wanted}"
                    );
                }
            }
        }
    }

    #[test]
    fn brightness_is_the_mean_of_the_pixels_replaced() {
        check(40, 30, (16, 12), true);
        check(40, 30, (16, 12), false);
        check(7, 5, (7, 5), true);
        check(100, 3, (1, 1), false);
    }
}
