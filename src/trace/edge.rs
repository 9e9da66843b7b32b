//! Where an edge lies across a strip, to a few hundredths of a pixel.
//!
//! Model, in linear light, in a short window about the edge: shade × step. Each side has its own level and its own slope
//! (flanks beside a crest change shade within a few pixels of it), joined by a Gaussian-blurred step
//! Φ((t - x)/s) whose blur s is one for the whole line. Level, slopes and place are least squares at each station, a few
//! columns averaged along the present course; the course is re-estimated until it rests. The place of a blurred step has
//! the error bound σ/A · √(2 s √π) (levels known) for white noise; the unit test holds the estimator to it.
//!
//! What the noise of the panel itself (mottle, patchy coat) does to the place is measured, not assumed: the same
//! estimator is run on the texture beside the edge, where there is none ([`phantom`]).

use super::hue::{Grey, Light, lights, seen_in, sides};
use super::smooth::course;
use super::strip::Strip;
use nalgebra::{SMatrix, SVector};

/// How the edge is looked for.
#[derive(Debug, Clone)]
pub struct EdgeOptions {
    /// Photo pixels a row covers.
    pub pitch_px: f64,
    /// Columns of one station.
    pub station: usize,
    /// Columns of a station while lights and blurs are tried: more where the edge is faint.
    pub wide: usize,
    /// Shortest wave that is kept when the course is smoothed, in stations.
    pub shortest: f64,
    /// Blurs tried, px.
    pub blurs_px: Vec<f64>,
    /// Whether the file stores colour at half size.
    pub chroma_halved: bool,
}

/// The edge at the stations.
#[derive(Debug, Clone)]
pub struct Located {
    /// Column in the middle of each station.
    pub column: Vec<f64>,
    /// Row of the edge, smoothed course (rows of the strip, with fraction).
    pub course: Vec<f64>,
    /// Reading of each station less the course, rows.
    pub residual: Vec<f64>,
    /// Weight each reading kept: 0 when it was not usable or rejected.
    pub weight: Vec<f64>,
    /// Standard deviation of the readings about the course, rows.
    pub sd: f64,
    /// What the texture beside the edge alone does to a reading, rows: one series a side and distance.
    pub phantoms: Vec<Vec<f64>>,
    /// Light it was found in.
    pub light: Light,
    /// Blur of the step, px.
    pub blur_px: f64,
    /// Step, below less above, over the scatter of the pixels about the model.
    pub contrast: f64,
    /// Rms misfit of the model relative to the step.
    pub misfit: f64,
    /// How much neighbouring wide stations jump, px: what an edge that is hardly there shows.
    pub rough_px: f64,
    /// Systematic doubt of the place, rows: how far the lights that see the edge nearly as well disagree along the line.
    pub disagree: Vec<f64>,
}

/// A flank's slope beside the edge: 4% of the step a pixel, one standard deviation (shade of a rounded crest; ours, no source)
/// against a misfit of 2% of the step.
const SLOPE_PRIOR: f64 = 0.04;
const MISFIT_PRIOR: f64 = 0.02;

/// Finds the edge near `start` (row of each column) over the usable columns; `None` when there is no edge.
pub fn locate(strip: &Strip, start: &[f64], usable: &[bool], options: &EdgeOptions) -> Option<Located> {
    let near = 4.0 / options.pitch_px;
    let far = 11.0 / options.pitch_px;
    let both = sides(strip, start, usable, near, far)?;
    let mut tried: Vec<Tried> = Vec::new();
    for light in lights(&both) {
        let grey = seen_in(strip, &light);
        if let Some(t) = try_light(&grey, light, start, usable, options) {
            tried.push(t);
        }
    }
    tried.sort_by(|a, b| a.badness.total_cmp(&b.badness));
    let best = tried.first()?;
    let grey = seen_in(strip, &best.light);
    let mut found = refine(&grey, best, usable, options)?;
    found.rough_px = best.rough_px;
    found.disagree = disagreement(&tried, found.course.len());
    Some(found)
}

