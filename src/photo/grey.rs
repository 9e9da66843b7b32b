//! Plain work on a brightness plane: halving, for searches that go coarse to fine.

use rayon::prelude::*;

/// Halves an 8-bit plane each way: every pixel is the rounded mean of a 2 × 2 block. A last odd column or row is
/// left out. Gives the plane, its width and height; empty below 2 × 2.
///
/// Pixel centres: place (x, y) of the half lies at (2 x + 0.5, 2 y + 0.5) of the whole.
pub fn half(luma: &[u8], width: usize, height: usize) -> (Vec<u8>, usize, usize) {
    let (w, h) = (width / 2, height / 2);
    if w == 0 || h == 0 {
        return (Vec::new(), 0, 0);
    }
    let mut out = vec![0; w * h];
    const BAND: usize = 32;
    out.par_chunks_mut(BAND * w)
        .zip(luma.par_chunks(2 * BAND * width))
        .for_each(|(out, luma)| {
            for (out, rows) in out.chunks_exact_mut(w).zip(luma.chunks_exact(2 * width)) {
                let (upper, lower) = rows.split_at(width);
                let pairs = upper
                    .as_chunks::<2>()
                    .0
                    .iter()
                    .zip(lower.as_chunks::<2>().0);
                for (mean, ([a, b], [c, d])) in out.iter_mut().zip(pairs) {
                    *mean = ((u16::from(*a) + u16::from(*b) + u16::from(*c) + u16::from(*d) + 2)
                        / 4) as u8;
                }
            }
        });
    (out, w, h)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_is_the_mean_of_four() {
        for (width, height) in [(2, 2), (7, 5), (64, 131), (129, 66)] {
            let luma: Vec<u8> = (0..width * height).map(|i| (i * 37 % 251) as u8).collect();
            let (got, w, h) = half(&luma, width, height);
            assert_eq!(
                (w, h, got.len()),
                (width / 2, height / 2, (width / 2) * (height / 2))
            );
            for y in 0..h {
                for x in 0..w {
                    let at = |dx, dy| f64::from(luma[(2 * y + dy) * width + 2 * x + dx]);
                    let mean = (at(0, 0) + at(1, 0) + at(0, 1) + at(1, 1)) / 4.0;
                    assert_eq!(
                        got[y * w + x],
                        (mean + 0.5).floor() as u8,
                        "{x}, {y} of {width} x {height}"
                    );
                }
            }
        }
    }

    #[test]
    fn nothing_to_halve() {
        assert_eq!(half(&[1, 2, 3], 3, 1), (Vec::new(), 0, 0));
        assert_eq!(half(&[], 0, 0), (Vec::new(), 0, 0));
    }
}
