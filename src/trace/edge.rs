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
    /// The same for the whole line together: how far off those lights see it on the whole, rows (rms).
    pub disagree_level: f64,
    /// Where brightness alone sees it on the whole, less the course, rows; `None` where it hardly sees it. A photo of halved
    /// chroma shows colours' edges displaced, those of brightness not.
    pub brightness_level: Option<f64>,
}

/// A flank's change of shade beside the edge: 5% of the step over one blur, one standard deviation (ours, no source), against
/// a misfit of 2% of the step. Left free, slopes and a wide step are nearly the same thing and noise is tripled.
const SLOPE_PRIOR: f64 = 0.05;
const MISFIT_PRIOR: f64 = 0.02;

/// Finds the edge near `start` (row of each column) over the usable columns; `None` when there is no edge.
pub fn locate(
    strip: &Strip,
    start: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
) -> Option<Located> {
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
    let limit = 2.5 * best.badness;
    // A light that sees the edge more blurred sees it through halved chroma, and displaced.
    let sharp = 1.4 * best.blur_px + 0.1;
    let chosen: Vec<&Tried> = tried
        .iter()
        .filter(|t| t.badness < limit && t.blur_px <= sharp)
        .take(4)
        .collect();
    // Where no light sees it at all, how badly is no number.
    if chosen.is_empty() {
        return None;
    }
    let mixed: Vec<Mixed> = weights(&chosen, options.pitch_px)
        .into_iter()
        .zip(&chosen)
        .filter(|(w, _)| *w > 0.02)
        .map(|(weight, t)| Mixed {
            weight,
            tried: t,
            grey: seen_in(strip, &t.light),
        })
        .collect();
    let mut found = refine(&mixed, best, usable, options)?;
    found.rough_px = best.rough_px;
    (found.disagree, found.disagree_level) = disagreement(&tried, found.course.len());
    found.brightness_level = tried
        .iter()
        .find(|t| matches!(t.light, Light::Brightness { .. }) && t.badness < limit)
        .and_then(|t| {
            let course = spread_out(&found.course, options.station, strip.columns);
            let mut off: Vec<f64> = (0..strip.columns)
                .filter(|c| usable[*c])
                .map(|c| t.course[c] - course[c])
                .collect();
            crate::solve::robust::median(&mut off)
        });
    Some(found)
}

/// A light with its share in the reading.
struct Mixed<'a> {
    weight: f64,
    tried: &'a Tried,
    grey: Grey,
}

/// Weights of the lights that give the least variance of their weighted mean (best linear unbiased estimate, Gauss–Markov):
/// from the covariance of their readings' second differences, which know no shape, and their misfits. Negative weights are
/// dropped one by one.
fn weights(lights: &[&Tried], pitch_px: f64) -> Vec<f64> {
    let mut active: Vec<usize> = (0..lights.len()).collect();
    let second = |t: &Tried, i: usize| {
        let ok = t.weights[i - 1] > 0.0 && t.weights[i] > 0.0 && t.weights[i + 1] > 0.0;
        ok.then(|| (t.readings[i - 1] - 2.0 * t.readings[i] + t.readings[i + 1]) * pitch_px)
    };
    let covariance = |a: &Tried, b: &Tried| {
        let clip = |t: &Tried, d: f64| {
            d.clamp(
                -4.0 * t.rough_px * 6f64.sqrt(),
                4.0 * t.rough_px * 6f64.sqrt(),
            )
        };
        let (mut sum, mut n) = (0.0, 0.0);
        for i in 1..a.readings.len().min(b.readings.len()).saturating_sub(1) {
            if let (Some(p), Some(q)) = (second(a, i), second(b, i)) {
                sum += clip(a, p) * clip(b, q) / 6.0;
                n += 1.0;
            }
        }
        if n > 3.0 { sum / n } else { 0.0 }
    };
    loop {
        let n = active.len();
        let mut matrix = nalgebra::DMatrix::zeros(n, n);
        for (i, a) in active.iter().enumerate() {
            for (j, b) in active.iter().enumerate() {
                matrix[(i, j)] = covariance(lights[*a], lights[*b]);
            }
            let own = lights[*a];
            matrix[(i, i)] += (3.0 * own.misfit * own.blur_px.max(1.0)).powi(2) + 1e-8;
        }
        let mut out = vec![0.0; lights.len()];
        let ones = nalgebra::DVector::from_element(n, 1.0);
        let Some(w) = matrix.cholesky().map(|c| c.solve(&ones)) else {
            out[0] = 1.0;
            return out;
        };
        let worst = (0..n).min_by(|a, b| w[*a].total_cmp(&w[*b])).unwrap_or(0);
        if w[worst] < 0.0 && n > 1 {
            active.remove(worst);
            continue;
        }
        let total: f64 = w.iter().sum();
        for (i, a) in active.iter().enumerate() {
            out[*a] = w[i] / total;
        }
        return out;
    }
}

