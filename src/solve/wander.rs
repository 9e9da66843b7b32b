//! A smooth course through scattered readings along a line, as smooth as the readings themselves say.
//!
//! The course is an integrated random walk (its slope wanders): the penalised cubic spline in the form in which the
//! amount of smoothing has a likelihood (Wahba 1978; Wecker and Ansley 1983, both from memory). A reading is the course
//! plus an error alike over a length (raggedness of an edge; an exponential correlation) plus an error of its own. One pass
//! forward (Kalman) gives the likelihood of the wandering and of the errors, one back (Rauch, Tung and Striebel) the course
//! with its covariance; ends, gaps and single stations need no care of their own. O(n) a pass.
//!
//! A reading more than [`GATE`] standard deviations off what the course foresees is passed over (its likelihood is that of a
//! reading that tells nothing), or one bad station would make the whole course restless; two passed over in a row are a
//! change of course, and the third counts.
//!
//! The wandering is not set to its likeliest value but averaged over: few readings can't tell a straight course from a bent
//! one, and the interval must say so.

use super::robust;
use super::simplex::lowest;
use nalgebra::{Matrix3, RowVector3, Vector3};

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Place along.
    pub s: f64,
    /// What was read.
    pub value: f64,
    /// Standard uncertainty of this reading's own error; 0 when only the data can say.
    pub u: f64,
}

/// Errors that the data themselves show, beside each reading's own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Standard deviation of what is alike over [`Noise::length`].
    pub alike: f64,
    /// Correlation length (to 1/e).
    pub length: f64,
    /// Standard deviation of what each reading has by itself.
    pub own: f64,
}

impl Noise {
    /// None: the readings' own uncertainty is all.
    pub const NONE: Noise = Noise {
        alike: 0.0,
        length: 1.0,
        own: 0.0,
    };
}

/// What is found out about the errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unknown {
    /// Nothing: [`Reading::u`] is all.
    Nothing,
    /// One standard deviation for all, independent.
    Own,
    /// Both kinds, and the length.
    AlikeAndOwn,
}

/// The course at the places asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Wander {
    /// Value at each place.
    pub value: Vec<f64>,
    /// Its standard uncertainty.
    pub u: Vec<f64>,
    /// Errors as found.
    pub noise: Noise,
    /// Likeliest wavelength that the course follows to one half (that of the equivalent filter in the middle of the line).
    pub cutoff: f64,
    /// For each reading: how far it lies off the course that the others make, in standard deviations.
    pub off: Vec<f64>,
}

/// Readings further off than this many standard deviations of what is foreseen are passed over.
const GATE: f64 = 3.5;
/// What passing one over costs, in logarithms: about one station in fifty is odd (ours, no source).
const PASSED_OVER: f64 = 4.0;

/// Which readings are passed over, one after the other.
#[derive(Default)]
struct Gate {
    in_a_row: usize,
}

impl Gate {
    /// Whether this reading is passed over.
    fn shuts(&mut self, miss: f64, variance: f64) -> bool {
        let out = miss * miss > GATE * GATE * variance && self.in_a_row < 2;
        self.in_a_row = if out { self.in_a_row + 1 } else { 0 };
        out
    }
}

/// Steps of the wandering tried.
const STEPS: usize = 13;

