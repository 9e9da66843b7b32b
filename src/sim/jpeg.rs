//! A plain baseline JPEG, so that made-up photos carry the losses of real ones, colour at half size among them.
//!
//! ITU-T T.81 (baseline, Huffman tables of annex K.3, quantisation tables of annex K.1 scaled by quality as the
//! Independent JPEG Group's library does) and JFIF 1.02 for the colours; from memory, checked in the tests against the
//! project's decoder. Written here because the encoder at hand stores colour at full size only.

use super::develop::Picture;
use super::scene::Jpeg;
use rayon::prelude::*;

const LUMA_TABLE: [u16; 64] = [
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56,
    14, 17, 22, 29, 51, 87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113,
    92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
];

const CHROMA_TABLE: [u16; 64] = [
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99,
    47, 66, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99,
    99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99,
];

const ZIGZAG: [usize; 64] = [
    0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20,
    13, 6, 7, 14, 21, 28, 35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59,
    52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
];

/// Codes of each length (1 to 16) and the symbols in order: annex K.3.
const DC_LUMA: ([u8; 16], &[u8]) = (
    [0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0],
    &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11],
);
const DC_CHROMA: ([u8; 16], &[u8]) = (
    [0, 3, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0],
    &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11],
);
const AC_LUMA: ([u8; 16], &[u8]) = (
    [0, 2, 1, 3, 3, 2, 4, 3, 5, 5, 4, 4, 0, 0, 1, 0x7d],
    &[
        0x01, 0x02, 0x03, 0x00, 0x04, 0x11, 0x05, 0x12, 0x21, 0x31, 0x41, 0x06, 0x13, 0x51, 0x61,
        0x07, 0x22, 0x71, 0x14, 0x32, 0x81, 0x91, 0xa1, 0x08, 0x23, 0x42, 0xb1, 0xc1, 0x15, 0x52,
        0xd1, 0xf0, 0x24, 0x33, 0x62, 0x72, 0x82, 0x09, 0x0a, 0x16, 0x17, 0x18, 0x19, 0x1a, 0x25,
        0x26, 0x27, 0x28, 0x29, 0x2a, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3a, 0x43, 0x44, 0x45,
        0x46, 0x47, 0x48, 0x49, 0x4a, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5a, 0x63, 0x64,
        0x65, 0x66, 0x67, 0x68, 0x69, 0x6a, 0x73, 0x74, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7a, 0x83,
        0x84, 0x85, 0x86, 0x87, 0x88, 0x89, 0x8a, 0x92, 0x93, 0x94, 0x95, 0x96, 0x97, 0x98, 0x99,
        0x9a, 0xa2, 0xa3, 0xa4, 0xa5, 0xa6, 0xa7, 0xa8, 0xa9, 0xaa, 0xb2, 0xb3, 0xb4, 0xb5, 0xb6,
        0xb7, 0xb8, 0xb9, 0xba, 0xc2, 0xc3, 0xc4, 0xc5, 0xc6, 0xc7, 0xc8, 0xc9, 0xca, 0xd2, 0xd3,
        0xd4, 0xd5, 0xd6, 0xd7, 0xd8, 0xd9, 0xda, 0xe1, 0xe2, 0xe3, 0xe4, 0xe5, 0xe6, 0xe7, 0xe8,
        0xe9, 0xea, 0xf1, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7, 0xf8, 0xf9, 0xfa,
    ],
);
const AC_CHROMA: ([u8; 16], &[u8]) = (
    [0, 2, 1, 2, 4, 4, 3, 4, 7, 5, 4, 4, 0, 1, 2, 0x77],
    &[
        0x00, 0x01, 0x02, 0x03, 0x11, 0x04, 0x05, 0x21, 0x31, 0x06, 0x12, 0x41, 0x51, 0x07, 0x61,
        0x71, 0x13, 0x22, 0x32, 0x81, 0x08, 0x14, 0x42, 0x91, 0xa1, 0xb1, 0xc1, 0x09, 0x23, 0x33,
        0x52, 0xf0, 0x15, 0x62, 0x72, 0xd1, 0x0a, 0x16, 0x24, 0x34, 0xe1, 0x25, 0xf1, 0x17, 0x18,
        0x19, 0x1a, 0x26, 0x27, 0x28, 0x29, 0x2a, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3a, 0x43, 0x44,
        0x45, 0x46, 0x47, 0x48, 0x49, 0x4a, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5a, 0x63,
        0x64, 0x65, 0x66, 0x67, 0x68, 0x69, 0x6a, 0x73, 0x74, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7a,
        0x82, 0x83, 0x84, 0x85, 0x86, 0x87, 0x88, 0x89, 0x8a, 0x92, 0x93, 0x94, 0x95, 0x96, 0x97,
        0x98, 0x99, 0x9a, 0xa2, 0xa3, 0xa4, 0xa5, 0xa6, 0xa7, 0xa8, 0xa9, 0xaa, 0xb2, 0xb3, 0xb4,
        0xb5, 0xb6, 0xb7, 0xb8, 0xb9, 0xba, 0xc2, 0xc3, 0xc4, 0xc5, 0xc6, 0xc7, 0xc8, 0xc9, 0xca,
        0xd2, 0xd3, 0xd4, 0xd5, 0xd6, 0xd7, 0xd8, 0xd9, 0xda, 0xe2, 0xe3, 0xe4, 0xe5, 0xe6, 0xe7,
        0xe8, 0xe9, 0xea, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7, 0xf8, 0xf9, 0xfa,
    ],
);

