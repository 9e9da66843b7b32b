//! From the line's shape to its figures: deviation and straightness, with u95 and budget.
//!
//! Every figure is (nearly) linear in the places across the line, so its uncertainty is the figure's own weights applied
//! to three kinds of error: readings that scatter (image noise, raggedness of the coat) with the correlation found in
//! their residuals; what the panel's texture does to the place, found on the texture beside the line; and the scale's
//! parameters with their covariance by source.

use super::shape::Shape;
use super::waves::waves;
use super::{Deviation, Lie, LineOptions, Reference, ReferenceChoice, Wave};
use crate::budget::{BudgetPart, Part};
use crate::check::CheckError;
use crate::fit::FitError;
use crate::fit::fair::{Coarse, Fair};
use crate::fit::line::fit_line;
use crate::fit::zone_noise::{EdgeNoise, zone_noise};
use crate::units::{K95, Measured, Mm, Px};
use nalgebra::{DMatrix, DVector, Vector2};

/// Deviation rows, straightness and budget.
#[derive(Debug, Clone)]
pub struct Figures {
    /// A row a point.
    pub deviation: Vec<Deviation>,
    /// What it is measured from.
    pub reference: Reference,
    /// Minimum zone.
    pub straightness: Measured,
    /// Rms deviation, mm.
    pub rms_mm: f64,
    /// Length, mm.
    pub length_mm: f64,
    /// Budget of the deviation: rms over the line of each part's u95.
    pub budget: Vec<BudgetPart>,
    /// Waves.
    pub waves: Vec<Wave>,
    /// How the line lies in the photo.
    pub lie: Lie,
}

/// Linear projection that takes the reference off: d minus its fit in `basis` (columns over all points).
struct Reduce {
    basis: Vec<Vec<f64>>,
}

impl Reduce {
    /// Orthonormal columns from powers of s, up to `degree`.
    fn powers(s: &[f64], degree: usize) -> Reduce {
        let n = s.len() as f64;
        let mean = s.iter().sum::<f64>() / n;
        let span = (s[s.len() - 1] - s[0]).max(1.0);
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for power in 0..=degree {
            let mut column: Vec<f64> = s
                .iter()
                .map(|x| ((x - mean) / span).powi(power as i32))
                .collect();
            for _ in 0..2 {
                for b in &basis {
                    let dot: f64 = column.iter().zip(b).map(|(a, b)| a * b).sum();
                    column.iter_mut().zip(b).for_each(|(c, b)| *c -= dot * b);
                }
            }
            let size = column.iter().map(|c| c * c).sum::<f64>().sqrt().max(1e-12);
            column.iter_mut().for_each(|c| *c /= size);
            basis.push(column);
        }
        Reduce { basis }
    }

    fn apply(&self, d: &[f64]) -> Vec<f64> {
        let mut out = d.to_vec();
        for b in &self.basis {
            let dot: f64 = d.iter().zip(b).map(|(a, b)| a * b).sum();
            out.iter_mut().zip(b).for_each(|(o, b)| *o -= dot * b);
        }
        out
    }
}

/// Takes a reference off heights given at every point.
type TakeOff = Box<dyn Fn(&[f64]) -> Vec<f64>>;

/// The line's heights with the reference taken off, and what the same takes off their errors.
struct Referred {
    s: Vec<f64>,
    d: Vec<f64>,
    u_edge: Vec<f64>,
    reduced: Vec<f64>,
    reference: Reference,
    /// What a unit of each of the scale's parameters does to each height, less the reference: a column a parameter.
    moved: Vec<Vec<f64>>,
    /// Whether straightness is of the heights themselves, as their reference is a straight line.
    straight: bool,
}