/// Course through `readings` (rising `s`, at least 3, finite) at the rising places `at`. `None` for fewer readings, or when
/// they are all at one place.
pub fn wander(readings: &[Reading], at: &[f64], unknown: Unknown) -> Option<Wander> {
    let (first, last) = (readings.first()?, readings.last()?);
    let span = last.s - first.s;
    if readings.len() < 3 || span.is_nan() || span <= 0.0 {
        return None;
    }
    let values: Vec<f64> = readings.iter().map(|r| r.value).collect();
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let size = (high - low).max(1e-6 * high.abs()).max(1e-9);
    let step = span / (readings.len() - 1) as f64;
    let rough = roughness(readings).max(1e-4 * size).max(1e-12);
    // Wandering (variance of the slope a unit of length): from what bends the whole course by a hundredth of its scatter to
    // what follows every reading.
    let calmest = 3.0 * (0.01 * size).min(0.3 * rough).powi(2) / span.powi(3);
    let wildest = (3.0 * size * size / step.powi(3)).max(10.0 * calmest);
    let ln_q = |k: f64| calmest.ln() + k * (wildest.ln() - calmest.ln());
    let model = |q: f64, noise: Noise| Model {
        readings,
        q,
        noise,
        size,
        span,
    };
    let noise = |p: &[f64]| match unknown {
        Unknown::Nothing => Noise::NONE,
        Unknown::Own => Noise {
            own: rough * p[1].exp(),
            ..Noise::NONE
        },
        Unknown::AlikeAndOwn => Noise {
            alike: rough * p[1].exp(),
            own: rough * p[2].exp(),
            length: 2.0 * step * p[3].exp(),
        },
    };
    // A length as long as the course's own waves is course, a size far from the scatter is none: gentle fences, two
    // standard deviations being a factor of 7 to 20.
    let fence = |p: &[f64]| {
        p.iter().skip(1).map(|v| v * v / 4.5).sum::<f64>()
            + 50.0 * (p[0] - p[0].clamp(0.0, 1.0)).abs()
    };
    let (start, reach): (&[f64], &[f64]) = match unknown {
        Unknown::Nothing => (&[0.4], &[0.2]),
        Unknown::Own => (&[0.4, 0.0], &[0.2, 0.5]),
        Unknown::AlikeAndOwn => (&[0.3, 0.0, 0.0, 0.0], &[0.2, 0.7, 0.7, 0.7]),
    };
    let (best, _) = lowest(start, reach, 60 * start.len(), |p| {
        fence(p) - model(ln_q(p[0].clamp(0.0, 1.0)).exp(), noise(p)).log_likelihood()
    });
    let found = noise(&best);
    let mut sums = vec![(0.0, 0.0, 0.0); at.len()];
    let mut tried = Vec::with_capacity(STEPS);
    for k in 0..STEPS {
        let share = k as f64 / (STEPS - 1) as f64;
        let tried_model = model(ln_q(share).exp(), found);
        tried.push((tried_model.log_likelihood(), tried_model));
    }
    let top = tried.iter().map(|t| t.0).fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return None;
    }
    let mut off = vec![0.0; readings.len()];
    for (likelihood, model) in &tried {
        let weight = (likelihood - top).exp();
        if weight < 1e-3 {
            continue;
        }
        let (course, own_off) = model.smooth(at);
        for (sum, (value, variance)) in sums.iter_mut().zip(&course) {
            sum.0 += weight;
            sum.1 += weight * value;
            sum.2 += weight * (variance + value * value);
        }
        if weight >= 1.0 {
            off = own_off;
        }
    }
    let likeliest = tried
        .iter()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or(0.0, |t| t.1.q);
    let per_length = {
        let own = readings.iter().map(|r| r.u * r.u).sum::<f64>() / readings.len() as f64;
        (own + found.own.powi(2)) * step + 2.0 * found.alike.powi(2) * found.length
    };
    Some(Wander {
        value: sums.iter().map(|s| s.1 / s.0).collect(),
        u: sums
            .iter()
            .map(|s| (s.2 / s.0 - (s.1 / s.0).powi(2)).max(0.0).sqrt())
            .collect(),
        noise: found,
        // The spline passes a wave of wavenumber w to 1 / (1 + w⁴ N / q), N the errors' density.
        cutoff: 2.0 * std::f64::consts::PI * (per_length / likeliest).powf(0.25),
        off,
    })
}

/// Scatter of a reading about the straight line between its neighbours, as standard deviation of one reading.
fn roughness(readings: &[Reading]) -> f64 {
    let misses: Vec<f64> = readings
        .windows(3)
        .map(|w| {
            let f = (w[1].s - w[0].s) / (w[2].s - w[0].s).max(1e-12);
            let miss = w[1].value - w[0].value * (1.0 - f) - w[2].value * f;
            miss / (1.0 + f * f + (1.0 - f) * (1.0 - f)).sqrt()
        })
        .collect();
    robust::spread(&misses).unwrap_or(0.0)
}

struct Model<'a> {
    readings: &'a [Reading],
    q: f64,
    noise: Noise,
    size: f64,
    span: f64,
}

/// Value, slope and the error that is alike: mean and covariance.
#[derive(Clone, Copy)]
struct State {
    mean: Vector3<f64>,
    cov: Matrix3<f64>,
}

