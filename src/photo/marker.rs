//! A walk over a JPEG's markers: everything that can be known before a pixel is decoded.
//!
//! Source: ITU-T T.81 annex B for the markers; the colour kind is told as libjpeg tells it (JFIF, then Adobe, then
//! component ids). The decoder is not shown the file but a copy with only what it needs ([`Walk::clean`]): no
//! thumbnails, no second pictures, no comments, nothing after the end, and behind the last coded bits sixteen bytes
//! of ones. No Huffman code is all ones (T.81 clause C.2), so a decoder that runs past the end of a file cut short
//! hits an invalid code there instead of making up grey; only the last block's last bits could be lost unseen.

use super::error::PhotoError;
use super::huffman::{Bits, Table, Unit};
use super::jpeg::LumaWay;
use super::strips::Strips;

/// How the components are to be read as colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Colour {
    Grey,
    YCbCr,
    Rgb,
    /// Four inks, stored as Adobe stores them (0 = full ink) or the plain way (255 = full ink).
    Cmyk {
        inverted: bool,
    },
    /// The same after a YCbCr turn of the first three.
    Ycck {
        inverted: bool,
    },
}

/// One component of the frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Component {
    id: u8,
    pub h: usize,
    pub v: usize,
    table: u8,
}

/// What the markers say.
#[derive(Debug)]
pub(super) struct Walk<'a> {
    pub width: usize,
    pub height: usize,
    pub progressive: bool,
    pub components: Vec<Component>,
    pub colour: Colour,
    /// The first EXIF block, from its TIFF header on.
    pub exif: Option<&'a [u8]>,
    /// MCUs between restart marks; 0: none.
    interval: usize,
    /// No end marker stood behind the picture.
    pub no_end: bool,
    /// Segments and coded data to hand on, in order.
    parts: Vec<Part<'a>>,
    coded_bytes: usize,
}

