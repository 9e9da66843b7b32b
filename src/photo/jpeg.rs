//! A JPEG into planes, by zune-jpeg in strict mode behind our own walk over the markers.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use super::error::PhotoError;
use super::marker::{self, Colour};
use super::{Limits, Need, Stored, colour};

/// Largest side a JPEG can state.
const MAX_SIDE: usize = 65_535;

/// Most passes over a progressive picture; libjpeg's own script makes 10, hostile files thousands.
const MAX_PASSES: usize = 64;

/// Decodes a JPEG, not yet turned upright.
pub(super) fn decode(bytes: &[u8], need: Need, limits: &Limits) -> Result<Stored, PhotoError> {
    let walk = marker::walk(bytes, |width, height| limits.check(width, height))?;
    let (width, height) = (walk.width, walk.height);
    let clean = walk.clean();
    let want_colour = need == Need::Colour;
    let (luma, rgb) = match walk.colour {
        Colour::Grey => (planes(&clean, ColorSpace::Luma)?, Vec::new()),
        Colour::YCbCr if !want_colour => (planes(&clean, ColorSpace::Luma)?, Vec::new()),
        Colour::YCbCr => {
            let mut pixels = planes(&clean, ColorSpace::YCbCr)?;
            let luma = colour::split_ycc(&mut pixels, width);
            (luma, pixels)
        }
        Colour::Rgb => {
            let rgb = planes(&clean, ColorSpace::RGB)?;
            (colour::luma_plane(&rgb, width), rgb)
        }
        Colour::Cmyk { inverted } => {
            let mut inks = planes(&clean, ColorSpace::CMYK)?;
            if !inverted {
                inks.iter_mut().for_each(|ink| *ink = 255 - *ink);
            }
            let rgb = colour::inks_to_rgb(&inks, width);
            (colour::luma_plane(&rgb, width), rgb)
        }
        Colour::Ycck { inverted } => {
            let mut inks = planes(&clean, ColorSpace::YCCK)?;
            for [y, cb, cr, k] in inks.as_chunks_mut::<4>().0 {
                // YCCK stores the complement of CMY as if it were RGB.
                let [r, g, b] = colour::ycc_to_rgb([*y, *cb, *cr]);
                [*y, *cb, *cr] = if inverted {
                    [255 - r, 255 - g, 255 - b]
                } else {
                    [r, g, b]
                };
                *k = if inverted { *k } else { 255 - *k };
            }
            let rgb = colour::inks_to_rgb(&inks, width);
            (colour::luma_plane(&rgb, width), rgb)
        }
    };
    let mut warnings = Vec::new();
    if walk.no_end {
        warnings.push("the JPEG lacks its end mark; the picture itself is whole".to_string());
    }
    Ok(Stored {
        width,
        height,
        luma,
        rgb: if want_colour { rgb } else { Vec::new() },
        exif: walk.exif.map(<[u8]>::to_vec),
        orientation: None,
        chroma_halved: walk.chroma_halved(),
        warnings,
    })
}

fn planes(clean: &[u8], space: ColorSpace) -> Result<Vec<u8>, PhotoError> {
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(MAX_SIDE)
        .set_max_height(MAX_SIDE)
        .jpeg_set_max_scans(MAX_PASSES)
        .jpeg_set_out_colorspace(space);
    JpegDecoder::new_with_options(ZCursor::new(clean), options)
        .decode()
        .map_err(|_| PhotoError::Damaged {
            format: "JPEG",
            why: "it breaks off before the picture is whole".to_string(),
        })
}

/// A decoder's words on one line of at most 80 letters.
pub(super) fn one_line(words: &str) -> String {
    words
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(80)
        .collect::<String>()
        .trim()
        .to_string()
}
