//! Where the upper edge of a sheet that lies on a bench is, across a strip: material, its side face, bench.
//!
//! Model, in linear light, along the outward normal: material with a slope of its own, at the edge a step to the side face
//! where the camera sees one, at the face's foot the bench, dark where it touches and brighter further out. All steps carry
//! the photo's own blur, which is taken from the card's printed edges ([`blur`]). How wide the face looks follows from
//! thickness and camera, so it is given, not fitted; how bright it is, is fitted, held to within a third of the step of the
//! bench beside it: a narrow face and a shifted edge are nearly the same thing.

use super::edge::normal_cdf;
use nalgebra::{SMatrix, SVector};

/// Misfit of the model against the step, one standard deviation (ours: what the rendered photos show; 0.5 to 3%).
const MISFIT: f64 = 0.02;
/// The material's own slope beside the edge, share of the step over one blur.
const SLOPE: f64 = 0.05;
/// The bench's slope: light returns quickly out of a contact shadow.
const SLOPE_BENCH: f64 = 0.25;
/// The side face against the bench beside it, share of the step.
const FACE: f64 = 0.3;
/// How far inside the material is looked at, px.
pub const INSIDE_PX: f64 = 6.0;
/// How far beyond the face's foot, px.
pub const BEYOND_PX: f64 = 2.5;

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rim {
    /// Place of the edge, px outward from the profile's middle.
    pub at: f64,
    /// Change of light at the edge, outside less material.
    pub step: f64,
    /// Change of light right at the edge, face (where one shows) less material.
    pub drop: f64,
    /// Root mean square misfit of the model, its priors among it, unit of the light.
    pub misfit: f64,
    /// Light of the material at the edge and its slope; change at the edge; slope of the bench; face less bench.
    lights: [f64; 5],
}

/// Reads the edge off a profile: values a pixel apart, outward, the middle one at 0. `face_px`: how wide the side face
/// looks, 0 or less where it is hidden; `rounds`: steps of Gauss and Newton. `None` where the profile is too short, blank, or without a step.
pub fn read(profile: &[f64], start: f64, face_px: f64, blur_px: f64, rounds: usize) -> Option<Rim> {
    let middle = (profile.len() / 2) as f64;
    let mut at = start;
    let mut found = None;
    let mut steps = None;
    for _ in 0..rounds.max(1) {
        let (round, next) = solve(profile, middle, at, face_px.max(0.0), blur_px, steps)?;
        at += round.at.clamp(-0.6 * blur_px, 0.6 * blur_px);
        if (at - start).abs() > 6.0 {
            return None;
        }
        steps = Some(next);
        found = Some(Rim { at, ..round });
    }
    found
}

/// Place of the edge in a short stretch's profile whose lights are those of the longer stretch about it, `long`: with all but
/// the place known, only the pixels on the slope itself speak, and the grain of bench and material beside it does not.
/// Arguments as for [`read`].
pub fn shifted(profile: &[f64], long: &Rim, start: f64, face_px: f64, blur_px: f64) -> Option<f64> {
    let middle = (profile.len() / 2) as f64;
    let face = face_px.max(0.0);
    let mut at = start;
    for _ in 0..4 {
        let first = (middle + at - 3.0 * blur_px).ceil();
        let last = (middle + at + face + 3.0 * blur_px).floor();
        if first < 0.0 || last as usize >= profile.len() {
            return None;
        }
        let (mut up, mut down) = (0.0, 0.0);
        for (k, y) in profile
            .iter()
            .enumerate()
            .take(last as usize + 1)
            .skip(first as usize)
        {
            let u = k as f64 - middle - at;
            let (basis, bells) = lights(u, face, blur_px);
            let model: f64 = basis.iter().zip(long.lights).map(|(b, c)| b * c).sum();
            let slope = place_slope([long.lights[2], long.lights[4]], bells);
            up += slope * (y - model);
            down += slope * slope;
        }
        let step = up / down;
        if !step.is_finite() {
            return None;
        }
        at += step.clamp(-0.6 * blur_px, 0.6 * blur_px);
        if (at - start).abs() > 6.0 {
            return None;
        }
    }
    Some(at)
}

/// What each of the lights adds at `u` px outward of the edge, and how steep edge and foot are there.
fn lights(u: f64, face: f64, blur: f64) -> ([f64; 5], [f64; 2]) {
    let bell = |z: f64| (-0.5 * z * z).exp() / (blur * (2.0 * std::f64::consts::PI).sqrt());
    let (edge, foot) = (normal_cdf(u / blur), normal_cdf((u - face) / blur));
    (
        [1.0, u * (1.0 - edge), edge, (u - face) * foot, edge - foot],
        [bell(u / blur), bell((u - face) / blur)],
    )
}

