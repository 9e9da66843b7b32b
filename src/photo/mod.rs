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
use std::ops::Range;
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

    /// Checks a file's size against its picture's: 8 bytes a pixel (16-bit RGBA, not packed) and what else files hold.
    fn check_bytes(&self, size: u64, width: u64, height: u64) -> Result<(), PhotoError> {
        let limit = width
            .saturating_mul(height)
            .saturating_mul(8)
            .saturating_add(PLAIN_SIZE);
        if size > limit {
            return Err(PhotoError::TooManyBytes {
                megabytes: size as f64 / 1e6,
                limit: limit as f64 / 1e6,
            });
        }
        Ok(())
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
        row.extend(
            self.luma[y * self.width..(y + 1) * self.width]
                .iter()
                .flat_map(|v| [*v; 3]),
        );
        self.rgb
            .fill(0, y, self.width, self.height, row.as_chunks_mut().0);
    }

    /// The whole photo in sRGB, interleaved, `3 * width * height`. Decodes all colours, in parallel.
    pub fn rgb_plane(&self) -> Vec<u8> {
        /// Rows and columns copied together: a block of either layout fits the first-level cache.
        const BLOCK: usize = 64;
        self.prepare_colours(0..self.width, 0..self.height);
        let mut plane = vec![0; 3 * self.width * self.height];
        let bands = plane
            .par_chunks_mut(3 * BLOCK * self.width)
            .zip(self.luma.par_chunks(BLOCK * self.width));
        bands.enumerate().for_each(|(band, (plane, luma))| {
            let pixels = plane.as_chunks_mut::<3>().0;
            pixels
                .iter_mut()
                .zip(luma)
                .for_each(|(rgb, v)| *rgb = [*v; 3]);
            for left in (0..self.width).step_by(BLOCK) {
                let right = (left + BLOCK).min(self.width);
                for (dy, row) in pixels.chunks_exact_mut(self.width).enumerate() {
                    self.rgb.fill(
                        left,
                        band * BLOCK + dy,
                        self.width,
                        self.height,
                        &mut row[left..right],
                    );
                }
            }
        });
        plane
    }

    /// Decodes the colours of a part of the photo now, on all cores, instead of when they are first touched. Worth it
    /// before many threads read from one place: they would wait for one another.
    pub fn prepare_colours(&self, columns: Range<usize>, rows: Range<usize>) {
        self.rgb.prepare(columns, rows, self.width, self.height);
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

/// Files up to this size (bytes) are read whole without a look at what they claim to be.
const PLAIN_SIZE: u64 = 64 << 20;

/// Reads the photo at `path`.
///
/// # Errors
/// [`PhotoError`], one variant a reason.
pub fn open(path: &Path, need: Need, limits: &Limits) -> Result<Photo, PhotoError> {
    let about = std::fs::metadata(path).map_err(unreadable)?;
    if about.is_dir() {
        return Err(PhotoError::Folder);
    }
    if !about.is_file() {
        return Err(PhotoError::Unreadable {
            why: "it is not an ordinary file".to_string(),
        });
    }
    let file = File::open(path).map_err(unreadable)?;
    read(
        BufReader::new(file),
        about.len(),
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
    read(
        Cursor::new(bytes),
        bytes.len() as u64,
        name.to_string(),
        need,
        limits,
    )
}

fn unreadable(error: std::io::Error) -> PhotoError {
    match error.kind() {
        ErrorKind::NotFound => PhotoError::NotFound,
        ErrorKind::IsADirectory => PhotoError::Folder,
        _ => PhotoError::Unreadable {
            why: jpeg::one_line(&error.to_string()),
        },
    }
}

fn read(
    mut input: impl BufRead + Seek,
    size: u64,
    name: String,
    need: Need,
    limits: &Limits,
) -> Result<Photo, PhotoError> {
    let mut first = |bytes: u64| {
        let mut head = Vec::new();
        input
            .by_ref()
            .take(bytes)
            .read_to_end(&mut head)
            .map_err(unreadable)?;
        input.seek(SeekFrom::Start(0)).map_err(unreadable)?;
        Ok(head)
    };
    let kind = kind(&first(32)?)?;
    let stored = match kind {
        Kind::Jpeg => {
            if size > PLAIN_SIZE {
                let (width, height) = marker::frame_size(&first(PLAIN_SIZE / 4)?);
                limits.check(width, height)?;
                limits.check_bytes(size, width, height)?;
            }
            let bytes = whole(&mut input, size)?;
            jpeg::decode(&bytes, need, limits)?
        }
        Kind::Raster(raster::Format::Tiff) if size <= PLAIN_SIZE => {
            // A TIFF is its own block of EXIF.
            let bytes = whole(&mut input, size)?;
            let mut stored = raster::decode(
                raster::Format::Tiff,
                Cursor::new(&bytes),
                size,
                need,
                limits,
            )?;
            stored.exif = Some(bytes);
            stored
        }
        Kind::Raster(format) => raster::decode(format, input, size, need, limits)?,
    };
    upright(stored, need, name)
}

fn whole(input: &mut impl Read, size: u64) -> Result<Vec<u8>, PhotoError> {
    let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or(0).saturating_add(1));
    input
        .take(size)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    Ok(bytes)
}

fn upright(stored: Stored, need: Need, name: String) -> Result<Photo, PhotoError> {
    let mut facts = Facts {
        stored_width: stored.width,
        stored_height: stored.height,
        chroma_halved: stored.chroma_halved,
        warnings: stored.warnings,
        ..Facts::default()
    };
    let told = stored
        .exif
        .map(|block| exif::read(block, &mut facts))
        .unwrap_or_default();
    if told.preview {
        return Err(PhotoError::Unsupported {
            what: "a raw camera file or its preview".to_string(),
        });
    }
    if need == Need::Colour && stored.colours.is_empty() {
        facts.warnings.push(
            "the photo is grey: paints and tapes that differ in colour alone can't be told apart"
                .to_string(),
        );
    }
    facts.orientation = stored.orientation.or(told.orientation).unwrap_or(1);
    let (width, height) = if turn::swaps(facts.orientation) {
        (stored.height, stored.width)
    } else {
        (stored.width, stored.height)
    };
    let luma = turn::upright::<1>(stored.luma, stored.width, facts.orientation);
    let rgb = stored.colours.turned(facts.orientation);
    Ok(Photo {
        name,
        width,
        height,
        luma,
        rgb,
        facts,
    })
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
