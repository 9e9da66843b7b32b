//! From light on the sensor to an 8-bit photo: vignetting, exposure, noise, the sRGB curve, JPEG.

use super::camera::upright_of_stored;
use super::jpeg;
use super::random::Rng;
use super::scene::{Develop, Exposure};
use super::sensor::Light;
use crate::lens::Lens;
use crate::photo::{Facts, Photo};
use rayon::prelude::*;
use std::sync::OnceLock;

/// An upright 8-bit picture, red green blue interleaved.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// `3 * width * height` bytes.
    pub rgb: Vec<u8>,
}

/// sRGB's curve (IEC 61966-2-1): linear 0..1 to 0..1.
pub fn srgb(linear: f64) -> f64 {
    if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

/// sRGB 8-bit colour as linear light.
pub fn linear(colour: [u8; 3]) -> [f64; 3] {
    colour.map(|c| {
        let v = f64::from(c) / 255.0;
        if v <= 0.040_45 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// 65536 quantiles of the normal distribution: a table instead of a logarithm for each of ten million numbers.
fn quantiles() -> &'static [f32] {
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    TABLE.get_or_init(|| {
        // Sorted draws would do; the inverse by Newton on the error function's series is exact and deterministic.
        let n = 65_536;
        let mut z = -4.5f64;
        (0..n)
            .map(|i| {
                let p = (i as f64 + 0.5) / n as f64;
                for _ in 0..50 {
                    let step = (normal_share(z) - p)
                        / ((-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt());
                    z -= step.clamp(-0.5, 0.5);
                    if step.abs() < 1e-9 {
                        break;
                    }
                }
                z as f32
            })
            .collect()
    })
}

/// Share of a standard normal below z: Abramowitz and Stegun 26.2.17 (error under 7.5e-8), from memory.
fn normal_share(z: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let poly = t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt() * poly;
    if z < 0.0 { tail } else { 1.0 - tail }
}

/// Develops a picture. Noise comes from `seed`, a stream of its own for each row.
pub fn develop(light: &Light, lens: &Lens, how: &Develop, seed: u64) -> Picture {
    let (width, height) = (light.width, light.height);
    let exposure = match how.exposure {
        Exposure::Factor(factor) => factor,
        Exposure::Auto { share, level } => auto_exposure(light, share, level),
    };
    let shimmer = shimmer(width, height, how, seed);
    let curve: Vec<u8> = (0..=65_535u32)
        .map(|i| (srgb(f64::from(i) / 65_535.0) * 255.0).round() as u8)
        .collect();
    let normal = quantiles();
    let gains = how.white_balance.map(|w| (w * exposure) as f32);
    let (read, shot) = (
        (how.read_noise * how.read_noise) as f32,
        (1.0 / how.full_well) as f32,
    );
    let mut rgb = vec![0u8; 3 * width * height];
    rgb.par_chunks_mut(3 * width)
        .enumerate()
        .for_each(|(y, row)| {
            let mut rng = Rng::new(seed, 1000 + y as u64);
            let down = (y as f64 - lens.cy) / lens.fy;
            let mut fall = 1.0;
            for (x, out) in row.chunks_exact_mut(3).enumerate() {
                let across = (x as f64 - lens.cx) / lens.fx;
                // cos to a power, as a power of 1 + tan^2; eight pixels share one value (steps under 0.3%).
                if x % 8 == 0 {
                    fall = (1.0 + across * across + down * down).powf(-how.vignetting_power / 2.0)
                        as f32;
                }
                let fine = shimmer.get(y * width + x).map_or(1.0, |v| 1.0 + v);
                let bits = rng.bits();
                for i in 0..3 {
                    let clean = (light.rgb[y * width + x][i] * gains[i] * fall * fine).max(0.0);
                    let noise =
                        (read + clean * shot).sqrt() * normal[(bits >> (16 * i)) as usize & 0xFFFF];
                    let index = ((clean + noise) * 65_535.0 + 0.5).clamp(0.0, 65_535.0) as usize;
                    out[i] = curve[index];
                }
            }
        });
    Picture { width, height, rgb }
}

/// White noise blurred as the picture is, scaled to the stated spread; empty when there is none.
fn shimmer(width: usize, height: usize, how: &Develop, seed: u64) -> Vec<f32> {
    if how.shimmer <= 0.0 {
        return Vec::new();
    }
    let reach = (3.0 * how.psf_sigma_px).ceil() as usize;
    let taps: Vec<f64> = (0..=2 * reach)
        .map(|k| (-0.5 * ((k as f64 - reach as f64) / how.psf_sigma_px).powi(2)).exp())
        .collect();
    // In both directions the spread falls by the taps' norm.
    let norm = taps.iter().map(|t| t * t).sum::<f64>();
    let taps: Vec<f32> = taps.iter().map(|t| *t as f32).collect();
    let normal = quantiles();
    let across: Vec<f32> = (0..height + 2 * reach)
        .into_par_iter()
        .flat_map_iter(|y| {
            let mut rng = Rng::new(seed, 1_000_000 + y as u64);
            let white: Vec<f32> = (0..(width + 2 * reach).div_ceil(4))
                .flat_map(|_| {
                    let bits = rng.bits();
                    [0, 16, 32, 48].map(|k| normal[(bits >> k) as usize & 0xFFFF])
                })
                .collect();
            (0..width)
                .map(|x| white[x..].iter().zip(&taps).map(|(v, t)| v * t).sum())
                .collect::<Vec<f32>>()
        })
        .collect();
    let scale = (how.shimmer / norm) as f32;
    let mut out = vec![0f32; width * height];
    out.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (k, t) in taps.iter().enumerate() {
            for (v, a) in row
                .iter_mut()
                .zip(&across[(y + k) * width..(y + k + 1) * width])
            {
                *v += a * t * scale;
            }
        }
    });
    out
}

/// Factor that brings a share of the pixels below a level.
fn auto_exposure(light: &Light, share: f64, level: f64) -> f64 {
    let mut values: Vec<f32> = light
        .rgb
        .iter()
        .step_by(37)
        .map(|c| c[0].max(c[1]).max(c[2]))
        .collect();
    if values.is_empty() {
        return 1.0;
    }
    let rank = ((values.len() as f64 * share) as usize).min(values.len() - 1);
    let (_, bright, _) = values.select_nth_unstable_by(rank, f32::total_cmp);
    level / f64::from(*bright).max(1e-4)
}

/// The picture as it is stored: turned by its EXIF orientation.
pub fn stored(picture: &Picture, orientation: u8) -> Picture {
    let (w, h) = (picture.width, picture.height);
    let (width, height) = if matches!(orientation, 6 | 8) {
        (h, w)
    } else {
        (w, h)
    };
    let mut rgb = Vec::with_capacity(picture.rgb.len());
    for y in 0..height {
        for x in 0..width {
            let (ux, uy) = upright_of_stored(x, y, w, h, orientation);
            rgb.extend_from_slice(&picture.rgb[3 * (uy * w + ux)..][..3]);
        }
    }
    Picture { width, height, rgb }
}

/// The picture turned upright again.
pub fn upright(stored: &Picture, orientation: u8) -> Picture {
    let inverse = match orientation {
        6 => 8,
        8 => 6,
        other => other,
    };
    self::stored(stored, inverse)
}

/// The photo as intake would hand it over: through JPEG when the scene says so, upright.
pub fn photo(picture: &Picture, how: &Develop, name: &str) -> Photo {
    let (luma, rgb) = match how.jpeg {
        None => (jpeg::luma(&picture.rgb), picture.rgb.clone()),
        Some(setting) => {
            let turned = stored(picture, how.orientation);
            let coded = jpeg::Coded::new(&turned, setting);
            let (luma, rgb) = coded.decoded();
            let grey: Vec<u8> = luma.iter().flat_map(|&v| [v, v, v]).collect();
            let back = |rgb: Vec<u8>| {
                upright(
                    &Picture {
                        rgb,
                        ..turned.clone()
                    },
                    how.orientation,
                )
                .rgb
            };
            (
                back(grey).chunks_exact(3).map(|c| c[0]).collect(),
                back(rgb),
            )
        }
    };
    let turned = matches!(how.orientation, 6 | 8);
    let (w, h) = (picture.width, picture.height);
    Photo {
        name: name.to_owned(),
        width: w,
        height: h,
        luma,
        rgb: rgb.into(),
        facts: Facts {
            orientation: how.orientation,
            stored_width: if turned { h } else { w },
            stored_height: if turned { w } else { h },
            chroma_halved: how.jpeg.is_some_and(|j| j.halved),
            ..Facts::default()
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_has_the_stated_strength() {
        let lens = Lens::pinhole(400, 300, 1e6);
        let light = Light {
            width: 400,
            height: 300,
            rgb: vec![[0.25; 3]; 120_000],
        };
        let how = Develop {
            exposure: Exposure::Factor(1.0),
            vignetting_power: 0.0,
            full_well: 2000.0,
            ..Develop::default()
        };
        let picture = develop(&light, &lens, &how, 5);
        let values: Vec<f64> = picture.rgb.iter().map(|&v| linear([v; 3])[0]).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let spread =
            (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt();
        // Shot noise sqrt(0.25/2000), read noise 0.0012; one 8-bit step here is 0.0047 (adds step/sqrt 12).
        let want = (0.25f64 / 2000.0 + 0.0012f64.powi(2) + 0.0047f64.powi(2) / 12.0).sqrt();
        assert!((mean - 0.25).abs() < 3e-4, "{mean}");
        assert!((spread / want - 1.0).abs() < 0.02, "{spread} {want}");
    }

    #[test]
    fn shimmer_has_the_stated_spread_and_is_blurred() {
        let how = Develop {
            shimmer: 0.05,
            psf_sigma_px: 0.8,
            ..Develop::default()
        };
        let (w, h) = (400, 300);
        let field = shimmer(w, h, &how, 3);
        let mean = |lag: usize| {
            let pairs =
                (0..h).flat_map(|y| (0..w - lag).map(move |x| (y * w + x, y * w + x + lag)));
            pairs
                .map(|(a, b)| f64::from(field[a] * field[b]))
                .sum::<f64>()
                / (h * (w - lag)) as f64
        };
        assert!((mean(0).sqrt() / 0.05 - 1.0).abs() < 0.03);
        // Autocorrelation of a Gaussian blur of standard deviation s at distance d: exp(-d^2 / 4 s^2).
        assert!((mean(1) / mean(0) - (-1.0 / (4.0 * 0.64f64)).exp()).abs() < 0.02);
    }

    #[test]
    fn turning_is_undone() {
        let rgb: Vec<u8> = (0..3 * 5 * 4).map(|v| v as u8).collect();
        let picture = Picture {
            width: 5,
            height: 4,
            rgb,
        };
        for orientation in [1, 3, 6, 8] {
            assert_eq!(
                upright(&stored(&picture, orientation), orientation),
                picture
            );
        }
    }
}