/// One colour component: quantised blocks, row by row.
struct Component {
    across: usize,
    down: usize,
    table: [u16; 64],
    blocks: Vec<[i16; 64]>,
}

/// A picture after the lossy part of JPEG.
pub struct Coded {
    width: usize,
    height: usize,
    halved: bool,
    parts: [Component; 3],
}

/// Y' of JFIF (BT.601) from red, green, blue.
pub fn luma(rgb: &[u8]) -> Vec<u8> {
    rgb.chunks_exact(3)
        .map(|c| to_ycc(c)[0].round().clamp(0.0, 255.0) as u8)
        .collect()
}

fn to_ycc(c: &[u8]) -> [f32; 3] {
    let (r, g, b) = (f32::from(c[0]), f32::from(c[1]), f32::from(c[2]));
    [
        0.299 * r + 0.587 * g + 0.114 * b,
        128.0 - 0.168_735_9 * r - 0.331_264_1 * g + 0.5 * b,
        128.0 + 0.5 * r - 0.418_687_6 * g - 0.081_312_4 * b,
    ]
}

fn scaled(table: &[u16; 64], quality: u8) -> [u16; 64] {
    let q = u32::from(quality.clamp(1, 100));
    let scale = if q < 50 { 5000 / q } else { 200 - 2 * q };
    table.map(|t| ((u32::from(t) * scale + 50) / 100).clamp(1, 255) as u16)
}

/// The cosine matrix of the 8-point transform.
fn cosines() -> [[f32; 8]; 8] {
    let mut c = [[0f32; 8]; 8];
    for (k, row) in c.iter_mut().enumerate() {
        let norm = if k == 0 { 0.125f64.sqrt() } else { 0.5 };
        for (n, v) in row.iter_mut().enumerate() {
            *v =
                (norm * (std::f64::consts::PI * (2 * n + 1) as f64 * k as f64 / 16.0).cos()) as f32;
        }
    }
    c
}

/// Rows and columns through the matrix (`forward`) or its transpose.
fn transform(block: &[f32; 64], c: &[[f32; 8]; 8], forward: bool) -> [f32; 64] {
    let at = |k: usize, n: usize| if forward { c[k][n] } else { c[n][k] };
    let mut rows = [0f32; 64];
    for y in 0..8 {
        for k in 0..8 {
            rows[y * 8 + k] = (0..8).map(|n| at(k, n) * block[y * 8 + n]).sum();
        }
    }
    let mut out = [0f32; 64];
    for k in 0..8 {
        for x in 0..8 {
            out[k * 8 + x] = (0..8).map(|n| at(k, n) * rows[n * 8 + x]).sum();
        }
    }
    out
}

impl Component {
    /// Cuts a plane into quantised blocks; `unit` is the multiple of 8 px the size is rounded up to.
    fn new(plane: &[f32], width: usize, height: usize, unit: usize, table: [u16; 64]) -> Self {
        let (across, down) = (
            width.div_ceil(unit) * unit / 8,
            height.div_ceil(unit) * unit / 8,
        );
        let c = cosines();
        let blocks = (0..across * down)
            .into_par_iter()
            .map(|i| {
                let (bx, by) = (i % across * 8, i / across * 8);
                let mut block = [0f32; 64];
                for y in 0..8 {
                    for x in 0..8 {
                        let (px, py) = ((bx + x).min(width - 1), (by + y).min(height - 1));
                        block[y * 8 + x] = plane[py * width + px] - 128.0;
                    }
                }
                let out = transform(&block, &c, true);
                let mut whole = [0i16; 64];
                for k in 0..64 {
                    whole[k] = (out[k] / f32::from(table[k])).round() as i16;
                }
                whole
            })
            .collect();
        Component {
            across,
            down,
            table,
            blocks,
        }
    }

