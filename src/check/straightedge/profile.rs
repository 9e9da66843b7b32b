//! One look across the gap: straightedge, what lies behind, panel, seen through the photo's blur.
//!
//! Where straightedge and panel touch, blur merges their two edges into one, and no edge finder can say how far apart they
//! are. What is left is light: a gap narrower than the blur adds to the step from straightedge to panel a spike of height
//! (light behind − mean of both) × width. A step is odd about its middle and a spike even, so both are known apart from
//! each other, as long as the light behind is known; where the gap is open it is seen, and between it is carried along.
//! So each profile is fitted as a whole: two edges, three surfaces (straightedge and panel with their own slow shading),
//! one blur with the rim that sharpening leaves. The surfaces enter linearly and are solved for exactly at every trial of
//! the edges (variable projection, Golub and Pereyra 1973, from memory).

use crate::trace::edge::normal_cdf;
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};
use std::sync::LazyLock;

/// Lights a profile is read in: brightness, and red and blue less green; linear.
pub const LIGHTS: usize = 3;

/// A profile: rows across, averaged over some columns.
#[derive(Debug, Clone)]
pub struct Profile {
    /// Place of each row, px from the line looked along, toward the panel; rising.
    pub y_px: Vec<f64>,
    /// Its light.
    pub light: Vec<[f64; LIGHTS]>,
}

/// The photo's blur: a Gauss curve, less a wider one where sharpening took its share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blur {
    /// Standard deviation of brightness, px.
    pub sd_px: f64,
    /// Standard deviation of colour, px.
    pub colour_sd_px: f64,
    /// How much sharpening added, as a share of the edge.
    pub rim: f64,
    /// Variance of what no fit explains, against what is assumed.
    pub noise: f64,
    /// How many of the lights are looked at.
    pub lights: usize,
}

/// Blur that halved colour adds, standard deviation, px: a cell of two pixels, spread out again.
const HALVED_PX: f64 = 1.1;
/// Radius of a phone's sharpening beyond its own blur, px (ours, no source; one or two are common).
const RIM_PX: f64 = 1.1;

/// Φ from a table, to 2e-6: a fit asks for it some ten thousand times.
fn phi(z: f64) -> f64 {
    const REACH: f64 = 6.0;
    const PER: f64 = 128.0;
    static TABLE: LazyLock<Vec<f64>> = LazyLock::new(|| {
        (0..=(2.0 * REACH * PER) as usize + 1)
            .map(|i| normal_cdf(i as f64 / PER - REACH))
            .collect()
    });
    if z <= -REACH {
        return 0.0;
    }
    if z >= REACH {
        return 1.0;
    }
    let at = (z + REACH) * PER;
    let i = at as usize;
    match TABLE.get(i..i + 2) {
        Some([a, b]) => a + (b - a) * (at - i as f64),
        _ => normal_cdf(z),
    }
}

impl Blur {
    /// A blur as photos have it: where colour is stored at half size, it is the more blurred.
    pub fn new(sd_px: f64, rim: f64, chroma_halved: bool) -> Blur {
        Blur {
            sd_px,
            colour_sd_px: if chroma_halved {
                f64::hypot(sd_px, HALVED_PX)
            } else {
                sd_px
            },
            rim,
            noise: 1.0,
            lights: LIGHTS,
        }
    }

    /// The same with brightness and colour blurred more by `by_px`.
    pub fn wider(&self, by_px: f64) -> Blur {
        Blur {
            sd_px: self.sd_px + by_px,
            colour_sd_px: self.colour_sd_px + by_px,
            ..*self
        }
    }

    /// A step from 0 to 1 at zero, seen at `y` px.
    pub fn step(&self, y: f64, light: usize) -> f64 {
        let sd = if light == 0 {
            self.sd_px
        } else {
            self.colour_sd_px
        };
        let plain = phi(y / sd);
        if self.rim > 0.0 && light == 0 {
            plain + self.rim * (plain - phi(y / sd.hypot(RIM_PX)))
        } else {
            plain
        }
    }
}

/// What is expected of the light behind the gap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Behind {
    /// Light.
    pub light: [f64; LIGHTS],
    /// Its standard uncertainty.
    pub u: [f64; LIGHTS],
}

