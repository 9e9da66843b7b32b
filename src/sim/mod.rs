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
pub mod camera;
pub mod cardface;
pub mod develop;
pub mod draw;
pub mod exif;
pub mod jpeg;
pub mod noise;
pub mod paint;
pub mod random;
pub mod scene;
pub mod sensor;
pub mod shape;
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
