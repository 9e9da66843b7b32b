//! A JPEG into planes, by zune-jpeg in strict mode behind our own walk over the markers.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use super::colours::Colours;
use super::error::PhotoError;
use super::marker::{self, Colour, Walk};
use super::strips::Failure;
use super::{Limits, Need, Stored, pixel};

/// Largest side a JPEG can state.
const MAX_SIDE: usize = 65_535;

/// Most passes over a progressive picture; libjpeg's own script makes 10, hostile files thousands.
const MAX_PASSES: usize = 64;

/// Decodes a JPEG, not yet turned upright.
pub(super) fn decode(bytes: &[u8], need: Need, limits: &Limits) -> Result<Stored, PhotoError> {
    let walk = marker::walk(bytes, |width, height| limits.check(width, height))?;
    let (luma, colours) = match in_strips(&walk, need)? {
        Some(done) => done,
        None => at_one_go(&walk, need)?,
    };
    let mut warnings = Vec::new();
    if walk.no_end {
        warnings.push("the JPEG lacks its end mark; the picture itself is whole".to_string());
    }
    if matches!(walk.colour, Colour::Cmyk { .. } | Colour::Ycck { .. }) {
        warnings.push("the photo is in printing inks (CMYK); its brightness is only roughly that of the camera".to_string());
    }
    Ok(Stored {
        width: walk.width,
        height: walk.height,
        luma,
        colours,
        exif: walk.exif.map(<[u8]>::to_vec),
        orientation: None,
        chroma_halved: walk.chroma_halved(),
        warnings,
    })
}

/// The ordinary JPEG, brightness on all cores and colours left coded; `None` when it is not one.
pub(super) fn in_strips(walk: &Walk, need: Need) -> Result<Option<(Vec<u8>, Colours)>, PhotoError> {
    if walk.colour == Colour::Rgb {
        return Ok(None);
    }
    let Some(strips) = walk.strips() else {
        return Ok(None);
    };
    let mut luma = vec![0; walk.width * walk.height];
    match strips.luma(&mut luma) {
        Ok(index) if need == Need::Colour && walk.colour == Colour::YCbCr => {
            Ok(Some((luma, Colours::coded(strips, index))))
        }
        Ok(_) => Ok(Some((luma, Colours::default()))),
        Err(Failure::Damaged) => Err(broken_off()),
        Err(Failure::NoCut) => Ok(None),
    }
}

/// Any other JPEG.
pub(super) fn at_one_go(walk: &Walk, need: Need) -> Result<(Vec<u8>, Colours), PhotoError> {
    let clean = walk.clean();
    let width = walk.width;
    let (plane, rgb) = match walk.colour {
        Colour::Grey => (pixels(&clean, ColorSpace::Luma)?, Vec::new()),
        Colour::YCbCr if need == Need::Brightness => {
            let mut plane = vec![0; width * walk.height];
            luma(&clean, walk.luma_way(), &mut plane)?;
            (plane, Vec::new())
        }
        Colour::YCbCr => {
            let mut ycc = pixels(&clean, ColorSpace::YCbCr)?;
            (pixel::split_ycc(&mut ycc, width), ycc)
        }
        Colour::Rgb => {
            let rgb = pixels(&clean, ColorSpace::RGB)?;
            (pixel::luma_plane(&rgb, width), rgb)
        }
        Colour::Cmyk { inverted } => {
            let mut inks = pixels(&clean, ColorSpace::CMYK)?;
            if !inverted {
                inks.iter_mut().for_each(|ink| *ink = 255 - *ink);
            }
            let rgb = pixel::inks_to_rgb(&inks, width);
            (pixel::luma_plane(&rgb, width), rgb)
        }
        Colour::Ycck { inverted } => {
            let mut inks = pixels(&clean, ColorSpace::YCCK)?;
            for [y, cb, cr, k] in inks.as_chunks_mut::<4>().0 {
                // YCCK stores the complement of CMY as if it were RGB.
                let [r, g, b] = pixel::ycc_to_rgb([*y, *cb, *cr]);
                [*y, *cb, *cr] = if inverted {
                    [255 - r, 255 - g, 255 - b]
                } else {
                    [r, g, b]
                };
                *k = if inverted { *k } else { 255 - *k };
            }
            let rgb = pixel::inks_to_rgb(&inks, width);
            (pixel::luma_plane(&rgb, width), rgb)
        }
    };
    let rgb = if need == Need::Colour {
        rgb
    } else {
        Vec::new()
    };
    Ok((plane, Colours::whole(rgb)))
}

/// Decodes a clean JPEG into interleaved pixels.
pub(super) fn pixels(clean: &[u8], space: ColorSpace) -> Result<Vec<u8>, PhotoError> {
    decoder(clean, space).decode().map_err(|_| broken_off())
}

/// How to get the brightness of a JPEG without its colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LumaWay {
    /// The decoder leaves the colours out.
    Alone,
    /// Colours must be decoded and dropped.
    WithColours,
}

/// Decodes the brightness of a clean JPEG into a buffer of just its size.
pub(super) fn luma(clean: &[u8], way: LumaWay, out: &mut [u8]) -> Result<(), PhotoError> {
    match way {
        LumaWay::Alone => decoder(clean, ColorSpace::Luma)
            .decode_into(out)
            .map_err(|_| broken_off()),
        LumaWay::WithColours => {
            let ycc = pixels(clean, ColorSpace::YCbCr)?;
            out.iter_mut()
                .zip(ycc.as_chunks::<3>().0)
                .for_each(|(y, ycc)| *y = ycc[0]);
            Ok(())
        }
    }
}

fn decoder(clean: &[u8], space: ColorSpace) -> JpegDecoder<ZCursor<&[u8]>> {
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(MAX_SIDE)
        .set_max_height(MAX_SIDE)
        .jpeg_set_max_scans(MAX_PASSES)
        .jpeg_set_out_colorspace(space);
    JpegDecoder::new_with_options(ZCursor::new(clean), options)
}

fn broken_off() -> PhotoError {
    PhotoError::Damaged {
        format: "JPEG",
        why: "it breaks off before the picture is whole".to_string(),
    }
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
