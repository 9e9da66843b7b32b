//! Intake: a file becomes one upright 8-bit photo, or one clear line saying why not.
//!
//! The format is told by the first bytes, never by the file's name. Size is checked against [`Limits`] by the header
//! alone, before memory is spent. Pixels keep the file's own gamma-coded values (taken as sRGB; see [`srgb`]); no
//! colour profile is applied.

#![cfg_attr(test, allow(clippy::unwrap_used))]

mod colours;
mod error;
mod exif;
pub mod grey;
mod huffman;
mod jpeg;
mod marker;
mod pixel;
mod quality;
mod raster;
pub mod srgb;
mod strips;
mod turn;

use std::fs::File;
use std::io::{BufRead, BufReader, Cursor, ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;

use rayon::prelude::*;

pub use colours::Colours;
pub use error::PhotoError;
pub use quality::{Quality, Trouble, quality};

/// One upright photo, decoded once. Brightness is always there; colours only when asked for.
#[derive(Debug)]
pub struct Photo {
    /// File name as given, for messages and results.
    pub name: String,
    /// Upright width, px.
    pub width: usize,
    /// Upright height, px.
    pub height: usize,
    /// Gamma-coded brightness (the Y' of a JPEG as stored, full resolution), row-major, `width * height`.
    pub luma: Vec<u8>,
    /// Gamma-coded sRGB, by [`Photo::rgb_at`]; empty when the file is grey or only brightness was asked for. Made from
    /// upright interleaved bytes, `3 * width * height`, by `into()`.
    pub rgb: Colours,
    /// What the file says about itself.
    pub facts: Facts,
}

/// What the file's header and EXIF say.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Facts {
    /// EXIF orientation 1–8 that was applied (1 when absent).
    pub orientation: u8,
    /// Width of the stored pixels, before the turn.
    pub stored_width: usize,
    /// Height of the stored pixels, before the turn.
    pub stored_height: usize,
    /// Camera make and model.
    pub camera: Option<String>,
    /// Focal length, mm.
    pub focal_mm: Option<f64>,
    /// Focal length as on 35 mm film, mm.
    pub focal_35mm: Option<f64>,
    /// Digital zoom ratio.
    pub zoom: Option<f64>,
    /// A JPEG whose colour is stored at less than full size (4:2:0, 4:2:2).
    pub chroma_halved: bool,
    /// Things the user should know (a few end bytes lacking, colours not there, …), in workshop words.
    pub warnings: Vec<String>,
}

/// How much of a photo a check needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Brightness alone: a JPEG then decodes in 0.6 of the time.
    Brightness,
    /// Brightness and colours.
    Colour,
}

/// What a file may cost before it is refused.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Most pixels, in millions.
    pub megapixels: f64,
}

impl Default for Limits {
    /// 200 megapixels, above any phone's largest setting.
    fn default() -> Self {
        Limits { megapixels: 200.0 }
    }
}

impl Limits {
    /// Checks a header's width and height, px.
    fn check(&self, width: u64, height: u64) -> Result<(), PhotoError> {
        if width == 0 || height == 0 {
            return Err(PhotoError::ZeroSize { width, height });
        }
        let megapixels = width as f64 * height as f64 / 1e6;
        if megapixels > self.megapixels {
            return Err(PhotoError::TooLarge {
                width,
                height,
                megapixels,
                limit: self.megapixels,
            });
        }
        Ok(())
    }

    /// Most bytes of a file: 8 a pixel (16-bit RGBA uncompressed), the most any handled format needs.
    fn bytes(&self) -> f64 {
        self.megapixels * 8e6
    }
}

impl Photo {
    /// sRGB at column `x`, row `y`, px; grey when the photo holds no colours.
    ///
    /// # Panics
    /// Outside the photo.
    #[inline]
    pub fn rgb_at(&self, x: usize, y: usize) -> [u8; 3] {
        let luma = self.luma[y * self.width + x];
        self.rgb
            .at(x, y, self.width, self.height)
            .unwrap_or([luma; 3])
    }

    /// Puts the sRGB of row `y` into `row`, interleaved, `3 * width`; grey when the photo holds no colours.
    ///
    /// # Panics
    /// Outside the photo.
    pub fn rgb_row(&self, y: usize, row: &mut Vec<u8>) {
        row.clear();
        row.extend((0..self.width).flat_map(|x| self.rgb_at(x, y)));
    }

    /// The whole photo in sRGB, interleaved, `3 * width * height`. Decodes all colours, in parallel.
    pub fn rgb_plane(&self) -> Vec<u8> {
        (0..self.rgb.strips())
            .into_par_iter()
            .for_each(|strip| self.rgb.warm(strip));
        let mut plane = vec![0; 3 * self.width * self.height];
        plane
            .par_chunks_mut(3 * self.width)
            .enumerate()
            .for_each(|(y, row)| {
                for (x, pixel) in row.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                    *pixel = self.rgb_at(x, y);
                }
            });
        plane
    }

    /// Whether colours are there.
    pub fn has_colour(&self) -> bool {
        !self.rgb.is_empty()
    }
}

