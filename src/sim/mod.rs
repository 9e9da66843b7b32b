//! Made-up panels and cameras with known truth: only tests, benches and examples use it.
//!
//! A [`Scene`] is plain data; [`render`] turns it into a [`Photo`](crate::photo::Photo) and its [`Truth`]. Several
//! photos of one panel are scenes that share everything but `pose` and `photo_seed`. [`draw`] makes scenes at
//! random. The same scene gives the same bytes.
//!
//! What is modelled: flanks, arc, bow, gap; tape, coat, shade; cards that follow the bow or stay stiff; one light and
//! an even share; a Brown–Conrady lens, Gaussian blur, pixel area, vignetting, shot and read noise, the sRGB curve, JPEG.
//! What is not: gloss, cast shadows on the panel, depth of field, a phone's own sharpening and smoothing.

pub mod backdrop;
pub mod bench;
pub mod board;
pub mod camera;
pub mod cardface;
pub mod develop;
pub mod draw;
pub mod exif;
pub mod flat;
pub mod helped;
pub mod jpeg;
pub mod lows;
pub mod noise;
pub mod paint;
pub mod random;
pub mod rule;
pub mod scene;
pub mod section;
pub mod sensor;
pub mod shape;
pub mod trial;
pub mod truth;

use crate::photo::Photo;
use develop::Picture;
use paint::Panelled;
pub use scene::Scene;
pub use truth::Truth;

/// The photo of a scene as intake would hand it over, and its truth.
///
/// About 0.3 µs a pixel on one core; rows run in parallel.
pub fn render(scene: &Scene) -> (Photo, Truth) {
    let (picture, truth) = picture(scene);
    (
        develop::photo(&picture, &scene.develop, "made-up.jpg"),
        truth,
    )
}

/// The upright picture before it is stored, and the truth.
pub fn picture(scene: &Scene) -> (Picture, Truth) {
    let view = Panelled::new(scene);
    let light = sensor::expose(&scene.lens, scene.develop.psf_sigma_px, &|look, before| {
        view.see(look, before)
    });
    let picture = develop::develop(&light, &scene.lens, &scene.develop, scene.photo_seed);
    (picture, truth::truth(scene, &view))
}

#[cfg(test)]
mod tests {
    use super::scene::{Coat, Dress, Look, Panel, PlacedCard, Pose, Wave};
    use super::*;
    use crate::lens::Lens;

    fn bare() -> Scene {
        let lens = Lens {
            k1: -0.11,
            k2: 0.04,
            p1: 4e-4,
            ..Lens::pinhole(480, 360, 380.0)
        };
        Scene {
            panel: Panel {
                turn_deg: 28.0,
                bow_mm_per_m: 15.0,
                radius_mm: [3.0, 7.0],
                waves: vec![Wave {
                    amplitude_mm: 0.5,
                    wavelength_mm: 110.0,
                    phase: 0.4,
                }],
                ..Panel::default()
            },
            // Light from everywhere: shade that changes within the blur would pull the comparison of brightness.
            light: scene::Light {
                ambient: 1.0,
                ..scene::Light::default()
            },
            dress: Dress {
                mottle: 0.0,
                grain: 0.0,
                ..Dress::default()
            },
            pose: Pose {
                elevation_deg: 12.0,
                yaw_deg: 9.0,
                roll_deg: 4.0,
                distance_mm: 420.0,
                ..Pose::default()
            },
            lens,
            ..Scene::default()
        }
    }

    fn light(scene: &Scene) -> sensor::Light {
        let view = Panelled::new(scene);
        sensor::expose(&scene.lens, 0.7, &|look, before| view.see(look, before))
    }

    /// Signed distance (px, down the picture) of the edge of `scene`'s look from its truth, in each column, by comparing
    /// with the same scene with nothing and with everything covered: shade and lens drop out.
    fn edge_errors(scene: &Scene, colour: [f64; 3]) -> Vec<f64> {
        let none = Scene {
            look: Look::Shade,
            ..scene.clone()
        };
        let mut all = none.clone();
        all.dress.ground = colour;
        let (some, none, all) = (light(scene), light(&none), light(&all));
        let line = truth::truth(scene, &Panelled::new(scene)).line;
        let (w, h) = (scene.lens.width, scene.lens.height);
        let mut errors = Vec::new();
        for column in 10..w - 10 {
            let at = line
                .px
                .windows(2)
                .find(|p| p[0].0.x <= column as f64 && p[1].0.x > column as f64);
            let Some([a, b]) = at else { continue };
            let t = (column as f64 - a.0.x) / (b.0.x - a.0.x);
            let y = a.0.y + t * (b.0.y - a.0.y);
            if !(12.0..h as f64 - 12.0).contains(&y) {
                continue;
            }
            // Share covered, summed down a window about the edge; covered above.
            let (from, to) = (y as usize - 6, y as usize + 7);
            let share: f64 = (from..to)
                .map(|r| r * w + column)
                .map(|i| {
                    f64::from((some.rgb[i][0] - none.rgb[i][0]) / (all.rgb[i][0] - none.rgb[i][0]))
                })
                .sum();
            errors.push(from as f64 - 0.5 + share - y);
        }
        errors
    }

