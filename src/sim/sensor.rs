//! From light on a surface to light on a sensor: pixel area, blur, and no staircase at edges.
//!
//! Method: one look at each pixel's middle; where an edge crosses a pixel, sixteen looks (4 × 4), each of which is asked
//! for the mean over its own sixteenth. Blur and pixel area are one kernel (a Gaussian through a box), applied on that
//! finer lattice, so the picture is not aliased before it is blurred and an edge lands where it is, at any slope and
//! phase.

use crate::lens::Lens;
use nalgebra::Point2;
use rayon::prelude::*;

/// Looks along a pixel's side where an edge crosses it.
const FINE: usize = 4;
/// Rows that are worked on together.
const BAND: usize = 64;
/// Rays are solved at every eighth pixel of a row and interpolated by a cubic.
const NODE: usize = 8;

/// One look: a ray and how it changes from pixel to pixel.
#[derive(Debug, Clone, Copy)]
pub struct Sight {
    /// The ray `(x/z, y/z)`.
    pub ray: [f64; 2],
    /// Change of the ray per pixel to the right.
    pub right: [f64; 2],
    /// Change of the ray per pixel down.
    pub down: [f64; 2],
    /// Side of the square to average over, px (1 or 1/4).
    pub size_px: f64,
}

/// What a look sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Linear light.
    pub rgb: [f32; 3],
    /// An edge lies within about a pixel: look closer.
    pub sharp: bool,
}

/// Light on the sensor, linear, before vignetting and noise.
#[derive(Debug, Clone)]
pub struct Light {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Red, green, blue, row-major.
    pub rgb: Vec<[f32; 3]>,
}

/// Catches what `see` sees through a lens, blurred by `sigma_px`. `see` gets a sight and a note of its own that
/// wanders along a row with it (where the ray before met the surface, say).
///
/// Rows run in parallel; the result does not depend on how.
pub fn expose<T: Default + Copy>(
    lens: &Lens,
    sigma_px: f64,
    see: &(impl Fn(&Sight, &mut T) -> Seen + Sync),
) -> Light {
    let (width, height) = (lens.width, lens.height);
    let kernel = Kernel::new(sigma_px);
    let mut rgb = vec![[0f32; 3]; width * height];
    rgb.par_chunks_mut(width * BAND)
        .enumerate()
        .for_each(|(band, out)| {
            expose_band(lens, &kernel, band * BAND, out, see);
        });
    Light { width, height, rgb }
}

/// Blur and pixel area as weights on the fine lattice.
struct Kernel {
    /// Pixels it reaches each way.
    halo: usize,
    /// Weights of fine looks, from `-halo` pixels to the end of pixel `halo`.
    fine: Vec<f32>,
    /// Weights of whole pixels (the same, summed).
    whole: Vec<f32>,
}

impl Kernel {
    fn new(sigma_px: f64) -> Self {
        let sigma = sigma_px.max(0.2);
        let halo = (3.5 * sigma + 0.5).ceil() as usize;
        let steps = 16;
        let gauss = |d: f64| (-0.5 * (d / sigma).powi(2)).exp();
        // The box by the midpoint rule: for a smooth integrand 16 steps are exact to 1e-4 of the weight.
        let weight = |d: f64| {
            (0..steps)
                .map(|k| gauss(d + (k as f64 + 0.5) / steps as f64 - 0.5))
                .sum::<f64>()
        };
        let place = |j: usize| (j as f64 + 0.5) / FINE as f64 - 0.5 - halo as f64;
        let raw: Vec<f64> = (0..(2 * halo + 1) * FINE)
            .map(|j| weight(place(j)))
            .collect();
        let total: f64 = raw.iter().sum();
        let fine: Vec<f32> = raw.iter().map(|w| (w / total) as f32).collect();
        let whole = fine.chunks(FINE).map(|c| c.iter().sum()).collect();
        Kernel { halo, fine, whole }
    }
}

