//! The largest of many differences, and what noise has to do with it.
//!
//! Among many places noise picks the one where it is largest: of two sides exactly alike the largest difference is never
//! nothing. As with a line's straightness ([`crate::fit::zone_noise`]) the true differences are taken to be those found
//! times some c ≥ 0; for each draw of the noise there is one c with which the largest would have come out as it did (JCGM
//! 101, inversion of a test).

use super::PartnerDeviation;
use crate::solve::random::Random;
use crate::solve::sample::Sample;
use crate::solve::student;
use crate::units::{K95, Measured};

/// How well a side's own ± is known, as a share of it: on made-up photos the error's rms over its ± scatters by a quarter from
/// photo to photo.
const U_SHARE: f64 = 0.25;
/// Degrees of freedom that come to the same, ½ (Δu/u)⁻² (JCGM 100:2008, G.4.2).
const FREEDOM: f64 = 0.5 / (U_SHARE * U_SHARE);
/// Draws: a 2.5% quantile of 300 is good to a sixth of a standard deviation.
const DRAWS: usize = 300;
/// What an interval is to hold.
const SHARE: f64 = 0.95;

/// How many of the differences are independent, at least 3: it shows in how often they change sign, as errors alike over a
/// stretch keep theirs.
fn independent(rows: &[PartnerDeviation]) -> usize {
    let changes = rows
        .windows(2)
        .filter(|w| (w[0].d_mm >= 0.0) != (w[1].d_mm >= 0.0))
        .count();
    (changes + 1).max(3)
}

/// By how much an interval must be wider to hold at all places together what it holds at each: the largest of k independent
/// errors keeps within t(0.95^(1/k)) (Šidák 1967, from memory), Student's as each ± is itself only so well known.
pub fn together(rows: &[PartnerDeviation]) -> f64 {
    let each = SHARE.powf(1.0 / independent(rows) as f64);
    student::quantile(0.5 * (1.0 + each), FREEDOM) / K95
}

/// Size of the largest difference with its interval.
///
/// How much of it is noise rests on the noise being as large and as short as was drawn: the correction lies between nothing
/// and the whole of it, so half is made and the other half goes into the interval.
pub fn largest(rows: &[PartnerDeviation]) -> Measured {
    let found = size(rows.iter().map(|r| r.d_mm));
    let worst = rows.iter().map(|r| r.u95_mm).fold(1e-6, f64::max);
    let mut random = Random::new(0x9A27);
    let sizes = (0..DRAWS)
        .map(|_| factor(rows, &noise(rows, &mut random), found))
        .collect();
    let Some(sample) = Sample::new(sizes).filter(|_| found > 0.0) else {
        return Measured {
            value: found,
            u95: worst,
        };
    };
    let (low, high) = sample.interval(SHARE);
    let middle = sample.quantile(0.5);
    let half = 0.5 * found * (1.0 - middle).max(0.0);
    Measured {
        value: found - half,
        u95: (found * (high - middle).max(middle - low) + half).max(1e-6),
    }
}

fn size(values: impl Iterator<Item = f64>) -> f64 {
    values.map(f64::abs).fold(0.0, f64::max)
}

/// One draw of both sides' errors: independent at knots as many as there are independent differences, straight between.
fn noise(rows: &[PartnerDeviation], random: &mut Random) -> Vec<f64> {
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
        return Vec::new();
    };
    let knots = independent(rows);
    let pitch = ((last.s_mm - first.s_mm) / (knots - 1) as f64).max(1e-9);
    let scale = (1.0 + U_SHARE * random.normal()).max(0.0) / K95;
    let z: Vec<f64> = (0..=knots).map(|_| random.normal()).collect();
    rows.iter()
        .map(|row| {
            let t = ((row.s_mm - first.s_mm) / pitch).clamp(0.0, (knots - 1) as f64);
            let (k, f) = (t as usize, t.fract());
            // Straight between two independent draws loses variance midway: made good.
            let mix = (z[k] * (1.0 - f) + z[k + 1] * f) / (1.0 - f).hypot(f);
            scale * row.u95_mm * mix
        })
        .collect()
}

/// The c for which the differences times c, with this noise on them, have their largest as found; 0 where the noise alone has
/// more. The largest is convex in c, so past what noise alone has it only climbs.
fn factor(rows: &[PartnerDeviation], noise: &[f64], found: f64) -> f64 {
    let largest = |c: f64| size(rows.iter().zip(noise).map(|(r, e)| c * r.d_mm + e));
    let alone = largest(0.0);
    if alone >= found {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, 1.0 + alone / found.max(1e-12));
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if largest(middle) < found {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Differences of a known course with noise of known size, alike over 30 mm: how often the interval holds the true largest.
    fn check(course: impl Fn(f64) -> f64) -> (f64, f64) {
        let (u, n, trials) = (0.05, 300, 200);
        let mut random = Random::new(11);
        let (mut held, mut off) = (0.0, 0.0);
        for _ in 0..trials {
            let z: Vec<f64> = (0..n / 10 + 2).map(|_| random.normal()).collect();
            let rows: Vec<PartnerDeviation> = (0..n)
                .map(|i| {
                    let (k, f) = (i / 10, (i % 10) as f64 / 10.0);
                    let mix = (z[k] * (1.0 - f) + z[k + 1] * f) / (1.0 - f).hypot(f);
                    let s_mm = 3.0 * i as f64;
                    PartnerDeviation {
                        s_mm,
                        d_mm: course(s_mm) + u * mix,
                        u95_mm: K95 * u,
                    }
                })
                .collect();
            let truth = size((0..n).map(|i| course(3.0 * i as f64)));
            let got = largest(&rows);
            held += f64::from(u8::from((got.value - truth).abs() <= got.u95)) / f64::from(trials);
            off += got.u95 / f64::from(trials);
        }
        (held, off)
    }

    /// Sides alike; sides that differ by a bow; by one dent. Of 200 intervals of 95% fewer than 178 is chance once in a
    /// thousand (binomial). No interval need be wider than the largest of 31 errors of 0.05 mm is by itself, 0.16 mm at 95%
    /// (Šidák), and half of that again.
    #[test]
    fn intervals_hold_the_true_largest() {
        for (held, u95) in [
            check(|_| 0.0),
            check(|s| 0.8 * (s / 450.0 - 1.0).powi(2)),
            check(|s| 0.5 * (-((s - 300.0) / 40.0).powi(2)).exp()),
        ] {
            assert!(held >= 0.89, "{held}");
            assert!(u95 < 0.24, "{u95}");
        }
    }
}
