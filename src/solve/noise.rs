//! Noise along an edge: independent scatter of each point plus raggedness that neighbours share, how to make it white, and
//! how to read it off the residuals of a fit.
//!
//! The edge of a cut sheet or of a coat wanders: part of it within a millimetre or two, part over a centimetre. A blade or a
//! file runs on in the direction it has, so each such part is taken as once differentiable, with Matérn's correlation of
//! smoothness 3/2, (1 + √3 d/ℓ) exp(-√3 d/ℓ) (Rasmussen and Williams 2006, eq. 4.17). Its place and slope form a Markov
//! chain (Hartikainen and Särkkä 2010), which makes all together a small state-space model: a Kalman filter's innovations
//! are white (Kalman 1960; Jones 1980 for uneven spacing, from memory) and cost O(n). A least-squares fit to whitened
//! residuals is then the best linear one, and its covariance honest.
//!
//! The sizes and lengths follow from the residuals by restricted maximum likelihood (Patterson and Thompson 1971, from
//! memory), which allows for what the fitted form has already swallowed.

use super::simplex::lowest;
use nalgebra::{DMatrix, Matrix4, Vector4};

/// A part of the noise that neighbours share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ragged {
    /// Standard deviation.
    pub sd: f64,
    /// Correlation length ℓ, in the unit of the places along the edge.
    pub length: f64,
}

/// Noise of points along an edge.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EdgeModel {
    /// Standard deviation of the part each point has for itself.
    pub white: f64,
    /// Shared parts; a standard deviation of zero is none.
    pub ragged: [Ragged; 2],
}

impl Default for Ragged {
    /// None.
    fn default() -> Self {
        Ragged {
            sd: 0.0,
            length: 1.0,
        }
    }
}

impl EdgeModel {
    /// Independent noise alone.
    pub fn white(sd: f64) -> Self {
        EdgeModel {
            white: sd,
            ..EdgeModel::default()
        }
    }

    /// Standard deviation of a point, all parts together.
    pub fn sd(&self) -> f64 {
        let shared: f64 = self.ragged.iter().map(|r| r.sd * r.sd).sum();
        (self.white * self.white + shared).sqrt()
    }

    /// How many independent points of the same scatter would tell as much about a level as `count` of these over
    /// `length` do; never more than `count`.
    pub fn effective_count(&self, count: usize, length: f64) -> f64 {
        let n = count as f64;
        let power: f64 = self.white * self.white * length / n
            + self
                .ragged
                .iter()
                .map(|r| 4.0 / SQRT_3 * r.sd * r.sd * r.length)
                .sum::<f64>();
        if power > 0.0 {
            (length * self.sd().powi(2) / power).clamp(1.0, n)
        } else {
            n
        }
    }
}

/// √3, of Matérn's correlation.
const SQRT_3: f64 = 1.732_050_807_568_877_2;

/// Turns values along an edge into independent ones of variance one.
#[derive(Debug, Clone)]
pub struct Whitener {
    /// One for each point.
    steps: Vec<Step>,
    /// Sum of the logarithms of the variances of what is new.
    pub log_determinant: f64,
}

