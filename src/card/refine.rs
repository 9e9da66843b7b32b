//! A checker corner to a few hundredths of a pixel.
//!
//! About an inner corner the card is its own half turn: black against black, white strip against white strip, up to
//! where the markers' code begins, a quarter of a square away. So the corner is the place about which the photo is most
//! nearly its own half turn: least squares of I(c + d) − I(c − d) over a window. A tone curve, sharpening or blur done
//! alike in all directions keep that symmetry, so none of them moves the corner, and no model of the edge is needed.
//! For white noise this uses all that the window holds: the differences have twice the variance and half the number,
//! but four times the squared slope. Shade that changes across the window breaks the symmetry in first order and is
//! fitted along.

use super::plane::Plane;
use nalgebra::{Matrix2, Matrix4, Vector2, Vector4};

/// A refined corner.
#[derive(Debug, Clone, Copy)]
pub struct Refined {
    /// Place, photo px.
    pub x: f64,
    /// Place, photo px.
    pub y: f64,
    /// White less black about the corner, grey levels; negative where the quadrants are the other way round.
    pub contrast: f64,
    /// What is left of the differences, standard deviation, as a share of the contrast.
    pub unlike: f64,
}

/// How far from an edge the code begins, in squares (0.267 on strips): so far, less what smoothing carries over, the
/// window goes beside an edge.
const CODE_SQUARES: f64 = 0.24;

/// How far along the edges the window goes, in squares. Two corners share an edge: much beyond its middle their errors
/// would be one and the same.
const ALONG_SQUARES: f64 = 0.6;

/// Largest reach along an edge, px: a lens bends the edges of large squares, which the half turn does not allow for
/// (a strong phone lens by 0.01 px here, at the rim of the photo).
const ALONG_PX: f64 = 40.0;

/// Largest reach beside an edge, px: an edge is not wider, and on large squares the border beyond the strip is no
/// longer its own half turn, for perspective.
const BESIDE_PX: f64 = 8.0;

/// Least reach that a corner at the rim of the photo must leave, px.
const LEAST_ROOM_PX: f64 = 4.0;

/// Spread of the smoothing that interpolates, px. At 0.7 its ripple between pixels is below 1e-4 of the signal.
const SMOOTH_PX: f64 = 0.7;
const TAPS: i32 = 3;

/// Refines a corner from a guess that is good to about a tenth of a square.
///
/// `right`, `down`: what one square further along the card's lattice is in the photo, px.
pub fn refine(
    photo: &Plane,
    guess: Vector2<f64>,
    right: Vector2<f64>,
    down: Vector2<f64>,
) -> Option<Refined> {
    let squares = Matrix2::from_columns(&[right, down]).try_inverse()?;
    let side = right.norm().min(down.norm());
    if !(side.is_finite() && side > 6.0) {
        return None;
    }
    let long = right.norm().max(down.norm());
    let (mut along, mut beside) = (
        ALONG_SQUARES.min(ALONG_PX / long),
        (CODE_SQUARES - SMOOTH_PX / long).min(BESIDE_PX / long),
    );
    let box_of = |a: f64, b: f64| {
        let (x, y) = (
            a * right.x.abs() + b * down.x.abs(),
            a * right.y.abs() + b * down.y.abs(),
        );
        x.max(y)
    };
    let full = box_of(along, beside).max(box_of(beside, along));
    // At the rim of the photo the window is what fits.
    let (far_x, far_y) = (
        photo.width as f64 - 1.0 - guess.x,
        photo.height as f64 - 1.0 - guess.y,
    );
    let room = guess.x.min(guess.y).min(far_x).min(far_y) - f64::from(TAPS) - 4.0;
    if room < LEAST_ROOM_PX {
        return None;
    }
    let shrink = (room / full).min(1.0);
    along *= shrink;
    beside = beside.min(along);
    let reach = (full * shrink).ceil() as i32;
    let mut window = Vec::new();
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            // One of each pair.
            if dy < 0 || (dy == 0 && dx <= 0) {
                continue;
            }
            let s = squares * Vector2::new(f64::from(dx), f64::from(dy));
            let (near, far) = (s.x.abs().min(s.y.abs()), s.x.abs().max(s.y.abs()));
            let rim = (1.0 - far / along).min(1.0 - near / beside);
            if rim > 0.0 {
                window.push((dx, dy, (4.0 * rim).min(1.0), s / along));
            }
        }
    }
    if window.len() < 12 {
        return None;
    }
    let mut c = guess;
    for _ in 0..8 {
        let patch = Window::cut(photo, c, reach + 1)?;
        let (mut normal, mut rhs) = (Matrix4::<f64>::zeros(), Vector4::<f64>::zeros());
        let (mut square, mut weight) = (0.0, 0.0);
        let (mut sides, mut counts) = ([0.0; 2], [0.0; 2]);
        for &(dx, dy, w, s) in &window {
            let (p, q) = (patch.at(dx, dy), patch.at(-dx, -dy));
            let difference = p - q;
            let mean = (p + q) / 2.0;
            let row = Vector4::new(
                (patch.at(dx + 1, dy) - patch.at(dx - 1, dy) - patch.at(1 - dx, -dy)
                    + patch.at(-dx - 1, -dy))
                    / 2.0,
                (patch.at(dx, dy + 1) - patch.at(dx, dy - 1) - patch.at(-dx, 1 - dy)
                    + patch.at(-dx, -dy - 1))
                    / 2.0,
                -mean * s.x,
                -mean * s.y,
            );
            normal += w * row * row.transpose();
            rhs -= w * difference * row;
            square += w * difference * difference;
            weight += w;
            let quadrant = usize::from(s.x * s.y < 0.0);
            let apart = s.x.abs().min(s.y.abs()) * along;
            let clear = s.x.abs().max(s.y.abs()) * along;
            if apart > (0.04f64).min(0.3 * beside) && apart < 0.12 && clear < 0.3 {
                sides[quadrant] += mean;
                counts[quadrant] += 1.0;
            }
        }
        // Shade across half a window: a tenth either way is already a steep light (standard deviation).
        let contrast = sides[0] / f64::max(counts[0], 1.0) - sides[1] / f64::max(counts[1], 1.0);
        let noise = (0.03 * contrast).powi(2).max(1.0);
        normal[(2, 2)] += noise / 0.01;
        normal[(3, 3)] += noise / 0.01;
        let step = normal.cholesky()?.solve(&rhs);
        let left = (square - rhs.dot(&step)).max(0.0);
        let unlike = (left / weight / 2.0).sqrt() / contrast.abs().max(1.0);
        let limit = 0.5;
        let (sx, sy) = (step.x.clamp(-limit, limit), step.y.clamp(-limit, limit));
        c += Vector2::new(sx, sy);
        if (c - guess).norm() > (0.12 * side).max(2.0) {
            return None;
        }
        if sx.abs().max(sy.abs()) < 0.002 {
            return Some(Refined {
                x: c.x,
                y: c.y,
                contrast,
                unlike,
            });
        }
    }
    None
}

