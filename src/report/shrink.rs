//! A photo made smaller for showing, each pixel the mean of those it replaces.
//!
//! Gamma-coded values are averaged as they are: for looking at, not for measuring. Twelve megapixels are read once: the
//! rows that fall together are summed over their whole width first, which the compiler turns into wide additions.

use crate::photo::Photo;
use rayon::prelude::*;
use std::ops::Range;

/// Writes the photo, `width` × `height` pixels, into `into` (sRGB, interleaved, row-major; `3 * width * height` long,
/// what is longer or shorter stays black). A grey photo comes out grey.
pub fn shrink(photo: &Photo, into: &mut [u8], width: usize, height: usize) {
    let colour = photo.rgb.len() == 3 * photo.width * photo.height;
    let (source, channels) = if colour {
        (&photo.rgb, 3)
    } else {
        (&photo.luma, 1)
    };
    let (columns, rows) = (spans(photo.width, width), spans(photo.height, height));
    let long = photo.width * channels;
    into.par_chunks_mut(width * 3).zip(&rows).for_each_init(
        || (vec![0u16; long], vec![[0u32; 3]; photo.width + 1]),
        |(sums, upto), (line, rows)| {
            sums.fill(0);
            for row in rows.clone() {
                let source = source.get(row * long..(row + 1) * long).unwrap_or_default();
                for (sum, value) in sums.iter_mut().zip(source) {
                    *sum = sum.saturating_add(u16::from(*value));
                }
            }
            if colour {
                means::<3>(sums, upto, line, &columns, rows.len());
            } else {
                means::<1>(sums, upto, line, &columns, rows.len());
            }
        },
    );
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

/// One shown row from the sums of its source rows. `upto` is room for the sums of all pixels before each.
fn means<const CHANNELS: usize>(
    sums: &[u16],
    upto: &mut [[u32; 3]],
    line: &mut [u8],
    columns: &[Range<usize>],
    rows: usize,
) {
    let mut total = [0u32; 3];
    for (pixel, upto) in sums
        .as_chunks::<CHANNELS>()
        .0
        .iter()
        .zip(upto.iter_mut().skip(1))
    {
        for (total, value) in total.iter_mut().zip(pixel.iter().cycle()) {
            *total += u32::from(*value);
        }
        *upto = total;
    }
    for (shown, span) in line.as_chunks_mut::<3>().0.iter_mut().zip(columns) {
        let (Some(start), Some(end)) = (upto.get(span.start), upto.get(span.end)) else {
            continue;
        };
        // A division by a count of a few pixels, as a multiplication.
        let share = 1.0 / (rows * span.len()) as f32;
        for (shown, (start, end)) in shown.iter_mut().zip(start.iter().zip(end)) {
            *shown = ((end - start) as f32 * share + 0.5) as u8;
        }
    }
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
                (0..3 * width * height).map(value).collect()
            } else {
                Vec::new()
            },
            facts: Facts::default(),
        }
    }

    /// Against the plain definition.
    fn check(width: usize, height: usize, to: (usize, usize), colour: bool) {
        let photo = photo(width, height, colour);
        let mut shown = vec![0; 3 * to.0 * to.1];
        shrink(&photo, &mut shown, to.0, to.1);
        let (columns, rows) = (spans(width, to.0), spans(height, to.1));
        for (y, rows) in rows.iter().enumerate() {
            for (x, columns) in columns.iter().enumerate() {
                for channel in 0..3 {
                    let value = |x: usize, y: usize| match colour {
                        true => photo.rgb[3 * (y * width + x) + channel],
                        false => photo.luma[y * width + x],
                    };
                    let all = rows
                        .clone()
                        .flat_map(|y| columns.clone().map(move |x| (x, y)));
                    let sum: f64 = all.map(|(x, y)| f64::from(value(x, y))).sum();
                    let mean = sum / (rows.len() * columns.len()) as f64;
                    let found = f64::from(shown[3 * (y * to.0 + x) + channel]);
                    assert!((found - mean).abs() <= 0.501, "{found} instead of {mean}");
                }
            }
        }
    }

    #[test]
    fn every_pixel_is_the_mean_of_those_it_replaces() {
        check(40, 30, (16, 12), true);
        check(40, 30, (16, 12), false);
        check(7, 5, (7, 5), true);
        check(100, 3, (1, 1), false);
    }
}