#[derive(Debug, Clone)]
struct Tried {
    light: Light,
    blur_px: f64,
    misfit: f64,
    badness: f64,
    rough_px: f64,
    course: Vec<f64>,
    steps: Vec<f64>,
    stations: Vec<f64>,
}

/// One light: the blur that fits best, and how smoothly the edge then runs.
fn try_light(
    grey: &Grey,
    light: Light,
    start: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
) -> Option<Tried> {
    let blurs = &options.blurs_px;
    let mut tried: Vec<Option<Option<Tried>>> = vec![None; blurs.len()];
    let mut at = blurs.len() / 3;
    // Misfit has one minimum over the blur: walk down to it.
    loop {
        let mut next = at;
        for k in [at, at.saturating_sub(1), (at + 1).min(blurs.len().saturating_sub(1))] {
            let one = tried
                .get_mut(k)?
                .get_or_insert_with(|| try_blur(grey, light, start, usable, options, blurs[k]));
            let misfit = one.as_ref().map_or(f64::INFINITY, |t| t.misfit);
            let least = tried[next].as_ref().and_then(|t| t.as_ref()).map_or(f64::INFINITY, |t| t.misfit);
            if misfit < least {
                next = k;
            }
        }
        if next == at {
            break;
        }
        at = next;
    }
    tried.swap_remove(at).flatten()
}

fn try_blur(
    grey: &Grey,
    light: Light,
    start: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
    blur_px: f64,
) -> Option<Tried> {
    let wide = EdgeOptions { station: options.wide, ..options.clone() };
    let cutoff = (options.shortest * options.station as f64 / options.wide as f64).max(4.0);
    let window = Window::new(blur_px, options.pitch_px);
    let mut path = start.to_vec();
    let mut readings = Vec::new();
    for rounds in [5, 3] {
        readings = read_all(grey, &path, usable, &wide, &window, None, rounds);
        let (x, w) = split(&readings);
        let smooth = course(&x, &w, cutoff, 4)?;
        path = spread_out(&smooth.value, wide.station, grey.columns);
    }
    let (x, w) = split(&readings);
    let smooth = course(&x, &w, cutoff, 4)?;
    let mut misfits: Vec<f64> =
        readings.iter().filter(|r| r.good).map(|r| r.misfit / r.step.abs().max(1e-6)).collect();
    let share = misfits.len() as f64 / readings.len().max(1) as f64;
    if misfits.len() < 4 {
        return None;
    }
    let middle = misfits.len() / 2;
    let misfit = *misfits.select_nth_unstable_by(middle, f64::total_cmp).1;
    let rough = roughness(&x, &w) * options.pitch_px;
    // A misfit of the model displaces the edge by about that share of the blur; three times, to be on the safe side.
    let badness = rough.hypot(3.0 * misfit * blur_px.max(1.0)) / share.max(0.05);
    let steps: Vec<f64> = readings.iter().map(|r| r.step).collect();
    let steps = course(&steps, &w, 12.0, 4)?.value;
    Some(Tried {
        light,
        blur_px,
        misfit,
        badness,
        rough_px: rough,
        course: path,
        steps: spread_out(&steps, wide.station, grey.columns),
        stations: smooth.value,
    })
}

/// Standard deviation of one reading from second differences of neighbours (insensitive to shape).
fn roughness(x: &[f64], w: &[f64]) -> f64 {
    let mut d: Vec<f64> = (1..x.len().saturating_sub(1))
        .filter(|i| w[i - 1] > 0.0 && w[*i] > 0.0 && w[i + 1] > 0.0)
        .map(|i| (x[i + 1] - 2.0 * x[i] + x[i - 1]).abs())
        .collect();
    if d.len() < 4 {
        return f64::INFINITY;
    }
    let middle = d.len() / 2;
    1.4826 * *d.select_nth_unstable_by(middle, f64::total_cmp).1 / 6f64.sqrt()
}

