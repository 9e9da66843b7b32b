//! What the gap comes to: the largest, how the straightedge rests, crown, filler, next action.

use super::found::Found;
use super::gap::Gap;
use super::remedy::Parts;
use super::{EVEN_MM, GapAt, Rests};
use crate::budget::{BudgetPart, Part, gather};
use crate::solve::random::Random;
use crate::units::{K95, Measured};

/// Figures of a straightedge.
pub struct Figures {
    pub rows: Vec<GapAt>,
    pub max_gap: Measured,
    pub max_at_mm: f64,
    pub contacts_mm: Vec<f64>,
    pub rests: Rests,
    pub crown_radius: Option<Measured>,
    pub filler: Measured,
    pub budget: Vec<BudgetPart>,
    pub parts: Parts,
    pub next: String,
}

/// Draws for the largest gap.
const DRAWS: usize = 300;
/// Blur and dirt at the straightedge's own ends, mm: no largest gap is read there.
const END_MM: f64 = 4.0;

pub fn figures(gap: &Gap, found: &Found) -> Figures {
    let n = gap.s_mm.len();
    let rows: Vec<GapAt> = (0..n)
        .map(|i| {
            let common: f64 = gap.common.iter().map(|c| c.by_mm[i] * c.by_mm[i]).sum();
            GapAt {
                s_mm: gap.s_mm[i],
                gap_mm: gap.gap_mm[i].max(0.0),
                u95_mm: K95 * gap.u_noise_mm[i].hypot(common.sqrt()),
            }
        })
        .collect();
    let first = if found.ends[0] {
        gap.s_mm[0] + END_MM
    } else {
        gap.s_mm[0]
    };
    let last = if found.ends[1] {
        gap.s_mm[n - 1] - END_MM
    } else {
        gap.s_mm[n - 1]
    };
    let counted: Vec<usize> = (0..n)
        .filter(|i| gap.s_mm[*i] >= first && gap.s_mm[*i] <= last)
        .collect();
    let largest = |g: &dyn Fn(usize) -> f64| -> (usize, f64) {
        counted
            .iter()
            .map(|i| (*i, g(*i)))
            .fold((0, f64::NEG_INFINITY), |b, v| if v.1 > b.1 { v } else { b })
    };
    let (at, top) = largest(&|i| gap.gap_mm[i]);
    // Noise alone lifts the largest of many: by how much, and how it scatters, is drawn.
    let noises = draws(gap);
    let tops: Vec<f64> = noises
        .iter()
        .map(|e| largest(&|i| gap.gap_mm[i] + e[i]).1 - top)
        .collect();
    let lift = tops.iter().sum::<f64>() / tops.len().max(1) as f64;
    let spread =
        (tops.iter().map(|t| (t - lift).powi(2)).sum::<f64>() / tops.len().max(2) as f64).sqrt();
    let parts = Parts {
        noise_mm: spread.hypot(0.5 * lift),
        common: gap
            .common
            .iter()
            .map(|c| (c.source, c.by_mm[at].abs()))
            .collect(),
    };
    let mut budget = vec![BudgetPart::from_u(Part::Edge, parts.noise_mm)];
    for c in &gap.common {
        budget.push(BudgetPart::from_u(c.source.part(), c.by_mm[at].abs()));
    }
    let max_gap = Measured {
        value: (top - lift).max(0.0),
        u95: crate::budget::combine(&budget),
    };
    let budget = gather(&budget);
    let shape = Shape::of(gap, &counted);
    let even = max_gap.value <= EVEN_MM.max(max_gap.u95);
    let rests = if even {
        Rests::Even
    } else if shape.hollow_mm > shape.crown_mm {
        Rests::Bridges
    } else {
        Rests::Rocks
    };
    let contacts_mm = contacts(gap, &rows, &shape, rests);
    let crown_radius = (rests == Rests::Rocks)
        .then(|| crown(gap, &counted, &noises))
        .flatten();
    let filler = max_gap;
    let next = next(rests, gap, &max_gap, at, &shape);
    Figures {
        rows,
        max_gap,
        max_at_mm: gap.s_mm[at],
        contacts_mm,
        rests,
        crown_radius,
        filler,
        budget,
        parts,
        next,
    }
}

