//! Intake against libjpeg-turbo's pixels, against cut and crooked files, and against bytes at random.

use std::io::Cursor;

use image::{DynamicImage, ImageFormat};
use proptest::prelude::*;

use super::*;

fn fixture(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/photo")
        .join(name);
    std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn take(bytes: &[u8], need: Need) -> Result<Photo, PhotoError> {
    let photo = decode(bytes, "a photo", need, &Limits::default())?;
    assert_eq!(photo.luma.len(), photo.width * photo.height);
    Ok(photo)
}

/// JPEGs that are one run of Huffman codes: the camera's ordinary kind.
const ORDINARY: [&str; 9] = [
    "444.jpg",
    "422.jpg",
    "420.jpg",
    "440.jpg",
    "411.jpg",
    "420-optimised.jpg",
    "420-restart.jpg",
    "444-restart.jpg",
    "grey.jpg",
];
/// The others.
const OTHERS: [&str; 8] = [
    "420-progressive.jpg",
    "444-progressive.jpg",
    "420-progressive-restart.jpg",
    "grey-progressive.jpg",
    "rgb.jpg",
    "cmyk.jpg",
    "ycck.jpg",
    "cmyk-plain.jpg",
];

/// `fixtures/photo/reference.json` (made by the script beside it; versions are in it). Two good inverse cosine
/// transforms differ by 1, two good interpolations of chroma by 1 more: brightness within 1, RGB within
/// 1 + 1.772 × 2 = 4, and no shift of the mean.
#[test]
fn pixels_are_libjpegs() {
    let reference: serde_json::Value = serde_json::from_slice(&fixture("reference.json")).unwrap();
    let mut compared = 0;
    for told in reference["files"].as_array().unwrap() {
        let name = told["file"].as_str().unwrap();
        if name == "palette.tif" {
            let refused = take(&fixture(name), Need::Colour).unwrap_err();
            assert!(
                matches!(refused, PhotoError::Unsupported { .. }),
                "{refused}"
            );
            continue;
        }
        let photo = take(&fixture(name), Need::Colour).unwrap_or_else(|e| panic!("{name}: {e}"));
        let grey = take(&fixture(name), Need::Brightness).unwrap();
        assert_eq!(
            grey.luma, photo.luma,
            "{name}: brightness depends on what was asked for"
        );
        assert!(!grey.has_colour());
        assert_eq!(
            (photo.width as u64, photo.height as u64),
            (
                told["width"].as_u64().unwrap(),
                told["height"].as_u64().unwrap()
            )
        );
        let plane = photo.rgb_plane();
        for place in told["places"].as_array().unwrap() {
            let n = |i: usize| place[i].as_u64().unwrap() as usize;
            let (x, y) = (n(0), n(1));
            let rgb = photo.rgb_at(x, y);
            assert_eq!(rgb, plane[3 * (y * photo.width + x)..][..3]);
            for (c, got) in rgb.iter().enumerate() {
                assert!(
                    usize::from(*got).abs_diff(n(2 + c)) <= 4,
                    "{name} at {x}, {y}: {rgb:?}, expected {place}"
                );
            }
            if let Some(luma) = place[5].as_u64() {
                let got = photo.luma[y * photo.width + x];
                assert!(
                    u64::from(got).abs_diff(luma) <= 1,
                    "{name} at {x}, {y}: brightness {got}, expected {luma}"
                );
            }
            compared += 1;
        }
        for c in 0..3 {
            let mean = plane
                .iter()
                .skip(c)
                .step_by(3)
                .map(|v| f64::from(*v))
                .sum::<f64>()
                / photo.luma.len() as f64;
            let expected = told["mean"][c].as_f64().unwrap();
            assert!(
                (mean - expected).abs() < 0.5,
                "{name}: mean {mean} of channel {c}, expected {expected}"
            );
        }
    }
    assert!(compared > 1000);
}

/// Cutting into strips changes no pixel.
#[test]
fn strips_are_the_whole() {
    for name in ORDINARY {
        let bytes = fixture(name);
        let walk = marker::walk(&bytes, |_, _| Ok(())).unwrap();
        let (luma, colours) = jpeg::in_strips(&walk, Need::Colour)
            .unwrap()
            .unwrap_or_else(|| panic!("{name}: no strips"));
        let (whole_luma, whole_colours) = jpeg::at_one_go(&walk, Need::Colour).unwrap();
        assert!(luma == whole_luma, "{name}: brightness differs");
        if walk.colour == marker::Colour::Grey {
            assert!(colours.is_empty());
            continue;
        }
        assert!(
            walk.height > 2 * strips::STRIP,
            "{name}: {} rows",
            walk.height
        );
        let (width, height) = (walk.width, walk.height);
        let exact = jpeg::pixels(&walk.clean(), zune_core::colorspace::ColorSpace::RGB).unwrap();
        for y in 0..height {
            for x in 0..width {
                let got = colours.at(x, y, width, height).unwrap();
                assert_eq!(got, exact[3 * (y * width + x)..][..3], "{name} at {x}, {y}");
                // The other way to RGB, in this project's arithmetic, rounds otherwise.
                let ours = whole_colours.at(x, y, width, height).unwrap();
                assert!(
                    got.iter().zip(ours).all(|(a, b)| a.abs_diff(b) <= 1),
                    "{name} at {x}, {y}: {got:?} {ours:?}"
                );
            }
        }
    }
}

/// A JPEG cut short is refused wherever it is cut; only the end mark, and padding before it, may lack.
#[test]
fn a_cut_jpeg_is_refused() {
    for name in ORDINARY.iter().chain(&OTHERS) {
        let bytes = fixture(name);
        let whole = take(&bytes, Need::Colour).unwrap();
        let warned = |photo: &Photo| photo.facts.warnings.iter().any(|w| w.contains("end mark"));
        assert!(!warned(&whole));
        let mut cuts = vec![bytes.len() / 1000, 1000, bytes.len() / 2, bytes.len() - 10];
        cuts.extend((3..bytes.len()).step_by(97));
        cuts.extend(bytes.len() - 40..bytes.len());
        let progressive = name.contains("progressive");
        for cut in cuts {
            for end in [&[][..], &[0xFF, 0xD9]] {
                let mut short = bytes[..cut].to_vec();
                short.extend(end);
                match take(&short, Need::Colour) {
                    Ok(photo) => {
                        let lost = bytes.len() - cut;
                        assert!(
                            lost <= 4 && !(progressive && end.is_empty()),
                            "{name} of {} bytes cut by {lost} was taken",
                            bytes.len()
                        );
                        assert!(
                            photo.luma == whole.luma && photo.rgb_plane() == whole.rgb_plane(),
                            "{name} cut by {lost}"
                        );
                        assert_eq!(warned(&photo), end.is_empty());
                    }
                    Err(e) => assert!(
                        matches!(e, PhotoError::Damaged { .. } | PhotoError::NotAnImage),
                        "{name} cut at {cut}: {e}"
                    ),
                }
            }
        }
    }
}

/// What phones and programs put into JPEGs besides the picture.
#[test]
fn odd_but_whole_jpegs_are_taken() {
    let bytes = fixture("420.jpg");
    let whole = take(&bytes, Need::Colour).unwrap();
    let segment = |marker: u8, payload: &[u8]| {
        let mut out = Vec::new();
        marker::put_segment(&mut out, marker, payload);
        out
    };
    let with = |insert: Vec<u8>| [&bytes[..2], &insert, &bytes[2..]].concat();
    let behind = |tail: &[u8]| [&bytes, tail].concat();
    let cases = [
        ("zeros behind the end", behind(&[0; 3000])),
        (
            "noise behind the end",
            behind(&[0xFF, 0x13, 0x00, 0xFF, 0xC4, 0x01]),
        ),
        ("a second picture behind", behind(&bytes)),
        (
            "fill bytes before a marker",
            [&bytes[..2], &[0xFF; 7], &bytes[2..]].concat(),
        ),
        (
            "stray bytes between segments",
            [&bytes[..20], &[0, 1, 2, 3, 4, 5, 6, 7, 8], &bytes[20..]].concat(),
        ),
        (
            "a comment",
            with(segment(0xFE, b"said by somebody \xFF\xD8\xFF")),
        ),
        ("an empty application segment", with(segment(0xE7, b""))),
        (
            "a crooked resource block",
            with(segment(0xED, b"Photoshop 3.0\0")),
        ),
        ("a short Adobe segment", with(segment(0xEE, b"Adobe"))),
        (
            "a crooked profile",
            with(segment(0xE2, b"ICC_PROFILE\0\x01")),
        ),
        (
            "a picture index",
            with(segment(0xE2, b"MPF\0MM\0*\0\0\0\x08\0\x03")),
        ),
        (
            "a gain map notice",
            with(segment(0xE2, b"urn:iso:std:iso:ts:21496:-1\0\0\0\0\0")),
        ),
        (
            "broken XMP",
            with(segment(0xE1, b"http://ns.adobe.com/xmp/extension/\0xyz")),
        ),
        (
            "broken EXIF",
            with(segment(0xE1, b"Exif\0\0MM\0*\xFF\xFF\xFF\xFF")),
        ),
        ("EXIF of nothing", with(segment(0xE1, b"Exif\0"))),
        (
            "a preview in EXIF",
            with(segment(
                0xE1,
                &[b"Exif\0\0II*\0\x08\0\0\0\0\0", &fixture("tiny-420.jpg")[..]].concat(),
            )),
        ),
    ];
    for (what, odd) in cases {
        let photo = take(&odd, Need::Colour).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert!(
            photo.luma == whole.luma && photo.rgb_plane() == whole.rgb_plane(),
            "{what} changed the picture"
        );
        assert_eq!(photo.facts, whole.facts, "{what}");
    }
}

/// A block of EXIF with the given fields.
fn exif_block(fields: &[(::exif::Tag, ::exif::Value)]) -> Vec<u8> {
    let fields: Vec<_> = fields
        .iter()
        .map(|(tag, value)| ::exif::Field {
            tag: *tag,
            ifd_num: ::exif::In::PRIMARY,
            value: value.clone(),
        })
        .collect();
    let mut writer = ::exif::experimental::Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut out = Cursor::new(Vec::new());
    writer.write(&mut out, false).unwrap();
    out.into_inner()
}

fn with_exif(jpeg: &[u8], block: &[u8]) -> Vec<u8> {
    let mut out = vec![0xFF, 0xD8];
    marker::put_segment(&mut out, 0xE1, &[b"Exif\0\0", block].concat());
    out.extend(&jpeg[2..]);
    out
}

#[test]
fn exif_turns_the_photo_and_tells_the_camera() {
    use ::exif::{Rational, Tag, Value};
    let plain = take(&fixture("420.jpg"), Need::Colour).unwrap();
    let (w, h) = (plain.width, plain.height);
    for orientation in 0..=9u16 {
        let block = exif_block(&[
            (Tag::Orientation, Value::Short(vec![orientation])),
            (Tag::Make, Value::Ascii(vec![b"Lark Optics\0\0".to_vec()])),
            (Tag::Model, Value::Ascii(vec![b" L-2\n".to_vec()])),
            (
                Tag::FocalLength,
                Value::Rational(vec![Rational {
                    num: 425,
                    denom: 100,
                }]),
            ),
            (Tag::FocalLengthIn35mmFilm, Value::Short(vec![26])),
            (
                Tag::DigitalZoomRatio,
                Value::Rational(vec![Rational { num: 3, denom: 2 }]),
            ),
        ]);
        let photo = take(&with_exif(&fixture("420.jpg"), &block), Need::Colour).unwrap();
        let applied = if (1..=8).contains(&orientation) {
            orientation as u8
        } else {
            1
        };
        assert_eq!(photo.facts.orientation, applied);
        assert_eq!(
            (photo.facts.stored_width, photo.facts.stored_height),
            (w, h)
        );
        assert_eq!(photo.facts.camera.as_deref(), Some("Lark Optics L-2"));
        assert_eq!(
            (
                photo.facts.focal_mm,
                photo.facts.focal_35mm,
                photo.facts.zoom
            ),
            (Some(4.25), Some(26.0), Some(1.5))
        );
        assert!(photo.facts.chroma_halved);
        assert_eq!(
            (photo.width, photo.height),
            if applied >= 5 { (h, w) } else { (w, h) }
        );
        let plane = photo.rgb_plane();
        let mut row = Vec::new();
        for y in (0..photo.height).step_by(7) {
            photo.rgb_row(y, &mut row);
            assert_eq!(row, plane[3 * y * photo.width..3 * (y + 1) * photo.width]);
            for x in (0..photo.width).step_by(5) {
                let (sx, sy) = turn::stored(applied, x, y, w, h);
                assert_eq!(
                    photo.luma[y * photo.width + x],
                    plain.luma[sy * w + sx],
                    "orientation {orientation}"
                );
                assert_eq!(
                    photo.rgb_at(x, y),
                    plain.rgb_at(sx, sy),
                    "orientation {orientation}"
                );
            }
        }
    }
    let unknown = exif_block(&[
        (
            Tag::FocalLength,
            Value::Rational(vec![Rational { num: 0, denom: 0 }]),
        ),
        (
            Tag::DigitalZoomRatio,
            Value::Rational(vec![Rational { num: 0, denom: 1 }]),
        ),
        (Tag::FocalLengthIn35mmFilm, Value::Short(vec![0])),
    ]);
    let facts = take(&with_exif(&fixture("420.jpg"), &unknown), Need::Brightness)
        .unwrap()
        .facts;
    assert_eq!(
        (
            facts.focal_mm,
            facts.focal_35mm,
            facts.zoom,
            facts.orientation
        ),
        (None, None, None, 1)
    );
}

fn encoded(image: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    image.write_to(&mut out, format).unwrap();
    out.into_inner()
}

/// The kinds of pixel the other formats hold, all of one picture: colour, grey, alpha, 16 bits.
#[test]
fn kinds_of_pixel() {
    let rgba = image::RgbaImage::from_fn(31, 17, |x, y| {
        image::Rgba([
            (x * 8) as u8,
            (y * 14) as u8,
            ((x * y) % 251) as u8,
            if x < 20 { 255 } else { (y * 15) as u8 },
        ])
    });
    let colour = DynamicImage::ImageRgba8(rgba);
    let close = |a: u8, b: f64| (f64::from(a) - b).abs() <= 1.0;
    for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP] {
        let kinds: Vec<DynamicImage> = match format {
            ImageFormat::WebP => vec![colour.clone(), colour.to_rgb8().into()],
            ImageFormat::Tiff => vec![
                colour.clone(),
                colour.to_rgb8().into(),
                colour.to_luma8().into(),
                colour.to_rgb16().into(),
                colour.to_luma16().into(),
            ],
            _ => vec![
                colour.clone(),
                colour.to_rgb8().into(),
                colour.to_luma8().into(),
                colour.to_luma_alpha8().into(),
                colour.to_rgb16().into(),
                colour.to_rgba16().into(),
                colour.to_luma16().into(),
                colour.to_luma_alpha16().into(),
            ],
        };
        for image in kinds {
            let kind = image.color();
            let photo = take(&encoded(&image, format), Need::Colour)
                .unwrap_or_else(|e| panic!("{format:?} {kind:?}: {e}"));
            assert_eq!(
                (photo.width, photo.height, photo.has_colour()),
                (31, 17, kind.has_color()),
                "{format:?} {kind:?}"
            );
            let exact = image.to_rgba16();
            for (x, y, pixel) in exact.enumerate_pixels() {
                let alpha = f64::from(pixel[3]) / 65535.0;
                let over = |c: usize| f64::from(pixel[c]) / 257.0 * alpha + 255.0 * (1.0 - alpha);
                let got = photo.rgb_at(x as usize, y as usize);
                assert!(
                    (0..3).all(|c| close(got[c], over(c))),
                    "{format:?} {kind:?} at {x}, {y}: {got:?} of {pixel:?}"
                );
                let luma = 0.299 * over(0) + 0.587 * over(1) + 0.114 * over(2);
                assert!(
                    close(photo.luma[(y * 31 + x) as usize], luma),
                    "{format:?} {kind:?} at {x}, {y}"
                );
            }
        }
    }
}