#[derive(Debug, Clone)]
struct Tried {
    light: Light,
    /// Readings of the wide stations, rows, and their weights.
    readings: Vec<f64>,
    weights: Vec<f64>,
    blur_px: f64,
    misfit: f64,
    badness: f64,
    rough_px: f64,
    course: Vec<f64>,
    steps: Vec<f64>,
    stations: Vec<f64>,
}

/// One light: its blur, from the mean profile of the whole line, and how smoothly the edge then runs.
fn try_light(
    grey: &Grey,
    light: Light,
    start: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
) -> Option<Tried> {
    let first = try_blur(
        grey,
        light.clone(),
        start,
        usable,
        options,
        line_blur(grey, start, usable, options)?,
    )?;
    // Along the course just found the profile is sharper than along the start.
    let blur_px = line_blur(grey, &first.course, usable, options)?;
    if blur_px == first.blur_px {
        return Some(first);
    }
    try_blur(grey, light, &first.course, usable, options, blur_px)
}

/// Blur of the step in the mean profile of all usable columns: mottle averages out there as it never does at a station.
fn line_blur(grey: &Grey, path: &[f64], usable: &[bool], options: &EdgeOptions) -> Option<f64> {
    let first = usable.iter().position(|u| *u)?;
    let last = usable.iter().rposition(|u| *u)?;
    let best = |half_px: f64, least: f64| -> Option<f64> {
        let half = half_px / options.pitch_px;
        let reach = (half + 4.0 / options.pitch_px).ceil() as i64;
        let mean = profile(grey, path, usable, first..last + 1, reach)?;
        let mut found: Option<(f64, f64)> = None;
        for blur_px in options.blurs_px.iter().filter(|b| **b >= least) {
            let window = Window {
                blur: blur_px / options.pitch_px,
                half,
            };
            let r = read(&mean, reach as f64, 0.0, &window, None, 6);
            if r.good && found.is_none_or(|(m, _)| r.misfit < m) {
                found = Some((r.misfit, *blur_px));
            }
        }
        found.map(|f| f.1)
    };
    let near = best(9.0, 0.0)?;
    if near < 2.5 {
        Some(near)
    } else {
        best(15.0, 2.0).or(Some(near))
    }
}

