//! Checker corners in a grey plane: places where two edges cross and the quadrants alternate black and white.
//!
//! Method: the determinant of the Hessian of the lightly smoothed plane is negative at a saddle (as in the corner
//! detectors of Lucchese & Mitra 2002, from memory); its local maxima are put to sub-pixel by the quadratic's own
//! stationary point and kept when a small ring around them crosses mid-grey exactly four times, point-symmetrically.
//! The crossings give the directions of the two edges.

use super::plane::Plane;
use rayon::prelude::*;
use std::f32::consts::{PI, TAU};

/// A checker corner seen in a plane, in that plane's pixels.
#[derive(Debug, Clone, Copy)]
pub struct Saddle {
    /// Place, plane px.
    pub x: f32,
    /// Place, plane px.
    pub y: f32,
    /// Directions of the two edges, radians, x toward y; going on from the first, one enters a white quadrant before
    /// the second is reached (less than half a turn on), a black one after it.
    pub edges: [f32; 2],
    /// White less black on the ring, grey levels.
    pub contrast: f32,
}

/// Radius of the ring, px. The white strip beside a marker is an eighth of a square wide: in its diagonal the ring
/// stays white from squares of 16 px on.
const RING_PX: f32 = 2.5;

/// Least difference of black and white, grey levels of 255: below it even a corner seen is not placed well.
const LEAST_CONTRAST: f32 = 10.0;

/// Least response: what a corner of [`LEAST_CONTRAST`] gives after smoothing of 1 px on a blur of 1.5 px, squared,
/// in the units of the smoothed plane (256 a grey level): (256 * 10 / 2 * 2 / (pi * 3.6))².
const LEAST_RESPONSE: f32 = 51_000.0;

/// Rows a worker takes at a time.
const BAND: usize = 48;

/// Finds every checker corner of the plane, in row order.
pub fn saddles(plane: &Plane) -> Vec<Saddle> {
    let bands: Vec<usize> = (0..plane.height).step_by(BAND).collect();
    let found: Vec<Vec<Saddle>> = bands
        .par_iter()
        .map_init(Rows::default, |rows, &top| band(plane, top, rows))
        .collect();
    found.concat()
}

/// The least response worth a look in this band: well above its grain, which is what most of it shows.
///
/// Half of all runs of 16 px of pure grain reach the median; a factor of 6 (2.5 in brightness) above it few grains do.
/// A band that is card all over must not hide its own corners: the floor never rises above what a contrast of 40 gives.
fn floor(most: &[f32], sorted: &mut Vec<f32>) -> f32 {
    sorted.clear();
    sorted.extend(most.iter().step_by(3));
    let middle = sorted.len() / 2;
    let grain = sorted.select_nth_unstable_by(middle, f32::total_cmp).1;
    (6.0 * *grain).clamp(LEAST_RESPONSE, 16.0 * LEAST_RESPONSE)
}

/// Working rows of one worker.
#[derive(Default)]
struct Rows {
    most: Vec<f32>,
    sorted: Vec<f32>,
    smooth: Vec<u16>,
    column: Vec<u16>,
    response: Vec<f32>,
}

fn band(plane: &Plane, top: usize, rows: &mut Rows) -> Vec<Saddle> {
    let w = plane.width;
    // Response rows first..last; two more are needed on each side to know a maximum, and three again of the plane.
    let first = top.max(6);
    let last = (top + BAND).min(plane.height.saturating_sub(6));
    if first >= last || w < 16 {
        return Vec::new();
    }
    let count = last - first + 4;
    rows.smooth.resize((count + 2) * w, 0);
    rows.column.resize(w, 0);
    rows.response.resize(count * w, 0.0);
    for (k, out) in rows.smooth.chunks_mut(w).take(count + 2).enumerate() {
        smooth(plane, first + k - 3, &mut rows.column, out);
    }
    for (k, out) in rows.response.chunks_mut(w).take(count).enumerate() {
        respond(&rows.smooth[k * w..(k + 3) * w], w, out);
    }
    let blocks = w.div_ceil(16);
    rows.most.clear();
    for row in rows.response.chunks(w).take(count) {
        rows.most.extend(
            row.chunks(16)
                .map(|cells| cells.iter().fold(0.0f32, |m, &v| m.max(v))),
        );
    }
    let least = floor(&rows.most, &mut rows.sorted);
    let mut found = Vec::new();
    for k in 2..count - 2 {
        let row = &rows.response[k * w..(k + 1) * w];
        for (block, cells) in row[..w - 5].chunks(16).enumerate() {
            if rows.most[k * blocks + block] <= least {
                continue;
            }
            for (n, &v) in cells.iter().enumerate() {
                let x = block * 16 + n;
                if v > least && x >= 5 && is_peak(&rows.response, w, k, x, v) {
                    let about = &rows.smooth[k * w..(k + 3) * w];
                    found.extend(settle(plane, about, x, first + k - 2));
                }
            }
        }
    }
    found
}

