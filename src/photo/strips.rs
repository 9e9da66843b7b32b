//! A JPEG cut into strips that decode by themselves, so that all cores work on one photo and colours are decoded only
//! where they are asked for.
//!
//! An ordinary JPEG is one long run of Huffman codes: nobody can start in the middle without having read the front.
//! Reading over the codes is cheap beside decoding them (a tenth), so one worker does that and notes for each row of
//! MCUs where it begins and what means the components have there; the others decode strips behind it. A strip becomes
//! a small JPEG of its own: the file's tables, its own height, the first means counted from zero, then the file's bits
//! moved to a whole byte. The pixels are those of decoding the file at one go, bit for bit: where chroma is stored at
//! half height and so interpolated across the seam, a strip takes one row of MCUs more on each side.
//!
//! As every code is read over to the last MCU, a picture cut short is known exactly.

use std::ops::Range;
use std::sync::atomic::{AtomicBool, Ordering};

use zune_core::colorspace::ColorSpace;

use super::huffman::{self, Bits, Spot, Table, Unit, Writer};
use super::jpeg::{self, LumaWay};
use super::marker;

/// Least height of a strip, px; a power of two and a multiple of every MCU's height.
pub(super) const STRIP: usize = 256;

/// All that strips are made from.
#[derive(Debug)]
pub(super) struct Strips {
    /// Everything before the scan's header.
    pub head: Vec<u8>,
    /// Where in `head` the two bytes of the height stand.
    pub height_at: usize,
    /// The scan's header with its marker.
    pub scan: Vec<u8>,
    pub bits: Bits,
    pub means: [Option<Table>; 4],
    pub rest: [Option<Table>; 4],
    /// The blocks of one MCU.
    pub units: Vec<Unit>,
    /// MCUs between restart marks; 0: none.
    pub interval: usize,
    pub mcus_across: usize,
    pub mcu_height: usize,
    pub width: usize,
    pub height: usize,
    /// How to get the brightness alone.
    pub way: LumaWay,
    /// Chroma is stored at less than full height.
    pub seams: bool,
}

/// Where things begin in the coded data.
#[derive(Debug, Default)]
pub(super) struct Index {
    /// Each row of MCUs, and the end.
    rows: Vec<Spot>,
    joints: Vec<Joint>,
}

/// A place where means start from zero again.
#[derive(Debug, Clone, Copy)]
struct Joint {
    /// The bit behind the MCU before it.
    end: usize,
    /// The bit where the next MCU begins.
    start: usize,
    /// The means before it.
    means: [i32; 4],
}

/// Why strips did not work out.
#[derive(Debug, PartialEq)]
pub(super) enum Failure {
    /// The file is broken.
    Damaged,
    /// It can't be cut; decoding at one go may do.
    NoCut,
}

impl Strips {
    /// How many rows of MCUs the picture has.
    fn rows(&self) -> usize {
        self.height.div_ceil(self.mcu_height)
    }

    /// Decodes the brightness into `luma`, `width * height`, and gives where all begins.
    pub fn luma(&self, luma: &mut [u8]) -> Result<Index, Failure> {
        let mut index = Index::default();
        let mut spot = Spot {
            bit: 0,
            means: [0; 4],
        };
        index.rows.push(spot);
        let (damaged, uncut) = (AtomicBool::new(false), AtomicBool::new(false));
        rayon::scope(|scope| {
            for (strip, out) in luma.chunks_mut(STRIP * self.width).enumerate() {
                let (rows, start, before) = (self.rows_of(strip), spot, index.joints.len());
                for row in rows.clone() {
                    if self.pass_row(row, &mut spot, &mut index.joints).is_none() {
                        damaged.store(true, Ordering::Relaxed);
                        return;
                    }
                    index.rows.push(spot);
                }
                let joints = index.joints[before..].to_vec();
                let (damaged, uncut, end) = (&damaged, &uncut, spot.bit);
                scope.spawn(move |_| match self.jpeg(&start, end, &joints, rows) {
                    None => uncut.store(true, Ordering::Relaxed),
                    Some(jpeg) => {
                        if jpeg::luma(&jpeg, self.way, out).is_err() {
                            damaged.store(true, Ordering::Relaxed);
                        }
                    }
                });
            }
        });
        match (damaged.into_inner(), uncut.into_inner()) {
            (true, _) => Err(Failure::Damaged),
            (false, true) => Err(Failure::NoCut),
            (false, false) => Ok(index),
        }
    }