impl Referred {
    fn new(shape: &Shape, options: &LineOptions) -> Result<Referred, CheckError> {
        let all = |of: fn(&super::shape::Run) -> &Vec<f64>| -> Vec<f64> {
            shape
                .runs
                .iter()
                .flat_map(|r| of(r).iter().copied())
                .collect()
        };
        let (s, d) = (all(|r| &r.s_mm), all(|r| &r.smooth_mm));
        let u_edge = all(|r| &r.u_edge_mm);
        // How each place moves across with the scale's parameters.
        let across: Vec<DVector<f64>> = shape
            .placed
            .slopes
            .iter()
            .map(|[x, y]| x * shape.across.x + y * shape.across.y)
            .collect();
        let (reduced, reference, reduce) = take_off(shape, options, &s, &d)?;
        // Geometry: the same projection on each parameter's effect.
        let parameters = across.first().map_or(0, |a| a.len());
        let moved = (0..parameters)
            .map(|j| reduce(&across.iter().map(|a| a[j]).collect::<Vec<f64>>()))
            .collect();
        Ok(Referred {
            s,
            d,
            u_edge,
            reduced,
            reference,
            moved,
            straight: matches!(options.reference, ReferenceChoice::Straight),
        })
    }

    /// Variance of each height from each source of the scale's, the reference taken off.
    fn by_part(&self, shape: &Shape) -> Vec<(Part, Vec<f64>)> {
        let covariance = &shape.placed.covariance;
        covariance
            .iter()
            .map(|(part, covariance)| {
                let variance = (0..self.s.len())
                    .map(|i| {
                        let g = DVector::from_fn(self.moved.len(), |j, _| self.moved[j][i]);
                        (covariance * &g).dot(&g).max(0.0)
                    })
                    .collect();
                (*part, variance)
            })
            .collect()
    }

    /// Straightness without what noise adds to it, with its interval, from so many draws.
    fn straightness(&self, shape: &Shape, draws: u64) -> Result<Measured, CheckError> {
        let heights = if self.straight {
            &self.d
        } else {
            &self.reduced
        };
        let mut run_starts = Vec::with_capacity(shape.runs.len());
        let mut at = 0;
        for run in &shape.runs {
            run_starts.push(at);
            at += run.s_mm.len();
        }
        let noise = EdgeNoise {
            u_mm: &self.u_edge,
            correlation_mm: shape.correlation_mm,
            shortest_mm: shape.cutoff_mm,
            run_starts: &run_starts,
            modes: &self.modes(&shape.placed.covariance),
        };
        let found = zone_noise(&self.s, heights, &noise, draws, SEED)
            .ok_or(FitError::NoLength { span_mm: 0.0 })?;
        // Noise can only widen a zone: by nothing where all of it is alike along the line, by the whole of what was drawn
        // where it is as short as the filter lets through. The middle is off by half of that at most.
        let half = 0.5 * found.bias_mm.max(0.0);
        Ok(Measured {
            value: found.measured_mm - half,
            u95: (found.u95_mm + half).max(1e-6),
        })
    }

    /// What the scale's uncertainty does to the heights: independent bends, each as large as one standard uncertainty.
    fn modes(&self, covariance: &[(Part, DMatrix<f64>)]) -> Vec<Vec<f64>> {
        let parameters = self.moved.len();
        let total = covariance
            .iter()
            .fold(DMatrix::zeros(parameters, parameters), |sum, (_, c)| {
                sum + c
            });
        let root = root(total);
        let mut modes: Vec<Vec<f64>> = Vec::new();
        for k in 0..parameters {
            let mut mode = vec![0.0; self.s.len()];
            for (column, by) in self.moved.iter().zip(root.column(k).iter()) {
                mode.iter_mut().zip(column).for_each(|(m, c)| *m += by * c);
            }
            if mode.iter().any(|m| m.abs() > LEAST_MODE_MM) {
                modes.push(mode);
            }
        }
        modes
    }
}

/// Bends smaller than this change no figure, mm.
const LEAST_MODE_MM: f64 = 1e-4;
/// Stream of the draws: the same photo gives the same figures.
const SEED: u64 = 20_261;

/// Half-width of the straightness' 95% interval, from so many draws.
pub fn zone_u95(shape: &Shape, options: &LineOptions, draws: u64) -> Result<f64, CheckError> {
    Ok(Referred::new(shape, options)?
        .straightness(shape, draws)?
        .u95)
}