/// Binomial smoothing (1 4 6 4 1 both ways, variance 1 px²), 256 units a grey level.
fn smooth(plane: &Plane, y: usize, column: &mut [u16], out: &mut [u16]) {
    let [a, b, c, d, e] = [0, 1, 2, 3, 4].map(|k| plane.row(y + k - 2));
    for (x, cell) in column.iter_mut().enumerate() {
        let [a, b, c, d, e] = [a[x], b[x], c[x], d[x], e[x]].map(u16::from);
        *cell = a + e + 4 * (b + d) + 6 * c;
    }
    let w = column.len();
    let inner = &mut out[2..w - 2];
    for (cell, s) in inner.iter_mut().zip(column.windows(5)) {
        *cell = s[0] + s[4] + 4 * (s[1] + s[3]) + 6 * s[2];
    }
}

/// Minus the determinant of the Hessian, from three smoothed rows.
fn respond(three: &[u16], w: usize, out: &mut [f32]) {
    let (upper, rest) = three.split_at(w);
    let (middle, lower) = rest.split_at(w);
    out[..4].fill(0.0);
    out[w - 4..].fill(0.0);
    let (u, m, l) = (&upper[3..w - 3], &middle[3..w - 3], &lower[3..w - 3]);
    let cells = &mut out[4..w - 4];
    for (k, cell) in cells
        .iter_mut()
        .enumerate()
        .take(u.len().min(m.len()).min(l.len()) - 2)
    {
        let g = |row: &[u16], n: usize| i32::from(row[k + n]);
        let xx = (g(m, 0) - 2 * g(m, 1) + g(m, 2)) as f32;
        let yy = (g(u, 1) - 2 * g(m, 1) + g(l, 1)) as f32;
        let xy = (g(u, 0) - g(u, 2) - g(l, 0) + g(l, 2)) as f32 * 0.25;
        *cell = xy * xy - xx * yy;
    }
}

/// No neighbour within two pixels is stronger (an equal one counts only when it came before).
fn is_peak(response: &[f32], w: usize, k: usize, x: usize, v: f32) -> bool {
    (0..5).all(|dy| {
        let at = (k + dy - 2) * w + x - 2;
        response[at..at + 5]
            .iter()
            .enumerate()
            .all(|(dx, &n)| n < v || (n == v && (dy, dx) >= (2, 2)))
    })
}

/// Sub-pixel place, ring and edge directions of a maximum at row `y` (middle of the three rows), column `x`.
fn settle(plane: &Plane, three: &[u16], x: usize, y: usize) -> Option<Saddle> {
    let w = plane.width;
    let g = |row: usize, n: usize| f32::from(three[row * w + x + n - 1]);
    let (gx, gy) = ((g(1, 2) - g(1, 0)) / 2.0, (g(2, 1) - g(0, 1)) / 2.0);
    let xx = g(1, 0) - 2.0 * g(1, 1) + g(1, 2);
    let yy = g(0, 1) - 2.0 * g(1, 1) + g(2, 1);
    let xy = (g(0, 0) - g(0, 2) - g(2, 0) + g(2, 2)) / 4.0;
    let det = xx * yy - xy * xy;
    // Edges that cross at 50 degrees or more: the two curvatures are then less than a factor of five apart.
    if (xx + yy) * (xx + yy) > -3.0 * det {
        return None;
    }
    let (dx, dy) = ((xy * gy - yy * gx) / det, (xy * gx - xx * gy) / det);
    if !(dx.abs() < 1.2 && dy.abs() < 1.2) {
        return None;
    }
    let found = ring(plane, x as f32 + dx, y as f32 + dy)?;
    has_arms(plane, &found).then_some(found)
}

