//! What EXIF says of camera, lens and orientation. A broken block is the file's problem, not the photo's: it counts as
//! absent as far as it can't be read.

use exif::{Context, In, Reader, Tag, Value};

use super::Facts;

/// Longest camera name kept, letters.
const MAX_NAME: usize = 64;

/// What EXIF says that decides how the picture is taken.
#[derive(Debug, Default)]
pub(super) struct Told {
    /// Orientation 1–8; `None` when absent or out of range.
    pub orientation: Option<u8>,
    /// The first picture of a TIFF is a preview of another, or belongs to raw sensor data.
    pub preview: bool,
}

/// Fills camera, focal lengths and zoom into `facts`. `block`: EXIF from its TIFF header on.
pub(super) fn read(block: Vec<u8>, facts: &mut Facts) -> Told {
    let parsed = Reader::new().continue_on_error(true).read_raw(block);
    let Ok(exif) = parsed.or_else(|e| e.distill_partial_result(|_| {})) else {
        return Told::default();
    };
    let number = |tag| {
        let value = match &exif.get_field(tag, In::PRIMARY)?.value {
            Value::Rational(v) => v.first()?.to_f64(),
            Value::Short(v) => f64::from(*v.first()?),
            Value::Long(v) => f64::from(*v.first()?),
            _ => return None,
        };
        // EXIF 2.3: 0 stands for unknown (focal lengths) or not used (zoom).
        (value.is_finite() && value > 0.0).then_some(value)
    };
    let words = |tag| match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(v) => {
            let text = String::from_utf8_lossy(v.first()?);
            let text: String = text
                .chars()
                .filter(|c| !c.is_control())
                .take(MAX_NAME)
                .collect();
            let text = text.trim().to_string();
            (!text.is_empty()).then_some(text)
        }
        _ => None,
    };
    facts.camera = match (words(Tag::Make), words(Tag::Model)) {
        (Some(make), Some(model)) if model.starts_with(&make) => Some(model),
        (Some(make), Some(model)) => Some(format!("{make} {model}")),
        (make, model) => model.or(make),
    };
    facts.focal_mm = number(Tag::FocalLength);
    facts.focal_35mm = number(Tag::FocalLengthIn35mmFilm);
    facts.zoom = number(Tag::DigitalZoomRatio);
    let whole = |tag| {
        exif.get_field(tag, In::PRIMARY)
            .and_then(|f| f.value.get_uint(0))
    };
    let orientation = whole(Tag::Orientation).and_then(|o| u8::try_from(o).ok());
    // TIFF 6.0 tag 254, bit 0: a reduced version of another picture; DNG 1.4 tag 50706: its version.
    let reduced = whole(Tag(Context::Tiff, 254)).is_some_and(|kind| kind & 1 == 1);
    let raw = exif
        .get_field(Tag(Context::Tiff, 50_706), In::PRIMARY)
        .is_some();
    Told {
        orientation: orientation.filter(|o| (1..=8).contains(o)),
        preview: reduced || raw,
    }
}