/// From one point to the next. The state is place and slope of each shared part, slopes times ℓ/√3, so that all four have
/// the part's own variance.
#[derive(Debug, Clone, Copy)]
struct Step {
    /// How far away the point before lies, for each part in ℓ/√3, and how much of the part lasts.
    way: [Way; 2],
    /// What is new moves the state by so much.
    gain: Vector4<f64>,
    /// 1 / sd of what is new.
    scale: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Way {
    distance: f64,
    lasts: f64,
}

impl Way {
    /// Place and slope further on.
    fn on(self, place: f64, slope: f64) -> (f64, f64) {
        let d = self.distance;
        (
            self.lasts * ((1.0 + d) * place + d * slope),
            self.lasts * ((1.0 - d) * slope - d * place),
        )
    }
}

fn carried(way: &[Way; 2], x: &Vector4<f64>) -> Vector4<f64> {
    let (a, b) = way[0].on(x[0], x[1]);
    let (c, d) = way[1].on(x[2], x[3]);
    Vector4::new(a, b, c, d)
}

impl Whitener {
    /// For points at rising places `s`. `trust`: weight of each point's own reading, 1 for all when `None`, 0 for one to be
    /// left out.
    pub fn new(s: &[f64], model: &EdgeModel, trust: Option<&[f64]>) -> Self {
        let white = model.white * model.white;
        let size = model.ragged.map(|r| r.sd * r.sd);
        // Covariance of the shared parts before the first reading.
        let rest = Matrix4::from_diagonal(&Vector4::new(size[0], size[0], size[1], size[1]));
        let mut p = rest;
        let mut log_determinant = 0.0;
        let mut last: Option<f64> = None;
        let mut steps = Vec::with_capacity(s.len());
        // A floor far below anything seen keeps noise of nothing from dividing by zero.
        let floor = 1e-24 + 1e-12 * (white + size[0] + size[1]);
        for (i, &here) in s.iter().enumerate() {
            let way = match last {
                Some(before) => model.ragged.map(|r| {
                    let distance = SQRT_3 * (here - before).abs() / r.length;
                    let lasts = if r.sd > 0.0 { (-distance).exp() } else { 0.0 };
                    let distance = if lasts > 0.0 { distance } else { 0.0 };
                    Way { distance, lasts }
                }),
                None => [Way::default(); 2],
            };
            if last.is_some() {
                // F (P - P∞) Fᵀ + P∞, by columns and then by rows.
                let off = p - rest;
                let half = Matrix4::from_columns(
                    &[0, 1, 2, 3].map(|k| carried(&way, &off.column(k).into_owned())),
                );
                let turned = half.transpose();
                p = rest
                    + Matrix4::from_columns(
                        &[0, 1, 2, 3].map(|k| carried(&way, &turned.column(k).into_owned())),
                    );
            }
            last = Some(here);
            let trust = trust.and_then(|t| t.get(i)).copied().unwrap_or(1.0);
            if trust <= 0.0 {
                steps.push(Step {
                    way,
                    gain: Vector4::zeros(),
                    scale: 0.0,
                });
                continue;
            }
            let seen = p.column(0) + p.column(2);
            let new = (seen[0] + seen[2] + white / trust).max(floor);
            let gain = seen / new;
            p -= gain * seen.transpose();
            log_determinant += new.ln();
            steps.push(Step {
                way,
                gain,
                scale: 1.0 / new.sqrt(),
            });
        }
        Whitener {
            steps,
            log_determinant,
        }
    }

    /// Whitens in place; linear in the values. O(n).
    pub fn apply(&self, values: &mut [f64]) {
        let mut shared = Vector4::zeros();
        for (v, step) in values.iter_mut().zip(&self.steps) {
            shared = carried(&step.way, &shared);
            let new = *v - shared[0] - shared[2];
            shared += step.gain * new;
            *v = step.scale * new;
        }
    }