impl Model<'_> {
    fn start(&self) -> State {
        let first = self.readings.first().map_or(0.0, |r| r.value);
        let wide = 1e3 * self.size;
        State {
            mean: Vector3::new(first, 0.0, 0.0),
            cov: Matrix3::from_diagonal(&Vector3::new(
                wide * wide,
                (wide / self.span).powi(2) * 100.0,
                self.noise.alike.powi(2),
            )),
        }
    }

    /// Carries a state on by `d`, with the matrix that does it.
    fn on(&self, from: &State, d: f64) -> (State, Matrix3<f64>) {
        let keep = (-d / self.noise.length).exp();
        let f = Matrix3::new(1.0, d, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, keep);
        let (d2, d3) = (d * d / 2.0, d * d * d / 3.0);
        let grown = self.noise.alike.powi(2) * (1.0 - keep * keep);
        let q = Matrix3::new(
            self.q * d3,
            self.q * d2,
            0.0,
            self.q * d2,
            self.q * d,
            0.0,
            0.0,
            0.0,
            grown,
        );
        let cov = f * from.cov * f.transpose() + q;
        (
            State {
                mean: f * from.mean,
                cov: 0.5 * (cov + cov.transpose()),
            },
            f,
        )
    }

    fn own(&self, reading: &Reading) -> f64 {
        // A reading is never exact: rounding of the last digit shown.
        (reading.u.powi(2) + self.noise.own.powi(2)).max((1e-5 * self.size).powi(2))
    }

    /// Miss of a reading and the variance foreseen for it.
    fn foreseen(&self, state: &State, reading: &Reading) -> (f64, f64) {
        let h = RowVector3::new(1.0, 0.0, 1.0);
        let miss = reading.value - (h * state.mean)[0];
        let variance = (h * state.cov * h.transpose())[0] + self.own(reading);
        (miss, variance)
    }

    /// Takes a reading in.
    fn take(&self, state: &mut State, reading: &Reading) {
        let h = RowVector3::new(1.0, 0.0, 1.0);
        let own = self.own(reading);
        let (miss, variance) = self.foreseen(state, reading);
        let gain = state.cov * h.transpose() / variance;
        state.mean += gain * miss;
        // Joseph's form: stays positive beside the wide start.
        let rest = Matrix3::identity() - gain * h;
        let cov = rest * state.cov * rest.transpose() + gain * own * gain.transpose();
        state.cov = 0.5 * (cov + cov.transpose());
    }

    fn log_likelihood(&self) -> f64 {
        let mut state = self.start();
        let mut sum = 0.0;
        let mut s = self.readings.first().map_or(0.0, |r| r.s);
        let mut gate = Gate::default();
        for (i, reading) in self.readings.iter().enumerate() {
            state = self.on(&state, reading.s - s).0;
            s = reading.s;
            let (miss, variance) = self.foreseen(&state, reading);
            if gate.shuts(miss, variance) {
                sum -= 0.5 * (variance.ln() + GATE * GATE) + PASSED_OVER;
                continue;
            }
            self.take(&mut state, reading);
            // The first two only fix value and slope.
            if i >= 2 {
                sum -= 0.5 * (variance.ln() + miss * miss / variance);
            }
        }
        sum
    }

    /// Value and variance of the course at the places, and how far each reading lies off.
    fn smooth(&self, at: &[f64]) -> (Vec<(f64, f64)>, Vec<f64>) {
        // Places and readings in one order, readings first where both fall together.
        let mut steps: Vec<(f64, Option<usize>, Option<usize>)> = Vec::new();
        let (mut i, mut j) = (0, 0);
        while i < self.readings.len() || j < at.len() {
            let reading = self.readings.get(i).map(|r| r.s);
            let place = at.get(j).copied();
            if place.is_none() || reading.is_some_and(|r| Some(r) <= place) {
                steps.push((reading.unwrap_or(0.0), Some(i), None));
                i += 1;
            } else {
                steps.push((place.unwrap_or(0.0), None, Some(j)));
                j += 1;
            }
        }
        let mut state = self.start();
        // Before the first reading: the start is as wide there.
        let mut s = steps.first().map_or(0.0, |step| step.0);
        let mut forward = Vec::with_capacity(steps.len());
        let mut gate = Gate::default();
        let mut passed_over = vec![false; self.readings.len()];
        for (place, reading, _) in &steps {
            let (ahead, f) = self.on(&state, place - s);
            s = *place;
            state = ahead;
            if let Some((i, reading)) = reading.and_then(|i| Some((i, self.readings.get(i)?))) {
                let (miss, variance) = self.foreseen(&state, reading);
                if gate.shuts(miss, variance) {
                    passed_over[i] = true;
                } else {
                    self.take(&mut state, reading);
                }
            }
            forward.push((ahead, f, state));
        }
        let mut course = vec![(0.0, 0.0); at.len()];
        let mut off = vec![0.0; self.readings.len()];
        let mut later: Option<State> = None;
        for k in (0..forward.len()).rev() {
            let (_, _, own) = forward[k];
            let smoothed = match (later, forward.get(k + 1)) {
                (Some(after), Some((ahead, f, _))) => {
                    let back = solve_for(&ahead.cov, &(own.cov * f.transpose()));
                    State {
                        mean: own.mean + back * (after.mean - ahead.mean),
                        cov: own.cov + back * (after.cov - ahead.cov) * back.transpose(),
                    }
                }
                _ => own,
            };
            if let Some(j) = steps[k].2 {
                course[j] = (smoothed.mean[0], smoothed.cov[(0, 0)].max(0.0));
            }
            if let Some(i) = steps[k].1 {
                let reading = &self.readings[i];
                let h = RowVector3::new(1.0, 0.0, 1.0);
                let r = self.own(reading);
                let all = (h * smoothed.cov * h.transpose())[0];
                if passed_over[i] {
                    off[i] = (reading.value - (h * smoothed.mean)[0]) / (r + all.max(0.0)).sqrt();
                    later = Some(smoothed);
                    continue;
                }
                let known = all.clamp(0.0, 0.999 * r);
                // What the others alone foresee: the reading taken out of the smoothed value again.
                let miss = (reading.value - (h * smoothed.mean)[0]) / (1.0 - known / r);
                off[i] = miss / (r + r * known / (r - known)).sqrt();
            }
            later = Some(smoothed);
        }
        (course, off)
    }
}