/// A smoothed patch of photo centred between pixels.
struct Window {
    side: i32,
    reach: i32,
    values: Vec<f64>,
}

impl Window {
    fn cut(photo: &Plane, centre: Vector2<f64>, reach: i32) -> Option<Window> {
        let (left, top) = (centre.x.round() as i64, centre.y.round() as i64);
        let margin = i64::from(reach + TAPS);
        if left < margin
            || top < margin
            || left + margin >= photo.width as i64
            || top + margin >= photo.height as i64
        {
            return None;
        }
        let taps = |fraction: f64| {
            let mut t = [0.0; 2 * TAPS as usize + 1];
            for (k, cell) in t.iter_mut().enumerate() {
                let d = k as f64 - f64::from(TAPS) - fraction;
                *cell = (-d * d / (2.0 * SMOOTH_PX * SMOOTH_PX)).exp();
            }
            let sum: f64 = t.iter().sum();
            t.map(|v| v / sum)
        };
        let (across, along) = (taps(centre.x - left as f64), taps(centre.y - top as f64));
        let side = 2 * reach + 1;
        let rows = side + 2 * TAPS;
        let mut half = Vec::with_capacity((rows * side) as usize);
        for y in 0..rows {
            let row = photo.row((top + i64::from(y - reach - TAPS)) as usize);
            let row = &row[(left - margin) as usize..=(left + margin) as usize];
            half.extend(row.windows(across.len()).map(|r| {
                r.iter()
                    .zip(across)
                    .map(|(&v, t)| f64::from(v) * t)
                    .sum::<f64>()
            }));
        }
        let mut values = vec![0.0; (side * side) as usize];
        for (y, out) in values.chunks_mut(side as usize).enumerate() {
            for (k, t) in along.iter().enumerate() {
                let from = &half[(y + k) * side as usize..(y + k + 1) * side as usize];
                for (cell, v) in out.iter_mut().zip(from) {
                    *cell += t * v;
                }
            }
        }
        Some(Window {
            side,
            reach,
            values,
        })
    }