/// Final readings in the chosen light, course and texture.
fn refine(grey: &Grey, tried: &Tried, usable: &[bool], options: &EdgeOptions) -> Option<Located> {
    let window = Window::new(tried.blur_px, options.pitch_px);
    let mut path = tried.course.clone();
    let mut readings = Vec::new();
    let mut smooth = None;
    for _ in 0..3 {
        readings = read_all(grey, &path, usable, options, &window, Some(&tried.steps), 1);
        let (x, w) = split(&readings);
        let c = course(&x, &w, options.shortest, 5)?;
        path = spread_out(&c.value, options.station, grey.columns);
        smooth = Some(c);
    }
    let smooth = smooth?;
    let column: Vec<f64> =
        (0..readings.len()).map(|i| (i as f64 + 0.5) * options.station as f64 - 0.5).collect();
    let residual: Vec<f64> = readings.iter().zip(&smooth.value).map(|(r, c)| r.row - c).collect();
    let good: Vec<&Reading> = readings.iter().filter(|r| r.good).collect();
    let steps = good.iter().map(|r| r.step).sum::<f64>() / good.len().max(1) as f64;
    let misfit = (good.iter().map(|r| r.misfit * r.misfit).sum::<f64>() / good.len().max(1) as f64).sqrt();
    Some(Located {
        column,
        residual,
        weight: smooth.weight,
        sd: smooth.sd,
        phantoms: phantoms(grey, &path, usable, options, &window, &readings),
        light: tried.light,
        blur_px: tried.blur_px,
        contrast: steps.abs() / misfit.max(1e-9),
        misfit: misfit / steps.abs().max(1e-9),
        rough_px: 0.0,
        disagree: Vec::new(),
        course: smooth.value,
    })
}

/// How far the next best lights see the course from the best one, at each of `n` stations; level differences count half.
fn disagreement(tried: &[Tried], n: usize) -> Vec<f64> {
    let mut out = vec![0.0; n];
    let Some(best) = tried.first() else { return out };
    let others: Vec<&Tried> =
        tried[1..].iter().filter(|t| t.badness < 2.0 * best.badness && t.stations.len() == best.stations.len()).collect();
    if others.is_empty() {
        return out;
    }
    let m = best.stations.len();
    let off: Vec<Vec<f64>> = others
        .iter()
        .map(|t| {
            let mut d: Vec<f64> = t.stations.iter().zip(&best.stations).map(|(a, b)| a - b).collect();
            let mut sorted = d.clone();
            sorted.sort_by(f64::total_cmp);
            let level = sorted[m / 2];
            d.iter_mut().for_each(|v| *v -= level);
            d
        })
        .collect();
    for (i, o) in out.iter_mut().enumerate() {
        let k = (i * m / n.max(1)).min(m - 1);
        *o = (off.iter().map(|d| d[k] * d[k]).sum::<f64>() / off.len() as f64).sqrt();
    }
    out
}

/// One station's reading.
#[derive(Debug, Clone, Copy)]
struct Reading {
    row: f64,
    step: f64,
    misfit: f64,
    good: bool,
}

fn split(readings: &[Reading]) -> (Vec<f64>, Vec<f64>) {
    readings.iter().map(|r| (r.row, if r.good { 1.0 } else { 0.0 })).unzip()
}

/// Values at stations spread to columns.
fn spread_out(stations: &[f64], station: usize, columns: usize) -> Vec<f64> {
    let last = stations.len().saturating_sub(1);
    (0..columns)
        .map(|c| {
            let at = ((c as f64 + 0.5) / station as f64 - 0.5).clamp(0.0, last as f64);
            let i = (at.floor() as usize).min(last.saturating_sub(1));
            let f = at - i as f64;
            if last == 0 { stations[0] } else { stations[i] * (1.0 - f) + stations[i + 1] * f }
        })
        .collect()
}

/// Blur, rows a pixel and the window that follows from them.
struct Window {
    blur: f64,
    half: f64,
    pitch_px: f64,
}

impl Window {
    fn new(blur_px: f64, pitch_px: f64) -> Window {
        // Both plateaus must show beyond the blurred step: three blurs and at least 4.5 px.
        let half_px = (3.0 * blur_px + 1.5).max(4.5);
        Window { blur: blur_px / pitch_px, half: half_px / pitch_px, pitch_px }
    }
}

