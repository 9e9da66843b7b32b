//! Photos of the lens board from many sides, with a lens that is known.

use super::bench::{Bench, Ground, Sheet};
use super::camera::Camera;
use super::develop::linear;
use super::random::Rng;
use super::scene::{Develop, Exposure, Jpeg, Pose};
use crate::lens::Lens;
use nalgebra::Point3;

/// A set of board photos.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kind {
    /// How many photos.
    pub photos: usize,
    /// The lens that takes them.
    pub lens: Lens,
    /// Sagitta of the board over its length, mm; positive: its middle is nearer to the camera.
    pub bow_mm: f64,
    /// Bowed along its length; else along its height.
    pub bow_along_x: bool,
    /// Printed size over nominal size.
    pub print_scale: f64,
}

/// The photos of a set: tilts up to 40° to every side, every quarter turn, near and far, the frame's corners reached.
pub fn photos(seed: u64, kind: &Kind) -> Vec<Bench> {
    let mut rng = Rng::new(seed, 31);
    let sheet = Sheet {
        bow_mm: kind.bow_mm,
        bow_along_x: kind.bow_along_x,
        print_scale: [kind.print_scale; 2],
        ..Sheet::default()
    };
    let colour = linear([
        rng.between(70.0, 160.0) as u8,
        rng.between(65.0, 150.0) as u8,
        rng.between(60.0, 140.0) as u8,
    ]);
    let streak = if rng.chance(0.5) { 0.12 } else { 0.0 };
    (0..kind.photos)
        .map(|k| Bench {
            surface_seed: seed,
            photo_seed: seed.wrapping_mul(1009).wrapping_add(k as u64),
            ground: Ground {
                colour,
                depth_mm: 1.0,
                mottle: 0.06,
                streak,
            },
            sheets: vec![sheet.clone()],
            blobs: Vec::new(),
            shapes: Vec::new(),
            gradient: rng.between(1.0, 1.6),
            gradient_deg: rng.between(0.0, 360.0),
            pose: pose(&mut rng, k, &kind.lens),
            lens: kind.lens,
            develop: Develop {
                psf_sigma_px: rng.between(0.6, 1.0),
                vignetting_power: rng.between(0.8, 2.0),
                exposure: Exposure::Auto {
                    share: 0.97,
                    level: rng.between(0.6, 0.85),
                },
                shimmer: rng.between(0.0, 0.03),
                white_balance: [rng.between(0.94, 1.07), 1.0, rng.between(0.93, 1.06)],
                read_noise: rng.between(0.0007, 0.002),
                full_well: 9000.0,
                jpeg: Some(Jpeg {
                    quality: 90,
                    halved: rng.chance(0.5),
                }),
                orientation: 1,
            },
        })
        .collect()
}

/// A pose from which at least half of the board is seen.
fn pose(rng: &mut Rng, k: usize, lens: &Lens) -> Pose {
    let mut pose = Pose::default();
    for _ in 0..200 {
        // Every other photo well tilted: a lens is not found from square views.
        let tilt = if k.is_multiple_of(2) {
            rng.between(22.0, 40.0)
        } else {
            rng.between(3.0, 22.0)
        };
        let side = rng.between(0.0, std::f64::consts::TAU);
        let roll_deg =
            [0.0, 0.0, 90.0, 0.0, 180.0, 0.0, -90.0, 0.0][k % 8] + rng.between(-12.0, 12.0);
        let fill = rng.between(0.55, 1.15);
        pose = Pose {
            elevation_deg: tilt * side.sin(),
            yaw_deg: tilt * side.cos(),
            roll_deg,
            distance_mm: lens.fx / lens.width as f64 * 242.0 / fill,
            aim_mm: [rng.between(-70.0, 70.0), rng.between(-50.0, 50.0)],
        };
        let camera = Camera::new(*lens, &pose);
        let seen = (0..70)
            .map(|i| {
                Point3::new(
                    f64::from(i % 10) * 22.0 - 99.0,
                    f64::from(i / 10) * 22.0 - 66.0,
                    0.0,
                )
            })
            .filter(|&p| camera.project(p).is_some_and(|px| camera.sees(px)))
            .count();
        if seen >= 40 {
            break;
        }
    }
    pose
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::{bench, draw};

    #[test]
    fn every_photo_shows_much_of_the_board_and_the_set_fills_the_frame() {
        let lens = draw::phone(1, 1008, 756);
        let kind = Kind {
            photos: 12,
            lens,
            bow_mm: 0.5,
            bow_along_x: true,
            print_scale: 1.01,
        };
        let mut filled = [false; 9];
        for photo in photos(4, &kind) {
            let camera = Camera::new(lens, &photo.pose);
            let seen: Vec<_> = bench::cards(&photo)[0]
                .inner_px
                .iter()
                .copied()
                .filter(|&p| camera.sees(p))
                .collect();
            assert!(seen.len() >= 38, "{}", seen.len());
            for p in seen {
                filled[(p.0.y / 252.0) as usize * 3 + (p.0.x / 336.0) as usize] = true;
            }
        }
        assert_eq!(filled, [true; 9]);
    }
}