/// The other formats cut short: refused, or (where only what follows the pixels is lost) the same picture.
#[test]
fn other_formats_cut_short() {
    let grain = image::RgbImage::from_fn(61, 47, |x, y| {
        image::Rgb([(x * 4) as u8, (y * 5) as u8, (x * y * 7 % 256) as u8])
    });
    let grain = DynamicImage::ImageRgb8(grain);
    let mut files: Vec<Vec<u8>> = [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP]
        .into_iter()
        .map(|format| encoded(&grain, format))
        .collect();
    files.extend(["lossy.webp", "lzw.tif", "deflate.tif", "palette.png"].map(fixture));
    for bytes in files {
        let whole = take(&bytes, Need::Colour).unwrap();
        for cut in (1..bytes.len())
            .step_by(1 + bytes.len() / 300)
            .chain(bytes.len() - 20..bytes.len())
        {
            match take(&bytes[..cut], Need::Colour) {
                Ok(photo) => assert!(
                    photo.luma == whole.luma && photo.rgb_plane() == whole.rgb_plane(),
                    "cut at {cut} of {}",
                    bytes.len()
                ),
                Err(e) => assert!(!matches!(e, PhotoError::Empty), "{e}"),
            }
        }
    }
}

/// A JPEG with each component in a scan of its own, as some editors write: made from an ordinary one of full chroma,
/// whose blocks come in the same order.
fn one_scan_a_component(jpeg: &[u8], scans: usize) -> Vec<u8> {
    let walk = marker::walk(jpeg, |_, _| Ok(())).unwrap();
    let strips = walk.strips().unwrap();
    let mcus = strips.mcus_across * walk.height.div_ceil(8);
    let mut writers: Vec<_> = (0..3).map(|_| huffman::Writer::new(Vec::new())).collect();
    let mut spot = huffman::Spot {
        bit: 0,
        means: [0; 4],
    };
    for _ in 0..mcus {
        for unit in &strips.units {
            let before = spot.bit;
            huffman::skip_mcu(
                &strips.bits,
                &strips.means,
                &strips.rest,
                &[*unit],
                &mut spot,
            )
            .unwrap();
            writers[unit.component]
                .copy(&strips.bits, before, spot.bit)
                .unwrap();
        }
    }
    let mut out = strips.head.clone();
    for (writer, unit) in writers.into_iter().zip(&strips.units).take(scans) {
        let tables = (unit.means << 4 | unit.rest) as u8;
        marker::put_segment(
            &mut out,
            0xDA,
            &[1, 1 + unit.component as u8, tables, 0, 63, 0],
        );
        out.extend(writer.finish());
    }
    out.extend([0xFF, 0xD9]);
    out
}