/// Mean variance that the scale leaves in the heights less their straight line, mm².
pub fn scale_variance(shape: &Shape) -> Result<f64, CheckError> {
    let referred = Referred::new(shape, &LineOptions::default())?;
    let n = referred.s.len().max(1) as f64;
    let parts = referred.by_part(shape);
    Ok(parts.iter().flat_map(|(_, v)| v).sum::<f64>() / n)
}

/// Draws for the interval of a straightness.
const DRAWS: u64 = 300;

/// Works out deviation, straightness and waves from the reference asked for.
pub fn figures(shape: &Shape, options: &LineOptions) -> Result<Figures, CheckError> {
    let referred = Referred::new(shape, options)?;
    let by_part = referred.by_part(shape);
    let straightness = referred.straightness(shape, DRAWS)?;
    let Referred {
        s,
        u_edge,
        reduced,
        reference,
        ..
    } = referred;
    let n = s.len();
    let edge: Vec<f64> = edge_variance(shape, &options.reference, &u_edge)?;
    let deviation: Vec<Deviation> = (0..n)
        .map(|i| {
            let geometry: f64 = by_part.iter().map(|(_, v)| v[i]).sum();
            Deviation {
                s_mm: s[i] - s[0],
                d_mm: reduced[i],
                u95_mm: K95 * (geometry + edge[i]).sqrt().max(1e-6),
            }
        })
        .collect();
    let mean = |v: &[f64]| K95 * (v.iter().sum::<f64>() / n as f64).sqrt();
    let mut budget = vec![BudgetPart {
        part: Part::Edge,
        u95_mm: mean(&edge),
    }];
    budget.extend(by_part.iter().map(|(part, v)| BudgetPart {
        part: *part,
        u95_mm: mean(v),
    }));
    budget.sort_by(|a, b| b.u95_mm.total_cmp(&a.u95_mm));

    let rms_mm = (reduced.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
    let lie = lie(shape);
    let waves = waves(shape, &deviation, lie, options);
    Ok(Figures {
        deviation,
        reference,
        straightness,
        rms_mm,
        length_mm: s[n - 1] - s[0],
        budget,
        waves,
        lie,
    })
}

/// How the line lies; level, card upright, where its ends fall together.
fn lie(shape: &Shape) -> Lie {
    let ends = |px: Option<(&Px, &Px)>, mm: Option<(&Mm, &Mm)>| {
        let ((a, b), (p, q)) = (px?, mm?);
        Lie::between([a.0, b.0], [p.0, q.0])
    };
    let points = &shape.placed.points;
    ends(
        shape.px.first().zip(shape.px.last()),
        points.first().zip(points.last()),
    )
    .unwrap_or(Lie {
        along: Vector2::x(),
        positive: Vector2::y(),
    })
}

/// Heights less the reference asked for, the reference, and what takes it off.
fn take_off(
    shape: &Shape,
    options: &LineOptions,
    s: &[f64],
    d: &[f64],
) -> Result<(Vec<f64>, Reference, TakeOff), CheckError> {
    Ok(match &options.reference {
        ReferenceChoice::Straight => {
            let r = Reduce::powers(s, 1);
            (
                r.apply(d),
                Reference::Straight,
                Box::new(move |v| r.apply(v)),
            )
        }
        ReferenceChoice::Arc => {
            let r = Reduce::powers(s, 2);
            let out = r.apply(d);
            let sagitta = sagitta(s, d);
            let half = 0.5 * (s[s.len() - 1] - s[0]);
            let radius_mm = half * half / (2.0 * sagitta) + sagitta / 2.0;
            (
                out,
                Reference::Arc { radius_mm },
                Box::new(move |v| r.apply(v)),
            )
        }
        ReferenceChoice::Fair { cutoff_mm } => {
            let filters: Vec<Fair> = shape
                .runs
                .iter()
                .map(|r| Fair::new(&r.s_mm, None, *cutoff_mm))
                .collect::<Result<_, _>>()?;
            let take = move |v: &[f64]| {
                let mut out = Vec::with_capacity(v.len());
                let mut at = 0;
                for f in &filters {
                    let n = f.s_mm().len();
                    let part = &v[at..at + n];
                    let fair = f.apply(part).unwrap_or_else(|_| vec![0.0; n]);
                    out.extend(part.iter().zip(&fair).map(|(a, b)| a - b));
                    at += n;
                }
                out
            };
            (
                take(d),
                Reference::Fair {
                    cutoff_mm: *cutoff_mm,
                },
                Box::new(take),
            )
        }
        ReferenceChoice::Partner { points, file } => {
            let partner = partner_heights(s, points)?;
            let less: Vec<f64> = d.iter().zip(&partner).map(|(a, b)| a - b).collect();
            let r = Reduce::powers(s, 1);
            (
                r.apply(&less),
                Reference::Partner { file: file.clone() },
                Box::new(move |v| r.apply(v)),
            )
        }
    })
}

fn sagitta(s: &[f64], d: &[f64]) -> f64 {
    let r = Reduce::powers(s, 1);
    let off = r.apply(d);
    let half = 0.5 * (s[s.len() - 1] - s[0]);
    let mean = 0.5 * (s[s.len() - 1] + s[0]);
    // Least squares of a parabola's second-order part.
    let square: Vec<f64> = r.apply(
        &s.iter()
            .map(|x| ((x - mean) / half).powi(2))
            .collect::<Vec<_>>(),
    );
    let num: f64 = off.iter().zip(&square).map(|(a, b)| a * b).sum();
    let den: f64 = square.iter().map(|b| b * b).sum::<f64>().max(1e-12);
    let sag = -(num / den);
    if sag.abs() < 1e-9 { 1e-9 } else { sag }
}

/// Variance of each deviation from edge noise and texture, less what the reference takes up of it.
fn edge_variance(
    shape: &Shape,
    reference: &ReferenceChoice,
    u_edge: &[f64],
) -> Result<Vec<f64>, CheckError> {
    let mut out = Vec::with_capacity(u_edge.len());
    let mut at = 0;
    for run in &shape.runs {
        let n = run.s_mm.len();
        match reference {
            ReferenceChoice::Fair { cutoff_mm } => {
                // Noise alike over the whole filter's width is taken off with the fair curve.
                let fair = Fair::new(&run.s_mm, None, *cutoff_mm)?;
                let sd = vec![shape.ragged_mm; n];
                let noise = run
                    .filter
                    .u_less(&Coarse::Fair(&fair), &sd, shape.correlation_mm)?;
                let plain = run.filter.u(&sd, shape.correlation_mm)?;
                for i in 0..n {
                    out.push(
                        (u_edge[at + i].powi(2) - plain[i].powi(2)).max(0.0) + noise[i].powi(2),
                    );
                }
            }
            _ => out.extend(u_edge[at..at + n].iter().map(|u| u * u)),
        }
        at += n;
    }
    Ok(out)
}

/// Heights of a partner's points at the places given; outside its ends the nearest one's.
fn partner_heights(s: &[f64], points: &[Mm]) -> Result<Vec<f64>, CheckError> {
    let line = fit_line(points, None)?;
    let mut rows: Vec<(f64, f64)> = line
        .along_mm
        .iter()
        .copied()
        .zip(line.deviation_mm.iter().copied())
        .collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let first = rows[0].0;
    Ok(s.iter()
        .map(|x| {
            let t = x - s[0] + first;
            let k = rows.partition_point(|r| r.0 <= t).clamp(1, rows.len() - 1);
            let (p, q) = (rows[k - 1], rows[k]);
            let f = ((t - p.0) / (q.0 - p.0).max(1e-9)).clamp(0.0, 1.0);
            p.1 + (q.1 - p.1) * f
        })
        .collect())
}

/// Columns whose products with themselves sum to a covariance.
fn root(covariance: DMatrix<f64>) -> DMatrix<f64> {
    let eigen = covariance.symmetric_eigen();
    let mut root = eigen.eigenvectors;
    for (k, v) in eigen.eigenvalues.iter().enumerate() {
        root.column_mut(k).scale_mut(v.max(0.0).sqrt());
    }
    root
}
