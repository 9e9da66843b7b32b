//! What the surfaces' own texture makes of the edges.
//!
//! A brushed straightedge is streaked along its length, wood has grain, paint has a rim: streaks that run beside the edge look
//! the same all along it, so no averaging takes them out. A streak of light r and width w moves an edge by r w / d where d is
//! the step to what lies behind: nothing against a dark gap, half a pixel and more where straightedge and background are alike.
//! How strong such streaks are is seen on the surfaces themselves, a little way from their edges.

use super::edges::Placed;
use super::profile::{Edges, LIGHTS};

/// Light times width, px, by which streaks beside the edges stand off: straightedge, panel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Texture {
    streak: [[f64; LIGHTS]; 2],
}

/// Rows looked at, px from the edge: clear of its blur.
const NEAR_PX: f64 = 3.0;
const FAR_PX: f64 = 14.0;
/// Rows a pixel.
const PER_PX: f64 = 2.0;
/// Width over which the photo's blur gathers what lies beside an edge, px: a Gauss curve's own width, 2.5 deviations, at a
/// deviation of a pixel.
const GATHER_PX: f64 = 2.5;
/// Steps smaller than this are no edge, linear light.
const LEAST_STEP: f64 = 0.004;

impl Texture {
    /// Reads it from the profiles and the edges fitted to them.
    pub fn of(all: &[Placed], edges: &[Option<Edges>]) -> Texture {
        let side = |sign: f64| -> [f64; LIGHTS] {
            let rows = ((FAR_PX - NEAR_PX) * PER_PX) as usize + 1;
            let mut sum = vec![[0.0; LIGHTS]; rows];
            let mut count = vec![0.0; rows];
            for ((_, profile), edge) in all.iter().zip(edges) {
                let (Some(p), Some(e)) = (profile, edge) else {
                    continue;
                };
                let from = if sign < 0.0 {
                    e.y_px
                } else {
                    e.y_px + e.gap_px.max(0.0)
                };
                // A profile's own shading is no streak.
                let beside: Vec<(usize, &[f64; LIGHTS])> = p
                    .y_px
                    .iter()
                    .zip(&p.light)
                    .filter_map(|(y, light)| {
                        let row = ((y - from) * sign - NEAR_PX) * PER_PX;
                        (row >= -0.5 && row < rows as f64 - 0.5)
                            .then(|| (row.round() as usize, light))
                    })
                    .collect();
                for (row, light) in beside {
                    for (s, v) in sum[row].iter_mut().zip(light) {
                        *s += v;
                    }
                    count[row] += 1.0;
                }
            }
            let most = count.iter().copied().fold(0.0, f64::max);
            std::array::from_fn(|i| {
                let seen: Vec<(f64, f64)> = (0..rows)
                    .filter(|k| count[*k] > 0.5 * most && most > 0.0)
                    .map(|k| (k as f64 / PER_PX, sum[k][i] / count[k]))
                    .collect();
                streak(&seen)
            })
        };
        Texture {
            streak: [side(-1.0), side(1.0)],
        }
    }

    /// Standard uncertainty of a gap, px, from streaks beside both its edges.
    pub fn u_px(&self, e: &Edges) -> f64 {
        let moved = |streak: &[f64; LIGHTS], side: &[f64; LIGHTS]| -> f64 {
            let step = |i: usize| (e.behind[i] - side[i]).abs();
            let by: f64 = (0..LIGHTS).map(|i| streak[i] * step(i)).sum();
            let square: f64 = (0..LIGHTS).map(|i| step(i).powi(2)).sum();
            by / square.max(LEAST_STEP * LEAST_STEP)
        };
        moved(&self.streak[0], &e.sides[0]).hypot(moved(&self.streak[1], &e.sides[1]))
    }
}

/// Rms of what windows of [`GATHER_PX`] hold beyond a straight line through all rows (place px, light).
fn streak(rows: &[(f64, f64)]) -> f64 {
    let window = (GATHER_PX * PER_PX) as usize;
    if rows.len() < 2 * window {
        return 0.0;
    }
    let n = rows.len() as f64;
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| rows.iter().map(f).sum::<f64>() / n;
    let (y, v) = (mean(&|r| r.0), mean(&|r| r.1));
    let slope = mean(&|r| (r.0 - y) * (r.1 - v)) / mean(&|r| (r.0 - y).powi(2)).max(1e-12);
    let rest: Vec<f64> = rows.iter().map(|r| r.1 - v - slope * (r.0 - y)).collect();
    let held: Vec<f64> = rest
        .windows(window)
        .map(|w| w.iter().sum::<f64>() / PER_PX)
        .collect();
    (held.iter().map(|h| h * h).sum::<f64>() / held.len() as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_slope_has_no_streaks_and_a_streak_counts_by_light_times_width() {
        let rows = |f: &dyn Fn(f64) -> f64| -> Vec<(f64, f64)> {
            (0..23)
                .map(|k| 0.5 * f64::from(k))
                .map(|y| (y, f(y)))
                .collect()
        };
        assert!(streak(&rows(&|y| 0.3 + 0.01 * y)) < 1e-12);
        let one = streak(&rows(&|y| if (y - 5.0).abs() < 1.0 { 0.32 } else { 0.3 }));
        let two = streak(&rows(&|y| if (y - 5.0).abs() < 1.0 { 0.34 } else { 0.3 }));
        assert!(
            (two / one - 2.0).abs() < 1e-6 && one > 0.005 && one < 0.04,
            "{one} {two}"
        );
    }
}
