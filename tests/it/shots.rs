//! Made-up photos as files, for the built program.

use crate::scratch::Scratch;
use fairpanel::lens::Lens;
use fairpanel::sim::bench::{self, Bench};
use fairpanel::sim::camera::stored_lens;
use fairpanel::sim::develop::{self, Picture};
use fairpanel::sim::scene::{Develop, Jpeg};
use fairpanel::sim::{Scene, exif, jpeg, picture};
use std::path::PathBuf;

/// The photo of a line scene.
pub fn of_scene(scratch: &Scratch, name: &str, scene: &Scene) -> PathBuf {
    stored(
        scratch,
        name,
        &picture(scene).0,
        &scene.lens,
        &scene.develop,
    )
}

/// The photo of things on a bench.
pub fn of_bench(scratch: &Scratch, name: &str, scene: &Bench) -> PathBuf {
    let picture = bench::picture(scene);
    stored(scratch, name, &picture, &scene.lens, &scene.develop)
}

fn stored(scratch: &Scratch, name: &str, picture: &Picture, lens: &Lens, how: &Develop) -> PathBuf {
    let stored = develop::stored(picture, how.orientation);
    let setting = Jpeg {
        quality: 95,
        halved: false,
    };
    let exif = exif::block(&stored_lens(lens, how.orientation), how.orientation);
    let bytes = jpeg::Coded::new(&stored, setting).bytes(Some(&exif));
    scratch.file(&format!("{name}.jpg"), &bytes)
}