    /// Reads over one row of MCUs.
    fn pass_row(&self, row: usize, spot: &mut Spot, joints: &mut Vec<Joint>) -> Option<()> {
        for mcu in row * self.mcus_across..(row + 1) * self.mcus_across {
            if self.interval > 0 && mcu > 0 && mcu.is_multiple_of(self.interval) {
                let start = *self.bits.marks.get(mcu / self.interval - 1)?;
                if spot.bit > start {
                    return None;
                }
                joints.push(Joint {
                    end: spot.bit,
                    start,
                    means: spot.means,
                });
                *spot = Spot {
                    bit: start,
                    means: [0; 4],
                };
            }
            huffman::skip_mcu(&self.bits, &self.means, &self.rest, &self.units, spot)?;
        }
        Some(())
    }

    /// Decodes the colours of a strip: sRGB, interleaved, as stored, and how many rows (px) before the strip's own are
    /// in it. `index` from [`Strips::luma`].
    pub fn colours(&self, index: &Index, strip: usize) -> Option<(Vec<u8>, usize)> {
        let own = self.rows_of(strip);
        let extra = usize::from(self.seams);
        let rows = own.start.saturating_sub(extra)..(own.end + extra).min(self.rows());
        let before = (own.start - rows.start) * self.mcu_height;
        let (start, end) = (index.rows.get(rows.start)?, index.rows.get(rows.end)?.bit);
        let first = index.joints.partition_point(|j| j.end < start.bit);
        let last = index.joints.partition_point(|j| j.end < end);
        let jpeg = self.jpeg(start, end, index.joints.get(first..last)?, rows)?;
        Some((jpeg::pixels(&jpeg, ColorSpace::RGB).ok()?, before))
    }

    /// How many strips there are.
    pub fn count(&self) -> usize {
        self.height.div_ceil(STRIP)
    }

    /// A strip's rows of MCUs.
    fn rows_of(&self, strip: usize) -> Range<usize> {
        let step = STRIP / self.mcu_height;
        strip * step..((strip + 1) * step).min(self.rows())
    }

    /// Rows of MCUs as a JPEG of their own, without restart marks: from `start`, where the first begins, to the bit
    /// `end` behind the last, with the joints between.
    fn jpeg(
        &self,
        start: &Spot,
        end: usize,
        joints: &[Joint],
        rows: Range<usize>,
    ) -> Option<Vec<u8>> {
        let mut means = self.means.clone();
        let mut coded = Writer::new(Vec::with_capacity((end - start.bit) / 8 * 33 / 32 + 64));
        let mut join = |coded: &mut Writer, from: &Spot, believed: &[i32; 4]| {
            coded.joint(
                &self.bits,
                &mut means,
                &self.rest,
                &self.units,
                from,
                believed,
            )
        };
        let restart = |joint: &Joint| Spot {
            bit: joint.start,
            means: [0; 4],
        };
        let mut joints = joints.iter().peekable();
        let start = joints
            .next_if(|j| j.end == start.bit)
            .map_or(*start, restart);
        let mut at = join(&mut coded, &start, &[0; 4])?;
        for joint in joints {
            coded.copy(&self.bits, at, joint.end)?;
            at = join(&mut coded, &restart(joint), &joint.means)?;
        }
        coded.copy(&self.bits, at, end)?;
        let coded = coded.finish();

        let height = (rows.end * self.mcu_height).min(self.height) - rows.start * self.mcu_height;
        let mut out = Vec::with_capacity(self.head.len() + coded.len() + 512);
        out.extend(&self.head);
        out.get_mut(self.height_at..self.height_at + 2)?
            .copy_from_slice(&u16::try_from(height).ok()?.to_be_bytes());
        for (place, table) in means.iter().enumerate() {
            if let Some(table) = table {
                marker::put_segment(&mut out, 0xC4, &table.segment(place as u8));
            }
        }
        out.extend(&self.scan);
        out.extend(coded);
        marker::put_end(&mut out);
        Some(out)
    }
}
