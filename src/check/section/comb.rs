//! The envelope of a contour comb's pin tips.
//!
//! A tip is a round of polished wire: it shades off, glints, or mirrors what stands beside it, so no single light ends at
//! the envelope. Two witnesses are heard, whose errors have little to do with each other. One is the mean light along the
//! edge, which goes from pins to bench. The other is what swings with the pins: bench and shadows know nothing of their pitch.
//! Each sees about where pins cover half of the width; their mean is moved out to where the tips end.

use super::follow::{LIFT, Seen};
use crate::solve::robust::{median, spread};
use crate::trace::rim;
use crate::trace::strip::Strip;
use std::f64::consts::PI;

/// A comb's pins as seen along the edge.
#[derive(Debug, Clone)]
pub struct Pins {
    /// Pitch along the edge, px; the median, as it grows where the edge runs aslant to the pins.
    pub pitch_px: f64,
    /// Columns of stretches' middles, and the pitch there.
    along: Vec<(f64, f64)>,
}

/// How far inside the envelope half of the width is pins, pitches: round tips of radius half a pitch cover half at
/// r (1 - √3/2).
const HALF_COVERED: f64 = 0.067;
/// Stretch that the swing is read over, pitches.
const SWINGS: f64 = 6.0;
/// By how much either witness errs at least, one standard deviation, pitches (ours: what the light can do on a round tip).
const USUAL: f64 = 0.1;
/// How far outside and inside of where the edge is thought to be the pins' end is looked for, mm.
const OUTSIDE_MM: f64 = 1.5;
const INSIDE_MM: f64 = 2.8;

/// Places of the envelope: column (between two where it falls so) and px outward of the course.
pub fn read(seen: &Seen, pins: &Pins) -> Vec<(f64, f64)> {
    let n = seen.columns();
    let pitch = pins.pitch_px;
    let stretch = (SWINGS * pitch).round().max(8.0) as usize;
    let hop = (0.25 * stretch as f64).ceil() as usize;
    let mut ends: Vec<(f64, f64)> = (0..n.saturating_sub(stretch))
        .step_by(hop)
        .filter_map(|from| {
            let middle = from as f64 + 0.5 * stretch as f64;
            Some((
                middle,
                end_of_swing(seen, from, stretch, pins.pitch_at(middle))?,
            ))
        })
        .collect();
    // One stretch alone may mistake a scratch for pins; where the edge turns, two or three see two pitches at once.
    let off: Vec<f64> = ends.iter().map(|e| e.1).collect();
    for (k, e) in ends.iter_mut().enumerate() {
        let mut near = off[k.saturating_sub(2)..(k + 3).min(off.len())].to_vec();
        e.1 = median(&mut near).unwrap_or(e.1);
    }
    // The two can't differ by more than the round of a tip.
    let reach = (0.5 * pitch).max(2.0);
    let station = (pitch.round() as usize).max(4);
    let room = 16usize.max((2.0 * reach) as usize + 6);
    // What the mean light says, relative to the start: over the stretches, and then pin by pin.
    let coarse: Vec<(f64, f64, f64)> = ends
        .iter()
        .filter_map(|(middle, end)| {
            let m = *middle as usize;
            let range = m.saturating_sub(stretch / 2)..(m + stretch / 2).min(n);
            let at = seen.start[m];
            let begin = end - (at.round() - at);
            let p = seen.profile(range, at, room)?;
            let tip = rim::tips(&p, begin, reach, reach, None)?;
            Some((*middle, tip.at + at.round() - at, tip.step))
        })
        .collect();
    // Each is believed by how steadily it speaks.
    let own = unsteady(&ends.iter().map(|e| e.1).collect::<Vec<f64>>());
    let other = unsteady(&coarse.iter().map(|c| c.1).collect::<Vec<f64>>());
    let usual = (USUAL * pitch).powi(2);
    let belief = (usual + other) / (2.0 * usual + own + other);
    let mut places = Vec::new();
    for k in (0..n).step_by(station) {
        let end = k + station;
        if end > n {
            break;
        }
        let c = 0.5 * (k + end - 1) as f64;
        let mid = (k + end) / 2;
        let (Some((mean, step)), Some(swing)) = (nearest(&coarse, c), between(&ends, c)) else {
            continue;
        };
        let at = 0.5 * (seen.start[(k + end - 1) / 2] + seen.start[mid]);
        // Two pins together: not every tip glints.
        let range = k.saturating_sub(station / 2)..(end + station / 2).min(n);
        let begin = mean - (at.round() - at);
        let tip = seen
            .profile(range, at, room)
            .and_then(|p| rim::tips(&p, begin, 2.5, 0.0, Some(step.signum())))
            .filter(|tip| (0.3..3.0).contains(&(tip.step / step)) && (tip.at - begin).abs() < 3.5);
        if let Some(tip) = tip {
            let own = at.round() + tip.at;
            places.push((c, own + belief * (at + swing - own) + HALF_COVERED * pitch));
        }
    }
    places
}

