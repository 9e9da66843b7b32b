//! The light behind the gap: seen where the gap is open or beyond the straightedge's ends, and carried along to where it isn't.

use super::bank::{Placed, fit_all};
use super::found::Found;
use super::profile::{Behind, Blur, Edges, LIGHTS, distinct};

/// What is seen beyond the straightedge's ends: place along, mm, and light.
pub fn beyond(found: &Found) -> Vec<(f64, [f64; LIGHTS])> {
    found
        .behind
        .iter()
        .map(|(a, rgb)| (*a, lights(*rgb)))
        .collect()
}

/// The lights of a colour.
pub fn lights(rgb: [f64; 3]) -> [f64; LIGHTS] {
    let luma = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
    [luma, rgb[0] - rgb[1], rgb[2] - rgb[1]]
}

/// How far the light behind may change from place to place where it isn't seen, as a share of its contrast and of itself (ours,
/// from workshop photos: walls, floors and machines out of focus).
const CHANGE: f64 = 0.25;

pub fn wide(light: &[f64; LIGHTS], share: f64) -> [f64; LIGHTS] {
    [
        share * light[0] + 0.01,
        share * light[0] * 0.4 + 0.01,
        share * light[0] * 0.4 + 0.01,
    ]
}

/// Which light lies behind, one for all: seen where the gap is open, beyond the ends, else above the straightedge's back, or else
/// dark or bright, whichever explains the profiles.
pub fn first_behind(
    all: &[Placed],
    starts: &[(f64, f64)],
    blur: &Blur,
    beyond: &[(f64, [f64; LIGHTS])],
    above: Option<[f64; LIGHTS]>,
) -> Behind {
    let mut open: Vec<[f64; LIGHTS]> = all
        .iter()
        .zip(starts)
        .filter(|(_, s)| s.1 >= 4.0)
        .filter_map(|((_, p), s)| {
            let p = p.as_ref()?;
            let rows = || {
                p.y_px
                    .iter()
                    .zip(&p.light)
                    .filter(|(y, _)| **y > s.0 + 0.35 * s.1 && **y < s.0 + 0.65 * s.1)
            };
            let n = rows().count();
            let sum = rows().fold([0.0; LIGHTS], |t, (_, v)| {
                std::array::from_fn(|i| t[i] + v[i])
            });
            let light = sum.map(|s| s / n.max(1) as f64);
            let side = |from: f64, to: f64| -> [f64; LIGHTS] {
                let rows = || {
                    p.y_px
                        .iter()
                        .zip(&p.light)
                        .filter(|(y, _)| **y > from && **y < to)
                        .map(|(_, v)| v)
                };
                let n = rows().count().max(1) as f64;
                rows().fold([0.0; LIGHTS], |t, v| {
                    std::array::from_fn(|i| t[i] + v[i] / n)
                })
            };
            let sides = [
                side(s.0 - 7.0, s.0 - 2.0),
                side(s.0 + s.1 + 2.0, s.0 + s.1 + 7.0),
            ];
            (n > 0 && distinct(&light, &sides)).then_some(light)
        })
        .collect();
    let mut tries: Vec<Behind> = Vec::new();
    if open.len() >= 4 {
        tries.push(spread(&mut open));
    }
    if !beyond.is_empty() {
        let n = beyond.len() as f64;
        let mean = beyond.iter().fold([0.0; LIGHTS], |t, b| {
            std::array::from_fn(|i| t[i] + b.1[i] / n)
        });
        tries.push(Behind {
            light: mean,
            u: wide(&mean, CHANGE),
        });
    }
    if let (true, Some(light)) = (tries.is_empty(), above) {
        tries.push(Behind {
            light,
            u: wide(&light, CHANGE),
        });
    }
    if tries.is_empty() {
        let brightest = all
            .iter()
            .filter_map(|p| p.1.as_ref())
            .flat_map(|p| p.light.iter().map(|v| v[0]))
            .fold(0.1, f64::max);
        for light in [0.005, brightest] {
            tries.push(Behind {
                light: [light, 0.0, 0.0],
                u: [0.3 * light + 0.02, 0.05, 0.05],
            });
        }
    }
    if let [only] = tries[..] {
        return only;
    }
    let square = |b: &Behind| -> f64 {
        let each = vec![*b; all.len()];
        fit_all(all, starts, blur, &each, None)
            .iter()
            .flatten()
            .map(|e| e.square.min(20.0 * e.rows as f64))
            .sum()
    };
    let best = tries
        .iter()
        .map(|b| (square(b), *b))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or(
        Behind {
            light: [0.01, 0.0, 0.0],
            u: [0.1, 0.05, 0.05],
        },
        |b| b.1,
    )
}

