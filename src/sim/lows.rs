//! A repair after a sanding pass: level filler, coat left in lows, show-through on highs; the class of every place is
//! known.
//!
//! The panel is flat here: what is tested is telling the classes apart and their areas, not the crown.

use super::bench::{Bench, Blob, Ground, Sheet};
use super::develop::linear;
use super::draw;
use super::random::Rng;
use super::scene::{Develop, Exposure, Jpeg, Pose};
use std::f64::consts::TAU;

/// Class of a place, numbered as in the result's map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Class {
    /// Outside the repair, or a card.
    Outside = 0,
    /// Level filler.
    Level = 1,
    /// Coat left.
    Low = 2,
    /// Show-through.
    High = 3,
}

/// A repair photo and what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LowsScene {
    /// The scene: paint, rim, filler, highs, lows as blobs in this order; one card.
    pub bench: Bench,
    /// The filled area.
    pub repair: Blob,
    /// Where coat is left.
    pub lows: Vec<Blob>,
    /// Where base shows through.
    pub highs: Vec<Blob>,
}

/// A map of classes in the card's millimetres.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClassMap {
    /// Width, cells.
    pub width: usize,
    /// Height, cells.
    pub height: usize,
    /// Classes, row by row.
    pub classes: Vec<u8>,
}

impl LowsScene {
    /// The class at a place of the panel, mm.
    pub fn class(&self, at: [f64; 2]) -> Class {
        let inside = |blob: &Blob| blob.depth(at).0 > 0.0;
        if !inside(&self.repair) {
            Class::Outside
        } else if self.lows.iter().any(inside) {
            Class::Low
        } else if self.highs.iter().any(inside) {
            Class::High
        } else {
            Class::Level
        }
    }

    /// Area of a class, mm², counted on a lattice of half a millimetre.
    pub fn area_mm2(&self, class: Class) -> f64 {
        let [hx, hy] = self.repair.half_mm.map(|v| 1.5 * v);
        let step = 0.5;
        let (nx, ny) = ((2.0 * hx / step) as usize, (2.0 * hy / step) as usize);
        let [cx, cy] = self.repair.centre_mm;
        let place = |i: usize| {
            [
                cx - hx + step * (i % nx) as f64,
                cy - hy + step * (i / nx) as f64,
            ]
        };
        (0..nx * ny)
            .filter(|&i| self.class(place(i)) == class)
            .count() as f64
            * step
            * step
    }

    /// The classes on a lattice of the card's millimetres: `origin_mm` is the middle of the first cell.
    pub fn map(
        &self,
        origin_mm: [f64; 2],
        mm_per_px: f64,
        width: usize,
        height: usize,
    ) -> ClassMap {
        let sheet = &self.bench.sheets[0];
        let (sin, cos) = sheet.turn_deg.to_radians().sin_cos();
        let half = [sheet.layout.squares_x, sheet.layout.squares_y]
            .map(|n| n as f64 * sheet.layout.square_mm / 2.0);
        let classes = (0..width * height)
            .map(|i| {
                let u = origin_mm[0] + (i % width) as f64 * mm_per_px - half[0];
                let v = origin_mm[1] + (i / width) as f64 * mm_per_px - half[1];
                let panel = [
                    sheet.centre_mm[0] + cos * u - sin * v,
                    sheet.centre_mm[1] + sin * u + cos * v,
                ];
                self.class(panel) as u8
            })
            .collect();
        ClassMap {
            width,
            height,
            classes,
        }
    }
}

/// What a pass left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pass {
    /// How many lows.
    pub lows: usize,
    /// How many highs.
    pub highs: usize,
    /// Factor on the lows' size (1 in the first pass; later passes of one seed shrink the same lows).
    pub shrink: f64,
    /// Ratio of brightness across 300 mm.
    pub gradient: f64,
}