#[derive(Debug)]
enum Part<'a> {
    /// Marker, and payload behind the length.
    Segment(u8, &'a [u8]),
    Coded(&'a [u8]),
}

const ONES: [u8; 32] = {
    let mut pad = [0xFF; 32];
    let mut i = 1;
    while i < 32 {
        pad[i] = 0;
        i += 2;
    }
    pad
};

fn damaged(why: impl Into<String>) -> PhotoError {
    PhotoError::Damaged {
        format: "JPEG",
        why: why.into(),
    }
}

fn unsupported(what: &str) -> PhotoError {
    PhotoError::Unsupported {
        what: what.to_string(),
    }
}

/// Walks `bytes`, a JPEG from its first byte. `check` sees width and height (px) as soon as the frame header is read,
/// before anything is done about the picture.
pub(super) fn walk<'a>(
    bytes: &'a [u8],
    check: impl Fn(u64, u64) -> Result<(), PhotoError>,
) -> Result<Walk<'a>, PhotoError> {
    let mut at = 2;
    let mut frame: Option<(usize, usize, bool, Vec<Component>)> = None;
    let (mut jfif, mut adobe, mut exif) = (false, None, None);
    let mut parts = Vec::new();
    let (mut coded_bytes, mut no_end, mut restarts, mut interval) = (0, true, 0, 0);
    let mut scans = 0usize;
    // Components that had a scan.
    let mut sent = Vec::new();
    // Of a progressive picture's first component: lowest bit sent of each coefficient so far.
    let mut lowest = [None; 64];

    while let Some(marker) = next_marker(bytes, &mut at) {
        match marker {
            0x01 | 0xD0..=0xD8 => continue,
            0xD9 => {
                no_end = false;
                break;
            }
            _ => {}
        }
        let Some(payload) = segment(bytes, at) else {
            // A segment that says it is longer than the file: whatever it is, the rest is not there.
            break;
        };
        at += 2 + payload.len();
        match marker {
            0xC0..=0xC2 => {
                if frame.is_some() {
                    return Err(damaged("two frame headers"));
                }
                frame = Some(read_frame(payload, marker == 0xC2, &check)?);
                parts.push(Part::Segment(marker, payload));
            }
            0xC3 | 0xC5..=0xC7 | 0xC9..=0xCF => {
                return Err(unsupported(
                    "a JPEG of an uncommon kind (lossless, arithmetic or hierarchical)",
                ));
            }
            0xDC | 0xDE => {
                return Err(unsupported(
                    "a JPEG of an uncommon kind (height or layers given late)",
                ));
            }
            0xDD => {
                interval = payload
                    .first_chunk()
                    .map_or(0, |b| usize::from(u16::from_be_bytes(*b)));
                parts.push(Part::Segment(marker, payload));
            }
            0xC4 | 0xDB => parts.push(Part::Segment(marker, payload)),
            0xE0 => jfif |= payload.starts_with(b"JFIF\0"),
            0xE1 if exif.is_none() => {
                exif = payload
                    .strip_prefix(b"Exif\0")
                    .and_then(|rest| rest.get(1..))
            }
            0xEE if payload.starts_with(b"Adobe") => adobe = payload.get(11).copied().or(adobe),
            0xDA => {
                let Some((_, _, progressive, components)) = &frame else {
                    return Err(damaged("picture data before its header"));
                };
                let count = payload.first().map_or(0, |n| usize::from(*n));
                sent.extend(
                    payload
                        .get(1..)
                        .unwrap_or_default()
                        .chunks(2)
                        .take(count)
                        .map(|c| c[0]),
                );
                note_pass(payload, components.first().map(|c| c.id), &mut lowest);
                let (coded, marks) = coded_run(&bytes[at..]);
                at += coded.len();
                coded_bytes += coded.len();
                restarts = marks;
                scans += 1;
                let whole = payload.first().map(|&n| usize::from(n)) == Some(components.len());
                parts.push(Part::Segment(marker, payload));
                parts.push(Part::Coded(coded));
                if !progressive && whole {
                    // The picture is complete; only the end marker is of interest, not what some phones put behind.
                    no_end = next_marker(bytes, &mut at) != Some(0xD9);
                    break;
                }
            }
            _ => {}
        }
    }
    let Some((width, height, progressive, components)) = frame else {
        return Err(damaged("no picture header in it"));
    };
    if scans == 0 {
        return Err(damaged("it ends before the picture begins"));
    }
    if !components.iter().all(|c| sent.contains(&c.id)) {
        return Err(damaged("it ends before all its colours"));
    }
    if progressive && (no_end || lowest.iter().any(|bit| *bit != Some(0))) {
        return Err(damaged("it ends before the last pass over the picture"));
    }
    let colour = colour(&components, jfif, adobe)?;
    let walk = Walk {
        width,
        height,
        progressive,
        components,
        colour,
        exif,
        interval,
        no_end,
        parts,
        coded_bytes,
    };
    walk.enough_data()?;
    if scans == 1 && !walk.progressive && interval > 0 {
        walk.enough_restarts(restarts)?;
    }
    Ok(walk)
}

