//! Smoothing of cells by a Gaussian, with cells that don't count left out (normalised convolution, Knutsson and Westin
//! 1993, from memory).

use image::{ImageBuffer, Luma};
use imageproc::filter::gaussian_blur_f32;

/// Smooths `value` over the cells whose weight is above zero; `sigma` in cells. NaN where no weight is within reach.
pub fn smooth(
    width: usize,
    height: usize,
    sigma: f64,
    value: impl Fn(usize) -> f32,
    weight: impl Fn(usize) -> f32,
) -> Vec<f32> {
    let n = width * height;
    let mut sum = Vec::with_capacity(n);
    let mut share = Vec::with_capacity(n);
    for i in 0..n {
        let w = weight(i);
        share.push(w);
        sum.push(if w > 0.0 { w * value(i) } else { 0.0 });
    }
    let (sum, share) = rayon::join(
        || blur(width, height, sigma, sum),
        || blur(width, height, sigma, share),
    );
    sum.into_iter()
        .zip(share)
        .map(|(s, w)| if w > 1e-4 { s / w } else { f32::NAN })
        .collect()
}

/// Smooths all cells. A wide Gaussian is smoothed on a coarser grid, which loses nothing that it would keep.
fn blur(width: usize, height: usize, sigma: f64, values: Vec<f32>) -> Vec<f32> {
    /// Widest Gaussian smoothed at full fineness, cells.
    const WIDE: f64 = 4.0;
    if sigma <= WIDE {
        return gauss(width, height, sigma, values);
    }
    let by = (sigma / 2.0).floor().clamp(2.0, 16.0) as usize;
    let (w, h) = (width.div_ceil(by), height.div_ceil(by));
    let mut small = vec![0.0_f32; w * h];
    for (y, row) in values.chunks_exact(width).enumerate() {
        for (cell, block) in small[y / by * w..].iter_mut().zip(row.chunks(by)) {
            *cell += block.iter().sum::<f32>();
        }
    }
    // Blocks cut by the border hold fewer cells; value and weight shrink alike, so their ratio stands.
    let small = gauss(
        w,
        h,
        (sigma * sigma - (by * by) as f64 / 12.0).sqrt() / by as f64,
        small,
    );
    let mut out = vec![0.0; width * height];
    let place = |i: usize, n: usize| {
        let t = ((i as f64 + 0.5) / by as f64 - 0.5).clamp(0.0, (n - 1) as f64);
        let low = (t as usize).min(n.saturating_sub(2));
        (low, (t - low as f64) as f32)
    };
    for (y, row) in out.chunks_exact_mut(width).enumerate() {
        let (j, fy) = place(y, h);
        let below = (j + 1).min(h - 1);
        for (x, v) in row.iter_mut().enumerate() {
            let (i, fx) = place(x, w);
            let right = (i + 1).min(w - 1);
            let mix = |row: usize| small[row * w + i] * (1.0 - fx) + small[row * w + right] * fx;
            *v = mix(j) * (1.0 - fy) + mix(below) * fy;
        }
    }
    out
}

fn gauss(width: usize, height: usize, sigma: f64, values: Vec<f32>) -> Vec<f32> {
    let Some(image) =
        ImageBuffer::<Luma<f32>, Vec<f32>>::from_raw(width as u32, height as u32, values)
    else {
        return Vec::new();
    };
    gaussian_blur_f32(&image, sigma.max(0.1) as f32).into_raw()
}
