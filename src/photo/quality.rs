//! Whether a photo is fit to be measured at all: too dark, blown out, blurred. Cheap: a few hundred rows and columns.
//!
//! Blur is read from the steepest steps: a step's height over its steepest slope is its width, for a Gaussian blur of
//! σ px √(2π) σ = 2.5 σ px. In focus a phone gives 1.5–3 px. The sharpest tenth of the steps along rows and along
//! columns counts, the worse of the two ways: shake blurs one way only.

use rayon::prelude::*;

use super::Photo;

/// Rows and columns looked at, each way.
const LINES: usize = 160;
/// Fewer steps than this say nothing about blur.
const ENOUGH: usize = 30;
/// A step of fewer values than this may be noise.
const LEAST_STEP: u8 = 24;
/// From this width (px) on the sharpest steps a photo counts as blurred: a card's smallest readable module is 2.5 px
/// wide, and twice that of blur leaves a tenth of its contrast.
const BLURRED_PX: f64 = 5.0;
/// Values up to this are black: 0.25% of full light.
const BLACK: usize = 8;
/// Values from this on are blown out: white can't be told from whiter.
const BLOWN: usize = 250;

/// Exposure and sharpness of a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quality {
    /// Fraction of the pixels that is black (value 8 and less), 0..=1.
    pub black: f64,
    /// Fraction of the pixels that is blown out (value 250 and more), 0..=1.
    pub blown: f64,
    /// Brightness value that half of the pixels stay below, 0–255.
    pub median: u8,
    /// Brightness value that 99 of 100 pixels stay below, 0–255.
    pub bright: u8,
    /// Width of the sharpest steps, px; `None` when there are too few steps to tell.
    pub step_px: Option<f64>,
}

/// What makes a photo unfit, in the order it is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// Hardly any light.
    Dark,
    /// Mostly clipped white.
    Blown,
    /// Out of focus or shaken.
    Blurred,
}

impl Trouble {
    /// What is wrong and how to take a better photo, one line without a full stop.
    pub fn words(self) -> &'static str {
        match self {
            Trouble::Dark => {
                "the photo is almost black: turn on more light or use the flash from the side, and take it again"
            }
            Trouble::Blown => {
                "the photo is blown out to white: tap the bright panel on the phone to set the exposure, and take it again"
            }
            Trouble::Blurred => {
                "the photo is blurred: rest the phone on something, let it focus on the card, and take it again"
            }
        }
    }
}

impl Quality {
    /// The first reason why the photo can't be measured, if any. A photo with half its pixels black or blown may still
    /// hold a good card and line; these are the cases where nothing is left.
    pub fn trouble(&self) -> Option<Trouble> {
        if usize::from(self.bright) <= 4 * BLACK {
            return Some(Trouble::Dark);
        }
        if usize::from(self.median) >= BLOWN {
            return Some(Trouble::Blown);
        }
        self.step_px
            .filter(|px| *px >= BLURRED_PX)
            .map(|_| Trouble::Blurred)
    }
}

/// Looks a photo over. About 3 ms at 12 megapixels.
pub fn quality(photo: &Photo) -> Quality {
    let (width, height) = (photo.width, photo.height);
    let counts = histogram(&photo.luma, width);
    let total: usize = counts.iter().sum::<usize>().max(1);
    let share = |range: &[usize]| range.iter().sum::<usize>() as f64 / total as f64;
    let level = |part: f64| {
        let mut below = 0;
        let reached = |n: &usize| {
            below += n;
            below as f64 >= part * total as f64
        };
        counts.iter().position(reached).unwrap_or(255) as u8
    };
    let (faint, bright) = (level(0.01), level(0.99));
    let least = ((bright.saturating_sub(faint)) / 4).max(LEAST_STEP);
    let spread = |n: usize| (0..n).step_by(n.div_ceil(LINES).max(1)).collect::<Vec<_>>();
    let along_rows: Vec<f64> = spread(height)
        .into_par_iter()
        .flat_map_iter(|y| {
            step_widths(
                photo.luma[y * width..(y + 1) * width].iter().copied(),
                least,
            )
        })
        .collect();
    let along_columns: Vec<f64> = spread(width)
        .into_par_iter()
        .flat_map_iter(|x| step_widths(photo.luma.iter().skip(x).step_by(width).copied(), least))
        .collect();
    let step_px = match (sharpest(along_rows), sharpest(along_columns)) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    };
    Quality {
        black: share(&counts[..=BLACK]),
        blown: share(&counts[BLOWN..]),
        median: level(0.5),
        bright,
        step_px,
    }
}

