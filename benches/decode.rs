//! Intake of a 12-megapixel JPEG by stage. Whatever is asked for first pays for reading the file.

use criterion::{Criterion, criterion_group, criterion_main};
use fairpanel::photo::{self, Limits, Need, Photo};
use image::codecs::jpeg::JpegEncoder;

const WIDTH: u32 = 4032;
const HEIGHT: u32 = 3024;

/// A panel-like scene: soft shade, a few lines, a checkered patch, grain as cameras leave it.
fn scene() -> image::RgbImage {
    image::RgbImage::from_fn(WIDTH, HEIGHT, |x, y| {
        let grain = (x.wrapping_mul(0x9E37_79B9) ^ y.wrapping_mul(0x85EB_CA6B))
            .wrapping_mul(0xC2B2_AE35)
            >> 29;
        let shade = 90 + x / 60 + y / 90 + grain;
        let line = (y + x / 12) % 700 < 60;
        let card = (1000..1800).contains(&x) && (1500..1900).contains(&y);
        let [r, g, b] = match (line, card) {
            (_, true) if (x / 40 + y / 40).is_multiple_of(2) => [30; 3],
            (_, true) => [225; 3],
            (true, _) => [shade / 3, shade / 2, shade + 20],
            _ => [shade, shade - 5, shade - 12],
        };
        image::Rgb([r, g, b].map(|v| v.min(255) as u8))
    })
}

fn jpeg() -> Vec<u8> {
    let mut out = Vec::new();
    let scene = scene();
    JpegEncoder::new_with_quality(&mut out, 88)
        .encode_image(&scene)
        .expect("a picture that can be coded");
    out
}

/// The same file with EXIF that says orientation 6.
fn turned(jpeg: &[u8]) -> Vec<u8> {
    let mut out = vec![0xFF, 0xD8, 0xFF, 0xE1, 0, 34];
    out.extend(b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0");
    out.extend(&jpeg[2..]);
    out
}

fn take(bytes: &[u8], need: Need) -> Photo {
    photo::decode(bytes, "bench", need, &Limits::default()).expect("a good photo")
}

fn decode(c: &mut Criterion) {
    let plain = jpeg();
    let turned = turned(&plain);
    assert_eq!(take(&turned, Need::Brightness).facts.orientation, 6);
    let mut group = c.benchmark_group("decode 12 MP");
    group.sample_size(20);
    for (name, bytes) in [("upright", &plain), ("turned", &turned)] {
        group.bench_function(format!("{name}, brightness"), |b| {
            b.iter(|| take(bytes, Need::Brightness))
        });
        group.bench_function(format!("{name}, a third of the colours"), |b| {
            b.iter(|| {
                let photo = take(bytes, Need::Colour);
                photo.prepare_colours(0..photo.width, 0..photo.height / 3);
                photo
            })
        });
        group.bench_function(format!("{name}, all colours"), |b| {
            b.iter(|| {
                let photo = take(bytes, Need::Colour);
                photo.prepare_colours(0..photo.width, 0..photo.height);
                photo
            })
        });
    }
    let photo = take(&plain, Need::Brightness);
    group.bench_function("halve", |b| {
        b.iter(|| photo::grey::half(&photo.luma, photo.width, photo.height))
    });
    group.bench_function("quality", |b| b.iter(|| photo::quality(&photo)));
    group.finish();
}

criterion_group!(benches, decode);
criterion_main!(benches);