impl Behind {
    /// How far it may be the light of a side itself, 0 to 1: 1 when that lies within its standard uncertainty, 0 when it stands out
    /// even then.
    pub fn alike(&self, sides: &[[f64; LIGHTS]; 2]) -> f64 {
        sides
            .iter()
            .map(|side| {
                let d: [f64; LIGHTS] = std::array::from_fn(|i| self.light[i] - side[i]);
                let step = d.iter().map(|d| d * d).sum::<f64>().sqrt();
                let u = (0..LIGHTS)
                    .map(|i| (self.u[i] * d[i]).powi(2))
                    .sum::<f64>()
                    .sqrt()
                    / step.max(1e-9);
                let level = self.light[0].max(side[0]).max(0.02);
                (1.0 - (step - u).max(0.0) / (DISTINCT * level)).max(0.0)
            })
            .fold(0.0, f64::max)
    }

    /// The same, all but certain.
    fn held(&self) -> Behind {
        Behind {
            u: self.u.map(|u| 0.1 * u),
            ..*self
        }
    }
}

/// What is expected of the straightedge's edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Its place, px.
    pub y_px: f64,
    /// Standard uncertainty, px.
    pub u_px: f64,
}

/// Two edges fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edges {
    /// Straightedge's edge, px.
    pub y_px: f64,
    /// Panel's edge less it, px; below zero by noise where they touch.
    pub gap_px: f64,
    /// Covariance of both in the noise assumed.
    pub covariance: Matrix2<f64>,
    /// Light behind as fitted.
    pub behind: [f64; LIGHTS],
    /// Standard uncertainty of that, edges held.
    pub u_behind: [f64; LIGHTS],
    /// Light of straightedge and panel at their edges.
    pub sides: [[f64; LIGHTS]; 2],
    /// Sum of squares in units of the noise assumed.
    pub square: f64,
    /// Rows that counted.
    pub rows: usize,
    /// Whether the light behind had to be held: nothing of the gap is seen here.
    pub held: bool,
}

/// Light behind that differs from a side's by less than this share can't be told from it.
const DISTINCT: f64 = 0.25;

/// Whether a light stands out from both sides.
pub fn distinct(light: &[f64; LIGHTS], sides: &[[f64; LIGHTS]; 2]) -> bool {
    sides.iter().all(|side| {
        let d: f64 = (0..LIGHTS)
            .map(|i| (light[i] - side[i]).powi(2))
            .sum::<f64>()
            .sqrt();
        d > DISTINCT * light[0].max(side[0]).max(0.02)
    })
}

/// How far below nothing a gap may come out, px.
const BELOW_PX: f64 = 0.2;

/// Rows to either side of the edges that are fitted, px: beyond the rims, near enough for shading to be straight.
pub const MARGIN_PX: f64 = 9.0;
/// Noise assumed: of the light itself, and floor. Only its ratio between lights and shades matters: the figures' own scatter
/// along the gap says how large it is.
const NOISE_SHARE: f64 = 0.02;
const NOISE_FLOOR: f64 = 0.002;
/// Shading beside an edge: change of light over 10 px as a share of the light (95%: a fifth; ours, no source).
const SHADING: f64 = 0.1;

type Normal = SMatrix<f64, 5, 5>;
type Side = SVector<f64, 5>;

/// The rows of a profile that count for given edges, with their noise.
struct Cut<'p> {
    y: &'p [f64],
    light: &'p [[f64; LIGHTS]],
    level: [f64; 2],
}