fn try_blur(
    grey: &Grey,
    light: Light,
    start: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
    blur_px: f64,
) -> Option<Tried> {
    let wide = EdgeOptions {
        station: options.wide,
        ..options.clone()
    };
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
    let mut misfits: Vec<f64> = readings
        .iter()
        .filter(|r| r.good)
        .map(|r| r.misfit / r.step.abs().max(1e-6))
        .collect();
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
        readings: x,
        weights: w,
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

/// Readings at every station in the chosen lights together.
fn read_mixed(
    mixed: &[Mixed],
    path: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
) -> Vec<Reading> {
    let mut out: Vec<Reading> = Vec::new();
    for m in mixed {
        let window = Window::new(m.tried.blur_px, options.pitch_px);
        let one = read_all(
            &m.grey,
            path,
            usable,
            options,
            &window,
            Some(&m.tried.steps),
            1,
        );
        if out.is_empty() {
            out = one
                .iter()
                .map(|r| Reading {
                    row: 0.0,
                    step: 0.0,
                    misfit: 0.0,
                    good: r.good,
                })
                .collect();
        }
        for (sum, r) in out.iter_mut().zip(&one) {
            sum.row += m.weight * r.row;
            sum.step += m.weight * r.step;
            sum.misfit += m.weight * r.misfit;
            sum.good &= r.good;
        }
    }
    out
}

/// Final readings, course and texture.
fn refine(
    mixed: &[Mixed],
    best: &Tried,
    usable: &[bool],
    options: &EdgeOptions,
) -> Option<Located> {
    let blur = best.blur_px / options.pitch_px;
    let mut path = best.course.clone();
    let columns = path.len();
    let mut readings = Vec::new();
    let mut smooth = None;
    let mut cutoff = options.shortest;
    for _ in 0..4 {
        readings = read_mixed(mixed, &path, usable, options);
        let (x, w) = split(&readings);
        let mut c = course(&x, &w, cutoff, 5)?;
        // Readings are linear in the light only within a fraction of the blur of the course they start from: where they
        // scatter much, more of them must be averaged for the next start.
        while c.sd / (0.5 * cutoff).sqrt() > 0.2 * blur && cutoff < 8.0 * options.shortest {
            cutoff *= 1.5;
            c = course(&x, &w, cutoff, 5)?;
        }
        path = spread_out(&c.value, options.station, columns);
        smooth = Some(c);
    }
    let smooth = smooth?;
    let column: Vec<f64> = (0..readings.len())
        .map(|i| (i as f64 + 0.5) * options.station as f64 - 0.5)
        .collect();
    let residual: Vec<f64> = readings
        .iter()
        .zip(&smooth.value)
        .map(|(r, c)| r.row - c)
        .collect();
    let good: Vec<&Reading> = readings.iter().filter(|r| r.good).collect();
    let n = good.len().max(1) as f64;
    let step = good.iter().map(|r| r.step).sum::<f64>() / n;
    let misfit = (good.iter().map(|r| r.misfit * r.misfit).sum::<f64>() / n).sqrt();
    Some(Located {
        column,
        residual,
        weight: smooth.weight,
        sd: smooth.sd,
        phantoms: phantoms(mixed, &path, usable, options, readings.len()),
        blur_px: best.blur_px,
        contrast: step.abs() / misfit.max(1e-9),
        misfit: misfit / step.abs().max(1e-9),
        rough_px: 0.0,
        disagree: Vec::new(),
        disagree_level: 0.0,
        brightness_level: None,
        course: smooth.value,
    })
}

/// How far the next best lights see the course from the best one: at each of `n` stations less their level, and the rms of
/// the levels.
fn disagreement(tried: &[Tried], n: usize) -> (Vec<f64>, f64) {
    let mut out = vec![0.0; n];
    let Some(best) = tried.first() else {
        return (out, 0.0);
    };
    let others: Vec<&Tried> = tried[1..]
        .iter()
        .filter(|t| t.badness < 2.0 * best.badness && t.stations.len() == best.stations.len())
        .collect();
    if others.is_empty() {
        return (out, 0.0);
    }
    let mut levels = 0.0;
    let m = best.stations.len();
    let off: Vec<Vec<f64>> = others
        .iter()
        .map(|t| {
            let mut d: Vec<f64> = t
                .stations
                .iter()
                .zip(&best.stations)
                .map(|(a, b)| a - b)
                .collect();
            let mut sorted = d.clone();
            sorted.sort_by(f64::total_cmp);
            let level = sorted[m / 2];
            levels += level * level / others.len() as f64;
            d.iter_mut().for_each(|v| *v -= level);
            d
        })
        .collect();
    for (i, o) in out.iter_mut().enumerate() {
        let k = (i * m / n.max(1)).min(m - 1);
        *o = (off.iter().map(|d| d[k] * d[k]).sum::<f64>() / off.len() as f64).sqrt();
    }
    (out, levels.sqrt())
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
    readings
        .iter()
        .map(|r| (r.row, if r.good { 1.0 } else { 0.0 }))
        .unzip()
}

/// Values at stations of `station` columns each, spread straight between their middles to every column; `stations` must not
/// be empty.
pub fn spread_out(stations: &[f64], station: usize, columns: usize) -> Vec<f64> {
    let last = stations.len().saturating_sub(1);
    (0..columns)
        .map(|c| {
            let at = ((c as f64 + 0.5) / station as f64 - 0.5).clamp(0.0, last as f64);
            let i = (at.floor() as usize).min(last.saturating_sub(1));
            let f = at - i as f64;
            if last == 0 {
                stations[0]
            } else {
                stations[i] * (1.0 - f) + stations[i + 1] * f
            }
        })
        .collect()
}

/// Blur and the window that follows from it, rows.
struct Window {
    blur: f64,
    half: f64,
}

impl Window {
    fn new(blur_px: f64, pitch_px: f64) -> Window {
        // Both plateaus must show beyond the blurred step: three blurs and at least 4.5 px.
        let half_px = (3.0 * blur_px + 1.5).max(4.5);
        Window {
            blur: blur_px / pitch_px,
            half: half_px / pitch_px,
        }
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
    // A single round takes one step from the course and needs no more than its window.
    let spare = if rounds > 1 {
        6.0 / options.pitch_px
    } else {
        1.0
    };
    let reach = (window.half + spare).ceil() as i64;
    (0..stations)
        .into_par_iter()
        .with_min_len(32)
        .map(|k| {
            let columns = k * options.station..(k + 1) * options.station;
            let at = (k * options.station + options.station / 2).min(path.len() - 1);
            let middle = path[at];
            match profile(grey, path, usable, columns, reach) {
                Some(p) => read(
                    &p,
                    reach as f64,
                    middle,
                    window,
                    steps.map(|s| s[at]),
                    rounds,
                ),
                None => Reading {
                    row: middle,
                    step: 0.0,
                    misfit: 0.0,
                    good: false,
                },
            }
        })
        .collect()
}

/// Mean profile of some columns, straightened along the path: values at offsets -reach..=reach rows.
fn profile(
    grey: &Grey,
    path: &[f64],
    usable: &[bool],
    columns: std::ops::Range<usize>,
    reach: i64,
) -> Option<Vec<f64>> {
    profile_beside(grey, path, 0.0, usable, columns, reach)
}

/// As [`profile`], `away` rows beside the path.
fn profile_beside(
    grey: &Grey,
    path: &[f64],
    away: f64,
    usable: &[bool],
    columns: std::ops::Range<usize>,
    reach: i64,
) -> Option<Vec<f64>> {
    let size = (2 * reach + 1) as usize;
    let mut sum = vec![0.0; size];
    let total = columns.len();
    let mut n = 0;
    for column in columns {
        if !usable[column] {
            continue;
        }
        let values = &grey.values[column * grey.rows..(column + 1) * grey.rows];
        let base = (path[column] + away).floor();
        let f = path[column] + away - base;
        let first = base as i64 - reach;
        if first < 0 || first as usize + size >= grey.rows {
            continue;
        }
        let values = &values[first as usize..first as usize + size + 1];
        // A column that a card covers in part would bend the profile: it is left out whole.
        if values.iter().any(|v| v.is_nan()) {
            continue;
        }
        for (s, pair) in sum.iter_mut().zip(values.windows(2)) {
            *s += pair[0] as f64 * (1.0 - f) + pair[1] as f64 * f;
        }
        n += 1;
    }
    if n == 0 || (total < 200 && 2 * n <= total) {
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
                let most = if known.is_some() {
                    6.0 * window.half
                } else {
                    0.8 * window.blur
                };
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
    let good = ok
        && (known.is_some() || x.abs() <= reach - window.half)
        && step > 0.15
        && misfit.is_finite();
    Reading {
        row: middle + if ok { x } else { 0.0 },
        step,
        misfit,
        good,
    }
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
    if na > 0.0 && nb > 0.0 {
        b / nb - a / na
    } else {
        0.0
    }
}

fn solve_once(profile: &[f64], reach: f64, x: f64, step: f64, window: &Window) -> Option<Step> {
    let mut normal = SMatrix::<f64, 5, 5>::zeros();
    let mut side = SVector::<f64, 5>::zeros();
    let mut weights = 0.0;
    let first = (x + reach - window.half - 1.0).ceil().max(0.0) as usize;
    let last =
        ((x + reach + window.half + 1.0).floor() as usize).min(profile.len().saturating_sub(1));
    let rows = |k: usize| {
        let o = k as f64 - reach - x;
        let weight = (window.half + 1.0 - o.abs()).clamp(0.0, 1.0);
        let z = o / window.blur;
        let phi = normal_cdf(z);
        let bell = (-0.5 * z * z).exp() / (window.blur * (2.0 * std::f64::consts::PI).sqrt());
        (
            weight,
            SVector::<f64, 5>::new(1.0, phi, o * (1.0 - phi), o * phi, -step * bell),
        )
    };
    let seen = profile.get(first..=last)?;
    if seen.iter().any(|y| y.is_nan()) {
        return None;
    }
    let basis: Vec<(f64, SVector<f64, 5>)> = (first..=last).map(rows).collect();
    for ((w, b), y) in basis.iter().zip(seen) {
        normal += b * b.transpose() * *w;
        side += b * (w * y);
        weights += w;
    }
    if weights < 6.0 {
        return None;
    }
    let per_row = MISFIT_PRIOR * window.blur / SLOPE_PRIOR;
    normal[(2, 2)] += per_row * per_row;
    normal[(3, 3)] += per_row * per_row;
    normal[(4, 4)] += 1e-9;
    let c = normal.cholesky()?.solve(&side);
    let mut square = 0.0;
    for ((w, b), y) in basis.iter().zip(seen) {
        let miss = y - b.dot(&c);
        square += w * miss * miss;
    }
    Some(Step {
        shift: c[4],
        step: c[1],
        misfit: (square / weights).sqrt(),
    })
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
                                + t * (-1.13520398
                                    + t * (1.48851587 + t * (-0.82215223 + t * 0.17087277)))))))))
            .exp();
    if z >= 0.0 {
        1.0 - 0.5 * tail
    } else {
        0.5 * tail
    }
}

