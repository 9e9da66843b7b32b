//! Whether a flat card and the lens file explain where the card's corners lie.
//!
//! A wrong lens, or a bent card, moves whole patches of corners alike: a smooth map still goes through them (their own scatter
//! stays small), the pose of a flat card behind this lens does not. The two variances are compared by Fisher's F. Each card
//! is taken alone: several on a panel that bows both ways don't fit together through any lens.

use super::solve::{Assume, solve};
use crate::card::Card;
use crate::solve::student::f_tail;

/// What chance does to one card in a million passes; photos come by the thousand.
const CHANCE: f64 = 1e-6;
/// Less than this is what paper, the panel's small waves and a phone's sharpening do to corners, px (ours, no source: twice of
/// what made-up photos show with their own lens).
const LEAST_PX: f64 = 0.05;
/// Numbers that a flat card's pose has, and the most that a card's smooth map has (its homography and a polynomial of third order).
const POSE: f64 = 6.0;
const SMOOTH: f64 = 22.0;

/// How far a coordinate of the card's corners lies off the place where a flat card shows through the lens file, rms px beyond the
/// corners' own scatter; `None` where chance or paper explain it, or without a lens file to be wrong.
pub fn misfit_px(card: &Card, assume: &Assume) -> Option<f64> {
    if assume.lens.is_none() || assume.lens_doubt {
        return None;
    }
    let scale = solve(std::slice::from_ref(card), assume).ok()?;
    let (found, own) = (scale.sigma_px, card.sigma_px);
    let beyond = (found * found - own * own).max(0.0).sqrt();
    let numbers = 2.0 * card.corners.len() as f64;
    let free = [numbers - POSE, numbers - SMOOTH];
    let sure = free[1] >= 1.0 && f_tail((found / own).powi(2), free[0], free[1]) < CHANCE;
    (sure && beyond > LEAST_PX).then_some(beyond)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::{Corner, layout};
    use crate::lens::{Lens, UprightLens};
    use crate::scale::Printed;
    use crate::solve::random::Random;
    use crate::units::Px;
    use nalgebra::{Point2, Rotation3, Vector3};

    /// A flat card seen through a phone's lens, corners off by `sd_px`.
    fn seen(lens: &Lens, sd_px: f64, seed: u64) -> Card {
        let layout = layout::named("card-1").expect("a built-in card");
        let mut random = Random::new(seed);
        let turn = Rotation3::from_euler_angles(0.3, -0.2, 0.1);
        let middle = Vector3::new(
            0.5 * layout.squares_x as f64 * layout.square_mm,
            0.5 * layout.squares_y as f64 * layout.square_mm,
            0.0,
        );
        let corners = (0..layout.corners())
            .map(|id| {
                let mm = layout.corner(id).expect("a corner");
                let place = turn * (Vector3::new(mm.0.x, mm.0.y, 0.0) - middle)
                    + Vector3::new(60.0, 30.0, 260.0);
                let px = lens.project(Point2::new(place.x / place.z, place.y / place.z));
                let off = |random: &mut Random| sd_px * random.normal();
                let px = Px(Point2::new(
                    px.x + off(&mut random),
                    px.y + off(&mut random),
                ));
                Corner { id, px, mm }
            })
            .collect();
        Card {
            layout,
            corners,
            sigma_px: sd_px,
        }
    }

    fn assume(lens: Lens) -> Assume {
        Assume {
            printed: Printed::default(),
            bow_u95_mm: 25.0,
            axis_rad: None,
            lens: Some(UprightLens {
                lens,
                covariance: None,
            }),
            lens_doubt: false,
            focal_px: None,
            width: lens.width,
            height: lens.height,
        }
    }

    #[test]
    fn the_right_lens_fits_and_another_is_told() {
        let plain = Lens::pinhole(2016, 1512, 1530.0);
        let mut bent = plain;
        (bent.k1, bent.k2) = (-0.12, 0.04);
        for seed in 0..20 {
            let card = seen(&bent, 0.03, seed);
            assert_eq!(misfit_px(&card, &assume(bent)), None);
            assert!(misfit_px(&card, &assume(plain)).is_some_and(|off| off < 5.0));
        }
        let mut doubted = assume(plain);
        doubted.lens_doubt = true;
        assert_eq!(misfit_px(&seen(&bent, 0.03, 1), &doubted), None);
    }
}
