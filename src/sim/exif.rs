//! The few EXIF fields a made-up photo carries: orientation, focal length.
//!
//! Tags and types after TIFF 6.0 and EXIF 2.3 (from memory; read back by the project's intake and by other readers).

use crate::lens::Lens;

const SHORT: u16 = 3;
const LONG: u16 = 4;
const RATIONAL: u16 = 5;

/// An EXIF block (from the TIFF header on, little endian).
///
/// `lens` is the stored picture's; its focal length is given as that of a sensor 5.6 mm wide and as 35 mm film's by the
/// picture's diagonal, rounded as phones round it.
pub fn block(lens: &Lens, orientation: u8) -> Vec<u8> {
    let diagonal = (lens.width as f64).hypot(lens.height as f64);
    let film = (lens.fx / diagonal * 43.27).round() as u32;
    let wide = lens.width.max(lens.height) as f64;
    let thousandths = (lens.fx / wide * 5.6 * 1000.0).round() as u32;
    let mut out = b"II*\0".to_vec();
    out.extend(8u32.to_le_bytes());
    // First directory: orientation, and where the second begins (8 + 2 + 2 * 12 + 4 = 38).
    directory(
        &mut out,
        &[(0x0112, SHORT, u32::from(orientation)), (0x8769, LONG, 38)],
    );
    // Second: 38 + 2 + 4 * 12 + 4 = 92 is where the focal length's two numbers lie.
    let (width, height) = (lens.width as u32, lens.height as u32);
    directory(
        &mut out,
        &[
            (0x920A, RATIONAL, 92),
            (0xA002, LONG, width),
            (0xA003, LONG, height),
            (0xA405, SHORT, film),
        ],
    );
    out.extend(thousandths.to_le_bytes());
    out.extend(1000u32.to_le_bytes());
    out
}

fn directory(out: &mut Vec<u8>, fields: &[(u16, u16, u32)]) {
    out.extend((fields.len() as u16).to_le_bytes());
    for &(tag, kind, value) in fields {
        out.extend(tag.to_le_bytes());
        out.extend(kind.to_le_bytes());
        out.extend(1u32.to_le_bytes());
        out.extend(value.to_le_bytes());
    }
    out.extend(0u32.to_le_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_read_back() {
        let lens = Lens::pinhole(2016, 1512, 1500.0);
        let exif = exif::Reader::new()
            .read_raw(block(&lens, 6))
            .expect("a sound block");
        let short = |tag| {
            exif.get_field(tag, exif::In::PRIMARY)
                .and_then(|f| f.value.get_uint(0))
        };
        assert_eq!(short(exif::Tag::Orientation), Some(6));
        // 1500 px of a 2520 px diagonal: 25.8 mm of 43.27.
        assert_eq!(short(exif::Tag::FocalLengthIn35mmFilm), Some(26));
        let focal = exif
            .get_field(exif::Tag::FocalLength, exif::In::PRIMARY)
            .expect("present");
        assert!(
            matches!(&focal.value, exif::Value::Rational(v) if (v[0].to_f64() - 4.167).abs() < 1e-9)
        );
    }
}