/// Mean square by which values along the edge leave the straight line of their neighbours.
fn unsteady(values: &[f64]) -> f64 {
    let off: Vec<f64> = (values.windows(5))
        .map(|v| v[2] - 0.5 * (v[0] + v[4]))
        .collect();
    spread(&off).map_or(0.0, |s| s * s / 1.5)
}

/// Straight between known places, level beyond them.
fn between(known: &[(f64, f64)], c: f64) -> Option<f64> {
    let k = known.partition_point(|p| p.0 < c);
    match (k.checked_sub(1).and_then(|j| known.get(j)), known.get(k)) {
        (Some(a), Some(b)) => Some(a.1 + (b.1 - a.1) * (c - a.0) / (b.0 - a.0)),
        (Some(a), None) | (None, Some(a)) => Some(a.1),
        (None, None) => None,
    }
}

fn nearest(known: &[(f64, f64, f64)], c: f64) -> Option<(f64, f64)> {
    known
        .iter()
        .min_by(|a, b| (a.0 - c).abs().total_cmp(&(b.0 - c).abs()))
        .map(|k| (k.1, k.2))
}

/// A stretch of columns under a window, and the waves of a pitch along it.
struct Waves {
    from: usize,
    each: Vec<(f64, f64, f64)>,
}

impl Waves {
    fn new(from: usize, stretch: usize, pitch: f64) -> Waves {
        let each = (0..stretch)
            .map(|k| {
                let window = 1.0 - (2.0 * PI * (k as f64 + 0.5) / stretch as f64).cos();
                let (s, c) = (2.0 * PI * k as f64 / pitch).sin_cos();
                (window, window * c, window * s)
            })
            .collect();
        Waves { from, each }
    }

    /// By how much the light swings with the pitch, `off` px outward of the start.
    fn swing(&self, seen: &Seen, off: i32) -> Option<f64> {
        let (mut w, mut re, mut im) = (0.0, 0.0, 0.0);
        let (mut mean, mut pull_re, mut pull_im) = (0.0, 0.0, 0.0);
        for (k, (window, c, s)) in self.each.iter().enumerate() {
            let row = seen.half as f64 + seen.start[self.from + k] + f64::from(off);
            let (i, f) = (row.floor(), row - row.floor());
            if i < 0.0 || i as usize + 1 >= seen.strip.rows {
                return None;
            }
            let column = seen.strip.column(self.from + k);
            let [a, b] = [i as usize, i as usize + 1].map(|r| f64::from(column[r][3]));
            let v = a * (1.0 - f) + b * f;
            if v.is_nan() {
                continue;
            }
            w += window;
            mean += window * v;
            re += c * v;
            im += s * v;
            pull_re += c;
            pull_im += s;
        }
        if w <= 0.0 {
            return None;
        }
        mean /= w;
        Some(2.0 * (re - mean * pull_re).hypot(im - mean * pull_im) / w)
    }
}

/// Where the light stops swinging with the pins, px outward of the start, going inward from the bench: half of what it
/// swings by further in.
fn end_of_swing(seen: &Seen, from: usize, stretch: usize, pitch: f64) -> Option<f64> {
    let outside = (OUTSIDE_MM / seen.mm_per_px).ceil().max(6.0) as i32;
    let inside = (INSIDE_MM / seen.mm_per_px).ceil().max(8.0) as i32;
    // The pitch along the edge changes with its slant: the one that swings most well inside.
    let power = |waves: &Waves| -> f64 {
        (inside / 3..inside)
            .step_by(2)
            .filter_map(|off| waves.swing(seen, -off))
            .map(|a| a * a)
            .sum()
    };
    let waves = (-4..=4)
        .map(|k| {
            let waves = Waves::new(from, stretch, pitch * 1.05f64.powi(k));
            (power(&waves), waves)
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))?
        .1;
    // From outside inward.
    let all: Vec<(i32, f64)> = (-inside..=outside)
        .rev()
        .filter_map(|off| Some((off, waves.swing(seen, off)?)))
        .collect();
    if all.len() < 10 {
        return None;
    }
    let mut body: Vec<f64> = all.iter().filter(|a| a.0 < 0).map(|a| a.1).collect();
    let mut bench: Vec<f64> = all.iter().take(all.len() / 4).map(|a| a.1).collect();
    let (body, bench) = (median(&mut body)?, median(&mut bench)?);
    if body < 2.0 * bench {
        return None;
    }
    let level = bench + 0.5 * (body - bench);
    let k = all
        .windows(3)
        .position(|w| w[0].1 < level && w[1].1 >= level && w[2].1 >= level)?;
    let (a, b) = (all[k], all[k + 1]);
    Some(f64::from(a.0) - (level - a.1) / (b.1 - a.1))
}