/// Whether the edges go on beyond the ring, at least three of the four: grain has no edges.
fn has_arms(plane: &Plane, s: &Saddle) -> bool {
    let arm = |k: usize| {
        let (sin, cos) = (s.edges[k % 2] + if k < 2 { 0.0 } else { PI }).sin_cos();
        let side = if k.is_multiple_of(2) { 1.3 } else { -1.3 };
        let step: f32 = [3.6f32, 5.2]
            .iter()
            .map(|r| {
                let (x, y) = (s.x + r * cos, s.y + r * sin);
                plane.at(x - side * sin, y + side * cos) - plane.at(x + side * sin, y - side * cos)
            })
            .sum();
        step > 0.6 * s.contrast
    };
    (0..4).filter(|&k| arm(k)).count() >= 3
}

/// How many places on the ring are looked at.
const N: usize = 16;

/// The ring, in 1/256 px.
const RING: [(i32, i32); N] = {
    const fn fixed(v: f32) -> i32 {
        (v * 256.0 * RING_PX) as i32
    }
    let (a, b, c) = (
        fixed(0.923_879_5),
        fixed(std::f32::consts::FRAC_1_SQRT_2),
        fixed(0.382_683_43),
    );
    let one = fixed(1.0);
    [
        (one, 0),
        (a, c),
        (b, b),
        (c, a),
        (0, one),
        (-c, a),
        (-b, b),
        (-a, c),
        (-one, 0),
        (-a, -c),
        (-b, -b),
        (-c, -a),
        (0, -one),
        (c, -a),
        (b, -b),
        (a, -c),
    ]
};

/// Looks round a place: a checker corner crosses mid-grey four times, opposite crossings in line.
fn ring(plane: &Plane, x: f32, y: f32) -> Option<Saddle> {
    let room = RING_PX + 1.0;
    if x < room || y < room || x + room > plane.width as f32 || y + room > plane.height as f32 {
        return None;
    }
    let (fx, fy) = ((x * 256.0) as i32, (y * 256.0) as i32);
    let mut v = [0i32; N];
    let look = |v: &mut [i32; N], from: usize| {
        for k in (from..N).step_by(2) {
            v[k] = plane.at_fixed(fx + RING[k].0, fy + RING[k].1);
        }
    };
    // Half of the ring is enough to turn most of the grain away: each quadrant holds a place or two.
    look(&mut v, 0);
    let half = [v[0], v[2], v[4], v[6], v[8], v[10], v[12], v[14]];
    let (low, high) = (half.iter().min()?, half.iter().max()?);
    if ((high - low) as f32) < 16.0 * LEAST_CONTRAST {
        return None;
    }
    let middle = (low + high) / 2;
    let swaps = (0..8)
        .filter(|&k| (half[k] < middle) != (half[(k + 1) % 8] < middle))
        .count();
    if swaps != 4 {
        return None;
    }
    look(&mut v, 1);
    let v = v.map(|a| a as f32 / 16.0);
    let low = v.iter().fold(f32::MAX, |m, &a| m.min(a));
    let high = v.iter().fold(f32::MIN, |m, &a| m.max(a));
    let middle = (low + high) / 2.0;
    let mut crossings = [0.0f32; 4];
    let mut rising = [false; 4];
    let mut n = 0;
    for k in 0..N {
        let (a, b) = (v[k] - middle, v[(k + 1) % N] - middle);
        if (a < 0.0) != (b < 0.0) {
            if n == 4 {
                return None;
            }
            crossings[n] = (k as f32 + a / (a - b)) * TAU / N as f32;
            rising[n] = a < 0.0;
            n += 1;
        }
    }
    if n != 4 {
        return None;
    }
    let bend = |a: f32, b: f32| (b - a - PI).abs();
    let gap = crossings[1] - crossings[0];
    let apart = crossings[2] - crossings[1];
    // Opposite crossings in line within 30 degrees, and neither pair of quadrants narrower than 25.
    if bend(crossings[0], crossings[2]) > 0.55
        || bend(crossings[1], crossings[3]) > 0.55
        || gap.min(apart) < 0.44
    {
        return None;
    }
    let unlike: f32 = (0..N / 2).map(|k| (v[k] - v[k + N / 2]).abs()).sum();
    let spread: f32 = v.iter().map(|a| (a - middle).abs()).sum();
    if unlike > 0.5 * spread {
        return None;
    }
    let line = |a: f32, b: f32| (a + b - PI) / 2.0;
    let (p, q) = (
        line(crossings[0], crossings[2]),
        line(crossings[1], crossings[3]),
    );
    let edges = if rising[0] { [p, q] } else { [q, p + PI] };
    Some(Saddle {
        x,
        y,
        edges,
        contrast: 2.0 * spread / N as f32,
    })
}