    /// The way back: independent values of variance one become values along such an edge. Points left out become zero.
    pub fn colour(&self, values: &mut [f64]) {
        let mut shared = Vector4::zeros();
        for (v, step) in values.iter_mut().zip(&self.steps) {
            shared = carried(&step.way, &shared);
            if step.scale > 0.0 {
                let new = *v / step.scale;
                *v = new + shared[0] + shared[2];
                shared += step.gain * new;
            } else {
                *v = 0.0;
            }
        }
    }
}

/// Most that a shared part's standard deviation may be of the residuals' root mean square: a part half as long as the edge
/// shows two thirds of itself beside a fitted level and slope (ours).
const MOST: f64 = 2.0;

/// Reads the noise off `residuals` of a fit at rising places `s`, by restricted maximum likelihood. `jacobian`: how the
/// residuals answer to the fitted unknowns (may have no columns). `trust` as in [`Whitener::new`].
///
/// One shared part or two are tried against none, and kept where they raise the likelihood at all (its logarithm by 0.3):
/// a part too many costs little, one missed makes a fit look surer than it is. Even so a part whose length is a tenth of
/// the edge is missed half the time. Costs some hundred passes over the points with each unknown. `None` under 12 points more than unknowns,
/// when all residuals are zero,
/// or when the unknowns can't be told from each other.
pub fn estimate(
    s: &[f64],
    residuals: &[f64],
    jacobian: &DMatrix<f64>,
    trust: Option<&[f64]>,
) -> Option<EdgeModel> {
    let used = |i: usize| trust.is_none_or(|t| t.get(i).is_some_and(|t| *t > 0.0));
    let n = (0..residuals.len()).filter(|i| used(*i)).count();
    let p = jacobian.ncols();
    if n < p + 12 || s.len() != residuals.len() || jacobian.nrows() != residuals.len() {
        return None;
    }
    let length = s.last()? - s.first()?;
    let spacing = length / (s.len() - 1) as f64;
    let squares: f64 = (0..residuals.len())
        .filter(|i| used(*i))
        .map(|i| residuals[i].powi(2))
        .sum();
    if !(squares > 0.0 && squares.is_finite() && spacing > 0.0) {
        return None;
    }
    // Sizes as parts of the white noise; its own size follows in closed form.
    let model = |at: &[f64]| {
        let part = |k: usize| Ragged {
            sd: at.get(2 * k).map_or(0.0, |a| (0.5 * a).exp()),
            length: at.get(2 * k + 1).map_or(1.0, |l| l.exp()),
        };
        EdgeModel {
            white: 1.0,
            ragged: [part(0), part(1)],
        }
    };
    let score = |at: &[f64]| {
        let bounded = at.chunks(2).all(|c| {
            let (size, long) = (c[0], c[1].exp());
            (-14.0..14.0).contains(&size) && long > 0.7 * spacing && long < 0.5 * length
        });
        if !bounded {
            return (f64::INFINITY, 0.0);
        }
        let model = model(at);
        let (minus, variance) = likelihood(s, residuals, jacobian, trust, &model, n);
        // A part far larger than what is left over would be one with the form that was fitted.
        let largest = model.ragged.iter().fold(0.0f64, |m, r| m.max(r.sd));
        if largest * largest * variance > MOST * MOST * squares / n as f64 {
            return (f64::INFINITY, variance);
        }
        (minus, variance)
    };
    let (short, long) = (
        (3.0 * spacing).ln(),
        (0.06 * length).max(6.0 * spacing).ln(),
    );
    let mut best = (Vec::new(), score(&[]).0);
    let mut tries: Vec<Vec<f64>> = vec![vec![0.0, short], vec![0.0, long]];
    for _ in 0..2 {
        let found = tries
            .iter()
            .map(|start| {
                let size = vec![1.0; start.len()];
                lowest(start, &size, 60 * start.len(), |at| score(at).0)
            })
            .min_by(|a, b| a.1.total_cmp(&b.1))?;
        if found.1 > best.1 - 0.3 {
            break;
        }
        let (a, l) = (found.0[0], found.0[1]);
        best = found;
        let other = if l > 0.5 * (short + long) {
            short
        } else {
            long
        };
        tries = vec![
            vec![a, l, a - 1.0, other],
            vec![a - 1.0, short, a - 1.0, long],
        ];
    }
    if !best.1.is_finite() {
        return None;
    }
    let white = score(&best.0).1.sqrt();
    let relative = model(&best.0);
    Some(EdgeModel {
        white,
        ragged: relative.ragged.map(|r| Ragged {
            sd: r.sd * white,
            length: r.length,
        }),
    })
}

/// Minus the restricted log likelihood, with the overall size at its best; and that size, a variance.
fn likelihood(
    s: &[f64],
    residuals: &[f64],
    jacobian: &DMatrix<f64>,
    trust: Option<&[f64]>,
    model: &EdgeModel,
    n: usize,
) -> (f64, f64) {
    let whitener = Whitener::new(s, model, trust);
    let mut r = nalgebra::DVector::from_column_slice(residuals);
    whitener.apply(r.as_mut_slice());
    let mut j = jacobian.clone();
    for mut column in j.column_iter_mut() {
        whitener.apply(column.as_mut_slice());
    }
    let mut squares = r.norm_squared();
    let mut swallowed = 0.0;
    let p = jacobian.ncols();
    if p > 0 {
        let normal = j.tr_mul(&j);
        let Some(factor) = normal.cholesky() else {
            return (f64::INFINITY, 0.0);
        };
        let pull = j.tr_mul(&r);
        squares -= pull.dot(&factor.solve(&pull));
        swallowed = 2.0 * factor.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
    }
    let freedom = (n - p) as f64;
    let variance = squares / freedom;
    let minus = 0.5 * (freedom * variance.ln() + whitener.log_determinant + swallowed);
    (minus, variance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solve::random::Random;
    use nalgebra::DVector;

    const MODEL: EdgeModel = EdgeModel {
        white: 0.02,
        ragged: [
            Ragged {
                sd: 0.05,
                length: 1.3,
            },
            Ragged {
                sd: 0.04,
                length: 9.0,
            },
        ],
    };

    fn covariance(s: &[f64], model: &EdgeModel) -> DMatrix<f64> {
        DMatrix::from_fn(s.len(), s.len(), |i, j| {
            let d = (s[i] - s[j]).abs();
            let shared = model.ragged.iter().map(|r| {
                r.sd * r.sd * (1.0 + SQRT_3 * d / r.length) * (-SQRT_3 * d / r.length).exp()
            });
            shared.sum::<f64>() + if i == j { model.white.powi(2) } else { 0.0 }
        })
    }

    /// Whitening is the inverse of the covariance's Cholesky factor: against nalgebra's dense one, uneven spacing.
    #[test]
    fn whitening_is_the_inverse_factor() {
        let mut random = Random::new(9);
        let mut at = 0.0;
        let s: Vec<f64> = (0..50)
            .map(|_| {
                at += random.between(0.1, 1.5);
                at
            })
            .collect();
        for model in [
            MODEL,
            EdgeModel::white(0.3),
            EdgeModel {
                white: 0.0,
                ..MODEL
            },
        ] {
            let factor = covariance(&s, &model).cholesky().unwrap().l();
            let values: Vec<f64> = s.iter().map(|s| s.sin()).collect();
            let expected = factor
                .solve_lower_triangular(&DVector::from_column_slice(&values))
                .unwrap();
            let whitener = Whitener::new(&s, &model, None);
            let mut got = values.clone();
            whitener.apply(&mut got);
            for (g, e) in got.iter().zip(expected.iter()) {
                assert!((g - e).abs() < 1e-6 * (1.0 + e.abs()), "{g} {e}");
            }
            let log = 2.0 * factor.diagonal().iter().map(|d| d.ln()).sum::<f64>();
            assert!((whitener.log_determinant - log).abs() < 1e-6);
        }
    }

    /// Leaving a point out is the same as not having it.
    #[test]
    fn a_point_left_out() {
        let s: Vec<f64> = (0..20).map(f64::from).collect();
        let mut trust = vec![1.0; 20];
        trust[7] = 0.0;
        let mut all: Vec<f64> = s.iter().map(|s| (s * 0.4).cos()).collect();
        let without = |v: &[f64]| -> Vec<f64> {
            v.iter()
                .enumerate()
                .filter(|(i, _)| *i != 7)
                .map(|(_, v)| *v)
                .collect()
        };
        let mut fewer = without(&all);
        Whitener::new(&s, &MODEL, Some(&trust)).apply(&mut all);
        Whitener::new(&without(&s), &MODEL, None).apply(&mut fewer);
        assert_eq!(all[7], 0.0);
        for (a, b) in without(&all).iter().zip(&fewer) {
            assert!((a - b).abs() < 1e-12);
        }
    }

    /// What is read off noise of known make, twenty edges 90 mm long (ten lengths of the long part): the scatter within 15%,
    /// the number of independent points, which the long part decides, within 70%; white noise is seldom called ragged.
    #[test]
    fn noise_is_read_off_residuals() {
        let mut random = Random::new(12);
        let s: Vec<f64> = (0..450).map(|i| 0.2 * f64::from(i)).collect();
        let level = DMatrix::from_element(s.len(), 1, 1.0);
        let make = |model: &EdgeModel, random: &mut Random| {
            let mut e: Vec<f64> = s.iter().map(|_| random.normal()).collect();
            Whitener::new(&s, model, None).colour(&mut e);
            e
        };
        let (mut sd, mut count) = (0.0, 0.0);
        for _ in 0..20 {
            let e = make(&MODEL, &mut random);
            let found = estimate(&s, &e, &level, None).unwrap();
            sd += found.sd() / 20.0;
            count += found.effective_count(s.len(), 90.0) / 20.0;
        }
        assert!((sd / MODEL.sd() - 1.0).abs() < 0.15, "{sd} {}", MODEL.sd());
        let expected = MODEL.effective_count(s.len(), 90.0);
        assert!(
            (0.6..1.7).contains(&(count / expected)),
            "{count} {expected}"
        );
        let mut ragged = 0;
        for _ in 0..20 {
            let e = make(&EdgeModel::white(0.05), &mut random);
            let found = estimate(&s, &e, &level, None).unwrap();
            assert!((found.sd() / 0.05 - 1.0).abs() < 0.15);
            ragged += usize::from(found.effective_count(s.len(), 90.0) < 225.0);
        }
        assert!(ragged <= 5, "{ragged} of 20");
    }

    #[test]
    fn nothing_to_read() {
        let s: Vec<f64> = (0..10).map(f64::from).collect();
        let none = DMatrix::zeros(10, 0);
        assert_eq!(estimate(&s, &[1.0; 10], &none, None), None);
        let s: Vec<f64> = (0..30).map(f64::from).collect();
        let none = DMatrix::zeros(30, 0);
        assert_eq!(estimate(&s, &[0.0; 30], &none, None), None);
        let values: Vec<f64> = s.iter().map(|s| s.sin()).collect();
        let nothing = DMatrix::zeros(30, 1);
        assert_eq!(estimate(&s, &values, &nothing, None), None);
    }
}