/// How often each value occurs, over every fourth row.
fn histogram(luma: &[u8], width: usize) -> [usize; 256] {
    let mut counts = [0; 256];
    for row in luma.chunks(width.max(1)).step_by(4) {
        row.iter().for_each(|v| counts[usize::from(*v)] += 1);
    }
    counts
}

/// Widths (px) of the rising and falling runs of at least `least` values along one line.
fn step_widths(line: impl Iterator<Item = u8>, least: u8) -> Vec<f64> {
    let mut widths = Vec::new();
    let mut values = line.map(i32::from);
    let Some(mut last) = values.next() else {
        return widths;
    };
    let (mut rise, mut steepest) = (0i32, 0i32);
    let mut close = |rise: i32, steepest: i32| {
        if rise.abs() >= i32::from(least) {
            widths.push(f64::from(rise.abs()) / f64::from(steepest));
        }
    };
    for value in values {
        let slope = value - last;
        last = value;
        if slope.signum() * rise.signum() < 0 || slope == 0 {
            close(rise, steepest);
            (rise, steepest) = (slope, slope.abs());
        } else {
            rise += slope;
            steepest = steepest.max(slope.abs());
        }
    }
    close(rise, steepest);
    widths
}

/// The tenth part of the widths that is sharpest: its upper end.
fn sharpest(mut widths: Vec<f64>) -> Option<f64> {
    if widths.len() < ENOUGH {
        return None;
    }
    let tenth = widths.len() / 10;
    let (_, value, _) = widths.select_nth_unstable_by(tenth, f64::total_cmp);
    Some(*value)
}

#[cfg(test)]
mod tests {
    use super::super::Facts;
    use super::*;

    fn photo(width: usize, height: usize, value: impl Fn(f64, f64) -> f64) -> Photo {
        let luma = (0..width * height)
            .map(|i| {
                value((i % width) as f64, (i / width) as f64)
                    .round()
                    .clamp(0.0, 255.0) as u8
            })
            .collect();
        Photo {
            name: String::new(),
            width,
            height,
            luma,
            rgb: Vec::new().into(),
            facts: Facts::default(),
        }
    }

    /// A checkered board of 40 px squares from 50 to 200, its edges blurred by a Gaussian of `sx`, `sy` px.
    fn board(sx: f64, sy: f64) -> Photo {
        // A smooth square wave: the sum of blurred edges, by the logistic approximation of the normal integral.
        let wave = |t: f64, s: f64| {
            let near = (t / 40.0).round() * 40.0;
            let side = if (near / 40.0).rem_euclid(2.0) == 0.0 {
                1.0
            } else {
                -1.0
            };
            let z = (t - near + 0.21) / s;
            side * (0.851 * z).tanh()
        };
        photo(640, 480, |x, y| {
            125.0 + 75.0 * wave(x - 20.0, sx) * wave(y - 20.0, sy)
        })
    }

    #[test]
    fn step_width_follows_blur() {
        for sigma in [0.8, 1.5, 3.0] {
            let got = quality(&board(sigma, sigma)).step_px.unwrap();
            let expected = 2.507 * sigma;
            assert!(
                (got / expected - 1.0).abs() < 0.15,
                "sigma {sigma}: {got} px, expected {expected}"
            );
        }
    }

    #[test]
    fn tells_trouble() {
        assert_eq!(quality(&board(0.8, 0.8)).trouble(), None);
        assert_eq!(quality(&board(0.8, 4.0)).trouble(), Some(Trouble::Blurred));
        assert_eq!(quality(&board(4.0, 0.8)).trouble(), Some(Trouble::Blurred));
        assert_eq!(
            quality(&photo(200, 100, |x, _| x % 6.0)).trouble(),
            Some(Trouble::Dark)
        );
        assert_eq!(
            quality(&photo(200, 100, |x, _| if x < 20.0 { 90.0 } else { 255.0 })).trouble(),
            Some(Trouble::Blown)
        );
        let plain = quality(&photo(200, 100, |_, _| 120.0));
        assert_eq!(
            (plain.trouble(), plain.step_px, plain.median),
            (None, None, 120)
        );
        assert_eq!(quality(&photo(1, 1, |_, _| 120.0)).trouble(), None);
    }
}