/// A decoded picture as it lies in the file, before it is turned upright.
struct Stored {
    width: usize,
    height: usize,
    luma: Vec<u8>,
    colours: Colours,
    exif: Option<Vec<u8>>,
    orientation: Option<u8>,
    chroma_halved: bool,
    warnings: Vec<String>,
}

/// Reads the photo at `path`.
///
/// # Errors
/// [`PhotoError`], one variant a reason.
pub fn open(path: &Path, need: Need, limits: &Limits) -> Result<Photo, PhotoError> {
    let broken = |e: std::io::Error| match e.kind() {
        ErrorKind::NotFound => PhotoError::NotFound,
        ErrorKind::IsADirectory => PhotoError::Folder,
        _ => PhotoError::Unreadable {
            why: jpeg::one_line(&e.to_string()),
        },
    };
    let file = File::open(path).map_err(broken)?;
    let about = file.metadata().map_err(broken)?;
    if about.is_dir() {
        return Err(PhotoError::Folder);
    }
    let bytes = about.len();
    if bytes as f64 > limits.bytes() {
        return Err(PhotoError::TooManyBytes {
            megabytes: bytes as f64 / 1e6,
            limit: limits.bytes() / 1e6,
        });
    }
    read(
        BufReader::new(file),
        path.to_string_lossy().into_owned(),
        need,
        limits,
    )
}

/// Reads a photo from bytes in memory; `name` is for messages and results.
///
/// # Errors
/// As [`open`].
pub fn decode(bytes: &[u8], name: &str, need: Need, limits: &Limits) -> Result<Photo, PhotoError> {
    read(Cursor::new(bytes), name.to_string(), need, limits)
}

fn read(
    mut input: impl BufRead + Seek,
    name: String,
    need: Need,
    limits: &Limits,
) -> Result<Photo, PhotoError> {
    let broken = |e: std::io::Error| PhotoError::Unreadable {
        why: jpeg::one_line(&e.to_string()),
    };
    let mut head = Vec::new();
    input
        .by_ref()
        .take(32)
        .read_to_end(&mut head)
        .map_err(broken)?;
    input.seek(SeekFrom::Start(0)).map_err(broken)?;
    let stored = match kind(&head)? {
        Kind::Jpeg => {
            let mut bytes = Vec::new();
            input.read_to_end(&mut bytes).map_err(broken)?;
            jpeg::decode(&bytes, need, limits)?
        }
        Kind::Raster(format) => raster::decode(format, input, need, limits)?,
    };
    Ok(upright(stored, name))
}

fn upright(stored: Stored, name: String) -> Photo {
    let mut facts = Facts {
        stored_width: stored.width,
        stored_height: stored.height,
        chroma_halved: stored.chroma_halved,
        warnings: stored.warnings,
        ..Facts::default()
    };
    let from_exif = stored.exif.map(|block| exif::read(block, &mut facts));
    facts.orientation = stored.orientation.or(from_exif).unwrap_or(1);
    let (width, height) = if turn::swaps(facts.orientation) {
        (stored.height, stored.width)
    } else {
        (stored.width, stored.height)
    };
    let luma = turn::upright::<1>(stored.luma, stored.width, facts.orientation);
    let rgb = stored.colours.turned(facts.orientation);
    Photo {
        name,
        width,
        height,
        luma,
        rgb,
        facts,
    }
}

enum Kind {
    Jpeg,
    Raster(raster::Format),
}

/// Tells the format by the first bytes.
fn kind(head: &[u8]) -> Result<Kind, PhotoError> {
    if head.is_empty() {
        return Err(PhotoError::Empty);
    }
    if head.starts_with(&[0xFF, 0xD8, 0xFF]) {
        return Ok(Kind::Jpeg);
    }
    if head.starts_with(b"\x89PNG\r\n\x1a\n") {
        return Ok(Kind::Raster(raster::Format::Png));
    }
    if [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"]
        .iter()
        .any(|magic| head.starts_with(*magic))
    {
        return Ok(Kind::Raster(raster::Format::Tiff));
    }
    if head.starts_with(b"RIFF") && head.get(8..12) == Some(b"WEBP") {
        return Ok(Kind::Raster(raster::Format::WebP));
    }
    if head.get(4..8) == Some(b"ftyp") {
        // ISO/IEC 23008-12: the brand says which; 'mif1' and 'msf1' may hold any of them.
        let kind = match head.get(8..12) {
            Some(b"avif" | b"avis") => "AVIF (HEIC's sister)",
            Some([b'h', b'e', ..]) => "HEIC",
            Some(b"mif1" | b"msf1" | b"miaf" | b"MiHE") => "HEIC/HEIF",
            _ => return Err(PhotoError::NotAnImage),
        };
        return Err(PhotoError::Heic { kind });
    }
    Err(PhotoError::NotAnImage)
}

#[cfg(test)]
mod tests;