/// Median and robust scatter of lights, never surer than a tenth.
fn spread(all: &mut [[f64; LIGHTS]]) -> Behind {
    let median = |mut v: Vec<f64>| -> f64 {
        v.sort_by(f64::total_cmp);
        v.get(v.len() / 2).copied().unwrap_or(0.0)
    };
    let light: [f64; LIGHTS] = std::array::from_fn(|i| median(all.iter().map(|v| v[i]).collect()));
    let floor = wide(&light, 0.1);
    let u = std::array::from_fn(|i| {
        let away = median(all.iter().map(|v| (v[i] - light[i]).abs()).collect());
        (1.4826 * away).max(floor[i])
    });
    Behind { light, u }
}

/// How much a profile says about the light behind: nothing where the gap is within the blur.
fn says(edges: &Edges, blur: &Blur) -> f64 {
    // What looks like either side may be that side: no gap at all.
    if !distinct(&edges.behind, &edges.sides) {
        return 0.0;
    }
    let open = (edges.gap_px - 2.0 * blur.sd_px) / blur.sd_px;
    open.clamp(0.0, 2.0)
}

/// Light behind in all the gap: what open profiles and the places beyond the ends show.
pub fn whole_behind(
    edges: &[Option<Edges>],
    blur: &Blur,
    first: Behind,
    beyond: &[(f64, [f64; LIGHTS])],
) -> Behind {
    let mut seen: Vec<[f64; LIGHTS]> = edges
        .iter()
        .flatten()
        .filter(|e| says(e, blur) > 0.5)
        .map(|e| e.behind)
        .collect();
    if seen.len() >= 4 {
        let mut got = spread(&mut seen);
        let floor = wide(&got.light, 0.15);
        for (u, f) in got.u.iter_mut().zip(floor) {
            *u = u.max(f);
        }
        return got;
    }
    if let [first, rest @ ..] = beyond {
        let n = beyond.len() as f64;
        let light = rest.iter().fold(first.1.map(|v| v / n), |t, b| {
            std::array::from_fn(|i| t[i] + b.1[i] / n)
        });
        return Behind {
            light,
            u: wide(&light, CHANGE),
        };
    }
    first
}

/// Reach over which the light behind is carried along, mm.
const CARRY_MM: f64 = 30.0;

/// Light behind at each place: what is seen nearby, less and less sure with distance.
pub fn carried_behind(
    edges: &[Option<Edges>],
    at_mm: &[f64],
    blur: &Blur,
    whole: &Behind,
    beyond: &[(f64, [f64; LIGHTS])],
    wanted_mm: &[f64],
) -> Vec<Behind> {
    let mut known: Vec<(f64, [f64; LIGHTS], f64)> = edges
        .iter()
        .zip(at_mm)
        .filter_map(|(e, s)| {
            let e = e.as_ref()?;
            let w = says(e, blur);
            (w > 0.0).then_some((*s, e.behind, w))
        })
        .collect();
    known.extend(beyond.iter().map(|(s, light)| (*s, *light, 1.5)));
    let least = wide(&whole.light, 0.08);
    wanted_mm
        .iter()
        .map(|s| {
            let mut sum = whole.light.map(|v| 0.3 * v);
            let mut total = 0.3;
            for (at, light, w) in &known {
                let w = w * (-0.5 * ((at - s) / CARRY_MM).powi(2)).exp();
                total += w;
                for (t, v) in sum.iter_mut().zip(light) {
                    *t += w * v;
                }
            }
            let share = (0.3 / total).sqrt();
            Behind {
                light: sum.map(|v| v / total),
                u: std::array::from_fn(|i| (whole.u[i] * share).hypot(least[i])),
            }
        })
        .collect()
}

/// Light behind one standard uncertainty nearer to the mean of both sides.
pub fn nearer(edges: Option<&Edges>, b: &Behind) -> Behind {
    let Some(e) = edges else { return *b };
    Behind {
        light: std::array::from_fn(|i| {
            let middle = 0.5 * (e.sides[0][i] + e.sides[1][i]);
            b.light[i] + b.u[i] * (middle - b.light[i]).signum()
        }),
        u: b.u.map(|u| 0.2 * u),
    }
}