/// A repair photo at random; `width` in px, a height of three quarters. Passes of one seed show the same repair.
pub fn draw_lows(seed: u64, pass: &Pass, photo: u64, width: usize) -> LowsScene {
    let mut rng = Rng::new(seed, 61);
    let mean = rng.between(75.0, 140.0);
    let blob = |rng: &mut Rng, centre: [f64; 2], size: f64, colour: [f64; 3], soft_mm: f64| Blob {
        centre_mm: centre,
        half_mm: [size * rng.between(0.8, 1.25), size * rng.between(0.8, 1.25)],
        turn_deg: rng.between(0.0, 180.0),
        wobble: [2.0, 3.0, 5.0, 9.0].map(|k| [rng.between(0.0, 0.16 / k), rng.between(0.0, TAU)]),
        colour,
        strength: 1.0,
        soft_mm,
        speckle: 0.04,
    };
    let base = linear([[58, 84, 150], [150, 152, 155], [150, 62, 52], [60, 92, 70]][rng.below(4)]);
    let primer = linear([[120, 60, 52], [70, 70, 72], [176, 178, 180]][rng.below(3)]);
    let filler = linear([[222, 196, 156], [206, 205, 196], [228, 184, 176]][rng.below(3)]);
    let coat = linear([[44, 44, 46], [74, 86, 112], [120, 122, 124]][rng.below(3)]);
    let repair = blob(&mut rng, [0.0, 0.0], mean, filler, 0.5);
    let rim = Blob {
        half_mm: repair.half_mm.map(|h| h + rng.between(4.0, 9.0)),
        colour: primer,
        ..repair.clone()
    };
    let place = |rng: &mut Rng| {
        let (away, side) = (mean * 0.6 * rng.unit().sqrt(), rng.between(0.0, TAU));
        [away * side.cos(), away * side.sin()]
    };
    let lows: Vec<Blob> = (0..pass.lows)
        .map(|_| {
            let (at, size) = (place(&mut rng), rng.between(6.0, 24.0));
            Blob {
                strength: rng.between(0.75, 0.95),
                speckle: 0.25,
                ..blob(&mut rng, at, size * pass.shrink, coat, 0.9)
            }
        })
        .collect();
    let highs: Vec<Blob> = (0..pass.highs)
        .map(|_| {
            let (at, size) = (place(&mut rng), rng.between(3.0, 13.0));
            blob(&mut rng, at, size, primer, 0.5)
        })
        .collect();
    let mut view = Rng::new(seed ^ photo.wrapping_mul(0x9E37), 62);
    let lens = draw::phone(rng.below(3), width, width * 3 / 4);
    let card = Sheet {
        layout: draw::layout(false, 100),
        centre_mm: [view.between(-40.0, 40.0), mean * 1.35 + 80.0],
        turn_deg: view.between(-15.0, 15.0),
        ..Sheet::default()
    };
    let mut blobs = vec![rim, repair.clone()];
    blobs.extend(highs.iter().cloned());
    blobs.extend(lows.iter().cloned());
    let bench = Bench {
        surface_seed: seed,
        photo_seed: seed.wrapping_mul(31).wrapping_add(photo),
        ground: Ground {
            colour: base,
            depth_mm: 0.0,
            mottle: 0.02,
            streak: 0.0,
        },
        blobs,
        shapes: Vec::new(),
        sheets: vec![card],
        gradient: pass.gradient,
        gradient_deg: view.between(0.0, 360.0),
        pose: Pose {
            elevation_deg: view.between(-18.0, 18.0),
            yaw_deg: view.between(-18.0, 18.0),
            roll_deg: view.between(-20.0, 20.0),
            distance_mm: lens.fx / lens.width as f64
                * (mean * 2.4 + 170.0)
                * view.between(1.55, 1.85),
            aim_mm: [view.between(-20.0, 20.0), 70.0],
        },
        lens,
        develop: Develop {
            psf_sigma_px: view.between(0.6, 0.95),
            exposure: Exposure::Auto {
                share: 0.97,
                level: view.between(0.55, 0.8),
            },
            shimmer: view.between(0.0, 0.05),
            jpeg: Some(Jpeg {
                quality: 90 + view.below(6) as u8,
                halved: view.chance(0.5),
            }),
            ..Develop::default()
        },
    };
    LowsScene {
        bench,
        repair,
        lows,
        highs,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::bench;
    use crate::sim::camera::Camera;

    #[test]
    fn photo_has_each_class_where_the_truth_says() {
        let pass = Pass {
            lows: 4,
            highs: 3,
            shrink: 1.0,
            gradient: 1.0,
        };
        let mut scene = draw_lows(7, &pass, 0, 640);
        // Bare colours, so that a place's class can be read off its colour.
        scene.bench.develop = Develop {
            read_noise: 0.0,
            full_well: 1e12,
            vignetting_power: 0.0,
            ..Develop::default()
        };
        let picture = bench::picture(&scene.bench);
        let camera = Camera::new(scene.bench.lens, &scene.bench.pose);
        let mut count = [0; 4];
        let mut sums = [[0.0; 3]; 4];
        for i in 0..6400 {
            let at = [
                f64::from(i % 80) * 3.0 - 120.0,
                f64::from(i / 80) * 3.0 - 120.0,
            ];
            // Well inside one class: the same class 2.5 mm around.
            let class = scene.class(at);
            let near = [[2.5, 0.0], [-2.5, 0.0], [0.0, 2.5], [0.0, -2.5]];
            if near
                .iter()
                .any(|d| scene.class([at[0] + d[0], at[1] + d[1]]) != class)
            {
                continue;
            }
            let Some(px) = camera.project(nalgebra::Point3::new(at[0], at[1], 0.0)) else {
                continue;
            };
            if !camera.sees(px) {
                continue;
            }
            let pixel =
                &picture.rgb[3 * (px.0.y.round() as usize * 640 + px.0.x.round() as usize)..][..3];
            count[class as usize] += 1;
            for (sum, v) in sums[class as usize].iter_mut().zip(pixel) {
                *sum += f64::from(*v);
            }
        }
        let mean = |k: usize| sums[k].map(|s| s / f64::from(count[k].max(1)));
        assert!(count[1] > 500 && count[2] > 20, "{count:?}");
        let differ =
            |a: [f64; 3], b: [f64; 3]| (0..3).map(|i| (a[i] - b[i]).abs()).fold(0.0, f64::max);
        assert!(differ(mean(1), mean(2)) > 40.0, "coat on filler");
        assert!(scene.area_mm2(Class::Low) > 100.0 && scene.area_mm2(Class::Level) > 10_000.0);
    }

    #[test]
    fn shrinking_pass_leaves_less_coat_in_the_same_places() {
        let pass = |shrink| Pass {
            lows: 3,
            highs: 0,
            shrink,
            gradient: 1.0,
        };
        let [a, b] = [1.0, 0.7].map(|s| draw_lows(3, &pass(s), 0, 640));
        assert!(b.area_mm2(Class::Low) < 0.6 * a.area_mm2(Class::Low));
        assert_eq!(a.lows[0].centre_mm, b.lows[0].centre_mm);
        assert_eq!(a.repair, b.repair);
    }
}