impl Walk<'_> {
    /// Whether some component is stored at less than full size.
    pub fn chroma_halved(&self) -> bool {
        let (h, v) = self.sampling();
        self.components.iter().any(|c| c.h < h || c.v < v)
    }

    /// Largest sampling factors across and down.
    pub fn sampling(&self) -> (usize, usize) {
        self.components
            .iter()
            .fold((1, 1), |(h, v), c| (h.max(c.h), v.max(c.v)))
    }

    /// How to get the brightness alone.
    pub fn luma_way(&self) -> LumaWay {
        // zune-jpeg 0.5.15, asked for brightness alone, reads on behind the end when only the height is halved.
        match self.sampling() {
            (1, v) if v > 1 && self.components.len() > 1 => LumaWay::WithColours,
            _ => LumaWay::Alone,
        }
    }

    /// Refuses a picture with fewer coded bits than the shortest codes would need: a Huffman code has at least one
    /// bit, a block at least a code for its mean and, when not progressive, one for its end.
    fn enough_data(&self) -> Result<(), PhotoError> {
        let (h_max, v_max) = self.sampling();
        let blocks: usize = self
            .components
            .iter()
            .map(|c| {
                (self.width * c.h).div_ceil(8 * h_max) * (self.height * c.v).div_ceil(8 * v_max)
            })
            .sum();
        let bits = blocks * if self.progressive { 1 } else { 2 };
        if self.coded_bytes * 8 < bits {
            return Err(damaged(format!(
                "{} bytes for {} x {} pixels",
                self.coded_bytes, self.width, self.height
            )));
        }
        Ok(())
    }

    /// Refuses a picture that lost some of its restart marks. One more than needed is seen and harmless.
    fn enough_restarts(&self, found: usize) -> Result<(), PhotoError> {
        let (h, v) = if self.components.len() == 1 {
            (1, 1)
        } else {
            self.sampling()
        };
        let units = self.width.div_ceil(8 * h) * self.height.div_ceil(8 * v);
        let expected = units.div_ceil(self.interval).saturating_sub(1);
        if found < expected || found > expected + 1 {
            return Err(damaged(format!("{found} of {expected} restart marks")));
        }
        Ok(())
    }

    /// The file as the decoder is to see it; the module's head says why.
    pub fn clean(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(self.coded_bytes + 4096);
        out.extend([0xFF, 0xD8]);
        let adobe = match self.colour {
            Colour::Cmyk { .. } => Some(0),
            Colour::Ycck { .. } => Some(2),
            _ => None,
        };
        if let Some(transform) = adobe {
            out.extend([0xFF, 0xEE, 0, 14]);
            out.extend(b"Adobe");
            out.extend([0, 100, 0, 0, 0, 0, transform]);
        }
        for part in &self.parts {
            match part {
                Part::Segment(marker, payload) => self.put(&mut out, *marker, payload),
                Part::Coded(coded) => out.extend(*coded),
            }
        }
        put_end(&mut out);
        out
    }

    /// Writes a segment with plain component ids.
    fn put(&self, out: &mut Vec<u8>, marker: u8, payload: &[u8]) {
        put_segment(out, marker, payload);
        let start = out.len() - payload.len();
        self.rename(marker, &mut out[start..]);
    }

    /// The picture made ready to be cut into strips, when it is of the ordinary kind: not progressive, every
    /// component in the one scan, tables complete.
    pub fn strips(&self) -> Option<Strips> {
        let [segments @ .., Part::Segment(0xDA, scan), Part::Coded(coded)] = self.parts.as_slice()
        else {
            return None;
        };
        let plain = matches!(self.colour, Colour::Grey | Colour::YCbCr | Colour::Rgb);
        if self.progressive || !plain || usize::from(*scan.first()?) != self.components.len() {
            return None;
        }
        let mut head = vec![0xFF, 0xD8];
        let mut height_at = None;
        let (mut means, mut rest): ([Option<Table>; 4], [Option<Table>; 4]) = Default::default();
        for part in segments {
            let Part::Segment(marker, payload) = part else {
                return None;
            };
            match marker {
                0xDD => continue,
                0xC0..=0xC2 => height_at = Some(head.len() + 5),
                0xC4 => read_tables(payload, &mut means, &mut rest)?,
                _ => {}
            }
            self.put(&mut head, *marker, payload);
        }
        let (h, v) = if self.components.len() == 1 {
            (1, 1)
        } else {
            self.sampling()
        };
        let mut units = Vec::new();
        for [id, tables] in scan
            .get(1..)?
            .as_chunks::<2>()
            .0
            .iter()
            .take(self.components.len())
        {
            let component = self.components.iter().position(|c| c.id == *id)?;
            let (means, rest) = (usize::from(tables >> 4), usize::from(tables & 15));
            let found = &self.components[component];
            let blocks = if self.components.len() == 1 {
                1
            } else {
                found.h * found.v
            };
            units.extend(std::iter::repeat_n(
                Unit {
                    component,
                    means,
                    rest,
                },
                blocks,
            ));
        }
        if units.iter().any(|u| u.means > 3 || u.rest > 3) || !(8 * v).is_power_of_two() {
            return None;
        }
        let mut scan_header = Vec::new();
        self.put(&mut scan_header, 0xDA, scan);
        Some(Strips {
            head,
            height_at: height_at?,
            scan: scan_header,
            bits: Bits::new(coded),
            means,
            rest,
            units,
            way: self.luma_way(),
            interval: self.interval,
            mcus_across: self.width.div_ceil(8 * h),
            mcu_height: 8 * v,
            width: self.width,
            height: self.height,
            seams: self.components.iter().any(|c| c.v < v),
        })
    }

    /// Gives the components plain ids in a frame or scan header: the decoder takes 'R', 'G', 'B' for RGB and nothing
    /// else. A lone component has no sampling to speak of (T.81 A.2.2): 1 × 1.
    fn rename(&self, marker: u8, payload: &mut [u8]) {
        let ids: [u8; 4] = if self.colour == Colour::Rgb {
            *b"RGB\x04"
        } else {
            [1, 2, 3, 4]
        };
        let new = |old: u8| {
            let place = self.components.iter().position(|c| c.id == old);
            place.and_then(|p| ids.get(p)).copied().unwrap_or(old)
        };
        match marker {
            0xC0..=0xC2 => {
                for entry in payload.get_mut(6..).unwrap_or_default().chunks_exact_mut(3) {
                    entry[0] = new(entry[0]);
                    if self.components.len() == 1 {
                        entry[1] = 0x11;
                    }
                }
            }
            0xDA => {
                let count = payload.first().map_or(0, |&n| usize::from(n));
                for entry in payload
                    .get_mut(1..)
                    .unwrap_or_default()
                    .chunks_exact_mut(2)
                    .take(count)
                {
                    entry[0] = new(entry[0]);
                }
            }
            _ => {}
        }
    }
}