fn read_all(
    grey: &Grey,
    path: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
    window: &Window,
    steps: Option<&[f64]>,
    rounds: usize,
) -> Vec<Reading> {
    use rayon::prelude::*;
    let stations = grey.columns / options.station.max(1);
    let reach = (window.half + 8.0 / options.pitch_px).ceil() as i64;
    (0..stations)
        .into_par_iter()
        .with_min_len(32)
        .map(|k| {
            let columns = k * options.station..(k + 1) * options.station;
            let at = (k * options.station + options.station / 2).min(path.len() - 1);
            let middle = path[at];
            match profile(grey, path, usable, columns, reach) {
                Some(p) => read(&p, reach as f64, middle, window, steps.map(|s| s[at]), rounds),
                None => Reading { row: middle, step: 0.0, misfit: 0.0, good: false },
            }
        })
        .collect()
}

/// Mean profile of some columns, straightened along the path: values at offsets -reach..=reach rows; NaN off the strip.
fn profile(
    grey: &Grey,
    path: &[f64],
    usable: &[bool],
    columns: std::ops::Range<usize>,
    reach: i64,
) -> Option<Vec<f64>> {
    let mut sum = vec![0.0; (2 * reach + 1) as usize];
    let total = columns.len();
    let mut n = 0;
    for column in columns {
        if !usable[column] {
            continue;
        }
        let values = &grey.values[column * grey.rows..(column + 1) * grey.rows];
        let base = path[column].floor();
        let f = path[column] - base;
        for (k, s) in sum.iter_mut().enumerate() {
            let row = base as i64 + k as i64 - reach;
            if row >= 0 && row + 1 < grey.rows as i64 {
                let (a, b) = (values[row as usize] as f64, values[row as usize + 1] as f64);
                *s += a * (1.0 - f) + b * f;
            } else {
                *s = f64::NAN;
            }
        }
        n += 1;
    }
    if 2 * n <= total {
        return None;
    }
    sum.iter_mut().for_each(|s| *s /= n as f64);
    Some(sum)
}

/// Gauss–Newton on the step's place with levels and slopes eliminated at each round; slopes are held to a few percent of the
/// step a pixel. With a known size of step the single round is linear in the readings, so that faint edges average out.
fn read(
    profile: &[f64],
    reach: f64,
    middle: f64,
    window: &Window,
    known: Option<f64>,
    rounds: usize,
) -> Reading {
    let mut x = 0.0;
    let mut step = known.unwrap_or_else(|| plateau_step(profile, reach, window));
    let mut misfit = f64::INFINITY;
    let mut ok = true;
    for _ in 0..rounds.max(1) {
        match solve_once(profile, reach, x, step, window) {
            Some(s) => {
                let most = if known.is_some() { 6.0 * window.half } else { 0.8 * window.blur };
                x += s.shift.clamp(-most, most);
                if known.is_none() {
                    step = if s.step.abs() > 1e-4 { s.step } else { 1e-4 };
                }
                misfit = s.misfit;
            }
            None => {
                ok = false;
                break;
            }
        }
    }
    let good = ok && (known.is_some() || x.abs() < reach - window.half) && step > 0.15 && misfit.is_finite();
    Reading { row: middle + if ok { x } else { 0.0 }, step, misfit, good }
}

struct Step {
    shift: f64,
    step: f64,
    misfit: f64,
}

fn plateau_step(profile: &[f64], reach: f64, window: &Window) -> f64 {
    let (mut a, mut na, mut b, mut nb) = (0.0, 0.0, 0.0, 0.0);
    for (k, v) in profile.iter().enumerate() {
        let o = k as f64 - reach;
        if v.is_nan() || o.abs() > window.half || o.abs() < window.blur {
            continue;
        }
        if o < 0.0 {
            a += v;
            na += 1.0;
        } else {
            b += v;
            nb += 1.0;
        }
    }
    if na > 0.0 && nb > 0.0 { b / nb - a / na } else { 0.0 }
}