/// Place of a comb's envelope in a profile averaged over its pins: values a pixel apart, outward, the middle one at 0.
///
/// Tips are round and shade off, glint or mirror what stands beside them, so there is no clean step; but outward of
/// everything that is tip lies the bench, mostly in shadow. The place is where the light has gone [`FOOT`] of the way from the bench to the
/// outermost extreme of the tips. `start`: where to look, within `reach` px; `glint`: widest glint, px; `way`: sign
/// of the step, when known.
pub fn tips(profile: &[f64], start: f64, reach: f64, glint: f64, way: Option<f64>) -> Option<Rim> {
    let middle = (profile.len() / 2) as f64;
    let low = (middle + start - reach).max(3.0) as usize;
    let high = ((middle + start + reach).max(0.0) as usize).min(profile.len().checked_sub(5)?);
    if low >= high || profile.iter().any(|v| v.is_nan()) {
        return None;
    }
    let slope = |k: usize| profile[k + 1] - profile[k];
    let wanted = |k: usize| way.is_none_or(|w| w * slope(k) > 0.0);
    // The steepest place; one further off must be steeper.
    let worth = |k: usize| {
        let off = (k as f64 + 0.5 - middle - start) / reach;
        slope(k).abs() * (1.0 - 0.4 * off * off)
    };
    let k = (low..high)
        .filter(|k| wanted(*k))
        .max_by(|a, b| worth(*a).total_cmp(&worth(*b)))?;
    let steepest = slope(k).abs();
    // A glint on the tips rises and falls: its outer side is the end.
    let k = match way {
        None => {
            let own = slope(k);
            (k + 1..(k + 1 + glint.max(0.0) as usize).min(high + 2))
                .filter(|j| slope(*j) * own < 0.0 && slope(*j).abs() > 0.4 * steepest)
                .filter(|_| own > 0.0)
                .max_by(|a, b| slope(*a).abs().total_cmp(&slope(*b).abs()))
                .unwrap_or(k)
        }
        Some(_) => k,
    };
    let steepest = slope(k).abs();
    let sign = slope(k).signum();
    let mut top = k;
    while top > 2 && k - top < 4 && sign * slope(top - 1) > 0.1 * steepest {
        top -= 1;
    }
    let mut foot = k + 1;
    while foot + 2 < profile.len() && foot - k < 4 && sign * slope(foot) > 0.1 * steepest {
        foot += 1;
    }
    let (inside, outside) = (profile[top], profile[foot]);
    let level = outside + FOOT * (inside - outside);
    let crossing = (top..foot)
        .rev()
        .find(|j| sign * (profile[*j] - level) <= 0.0 && sign * (profile[j + 1] - level) >= 0.0)?;
    let f = (level - profile[crossing]) / (profile[crossing + 1] - profile[crossing]);
    Some(Rim {
        at: crossing as f64 + f - middle,
        step: outside - inside,
        drop: outside - inside,
        misfit: 0.0,
        lights: [inside, 0.0, outside - inside, 0.0, 0.0],
    })
}

/// How far up from the bench's light the place read lies, share of the step: about where round tips cover half of the width
/// (ours: between 0.1 and 0.55 on rendered combs).
pub const FOOT: f64 = 0.3;