    /// The plane again, 8 bit, cut to size.
    fn plane(&self, width: usize, height: usize) -> Vec<u8> {
        let c = cosines();
        let mut out = vec![0u8; width * height];
        out.par_chunks_mut(width * 8)
            .enumerate()
            .for_each(|(by, rows)| {
                for bx in 0..self.across {
                    let block = &self.blocks[by * self.across + bx];
                    let mut real = [0f32; 64];
                    for k in 0..64 {
                        real[k] = f32::from(block[k]) * f32::from(self.table[k]);
                    }
                    let values = transform(&real, &c, false);
                    for (y, row) in rows.chunks_mut(width).enumerate() {
                        for x in 0..8.min(width.saturating_sub(bx * 8)) {
                            row[bx * 8 + x] =
                                (values[y * 8 + x] + 128.0).round().clamp(0.0, 255.0) as u8;
                        }
                    }
                }
            });
        out
    }
}

/// A plane at half size: means of four, as the common encoders do.
fn halve(plane: &[f32], width: usize, height: usize) -> Vec<f32> {
    let (w, h) = (width.div_ceil(2), height.div_ceil(2));
    let at = |x: usize, y: usize| plane[y.min(height - 1) * width + x.min(width - 1)];
    (0..w * h)
        .map(|i| {
            let (x, y) = (i % w * 2, i / w * 2);
            0.25 * (at(x, y) + at(x + 1, y) + at(x, y + 1) + at(x + 1, y + 1))
        })
        .collect()
}

/// Full size from half size by the triangle filter the common decoders use (3/4 the nearer, 1/4 the farther, each way).
fn double(plane: &[u8], w: usize, h: usize, width: usize, height: usize) -> Vec<f32> {
    let mut out = vec![0f32; width * height];
    out.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let near = y / 2;
        let far = if y % 2 == 0 {
            near.saturating_sub(1)
        } else {
            (near + 1).min(h - 1)
        };
        for (x, v) in row.iter_mut().enumerate() {
            let (a, b) = (
                x / 2,
                if x % 2 == 0 {
                    (x / 2).saturating_sub(1)
                } else {
                    (x / 2 + 1).min(w - 1)
                },
            );
            let mix = |row: usize| {
                0.75 * f32::from(plane[row * w + a]) + 0.25 * f32::from(plane[row * w + b])
            };
            *v = 0.75 * mix(near) + 0.25 * mix(far);
        }
    });
    out
}

impl Coded {
    /// Compresses a picture (of at least one pixel).
    pub fn new(picture: &Picture, how: Jpeg) -> Self {
        let (width, height) = (picture.width, picture.height);
        let mut planes = [0, 1, 2].map(|_| Vec::with_capacity(width * height));
        for c in picture.rgb.chunks_exact(3) {
            for (plane, v) in planes.iter_mut().zip(to_ycc(c)) {
                plane.push(v);
            }
        }
        let (tables, unit) = (
            [
                scaled(&LUMA_TABLE, how.quality),
                scaled(&CHROMA_TABLE, how.quality),
            ],
            if how.halved { 16 } else { 8 },
        );
        let [y, cb, cr] = planes;
        let chroma = |plane: Vec<f32>| {
            if how.halved {
                let half = halve(&plane, width, height);
                Component::new(&half, width.div_ceil(2), height.div_ceil(2), 8, tables[1])
            } else {
                Component::new(&plane, width, height, 8, tables[1])
            }
        };
        let parts = [
            Component::new(&y, width, height, unit, tables[0]),
            chroma(cb),
            chroma(cr),
        ];
        Coded {
            width,
            height,
            halved: how.halved,
            parts,
        }
    }