/// `right · left⁻¹` for a symmetric `left` that may be nearly singular where there is no error alike.
fn solve_for(left: &Matrix3<f64>, right: &Matrix3<f64>) -> Matrix3<f64> {
    let mut left = *left;
    if left[(2, 2)] <= 0.0 {
        left[(2, 2)] = 1.0;
    }
    left.try_inverse()
        .map_or_else(Matrix3::zeros, |inverse| right * inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solve::random::Random;

    fn readings(n: usize, sd: f64, seed: u64, course: impl Fn(f64) -> f64) -> Vec<Reading> {
        let mut random = Random::new(seed);
        (0..n)
            .map(|i| {
                let s = 20.0 * i as f64;
                Reading {
                    s,
                    value: course(s) + sd * random.normal(),
                    u: sd,
                }
            })
            .collect()
    }

    /// Without curvature in the data the course is the least-squares line: value and uncertainty at the middle are those of
    /// a mean, u = sd / √n (textbook), at the end 2 sd / √n.
    #[test]
    fn a_straight_course_is_the_least_squares_line() {
        let (n, sd) = (41, 0.3);
        let (mut middle, mut end) = (0.0, 0.0);
        for seed in 0..20 {
            let r = readings(n, sd, seed, |s| 5.0 + 0.01 * s);
            let found = wander(&r, &[0.0, 400.0], Unknown::Nothing).expect("a course");
            end += found.u[0] / 20.0;
            middle += found.u[1] / 20.0;
        }
        let root = sd / (n as f64).sqrt();
        assert!(
            middle > 0.95 * root && middle < 1.8 * root,
            "{middle} {root}"
        );
        assert!(end > 1.9 * root && end < 3.5 * root, "{end} {root}");
    }

    /// The truth lies inside 1.96 u at 90 to 99% of places, for a course that bends, errors known or not.
    #[test]
    fn intervals_hold() {
        let course = |s: f64| 8.0 + 4.0 * (s / 130.0).sin();
        for unknown in [Unknown::Nothing, Unknown::Own] {
            let (mut inside, mut all) = (0, 0);
            for seed in 0..60 {
                let r = readings(40, 0.25, seed, course);
                let at: Vec<f64> = (0..40).map(|i| 10.0 + 20.0 * i as f64).collect();
                let at = &at[..39];
                let found = wander(&r, at, unknown).expect("a course");
                for ((s, v), u) in at.iter().zip(&found.value).zip(&found.u) {
                    inside += usize::from((course(*s) - v).abs() <= 1.96 * u);
                    all += 1;
                }
            }
            let share = inside as f64 / all as f64;
            assert!((0.9..=0.99).contains(&share), "{unknown:?}: {share}");
        }
    }

    #[test]
    fn an_odd_reading_stands_out() {
        let mut r = readings(30, 0.1, 3, |s| 6.0 + 0.004 * s);
        r[12].value += 1.5;
        let found = wander(&r, &[100.0], Unknown::Nothing).expect("a course");
        let worst = found
            .off
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        assert_eq!(worst.map(|w| w.0), Some(12));
        assert!(found.off[12] > 6.0);
    }

    /// A single odd reading among few must not make the course follow it.
    #[test]
    fn the_course_does_not_bend_to_an_odd_reading() {
        let mut r = readings(15, 0.1, 5, |s| 14.0 - 0.02 * s);
        r[8].value += 2.5;
        let found = wander(&r, &[160.0], Unknown::Nothing).expect("a course");
        assert!(
            (found.value[0] - (14.0 - 3.2)).abs() < 0.2,
            "{}",
            found.value[0]
        );
        assert!(found.off[8] > 5.0);
    }

    /// A course that changes for good is followed.
    #[test]
    fn a_step_is_followed() {
        let r = readings(40, 0.1, 6, |s| if s < 400.0 { 8.0 } else { 12.0 });
        let found = wander(&r, &[700.0], Unknown::Nothing).expect("a course");
        assert!((found.value[0] - 12.0).abs() < 0.3, "{}", found.value[0]);
    }

    #[test]
    fn too_few_give_nothing() {
        assert_eq!(
            wander(&readings(2, 0.1, 1, |_| 1.0), &[0.0], Unknown::Own),
            None
        );
        assert_eq!(wander(&[], &[0.0], Unknown::Own), None);
    }
}
