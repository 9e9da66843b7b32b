//! PNG, TIFF and WebP into planes, through the `image` crate with its limits set: 8-bit, alpha over white.

use std::io::{BufRead, Seek};

use image::codecs::{png::PngDecoder, tiff::TiffDecoder, webp::WebPDecoder};
use image::{ColorType, ImageDecoder, ImageError};

use super::colours::Colours;
use super::error::PhotoError;
use super::jpeg::one_line;
use super::{Limits, Need, Stored, pixel};

/// What else a decoder may hold beside the picture: text, profiles, strips of a TIFF. A row of 200 megapixels is less.
const SPARE: u64 = 64 << 20;

/// The formats read here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Png,
    Tiff,
    WebP,
}

impl Format {
    fn name(self) -> &'static str {
        match self {
            Format::Png => "PNG",
            Format::Tiff => "TIFF",
            Format::WebP => "WebP",
        }
    }
}

/// Decodes a picture of the given format, not yet turned upright.
pub(super) fn decode(
    format: Format,
    input: impl BufRead + Seek,
    size: u64,
    need: Need,
    limits: &Limits,
) -> Result<Stored, PhotoError> {
    let fail = |e| refuse(format, e);
    match format {
        Format::Png => pixels(
            format,
            PngDecoder::with_limits(input, at_most(SPARE)).map_err(fail)?,
            size,
            need,
            limits,
        ),
        Format::Tiff => pixels(
            format,
            TiffDecoder::new(input).map_err(fail)?,
            size,
            need,
            limits,
        ),
        Format::WebP => pixels(
            format,
            WebPDecoder::new(input).map_err(fail)?,
            size,
            need,
            limits,
        ),
    }
}

fn at_most(bytes: u64) -> image::Limits {
    let mut limits = image::Limits::no_limits();
    limits.max_alloc = Some(bytes);
    limits
}

fn refuse(format: Format, error: ImageError) -> PhotoError {
    let name = format.name();
    match error {
        ImageError::Unsupported(_) => PhotoError::Unsupported {
            what: format!("a {name} of this kind of colour or packing"),
        },
        ImageError::Limits(_) => PhotoError::TooMuchMemory { format: name },
        other => PhotoError::Damaged {
            format: name,
            why: one_line(&other.to_string()),
        },
    }
}

fn pixels(
    format: Format,
    mut decoder: impl ImageDecoder,
    size: u64,
    need: Need,
    limits: &Limits,
) -> Result<Stored, PhotoError> {
    let fail = |e| refuse(format, e);
    let (width, height) = decoder.dimensions();
    limits.check(width.into(), height.into())?;
    limits.check_bytes(size, width.into(), height.into())?;
    let exif = decoder.exif_metadata().unwrap_or(None);
    let orientation = decoder.orientation().ok().map(|o| o.to_exif());
    let bytes = decoder.total_bytes();
    decoder
        .set_limits(at_most(bytes.saturating_add(SPARE)))
        .map_err(fail)?;
    let kind = decoder.color_type();
    let size = usize::try_from(bytes).map_err(|_| PhotoError::TooMuchMemory {
        format: format.name(),
    })?;
    let mut raw = vec![0; size];
    decoder.read_image(&mut raw).map_err(fail)?;
    let raw = eight_bit(raw, kind);
    let (luma, rgb) = match kind {
        ColorType::L8 | ColorType::L16 => (raw, Vec::new()),
        ColorType::La8 | ColorType::La16 => {
            let grey = raw
                .as_chunks::<2>()
                .0
                .iter()
                .map(|[v, a]| pixel::over_white(*v, *a))
                .collect();
            (grey, Vec::new())
        }
        ColorType::Rgb8 | ColorType::Rgb16 => (pixel::luma_plane(&raw, width as usize), raw),
        ColorType::Rgba8 | ColorType::Rgba16 => {
            let over = |[r, g, b, a]: &[u8; 4]| [*r, *g, *b].map(|v| pixel::over_white(v, *a));
            let rgb: Vec<u8> = raw.as_chunks::<4>().0.iter().flat_map(over).collect();
            (pixel::luma_plane(&rgb, width as usize), rgb)
        }
        _ => {
            return Err(PhotoError::Unsupported {
                what: format!("a {} with fractions for values", format.name()),
            });
        }
    };
    Ok(Stored {
        width: width as usize,
        height: height as usize,
        luma,
        colours: Colours::whole(if need == Need::Colour {
            rgb
        } else {
            Vec::new()
        }),
        exif,
        orientation,
        chroma_halved: false,
        warnings: Vec::new(),
    })
}

/// 16-bit samples (native byte order) to the nearest 8-bit ones, in place; 8-bit ones as they are.
fn eight_bit(mut raw: Vec<u8>, kind: ColorType) -> Vec<u8> {
    if matches!(
        kind,
        ColorType::L16 | ColorType::La16 | ColorType::Rgb16 | ColorType::Rgba16
    ) {
        let samples = raw.len() / 2;
        for i in 0..samples {
            let wide = u32::from(u16::from_ne_bytes([raw[2 * i], raw[2 * i + 1]]));
            raw[i] = ((wide * 255 + 32_767) / 65_535) as u8;
        }
        raw.truncate(samples);
        raw.shrink_to_fit();
    }
    raw
}