/// Rays of a row at every pixel from `-halo` to `width + halo`.
fn row_rays(lens: &Lens, y: f64, halo: usize) -> Vec<[f64; 2]> {
    let start = -(halo as f64);
    let count = lens.width + 2 * halo;
    let nodes: Vec<[f64; 2]> = (0..count / NODE + 5)
        .map(|k| {
            let ray = lens.ray(Point2::new(start + (k as f64 - 1.0) * NODE as f64, y));
            [ray.x, ray.y]
        })
        .collect();
    (0..count)
        .map(|i| {
            let (k, t) = (i / NODE, (i % NODE) as f64 / NODE as f64);
            // Lagrange's cubic through four nodes at -1, 0, 1, 2.
            let w = [
                -t * (t - 1.0) * (t - 2.0) / 6.0,
                (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
                -(t + 1.0) * t * (t - 2.0) / 2.0,
                (t + 1.0) * t * (t - 1.0) / 6.0,
            ];
            let mut ray = [0.0; 2];
            for (node, w) in nodes[k..k + 4].iter().zip(w) {
                ray[0] += w * node[0];
                ray[1] += w * node[1];
            }
            ray
        })
        .collect()
}

fn expose_band<T: Default + Copy>(
    lens: &Lens,
    kernel: &Kernel,
    first: usize,
    out: &mut [[f32; 3]],
    see: &(impl Fn(&Sight, &mut T) -> Seen + Sync),
) {
    let halo = kernel.halo;
    let across = lens.width + 2 * halo;
    let rows = out.len() / lens.width + 2 * halo;
    let rays: Vec<Vec<[f64; 2]>> = (0..rows + 2)
        .map(|r| row_rays(lens, first as f64 + r as f64 - halo as f64 - 1.0, halo + 1))
        .collect();
    let look = |r: usize, c: usize| {
        let (row, col) = (r + 1, c + 1);
        let half = |a: [f64; 2], b: [f64; 2]| [(b[0] - a[0]) / 2.0, (b[1] - a[1]) / 2.0];
        Sight {
            ray: rays[row][col],
            right: half(rays[row][col - 1], rays[row][col + 1]),
            down: half(rays[row - 1][col], rays[row + 1][col]),
            size_px: 1.0,
        }
    };
    let mut plain = vec![0f32; 3 * rows * across];
    let mut spread = Spread::new(kernel);
    for r in 0..rows {
        let mut note = T::default();
        for c in 0..across {
            let middle = look(r, c);
            let seen = see(&middle, &mut note);
            plain[3 * (r * across + c)..][..3].copy_from_slice(&seen.rgb);
            if seen.sharp {
                let mut near = note;
                for row in 0..FINE {
                    for column in 0..FINE {
                        let closer = see(&nudged(&middle, column, row), &mut near);
                        spread.put(row, column, closer.rgb, seen.rgb);
                    }
                }
                spread.add(out, lens.width, [r, c]);
            }
        }
    }
    // The plain picture, blurred across and then down; what closer looks changed has been added above.
    let columns = 3 * lens.width;
    let mut lines = vec![0f32; rows * columns];
    for (line, row) in lines.chunks_mut(columns).zip(plain.chunks(3 * across)) {
        for (p, w) in kernel.whole.iter().enumerate() {
            for (sum, v) in line.iter_mut().zip(&row[3 * p..]) {
                *sum += w * v;
            }
        }
    }
    for (r, row) in out.chunks_mut(lens.width).enumerate() {
        for (p, w) in kernel.whole.iter().enumerate() {
            for (sum, v) in row
                .as_flattened_mut()
                .iter_mut()
                .zip(&lines[(r + p) * columns..])
            {
                *sum += w * v;
            }
        }
    }
}

/// What sixteen closer looks at one pixel change, on its way into the pixels around.
struct Spread<'a> {
    kernel: &'a Kernel,
    change: [[[f32; 3]; FINE]; FINE],
    /// Each row of looks summed into the pixels across: `FINE` rows of `2 halo + 1`.
    across: Vec<[f32; 3]>,
}

impl<'a> Spread<'a> {
    fn new(kernel: &'a Kernel) -> Self {
        let across = vec![[0.0; 3]; FINE * kernel.whole.len()];
        Spread {
            kernel,
            change: Default::default(),
            across,
        }
    }

    fn put(&mut self, row: usize, column: usize, closer: [f32; 3], plain: [f32; 3]) {
        self.change[row][column] = [0, 1, 2].map(|i| closer[i] - plain[i]);
    }

    /// Adds the change of the pixel at `[row, column]` of the band with its halo to the band's pixels.
    fn add(&mut self, out: &mut [[f32; 3]], width: usize, [r, c]: [usize; 2]) {
        let size = self.kernel.whole.len();
        let fine = &self.kernel.fine;
        for (changes, sums) in self.change.iter().zip(self.across.chunks_mut(size)) {
            for (p, sum) in sums.iter_mut().enumerate() {
                *sum = [0.0; 3];
                for (change, w) in changes.iter().zip(&fine[p * FINE..]) {
                    for i in 0..3 {
                        sum[i] += w * change[i];
                    }
                }
            }
        }
        // The pixel at halo column c is seen by output columns c - p, p from 0 to 2 halo; rows likewise.
        for (pv, weights) in fine.chunks(FINE).enumerate().take(r + 1) {
            let Some(row) = out.chunks_mut(width).nth(r - pv) else {
                continue;
            };
            for p in 0..size.min(c + 1) {
                let Some(pixel) = row.get_mut(c - p) else {
                    continue;
                };
                for (sums, w) in self.across.chunks(size).zip(weights) {
                    for i in 0..3 {
                        pixel[i] += w * sums[p][i];
                    }
                }
            }
        }
    }
}

