//! Comparison with what was blessed: `BLESS=1 cargo test` rewrites the golden files; look at them before you commit.
//!
//! A golden file shows a change, not the truth: what is right is tested elsewhere.

use image::RgbImage;
use std::path::PathBuf;

/// Where golden files lie.
fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/report")
        .join(name)
}

/// Whether this run rewrites them.
fn blessing() -> bool {
    std::env::var_os("BLESS").is_some_and(|value| value == "1")
}

/// Compares a text with the golden one, line by line.
pub fn text(name: &str, found: &str) {
    let path = path(name);
    if blessing() {
        std::fs::write(&path, found).expect("golden files can be written");
    }
    let golden = std::fs::read_to_string(&path).expect("golden text, made by BLESS=1");
    for (number, (found, golden)) in found.lines().zip(golden.lines()).enumerate() {
        assert_eq!(found, golden, "{name}, line {}", number + 1);
    }
    assert_eq!(
        found.lines().count(),
        golden.lines().count(),
        "{name}, number of lines"
    );
}

/// Largest mean difference of a picture, in 8-bit steps: text moved by a pixel is far above it, a rounding of the
/// smoothed edges far below.
const MEAN_STEPS: f64 = 0.1;

/// Compares a picture with the golden one. On a difference the new picture is left in the temporary folder.
pub fn picture(name: &str, found: &RgbImage) {
    let path = path(name);
    if blessing() {
        found.save(&path).expect("golden files can be written");
    }
    let golden = image::open(&path)
        .expect("golden picture, made by BLESS=1")
        .into_rgb8();
    let same = golden.dimensions() == found.dimensions();
    let steps: u64 = golden
        .iter()
        .zip(found.iter())
        .map(|(a, b)| u64::from(a.abs_diff(*b)))
        .sum();
    let mean = steps as f64 / golden.len() as f64;
    if !same || mean > MEAN_STEPS {
        let new = std::env::temp_dir().join(format!("fairpanel-new-{name}"));
        found
            .save(&new)
            .expect("the temporary folder takes a picture");
        panic!(
            "{name} differs by {mean:.3} steps on the mean; look at {}",
            new.display()
        );
    }
}