/// Draws of the noise that is in the smoothed curve.
fn draws(gap: &Gap) -> Vec<Vec<f64>> {
    let n = gap.s_mm.len();
    let mut random = Random::new(0x57A1);
    (0..DRAWS)
        .filter_map(|_| {
            let mut e = vec![0.0; n];
            let mut last = 0.0;
            for (i, e) in e.iter_mut().enumerate() {
                let r = if i > 0 && gap.correlation_mm > 0.0 {
                    (-(gap.s_mm[i] - gap.s_mm[i - 1]) / gap.correlation_mm).exp()
                } else {
                    0.0
                };
                last = r * last + (1.0 - r * r).sqrt() * random.normal() * gap.sd_mm;
                *e = last;
            }
            gap.filter.apply(&e).ok()
        })
        .collect()
}

/// Hollows and crown of the panel under the straightedge.
struct Shape {
    /// Deepest hollow under a straight line that rests on the panel to both sides of it, mm.
    hollow_mm: f64,
    /// Where that line rests, indices.
    rest: [usize; 2],
    /// Height of the panel above the line through the ends of what is seen, mm.
    crown_mm: f64,
    /// Where it is highest: index of the least gap.
    high: usize,
}

impl Shape {
    fn of(gap: &Gap, counted: &[usize]) -> Shape {
        let at = |i: usize| (gap.s_mm[i], gap.gap_mm[i]);
        let hull = |sign: f64| -> Vec<usize> {
            let mut hull: Vec<usize> = Vec::new();
            for &i in counted {
                while let [.., a, b] = hull[..] {
                    let (p, q, r) = (at(a), at(b), at(i));
                    let turn = (q.0 - p.0) * (r.1 - p.1) - (q.1 - p.1) * (r.0 - p.0);
                    if sign * turn > 0.0 {
                        break;
                    }
                    hull.pop();
                }
                hull.push(i);
            }
            hull
        };
        let deepest = |hull: &[usize], sign: f64| -> (f64, [usize; 2], usize) {
            let mut best = (0.0, [counted[0], counted[0]], counted[0]);
            for pair in hull.windows(2) {
                let (p, q) = (at(pair[0]), at(pair[1]));
                for i in pair[0]..=pair[1] {
                    let v = at(i);
                    let t = if q.0 > p.0 {
                        (v.0 - p.0) / (q.0 - p.0)
                    } else {
                        0.0
                    };
                    let depth = sign * (v.1 - (p.1 + (q.1 - p.1) * t));
                    if depth > best.0 {
                        best = (depth, [pair[0], pair[1]], i);
                    }
                }
            }
            best
        };
        let (hollow_mm, rest, _) = deepest(&hull(1.0), 1.0);
        let (crown_mm, _, _) = deepest(&hull(-1.0), -1.0);
        let high = counted
            .iter()
            .copied()
            .min_by(|a, b| gap.gap_mm[*a].total_cmp(&gap.gap_mm[*b]))
            .unwrap_or(counted[0]);
        Shape {
            hollow_mm,
            rest,
            crown_mm,
            high,
        }
    }
}

/// Where it touches.
fn contacts(gap: &Gap, rows: &[GapAt], shape: &Shape, rests: Rests) -> Vec<f64> {
    let touches = |i: usize| rows[i].gap_mm <= rows[i].u95_mm.max(EVEN_MM);
    let candidates: Vec<usize> = match rests {
        Rests::Rocks => vec![shape.high],
        Rests::Bridges => shape.rest.to_vec(),
        Rests::Even => {
            // Least gap of each third: it touches all along.
            let n = rows.len();
            (0..3)
                .filter_map(|k| {
                    (k * n / 3..(k + 1) * n / 3)
                        .min_by(|a, b| gap.gap_mm[*a].total_cmp(&gap.gap_mm[*b]))
                })
                .collect()
        }
    };
    let mut out: Vec<f64> = candidates
        .into_iter()
        .filter(|i| touches(*i))
        .map(|i| rows[i].s_mm)
        .collect();
    out.dedup();
    out
}