/// Width and height in the frame header within `start`, the start of a JPEG; zero when it is not there.
pub(super) fn frame_size(start: &[u8]) -> (u64, u64) {
    let mut at = 2;
    while let Some(marker) = next_marker(start, &mut at) {
        if matches!(marker, 0x01 | 0xD0..=0xD9) {
            continue;
        }
        let Some(payload) = segment(start, at) else {
            break;
        };
        at += 2 + payload.len();
        if let (0xC0..=0xC2, Some([_, h1, h0, w1, w0])) = (marker, payload.first_chunk()) {
            return (
                u16::from_be_bytes([*w1, *w0]).into(),
                u16::from_be_bytes([*h1, *h0]).into(),
            );
        }
    }
    (0, 0)
}

/// Writes a segment.
pub(super) fn put_segment(out: &mut Vec<u8>, marker: u8, payload: &[u8]) {
    out.extend([0xFF, marker]);
    out.extend((payload.len() as u16 + 2).to_be_bytes());
    out.extend(payload);
}

/// Writes the ones that no code begins with, and the end marker.
pub(super) fn put_end(out: &mut Vec<u8>) {
    out.extend(ONES);
    out.extend([0xFF, 0xD9]);
}

/// Reads the tables of a DHT segment: `means` for class 0, `rest` for class 1.
fn read_tables(
    mut payload: &[u8],
    means: &mut [Option<Table>; 4],
    rest: &mut [Option<Table>; 4],
) -> Option<()> {
    while let Some((place, after)) = payload.split_first() {
        let counts: [u8; 16] = *after.first_chunk()?;
        let symbols = &after[16..];
        let used: usize = counts.iter().map(|n| usize::from(*n)).sum();
        let table = Table::new(counts, symbols)?;
        let place_in = usize::from(place & 15);
        match place >> 4 {
            0 => *means.get_mut(place_in)? = Some(table),
            _ => *rest.get_mut(place_in)? = Some(table.widen()),
        }
        payload = symbols.get(used..)?;
    }
    Some(())
}

/// Moves `at` behind the next marker and returns its code; what stands before it is passed over.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    loop {
        *at += bytes.get(*at..)?.iter().position(|&b| b == 0xFF)?;
        while *bytes.get(*at)? == 0xFF {
            *at += 1;
        }
        *at += 1;
        let code = bytes[*at - 1];
        if code != 0 {
            return Some(code);
        }
    }
}

/// The payload of the segment whose length stands at `at`.
fn segment(bytes: &[u8], at: usize) -> Option<&[u8]> {
    let length = usize::from(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?));
    bytes.get(at + 2..at + length.max(2))
}