fn solve(
    profile: &[f64],
    middle: f64,
    at: f64,
    face: f64,
    blur: f64,
    known: Option<[f64; 2]>,
) -> Option<(Rim, [f64; 2])> {
    let first = (middle + at - INSIDE_PX - 1.0).ceil();
    let last = (middle + at + face + BEYOND_PX + 1.0).floor();
    if first < 0.0 || last as usize >= profile.len() {
        return None;
    }
    let seen = &profile[first as usize..=last as usize];
    if seen.iter().any(|v| v.is_nan()) {
        return None;
    }
    let rows: Vec<(f64, [f64; 5], [f64; 2])> = (0..seen.len())
        .map(|k| {
            let u = first + k as f64 - middle - at;
            let weight = (u + INSIDE_PX + 1.0)
                .min(face + BEYOND_PX + 1.0 - u)
                .clamp(0.0, 1.0);
            let (basis, bells) = lights(u, face, blur);
            (weight, basis, bells)
        })
        .collect();
    let mut prior = SMatrix::<f64, 6, 6>::zeros();
    prior[(1, 1)] = (MISFIT * blur / SLOPE).powi(2);
    prior[(3, 3)] = (MISFIT * blur / SLOPE_BENCH).powi(2);
    prior[(4, 4)] = (MISFIT / FACE).powi(2);
    prior[(5, 5)] = 1e-9;
    // Levels first, where the change of place needs the steps.
    let steps = match known {
        Some(steps) => steps,
        None => {
            let c = least_squares(&rows, seen, &prior, [0.0; 2], 0.0)?;
            [c[2], c[4]]
        }
    };
    let c = least_squares(&rows, seen, &prior, steps, 1.0)?;
    let mut square = 0.0;
    let mut total = 0.0;
    for ((w, b, bells), y) in rows.iter().zip(seen) {
        let model: f64 = b.iter().zip(c.iter()).map(|(b, c)| b * c).sum::<f64>()
            + c[5] * place_slope(steps, *bells);
        square += w * (y - model).powi(2);
        total += w;
    }
    // What was held to its prior counts as misfit: a place where the face must be as bright as the material to fit is not
    // the edge.
    square += (1..5)
        .map(|k| prior[(k, k)] * c[k] * c[k])
        .filter(|v| v.is_finite())
        .sum::<f64>();
    let rim = Rim {
        at: c[5],
        step: c[2],
        drop: c[2] + if face > 0.0 { c[4] } else { 0.0 },
        misfit: (square / total.max(1e-9)).sqrt(),
        lights: [c[0], c[1], c[2], c[3], c[4]],
    };
    Some((rim, [c[2], c[4]]))
}

/// How the profile answers to the place of the edge.
fn place_slope([step, pulse]: [f64; 2], [edge, foot]: [f64; 2]) -> f64 {
    -(step * edge + pulse * (edge - foot))
}

fn least_squares(
    rows: &[(f64, [f64; 5], [f64; 2])],
    seen: &[f64],
    prior: &SMatrix<f64, 6, 6>,
    steps: [f64; 2],
    with_place: f64,
) -> Option<SVector<f64, 6>> {
    let mut normal = *prior;
    let mut side = SVector::<f64, 6>::zeros();
    for ((w, b, bells), y) in rows.iter().zip(seen) {
        let row = SVector::<f64, 6>::from_fn(|k, _| {
            if k < 5 {
                b[k]
            } else {
                with_place * place_slope(steps, *bells)
            }
        });
        normal += row * row.transpose() * *w;
        side += row * (w * y);
    }
    Some(normal.cholesky()?.solve(&side))
}