    #[test]
    fn tape_edge_lies_on_the_true_crest() {
        let colour = [0.06, 0.22, 0.62];
        for below in [true, false] {
            let mut scene = bare();
            scene.panel.cards_below = below;
            scene.look = Look::Tape {
                colour,
                below: false,
                width_mm: 40.0,
            };
            let errors = edge_errors(&scene, colour);
            let worst = errors.iter().fold(0.0f64, |a, e| a.max(e.abs()));
            assert!(errors.len() > 400, "{}", errors.len());
            // A tenth of the bar the tool is held to (0.10 px).
            assert!(worst < 0.01, "{worst}");
        }
    }

    #[test]
    fn coat_edge_lies_where_its_truth_says() {
        let coat = Coat {
            patchy: 0.0,
            strength: 1.0,
            width_mm: 60.0,
            raggedness_mm: 0.0,
            ..Coat::default()
        };
        let colour = coat.colour;
        let scene = Scene {
            look: Look::Coat(coat),
            ..bare()
        };
        let errors = edge_errors(&scene, colour);
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        assert!(mean.abs() < 0.02, "{mean}");
    }

    #[test]
    fn card_corners_lie_where_the_truth_says() {
        // A corner of the checker is a point of symmetry: turning a small window by half a turn swaps nothing. Look for
        // the point about which the picture is most nearly its own half-turn image.
        for stiff in [false, true] {
            let mut scene = bare();
            scene.cards = vec![PlacedCard {
                layout: draw::layout(true, 0),
                centre_mm: [-30.0, 70.0],
                turn_deg: 3.0,
                stiff,
                print_scale: [1.0, 1.0],
            }];
            let light = light(&scene);
            let truth = truth::truth(&scene, &Panelled::new(&scene));
            let grey = |x: f64, y: f64| {
                let (ix, iy) = (x.floor() as usize, y.floor() as usize);
                let (u, v) = (x - x.floor(), y - y.floor());
                let at =
                    |i: usize, j: usize| f64::from(light.rgb[(iy + j) * light.width + ix + i][1]);
                (at(0, 0) * (1.0 - u) + at(1, 0) * u) * (1.0 - v)
                    + (at(0, 1) * (1.0 - u) + at(1, 1) * u) * v
            };
            let mut sum = nalgebra::Vector2::zeros();
            let mut count = 0.0;
            for px in &truth.cards[0].inner_px {
                let unlike = |dx: f64, dy: f64| {
                    let mut total = 0.0;
                    for j in -2i32..=2 {
                        for i in -2i32..=2 {
                            let (i, j) = (f64::from(i), f64::from(j));
                            let (x, y) = (px.0.x + dx, px.0.y + dy);
                            total += (grey(x + i, y + j) - grey(x - i, y - j)).powi(2);
                        }
                    }
                    total
                };
                // The least of a parabola through three points, each way.
                let least = |f: &dyn Fn(f64) -> f64| {
                    let (a, b, c) = (f(-0.3), f(0.0), f(0.3));
                    0.15 * (a - c) / (a - 2.0 * b + c)
                };
                sum +=
                    nalgebra::Vector2::new(least(&|d| unlike(d, 0.0)), least(&|d| unlike(0.0, d)));
                count += 1.0;
            }
            let mean = sum / count;
            assert!(mean.norm() < 0.02, "stiff {stiff}: {mean}");
        }
    }

    #[test]
    fn same_scene_gives_the_same_bytes() {
        let scene = draw::line_of(
            5,
            &draw::LineKind {
                look: draw::LookKind::Coat,
                level: false,
                gap: true,
                cards: 2,
                width: 320,
            },
        );
        let (a, b) = (render(&scene), render(&scene));
        assert_eq!(a.0.rgb_plane(), b.0.rgb_plane());
        assert_eq!(a.0.luma, b.0.luma);
        assert_eq!(a.1, b.1);
    }
}