impl Pins {
    fn pitch_at(&self, column: f64) -> f64 {
        between(&self.along, column).unwrap_or(self.pitch_px)
    }
}

/// A comb's pins; `None` where there are none: the light along the edge, a little inside,
/// swings evenly. Sum of the spectra of several rows, each stretch for itself; pins hold more than a quarter of the
/// variance (brushed, grained and plain things show under a sixth, pins 0.4 and more: rendered photos).
pub fn pins(strip: &Strip, start: &[f64], half: usize, mm_per_px: f64) -> Option<Pins> {
    let n = start.len();
    let length = ((14.0 / mm_per_px) as usize).clamp(32, 160);
    let (near, far) = (1.2 / mm_per_px, 4.0 / mm_per_px);
    let least = (0.45 / mm_per_px).max(2.2);
    let most = 2.4 / mm_per_px;
    if most < 1.3 * least {
        return None;
    }
    let mut shares = Vec::new();
    let mut along: Vec<(f64, f64)> = Vec::new();
    for from in (0..n.saturating_sub(length)).step_by(length / 2) {
        let mut rows = Vec::new();
        let mut depth = near;
        while depth < far && rows.len() < 12 {
            let mut values = Vec::with_capacity(length);
            for (c, s) in start.iter().enumerate().skip(from).take(length) {
                let r = half as f64 + s - depth;
                let v = strip.column(c).get(r.round().max(0.0) as usize);
                values.push(v.map_or(f64::NAN, |v| f64::from((v[3] + LIFT).ln())));
            }
            if values.iter().all(|v| v.is_finite()) {
                rows.push(even(&values, (most * 1.2) as usize));
            }
            depth += 1.0;
        }
        let total: f64 = rows.iter().flatten().map(|v| v * v).sum::<f64>() / length as f64;
        if rows.len() < 3 || total <= 0.0 {
            continue;
        }
        let steps = 6.0 * length as f64;
        let mut best = (0.0, 0.0);
        let mut k = (steps / most).ceil();
        while k <= steps / least {
            let turn = 2.0 * PI * k / steps;
            let wave: Vec<(f64, f64)> = (0..length).map(|j| (turn * j as f64).sin_cos()).collect();
            let power: f64 = rows
                .iter()
                .map(|row| {
                    let (mut re, mut im) = (0.0, 0.0);
                    for (v, (s, c)) in row.iter().zip(&wave) {
                        re += v * c;
                        im += v * s;
                    }
                    2.0 * (re * re + im * im) / (length as f64).powi(2)
                })
                .sum();
            if power > best.0 {
                best = (power, steps / k);
            }
            k += 2.0;
        }
        shares.push(best.0 / total);
        along.push((from as f64 + 0.5 * length as f64, best.1));
    }
    let share = median(&mut shares)?;
    let pitch_px = median(&mut along.iter().map(|a| a.1).collect())?;
    // A stretch that shows a period of its own, more than the pins' slant to the edge can do, shows something else.
    along.retain(|a| (0.75..1.33).contains(&(a.1 / pitch_px)));
    (share > 0.28).then_some(Pins { pitch_px, along })
}