    fn at(&self, dx: i32, dy: i32) -> f64 {
        self.values[((dy + self.reach) * self.side + dx + self.reach) as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A checker corner with marker borders, each pixel the mean of 8 x 8 places, through blur, tone curve and sharpening.
    struct Scene {
        centre: (f64, f64),
        side: f64,
        roll_deg: f64,
        blur_px: f64,
        gamma: f64,
        sharpen: f64,
        shade: f64,
    }

    const SIZE: usize = 96;

    fn draw(scene: &Scene) -> Vec<u8> {
        let (sin, cos) = scene.roll_deg.to_radians().sin_cos();
        let ink = |x: f64, y: f64| {
            let (dx, dy) = (
                (x - scene.centre.0) / scene.side,
                (y - scene.centre.1) / scene.side,
            );
            let (s, t) = (dx * cos + dy * sin, dy * cos - dx * sin);
            let white = s * t > 0.0;
            let (a, b) = (s.abs(), t.abs());
            let border = (0.125..0.875).contains(&a.min(b)) && a.max(b) < 0.875;
            let light = if white && !border { 0.8 } else { 0.05 };
            light * (1.0 + scene.shade * dx)
        };
        let mut grey: Vec<f64> = (0..SIZE * SIZE)
            .map(|k| {
                let (x, y) = ((k % SIZE) as f64, (k / SIZE) as f64);
                (0..64)
                    .map(|n| {
                        ink(
                            x - 0.4375 + f64::from(n % 8) / 8.0,
                            y - 0.4375 + f64::from(n / 8) / 8.0,
                        )
                    })
                    .sum::<f64>()
                    / 64.0
            })
            .collect();
        grey = blurred(&grey, scene.blur_px)
            .iter()
            .map(|v| v.max(0.0).powf(scene.gamma))
            .collect();
        let soft = blurred(&grey, 1.0);
        grey.iter()
            .zip(soft)
            .map(|(v, s)| {
                ((v + scene.sharpen * (v - s)) * 255.0)
                    .round()
                    .clamp(0.0, 255.0) as u8
            })
            .collect()
    }

    fn blurred(from: &[f64], sigma: f64) -> Vec<f64> {
        let reach = (4.0 * sigma).ceil() as i64;
        let taps: Vec<f64> = (-reach..=reach)
            .map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp())
            .collect();
        let sum: f64 = taps.iter().sum();
        let pass = |from: &[f64], dx: i64, dy: i64| -> Vec<f64> {
            let clamp = |v: i64| v.clamp(0, SIZE as i64 - 1) as usize;
            (0..SIZE as i64 * SIZE as i64)
                .map(|k| {
                    let (x, y) = (k % SIZE as i64, k / SIZE as i64);
                    let at = |n: i64| from[clamp(y + n * dy) * SIZE + clamp(x + n * dx)];
                    (-reach..=reach)
                        .zip(&taps)
                        .map(|(n, t)| at(n) * t)
                        .sum::<f64>()
                        / sum
                })
                .collect()
        };
        pass(&pass(from, 1, 0), 0, 1)
    }

    fn check(scene: &Scene, within_px: f64) {
        let data = draw(scene);
        let plane = Plane::new(&data, SIZE, SIZE).expect("a plane");
        let (sin, cos) = scene.roll_deg.to_radians().sin_cos();
        let start = Vector2::new(scene.centre.0 + 0.6, scene.centre.1 - 0.5);
        let found = refine(
            &plane,
            start,
            Vector2::new(cos, sin) * scene.side,
            Vector2::new(-sin, cos) * scene.side,
        );
        let found = found.expect("a corner");
        let off = (found.x - scene.centre.0).hypot(found.y - scene.centre.1);
        assert!(
            off < within_px && found.contrast > 0.0,
            "{off} px off: {found:?}"
        );
    }

    /// The corner stays where it is drawn whatever was done to the picture alike everywhere: the symmetry argument.
    #[test]
    fn neither_tone_nor_blur_nor_sharpening_moves_a_corner() {
        for (k, (blur_px, gamma, sharpen)) in [
            (0.6, 1.0, 0.0),
            (0.8, 0.4545, 0.0),
            (1.5, 0.4545, 0.0),
            (0.8, 0.4545, 1.0),
            (0.9, 0.7, 0.5),
        ]
        .into_iter()
        .enumerate()
        {
            for side in [22.0, 40.0] {
                let centre = (47.3 + 0.13 * k as f64, 46.9 - 0.17 * k as f64);
                let scene = Scene {
                    centre,
                    side,
                    roll_deg: 7.0 + 31.0 * k as f64,
                    blur_px,
                    gamma,
                    sharpen,
                    shade: 0.0,
                };
                // Rounding to 256 levels leaves 0.3/150 of the contrast over some hundred pixels: below 0.005 px.
                check(&scene, 0.01);
            }
        }
    }

    /// Light that doubles across two squares: the shade is fitted along.
    #[test]
    fn a_steep_light_moves_it_little() {
        for side in [24.0, 40.0] {
            let scene = Scene {
                centre: (48.2, 47.6),
                side,
                roll_deg: 20.0,
                blur_px: 0.8,
                gamma: 0.4545,
                sharpen: 0.0,
                shade: 0.35,
            };
            check(&scene, 0.05);
        }
    }

    #[test]
    fn plain_paper_and_the_rim_have_no_corner() {
        let data = vec![200; SIZE * SIZE];
        let plane = Plane::new(&data, SIZE, SIZE).expect("a plane");
        let (right, down) = (Vector2::new(30.0, 0.0), Vector2::new(0.0, 30.0));
        assert!(
            refine(&plane, Vector2::new(48.0, 48.0), right, down)
                .is_none_or(|r| r.contrast.abs() < 1.0)
        );
        assert!(refine(&plane, Vector2::new(5.0, 48.0), right, down).is_none());
        assert!(refine(&plane, Vector2::new(f64::NAN, 48.0), right, down).is_none());
        assert!(refine(&plane, Vector2::new(48.0, 48.0), right, right).is_none());
    }
}
