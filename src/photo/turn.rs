//! EXIF orientation: turning the stored picture upright. Blocked for the cache and parallel over bands of rows.
//!
//! Orientation 1–8 (TIFF 6.0 / EXIF 2.3, tag 274): 1 as it is; 2 mirrored left-right; 3 half turn; 4 mirrored
//! top-bottom; 5 transposed; 6 a quarter turn clockwise to display; 7 transposed along the other diagonal; 8 a quarter
//! turn anticlockwise.

use rayon::prelude::*;

/// Side of a block, px: two blocks of RGB fit the first-level cache.
const BLOCK: usize = 32;

/// Whether the orientation swaps width and height.
pub(super) fn swaps(orientation: u8) -> bool {
    orientation >= 5
}

/// The stored place of upright column `x`, row `y`; stored size in px.
#[inline]
pub(super) fn stored(
    orientation: u8,
    x: usize,
    y: usize,
    width: usize,
    height: usize,
) -> (usize, usize) {
    let (right, foot) = (width.wrapping_sub(1), height.wrapping_sub(1));
    match orientation {
        2 => (right.wrapping_sub(x), y),
        3 => (right.wrapping_sub(x), foot.wrapping_sub(y)),
        4 => (x, foot.wrapping_sub(y)),
        5 => (y, x),
        6 => (y, foot.wrapping_sub(x)),
        7 => (right.wrapping_sub(y), foot.wrapping_sub(x)),
        8 => (right.wrapping_sub(y), x),
        _ => (x, y),
    }
}

/// A picture of `N` bytes a pixel, stored row-major `width` wide, turned upright.
pub(super) fn upright<const N: usize>(stored: Vec<u8>, width: usize, orientation: u8) -> Vec<u8> {
    if stored.is_empty() || !(2..=8).contains(&orientation) {
        return stored;
    }
    let (pixels, _) = stored.as_chunks::<N>();
    let height = pixels.len() / width;
    let (out_width, out_height) = if swaps(orientation) {
        (height, width)
    } else {
        (width, height)
    };
    let mut out = vec![0; stored.len()];
    let flip_x = matches!(orientation, 2 | 3 | 7 | 8);
    let flip_y = matches!(orientation, 3 | 4 | 6 | 7);
    out.par_chunks_mut(BLOCK * out_width * N)
        .enumerate()
        .for_each(|(band, out)| {
            let (rows, _) = out.as_chunks_mut::<N>();
            let top = band * BLOCK;
            if swaps(orientation) {
                // Upright (x, y) comes from stored column y (or from the right) and stored row x (or from the foot).
                for left in (0..out_width).step_by(BLOCK) {
                    let right = (left + BLOCK).min(out_width);
                    for (dy, row) in rows.chunks_exact_mut(out_width).enumerate() {
                        let y = top + dy;
                        let column = if flip_x { out_height - 1 - y } else { y };
                        for (x, pixel) in (left..right).zip(&mut row[left..right]) {
                            let line = if flip_y { out_width - 1 - x } else { x };
                            *pixel = pixels[line * width + column];
                        }
                    }
                }
            } else {
                for (dy, row) in rows.chunks_exact_mut(out_width).enumerate() {
                    let y = top + dy;
                    let line = if flip_y { height - 1 - y } else { y };
                    let from = &pixels[line * width..(line + 1) * width];
                    if flip_x {
                        row.iter_mut()
                            .zip(from.iter().rev())
                            .for_each(|(to, from)| *to = *from);
                    } else {
                        row.copy_from_slice(from);
                    }
                }
            }
        });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stored picture
    /// ```text
    /// a b c
    /// d e f
    /// ```
    /// upright, by the wording of TIFF 6.0 section 'Orientation' (where the 0th row and 0th column are seen).
    #[test]
    fn eight_orientations_of_a_small_picture() {
        for (orientation, upright_rows) in [
            (1, "abc def"),
            (2, "cba fed"),
            (3, "fed cba"),
            (4, "def abc"),
            (5, "ad be cf"),
            (6, "da eb fc"),
            (7, "fc eb da"),
            (8, "cf be ad"),
        ] {
            let got = upright::<1>(b"abcdef".to_vec(), 3, orientation);
            let expected: Vec<u8> = upright_rows.bytes().filter(|b| *b != b' ').collect();
            assert_eq!(got, expected, "orientation {orientation}");
        }
    }

    /// Larger than a block, three bytes a pixel, against the definition pixel by pixel.
    #[test]
    fn blocks_and_bands_join() {
        let (width, height) = (BLOCK * 2 + 5, BLOCK + 3);
        let pixel = |x: usize, y: usize| [x as u8, y as u8, (x ^ y) as u8];
        let stored: Vec<u8> = (0..height)
            .flat_map(|y| (0..width).flat_map(move |x| pixel(x, y)))
            .collect();
        for orientation in 1..=8 {
            let got = upright::<3>(stored.clone(), width, orientation);
            let out_width = if swaps(orientation) { height } else { width };
            for (i, rgb) in got.as_chunks::<3>().0.iter().enumerate() {
                let (x, y) = (i % out_width, i / out_width);
                let (sx, sy) = match orientation {
                    1 => (x, y),
                    2 => (width - 1 - x, y),
                    3 => (width - 1 - x, height - 1 - y),
                    4 => (x, height - 1 - y),
                    5 => (y, x),
                    6 => (y, height - 1 - x),
                    7 => (width - 1 - y, height - 1 - x),
                    _ => (width - 1 - y, x),
                };
                assert_eq!(*rgb, pixel(sx, sy), "orientation {orientation} at {x}, {y}");
            }
        }
    }
}