/// What the estimator makes of the texture beside the edge: its first step on the flanks, where the true shift is nothing.
///
/// One series of `stations` shifts for each flank, at a distance where the step itself is out of the window; NaN where the
/// strip is covered.
fn phantoms(
    mixed: &[Mixed],
    path: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
    stations: usize,
) -> Vec<Vec<f64>> {
    use rayon::prelude::*;
    [-1.0, 1.0]
        .iter()
        .filter_map(|side| {
            let series: Vec<f64> = (0..stations)
                .into_par_iter()
                .with_min_len(32)
                .map(|k| {
                    let columns = k * options.station..(k + 1) * options.station;
                    let at = (k * options.station + options.station / 2).min(path.len() - 1);
                    mixed
                        .iter()
                        .map(|m| {
                            m.weight * phantom(m, path, usable, options, columns.clone(), at, *side)
                        })
                        .sum()
                })
                .collect();
            let found = series.iter().filter(|v| v.is_finite()).count();
            (2 * found > stations).then_some(series)
        })
        .collect()
}

/// One light's shift on the texture at one station; NaN where it can't be seen.
fn phantom(
    mixed: &Mixed,
    path: &[f64],
    usable: &[bool],
    options: &EdgeOptions,
    columns: std::ops::Range<usize>,
    at: usize,
    side: f64,
) -> f64 {
    let window = Window::new(mixed.tried.blur_px, options.pitch_px);
    let reach = (window.half + 1.0).ceil() as i64;
    // Beside the step, but on the strip.
    let room = 0.5 * mixed.grey.rows as f64 - reach as f64 - 4.0 / options.pitch_px;
    let away = side
        * (2.0 * window.half + 2.0 / options.pitch_px)
            .min(room)
            .max(1.2 * window.half);
    profile_beside(&mixed.grey, path, away, usable, columns, reach)
        .and_then(|p| solve_once(&p, reach as f64, 0.0, mixed.tried.steps[at], &window))
        .map_or(f64::NAN, |s| s.shift)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Scatter of the place over 600 noisy profiles against its Cramér–Rao bound with both levels unknown,
    /// σ/A / √(1/(2 s √π) - 1/W) (samples a row apart). That bound knows no slopes; leaving both sides theirs costs
    /// up to one and a half times as much again (measured: 1.7 to 2.3), less than the bound can't be.
    #[test]
    fn places_scatter_as_their_bound_says() {
        for (blur, contrast) in [(0.8, 50.0), (1.2, 50.0), (2.0, 50.0)] {
            let window = Window::new(blur, 1.0);
            let reach = 14i64;
            let mut random = crate::solve::random::Random::new(12);
            let (mut sum, mut square) = (0.0, 0.0);
            const TRIALS: usize = 600;
            for _ in 0..TRIALS {
                let at = random.uniform() - 0.5;
                let profile: Vec<f64> = (-reach..=reach)
                    .map(|k| normal_cdf((k as f64 - at) / blur) + random.normal() / contrast)
                    .collect();
                let reading = read(&profile, reach as f64, 0.0, &window, None, 6);
                assert!(reading.good);
                sum += reading.row - at;
                square += (reading.row - at).powi(2);
            }
            let mean = sum / TRIALS as f64;
            let sd = (square / TRIALS as f64 - mean * mean).sqrt();
            let samples = 2.0 * window.half + 1.0;
            let information = 1.0 / (2.0 * blur * std::f64::consts::PI.sqrt()) - 1.0 / samples;
            let bound = 1.0 / (contrast * information.sqrt());
            assert!(
                sd > 0.9 * bound && sd < 2.5 * bound,
                "blur {blur}: {sd:.4} against {bound:.4}"
            );
            assert!(
                mean.abs() < 4.0 * sd / (TRIALS as f64).sqrt(),
                "blur {blur}: biased by {mean:.4}"
            );
        }
    }

    #[test]
    fn normal_cdf_is_that_of_the_tables() {
        // Abramowitz & Stegun table 26.1 (from memory): Φ(1) = 0.841344746, Φ(1.96) = 0.975002105.
        assert!((normal_cdf(1.0) - 0.841344746).abs() < 2e-7);
        assert!((normal_cdf(-1.96) - 0.024997895).abs() < 2e-7);
    }
}
