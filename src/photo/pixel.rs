//! Pixel arithmetic of intake: YCbCr to RGB as libjpeg does it, inks, brightness of RGB. Row-parallel.

use rayon::prelude::*;

/// Rows handed to one worker at a time.
const BAND: usize = 64;

/// Turns interleaved YCbCr into sRGB in place, and gives the Y' plane as it was stored.
///
/// JFIF 1.02: R = Y + 1.402 Cr, G = Y − 0.344136 Cb − 0.714136 Cr, B = Y + 1.772 Cb, with Cb and Cr less 128; 16-bit
/// fixed point and rounding as in libjpeg's `jdcolor.c`.
pub(super) fn split_ycc(ycc: &mut [u8], width: usize) -> Vec<u8> {
    let mut luma = vec![0; ycc.len() / 3];
    let band = BAND * width;
    ycc.par_chunks_mut(3 * band)
        .zip(luma.par_chunks_mut(band))
        .for_each(|(ycc, luma)| {
            for (pixel, y) in ycc.as_chunks_mut::<3>().0.iter_mut().zip(luma) {
                *y = pixel[0];
                *pixel = ycc_to_rgb(*pixel);
            }
        });
    luma
}

/// One pixel of YCbCr as sRGB; see [`split_ycc`].
#[inline]
pub(super) fn ycc_to_rgb([y, cb, cr]: [u8; 3]) -> [u8; 3] {
    const HALF: i32 = 1 << 15;
    let (y, cb, cr) = (i32::from(y), i32::from(cb) - 128, i32::from(cr) - 128);
    let red = y + ((91_881 * cr + HALF) >> 16);
    let green = y + ((-22_554 * cb - 46_802 * cr + HALF) >> 16);
    let blue = y + ((116_130 * cb + HALF) >> 16);
    [
        red.clamp(0, 255) as u8,
        green.clamp(0, 255) as u8,
        blue.clamp(0, 255) as u8,
    ]
}

/// Y' of one sRGB pixel: 0.299 R + 0.587 G + 0.114 B (ITU-R BT.601, JFIF 1.02), fixed point as in libjpeg's
/// `jccolor.c`.
#[inline]
pub(super) fn luma_of([r, g, b]: [u8; 3]) -> u8 {
    ((19_595 * u32::from(r) + 38_470 * u32::from(g) + 7_471 * u32::from(b) + (1 << 15)) >> 16) as u8
}

/// The Y' plane of interleaved sRGB.
pub(super) fn luma_plane(rgb: &[u8], width: usize) -> Vec<u8> {
    let mut luma = vec![0; rgb.len() / 3];
    let band = BAND * width;
    rgb.par_chunks(3 * band)
        .zip(luma.par_chunks_mut(band))
        .for_each(|(rgb, luma)| {
            for (pixel, y) in rgb.as_chunks::<3>().0.iter().zip(luma) {
                *y = luma_of(*pixel);
            }
        });
    luma
}

/// a × b / 255, rounded.
#[inline]
fn times(a: u8, b: u8) -> u8 {
    ((u32::from(a) * u32::from(b) + 127) / 255) as u8
}

/// Interleaved CMYK, as light that passes each ink (255 = no ink), as sRGB: the plain product, no colour management.
pub(super) fn inks_to_rgb(light: &[u8], width: usize) -> Vec<u8> {
    let mut rgb = vec![0; light.len() / 4 * 3];
    let band = BAND * width;
    light
        .par_chunks(4 * band)
        .zip(rgb.par_chunks_mut(3 * band))
        .for_each(|(light, rgb)| {
            for ([c, m, y, k], pixel) in light
                .as_chunks::<4>()
                .0
                .iter()
                .zip(rgb.as_chunks_mut::<3>().0)
            {
                *pixel = [times(*c, *k), times(*m, *k), times(*y, *k)];
            }
        });
    rgb
}

/// A value of opacity `alpha` (255 = solid) over white.
#[inline]
pub(super) fn over_white(value: u8, alpha: u8) -> u8 {
    times(value, alpha) + (255 - alpha)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From memory of JFIF 1.02 and worked out by hand from its equations: pure colours and greys.
    #[test]
    fn converts_known_colours() {
        for (ycc, rgb) in [
            ([0, 128, 128], [0, 0, 0]),
            ([255, 128, 128], [255, 255, 255]),
            ([128, 128, 128], [128, 128, 128]),
            ([76, 85, 255], [254, 0, 0]),
            ([150, 44, 21], [0, 255, 1]),
            ([29, 255, 107], [0, 0, 254]),
        ] {
            assert_eq!(ycc_to_rgb(ycc), rgb, "{ycc:?}");
            let y = f64::from(luma_of(rgb));
            assert!(
                (y - f64::from(ycc[0])).abs() <= 1.0,
                "{rgb:?} has brightness {y}"
            );
        }
    }

    /// The fixed point stays within rounding of the equations in f64, over a grid of all three channels.
    #[test]
    fn fixed_point_is_the_equation() {
        for y in (0..=255).step_by(5) {
            for cb in (0..=255).step_by(3) {
                for cr in (0..=255).step_by(3) {
                    let (fy, fb, fr) = (f64::from(y), f64::from(cb) - 128.0, f64::from(cr) - 128.0);
                    let exact = [
                        fy + 1.402 * fr,
                        fy - 0.344136 * fb - 0.714136 * fr,
                        fy + 1.772 * fb,
                    ];
                    let got = ycc_to_rgb([y as u8, cb as u8, cr as u8]);
                    for (g, e) in got.iter().zip(exact) {
                        assert!(
                            (f64::from(*g) - e.clamp(0.0, 255.0)).abs() <= 0.51,
                            "{y} {cb} {cr}: {got:?} {exact:?}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn brightness_of_grey_is_itself() {
        for v in 0..=255 {
            assert_eq!(luma_of([v, v, v]), v);
            assert_eq!(over_white(v, 255), v);
            assert_eq!(over_white(v, 0), 255);
        }
    }
}