/// Radius of the crown: height h of the best parabola over the chord c that is seen, R = c²/(8h) + h/2.
fn crown(gap: &Gap, counted: &[usize], noises: &[Vec<f64>]) -> Option<Measured> {
    let (first, last) = (*counted.first()?, *counted.last()?);
    let (from, to) = (gap.s_mm[first], gap.s_mm[last]);
    let chord = to - from;
    // Least-squares parabola by Legendre's second polynomial, which is square to any straight line on even points.
    let p2 = |s: f64| {
        let t = 2.0 * (s - from) / chord - 1.0;
        0.5 * (3.0 * t * t - 1.0)
    };
    let total: f64 = counted.iter().map(|i| p2(gap.s_mm[*i]).powi(2)).sum();
    let height = |g: &dyn Fn(usize) -> f64| -> f64 {
        let c: f64 = counted
            .iter()
            .map(|i| p2(gap.s_mm[*i]) * g(*i))
            .sum::<f64>()
            / total;
        1.5 * c
    };
    let h = height(&|i| gap.gap_mm[i]);
    let noise = noises
        .iter()
        .map(|e| height(&|i| e[i]).powi(2))
        .sum::<f64>()
        / noises.len().max(1) as f64;
    let common: f64 = gap
        .common
        .iter()
        .map(|c| height(&|i| c.by_mm[i]).powi(2))
        .sum();
    let u95 = K95 * (noise + common).sqrt();
    if h <= u95 {
        return None;
    }
    let radius = |h: f64| crown_radius_mm(chord, h);
    Some(Measured {
        value: radius(h),
        u95: (0.5 * (radius(h - u95.min(0.9 * h)) - radius(h + u95))).max(1e-6),
    })
}

/// Radius of the circle that rises by `height_mm` over a chord of `chord_mm`.
pub fn crown_radius_mm(chord_mm: f64, height_mm: f64) -> f64 {
    chord_mm * chord_mm / (8.0 * height_mm) + 0.5 * height_mm
}

/// Filler thicker than this over the base coats is not put on in one go (common practice, no source; the maker's sheet
/// rules).
const FILLER_LIMIT_MM: f64 = 2.0;

fn next(rests: Rests, gap: &Gap, max: &Measured, at: usize, shape: &Shape) -> String {
    let s = |i: usize| gap.s_mm[i];
    match rests {
        // Even by its ± alone is not the same as even.
        Rests::Even if max.value > EVEN_MM => format!(
            "The straightedge stands even as far as this photo can tell: a gap of up to {:.2} mm would not show in it.",
            max.value + max.u95
        ),
        Rests::Even => "Nothing to do here: the straightedge stands even.".into(),
        Rests::Bridges => {
            let (from, to) = (s(shape.rest[0]), s(shape.rest[1]));
            if max.value > FILLER_LIMIT_MM {
                format!(
                    "Hollow between {from:.0} and {to:.0} mm, {:.2} mm deep at {:.0} mm: too much for filler alone; bring the metal up first.",
                    max.value,
                    s(at)
                )
            } else {
                format!(
                    "Fill the hollow between {from:.0} and {to:.0} mm: {:.2} mm of filler at {:.0} mm closes it.",
                    max.value,
                    s(at)
                )
            }
        }
        Rests::Rocks => format!(
            "The panel is high at {:.0} mm: where it should be flat, take the high down before filling the ends ({:.2} mm at {:.0} mm).",
            s(shape.high),
            max.value,
            s(at)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Sagitta and radius, from the circle's own geometry (chord 300, height 1: 11250.5; 1000, 2.5: 50001.25; 600, 4.5:
    /// 10002.25; 200, 20: 260).
    #[test]
    fn crown_of_a_chord() {
        for (c, h, r) in [
            (300.0, 1.0, 11250.5),
            (1000.0, 2.5, 50001.25),
            (600.0, 4.5, 10002.25),
            (200.0, 20.0, 260.0),
        ] {
            assert_abs_diff_eq!(crown_radius_mm(c, h), r, epsilon = 1e-9);
        }
    }
}