impl Profile {
    fn cut(&self, y_px: f64, gap_px: f64) -> Cut<'_> {
        let (from, to) = (y_px - MARGIN_PX, y_px + gap_px.max(0.0) + MARGIN_PX);
        let i = self.y_px.partition_point(|y| *y < from);
        let j = self.y_px.partition_point(|y| *y <= to).max(i);
        let (y, light) = (&self.y_px[i..j], &self.light[i..j]);
        let level = |rows: &mut dyn Iterator<Item = &[f64; LIGHTS]>| {
            let (sum, n) = rows.fold((0.0, 0.0), |(s, n), v| (s + v[0].max(0.0), n + 1.0));
            sum / f64::max(n, 1.0)
        };
        Cut {
            y,
            light,
            level: [
                level(&mut light.iter().take(8)),
                level(&mut light.iter().rev().take(8)),
            ],
        }
    }

    /// Fits both edges from a start, and once more from an all but closed gap where that may be the better answer.
    /// `expected`: the straightedge's edge when it is known from the rest of it. `None` where the profile leaves the strip.
    ///
    /// A wide gap whose light is that of one side is that side: then the light expected behind is held.
    pub fn fit(
        &self,
        start: (f64, f64),
        blur: &Blur,
        behind: &Behind,
        expected: Option<&Expected>,
    ) -> Option<Edges> {
        const CLOSED_PX: f64 = 0.3;
        const OPEN_PX: f64 = 7.0;
        let start = match expected {
            Some(_) => start,
            None => self.nearest(start, blur, behind),
        };
        let first = self.fit_from(start, start, blur, behind, expected);
        if start.1 > OPEN_PX {
            return first;
        }
        let closed = (
            expected.map_or(start.0 + 0.5 * start.1, |e| e.y_px),
            CLOSED_PX,
        );
        let other = (start.1 > 1.0)
            .then(|| self.fit_from(closed, start, blur, behind, expected))
            .flatten();
        let best = match (first, other) {
            (Some(a), Some(b)) => Some(if a.square <= b.square { a } else { b }),
            (a, b) => a.or(b),
        }?;
        if best.gap_px > 1.0
            && !distinct(&best.behind, &best.sides)
            && distinct(&behind.light, &best.sides)
        {
            return self
                .fit_from(closed, start, blur, &behind.held(), expected)
                .map(|e| Edges { held: true, ..e });
        }
        Some(best)
    }

    /// Fits anew from edges found before.
    pub fn again(
        &self,
        found: &Edges,
        blur: &Blur,
        behind: &Behind,
        expected: &Expected,
    ) -> Option<Edges> {
        let behind = if found.held { behind.held() } else { *behind };
        let start = (found.y_px, found.gap_px);
        self.fit_from(start, start, blur, &behind, Some(expected))
            .map(|e| Edges {
                held: found.held,
                ..e
            })
    }

    /// The best start within a few pixels: a step's pull reaches no farther than its blur.
    fn nearest(&self, start: (f64, f64), blur: &Blur, behind: &Behind) -> (f64, f64) {
        let cut = self.cut(start.0, start.1);
        let mut best = (f64::INFINITY, start);
        for by in [0.0, -1.0, 1.0, -2.0, 2.0, -3.0, 3.0] {
            // The panel's edge stays where it is, or comes along.
            for gap in [start.1, (start.1 - by).max(0.3), 0.3] {
                let square = cut.solve(start.0 + by, gap, blur, behind).0;
                if square < best.0 {
                    best = (square, (start.0 + by, gap));
                }
            }
        }
        best.1
    }

    /// Fits both edges from one start, on the rows about `around`.
    fn fit_from(
        &self,
        start: (f64, f64),
        around: (f64, f64),
        blur: &Blur,
        behind: &Behind,
        expected: Option<&Expected>,
    ) -> Option<Edges> {
        let cut = self.cut(around.0, around.1);
        if cut.y.len() < 24 {
            return None;
        }
        let cost = |at: &Vector2<f64>| -> f64 {
            let stray = expected.map_or(0.0, |e| ((at.x - e.y_px) / e.u_px).powi(2));
            // Noise may pass for a gap below nothing, a wrong blur must not.
            let below = (at.y.min(0.0) / BELOW_PX).powi(2);
            cut.solve(at.x, at.y, blur, behind).0 + stray + below
        };
        const H: f64 = 0.04;
        let (hx, hy) = (Vector2::new(H, 0.0), Vector2::new(0.0, H));
        let mut at = Vector2::new(start.0, start.1);
        let mut here = cost(&at);
        let mut hessian = Matrix2::identity();
        for _ in 0..12 {
            let (left, right) = (cost(&(at - hx)), cost(&(at + hx)));
            let (less, more) = (cost(&(at - hy)), cost(&(at + hy)));
            let both = cost(&(at + hx + hy));
            let gradient = Vector2::new(right - left, more - less) / (2.0 * H);
            let (xx, yy) = (
                (left + right - 2.0 * here) / (H * H),
                (less + more - 2.0 * here) / (H * H),
            );
            let xy = (both - right - more + here) / (H * H);
            hessian = Matrix2::new(xx, xy, xy, yy);
            // Not a valley: walk down along the slope instead.
            let lift = (1e-3 * (xx.abs() + yy.abs()) - lowest_eigenvalue(&hessian)).max(0.0);
            let bent = hessian + Matrix2::identity() * lift;
            let mut step = -(bent.try_inverse()? * gradient);
            let long = step.norm();
            if long > 1.0 {
                step /= long;
            }
            let mut moved = false;
            for _ in 0..6 {
                let there = at + step;
                let next = cost(&there);
                if next < here {
                    at = there;
                    here = next;
                    moved = true;
                    break;
                }
                step *= 0.4;
            }
            if !moved || step.norm() < 2e-3 {
                break;
            }
        }
        let solved = cut.solve(at.x, at.y, blur, behind).1;
        let square = here;
        let lift = (1e-6 * hessian.norm() - lowest_eigenvalue(&hessian)).max(0.0) + 1e-9;
        let covariance = (hessian + Matrix2::identity() * lift).try_inverse()? * 2.0;
        let solved = solved?;
        Some(Edges {
            y_px: at.x,
            gap_px: at.y,
            covariance,
            behind: solved.map(|s| s.0[4]),
            u_behind: solved.map(|s| s.1),
            sides: [solved.map(|s| s.0[0]), solved.map(|s| s.0[2])],
            square,
            rows: cut.y.len(),
            held: false,
        })
        .filter(|e| e.y_px.is_finite() && e.gap_px.is_finite())
    }
}