/// A look at one of a pixel's sixteenths.
fn nudged(middle: &Sight, column: usize, row: usize) -> Sight {
    let off = |k: usize| (k as f64 + 0.5) / FINE as f64 - 0.5;
    let (dx, dy) = (off(column), off(row));
    let ray = [0, 1].map(|i| middle.ray[i] + middle.right[i] * dx + middle.down[i] * dy);
    Sight {
        ray,
        size_px: 1.0 / FINE as f64,
        ..*middle
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An edge of known place and slope in a 96 x 96 picture, rendered; its place in each column by first moment.
    fn edge_error(place_px: f64, slope: f64, sigma_px: f64) -> f64 {
        let lens = Lens::pinhole(96, 96, 100.0);
        let see = |look: &Sight, _: &mut ()| {
            let (x, y) = (
                look.ray[0] * lens.fx + lens.cx,
                look.ray[1] * lens.fy + lens.cy,
            );
            let d = (y - place_px - slope * (x - lens.cx)) / (1.0 + slope * slope).sqrt();
            let cover = (0.5 + d / look.size_px).clamp(0.0, 1.0) as f32;
            Seen {
                rgb: [cover; 3],
                sharp: d.abs() < 1.3,
            }
        };
        let light = expose(&lens, sigma_px, &see);
        let mut worst: f64 = 0.0;
        for column in 0..96 {
            // A step from 0 to 1: the dark pixels' share above the bottom tells where it is.
            let sum: f64 = (0..96)
                .map(|r| f64::from(light.rgb[r * 96 + column][0]))
                .sum();
            let found = 95.5 - sum;
            worst = worst.max((found - place_px - slope * (column as f64 - lens.cx)).abs());
        }
        worst
    }

    #[test]
    fn edge_lands_where_it_is_at_any_phase_and_slope() {
        for (k, slope) in [0.0, 0.013, 0.1, -0.37].into_iter().enumerate() {
            for phase in 0..5 {
                let error = edge_error(48.0 + 0.17 * phase as f64, slope, [0.6, 0.9][k % 2]);
                // A hundredth of a pixel: a tenth of the finest bar the tool is held to.
                assert!(error < 0.01, "slope {slope}, phase {phase}: {error}");
            }
        }
    }

    #[test]
    fn blur_has_the_stated_spread() {
        // A vertical edge's profile: its derivative has the variance sigma^2 + 1/12 (pixel) + 1/192 (look).
        let lens = Lens::pinhole(64, 8, 100.0);
        let see = |look: &Sight, _: &mut ()| {
            let d = look.ray[0] * lens.fx;
            Seen {
                rgb: [(0.5 + d / look.size_px).clamp(0.0, 1.0) as f32; 3],
                sharp: d.abs() < 1.3,
            }
        };
        let light = expose(&lens, 0.8, &see);
        let row: Vec<f64> = (0..64)
            .map(|c| f64::from(light.rgb[4 * 64 + c][0]))
            .collect();
        let variance: f64 = row
            .windows(2)
            .enumerate()
            .map(|(c, w)| (w[1] - w[0]) * (c as f64 + 0.5 - lens.cx).powi(2))
            .sum();
        let want = 0.64 + 1.0 / 12.0 + 1.0 / 192.0 + 1.0 / 12.0;
        // The last twelfth: differences of neighbours are a box of one pixel more. Kernel cut at 3.5 sigma: 1%.
        assert!((variance - want).abs() < 0.015, "{variance} {want}");
    }

    #[test]
    fn rays_between_nodes_are_the_lens_own() {
        let lens = Lens {
            k1: -0.12,
            k2: 0.04,
            p2: -9e-4,
            ..Lens::pinhole(2016, 1512, 1586.0)
        };
        let row = row_rays(&lens, 3.0, 4);
        for i in (0..row.len()).step_by(13) {
            let ray = lens.ray(Point2::new(i as f64 - 4.0, 3.0));
            let miss = (ray.x - row[i][0]).hypot(ray.y - row[i][1]) * lens.fx;
            assert!(miss < 1e-4, "{i}: {miss} px");
        }
    }
}