/// The entropy-coded run at the start of `bytes`, up to the first marker that is not a restart, and how many restart
/// marks are in it.
fn coded_run(bytes: &[u8]) -> (&[u8], usize) {
    let (mut at, mut marks) = (0, 0);
    loop {
        let Some(step) = bytes[at..]
            .chunks(64)
            .position(|chunk| chunk.contains(&0xFF))
        else {
            return (bytes, marks);
        };
        at += step * 64;
        let Some(step) = bytes[at..].iter().position(|&b| b == 0xFF) else {
            return (bytes, marks);
        };
        at += step;
        match bytes.get(at + 1) {
            Some(0) => at += 2,
            Some(0xD0..=0xD7) => {
                marks += 1;
                at += 2;
            }
            // Fill bytes may stand before a restart too.
            Some(0xFF) => at += 1,
            Some(_) => return (&bytes[..at], marks),
            None => return (&bytes[..at], marks),
        }
    }
}

/// Notes what a scan of a progressive picture adds to its component `id` (T.81 G.1.1.1).
fn note_pass(scan: &[u8], id: Option<u8>, lowest: &mut [Option<u8>; 64]) {
    let count = scan.first().map_or(0, |n| usize::from(*n));
    let mut ids = scan
        .get(1..)
        .unwrap_or_default()
        .chunks(2)
        .take(count)
        .filter_map(|c| c.first());
    let Some(&[from, to, bits]) = scan.get(1 + 2 * count..).and_then(|end| end.first_chunk())
    else {
        return;
    };
    if ids.any(|found| Some(*found) == id)
        && let Some(sent) = lowest.get_mut(usize::from(from)..=usize::from(to))
    {
        sent.fill(Some(bits & 15));
    }
}

type Frame = (usize, usize, bool, Vec<Component>);

fn read_frame(
    payload: &[u8],
    progressive: bool,
    check: &impl Fn(u64, u64) -> Result<(), PhotoError>,
) -> Result<Frame, PhotoError> {
    let Some(&[precision, h1, h0, w1, w0, count]) = payload.first_chunk() else {
        return Err(damaged("its header is too short"));
    };
    let (width, height) = (u16::from_be_bytes([w1, w0]), u16::from_be_bytes([h1, h0]));
    check(width.into(), height.into())?;
    if precision != 8 {
        return Err(unsupported(&format!("a {precision}-bit JPEG")));
    }
    if !matches!(count, 1 | 3 | 4) {
        return Err(unsupported(&format!("a JPEG of {count} colour channels")));
    }
    let components: Vec<Component> = payload[6..]
        .chunks_exact(3)
        .take(usize::from(count))
        .map(|c| Component {
            id: c[0],
            h: usize::from(c[1] >> 4),
            v: usize::from(c[1] & 15),
            table: c[2],
        })
        .collect();
    if components.len() != usize::from(count) || payload.len() != 6 + 3 * components.len() {
        return Err(damaged("its header has the wrong length"));
    }
    if components
        .iter()
        .any(|c| !(1..=4).contains(&c.h) || !(1..=4).contains(&c.v) || c.table > 3)
    {
        return Err(damaged("its header is out of range"));
    }
    for (i, c) in components.iter().enumerate() {
        if components[..i].iter().any(|other| other.id == c.id) {
            return Err(damaged("two colour channels of one name"));
        }
    }
    Ok((
        usize::from(width),
        usize::from(height),
        progressive,
        components,
    ))
}

/// libjpeg's rules (`default_decompress_parms` in its `jdapimin.c`).
fn colour(components: &[Component], jfif: bool, adobe: Option<u8>) -> Result<Colour, PhotoError> {
    let ids: Vec<u8> = components.iter().map(|c| c.id).collect();
    Ok(match (components.len(), adobe) {
        (1, _) => Colour::Grey,
        (3, _) if jfif => Colour::YCbCr,
        (3, Some(0)) => Colour::Rgb,
        (3, Some(_)) => Colour::YCbCr,
        (3, None) if ids == *b"RGB" => Colour::Rgb,
        (3, None) => Colour::YCbCr,
        (4, Some(2)) => Colour::Ycck { inverted: true },
        (4, Some(_)) => Colour::Cmyk { inverted: true },
        (4, None) => Colour::Cmyk { inverted: false },
        (n, _) => return Err(unsupported(&format!("a JPEG of {n} colour channels"))),
    })
}
