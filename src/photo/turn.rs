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
pub(super) fn upright<const N: usize>(
    mut stored: Vec<u8>,
    width: usize,
    orientation: u8,
) -> Vec<u8> {
    if stored.is_empty() || !(2..=8).contains(&orientation) {
        return stored;
    }
    if !swaps(orientation) {
        flip::<N>(&mut stored, width, orientation);
        return stored;
    }
    let (pixels, _) = stored.as_chunks::<N>();
    let height = pixels.len() / width;
    let mut out = vec![0; stored.len()];
    out.par_chunks_mut(BLOCK * height * N)
        .enumerate()
        .for_each(|(band, out)| {
            let (rows, _) = out.as_chunks_mut::<N>();
            for left in (0..height).step_by(BLOCK) {
                let right = (left + BLOCK).min(height);
                for (dy, row) in rows.chunks_exact_mut(height).enumerate() {
                    for (x, pixel) in (left..right).zip(&mut row[left..right]) {
                        let (sx, sy) =
                            self::stored(orientation, x, band * BLOCK + dy, width, height);
                        *pixel = pixels[sy * width + sx];
                    }
                }
            }
        });
    out
}

/// Orientations 2–4 in place.
fn flip<const N: usize>(stored: &mut [u8], width: usize, orientation: u8) {
    let row = width * N;
    if orientation != 4 {
        stored
            .par_chunks_mut(row)
            .for_each(|row| row.as_chunks_mut::<N>().0.reverse());
    }
    if orientation != 2 {
        let rows = stored.len() / row;
        let (upper, rest) = stored.split_at_mut(rows / 2 * row);
        let lower = &mut rest[(rows % 2) * row..];
        upper
            .par_chunks_mut(row)
            .zip(lower.par_rchunks_mut(row))
            .for_each(|(a, b)| a.swap_with_slice(b));
    }
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