    /// Brightness as stored, and red green blue, as a decoder gives them.
    pub fn decoded(&self) -> (Vec<u8>, Vec<u8>) {
        let (w, h) = (self.width, self.height);
        let luma = self.parts[0].plane(w, h);
        let chroma = |part: &Component| -> Vec<f32> {
            if self.halved {
                let (cw, ch) = (w.div_ceil(2), h.div_ceil(2));
                double(&part.plane(cw, ch), cw, ch, w, h)
            } else {
                part.plane(w, h).into_iter().map(f32::from).collect()
            }
        };
        let (cb, cr) = (chroma(&self.parts[1]), chroma(&self.parts[2]));
        let mut rgb = Vec::with_capacity(3 * w * h);
        for ((&y, &cb), &cr) in luma.iter().zip(&cb).zip(&cr) {
            let (y, cb, cr) = (f32::from(y), cb - 128.0, cr - 128.0);
            for v in [
                y + 1.402 * cr,
                y - 0.344_136_3 * cb - 0.714_136_3 * cr,
                y + 1.772 * cb,
            ] {
                rgb.push(v.round().clamp(0.0, 255.0) as u8);
            }
        }
        (luma, rgb)
    }

    /// The file's bytes, with an EXIF block (its payload, beginning with the TIFF header) when one is given.
    pub fn bytes(&self, exif: Option<&[u8]>) -> Vec<u8> {
        let mut out = vec![0xFF, 0xD8];
        match exif {
            Some(tiff) => {
                let body: Vec<u8> = b"Exif\0\0"
                    .iter()
                    .copied()
                    .chain(tiff.iter().copied())
                    .collect();
                segment(&mut out, 0xE1, &body);
            }
            None => segment(
                &mut out,
                0xE0,
                &[b'J', b'F', b'I', b'F', 0, 1, 2, 0, 0, 1, 0, 1, 0, 0],
            ),
        }
        for (id, part) in [(0u8, &self.parts[0]), (1, &self.parts[1])] {
            let body: Vec<u8> = std::iter::once(id)
                .chain(ZIGZAG.iter().map(|&k| part.table[k] as u8))
                .collect();
            segment(&mut out, 0xDB, &body);
        }
        let size = |v: usize| [(v >> 8) as u8, v as u8];
        let sampling = if self.halved { 0x22 } else { 0x11 };
        let mut frame = vec![8];
        frame.extend(size(self.height));
        frame.extend(size(self.width));
        frame.extend([3, 1, sampling, 0, 2, 0x11, 1, 3, 0x11, 1]);
        segment(&mut out, 0xC0, &frame);
        for (id, (lengths, symbols)) in [
            (0x00u8, DC_LUMA),
            (0x10, AC_LUMA),
            (0x01, DC_CHROMA),
            (0x11, AC_CHROMA),
        ] {
            let body: Vec<u8> = std::iter::once(id)
                .chain(lengths.iter().copied())
                .chain(symbols.iter().copied())
                .collect();
            segment(&mut out, 0xC4, &body);
        }
        segment(&mut out, 0xDA, &[3, 1, 0x00, 2, 0x11, 3, 0x11, 0, 63, 0]);
        self.scan(&mut out);
        out.extend([0xFF, 0xD9]);
        out
    }

    fn scan(&self, out: &mut Vec<u8>) {
        let dc = [codes(DC_LUMA), codes(DC_CHROMA)];
        let ac = [codes(AC_LUMA), codes(AC_CHROMA)];
        let mut bits = Bits {
            out,
            held: 0,
            count: 0,
        };
        let mut before = [0i32; 3];
        let step = if self.halved { 2 } else { 1 };
        let (across, down) = (self.parts[0].across / step, self.parts[0].down / step);
        for unit in 0..across * down {
            let (ux, uy) = (unit % across, unit / across);
            for (p, part) in self.parts.iter().enumerate() {
                let n = if p == 0 { step } else { 1 };
                for k in 0..n * n {
                    let (bx, by) = (ux * n + k % n, uy * n + k / n);
                    if let Some(block) = part.blocks.get(by * part.across + bx) {
                        let table = usize::from(p > 0);
                        before[p] = bits.block(block, before[p], &dc[table], &ac[table]);
                    }
                }
            }
        }
        bits.finish();
    }
}

fn segment(out: &mut Vec<u8>, marker: u8, body: &[u8]) {
    let length = body.len() + 2;
    out.extend([0xFF, marker, (length >> 8) as u8, length as u8]);
    out.extend_from_slice(body);
}