/// Blur of a clean step between two plain levels, px: the profile of a printed edge. Values a pixel apart;
/// `None` without a step.
pub fn blur(profile: &[f64]) -> Option<f64> {
    let n = profile.len();
    let middle = (n / 2) as f64;
    if n < 7 || profile.iter().any(|v| v.is_nan()) {
        return None;
    }
    // Least squares over blur and place by a grid and its refinement: two levels follow in closed form.
    let misfit = |at: f64, blur: f64| {
        let (mut s, mut sp, mut spp, mut sy, mut spy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for (k, y) in profile.iter().enumerate() {
            let p = normal_cdf((k as f64 - middle - at) / blur);
            s += 1.0;
            sp += p;
            spp += p * p;
            sy += y;
            spy += p * y;
            syy += y * y;
        }
        let det = s * spp - sp * sp;
        let (b, a) = ((s * spy - sp * sy) / det, (spp * sy - sp * spy) / det);
        (syy - a * sy - b * spy, b)
    };
    let mut best = (f64::INFINITY, 0.0, 1.0, 0.0);
    for i in -6..=6 {
        for j in 0..14 {
            let (at, blur) = (0.25 * f64::from(i), 0.45 * 1.17f64.powi(j));
            let (m, step) = misfit(at, blur);
            if m < best.0 {
                best = (m, at, blur, step);
            }
        }
    }
    let (mut da, mut db) = (0.125, 0.08);
    for _ in 0..14 {
        let (_, at, blur, _) = best;
        for (a, b) in [
            (at - da, blur),
            (at + da, blur),
            (at, blur - db * blur),
            (at, blur + db * blur),
        ] {
            let (m, step) = misfit(a, b);
            if m < best.0 {
                best = (m, a, b, step);
            }
        }
        (da, db) = (0.7 * da, 0.7 * db);
    }
    let (m, _, blur, step) = best;
    let rms = (m.max(0.0) / n as f64).sqrt();
    (step.abs() > 1e-3 && rms < 0.1 * step.abs()).then_some(blur)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Material, face of a width, bench, under one blur.
    fn profile(at: f64, face: f64, blur: f64, lights: [f64; 3]) -> Vec<f64> {
        let [material, side, bench] = lights;
        (-20..=20)
            .map(|k| {
                let u = f64::from(k) - at;
                material
                    + (side - material) * normal_cdf(u / blur)
                    + (bench - side) * normal_cdf((u - face) / blur)
            })
            .collect()
    }

    /// The place is that of the upper edge, whatever face and bench are like: to the doubt that a narrow face leaves.
    #[test]
    fn the_upper_edge_is_read() {
        for at in [-0.4, 0.0, 0.3] {
            for (face, lights, within) in [
                (0.0, [0.6, 0.2, 0.2], 0.005),
                (3.0, [0.6, 0.25, 0.1], 0.03),
                (3.0, [0.15, 0.1, 0.4], 0.08),
                (1.0, [0.6, 0.1, 0.2], 0.15),
            ] {
                let values = profile(at, face, 0.9, lights);
                let rim = read(&values, 0.0, face, 0.9, 8).expect("an edge");
                assert!(
                    (rim.at - at).abs() < within,
                    "{at} {face} {lights:?}: {}",
                    rim.at
                );
            }
        }
    }

    /// With the lights known from the longer stretch, a short one's place is read whatever lies two pixels and more beside the
    /// edge, which moves a reading of all together.
    #[test]
    fn grain_beside_the_edge_does_not_move_a_short_stretch() {
        let lights = [0.6, 0.25, 0.1];
        let long = read(&profile(0.0, 3.0, 0.9, lights), 0.0, 3.0, 0.9, 8).expect("an edge");
        for at in [-0.3, 0.0, 0.4] {
            let mut own = profile(at, 3.0, 0.9, lights);
            let place = shifted(&own, &long, 0.0, 3.0, 0.9).expect("a place");
            assert!((place - at).abs() < 0.03, "{at}: {place}");
            // A dark speck well inside the material.
            own[16] -= 0.08;
            let place = shifted(&own, &long, 0.0, 3.0, 0.9).expect("a place");
            assert!((place - at).abs() < 0.03, "{at} beside a speck: {place}");
            let all = read(&own, 0.0, 3.0, 0.9, 8).map_or(f64::INFINITY, |r| r.at);
            assert!((all - at).abs() >= 0.03, "{at}: {all}");
        }
        assert_eq!(shifted(&[0.5; 5], &long, 0.0, 3.0, 0.9), None);
    }

    #[test]
    fn nothing_is_read_where_nothing_is() {
        let short = [0.5; 9];
        assert_eq!(read(&short, 0.0, 0.0, 0.9, 5), None);
        let mut blank = profile(0.0, 0.0, 0.9, [0.6, 0.2, 0.2]);
        blank[20] = f64::NAN;
        assert_eq!(read(&blank, 0.0, 0.0, 0.9, 5), None);
        assert_eq!(tips(&blank, 0.0, 3.0, 3.0, None), None);
    }

    /// The blur of a clean step is its own, within two hundredths.
    #[test]
    fn blur_of_a_step() {
        for blur_px in [0.7, 0.95, 1.4] {
            let values: Vec<f64> = (-5..=5)
                .map(|k| 0.1 + 0.7 * normal_cdf((f64::from(k) - 0.2) / blur_px))
                .collect();
            let found = blur(&values).expect("a step");
            assert!((found - blur_px).abs() < 0.02, "{blur_px}: {found}");
        }
        assert_eq!(blur(&[0.3; 11]), None);
    }

    /// A glint on the tips does not pull the envelope inward: its outer side is read.
    #[test]
    fn the_outer_side_of_a_glint() {
        let values: Vec<f64> = (-20..=20)
            .map(|k| {
                let u = f64::from(k);
                let pins = 0.2 + 0.05 * normal_cdf(u);
                pins + 0.25 * (-0.5 * ((u + 1.5) / 1.0).powi(2)).exp()
            })
            .collect();
        let rim = tips(&values, 0.0, 3.0, 4.0, None).expect("tips");
        assert!(rim.at > -1.0 && rim.at < 1.0, "{}", rim.at);
        assert!(rim.step < 0.0);
    }
}