/// Values less their running mean.
fn even(values: &[f64], half: usize) -> Vec<f64> {
    let n = values.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(half), (i + half + 1).min(n));
            values[i] - values[a..b].iter().sum::<f64>() / (b - a) as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::area::soft::smooth;

    const PITCH: f64 = 7.0;
    const HALF: usize = 40;
    const COLUMNS: usize = 420;

    /// How a comb lies in the light.
    struct Scene {
        /// Light of the bench, and of a shadow on it that reaches so many pixels out.
        bench: f64,
        shadow: (f64, f64),
        /// Light of the pins' middle, and of a glint half a tip from its end.
        pins: f64,
        glint: f64,
        /// Whether the lamp stands behind the comb, 45° up: the outer part of the tips lies in their own shade.
        shaded: bool,
    }

    /// The strip, blurred by 0.8 px: round tips of radius half a pitch that end on the course.
    fn strip(scene: &Scene) -> Strip {
        let rows = 2 * HALF + 1;
        let radius = 0.5 * PITCH;
        // Four samples a pixel each way.
        let light = |x: f64, y: f64| -> f64 {
            let off = (x / PITCH).fract() * PITCH - radius;
            // Depth below the envelope of a tip's own outline.
            let inside = -y - (radius - (radius * radius - off * off).max(0.0).sqrt());
            let bench = if y < scene.shadow.1 {
                scene.shadow.0
            } else {
                scene.bench
            };
            if inside < 0.0 {
                // Between the tips it is dark deeper down.
                return bench * (1.0 + y / (0.5 * PITCH)).clamp(0.15, 1.0);
            }
            let body = scene.pins * (1.0 - 0.8 * (off / radius).powi(2));
            let near = ((y + 0.5 * radius).powi(2) + off * off).sqrt();
            // Lambert's light on a ball, at most what falls on its top.
            let out = (1.0 + y / radius).clamp(0.0, 1.0);
            let shade = if scene.shaded {
                ((1.0 - out * out).sqrt() - out).clamp(0.1, 1.0)
            } else {
                1.0
            };
            body * shade
                + if near < 0.15 * PITCH {
                    scene.glint
                } else {
                    0.0
                }
        };
        let mut plain = vec![0.0; COLUMNS * rows];
        for c in 0..COLUMNS {
            for r in 0..rows {
                let mut sum = 0.0;
                for i in 0..4 {
                    for j in 0..4 {
                        let x = c as f64 + f64::from(i) / 4.0;
                        let y = r as f64 - HALF as f64 - 0.375 + f64::from(j) / 4.0;
                        sum += light(x, y) / 16.0;
                    }
                }
                plain[r * COLUMNS + c] = sum;
            }
        }
        let blurred = smooth(COLUMNS, rows, 0.8, |i| plain[i] as f32, |_| 1.0);
        let cells = (0..COLUMNS * rows)
            .map(|i| [blurred[(i % rows) * COLUMNS + i / rows]; 4])
            .collect();
        Strip {
            columns: COLUMNS,
            rows,
            cells,
        }
    }

    /// Mean of the places read, px outward of where the tips end, begun `begun` px off.
    fn read_off(scene: &Scene, begun: f64) -> f64 {
        let strip = strip(scene);
        let start = vec![begun; COLUMNS];
        let light: Vec<f64> = strip.cells.iter().map(|c| f64::from(c[3])).collect();
        let found = pins(&strip, &start, HALF, 0.15).expect("pins");
        assert!(
            (found.pitch_px / PITCH - 1.0).abs() < 0.05,
            "{}",
            found.pitch_px
        );
        let seen = Seen {
            strip: &strip,
            light: &light,
            start: &start,
            half: HALF,
            mm_per_px: 0.15,
        };
        let places = read(&seen, &found);
        assert!(places.len() > 30, "{}", places.len());
        places.iter().map(|p| p.1).sum::<f64>() / places.len() as f64
    }

    /// Lit, glinting and with a shadow beside it, the envelope is read to a fifth of a pitch, twice [`USUAL`]. Neither the
    /// shadow's far end nor a start a millimetre off draws it away. A hard lamp behind leaves half of the tip's round black
    /// before black: that much (a quarter of a pitch) it is read short, and no more.
    #[test]
    fn the_envelope_is_read_in_any_light() {
        let lit = Scene {
            bench: 0.25,
            shadow: (0.25, 0.0),
            pins: 0.5,
            glint: 0.0,
            shaded: false,
        };
        let glinting = Scene { glint: 2.0, ..lit };
        let shaded = Scene {
            shaded: true,
            ..lit
        };
        let beside_a_shadow = Scene {
            shadow: (0.03, 14.0),
            ..lit
        };
        for (name, scene, low, high) in [
            ("lit", &lit, -2.0 * USUAL, 2.0 * USUAL),
            ("glinting", &glinting, -2.0 * USUAL, 2.0 * USUAL),
            ("shadow", &beside_a_shadow, -2.0 * USUAL, 2.0 * USUAL),
            ("shaded", &shaded, -0.3, 0.0),
        ] {
            for begun in [0.0, -3.0, 6.0] {
                let off = read_off(scene, begun) / PITCH;
                println!("{name} begun {begun}: {off:.3} pitches");
                assert!((low..high).contains(&off), "{name} begun {begun}: {off}");
            }
        }
    }

    /// A plain edge has no pins.
    #[test]
    fn a_plain_edge_has_no_pins() {
        let mut plain = strip(&Scene {
            bench: 0.25,
            shadow: (0.25, 0.0),
            pins: 0.5,
            glint: 0.0,
            shaded: false,
        });
        for column in plain.cells.chunks_mut(2 * HALF + 1) {
            for (r, cell) in column.iter_mut().enumerate() {
                *cell = [if r < HALF { 0.5 } else { 0.25 }; 4];
            }
        }
        assert!(pins(&plain, &[0.0; COLUMNS], HALF, 0.15).is_none());
    }
}