/// Code and length of each symbol.
fn codes((lengths, symbols): ([u8; 16], &[u8])) -> Vec<(u16, u8)> {
    let mut table = vec![(0, 0); 256];
    let (mut code, mut next) = (0u16, symbols.iter());
    for (i, &count) in lengths.iter().enumerate() {
        for &symbol in next.by_ref().take(usize::from(count)) {
            table[usize::from(symbol)] = (code, i as u8 + 1);
            code += 1;
        }
        code <<= 1;
    }
    table
}

struct Bits<'a> {
    out: &'a mut Vec<u8>,
    held: u32,
    count: u32,
}

impl Bits<'_> {
    fn put(&mut self, value: u16, length: u8) {
        self.held = self.held << length | u32::from(value);
        self.count += u32::from(length);
        while self.count >= 8 {
            let byte = (self.held >> (self.count - 8)) as u8;
            self.out.push(byte);
            if byte == 0xFF {
                self.out.push(0);
            }
            self.count -= 8;
        }
        self.held &= (1 << self.count) - 1;
    }

    /// A number's size class and its bits.
    fn class(value: i32) -> (u8, u16) {
        let size = (32 - value.unsigned_abs().leading_zeros()) as u8;
        let bits = if value < 0 {
            value + (1 << size) - 1
        } else {
            value
        };
        (size, bits as u16)
    }

    fn block(&mut self, block: &[i16; 64], before: i32, dc: &[(u16, u8)], ac: &[(u16, u8)]) -> i32 {
        let first = i32::from(block[0]);
        let (size, bits) = Self::class(first - before);
        let (code, length) = dc[usize::from(size)];
        self.put(code, length);
        self.put(bits, size);
        let mut zeros = 0u8;
        for &k in &ZIGZAG[1..] {
            if block[k] == 0 {
                zeros += 1;
                continue;
            }
            while zeros > 15 {
                let (code, length) = ac[0xF0];
                self.put(code, length);
                zeros -= 16;
            }
            let (size, bits) = Self::class(i32::from(block[k]));
            let (code, length) = ac[usize::from(zeros << 4 | size)];
            self.put(code, length);
            self.put(bits, size);
            zeros = 0;
        }
        if zeros > 0 {
            let (code, length) = ac[0x00];
            self.put(code, length);
        }
        first
    }

    fn finish(&mut self) {
        if self.count > 0 {
            let pad = (8 - self.count) as u8;
            self.put((1 << pad) - 1, pad);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(width: usize, height: usize) -> Picture {
        let mut rgb = Vec::new();
        for y in 0..height {
            for x in 0..width {
                let edge = if 3 * x + y > 160 { 120 } else { 0 };
                rgb.extend([(x * 2 % 200) as u8, 40 + edge, (y * 3 % 180) as u8]);
            }
        }
        Picture { width, height, rgb }
    }

    #[test]
    fn file_decodes_to_what_the_lossy_part_says() {
        // Odd sizes too: units at the rim are cut. The decoder is the one intake uses.
        for (width, height, halved) in [
            (64, 48, false),
            (77, 45, false),
            (96, 64, true),
            (83, 51, true),
        ] {
            let coded = Coded::new(
                &picture(width, height),
                Jpeg {
                    quality: 90,
                    halved,
                },
            );
            let (luma, rgb) = coded.decoded();
            let bytes = coded.bytes(None);
            let file = image::load_from_memory_with_format(&bytes, image::ImageFormat::Jpeg)
                .expect("a sound file");
            let file = file.to_rgb8();
            assert_eq!(
                (file.width() as usize, file.height() as usize),
                (width, height)
            );
            let differ: f64 = file
                .as_raw()
                .iter()
                .zip(&rgb)
                .map(|(a, b)| f64::from(a.abs_diff(*b)))
                .sum::<f64>()
                / rgb.len() as f64;
            // Integer against float transform and colour turn: a grey level here and there.
            assert!(differ < 0.8, "{width} x {height} {halved}: {differ}");
            assert_eq!(luma.len(), width * height);
        }
    }

    #[test]
    fn loss_is_small_at_high_quality() {
        let picture = picture(64, 64);
        let (_, rgb) = Coded::new(
            &picture,
            Jpeg {
                quality: 98,
                halved: false,
            },
        )
        .decoded();
        let worst = rgb
            .iter()
            .zip(&picture.rgb)
            .map(|(a, b)| a.abs_diff(*b))
            .max();
        assert!(worst < Some(14), "{worst:?}");
    }
}