#[test]
fn components_in_scans_of_their_own() {
    let bytes = fixture("444.jpg");
    let whole = take(&bytes, Need::Colour).unwrap();
    let apart = one_scan_a_component(&bytes, 3);
    let photo = take(&apart, Need::Colour).unwrap();
    assert!(photo.luma == whole.luma, "brightness differs");
    for y in 0..whole.height {
        for x in 0..whole.width {
            let (a, b) = (photo.rgb_at(x, y), whole.rgb_at(x, y));
            assert!(
                a.iter().zip(b).all(|(a, b)| a.abs_diff(b) <= 1),
                "{a:?} {b:?} at {x}, {y}"
            );
        }
    }
    for scans in 1..3 {
        assert!(matches!(
            refused(&one_scan_a_component(&bytes, scans)),
            PhotoError::Damaged { .. }
        ));
    }
    for cut in [
        apart.len() / 3,
        apart.len() / 2,
        apart.len() * 3 / 4,
        apart.len() - 10,
    ] {
        assert!(
            matches!(refused(&apart[..cut]), PhotoError::Damaged { .. }),
            "cut at {cut}"
        );
    }
}

/// A TIFF's own fields are read as EXIF; a preview of a raw file is not a photo.
#[test]
fn a_tiff_tells_what_it_is() {
    let image = DynamicImage::ImageLuma8(image::GrayImage::from_fn(24, 16, |x, y| {
        image::Luma([(x * 9 + y) as u8])
    }));
    let plain = encoded(&image, ImageFormat::Tiff);
    // The first directory moved to the end with one entry more.
    let with = |tag: u16, kind: u16, value: u32| {
        let mut out = plain.clone();
        let at = u32::from_le_bytes(*out[4..].first_chunk().unwrap()) as usize;
        let count = usize::from(u16::from_le_bytes(*out[at..].first_chunk().unwrap()));
        let mut entries: Vec<[u8; 12]> = out[at + 2..].as_chunks::<12>().0[..count].to_vec();
        let mut entry = [0; 12];
        entry[..2].copy_from_slice(&tag.to_le_bytes());
        entry[2..4].copy_from_slice(&kind.to_le_bytes());
        entry[4] = 1;
        entry[8..].copy_from_slice(&value.to_le_bytes());
        entries.retain(|e| e[..2] != tag.to_le_bytes());
        entries.push(entry);
        entries.sort_by_key(|e| u16::from_le_bytes([e[0], e[1]]));
        let new = out.len() as u32;
        out[4..8].copy_from_slice(&new.to_le_bytes());
        out.extend((entries.len() as u16).to_le_bytes());
        entries.iter().for_each(|e| out.extend(e));
        out.extend([0; 4]);
        out
    };
    let turned = take(&with(274, 3, 6), Need::Brightness).unwrap();
    assert_eq!(
        (turned.width, turned.height, turned.facts.orientation),
        (16, 24, 6)
    );
    assert!(take(&with(254, 4, 0), Need::Brightness).is_ok());
    assert!(matches!(
        refused(&with(254, 4, 1)),
        PhotoError::Unsupported { .. }
    ));
    assert!(matches!(
        refused(&with(50_706, 1, 0x0000_0401)),
        PhotoError::Unsupported { .. }
    ));
}