fn lowest_eigenvalue(m: &Matrix2<f64>) -> f64 {
    let (mean, half) = (0.5 * (m[(0, 0)] + m[(1, 1)]), 0.5 * (m[(0, 0)] - m[(1, 1)]));
    mean - half.hypot(m[(0, 1)])
}

/// Coefficients of one light and the standard uncertainty of the last.
type Solved = (Side, f64);

impl Cut<'_> {
    /// Best surfaces for edges held, and the sum of squares with what was expected of them.
    fn solve(
        &self,
        y_px: f64,
        gap_px: f64,
        blur: &Blur,
        behind: &Behind,
    ) -> (f64, Option<[Solved; LIGHTS]>) {
        let mut square = 0.0;
        let mut out = [(Side::zeros(), 0.0); LIGHTS];
        // The same on both sides: were the darker, quieter side to weigh more, any error of the blur's shape, which is odd
        // about a step, would leave an even rest and pass for a gap.
        let level = self.level[0].max(self.level[1]);
        let sd = (NOISE_SHARE * level).hypot(NOISE_FLOOR);
        let w = 1.0 / (sd * sd * blur.noise);
        let foot = y_px + gap_px;
        let mut factor: Option<(Normal, Vec<Side>)> = None;
        for light in 0..blur.lights.min(LIGHTS) {
            // Brightness has a blur of its own; both colours share the next.
            if light < 2 {
                let mut normal = Normal::zeros();
                let mut basis = Vec::with_capacity(self.y.len());
                for y in self.y {
                    let (upper, lower) = (blur.step(y - y_px, light), blur.step(y - foot, light));
                    let own = 1.0 - upper;
                    let b = Side::new(
                        own,
                        own * (y - y_px) * 0.1,
                        lower,
                        lower * (y - foot) * 0.1,
                        upper - lower,
                    );
                    normal.syger(w, &b, &b, 1.0);
                    basis.push(b);
                }
                normal.fill_upper_triangle_with_lower_triangle();
                factor = Some((normal, basis));
            }
            let Some((normal, basis)) = &factor else {
                return (f64::INFINITY, None);
            };
            let mut full = *normal;
            let mut side = Side::zeros();
            let mut total = 0.0;
            for (b, v) in basis.iter().zip(self.light) {
                side.axpy(w * v[light], b, 1.0);
                total += w * v[light] * v[light];
            }
            for (k, level) in [(1, self.level[0]), (3, self.level[1])] {
                let u = SHADING * level + NOISE_FLOOR;
                full[(k, k)] += 1.0 / (u * u);
            }
            let (b0, ub) = (behind.light[light], behind.u[light]);
            full[(4, 4)] += 1.0 / (ub * ub);
            side[4] += b0 / (ub * ub);
            total += b0 * b0 / (ub * ub);
            for k in [0, 2] {
                full[(k, k)] += 1e-6 * full[(k, k)] + 1e-9;
            }
            let Some(cholesky) = full.cholesky() else {
                return (f64::INFINITY, None);
            };
            let c = cholesky.solve(&side);
            square += total - c.dot(&side);
            let mut last = Side::zeros();
            last[4] = 1.0;
            let u = cholesky.solve(&last)[4].max(0.0).sqrt();
            out[light] = (c, u);
        }
        (square, Some(out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLUR: Blur = Blur {
        sd_px: 0.9,
        colour_sd_px: 0.9,
        rim: 0.0,
        noise: 1.0,
        lights: LIGHTS,
    };

    /// A made-up profile: the blurred scene averaged over each row's own pixel, by fine sums; shares no code with the fit.
    fn made_up(y1: f64, gap: f64, levels: [f64; 3], sd: f64) -> Profile {
        let y_px: Vec<f64> = (-80..=80).map(|i| 0.5 * f64::from(i)).collect();
        let light = y_px
            .iter()
            .map(|y| {
                let (mut sum, mut total) = (0.0, 0.0);
                for k in -500..=500 {
                    let t = f64::from(k) * 0.01;
                    let w = (-0.5 * (t / sd) * (t / sd)).exp();
                    let at = y + t;
                    let v = if at < y1 {
                        levels[0]
                    } else if at < y1 + gap {
                        levels[1]
                    } else {
                        levels[2]
                    };
                    sum += w * v;
                    total += w;
                }
                [sum / total, 0.0, 0.0]
            })
            .collect();
        Profile { y_px, light }
    }

    fn check(gap: f64, levels: [f64; 3], u_behind: f64, tolerance: f64) {
        let profile = made_up(0.3, gap, levels, 0.9);
        let behind = Behind {
            light: [levels[1], 0.0, 0.0],
            u: [u_behind; 3],
        };
        let expected = Expected {
            y_px: 0.3,
            u_px: 0.5,
        };
        let got = profile
            // As in use, the start is a coarse look: some way off, but not another gap.
            .fit((0.0, (0.8 * gap).max(1.0)), &BLUR, &behind, Some(&expected))
            .expect("a whole profile");
        assert!(
            (got.gap_px - gap).abs() < tolerance,
            "{gap} {levels:?}: {got:?}"
        );
    }

    #[test]
    fn open_and_merged_gaps_are_read_alike() {
        for levels in [[0.3, 0.9, 0.2], [0.5, 0.01, 0.2], [0.2, 0.6, 0.21]] {
            for gap in [0.0, 0.2, 0.5, 1.0, 2.0, 5.0, 12.0] {
                check(gap, levels, 0.02, 0.06);
            }
            for gap in [4.0, 8.0] {
                // Open wide, the light behind need not be known.
                check(gap, levels, 10.0, 0.06);
            }
        }
    }

    #[test]
    fn unknown_light_behind_shows_in_the_covariance_of_a_merged_gap() {
        let profile = made_up(0.0, 0.6, [0.5, 0.02, 0.2], 0.9);
        let u = |ub: f64| {
            let behind = Behind {
                light: [0.02, 0.0, 0.0],
                u: [ub, 0.01, 0.01],
            };
            let expected = Expected {
                y_px: 0.0,
                u_px: 0.05,
            };
            profile
                .fit((0.0, 0.5), &BLUR, &behind, Some(&expected))
                .expect("fits")
                .covariance[(1, 1)]
                .sqrt()
        };
        assert!(u(0.2) > 1.5 * u(0.005));
    }
}