fn solve_once(profile: &[f64], reach: f64, x: f64, step: f64, window: &Window) -> Option<Step> {
    let mut normal = SMatrix::<f64, 5, 5>::zeros();
    let mut side = SVector::<f64, 5>::zeros();
    let mut weights = 0.0;
    let first = (x + reach - window.half - 1.0).ceil().max(0.0) as usize;
    let last = ((x + reach + window.half + 1.0).floor() as usize).min(profile.len().saturating_sub(1));
    let rows = |k: usize| {
        let o = k as f64 - reach - x;
        let weight = (window.half + 1.0 - o.abs()).clamp(0.0, 1.0);
        let z = o / window.blur;
        let phi = normal_cdf(z);
        let bell = (-0.5 * z * z).exp() / (window.blur * (2.0 * std::f64::consts::PI).sqrt());
        (weight, SVector::<f64, 5>::new(1.0, phi, o * (1.0 - phi), o * phi, -step * bell))
    };
    for k in first..=last {
        let y = profile[k];
        if y.is_nan() {
            return None;
        }
        let (w, b) = rows(k);
        normal += b * b.transpose() * w;
        side += b * (w * y);
        weights += w;
    }
    if weights < 6.0 {
        return None;
    }
    let per_row = MISFIT_PRIOR / (SLOPE_PRIOR * window.pitch_px);
    normal[(2, 2)] += per_row * per_row;
    normal[(3, 3)] += per_row * per_row;
    normal[(4, 4)] += 1e-9;
    let c = normal.cholesky()?.solve(&side);
    let mut square = 0.0;
    for (k, y) in profile.iter().enumerate().take(last + 1).skip(first) {
        let (w, b) = rows(k);
        let miss = y - b.dot(&c);
        square += w * miss * miss;
    }
    Some(Step { shift: c[4], step: c[1], misfit: (square / weights).sqrt() })
}

/// Φ, by the complementary error function of W. J. Cody's form as in Numerical Recipes (erfcc), error below 1.2e-7.
pub fn normal_cdf(z: f64) -> f64 {
    let x = z.abs() * std::f64::consts::FRAC_1_SQRT_2;
    let t = 1.0 / (1.0 + 0.5 * x);
    let tail = t
        * (-x * x - 1.26551223
            + t * (1.00002368
                + t * (0.37409196
                    + t * (0.09678418
                        + t * (-0.18628806
                            + t * (0.27886807
                                + t * (-1.13520398 + t * (1.48851587 + t * (-0.82215223 + t * 0.17087277)))))))))
            .exp();
    if z >= 0.0 { 1.0 - 0.5 * tail } else { 0.5 * tail }
}

/// What the estimator makes of the texture beside the edge: its first step on the flanks, where the true shift is nothing.
///
/// One series for each flank, at a distance where the step itself is out of the window.
fn phantoms(
    grey: &Grey,
    path: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
    window: &Window,
    readings: &[Reading],
) -> Vec<Vec<f64>> {
    let away = 2.0 * window.half + 2.0 / options.pitch_px;
    let reach = (window.half + 1.0).ceil() as i64;
    let good = readings.iter().filter(|r| r.good);
    let (sum, n) = good.fold((0.0, 0.0), |(s, n), r| (s + r.step, n + 1.0));
    let step = if n > 0.0 { sum / n } else { return Vec::new() };
    [-away, away]
        .iter()
        .filter_map(|off| {
            let shifted: Vec<f64> = path.iter().map(|p| p + off).collect();
            let mut series = Vec::with_capacity(readings.len());
            let mut found = 0;
            for k in 0..readings.len() {
                let columns = k * options.station..(k + 1) * options.station;
                let shift = profile(grey, &shifted, usable, columns, reach)
                    .and_then(|p| solve_once(&p, reach as f64, 0.0, step, window))
                    .map(|s| s.shift);
                found += usize::from(shift.is_some());
                series.push(shift.unwrap_or(f64::NAN));
            }
            (2 * found > readings.len()).then_some(series)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_cdf_is_that_of_the_tables() {
        // Abramowitz & Stegun table 26.1 (from memory): Φ(1) = 0.841344746, Φ(1.96) = 0.975002105.
        assert!((normal_cdf(1.0) - 0.841344746).abs() < 2e-7);
        assert!((normal_cdf(-1.96) - 0.024997895).abs() < 2e-7);
    }
}