fn refused(bytes: &[u8]) -> PhotoError {
    let why = take(bytes, Need::Colour).expect_err("must be refused");
    let line = why.to_string();
    assert!(line.len() < 250 && !line.contains('\n'), "{line}");
    why
}

#[test]
fn files_that_are_no_photo() {
    let folder = std::env::temp_dir().join(format!("fairpanel-intake-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let put = |name: &str, bytes: &[u8]| {
        let path = folder.join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let look = |path: &Path| open(path, Need::Colour, &Limits::default()).map(|p| p.name);
    assert_eq!(look(&folder.join("absent.jpg")), Err(PhotoError::NotFound));
    assert_eq!(look(&folder), Err(PhotoError::Folder));
    assert_eq!(look(&put("empty.jpg", b"")), Err(PhotoError::Empty));
    assert_eq!(
        look(&put("note.jpg", b"a shopping list, not a photo")),
        Err(PhotoError::NotAnImage)
    );
    let good = put("good.jpg", &fixture("420.jpg"));
    assert_eq!(look(&good), Ok(good.to_string_lossy().into_owned()));
    let wrong_name = put("really-a-jpeg.png", &fixture("420.jpg"));
    assert!(look(&wrong_name).is_ok());
    std::fs::remove_dir_all(&folder).unwrap();

    for brand in [&b"heic"[..], b"heix", b"hevc", b"mif1", b"avif"] {
        let file = [b"\0\0\0\x18ftyp", brand, b"\0\0\0\0mif1heic", &[0; 64]].concat();
        let line = refused(&file).to_string();
        assert!(line.contains("HEIC") && line.contains("JPEG"), "{line}");
    }
    assert_eq!(
        refused(b"\0\0\0\x18ftypisom\0\0\0\0isomavc1"),
        PhotoError::NotAnImage
    );
    assert_eq!(
        refused(b"%PDF-1.7 and more of it, quite a lot more"),
        PhotoError::NotAnImage
    );
    assert_eq!(refused(&[0xFF]), PhotoError::NotAnImage);
}

/// Changes the frame header's size in a JPEG.
fn resized(jpeg: &[u8], width: u16, height: u16) -> Vec<u8> {
    let mut out = jpeg.to_vec();
    let at = out.windows(2).position(|m| m == [0xFF, 0xC0]).unwrap();
    out[at + 5..at + 7].copy_from_slice(&height.to_be_bytes());
    out[at + 7..at + 9].copy_from_slice(&width.to_be_bytes());
    out
}

/// A PNG of one header with the size given, and chunks behind it.
fn png(width: u32, height: u32, colour: u8, chunks: &[(&[u8; 4], &[u8])]) -> Vec<u8> {
    let crc = |bytes: &[u8]| {
        !bytes.iter().fold(u32::MAX, |crc, b| {
            (0..8).fold(crc ^ u32::from(*b), |c, _| {
                if c & 1 == 1 {
                    (c >> 1) ^ 0xEDB8_8320
                } else {
                    c >> 1
                }
            })
        })
    };
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut header = [width.to_be_bytes(), height.to_be_bytes()].concat();
    header.extend([8, colour, 0, 0, 0]);
    for (kind, data) in [(b"IHDR", &header[..])].iter().chain(chunks) {
        out.extend((data.len() as u32).to_be_bytes());
        let body = [&kind[..], data].concat();
        out.extend(&body);
        out.extend(crc(&body).to_be_bytes());
    }
    out
}

#[test]
fn sizes_are_judged_by_the_header() {
    let jpeg = fixture("420.jpg");
    assert!(matches!(
        refused(&resized(&jpeg, 65_535, 65_535)),
        PhotoError::TooLarge { width: 65_535, .. }
    ));
    assert!(matches!(
        refused(&resized(&jpeg, 97, 0)),
        PhotoError::ZeroSize { .. }
    ));
    // Within the limit, but the few bytes can't be that large a picture.
    assert!(matches!(
        refused(&resized(&jpeg, 65_535, 3_000)),
        PhotoError::Damaged { .. }
    ));
    assert!(matches!(
        refused(&resized(&jpeg, 97, 700)),
        PhotoError::Damaged { .. }
    ));
    assert!(matches!(
        refused(&png(60_000, 60_000, 2, &[(b"IDAT", &[])])),
        PhotoError::TooLarge { .. }
    ));
    assert!(matches!(
        refused(&png(14_000, 14_000, 2, &[(b"IDAT", &[0x78, 1])])),
        PhotoError::Damaged { .. }
    ));
    assert!(matches!(
        refused(&png(0, 100, 2, &[(b"IDAT", &[])])),
        PhotoError::ZeroSize { .. } | PhotoError::Damaged { .. }
    ));
    let small = Limits { megapixels: 0.05 };
    let error = decode(&jpeg, "", Need::Brightness, &small).unwrap_err();
    assert_eq!(
        error,
        PhotoError::TooLarge {
            width: 97,
            height: 531,
            megapixels: 0.051507,
            limit: 0.05
        }
    );
    assert!(error.to_string().contains("97 x 531"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// No bytes make intake panic: whatever they are behind a known start.
    #[test]
    fn random_bytes_are_refused_or_taken(start in 0usize..6, bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let starts: [&[u8]; 6] =
            [b"", &[0xFF, 0xD8, 0xFF], b"\x89PNG\r\n\x1a\n", b"II*\0\x08\0\0\0", b"RIFF\0\x01\0\0WEBPVP8 ", b"\0\0\0\x18ftyp"];
        let _ = take(&[starts[start], &bytes].concat(), Need::Colour);
    }

    /// Nor do good files with some bytes changed, cut and doubled.
    #[test]
    fn spoilt_files_are_refused_or_taken(
        which in 0usize..24,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        header in any::<bool>(),
        cut in any::<prop::sample::Index>(),
    ) {
        let names: Vec<&str> = ORDINARY.iter().chain(&OTHERS).copied()
            .chain(["palette.png", "lossy.webp", "lzw.tif", "deflate.tif", "palette.tif", "tiny-420.jpg", "tiny-422.jpg"]).collect();
        let mut bytes = fixture(names[which]);
        let reach = if header { bytes.len().min(700) } else { bytes.len() };
        for (at, value) in changes {
            let at = at.index(reach);
            bytes[at] = value;
        }
        let end = cut.index(bytes.len() * 4).max(16).min(bytes.len());
        if let Ok(photo) = take(&bytes[..end], Need::Colour) {
            prop_assert_eq!(photo.rgb_plane().len(), 3 * photo.width * photo.height);
        }
    }
}
