//! Marked photo and plot of a 12-megapixel photo: `cargo bench --bench pictures`.

use criterion::{Criterion, criterion_group, criterion_main};
use fairpanel::check::Head;
use fairpanel::check::line::{Deviation, LineFigures, LineResult, Look, Reference, Wave, WaveDo};
use fairpanel::photo::{Facts, Photo};
use fairpanel::report::{json, overlay, plot};
use fairpanel::units::Measured;
use std::hint::black_box;

/// A 12-megapixel photo full of fine grain: the hardest kind to pack.
fn photo() -> Photo {
    let (width, height) = (4032, 3024);
    let mut state = 1u32;
    let mut grain = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        100 + (state >> 27) as u8
    };
    Photo {
        name: "bench".to_string(),
        width,
        height,
        luma: (0..width * height).map(|_| grain()).collect(),
        rgb: (0..3 * width * height)
            .map(|_| grain())
            .collect::<Vec<u8>>()
            .into(),
        facts: Facts::default(),
    }
}

/// A line of 600 points with four waves, running down the photo a little.
fn result() -> LineResult {
    let at = |point: usize| point as f64 / 599.0;
    let d_mm = |point: usize| 0.6 * (at(point) * 4.0 * std::f64::consts::PI).sin();
    let figure = |value| Measured { value, u95: 0.08 };
    let waves = (0..4)
        .map(|wave| Wave {
            from_mm: f64::from(wave) * 300.0,
            to_mm: f64::from(wave + 1) * 300.0,
            peak_mm: f64::from(wave) * 300.0 + 150.0,
            height_mm: figure(if wave % 2 == 0 { 0.6 } else { -0.6 }),
            what: if wave % 2 == 0 {
                WaveDo::TakeDown
            } else {
                WaveDo::Add
            },
            words: "over 300 mm".to_string(),
        })
        .collect();
    LineResult {
        joined: Vec::new(),
        overlap: Vec::new(),
        head: Head {
            schema: "fairpanel/1".to_string(),
            check: "line".to_string(),
            photo: "bench".to_string(),
            card: Vec::new(),
            lens: true,
            mm_per_px: 0.33,
            warnings: Vec::new(),
            budget: Vec::new(),
            verdict: None,
        },
        look: Look::Step,
        line: LineFigures {
            px: (0..600)
                .map(|point| [200.0 + 3600.0 * at(point), 1400.0 + 300.0 * at(point)])
                .collect(),
            points_mm: (0..600)
                .map(|point| [1200.0 * at(point), d_mm(point)])
                .collect(),
            run_starts: vec![0],
            length_mm: 1200.0,
            reference: Reference::Straight,
            shortest_mm: 20.0,
            deviation: (0..600)
                .map(|point| Deviation {
                    s_mm: 1200.0 * at(point),
                    d_mm: d_mm(point),
                    u95_mm: 0.05,
                })
                .collect(),
            straightness_mm: figure(1.2),
            rms_mm: 0.42,
            ragged_rms_mm: 0.05,
            waves,
        },
        gap: Vec::new(),
        next: "Take down the wave at 150 mm.".to_string(),
    }
}

fn pictures(bench: &mut Criterion) {
    let (photo, result) = (photo(), result());
    let mut group = bench.benchmark_group("pictures of 12 megapixels");
    group.sample_size(20);
    group.bench_function("draw", |bench| {
        bench.iter(|| black_box(overlay::draw(&photo, &result)))
    });
    group.bench_function("overlay png", |bench| {
        bench.iter(|| black_box(overlay::png(&photo, &result)))
    });
    group.bench_function("plot png and svg", |bench| {
        bench.iter(|| black_box(plot::png_and_svg(&result)))
    });
    group.bench_function("both at once", |bench| {
        bench.iter(|| {
            rayon::join(
                || overlay::png(&photo, &result).len(),
                || plot::png_and_svg(&result).0.len(),
            )
        })
    });
    group.bench_function("json", |bench| {
        bench.iter(|| black_box(json::answer(&result, &[])))
    });
    group.finish();
}

criterion_group!(benches, pictures);
criterion_main!(benches);
